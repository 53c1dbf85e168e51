"""Black pictures that are the camera's own, as a light before it goes out, and those of a lost link."""

from __future__ import annotations

import numpy as np
import pytest
from flight_material import BLACK, timeline_of

from fieldscore.criteria import Criteria
from fieldscore.events import link_lost
from fieldscore.running import runs
from fieldscore.timeline import Timeline


def lost_rows(timeline: Timeline) -> list[tuple[int, int]]:
    return runs(link_lost(timeline, Criteria()))


@pytest.mark.parametrize(
    ("lost", "length", "other"),
    [
        (False, 9, {}),
        (True, 9, {"motion_percent": 40.0}),
        (True, 9, {"clipped_percent": 1.0}),  # the light is still there when the picture is back
        (True, 75, {}),
    ],
)
def test_black_as_a_light_goes_out_is_the_camera(lost: bool, length: int, other: dict[str, float]) -> None:
    """A standing camera that goes black for a moment as a lamp before it goes out does so by itself."""
    stop = 100 + length
    whole = {"motion_percent": 1.0, "clipped_percent": 0.0, **other}
    black = {**BLACK, "motion_percent": 0.0, "clipped_percent": 0.0, "crushed_percent": 99.5}
    table = timeline_of(300, (0, 100, {"clipped_percent": 1.0}), (100, stop, black), **whole)
    assert lost_rows(table) == ([(100, stop)] if lost else [])


OWN_BLACK = {**BLACK, "motion_percent": 0.0, "clipped_percent": 0.0, "crushed_percent": 99.5}
UNLIT = {"motion_percent": 1.0, "clipped_percent": 0.0}


@pytest.mark.parametrize(
    ("lost", "other"),
    [
        (False, []),
        (False, [(0, 100, {"motion_percent": 14.0}), (110, 300, {"motion_percent": 14.0})]),
        (True, [(0, 100, {"motion_percent": 16.0})]),  # flew before the black only
        (True, [(109, 300, {"motion_percent": 16.0})]),  # or after it
        (False, [(109, 110, {"motion_percent": 900.0})]),  # the first picture, from black, is no motion
        (False, [(0, 100, {"clipped_percent": 0.12})]),
        (True, [(0, 100, {"clipped_percent": 0.08})]),  # no light at the ceiling
        (True, [(0, 100, {"clipped_percent": 0.0})]),
        (True, [(112, 300, {"clipped_percent": 1.0})]),  # the light is back by and by: it was there all along
        (True, [(100, 109, {"crushed_percent": 10.0})]),  # a flat grey screen
    ],
)
def test_what_tells_a_cameras_own_black(lost: bool, other: list[tuple[int, int, dict[str, float]]]) -> None:
    """The camera stands before and after, a light at the ceiling went out and stays out, and the picture is black."""
    table = timeline_of(300, (0, 100, {"clipped_percent": 1.0}), (100, 109, OWN_BLACK), *other, **UNLIT)
    assert lost_rows(table) == ([(100, 109)] if lost else [])


def test_a_single_motion_after_black_is_not_that_from_black() -> None:
    """Of the pictures just after the black the first is left out, however few are known."""
    table = timeline_of(300, (0, 100, {"clipped_percent": 1.0}), (100, 109, OWN_BLACK), **UNLIT)
    table.values["motion_percent"][109] = 900.0
    table.values["motion_percent"][111:140] = np.nan
    assert lost_rows(table) == []
