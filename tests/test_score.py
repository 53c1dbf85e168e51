"""Usable airtime, its causes, gaps, moments and stability, from tables made by hand with the answer known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from flight_material import BLACK, DARK, GROUND, NOISY, SNOW, WASHED_OUT, ZONE_BLOWN, record_of, timeline_of
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldscore.criteria import Criteria
from fieldscore.errors import NotMeasurableError
from fieldscore.measures import COLUMNS
from fieldscore.record import TileSeries
from fieldscore.score import CAUSES, Score, score_flight
from fieldscore.timeline import Timeline

CRITERIA = Criteria()
ROWS = 1800  # a minute
RNG = np.random.default_rng(5)
WHITE = RNG.normal(0, 1, ROWS)  # changes from frame to frame: every frame an independent sample


def scored(*stretches: tuple[int, int, dict[str, float]], criteria: Criteria = CRITERIA, **columns: object) -> Score:
    columns.setdefault("zone_readable_percent", 90 + WHITE)
    return score_flight(record_of(timeline_of(ROWS, *stretches, **columns)), criteria)


def test_share_causes_and_gaps_of_a_known_minute() -> None:
    """Every frame is counted once, under the cause that took it, and every gap is where it was put."""
    score = scored(
        (300, 450, DARK), (600, 660, NOISY), (900, 990, {"clipped_percent": 70.0}), (1020, 1050, ZONE_BLOWN),
        (1200, 1230, SNOW), (1400, 1415, {"level_percent": 2.0}), (1500, 1530, WASHED_OUT),
    )  # fmt: skip
    usable = score.usable
    assert usable.share == (1800 - 405) / 1800
    assert usable.lost_by_cause == {
        "link_lost": 30 / 1800,
        "recovering": 0.0,
        "pulled_down": 0.0,
        "blown": 150 / 1800,
        "too_dark": 165 / 1800,
        "noisy": 60 / 1800,
    }
    assert [(gap.from_s, gap.to_s, gap.cause) for gap in score.gaps] == [
        (pytest.approx(start / 30, abs=1e-5), pytest.approx(stop / 30, abs=1e-5), cause)
        for start, stop, cause in [
            (300, 450, "too_dark"), (600, 660, "noisy"), (900, 990, "blown"), (1020, 1050, "blown"),
            (1200, 1230, "link_lost"), (1400, 1415, "too_dark"), (1500, 1530, "blown"),
        ]
    ]  # fmt: skip
    assert usable.longest_gap_s == pytest.approx(5.0, abs=1e-5)
    assert usable.longest_gap_at_s == pytest.approx(10.0, abs=1e-5)
    assert usable.gaps_per_minute == pytest.approx(7.0, abs=1e-3)
    assert CAUSES[score.cause[310]] == "too_dark" and score.cause[0] == -1


def a_light_goes_off(motion: float, exposure: np.ndarray) -> float:
    """Seconds blamed on the recovery from a light that goes off at 30 s; the level drops on for 6 s, all of it too noisy."""
    s = np.arange(ROWS) / 30.0 - 30.0
    score = scored(
        (900, ROWS, NOISY),
        (900, 901, {"dimmed_percent": 80.0, "fall_codes": 90.0, "likeness": 0.8}),
        level_percent=np.where(s < 0.0, 60.0, np.interp(s, (0.0, 6.0), (40.0, 20.0))),
        motion_percent=motion,
        motion_change_percent=0.2 * motion,
        exposure_stops=exposure,
        brightened_percent=1.0,
        dimmed_percent=1.0,
        rise_codes=3.0,
        fall_codes=3.0,
    )
    assert [event.kind for event in score.events] == ["flash_off"]
    assert score.events[0].recovery_s == pytest.approx(5.4, abs=0.1)  # within a tenth of 20 %
    return float(np.count_nonzero(score.cause == CAUSES.index("recovering"))) / 30.0


def test_in_flight_a_recovery_is_over_when_the_exposure_is_back() -> None:
    """The gain is back 0.7 s after the light; that the place is darker after that is not the camera's recovery."""
    s = np.arange(ROWS) / 30.0 - 30.0
    gain = np.interp(s, (0.0, 1.0), (0.0, 1.0))
    assert a_light_goes_off(20.0, gain) == pytest.approx(0.7, abs=0.07)
    overshot = np.interp(s, (0.0, 0.3, 0.6, 1.2), (0.0, -1.0, -1.0, 0.0))  # dips, and is where it was after a second
    assert a_light_goes_off(20.0, overshot) == pytest.approx(1.0, abs=0.1)


def test_a_recovery_is_the_levels_where_the_exposure_does_not_say_more() -> None:
    """On the ground, and where the exposure is not known or goes on to the end, all of it is the camera's."""
    s = np.arange(ROWS) / 30.0 - 30.0
    assert a_light_goes_off(0.4, np.interp(s, (0.0, 1.0), (0.0, 1.0))) == pytest.approx(5.4, abs=0.1)
    assert a_light_goes_off(20.0, np.full(ROWS, np.nan)) == pytest.approx(5.4, abs=0.1)
    assert a_light_goes_off(20.0, np.where(s < 3.0, 0.0, np.nan)) == pytest.approx(5.4, abs=0.1)
    assert a_light_goes_off(20.0, np.interp(s, (0.0, 5.7), (0.0, 1.6))) == pytest.approx(4.5, abs=0.3)


def test_a_frame_exactly_at_the_criterion_is_usable() -> None:
    """The flying zone has to reach the criterion, not to pass it."""
    at = CRITERIA.usable_zone_readable_percent
    assert scored(zone_readable_percent=at).usable.share == 1.0
    assert scored(zone_readable_percent=at - 0.01).usable.share == 0.0


def test_the_share_has_its_least_and_most_by_curve() -> None:
    """Usable under the curve by which least is readable, under the one assumed, and by which most is: each its own frames."""
    at = CRITERIA.usable_zone_readable_percent
    zone = np.where(np.arange(ROWS) < ROWS // 2, at + 5.0, at - 5.0)
    lost = (90, 180, SNOW)
    score = scored(
        lost, zone_readable_percent=zone, zone_readable_least_percent=zone - 7.0, zone_readable_most_percent=zone + 7.0,
        readable_least_percent=50.0, readable_most_percent=80.0,
    )  # fmt: skip
    assert score.usable.share == (ROWS // 2 - 90) / ROWS
    assert score.by_curve["usable_share"] == (0.0, (ROWS - 90) / ROWS)
    assert score.by_curve["zone_readable_percent"] == (at - 7.0 - 5.0, at - 5.0 + 7.0)  # medians of the link's frames
    assert score.by_curve["readable_percent"] == (50.0, 80.0)
    assert not {name for name in score.measures if "_least_" in name or "_most_" in name}
    assert scored().by_curve == {} and scored().usable_at_ends is None  # as results saved before they were known


def test_link_loss_takes_a_frame_before_any_other_cause() -> None:
    """A black screen without a link is not the camera's darkness."""
    usable = scored((600, 690, BLACK)).usable
    assert usable.lost_by_cause["link_lost"] == 90 / 1800
    assert usable.lost_by_cause["too_dark"] == 0.0


def test_the_floor_that_the_chain_reaches_is_black() -> None:
    """A recording whose black sits at 7.8 % is as black there as another at 0: darkness counts from the floor."""
    lifted = timeline_of(ROWS, (600, 660, {"level_percent": 9.0}), zone_readable_percent=90 + WHITE)
    assert score_flight(record_of(lifted, floor_code=33.0), CRITERIA).usable.share == 1740 / 1800
    assert score_flight(record_of(lifted, floor_code=16.0), CRITERIA).usable.share == 1.0


def test_all_usable_is_not_all_certain() -> None:
    """A flight without a loss still has a lower bound under 1, and it comes nearer as the flight gets longer."""
    long = scored().usable
    short = score_flight(record_of(timeline_of(300, zone_readable_percent=90 + WHITE[:300])), CRITERIA).usable
    assert long.share == short.share == 1.0
    assert long.ci95 is not None and short.ci95 is not None
    assert long.ci95[1] == short.ci95[1] == 1.0
    assert 0.9 < short.ci95[0] < long.ci95[0] < 1.0
    assert long.longest_gap_s == 0.0 and long.longest_gap_at_s is None and long.gaps_per_minute == 0.0


def test_the_interval_holds_the_share() -> None:
    """Losses spread over the flight: the interval lies around the share, inside 0..1."""
    readable = np.where(np.repeat(RNG.uniform(size=ROWS // 10), 10) < 0.3, 30.0, 90.0) + WHITE
    usable = scored(zone_readable_percent=readable, zone_noisy_percent=100 - readable).usable
    assert usable.ci95 is not None
    assert 0.0 < usable.ci95[0] < usable.share < usable.ci95[1] < 1.0
    assert 30 < usable.effective_samples < 400


@pytest.mark.parametrize(
    ("readable", "match"),
    [
        (80 + 15 * np.sin(np.arange(ROWS) * 2 * np.pi / ROWS), "needs 30 or more"),
        (np.full(ROWS, 95.0), "does not tell"),
    ],
)
def test_no_interval_without_enough_independent_samples(readable: np.ndarray, match: str) -> None:
    """A minute in which readability swings once, or never changes, is no base for an interval: a reason stands there."""
    usable = scored(zone_readable_percent=readable).usable
    assert usable.ci95 is None
    assert usable.reason is not None and match in usable.reason
    assert not usable.effective_samples >= CRITERIA.min_effective_samples


def test_a_short_return_does_not_end_a_gap() -> None:
    """Two losses 0.1 s apart are one gap, 0.3 s apart two; the share counts the frames between as usable."""
    near, far = scored((300, 330, NOISY), (333, 360, NOISY)), scored((300, 330, NOISY), (339, 360, NOISY))
    assert [(gap.from_s, gap.to_s) for gap in near.gaps] == [(10.0, 12.0)]
    assert len(far.gaps) == 2
    assert near.usable.share == (1800 - 57) / 1800


def test_a_single_lost_frame_counts_in_the_share_but_is_no_gap() -> None:
    """One damaged frame costs a frame of airtime, not a gap."""
    score = scored((700, 701, {"damaged": 1.0}))
    assert score.usable.share == 1799 / 1800
    assert score.gaps == () and score.usable.longest_gap_s == 0.0


def test_a_gap_without_length_has_its_cause() -> None:
    """A clip of one picture that nobody could fly by, where every gap is asked for, is lost to what it shows."""
    table = timeline_of(1, (0, 1, {"zone_readable_percent": 0.0, "zone_dark_percent": 100.0}))
    (gap,) = score_flight(record_of(table), Criteria(gap_least_s=0.0), from_s=0.0, to_s=1.0).gaps
    assert (gap.from_s, gap.to_s, gap.by_cause_s) == (0.0, 0.0, {gap.cause: 0.0})


def test_causes_of_as_many_frames_have_one_order() -> None:
    """Wherever a gap lies, of two causes over six frames each the same is told first: rounding of times decides nothing."""
    rows = range(60, 1700, 61)
    lost = [part for row in rows for part in ((row, row + 6, DARK), (row + 6, row + 12, ZONE_BLOWN))]
    gaps = scored(*lost).gaps
    assert len(gaps) == len(rows)
    assert len({tuple(gap.by_cause_s) for gap in gaps}) == 1


def test_a_gap_to_the_last_frame_ends_with_it() -> None:
    """The last frame is shown for one interval."""
    assert scored((1770, 1800, DARK)).gaps[-1].to_s == pytest.approx(60.0, abs=1e-4)


def test_the_ground_is_left_out() -> None:
    """Ten dark seconds on the ground before a flight cost nothing, and the flags say what was airtime."""
    score = scored((0, 300, {**GROUND, **DARK}))
    assert score.airtime_how == "motion" and score.airtime_from_s == pytest.approx(10.0, abs=0.1)
    assert score.usable.share > 0.995
    table = score.record.timeline
    np.testing.assert_array_equal(table["airborne"] > 0, score.in_airtime)
    np.testing.assert_array_equal(table["usable"] > 0, score.usable_mask)
    assert set(np.unique(table["link"])) == {1.0}


def test_given_ends_replace_those_found() -> None:
    """--from and --to choose the stretch, either end alone as well."""
    record = record_of(timeline_of(ROWS, (300, 600, NOISY), zone_readable_percent=90 + WHITE))
    assert score_flight(record, CRITERIA, from_s=10.0, to_s=19.9).usable.share == 0.0
    half = score_flight(record, CRITERIA, from_s=15.0)
    assert (half.airtime_from_s, half.airtime_how) == (15.0, "given")
    assert half.usable.lost_by_cause["noisy"] == pytest.approx(150 / 1350)


def test_a_stretch_without_a_frame_is_refused() -> None:
    """A stretch after the end of the clip is told with its bounds."""
    with pytest.raises(NotMeasurableError, match=r"from 70\.0 s to 80\.0 s"):
        score_flight(record_of(timeline_of(ROWS)), CRITERIA, from_s=70.0, to_s=80.0)


def test_frames_without_their_own_readability_take_a_neighbours() -> None:
    """The first frame and repeats have none of their own; half a second without is bridged, more is left out."""
    hole = {"zone_readable_percent": np.nan}
    assert scored((0, 1, hole), (100, 110, hole)).usable.share == 1.0
    wide = scored((600, 900, hole), (300, 360, DARK))
    counted = ROWS - 300 + 2 * 15  # half a second at either side is held
    assert wide.usable.share == pytest.approx((counted - 60) / counted, abs=2e-3)


def test_black_without_readability_is_lost_not_left_out() -> None:
    """Where noise cannot be measured a black or blown frame is still unusable: darkness must not shorten the airtime."""
    dark = {"level_percent": 2.0, "zone_readable_percent": np.nan}
    glare = {"clipped_percent": 90.0, "zone_readable_percent": np.nan}
    usable = scored((0, 180, dark), (600, 690, glare)).usable
    assert usable.lost_by_cause["too_dark"] == 180 / 1800
    assert usable.lost_by_cause["blown"] == 90 / 1800


def test_a_gap_says_how_long_each_cause_took() -> None:
    """A zone that flickers about its criterion and then a lost link are one gap, which tells the seconds of either."""
    flicker = [(300 + 6 * number, 302 + 6 * number, NOISY) for number in range(5)]
    (gap,) = scored(*flicker, (330, 345, SNOW)).gaps
    assert (gap.from_s, gap.to_s) == (pytest.approx(10.0), pytest.approx(11.5))
    assert gap.cause == "link_lost"
    assert list(gap.by_cause_s.items()) == [
        ("link_lost", pytest.approx(0.5)),
        ("noisy", pytest.approx(1 / 3, abs=1e-3)),
    ]


def test_a_moment_of_a_lost_link_has_no_readable_zone() -> None:
    """Snow may pass for a readable picture: its moment says nothing of the flying zone."""
    score = scored((300, 345, {**SNOW, "zone_readable_percent": 95.0}))
    (worst,) = [one for one in score.moments if one.kind == "worst"]
    assert worst.cause == "link_lost"
    assert math.isnan(worst.readable_percent)


def test_worst_moments_lie_in_the_longest_gaps_and_all_in_the_airtime() -> None:
    """One picture for each of the longest gaps, the rest typical, none from the ground."""
    losses = [(400 + 150 * k, 410 + 150 * k + 10 * k, NOISY) for k in range(6)]
    score = scored((0, 150, {**GROUND, **DARK}), *losses, (1650, 1800, GROUND))
    assert len(score.moments) == CRITERIA.evidence_count
    assert all(score.airtime_from_s <= one.time_s <= score.airtime_to_s for one in score.moments)
    worst = [one for one in score.moments if one.kind == "worst"]
    longest = sorted(score.gaps, key=lambda gap: -gap.length_s)[: len(worst)]
    assert len(worst) == 4
    for one in worst:
        assert any(gap.from_s <= one.time_s < gap.to_s and gap.cause == one.cause for gap in longest)
    for one in score.moments:
        if one.kind == "typical":
            assert one.cause is None and one.readable_percent >= CRITERIA.usable_zone_readable_percent
    assert scored(*losses, criteria=Criteria(evidence_count=0)).moments == ()


def test_a_worst_moment_shows_what_it_is_named_for() -> None:
    """In two seconds of noise with half a second of snow in them, where less still is read, the picture is one of noise."""
    score = scored((600, 660, NOISY), (625, 640, SNOW))
    (worst,) = (one for one in score.moments if one.kind == "worst")
    assert worst.cause == "noisy"
    assert CAUSES[score.cause[round(worst.time_s * 30)]] == "noisy"


def test_readable_map_is_the_share_of_the_airtime_a_tile() -> None:
    """Tiles readable always, half of the time, never, and not picture: 1, 0.5, 0, NaN; the ground is left out."""
    times = (np.arange(240) + 0.5) * 0.25
    k = np.zeros((240, 1, 4), dtype=np.float32)
    k[:, 0, 0] = 9.0
    k[::2, 0, 1] = CRITERIA.rose_k
    k[:, 0, 3] = np.nan
    k[:40, 0, 2] = 9.0  # only on the ground
    record = record_of(timeline_of(ROWS, (0, 300, GROUND)), TileSeries(times, k))
    found = score_flight(record, CRITERIA).readable_map
    np.testing.assert_allclose(found, [[1.0, 0.5, 0.0, np.nan]], atol=0.01)


def test_jitter_is_the_spread_from_frame_to_frame() -> None:
    """White noise of 0.5 % in the level is a jitter of 0.5 %; a few flashes do not change it."""
    level = 40 + 0.5 * WHITE
    level[::200] += 30
    assert scored(level_percent=level).stability.level_jitter_percent == pytest.approx(0.5, rel=0.07)


def test_drift_is_the_spread_of_the_seconds() -> None:
    """A slow sine of 5 % is a drift of 5/sqrt(2) % and next to no jitter; a constant level has neither."""
    slow = scored(level_percent=40 + 5 * np.sin(np.arange(ROWS) * 2 * np.pi / 600)).stability
    assert slow.level_drift_percent == pytest.approx(5 / math.sqrt(2), rel=0.05)
    assert slow.level_jitter_percent is not None and slow.level_jitter_percent < 0.05
    even = scored(level_percent=40.0).stability
    assert (even.level_jitter_percent, even.level_drift_percent) == (0.0, 0.0)


def test_stability_leaves_out_lost_link() -> None:
    """The level of a blue screen says nothing about the camera."""
    noisy = scored((600, 900, {**SNOW, "level_percent": 90.0}), level_percent=40.0).stability
    assert (noisy.level_jitter_percent, noisy.level_drift_percent) == (0.0, 0.0)


def test_summaries_describe_the_airtime() -> None:
    """Median and percentiles over the airtime with the link there, in the column's unit; NaN counts for nothing."""
    ramp = np.linspace(0, 100, ROWS)
    score = scored((0, 1, {"noise_percent": np.nan}), crushed_percent=ramp)
    crushed = score.measures["crushed_percent"]
    assert (crushed.median, crushed.p5, crushed.p95) == (
        pytest.approx(50, abs=0.1), pytest.approx(5, abs=0.1), pytest.approx(95, abs=0.1),
    )  # fmt: skip
    assert (crushed.unit, crushed.n) == ("%", ROWS)
    assert score.measures["noise_percent"].n == ROWS - 1
    assert "repeated" not in score.measures


def test_a_clip_without_take_off_says_so() -> None:
    """Scored whole, with a note that says how to choose a stretch."""
    score = scored((0, ROWS, GROUND))
    assert score.airtime_how == "whole clip"
    assert any("--from" in note for note in score.notes)


@pytest.mark.parametrize("rows", [1, 2, 5])
def test_the_shortest_clips_are_scored(rows: int) -> None:
    """One frame has a share, but no interval and no rate of gaps it could not know."""
    usable = score_flight(record_of(timeline_of(rows)), CRITERIA).usable
    assert usable.share == 1.0 and usable.ci95 is None and usable.reason


@settings(max_examples=80, deadline=None)
@given(st.integers(1, 200), st.integers(0, 2**32 - 1), st.floats(0.0, 0.5))
def test_every_score_adds_up(rows: int, seed: int, missing: float) -> None:
    """Share and causes add up to 1, gaps are apart and in the airtime, the longest is the longest, whatever the table."""
    rng = np.random.default_rng(seed)
    parts = rng.integers(0, 101, (rows, 3))
    values = {column.name: rng.uniform(0, 100, rows) for column in COLUMNS}
    values["zone_readable_percent"] = np.repeat(rng.uniform(0, 100, rows), 7)[:rows]
    for name, part in zip(("dark", "blown", "noisy"), parts.T, strict=True):
        values[f"zone_{name}_percent"] = part.astype(np.float64)
    for name in ("repeated", "damaged"):
        values[name] = (rng.uniform(size=rows) < 0.1).astype(np.float64)
    for name in values:
        values[name][rng.uniform(size=rows) < missing] = np.nan
    table = Timeline(np.cumsum(rng.uniform(0.01, 0.1, rows)), values, COLUMNS)
    try:
        score = score_flight(record_of(table), CRITERIA)
    except NotMeasurableError:
        return
    usable = score.usable
    if np.isnan(usable.share):
        assert usable.reason and not np.isfinite(values["zone_readable_percent"]).any()  # no picture can be judged
        return
    assert 0.0 <= usable.share <= 1.0
    assert sum(part for part in usable.lost_by_cause.values() if part) == pytest.approx(1.0 - usable.share, abs=1e-12)
    if usable.ci95 is not None:
        assert 0.0 <= usable.ci95[0] <= usable.share <= usable.ci95[1] <= 1.0
    else:
        assert usable.reason
    assert usable.longest_gap_s == max((gap.length_s for gap in score.gaps), default=0.0)
    assert all(a.to_s < b.from_s + 1e-9 for a, b in zip(score.gaps, score.gaps[1:], strict=False))
    assert all(score.airtime_from_s <= one.time_s <= score.airtime_to_s for one in score.moments)
    assert not (score.usable_mask & ~score.in_airtime).any()
    assert ((score.cause >= 0) & score.usable_mask).sum() == 0
