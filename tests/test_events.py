"""Link loss, from tables made by hand."""

from __future__ import annotations

import numpy as np
import pytest
from flight_material import BLACK, BLUE, GROUND, RATE, SNOW, timeline_of
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldscore.airtime import airtime
from fieldscore.criteria import Criteria
from fieldscore.events import link_lost
from fieldscore.running import runs
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


@pytest.mark.parametrize(("rate", "step"), [(30.0, 1), (120.0, 4)])
def test_a_single_picture_that_steps_is_sound_where_it_is_like_those_beside_it(rate: float, step: int) -> None:
    """What has broken up is unlike the picture before it, or the next one unlike it, or there are several in a row."""

    def lost(count: int, **unlike: float) -> list[tuple[int, int]]:
        stepping = {"block_edges": 2.1}
        rows = (100, 100 + count * step, stepping), *((at, at + step, {"likeness": 0.9}) for at in unlike.values())
        return lost_rows(timeline_of(300, *rows, rate=rate, block_edges=1.0, likeness=0.998))

    assert lost(1) == []
    assert lost(1, itself=100) == [(100, 100 + step)]
    assert lost(1, following=100 + step) == [(100, 100 + step)]
    assert lost(2) == [(100, 100 + 2 * step)]


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


def test_a_slow_last_metre_before_standing_still_is_a_landing() -> None:
    """After a fast flight and a stretch at a third of its speed, a picture that stands to the end has landed."""
    motion = np.concatenate([np.full(120, 60.0), np.full(30, 18.0), np.zeros(30)])
    still = np.concatenate([np.zeros(150), np.ones(30)])
    timeline = timeline_of(180, motion_percent=motion, repeated=still, frozen_percent=100.0 * still)
    assert not link_lost(timeline, Criteria()).any()
    quick = np.where(motion == 18.0, 55.0, motion)
    frozen = timeline_of(180, motion_percent=quick, repeated=still, frozen_percent=100.0 * still)
    assert link_lost(frozen, Criteria())[150:].all()
