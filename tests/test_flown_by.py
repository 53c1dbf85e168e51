"""Steps of the level in flight that no light made, on hand-made Timelines: a lamp comes into view, a thing near by is passed."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from test_flashes import DOWN, ROWS, UP, edges_of

AT = 60


def step(size: float, before: float = 0.0) -> npt.NDArray[np.float64]:
    """Columns [n] that change by a size at the row `AT`."""
    column = np.full(ROWS, before)
    column[AT:] += size
    return column


@pytest.mark.parametrize("kind", ["flash_on", "flash_off"])
@pytest.mark.parametrize(
    ("found", "stops", "lamps", "cut", "after"),
    [
        (False, 0.0, 1.0, True, {}),
        (False, -0.3, 1.0, True, {}),
        (True, 0.5, 1.0, True, {}),  # the scene is lit, whatever comes into view
        (True, 0.0, 0.0, True, {}),  # a part of it is
        (True, np.nan, 1.0, True, {}),
        (True, 0.0, 1.0, True, {"clipped_percent": 99.0}),
        (True, 0.0, 1.0, False, {}),  # a torch in the picture
    ],
    ids=["comes into view", "and closes it", "lights", "a part lit", "trace broken", "washed", "no edge cuts it"],
)
def test_a_lamp_that_comes_into_view_in_flight_is_no_light_on(
    kind: str, found: bool, stops: float, lamps: float, cut: bool, after: dict[str, float]
) -> None:
    """Its veil lifts the level, and not the exposure as a torch does that lights the scene; seen backwards, it is no light off."""
    sign = 1.0 if kind == "flash_on" else -1.0
    shown = {"exposure_stops": step(sign * stops), "lamps": step(sign * lamps, 2.0), "motion_percent": 60.0}
    lit = AT if sign > 0 else AT - 1  # the picture that the light was in
    shown["light_leaving_percent"] = np.where(cut & (np.abs(np.arange(ROWS) - AT + 0.5) < 1.0), 0.0, np.nan)
    edges = edges_of(step(sign * 15.0, 40.0), (AT, AT + 1, UP if sign > 0 else DOWN), (lit, lit + 1, after), **shown)
    assert [(edge.kind, edge.row) for edge in edges] == ([(kind, AT)] if found else [])


def nearing(fastest: float, after: float) -> npt.NDArray[np.float64]:
    """Motion [n] of 30 %/s that grows to the fastest in the half second before `AT`."""
    motion = np.full(ROWS, 30.0)
    motion[AT - 15 : AT] = np.linspace(30.0, fastest, 15)
    motion[AT + 1 :] = after
    return motion


@pytest.mark.parametrize(
    ("found", "stops", "fastest", "after"),
    [(False, 0.0, 110.0, 30.0), (True, 0.5, 110.0, 30.0), (True, 0.0, 40.0, 30.0), (True, 0.0, 110.0, 110.0)],
    ids=["passed", "lit", "even flight", "goes on"],
)
def test_a_dark_thing_that_is_passed_is_no_light_on(found: bool, stops: float, fastest: float, after: float) -> None:
    """A tree that comes near moves the picture ever faster, and gives its place back at once as it leaves."""
    shown = {"exposure_stops": step(stops), "motion_percent": nearing(fastest, after)}
    edges = edges_of(step(15.0, 40.0), (AT, AT + 1, UP), **shown)
    assert [(edge.kind, edge.row) for edge in edges] == ([("flash_on", AT)] if found else [])


def test_what_the_scene_changes_by_before_a_light_goes_out_is_no_part_of_it() -> None:
    """The level may fall in flight, by over a twentieth of the step a frame: the light went out when most of it went."""
    level = step(-12.0, 40.0)
    level[AT - 10 :] -= 0.7 * np.minimum(np.arange(ROWS - AT + 10), 10)
    (edge,) = edges_of(level, (AT, AT + 1, DOWN), motion_percent=40.0)
    assert (edge.kind, edge.row) == ("flash_off", AT)
