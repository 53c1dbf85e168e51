"""Lamps flown past, from made columns of known exposure and size."""

from __future__ import annotations

import numpy as np
import pytest
from flight_material import record_of, timeline_of

from fieldscore.brightness import lamps, pulled_down, stability
from fieldscore.criteria import Criteria
from fieldscore.lamp_passes import _times_near, amid_no_light, flown_past, lamp_passes, toward_light
from fieldscore.timeline import Timeline

RATE = 30.0


def passing(peaks: list[tuple[float, float, float]], seconds: float = 20.0, **columns: np.ndarray) -> Timeline:
    """A Timeline on which lamps (when, radius in %, stops) grow over 1.5 s, go within 0.2 s and pull the exposure down."""
    n = int(seconds * RATE)
    time = np.arange(n) / RATE
    radius, exposure, number = np.zeros(n), np.zeros(n), np.full(n, np.nan)
    for lamp, (at, largest, stops) in enumerate(peaks, 1):
        grow = np.clip(1 - (at - time) / 1.5, 0, 1) * (time <= at) + np.clip(1 - (time - at) / 0.2, 0, 1) * (time > at)
        number[largest * grow > radius] = lamp
        radius = np.maximum(radius, largest * grow)
        exposure += stops * np.clip(1 - np.abs(time - at) / 1.0, 0, 1)
    values = {
        "bloom_radius_percent": np.where(radius > 0, radius, np.nan),
        "lamps": (radius > 0).astype(float),
        "lamp_number": number,
        "exposure_stops": exposure,
        "veil_percent": 0.5 * radius,
        **columns,
    }
    return timeline_of(n, rate=RATE, **values)


def everywhere(timeline: Timeline) -> np.ndarray:
    return np.ones(len(timeline), dtype=np.bool_)


@pytest.mark.parametrize("stops", [-0.3, -1.0, -2.5])
def test_each_pass_gives_its_pulldown(stops: float) -> None:
    """Three lamps far apart are three passes, each with the exposure change put in, within 7 % (the mean over 0.2 s)."""
    timeline = passing([(4.0, 3.0, stops), (9.0, 2.0, stops / 2), (15.0, 4.0, stops)])
    found = lamp_passes(timeline, everywhere(timeline))
    assert [round(one.largest_s) for one in found] == [4, 9, 15]
    assert [one.pulldown_stops for one in found] == pytest.approx([stops, stops / 2, stops], rel=0.07, abs=0.05)
    assert [one.veil_percent for one in found] == pytest.approx([1.5, 1.0, 2.0], abs=0.3)


@pytest.mark.parametrize(
    ("far", "passes"),
    [
        ([1.1, 1.1], 3),
        ([1.7, 1.7], 5),  # of nearly half of the near ones' radius
        ([1.1, 1.1, 1.1, 1.1], 7),  # most are as small: all of them are near
    ],
)
def test_far_lamps_are_not_flown_past(far: list[float], passes: int) -> None:
    """Lamps much smaller than most, which move no exposure, did not come near; one as small that pulls it down did."""
    near = [(4.0, 3.2, -1.0), (12.0, 3.0, -1.0), (27.0, 3.2, -1.0)]
    others = [(16.0 + 2.5 * number, radius, 0.0) for number, radius in enumerate(far)]
    timeline = passing(near + others, seconds=30.0)
    assert len(flown_past(lamp_passes(timeline, everywhere(timeline)))) == passes
    weak = [(at, radius, -0.4) for at, radius, _ in others]
    timeline = passing(near + weak, seconds=30.0)
    assert len(flown_past(lamp_passes(timeline, everywhere(timeline)))) == 3 + len(far)


def test_two_lamps_make_neither_a_far_one() -> None:
    """Two passes say nothing of what is usual on a flight."""
    timeline = passing([(4.0, 4.0, -1.0), (9.0, 1.2, 0.0)])
    assert len(flown_past(lamp_passes(timeline, everywhere(timeline)))) == 2


@pytest.mark.parametrize(("clipped", "passes"), [(0.3, 2), (4.0, 1), (20.0, 0), (np.nan, 2)])
def test_a_small_part_of_all_that_is_at_the_ceiling_is_no_lamp_that_came_near(clipped: float, passes: int) -> None:
    """Discs of 4 and 1.5 % of the height beside a bright sky over so much of the picture; where that is not known, both count."""
    timeline = passing([(5.0, 4.0, -0.5), (12.0, 1.5, -0.5)], clipped_percent=np.full(600, clipped))
    found = lamp_passes(timeline, everywhere(timeline))
    assert len(found) == 2
    assert len(amid_no_light(timeline, found)) == passes
    assert len(lamps(record_of(timeline), everywhere(timeline), Criteria()).passes) == passes


@pytest.mark.parametrize(("hidden_s", "passes"), [(0.2, 1), (0.3, 1), (0.6, 2), (1.5, 2)])
def test_text_that_blinks_over_a_lamp_makes_no_second_pass(hidden_s: float, passes: int) -> None:
    """A lamp of which a third is left for a moment comes near once; one that is so small for half a second, twice."""
    time = np.arange(600) / RATE
    radius = np.interp(time, [2.0, 8.0, 8.2], [0.5, 3.0, 0.1])
    radius = np.where(np.abs(time - 7.0) < hidden_s / 2, radius / 3.0, radius)
    timeline = passing([], bloom_radius_percent=radius, lamp_number=np.ones(600))
    assert len(lamp_passes(timeline, everywhere(timeline))) == passes


def test_a_moment_and_a_shade_after_it_are_not_one_dip() -> None:
    """What hides a lamp wholly for a moment, and a shade to just under half for longer, are not a lamp that went and came."""
    radius = np.repeat([3.0, 0.0, 2.9, 1.38, 1.8], [10, 2, 3, 15, 10])
    assert _times_near(radius, np.arange(len(radius)), 12) == [0]
    gone = np.repeat([3.0, 0.0, 1.8], [10, 15, 10])
    assert _times_near(gone, np.arange(len(gone)), 12) == [0, 25]


@pytest.mark.parametrize(("least", "passes"), [(0.65, 1), (0.4, 2)])
def test_a_lamp_that_shrinks_on_its_way_is_one_pass(least: float, passes: int) -> None:
    """A lamp that shrinks by a third and grows again is one pass; one that shrinks to under half came near twice."""
    time = np.arange(600) / RATE
    radius = 3.0 * np.interp(time, [2.0, 5.0, 7.0, 9.0, 12.0], [0.1, 1.0, least, 1.0, 0.1])
    timeline = passing([], bloom_radius_percent=radius, lamp_number=np.ones(600))
    assert len(lamp_passes(timeline, everywhere(timeline))) == passes


def test_each_time_around_a_lamp_is_a_pass() -> None:
    """Of a lamp that stays in view and comes near four times in twenty seconds each time is a pass."""
    radius = 2.0 + 1.5 * np.sin(2.0 * np.pi * np.arange(600) / RATE / 5.0)
    timeline = passing([], bloom_radius_percent=radius, lamp_number=np.ones(600))
    found = [one.largest_s for one in lamp_passes(timeline, everywhere(timeline))]
    assert found == pytest.approx([1.25, 6.25, 11.25, 16.25], abs=0.1)


@pytest.mark.parametrize(("trough", "passes"), [(0.7, [8.0]), (0.5, [5.0, 8.0])])
def test_of_lamps_that_no_trough_parts_the_larger_one_is_the_pass(trough: float, passes: list[float]) -> None:
    """Two lamps, one after the other the largest: with a trough of four tenths between them two passes, else the larger one."""
    time = np.arange(600) / RATE
    radius = np.interp(time, [3.0, 5.0, 6.0, 8.0, 9.0], [0.1, 2.0, 2.0 * trough, 3.0, 0.1])
    timeline = passing([], bloom_radius_percent=radius, lamp_number=1.0 + (time > 6.0))
    found = [one.largest_s for one in lamp_passes(timeline, everywhere(timeline))]
    assert found == pytest.approx(passes, abs=0.1)


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_many_lamps_without_troughs_are_the_largest_one(order: tuple[int, ...]) -> None:
    """Three lamps in a row, with nothing but small dips between them, are one pass, at the largest, whichever that is."""
    time = np.arange(600) / RATE
    tops = [2.0 + 0.5 * one for one in order]
    radius = np.interp(time, [3.0, 5.0, 6.0, 7.0, 8.0, 9.0, 11.0], [0.1, tops[0], 1.8, tops[1], 1.8, tops[2], 0.1])
    timeline = passing([], bloom_radius_percent=radius, lamp_number=1.0 + (time > 6.0) + (time > 8.0))
    found = [one.largest_s for one in lamp_passes(timeline, everywhere(timeline))]
    assert found == pytest.approx([5.0 + 2.0 * order.index(2)], abs=0.1)


@pytest.mark.parametrize("backward", [False, True])
def test_a_small_lamp_between_two_large_ones_does_not_join_them(backward: bool) -> None:
    """A small lamp that no trough parts from its neighbour is none, and the large ones are parted by the trough between them."""
    time = np.arange(600) / RATE
    radius = np.interp(time, [3.0, 5.0, 6.0, 7.0, 8.0, 9.0, 11.0], [0.1, 3.0, 1.5, 2.0, 1.3, 2.5, 0.1])
    number = 1.0 + (time > 6.0) + (time > 8.0)
    if backward:
        radius, number = radius[::-1], number[::-1]
    timeline = passing([], bloom_radius_percent=radius, lamp_number=number)
    assert [one.radius_percent for one in lamp_passes(timeline, everywhere(timeline))] == pytest.approx(
        [2.5, 3.0] if backward else [3.0, 2.5], abs=0.1
    )


@pytest.mark.parametrize("gap", [1, 3, 6])
def test_a_moment_between_two_lamps_hides_no_other(gap: int) -> None:
    """A small lamp that is the largest for a look between two others is a pass all the same where it comes near later."""
    row = np.arange(600)
    one = np.interp(row / RATE, [1.0, 3.9], [0.5, 3.0]) * (row < 120)
    two = np.interp(row / RATE, [4.0, 5.0, 5.1], [2.9, 3.0, 0.0]) * (row >= 120 + gap)
    far = np.interp(row / RATE, [0.0, 10.0, 14.0, 14.3], [0.7, 0.7, 2.4, 0.0])
    all_of_them = np.stack([far, one, two])
    timeline = passing([], bloom_radius_percent=all_of_them.max(axis=0), lamp_number=1.0 + all_of_them.argmax(axis=0))
    assert 14 in [round(each.largest_s) for each in lamp_passes(timeline, everywhere(timeline))]


def test_a_lamp_in_view_for_a_moment_is_a_pass() -> None:
    """In view for a quarter of a second a lamp is one pass; one that stays as large as it is, is none."""
    radius = np.full(600, np.nan)
    radius[300:308] = 3.0
    short = passing([(4.0, 3.0, -1.0)], bloom_radius_percent=radius, lamp_number=np.ones(600))
    assert len(lamp_passes(short, everywhere(short))) == 1
    steady = passing([], bloom_radius_percent=np.full(600, 3.0), lamp_number=np.ones(600))
    assert lamp_passes(steady, everywhere(steady)) == ()


def test_no_lamp_no_pass() -> None:
    """Without a lamp there is no pass, and nothing was flown toward."""
    timeline = passing([])
    assert lamp_passes(timeline, everywhere(timeline)) == ()
    assert toward_light(timeline, everywhere(timeline), 60.0) is None


def test_a_lamp_on_the_ground_does_not_count() -> None:
    """What is outside the airtime is left out."""
    timeline = passing([(4.0, 3.0, -1.0), (15.0, 3.0, -1.0)])
    found = lamp_passes(timeline, timeline.between(8.0, 20.0))
    assert [round(one.largest_s) for one in found] == [15]


def test_a_lost_link_is_no_trough() -> None:
    """A lamp that stays as it is, is no pass where the link is lost or the airtime ends; another one after a lost link is."""
    time = np.arange(600) / RATE
    inside = (time > 5.0) & (time < 15.0)
    for at_s in (7.0, 9.0, 12.0):
        inside &= np.abs(time - at_s) > 0.2
    steady = passing([], bloom_radius_percent=np.full(600, 3.0), lamp_number=np.ones(600))
    assert lamp_passes(steady, inside) == ()
    growing = passing(
        [], bloom_radius_percent=np.interp(time, [5.5, 13.0, 13.2], [0.5, 3.0, 0.3]), lamp_number=np.ones(600)
    )
    assert [round(one.largest_s) for one in lamp_passes(growing, inside)] == [13]
    other = passing([], bloom_radius_percent=np.interp(time, [5.5, 9.0, 9.4, 13.0, 13.2], [0.5, 3.0, 2.0, 3.0, 0.3]),
                    lamp_number=1.0 + (time > 9.0))  # fmt: skip
    assert [round(one.largest_s) for one in lamp_passes(other, inside)] == [9, 13]
    gone = passing(
        [],
        bloom_radius_percent=np.where(time < 8.0, 3.0, 0.3),
        lamp_number=np.ones(600),
        exposure_stops=-1.0 * (time > 7.5),
    )
    (one,) = lamp_passes(gone, inside)  # in view when the flight began
    assert one.pulldown_stops == pytest.approx(-1.0, abs=0.05)


def test_a_pass_goes_on_until_the_lamp_is_half_as_large_or_the_next_one_comes() -> None:
    """The dip of a lamp that shrinks by 45 % before the next grows is its own, and the pass ends at the trough."""
    time = np.arange(600) / RATE
    radius = np.interp(time, [3.0, 5.0, 7.0, 9.0, 9.5], [0.1, 3.0, 1.65, 3.0, 0.1])
    dip = np.interp(time, [4.5, 6.0, 6.5], [0.0, -1.5, 0.0])
    timeline = passing([], bloom_radius_percent=radius, lamp_number=1.0 + (time > 7.0), exposure_stops=dip)
    first, _ = lamp_passes(timeline, everywhere(timeline))
    assert first.to_s == pytest.approx(7.0, abs=0.1)
    assert first.pulldown_stops == pytest.approx(-1.5, abs=0.1)


def test_hovering_by_a_lamp_pulls_the_exposure_down_once() -> None:
    """A lamp that stays large for four seconds, in which the exposure is low throughout, pulled it down as it came."""
    time = np.arange(600) / RATE
    radius = np.interp(time, [2.5, 3.0, 7.0, 7.2], [0.1, 3.0, 3.0, 0.1])
    low = np.interp(time, [2.8, 3.2, 7.0, 7.4], [0.0, -1.5, -1.5, 0.0])
    (one,) = lamp_passes(
        timeline := passing([], bloom_radius_percent=radius, lamp_number=np.ones(600), exposure_stops=low),
        everywhere(timeline),
    )
    assert one.pulldown_stops == pytest.approx(-1.5, abs=0.05)


def test_what_is_pulled_down_is_below_the_highest_after_it() -> None:
    """Rows count as pulled down from the highest exposure on, half a stop or more below it, not while it still opened before."""
    time = np.arange(600) / RATE
    exposure = np.interp(time, [2.0, 3.2, 3.5, 4.0, 4.3, 6.0], [-2.0, -0.5, -0.5, -1.1, -1.1, 0.0])
    timeline = passing([(4.0, 3.0, 0.0)], exposure_stops=exposure)
    found = lamps(record_of(timeline), everywhere(timeline), Criteria())
    rows = np.flatnonzero(pulled_down(timeline, found)) / RATE
    assert rows.min() == pytest.approx(3.9, abs=0.08)
    assert rows.max() == pytest.approx(4.4, abs=0.15)


def test_an_exposure_on_its_way_back_is_no_pull_down_of_the_next_lamp() -> None:
    """A lamp during which the exposure only opens pulls nothing down; one that stops it on its way pulls it down from there."""
    time = np.arange(600) / RATE
    opening = np.interp(time, [2.0, 5.0], [-2.0, 0.0])
    (one,) = lamp_passes(still := passing([(4.0, 3.0, 0.0)], exposure_stops=opening), everywhere(still))
    assert one.pulldown_stops == pytest.approx(0.0, abs=0.01)
    stopped = np.interp(time, [2.0, 3.2, 3.5, 4.0, 4.3, 6.0], [-2.0, -0.5, -0.5, -1.1, -1.1, 0.0])
    (one,) = lamp_passes(again := passing([(4.0, 3.0, 0.0)], exposure_stops=stopped), everywhere(again))
    assert one.pulldown_stops == pytest.approx(-0.6, abs=0.02)


def test_what_the_lamp_before_left_hides_no_pull_down() -> None:
    """A fall that ends above what another lamp's left a second before is this lamp's all the same."""
    time = np.arange(600) / RATE
    exposure = np.interp(time, [2.4, 2.9, 3.2, 3.6, 3.8, 4.1, 4.4, 5.0], [0.0, -1.2, -1.2, -0.3, -0.3, -1.0, -1.0, 0.0])
    radius = np.interp(time, [2.0, 3.0, 3.2, 4.1, 4.3], [0.1, 3.0, 0.2, 3.0, 0.1])
    timeline = passing([], bloom_radius_percent=radius, lamp_number=1.0 + (time > 3.2), exposure_stops=exposure)
    first, second = lamp_passes(timeline, everywhere(timeline))
    assert first.pulldown_stops == pytest.approx(-1.2, abs=0.1)
    assert second.pulldown_stops == pytest.approx(-0.7, abs=0.1)


@pytest.mark.parametrize("stays_s", [3.0, 8.0])
def test_the_sun_that_comes_in_over_the_edge_pulls_down_there(stays_s: float) -> None:
    """In at nine tenths of its radius, largest seconds later: the stop it took as it came counts, what fell long after does not."""
    time = np.arange(600) / RATE
    radius = np.where((time >= 4.0) & (time < 5.5 + stays_s), np.interp(time, [4.0, 4.0 + stays_s], [6.0, 6.6]), 0.0)
    exposure = np.interp(time, [4.0, 4.5, 7.2, 7.4], [0.0, -1.0, -1.0, -0.8])
    columns = {"bloom_radius_percent": radius, "lamp_number": np.where(radius > 0, 1.0, np.nan)}
    timeline = passing([], exposure_stops=exposure, **columns)
    (found,) = lamp_passes(timeline, everywhere(timeline))
    assert found.pulldown_stops == pytest.approx(-1.0, abs=0.05)
    later = passing([], exposure_stops=np.interp(time, [7.0, 7.4], [0.0, -1.0]), **columns)
    (found,) = lamp_passes(later, everywhere(later))
    assert (found.pulldown_stops < -0.5) == (stays_s < 5.0)


def test_a_lamp_that_grows_slowly_pulls_down_where_it_is_near() -> None:
    """Long in view before it is at its largest, what fell when it had half of that is the scene's, or another lamp's."""
    time = np.arange(600) / RATE
    radius = np.where(time < 15.0, np.interp(time, [1.0, 4.0, 14.0], [0.2, 3.2, 6.0]), 0.0)
    columns = {"bloom_radius_percent": radius, "lamp_number": np.where(radius > 0, 1.0, np.nan)}
    timeline = passing([], exposure_stops=np.interp(time, [4.0, 4.4], [0.0, -1.0]), **columns)
    (found,) = lamp_passes(timeline, everywhere(timeline))
    assert found.pulldown_stops == pytest.approx(0.0, abs=0.02)


def test_without_an_exposure_trace_no_pulldown_is_made_up() -> None:
    """A pass whose exposure is not known is left out."""
    timeline = passing([(4.0, 3.0, -1.0)], exposure_stops=np.full(600, np.nan))
    assert lamp_passes(timeline, everywhere(timeline)) == ()


def test_toward_the_light() -> None:
    """Time in view, share lost, and the longest stretch without the zone are those put in."""
    n = 600
    time = np.arange(n) / RATE
    seen = (time >= 5.0) & (time < 9.0)
    zone = np.where((time >= 6.0) & (time < 7.5), 40.0, 90.0)
    timeline = timeline_of(
        n, rate=RATE, lamps=seen.astype(float), bloom_radius_percent=np.where(seen, 2.0, np.nan),
        readable_percent=np.full(n, 80.0), zone_readable_percent=zone, exposure_stops=np.zeros(n), veil_percent=np.zeros(n),
    )  # fmt: skip
    found = toward_light(timeline, np.ones(n, dtype=np.bool_), 60.0)
    assert found is not None
    assert found.in_view_s == pytest.approx(4.0, abs=0.05)
    assert found.lost_percent == pytest.approx(20.0)
    assert found.zone_readable_percent == pytest.approx(90.0)
    assert found.zone_lost_s == pytest.approx(1.5, abs=0.05)


def test_three_lamps_are_no_hunting() -> None:
    """Three lamps, one every 3 s of a short flight, pull the exposure down as a swing of 3 s would; in a long one they are few."""
    for seconds, told in ((13.0, False), (40.0, True)):
        time = np.arange(round(seconds * RATE)) / RATE
        swing = 0.4 * np.cos(2.0 * np.pi * (time - 1.9) / 3.0)
        timeline = passing([(at, 3.0, 0.0) for at in (3.4, 6.4, 9.4)], seconds, exposure_stops=swing)
        found, _ = stability(timeline, everywhere(timeline), ())
        assert (found.hunting_stops is not None) == told


@pytest.mark.parametrize(
    ("spacing_s", "told"), [([2.4], False), ([2.1, 2.6], False), ([3.6], True), ([1.4, 3.4], True), ([4.8], True)]
)
def test_a_camera_that_follows_a_row_of_lamps_does_not_hunt(spacing_s: list[float], told: bool) -> None:
    """An exposure that swings every 2.4 s, as often as a lamp is flown past, is not called hunting; beside other lamps it is.

    So it is where lamps come at any pace whose mean is that.
    """
    peaks = [(at, 3.0, 0.0) for at in np.cumsum([2.0, *(spacing_s * 6)])[:7].tolist() if at < 19.0]
    swing = 0.3 * np.cos(2.0 * np.pi * (np.arange(600) / RATE - 0.9) / 2.4)
    timeline = passing(peaks, exposure_stops=swing)
    found, why = stability(timeline, everywhere(timeline), ())
    if told:
        assert found.hunting_stops == pytest.approx(0.6, rel=0.1) and found.hunting_period_s == pytest.approx(
            2.4, rel=0.05
        )
    else:
        assert found.hunting_stops is None and found.hunting_period_s is None
        assert "as often as a lamp" in why["hunting_stops"] and "2.4 s" in why["hunting_period_s"]


def test_far_lamps_between_those_flown_past_hide_no_row_of_them() -> None:
    """An exposure that falls at every near lamp swings as often as one is flown past, whatever is seen far off between them."""
    time = np.arange(1200) / RATE
    near = [(at, 4.0, 0.0) for at in np.arange(2.0, 39.0, 4.0).tolist()]
    far = [(at + 2.0, 0.9, 0.0) for at, _, _ in near[:-1]]
    timeline = passing(near + far, 40.0, exposure_stops=0.3 * np.cos(2.0 * np.pi * (time - 0.9) / 4.0))
    found, why = stability(timeline, everywhere(timeline), ())
    assert found.hunting_stops is None and "as often as a lamp" in why["hunting_stops"]


@pytest.mark.parametrize(("apart_s", "often"), [(5.13, "twice"), (6.0, "twice"), (9.0, "three times")])
def test_a_part_of_a_slow_row_of_lamps_is_no_hunting(apart_s: float, often: str) -> None:
    """Where lamps come more slowly than the band is, a swing twice or three times as fast is of how the exposure falls at them."""
    peaks = [(at, 3.0, -1.0) for at in np.arange(2.0, 59.0, apart_s).tolist()]
    times = 2 if often == "twice" else 3
    swing = -0.4 * np.cos(2.0 * np.pi * times * (np.arange(1800) / RATE - 2.1) / apart_s)
    timeline = passing(peaks, 60.0, exposure_stops=swing)
    found, why = stability(timeline, everywhere(timeline), ())
    assert found.hunting_stops is None
    assert f"{apart_s / times:.1f} s, {often} as often as a lamp" in why["hunting_stops"]


@pytest.mark.parametrize(
    "apart_s", [(3.0, 4.7, 3.0, 4.7, 3.8), (3.2, 5.0, 3.2, 4.2)], ids=["every other", "one far off"]
)
def test_a_camera_that_falls_at_lamps_at_any_pace_does_not_hunt(apart_s: tuple[float, ...]) -> None:
    """Falls of a stop at lamps that come unevenly have a line in their spectrum, smaller than they are: no swing of its own."""
    timeline = passing([(at, 3.0, -1.0) for at in np.cumsum([2.0, *apart_s]).tolist()], 3.0 + sum(apart_s))
    found, why = stability(timeline, everywhere(timeline), ())
    assert found.hunting_stops is None and found.hunting_period_s is None
    assert "lamps flown past move the exposure by more" in why["hunting_stops"]


def test_many_swings_are_hunting_whatever_lamps_move_the_exposure_by() -> None:
    """Forty swings of 1.5 s and 0.4 stop beside lamps that come unevenly and pull down by more than that."""
    gaps_s = np.random.default_rng(3).uniform(1.6, 3.2, 24)
    peaks = [(at, 3.0, -0.8) for at in (2.0 + np.cumsum(gaps_s)).tolist() if at < 56.0]
    falls = passing(peaks, 60.0)
    own = 0.2 * np.cos(2.0 * np.pi * falls.time_s / 1.5)
    timeline = passing(peaks, 60.0, exposure_stops=falls["exposure_stops"] + own)
    found, _ = stability(timeline, everywhere(timeline), ())
    assert found.hunting_stops == pytest.approx(0.4, rel=0.1) and found.hunting_period_s == pytest.approx(1.5, rel=0.03)


@pytest.mark.parametrize(("swing_stops", "period_s"), [(0.4, 0.6), (0.6, 1.2)])
def test_hunting_shows_between_lamps_that_pull_down_as_well(swing_stops: float, period_s: float) -> None:
    """A lamp every 2 s that takes half a stop does not hide a faster swing: size within 10 %, period within 3 %."""
    peaks = [(at, 3.0, -0.5) for at in np.arange(2.0, 20.0, 2.0).tolist()]
    falls = passing(peaks, 21.0)
    swing = swing_stops / 2.0 * np.cos(2.0 * np.pi * falls.time_s / period_s)
    timeline = passing(peaks, 21.0, exposure_stops=falls["exposure_stops"] + swing)
    found, _ = stability(timeline, everywhere(timeline), ())
    assert found.hunting_stops == pytest.approx(swing_stops, rel=0.1)
    assert found.hunting_period_s == pytest.approx(period_s, rel=0.03)
