"""Light that goes out hardly like the lit picture, and a camera's own answer that is no light: on hand-made Timelines."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from flight_material import timeline_of
from test_flashes import BEAM, DOWN, QUIET, ROWS, UP, edges_of

from fieldscore.flashes import flash_edges

VEIL = {**BEAM, "brightened_percent": 99.0}
GONE = {**DOWN, "dimmed_percent": 99.0, "likeness": 0.25, "fall_codes": 180.0}


def _veiled(goes_back: bool = True, tau: float = 20.0) -> npt.NDArray[np.float64]:
    """A level of 40 % that a veil lifts to 80 %, of which the camera leaves 27; without the veil 7, from where it comes back."""
    lit, gone = np.arange(90), np.arange(200)
    back = 33.0 * (1.0 - np.exp(-gone / tau)) if goes_back else np.zeros(200)
    return np.concatenate([np.full(60, 40.0), 27.0 + 53.0 * np.exp(-lit / 8.0), 7.0 + back])


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


@pytest.mark.parametrize(("tau", "found"), [(150.0, True), (400.0, False)])
def test_a_slow_camera_takes_seconds_to_go_back(tau: float, found: bool) -> None:
    """The level may need more than a second, but no more than three, for a quarter of its way back."""
    edges = edges_of(_veiled(tau=tau), (60, 61, VEIL), (150, 151, GONE))
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_on"])


@pytest.mark.parametrize(
    ("flown", "found"),
    [
        ((200, 200), True),
        ((61, 101), True),  # its motion is not sure while it answers
        ((200, 240), True),  # it sways
        ((200, 260), False),
        ((100, 700), False),
    ],
)
def test_a_cut_after_a_flight_elsewhere_undoes_no_beam(flown: tuple[int, int], found: bool) -> None:
    """The camera must have stood all the while from the beam on, not only when the light falls or for most of the time."""
    rows = np.arange(1600)
    level = np.where(rows < 60, 40.0, 27.0 + 53.0 * np.exp(-(rows - 60.0) / 8.0))
    level[1500:] = 7.0 + 33.0 * (1.0 - np.exp(-np.arange(100) / 20.0))
    edges = edges_of(level, (60, 61, VEIL), (1500, 1501, GONE), (*flown, {"motion_percent": 60.0}))
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_on"])


@pytest.mark.parametrize(("stop", "found"), [(180, True), (1480, False)])
@pytest.mark.parametrize("how", ["lost", "frozen", "not known"])
def test_a_cut_after_a_stretch_unseen_undoes_no_beam(how: str, stop: int, found: bool) -> None:
    """Over seconds of a lost link, a frozen picture or one without motion the camera is not known to have stood."""
    rows = np.arange(1600)
    level = np.where(rows < 60, 40.0, 27.0 + 53.0 * np.exp(-(rows - 60.0) / 8.0))
    level[1500:] = 7.0 + 33.0 * (1.0 - np.exp(-np.arange(100) / 20.0))
    column = {"lost": {}, "frozen": {"repeated": 1.0, "motion_percent": 0.0}, "not known": {"motion_percent": np.nan}}
    lost = (100, stop) if how == "lost" else (0, 0)
    edges = edges_of(level, (60, 61, VEIL), (1500, 1501, GONE), (100, stop, column[how]), lost=lost)
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_on"])


@pytest.mark.parametrize(("speed", "found"), [(0.2, True), (60.0, False)])
def test_motion_is_judged_on_what_is_seen(speed: float, found: bool) -> None:
    """A camera that moves on every picture it shows, each for two rows or three, is one that moves."""
    rows = np.arange(1600)
    level = np.where(rows < 60, 40.0, 27.0 + 53.0 * np.exp(-(rows - 60.0) / 8.0))
    level[1500:] = 7.0 + 33.0 * (1.0 - np.exp(-np.arange(100) / 20.0))
    again = (rows % 3 > 0) & (rows > 200) & (rows < 1400)
    motion = np.where((rows > 200) & (rows < 1400) & ~again, speed, 0.2)
    edges = edges_of(level, (60, 61, VEIL), (1500, 1501, GONE), motion_percent=motion, repeated=again.astype(float))
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_on"])


@pytest.mark.parametrize(("first", "found"), [(60, True), (46, False)])
def test_a_camera_that_flies_into_a_beam_does_not_stand(first: int, found: bool) -> None:
    """A short pulse says little of the motion: the camera stood just before it, too."""
    level = _veiled()
    level[69:] = 7.0 + 33.0 * (1.0 - np.exp(-np.arange(len(level) - 69) / 20.0))
    lit, flown = {**VEIL, "likeness": 0.45}, {"motion_percent": 60.0}
    edges = edges_of(level, (first, 60, flown), (60, 61, lit), (69, 70, GONE))
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_on"])


@pytest.mark.parametrize(("hole_s", "found"), [(0.5, True), (3.5, False)])
def test_a_fall_after_a_hole_undoes_no_beam(hole_s: float, found: bool) -> None:
    """A camera that is not seen for seconds before the fall is not known to have stood."""
    level = _veiled()
    timeline = timeline_of(len(level), (60, 61, VEIL), (150, 151, GONE), level_percent=level, **QUIET)
    timeline.time_s[150:] += hole_s
    edges = flash_edges(timeline, level, np.zeros(len(level), dtype=np.bool_))
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_on"])


def test_a_fall_undoes_the_last_beam_only() -> None:
    """A beam that went out lends nothing to a cut after the next light, which left the scene far more like itself."""
    level = _veiled()
    level[210:] = 27.0 + 53.0 * np.exp(-np.arange(len(level) - 210) / 8.0)
    level[290:] = 7.0 + 33.0 * (1.0 - np.exp(-np.arange(len(level) - 290) / 20.0))
    first, again = {**VEIL, "brightened_percent": 82.0}, {**VEIL, "likeness": 0.8}
    less = {**GONE, "dimmed_percent": 75.0}
    edges = edges_of(level, (60, 61, first), (150, 151, GONE), (210, 211, again), (290, 291, less))
    assert [edge.row for edge in edges] == [60, 150, 210]


@pytest.mark.parametrize(("dimmed", "found"), [(85.0, True), (75.0, False)])
def test_a_beam_is_as_wide_as_its_second_frame(dimmed: float, found: bool) -> None:
    """The first frame may have been under it for a part of its exposure, and so changed less of the picture."""
    level = _veiled()
    level[60] = 60.0
    part, whole = {**VEIL, "brightened_percent": 50.0}, {**VEIL, "likeness": 0.9}
    edges = edges_of(level, (60, 61, part), (61, 62, whole), (150, 151, {**GONE, "dimmed_percent": dimmed}))
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_on"])


def test_a_cut_undoes_no_small_lamp() -> None:
    """A lamp that lit a few blocks is not undone by what changes all of the picture, however unlike it left them."""
    level = np.concatenate([np.full(150, 40.0), _veiled()[150:]])
    lamp = {"rise_codes": 90.0, "brightened_percent": 1.5, "dimmed_percent": 0.2, "likeness": 0.45}
    edges = edges_of(level, (60, 61, lamp), (150, 151, GONE))
    assert [(edge.row, edge.local) for edge in edges] == [(60, True)]


@pytest.mark.parametrize(("dimmed", "found"), [(32.0, True), (29.0, False)])
def test_a_small_lamp_undoes_no_beam(dimmed: float, found: bool) -> None:
    """What dims less than a light that fills the picture leaves the scene like itself, though the beam was hardly wider."""
    lit = {**UP, "brightened_percent": 36.0, "likeness": 0.45}
    off = {**GONE, "dimmed_percent": dimmed}
    edges = edges_of(_veiled(), (60, 61, lit), (150, 151, off))
    assert [edge.kind for edge in edges] == (["flash_on", "flash_off"] if found else ["flash_on"])


# the answer before has 20 codes: five times as much, and not quite four
@pytest.mark.parametrize(("codes", "found"), [(200.0, True), (100.0, True), (70.0, False)])
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
        (16.7, 14, 0.99, []),
        (16.7, 16, 0.99, [1]),  # long after
        (15.0, 7, np.nan, [0, 1]),  # too dark to tell
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


@pytest.mark.parametrize(("share", "kinds"), [(1.5, ["flash_off", "flash_on"]), (35.0, ["flash_off"])])
def test_a_small_torch_is_not_the_cameras_answer(share: float, kinds: list[str]) -> None:
    """A torch that lights a few blocks shortly after a big light went out is an edge; the exposure changes much of the picture."""
    level = np.full(ROWS, 60.0)
    level[60:] = 20.0
    level[72:] += 0.4
    torch = {"rise_codes": 90.0, "brightened_percent": share, "dimmed_percent": 0.2, "likeness": 0.97}
    edges = edges_of(level, (60, 61, DOWN), (72, 73, torch))
    assert [edge.kind for edge in edges] == kinds
    assert all(edge.local == (edge.kind == "flash_on") for edge in edges)


def test_an_answer_to_a_light_that_leads_into_the_dark_is_no_edge() -> None:
    """A light counts as one where the likeness across it is known, though the frame after it is too dark to tell."""
    level = np.full(ROWS, 40.0)
    level[60:] = 28.0
    level[67:] = 39.0
    part = {"brightened_percent": 16.7, "dimmed_percent": 50.0, "likeness": 0.48}
    answer = {"brightened_percent": 98.0, "dimmed_percent": 0.0, "likeness": 0.99}
    assert edges_of(level, (60, 61, part), (61, 62, {"likeness": np.nan}), (67, 68, answer)) == []
