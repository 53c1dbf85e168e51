"""A light that leaves or comes in over the picture's edge, on hand-made Timelines: no light off, no light on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from flight_material import timeline_of
from test_flashes import DOWN, QUIET, ROWS, UP, edges_of, flash

from fieldscore.flashes import flash_edges, without_crossing


def outward_of(speeds: dict[int, float]) -> npt.NDArray[np.float64]:
    """Speed of a light out over the picture's edge [n], by row; none on others."""
    outward = np.full(ROWS, np.nan)
    outward[list(speeds)] = list(speeds.values())
    return outward


def falls_at(*rows: int) -> npt.NDArray[np.float64]:
    """A level of 40 % that falls by 10 at each row."""
    level = np.full(ROWS, 40.0)
    for row in rows:
        level[row:] -= 10.0
    return level


@pytest.mark.parametrize(
    ("speeds", "found"),
    [
        ({59: 90.0, 60: 80.0}, False),
        ({60: 80.0}, False),
        ({59: 0.0, 60: 80.0}, True),
        ({59: 8.0, 60: 80.0}, True),
        ({59: 90.0}, True),
        ({59: 90.0, 60: 0.0}, False),
        ({59: 110.0, 60: 0.0}, False),
        ({59: 130.0, 60: 0.0}, True),
        ({57: 90.0, 58: 0.0, 59: 0.0, 60: 0.0}, False),
        ({56: 90.0, 57: 0.0, 58: 0.0, 59: 0.0, 60: 0.0}, True),
        ({59: -90.0, 60: -80.0}, True),
        ({}, True),
        ({59: 35.0, 60: 35.0}, False),
        ({59: 25.0, 60: 25.0}, True),
        ({57: 90.0, 58: 0.0, 59: 0.0, 60: 90.0}, False),
        ({56: 90.0, 57: 0.0, 58: 0.0, 59: 0.0, 60: 90.0}, True),
    ],
    ids=[
        "leaves",
        "just cut",
        "stood",
        "swayed",
        "gone at once",
        "gone from where it left",
        "gone as the picture moves",
        "gone though the picture moves less",
        "shown thrice, then gone",
        "stood for long, then gone",
        "comes in",
        "nothing known",
        "leaves slowly",
        "drifts",
        "shown thrice",
        "stood for long",
    ],
)
def test_a_light_that_leaves_over_the_edge_did_not_go_out(speeds: dict[int, float], found: bool) -> None:
    """A level that falls while a light leaves over the edge is no light off; where it stood there or is gone at once, it is."""
    edges = edges_of(falls_at(60), (60, 61, DOWN), motion_percent=60.0, light_leaving_percent=outward_of(speeds))
    assert [(edge.kind, edge.row) for edge in edges] == ([("flash_off", 60)] if found else [])


def test_the_rest_of_a_light_that_leaves_is_no_edge_either() -> None:
    """Where the level falls on in the row after, from which on the light is gone, nothing is found; a light off later is."""
    level = falls_at(60, 120)
    level[61:] -= 10.0
    edges = edges_of(
        level,
        (60, 62, DOWN),
        (120, 121, DOWN),
        motion_percent=60.0,
        light_leaving_percent=outward_of({59: 90.0, 60: 80.0}),
    )
    assert [(edge.kind, edge.row) for edge in edges] == [("flash_off", 120)]


def test_a_light_that_leaves_hides_no_light_on() -> None:
    """A lamp lit while another light leaves over the edge is found."""
    edges = edges_of(flash(), (60, 61, UP), (150, 151, DOWN), light_leaving_percent=outward_of({59: 90.0, 60: 80.0}))
    assert [edge.kind for edge in edges] == ["flash_on", "flash_off"]


def test_a_light_on_after_one_that_left_is_found() -> None:
    """Between two light-ons a light that leaves over the edge is neither an edge nor a missed light-off, and takes none of them."""
    level = np.full(ROWS, 40.0)
    level[40:100] += 20.0
    level[170:] += 20.0
    stretches = ((40, 41, UP), (100, 101, DOWN), (170, 171, UP))
    edges = edges_of(level, *stretches, light_leaving_percent=outward_of({99: 90.0, 100: 80.0}))
    assert [(edge.kind, edge.row, edge.missed_row, edge.crossed_row) for edge in edges] == [
        ("flash_on", 40, None, 100),
        ("flash_on", 170, None, None),
    ]


@pytest.mark.parametrize(
    ("speeds", "first", "found"),
    [
        ({60: -90.0, 61: -80.0}, 20.0, False),
        ({60: -80.0}, 20.0, False),
        ({60: 0.0, 61: -90.0, 62: -80.0}, 10.0, False),
        ({60: 0.0, 61: -90.0}, 10.0, False),
        ({60: 0.0, 61: -90.0}, 18.0, False),
        ({60: -110.0}, 20.0, False),
        ({60: -130.0}, 20.0, True),
        ({60: 0.0, 61: -90.0, 62: -80.0}, 20.0, True),
        ({60: -80.0, 61: 0.0}, 20.0, True),
        ({60: 0.0, 61: -80.0, 62: 0.0}, 10.0, True),
        ({60: 90.0, 61: 80.0}, 20.0, True),
        ({60: -25.0, 61: -25.0}, 20.0, True),
        ({60: -90.0, 61: 0.0, 62: 0.0, 63: -90.0}, 20.0, False),
        ({60: -90.0, 61: 0.0, 62: 0.0, 63: 0.0, 64: -90.0}, 20.0, True),
        ({}, 20.0, True),
    ],
    ids=[
        "comes in",
        "then whole",
        "in two frames",
        "in two, then whole",
        "little of it in the second",
        "faster than the picture",
        "much faster than the picture",
        "lit at the edge",
        "stands after",
        "stands after two",
        "leaves",
        "drifts",
        "shown thrice",
        "stands for long",
        "nothing known",
    ],
)
def test_a_light_that_comes_in_over_the_edge_did_not_light_up(
    speeds: dict[int, float], first: float, found: bool
) -> None:
    """A level that rises, by `first` of 20 in its first frame, while a light comes in over the edge is no light on; else it is."""
    level = np.full(ROWS, 40.0)
    level[60] += first
    level[61:] += 20.0
    edges = edges_of(level, (60, 62, UP), motion_percent=60.0, light_leaving_percent=outward_of(speeds))
    assert [(edge.kind, edge.row) for edge in edges] == ([("flash_on", 60)] if found else [])


def test_a_light_that_goes_to_and_fro_over_the_edge_lights_up_once() -> None:
    """One that was lit, leaves, comes back and goes out there is a light on and a light off; the first ends where it leaves."""
    level = np.full(ROWS, 40.0)
    level[40:100] += 20.0
    level[130:200] += 20.0
    speeds = outward_of({99: 90.0, 100: 80.0, 130: -80.0, 131: -80.0})
    stretches = ((40, 41, UP), (100, 101, DOWN), (130, 131, UP), (200, 201, DOWN))
    edges = edges_of(level, *stretches, motion_percent=60.0, light_leaving_percent=speeds)
    assert [(edge.kind, edge.row, edge.crossed_row) for edge in edges] == [
        ("flash_on", 40, 100),
        ("flash_off", 200, None),
    ]


def test_another_light_that_comes_in_ends_a_recovery() -> None:
    """Beside a lamp that was lit, one that comes in changes the level: what comes after is no recovery from the first."""
    level = np.full(ROWS, 40.0)
    level[40:] += 20.0
    level[100:] += 20.0
    speeds = outward_of({100: -90.0, 101: -80.0})
    edges = edges_of(level, (40, 41, UP), (100, 101, UP), motion_percent=60.0, light_leaving_percent=speeds)
    assert [(edge.kind, edge.row, edge.crossed_row) for edge in edges] == [("flash_on", 40, 100)]


@pytest.mark.parametrize("motion", [0.2, 60.0])
@pytest.mark.parametrize(
    ("row", "likeness", "found"), [(118, 0.99, False), (118, 0.93, True), (118, np.nan, True), (134, 0.99, True)]
)
def test_the_cameras_answer_to_a_light_that_left_is_no_light_on(
    row: int, likeness: float, found: bool, motion: float
) -> None:
    """Up to a second after it left, a step that leaves the picture like itself is the camera's, be it in one; a lamp's is not."""
    level = np.full(ROWS, 40.0)
    level[40:100] += 20.0
    level[100:row] -= 12.0
    stretches = ((40, 41, UP), (100, 101, DOWN), (row, row + 1, {**UP, "likeness": likeness}))
    speeds = outward_of({99: 90.0, 100: 80.0})
    edges = edges_of(level, *stretches, motion_percent=motion, light_leaving_percent=speeds)
    assert [edge.row for edge in edges] == ([40, row] if found else [40])


def test_a_small_torch_after_a_light_that_left_is_found() -> None:
    """One that lights a few blocks leaves the picture like itself, too, and is no answer of the camera."""
    level = np.full(ROWS, 60.0)
    level[60:] = 40.0
    torch = {"rise_codes": 90.0, "brightened_percent": 1.5, "dimmed_percent": 0.2, "likeness": 0.97}
    edges = edges_of(level, (60, 61, DOWN), (80, 81, torch), light_leaving_percent=outward_of({59: 90.0, 60: 80.0}))
    assert [(edge.kind, edge.row, edge.local) for edge in edges] == [("flash_on", 80, True)]


def test_the_end_of_the_black_after_a_light_that_left_is_no_light_on() -> None:
    """A camera that falls into black as a bright light leaves comes out of it within two seconds: too dark to tell its likeness."""
    level = np.full(ROWS, 40.0)
    level[60:90] = 0.0
    level[90:] = 20.0
    clipped = np.where(np.arange(ROWS) < 60, 5.0, 0.0)
    crushed = np.where((np.arange(ROWS) >= 60) & (np.arange(ROWS) < 90), 99.0, 0.5)
    timeline = timeline_of(
        ROWS,
        (60, 61, DOWN),
        (90, 91, {**UP, "likeness": np.nan}),
        level_percent=level,
        clipped_percent=clipped,
        crushed_percent=crushed,
        light_leaving_percent=outward_of({59: 90.0, 60: 80.0}),
        **QUIET,
    )
    assert without_crossing(flash_edges(timeline, level, np.zeros(ROWS, dtype=np.bool_))) == []


@pytest.mark.parametrize(
    ("before", "found"),
    [([0.3] * 4, True), ([0.3, 60.0, 0.0, 0.0], False), ([60.0, 0.0, 0.0, 0.0], True), ([np.nan] * 4, False)],
    ids=["stands", "shown thrice", "stopped", "not known"],
)
def test_a_light_that_lights_up_at_the_edge_before_a_standing_camera_is_a_light_on(
    before: list[float], found: bool
) -> None:
    """Exposed longer, it grows inward by itself; it comes in only as the picture moved before, whatever is read as it lights."""
    motion = np.full(ROWS, 0.3)
    motion[56:60] = before
    motion[60:62] = 1200.0
    level = flash()
    level[60] = 55.0
    speeds = outward_of({61: -90.0, 62: -40.0})
    edges = edges_of(level, (60, 62, UP), motion_percent=motion, light_leaving_percent=speeds)
    assert [(edge.kind, edge.row) for edge in edges] == ([("flash_on", 60)] if found else [])


def test_a_light_missed_after_one_that_left_is_said_by_the_edge_before() -> None:
    """The light that left is no edge, but what was missed after it is not lost with it."""
    level = np.full(ROWS, 40.0)
    level[60:] += 20.0
    level[100:] -= 12.0
    level[145:] += 15.0
    stretches = ((60, 61, UP), (100, 101, DOWN), (145, 146, {**UP, "dimmed_percent": 40.0}))
    edges = edges_of(level, *stretches, light_leaving_percent=outward_of({100: 90.0}))
    assert [(edge.kind, edge.row, edge.crossed_row, edge.missed_row) for edge in edges] == [("flash_on", 60, 100, 145)]


@pytest.mark.parametrize(
    ("row", "likeness", "found"), [(75, 1.0, False), (75, 0.93, True), (75, np.nan, True), (94, 1.0, True)]
)
def test_the_cameras_answer_to_a_light_that_came_in_is_no_light_on(row: int, likeness: float, found: bool) -> None:
    """A gain that steps up within a second of it leaves the picture like itself, though it goes the light's own way."""
    level = np.full(ROWS, 40.0)
    level[60:] += 15.0
    level[row:] += 18.0
    stretches = ((60, 61, UP), (row, row + 1, {**UP, "likeness": likeness}))
    speeds = outward_of({60: -90.0, 61: -80.0})
    edges = edges_of(level, *stretches, motion_percent=60.0, light_leaving_percent=speeds)
    assert [edge.row for edge in edges] == ([row] if found else [])


@pytest.mark.parametrize("lit", [False, True])
@pytest.mark.parametrize(("likeness", "found"), [(1.0, False), (0.9, True)])
def test_the_cameras_answer_to_a_light_that_came_in_is_no_light_off(lit: bool, likeness: float, found: bool) -> None:
    """It answers in one step 0.7 s after a light came in, whether or not another was lit before; a lamp's end is found."""
    level = np.full(ROWS, 30.0)
    level[40:] += 15.0 * lit
    level[130:] += 15.0
    level[151:] -= 20.0
    stretches = [(130, 131, UP), (151, 152, {**DOWN, "likeness": likeness}), *([(40, 41, UP)] if lit else [])]
    speeds = outward_of({130: -90.0, 131: -80.0})
    edges = edges_of(level, *stretches, motion_percent=60.0, light_leaving_percent=speeds)
    assert [edge.row for edge in edges] == [40] * lit + [151] * found


@pytest.mark.parametrize("motion", [0.3, 60.0])
def test_a_light_on_after_one_that_came_in_is_found(motion: float) -> None:
    """One lights up, another comes in over the edge, a third lights up: the last is no answer to the first."""
    level = np.full(ROWS, 30.0)
    level[40:] += 15.0
    level[100:] += 15.0
    level[160:] += 20.0
    level[210:] -= 30.0
    moves = (95, 102, {"motion_percent": 60.0})
    stretches = ((40, 41, UP), moves, (100, 101, UP), (160, 161, UP), (210, 211, DOWN))
    speeds = outward_of({100: -90.0, 101: -80.0})
    edges = edges_of(level, *stretches, motion_percent=motion, light_leaving_percent=speeds)
    assert [(edge.kind, edge.row, edge.crossed_row) for edge in edges] == [
        ("flash_on", 40, 100),
        ("flash_on", 160, None),
        ("flash_off", 210, None),
    ]
