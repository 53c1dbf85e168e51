"""A light that leaves over the picture's edge, on hand-made Timelines: no light off."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from test_flashes import DOWN, ROWS, UP, edges_of, flash


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
        ({59: 90.0, 60: 0.0}, True),
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
        "stands",
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
    assert [(edge.kind, edge.row, edge.missed_row) for edge in edges] == [
        ("flash_on", 40, None),
        ("flash_on", 170, None),
    ]
