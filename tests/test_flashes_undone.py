"""Light that goes out hardly like the lit picture, and a camera's own answer that is no light: on hand-made Timelines."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from test_flashes import BEAM, DOWN, ROWS, edges_of

VEIL = {**BEAM, "brightened_percent": 99.0}
GONE = {**DOWN, "dimmed_percent": 99.0, "likeness": 0.25, "fall_codes": 180.0}


def _veiled(goes_back: bool = True) -> npt.NDArray[np.float64]:
    """A level of 40 % that a veil lifts to 80 %, of which the camera leaves 27; without the veil 7, from where it comes back."""
    rows = np.arange(90)
    back = 33.0 * (1.0 - np.exp(-rows / 20.0)) if goes_back else 0.0
    return np.concatenate([np.full(60, 40.0), 27.0 + 53.0 * np.exp(-rows / 8.0), np.full(90, 7.0) + back])


@pytest.mark.parametrize(
    ("found", "lit", "off", "goes_back"),
    [
        (True, {}, {}, True),
        (False, {}, {"likeness": 0.1}, True),  # less like than a dark picture of the same scene
        (False, {}, {"dimmed_percent": 75.0}, True),  # less of the picture than the beam lit
        (False, {}, {}, False),  # a darker scene
        (False, {"likeness": 0.2}, {}, True),  # no beam is known
        (False, {"motion_percent": 60.0}, {}, True),
    ],
)
def test_a_fall_that_undoes_a_beam_is_a_light_off(
    found: bool, lit: dict[str, float], off: dict[str, float], goes_back: bool
) -> None:
    """What it leaves may be hardly like the lit picture, if it changes as much as the beam did and goes back to what was before."""
    speed = {key: value for key, value in lit.items() if key == "motion_percent"}
    edges = edges_of(_veiled(goes_back), (60, 61, VEIL | lit), (150, 151, GONE | off), **speed)
    assert ("flash_off" in [edge.kind for edge in edges]) == found
    if found:
        assert [(edge.kind, edge.row) for edge in edges] == [("flash_on", 60), ("flash_off", 150)]


@pytest.mark.parametrize(("codes", "found"), [(200.0, True), (50.0, False)])
def test_a_pulse_that_ends_while_the_camera_answers_it(codes: float, found: bool) -> None:
    """The answer dims all of the picture from frame to frame; the light that goes out dims it many times as much at once."""
    level = np.full(ROWS, 40.0)
    level[60:69] = 80.0 - 4.0 * np.arange(9)
    level[69:] = 40.0 - 28.0 * np.exp(-np.arange(ROWS - 69) / 10.0)
    answer = {**DOWN, "dimmed_percent": 97.0, "fall_codes": 20.0, "likeness": 0.998}
    edges = edges_of(level, (60, 61, VEIL), (61, 69, answer), (69, 70, GONE | {"fall_codes": codes}))
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_on"])


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("other", "after", "likeness", "kinds"),
    [
        (16.7, 7, 0.99, []),  # the torch itself is not found: too much of the picture seems to go the other way
        (15.0, 7, 0.99, [0]),
        (15.0, 7, 0.8, [0, 1]),  # a light that goes out at once
        (16.7, 20, 0.99, [1]),  # long after
    ],
)
def test_the_cameras_answer_to_a_side_torch_is_no_edge(
    other: float, after: int, likeness: float, kinds: list[int], sign: float
) -> None:
    """A step of the whole picture shortly after a part of it was lit leaves the picture like itself: the camera's, found or not."""
    level = np.full(ROWS, 40.0)
    level[60:] += 12.0 * sign
    level[60 + after :] -= 11.0 * sign
    up, down = ("brightened_percent", "dimmed_percent") if sign > 0 else ("dimmed_percent", "brightened_percent")
    part = {up: 50.0, down: other, "likeness": 0.48}
    whole = {up: 0.0, down: 98.0, "likeness": likeness}
    names = ["flash_on", "flash_off"] if sign > 0 else ["flash_off", "flash_on"]
    edges = edges_of(level, (60, 61, part), (60 + after, 61 + after, whole))
    assert [edge.kind for edge in edges] == [names[kind] for kind in kinds]
