"""Link loss and airtime, from tables made by hand."""

from __future__ import annotations

import numpy as np
import pytest
from flight_material import BLACK, BLUE, GROUND, RATE, SNOW, timeline_of
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldscore.criteria import Criteria
from fieldscore.events import airtime, exposure_speed, link_lost, runs
from fieldscore.timeline import Timeline

CRITERIA = Criteria()
FRAME_S = 1 / RATE


def lost_rows(timeline: Timeline, criteria: Criteria = CRITERIA) -> list[tuple[int, int]]:
    return runs(link_lost(timeline, criteria))


@given(st.lists(st.booleans(), max_size=40))
def test_runs_are_the_mask(mask: list[bool]) -> None:
    """The stretches given are exactly where the mask is True, in order and apart."""
    found = runs(np.array(mask, dtype=np.bool_))
    again = [any(start <= i < stop for start, stop in found) for i in range(len(mask))]
    assert again == mask
    assert all(a[1] < b[0] for a, b in zip(found, found[1:], strict=False))


def test_a_good_flight_keeps_its_link() -> None:
    """Nothing is lost where every frame is a camera's picture."""
    assert lost_rows(timeline_of(300)) == []


def test_snow_is_lost_exactly_where_it_is() -> None:
    """White noise: wide in the pixels, flat in the patches."""
    assert lost_rows(timeline_of(300, (100, 130, SNOW))) == [(100, 130)]


def test_a_coded_smeared_snow_needs_an_unlike_frame_before() -> None:
    """Patches that keep a quarter of the spread are snow where nothing is left of the frame before, else ground."""
    smeared = {"spread_codes": 40.0, "patch_spread_codes": 10.0}
    assert lost_rows(timeline_of(300, (100, 130, {**smeared, "likeness": 0.1}))) == [(100, 130)]
    assert lost_rows(timeline_of(300, (100, 130, {**smeared, "likeness": 0.9}))) == []


@pytest.mark.parametrize("start", [0, 100])
def test_a_blue_screen_is_lost(start: int) -> None:
    """A flat coloured screen is no camera's, even at the start of the clip."""
    assert lost_rows(timeline_of(300, (start, start + 40, BLUE))) == [(start, start + 40)]


@pytest.mark.parametrize(("start", "stop"), [(100, 130), (0, 130), (100, 300)])
def test_a_blue_sky_that_fills_the_picture_is_no_screen(start: int, stop: int) -> None:
    """A drone that looks up into it comes to it by and by, and back, or one of the two where the recording begins or ends in it."""
    spread = np.full(300, 45.0)
    rows = np.arange(300)
    spread = np.where(
        (rows >= start) & (rows < stop),
        6.0,
        np.clip(8.5 + 3.0 * np.minimum(abs(rows - start), abs(rows - stop + 1)), 0, 45),
    )
    colour = np.where(spread < 20.0, 55.0, 10.0)
    sky = {"spread_codes": spread, "patch_spread_codes": 0.9 * spread, "colour_codes": colour, "motion_percent": 15.0}
    assert lost_rows(timeline_of(300, **sky)) == []


def test_a_colourful_picture_is_no_blue_screen() -> None:
    """A blue sky over ground is far from flat."""
    assert lost_rows(timeline_of(300, (100, 140, {"colour_codes": 70.0, "spread_codes": 20.0}))) == []


def test_black_from_one_frame_to_the_next_is_a_lost_link() -> None:
    """Black straight after a normal picture, and a normal picture straight after it."""
    assert lost_rows(timeline_of(300, (100, 130, BLACK))) == [(100, 130)]


def test_the_first_picture_after_a_black_screen_is_not_lost() -> None:
    """No motion can be told from a black screen to the picture after it, which is no repeat of it."""
    repeats = {**BLACK, "repeated": 1.0, "frozen_percent": 100.0, "motion_percent": 0.0, "likeness": 1.0}
    back = {"motion_percent": 0.0, "likeness": 1.0}
    first = {**repeats, "repeated": 0.0}
    table = timeline_of(
        300, (100, 101, first), (101, 130, repeats), (130, 131, back), (131, 132, {"motion_percent": 150.0})
    )
    assert lost_rows(table) == [(100, 130)]


def test_black_after_a_blown_picture_is_the_camera() -> None:
    """A camera that shuts down after glare blacks out by itself: not the link's fault."""
    blown = {"level_percent": 95.0, "clipped_percent": 80.0}
    assert lost_rows(timeline_of(300, (90, 100, blown), (100, 130, BLACK))) == []


def test_a_dark_place_is_no_lost_link() -> None:
    """A picture that fades to black and back, or starts black, was seen by the camera."""
    level = np.full(300, 40.0)
    level[80:100] = np.linspace(40, 1, 20)
    level[130:150] = np.linspace(1, 40, 20)
    faded = timeline_of(300, (100, 130, {**BLACK}))
    faded.values["level_percent"][:] = np.where(faded["spread_codes"] < 1, 0.0, level)
    assert lost_rows(faded) == []
    assert lost_rows(timeline_of(300, (0, 60, BLACK))) == []


@pytest.mark.parametrize(
    "frozen",
    [
        {"repeated": 1.0, "motion_percent": np.nan},
        {"repeated": 1.0, "motion_percent": 0.0},
        {"repeated": 0.0, "frozen_percent": 97.0, "motion_percent": 0.1},
    ],
)
def test_a_picture_frozen_in_flight_is_lost(frozen: dict[str, float]) -> None:
    """Half a second of the same picture while the scene moved before and after, whether copied or coded again."""
    assert lost_rows(timeline_of(300, (100, 115, frozen))) == [(100, 115)]


REPEATED = {"repeated": 0.0, "frozen_percent": 97.0, "motion_percent": 0.1, "likeness": 1.0}
KEY_FRAME = {"frozen_percent": 0.1, "motion_percent": 0.2, "likeness": 1.0}
# The first picture after a freeze: too far off to be registered, or seen to have moved by all that was flown meanwhile.
UNLIKE, FARTHER = {"motion_percent": 30.0, "likeness": 0.6}, {"motion_percent": 200.0, "likeness": 0.99}


@pytest.mark.parametrize("key_frames", [(106,), (105, 106, 107, 112, 113), tuple(range(101, 115, 2))])
@pytest.mark.parametrize("comes_back", [UNLIKE, FARTHER])
def test_a_frozen_picture_may_be_coded_anew(key_frames: tuple[int, ...], comes_back: dict[str, float]) -> None:
    """Key frames within half a second of one picture leave parts too short by themselves; it comes back elsewhere."""
    coded = [(row, row + 1, KEY_FRAME) for row in key_frames]
    assert lost_rows(timeline_of(300, (100, 115, REPEATED), *coded, (115, 116, comes_back))) == [(100, 115)]


def test_a_hold_with_a_key_frame_in_it_may_be_too_short() -> None:
    """Six pictures are no freeze, coded anew or not, nor where what comes back is lost by itself, or is but a little unlike."""
    coded = [(row, row + 1, KEY_FRAME) for row in (103, 108, 112)]
    assert lost_rows(timeline_of(300, (100, 106, REPEATED), coded[0], (106, 107, UNLIKE))) == []
    assert lost_rows(timeline_of(300, (100, 115, REPEATED), *coded, (115, 130, SNOW))) == [(115, 130)]
    slightly = {"motion_percent": 40.0, "likeness": 0.98}
    assert lost_rows(timeline_of(300, (100, 115, REPEATED), *coded, (115, 116, slightly))) == []


def test_a_hover_that_a_codec_has_made_still_is_not_lost() -> None:
    """A drone that stops, stands still for two seconds and flies on from there, its noise taken away but for key frames."""
    coded = [(row, row + 1, KEY_FRAME) for row in range(106, 160, 7)]
    assert lost_rows(timeline_of(300, (100, 160, REPEATED), *coded)) == []
    assert lost_rows(timeline_of(300, (100, 160, REPEATED), *coded, (160, 161, UNLIKE))) == [(100, 160)]


def test_a_still_picture_that_was_come_to_slowly_is_not_lost() -> None:
    """Landed, and a lamp lights up later: the picture is another one at once, but it did not stop from one frame to the next."""
    slowing = (94, 100, {"motion_percent": 8.0})
    coded = [(row, row + 1, KEY_FRAME) for row in range(106, 160, 7)]
    assert lost_rows(timeline_of(300, slowing, (100, 160, REPEATED), *coded, (160, 161, UNLIKE))) == []


def test_still_pictures_with_noise_of_their_own_are_not_lost() -> None:
    """A covered lens or a drone that stands still: few pictures repeat the one before, whatever comes after."""
    noisy = {"frozen_percent": 0.1, "motion_percent": 0.3, "likeness": 0.995}
    coded = [(row, row + 1, REPEATED) for row in range(102, 130, 3)]
    assert lost_rows(timeline_of(300, (100, 130, noisy), *coded, (130, 131, UNLIKE))) == []


def test_broken_pictures_are_lost_and_coarse_coding_is_not() -> None:
    """Steps at block edges count against those of the flight: a codec that steps everywhere is no break-up."""
    broken = {"block_edges": 2.6}
    assert lost_rows(timeline_of(300, (100, 110, broken), block_edges=1.0)) == [(100, 110)]
    assert lost_rows(timeline_of(300, (100, 110, broken), block_edges=2.2)) == []
    assert lost_rows(timeline_of(300)) == []


def test_a_flight_that_lands_before_the_recording_ends_is_not_lost() -> None:
    """A still picture to the end of the recording is a frozen one only where the scene moved to the last."""
    still = {"repeated": 1.0, "frozen_percent": 100.0, "motion_percent": 0.0}
    slow = {"motion_percent": 3.0}
    assert lost_rows(timeline_of(300, (266, 270, slow), (270, 300, still))) == []
    assert lost_rows(timeline_of(300, (270, 300, still))) == [(270, 300)]


def test_a_picture_frozen_on_the_ground_is_not_lost() -> None:
    """A drone that stands still may well give the same picture for seconds."""
    still = {"repeated": 1.0, "motion_percent": 0.0}
    assert lost_rows(timeline_of(300, (0, 300, GROUND), (100, 160, still))) == []


def test_single_repeats_are_not_lost() -> None:
    """Every second frame repeated (a 30 a second camera recorded at 60) is a slow recording, not a lost link."""
    repeated = np.arange(300) % 2.0
    assert lost_rows(timeline_of(300, repeated=repeated, motion_percent=np.where(repeated, 0.0, 40.0))) == []


def test_a_hold_below_the_limit_is_not_lost() -> None:
    """A freeze shorter than the criterion is let pass; the criterion moves the limit."""
    table = timeline_of(300, (100, 105, {"repeated": 1.0, "motion_percent": 0.0}))
    assert lost_rows(table) == []
    assert lost_rows(table, Criteria(frozen_hold_s=0.1)) == [(100, 105)]


def test_damaged_frames_are_lost() -> None:
    """What the decoder says is broken is broken."""
    assert lost_rows(timeline_of(300, (50, 53, {"damaged": 1.0}), (200, 201, {"damaged": 1.0}))) == [
        (50, 53),
        (200, 201),
    ]


def test_grey_clips_and_missing_figures_lose_nothing() -> None:
    """Without colour, likeness, motion or repetition known, nothing is taken for lost."""
    unknown = dict.fromkeys(
        ("colour_codes", "likeness", "motion_percent", "repeated", "frozen_percent", "damaged"), np.nan
    )
    assert lost_rows(timeline_of(100, (0, 100, unknown))) == []


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 60), st.integers(0, 2**32 - 1))
def test_any_table_can_be_judged(rows: int, seed: int) -> None:
    """Whatever the figures, missing ones among them, there is a verdict a row and an airtime within the clip."""
    rng = np.random.default_rng(seed)
    table = timeline_of(rows)
    for name in table.values:
        data = rng.choice([0.0, 0.4, 1.0, 20.0, 90.0, np.nan], rows)
        table.values[name][:] = data
    lost = link_lost(table, CRITERIA)
    assert lost.shape == (rows,) and lost.dtype == np.bool_
    found = airtime(table, CRITERIA, lost)
    assert table.time_s[0] <= found.from_s <= found.to_s <= table.time_s[-1]


def found_airtime(timeline: Timeline) -> tuple[float, float, str]:
    found = airtime(timeline, CRITERIA, link_lost(timeline, CRITERIA))
    return found.from_s, found.to_s, found.how


def test_standing_on_the_ground_is_no_airtime() -> None:
    """Ground for 3 s, flight for 10 s, ground for 3 s: the ends are found to a tenth of a second."""
    found = found_airtime(timeline_of(480, (0, 90, GROUND), (390, 480, GROUND)))
    assert found == (pytest.approx(3.0, abs=0.1), pytest.approx(13.0, abs=0.1), "motion")


def test_a_knock_starts_no_flight() -> None:
    """A hand at the drone for 0.4 s, a second before take-off, does not move the start."""
    knocked = timeline_of(480, (0, 90, GROUND), (40, 52, {"motion_percent": 60.0}), (390, 480, GROUND))
    assert found_airtime(knocked)[0] == pytest.approx(3.0, abs=0.1)


@pytest.mark.parametrize("short", [(0, 0), (100, 115)])
def test_no_sustained_motion_is_the_whole_clip(short: tuple[int, int]) -> None:
    """A bench clip has no take-off: all of it is taken, and it is said so."""
    still = timeline_of(300, (0, 300, GROUND), (*short, {"motion_percent": 30.0}))
    assert found_airtime(still) == (0.0, pytest.approx(299 * FRAME_S, abs=1e-6), "whole clip")


def test_light_that_moves_is_no_flight() -> None:
    """A standing camera seems to move while its exposure goes by 4 stops a second after a torch; a hunting flight still flies."""
    exposure = np.interp(np.arange(300) / 30.0, (3.0, 4.5), (0.0, -6.0))
    torch = timeline_of(300, (0, 300, GROUND), (90, 135, {"motion_percent": 28.0}), exposure_stops=exposure)
    assert found_airtime(torch) == (0.0, pytest.approx(299 * FRAME_S, abs=1e-6), "whole clip")
    assert found_airtime(timeline_of(300, (0, 300, GROUND), (90, 135, {"motion_percent": 28.0})))[2] == "motion"


@pytest.mark.parametrize(("stops", "period_s"), [(0.5, 1.2), (1.0, 0.6), (1.0, 1.0), (2.0, 1.0), (1.0, 2.0)])
def test_a_slow_flight_that_hunts_still_flies(stops: float, period_s: float) -> None:
    """An exposure that swings there and back takes nothing from a flight at 15 % of the picture's height a second."""
    hunting = stops / 2.0 * np.sin(2.0 * np.pi * np.arange(480) / 30.0 / period_s)
    flown = timeline_of(
        480, (0, 480, {"motion_percent": 15.0}), (0, 90, GROUND), (390, 480, GROUND), exposure_stops=hunting
    )
    assert found_airtime(flown)[:2] == (pytest.approx(3.0, abs=0.15), pytest.approx(13.0, abs=0.15))


def rolling(rows: int, period: int) -> tuple[np.ndarray, np.ndarray]:
    """Motion and its change, in %/s, of a standing camera under lamps whose bands are back after so many rows."""
    noise = np.random.default_rng(3).normal(0.0, 0.5, (2, rows))
    row = np.arange(rows) % period
    speed = np.array([12.0, 29.0, 13.5, 20.0, 16.0])[row]
    change = np.array([14.0, 39.0, 38.0, 31.0, 33.0])[row]
    return speed + noise[0], change + noise[1]


@pytest.mark.parametrize("period", [3, 5])
def test_standing_under_lamps_that_beat_is_no_flight(period: int) -> None:
    """Bands that roll over the picture move it by 12 to 29 %/s, but come back with the beat and go nowhere."""
    speed, change = rolling(480, period)
    flown = timeline_of(480, motion_percent=speed, motion_change_percent=change)
    rng = np.random.default_rng(5)
    flown.values["motion_percent"][90:390] = 40.0 + rng.normal(0.0, 4.0, 300)
    flown.values["motion_change_percent"][90:390] = 20.0
    assert found_airtime(flown) == (pytest.approx(3.0, abs=0.2), pytest.approx(13.0, abs=0.2), "motion")


def test_a_flight_under_lamps_that_beat_is_airtime() -> None:
    """What the bands add to its motion comes back with the beat, but it goes on."""
    speed, _ = rolling(480, 3)
    flown = timeline_of(480, motion_percent=speed + 20.0, motion_change_percent=20.0)
    assert found_airtime(flown) == (pytest.approx(0.0, abs=0.1), pytest.approx(16.0, abs=0.1), "motion")


@pytest.mark.parametrize("held", [0.2, 0.7])
def test_a_flight_whose_pictures_are_held_is_airtime(held: float) -> None:
    """Twenty pictures a second in a recording of thirty: every third row stands still but for noise, which is no beat."""
    row, rng = np.arange(480) % 3, np.random.default_rng(6)
    speed = np.where(row == 2, held, 48.0) + rng.normal(0.0, 0.05, 480)
    change = np.where(row == 0, 48.0, np.where(row == 1, 9.0, 48.0))
    flown = timeline_of(480, (0, 90, GROUND), (390, 480, GROUND), motion_percent=speed, motion_change_percent=change)
    assert found_airtime(flown) == (pytest.approx(3.0, abs=0.35), pytest.approx(13.0, abs=0.35), "motion")


def test_a_flight_whose_pictures_are_shown_twice_is_airtime() -> None:
    """Thirty pictures a second in a recording of sixty, coded anew: every second row stands still."""
    speed = np.where(np.arange(480) % 2, 150.0, 0.2)
    flown = timeline_of(480, (0, 90, GROUND), (390, 480, GROUND), motion_percent=speed, motion_change_percent=150.0)
    assert found_airtime(flown) == (pytest.approx(3.0, abs=0.2), pytest.approx(13.0, abs=0.2), "motion")


@pytest.mark.parametrize("rate", [1.0, 2.0, 4.0, 6.0, 12.0])
def test_a_knock_starts_no_flight_at_a_few_pictures_a_second(rate: float) -> None:
    """One picture that jumps is no motion that lasts, however few there are."""
    knocked = timeline_of(120, (0, 120, GROUND), (60, 61, {"motion_percent": 200.0}), rate=rate)
    assert found_airtime(knocked)[2] == "whole clip"


@pytest.mark.parametrize("shown", [2, 3])
def test_a_flight_whose_pictures_are_repeated_as_they_are_is_airtime(shown: int) -> None:
    """Repeats say nothing of motion, and what lies between them is known on single rows."""
    again = np.arange(480) % shown > 0
    flown = timeline_of(480, motion_percent=np.where(again, 0.0, 60.0), repeated=again.astype(np.float64))
    assert found_airtime(flown) == (pytest.approx(0.0, abs=0.1), pytest.approx(16.0, abs=0.1), "motion")


def test_a_flight_that_trembles_is_airtime() -> None:
    """Motion that noise or wind turns about from row to row keeps no beat."""
    speed = 20.0 + np.random.default_rng(4).normal(0.0, 6.0, 480)
    flown = timeline_of(480, motion_percent=speed, motion_change_percent=1.7 * speed)
    assert found_airtime(flown) == (pytest.approx(0.0, abs=0.1), pytest.approx(16.0, abs=0.1), "motion")


def test_an_exposure_that_is_not_known_for_a_while_moves_no_faster() -> None:
    """Where the link is lost and the exposure not known, it is taken to go on, and does not seem to drop to nothing and back."""
    lost = timeline_of(300, (120, 180, {"exposure_stops": np.nan}), exposure_stops=1.5)
    assert np.abs(exposure_speed(lost)).max() == pytest.approx(0.0, abs=1e-9)


def test_the_speed_of_an_exposure_needs_times() -> None:
    """One row, or rows of one time, have no speed; it warns of nothing."""
    assert exposure_speed(timeline_of(1)).tolist() == [0.0]
    table = timeline_of(60, exposure_stops=np.arange(60.0))
    same = Timeline(np.where(np.arange(60) < 30, table.time_s, table.time_s[29]), table.values, table.columns)
    assert np.isfinite(exposure_speed(same)).all()


def test_hovering_in_a_flight_is_airtime() -> None:
    """Between the first and the last motion everything counts."""
    hover = timeline_of(600, (0, 60, GROUND), (200, 400, GROUND), (540, 600, GROUND))
    assert found_airtime(hover)[:2] == (pytest.approx(2.0, abs=0.1), pytest.approx(18.0, abs=0.1))


def test_a_flight_goes_on_where_motion_cannot_be_told() -> None:
    """Darkness or snow until the end of the clip does not land the drone; before the first motion it is no flight."""
    dark = {"motion_percent": np.nan}
    found = found_airtime(timeline_of(480, (0, 60, dark), (60, 90, GROUND), (390, 480, dark)))
    assert found[:2] == (pytest.approx(3.0, abs=0.1), pytest.approx(479 * FRAME_S, abs=1e-5))


def test_motion_of_snow_is_no_motion() -> None:
    """What registration makes of snow on the ground starts no flight."""
    snow = {**SNOW, "motion_percent": 90.0}
    found = found_airtime(timeline_of(600, (0, 240, GROUND), (60, 180, snow), (480, 600, GROUND)))
    assert found[0] == pytest.approx(8.0, abs=0.1)


def test_a_lost_frame_in_the_times_changes_nothing() -> None:
    """The ends are found in seconds, not in rows, where the clip has a hole."""
    table = timeline_of(480, (0, 90, GROUND), (390, 480, GROUND))
    keep = np.ones(480, dtype=np.bool_)
    keep[200:215] = False
    holed = Timeline(table.time_s[keep], {n: v[keep] for n, v in table.values.items()}, table.columns)
    assert found_airtime(holed)[:2] == (pytest.approx(3.0, abs=0.1), pytest.approx(13.0, abs=0.1))


def test_one_row_is_its_own_airtime() -> None:
    """A clip of one frame does not fall over."""
    assert found_airtime(timeline_of(1)) == (0.0, 0.0, "whole clip")


def test_a_slow_last_metre_before_standing_still_is_a_landing() -> None:
    """After a fast flight and a stretch at a third of its speed, a picture that stands to the end has landed."""
    motion = np.concatenate([np.full(120, 60.0), np.full(30, 18.0), np.zeros(30)])
    still = np.concatenate([np.zeros(150), np.ones(30)])
    timeline = timeline_of(180, motion_percent=motion, repeated=still, frozen_percent=100.0 * still)
    assert not link_lost(timeline, Criteria()).any()
    quick = np.where(motion == 18.0, 55.0, motion)
    frozen = timeline_of(180, motion_percent=quick, repeated=still, frozen_percent=100.0 * still)
    assert link_lost(frozen, Criteria())[150:].all()
