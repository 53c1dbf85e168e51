"""A torch that fills the picture of a drone in flight: it lights up, goes out, and is no lost link. On hand-made Timelines."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from flight_material import SNOW, timeline_of
from test_flashes import QUIET

from fieldscore.criteria import Criteria
from fieldscore.events import link_lost
from fieldscore.flashes import Edge, flash_edges, without_crossing
from fieldscore.recovery import flash_events
from fieldscore.running import runs
from fieldscore.timeline import Timeline

ON, ROWS = 60, 330
LIT = {
    "brightened_percent": 100.0,
    "dimmed_percent": 0.0,
    "rise_codes": 210.0,
    "clipped_percent": 99.9,
    "likeness": 0.5,
}
OUT = {"brightened_percent": 0.0, "dimmed_percent": 100.0, "fall_codes": 150.0, "likeness": 0.32}
FLOWN = {**QUIET, "motion_percent": 45.0, "clipped_percent": 0.5, "crushed_percent": 0.5}


def _level(off: int, dark: float = 3.0) -> npt.NDArray[np.float64]:
    """A level of 12 % that a torch lifts to 100, of which the camera leaves 66; without it less, from where it comes back."""
    lit, gone = np.arange(off - ON), np.arange(ROWS - off)
    back = 12.0 - (12.0 - dark) * np.exp(-gone / 15.0)
    return np.concatenate([np.full(ON, 12.0), 66.0 + 34.0 * np.exp(-lit / 4.0), back])


def _flight(off: int, level: npt.NDArray[np.float64], lit: dict[str, float], out: dict[str, float]) -> Timeline:
    return timeline_of(ROWS, (ON, ON + 1, LIT | lit), (off, off + 1, OUT | out), level_percent=level, **FLOWN)


def _edges(timeline: Timeline) -> list[Edge]:
    return without_crossing(flash_edges(timeline, timeline["level_percent"], np.zeros(ROWS, dtype=np.bool_)))


@pytest.mark.parametrize(
    ("found", "off", "dark", "lit", "out"),
    [
        (True, 75, 3.0, {}, {}),
        (True, 145, 3.0, {}, {}),
        (False, 155, 3.0, {}, {}),  # over three seconds: elsewhere by then
        (False, 75, 30.0, {}, {}),  # a darker scene, far brighter than it was unlit
        (False, 75, 3.0, {"likeness": 0.3}, {"likeness": 0.2}),  # another scene may be as like
        (False, 75, 3.0, {}, {"dimmed_percent": 79.0}),
        (False, 75, 3.0, {"brightened_percent": 79.0, "dimmed_percent": 10.0}, {}),  # a part of it was lit
    ],
)
def test_a_short_beam_over_the_whole_picture_goes_out_in_flight(
    found: bool, off: int, dark: float, lit: dict[str, float], out: dict[str, float]
) -> None:
    """The scene is hardly like the lit one and has moved on; that all the beam gave goes at once says what it was."""
    edges = _edges(_flight(off, _level(off, dark), lit, out))
    assert [(edge.kind, edge.row) for edge in edges] == [("flash_on", ON), ("flash_off", off)][: 1 + found]


def test_a_beam_that_the_camera_has_answered_wholly_is_not_known_to_go_out() -> None:
    """What falls from the level that there was unlit may as well be a cut."""
    level = _level(75)
    level[ON + 1 : 75] = np.linspace(60.0, 12.5, 14)
    assert [edge.kind for edge in _edges(_flight(75, level, {}, {}))] == ["flash_on"]


def test_a_recovery_ends_where_the_beam_went_whatever_scene_it_leaves() -> None:
    """No time is measured across its end, though that is too unlike to be an edge; and the next one is found."""
    level = np.concatenate([_level(75)[:180], _level(75)[: ROWS - 180]])
    table = _flight(75, level, {}, {"likeness": 0.1})
    for name in LIT:
        table.values[name][180 + ON] = LIT[name]
    first, second = _edges(table)
    assert (first.row, first.missed_row, second.row) == (ON, 75, 180 + ON)
    nothing, readable = np.zeros(ROWS, dtype=np.bool_), np.ones(ROWS, dtype=np.bool_)
    event = flash_events(table, Criteria(), level, nothing, readable)[0]
    assert not event.resolvable and event.reason is not None and event.reason.startswith("the light went out")


def test_the_cameras_own_answer_to_a_beam_is_not_its_end() -> None:
    """One that closes at once leaves the picture like itself, be it as dark as it was unlit."""
    level = np.full(ROWS, 12.0)
    level[ON : ON + 10] = 100.0
    (edge,) = _edges(_flight(ON + 10, level, {}, {"likeness": 0.99}))
    assert edge.kind == "flash_on" and edge.missed_row is None


WHITE = {
    "spread_codes": 0.1,
    "patch_spread_codes": 0.0,
    "clipped_percent": 99.9,
    "level_percent": 100.0,
    "colour_codes": 3.0,
}
SAME = {**WHITE, "repeated": 1.0, "frozen_percent": 100.0, "motion_percent": 0.0, "likeness": 1.0}


def _white(
    stop: int, after: float, *others: tuple[int, int, dict[str, float]], speed: float = 45.0
) -> list[tuple[int, int]]:
    """Lost rows of a flight at a level of 12 % that is white in rows [100, stop), `after` it at first, and comes back."""
    level = np.full(400, 12.0)
    level[stop:] = 12.0 - (12.0 - after) * np.exp(-np.arange(400 - stop) / 10.0)
    stretches = ((100, 101, WHITE), (101, stop, SAME), *others)
    return runs(
        link_lost(
            timeline_of(400, *stretches, **{**FLOWN, "level_percent": level, "motion_percent": speed}), Criteria()
        )
    )


@pytest.mark.parametrize(
    ("lost", "stop", "after"),
    [
        (False, 115, 3.0),
        (False, 115, 9.0),
        (True, 115, 10.5),  # the exposure went on as it was: a receiver's screen
        (True, 115, 14.0),
        (False, 185, 3.0),
        (False, 215, 3.0),  # for long, but the camera is seen to have closed and opens
        (True, 215, 7.0),
    ],
)
def test_white_in_flight_is_light_where_the_camera_closed(lost: bool, stop: int, after: float) -> None:
    """A torch that saturates the picture makes it a flat white that repeats: no receiver's screen, no frozen picture."""
    assert _white(stop, after) == ([(100, stop)] if lost else [])


@pytest.mark.parametrize(("stop", "lost"), [(185, False), (215, True)])
def test_short_white_before_a_camera_that_stands_is_light(stop: int, lost: bool) -> None:
    """Its exposure may be fixed: a torch leaves it as it was."""
    assert _white(stop, 12.0, speed=1.0) == ([(100, stop)] if lost else [])


@pytest.mark.parametrize(("between", "lost"), [(12.0, True), (6.0, False)])
@pytest.mark.parametrize("gap", [3, 12])
def test_white_that_blinks_before_a_camera_that_stands_is_light_where_it_closed(
    gap: int, between: float, lost: bool
) -> None:
    """A receiver's white screen that comes and goes leaves a hovering drone's exposure as it was; a torch that flashes does not."""
    starts = range(100, 300, 10 + gap)
    level = np.full(400, 12.0)
    level[100 : starts[-1] + 20] = between
    white = [one for row in starts for one in ((row, row + 1, WHITE), (row + 1, row + 10, SAME))]
    shown = {**FLOWN, "level_percent": level, "motion_percent": 10.0}
    found = link_lost(timeline_of(400, *white, **shown), Criteria())
    assert [found[row : row + 10].all() for row in starts] == [lost] * len(starts)
    assert lost or not found.any()


@pytest.mark.parametrize("snow", [(90, 100), (115, 120)])
def test_white_beside_snow_is_a_lost_link(snow: tuple[int, int]) -> None:
    """A receiver that shows white shows other signs of the link just before or after it, or none."""
    assert _white(115, 3.0, (*snow, SNOW)) == [(min(snow[0], 100), max(snow[1], 115))]


def test_a_white_or_grey_screen_under_the_ceiling_is_a_lost_link() -> None:
    """No light leaves a picture at one code that is not the ceiling; nor is white to the recording's end known to be one."""
    for stop, clipped, level in ((115, 0.0, 95.0), (115, 0.0, 50.0), (400, 99.9, 100.0)):
        assert _white(stop, 3.0, (100, stop, {"clipped_percent": clipped, "level_percent": level})) == [(100, stop)]


@pytest.mark.filterwarnings("error")
def test_tinted_white_from_the_first_picture_on_is_not_known_to_be_light() -> None:
    """Nothing shows what the level was before it; that is no error."""
    level = np.concatenate([np.full(30, 100.0), np.full(170, 12.0)])
    measures = {**FLOWN, "level_percent": level, "motion_percent": 45.0}
    timeline = timeline_of(200, (0, 30, WHITE | {"colour_codes": 60.0}), **measures)
    assert runs(link_lost(timeline, Criteria())) == [(0, 30)]


@pytest.mark.parametrize("bright", [30.0, 65.0])
def test_white_after_a_bright_scene_is_a_lost_link_too(bright: float) -> None:
    """Ten seconds of a receiver's white screen, the exposure as before: whatever the level of the scene."""
    timeline = timeline_of(
        600, (200, 201, WHITE), (201, 500, SAME), **{**FLOWN, "level_percent": bright, "motion_percent": 45.0}
    )
    assert runs(link_lost(timeline, Criteria()))[0][1] == 500


@pytest.mark.parametrize(
    ("before", "comes", "goes", "after"),
    [
        (30.0, [], np.linspace(98.0, 45.0, 15), 45.0),  # out of a tunnel
        (30.0, [], [98.0, 45.0], 45.0),
        (65.0, [], np.linspace(98.0, 65.0, 15), 65.0),
        (65.0, [80.0, 91.0], [91.0, 80.0], 65.0),  # turned into a blown sky and back
    ],
)
def test_white_that_comes_or_goes_by_and_by_is_no_frozen_picture(
    before: float, comes: list[float], goes: list[float], after: float
) -> None:
    """Light that fills the picture leaves nothing that could move: where the camera closes by and by no link was lost."""
    level = np.concatenate([np.full(100 - len(comes), before), comes, np.full(24, 100.0), goes])
    level = np.concatenate([level, np.full(400 - len(level), after)])
    shown = {**FLOWN, "level_percent": level, "motion_percent": 45.0}
    assert not link_lost(timeline_of(400, (100, 101, WHITE), (101, 124, SAME), **shown), Criteria()).any()


@pytest.mark.parametrize(("off", "speed"), [(75, 45.0), (100, 2.0)])
def test_a_lost_link_is_no_end_of_a_beam(off: int, speed: float) -> None:
    """Dim snow that takes the place of a lit picture puts no torch out, and nobody saw when it went; nor if the camera stands."""
    table = _flight(off, _level(off), {}, {"likeness": 0.05})
    table.values["motion_percent"][:] = speed
    lost = np.zeros(ROWS, dtype=np.bool_)
    lost[off : off + 35] = True
    (edge,) = without_crossing(flash_edges(table, table["level_percent"], lost))
    assert edge.kind == "flash_on" and edge.missed_row is None
