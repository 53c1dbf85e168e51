"""What a recovery test must not say: a time across a light that was missed, or which of two single events is quicker."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from flight_material import record_of, timeline_of

from fieldscore import Criteria, score_flight
from fieldscore.flashes import Edge
from fieldscore.plots.recovery import draw_recoveries
from fieldscore.plots.svg import new_figure
from fieldscore.recovery import _ended, flash_events
from fieldscore.report import recovery as recovery_report


@pytest.mark.parametrize("settles", [True, False])
@pytest.mark.parametrize("crosses", [True, False])
def test_a_recovery_ends_where_light_changed_that_is_no_edge(settles: bool, crosses: bool) -> None:
    """A light-on's time stops where the light went out unseen or left over the edge, after the last edge too, and says so."""
    level = np.full(240, 30.0)
    row = np.arange(60)
    level[60:120] += 25.0 * np.exp(-row / 5.0) if settles else 25.0 - row / 3.0
    level[120:] -= 20.0 * np.exp(-np.arange(120) / 10.0)
    up = {"dimmed_percent": 1.0, "brightened_percent": 80.0, "fall_codes": 2.0, "rise_codes": 90.0, "likeness": 0.8}
    quiet = {"brightened_percent": 0.5, "dimmed_percent": 0.5, "rise_codes": 3.0, "fall_codes": 3.0}
    unseen = {"brightened_percent": 30.0, "dimmed_percent": 60.0, "likeness": 0.2}
    leaves = {"brightened_percent": 1.0, "dimmed_percent": 80.0, "likeness": 0.8, "light_leaving_percent": 90.0}
    changed = leaves if crosses else unseen
    still = {"motion_percent": 0.2, "light_leaving_percent": np.nan}
    timeline = timeline_of(240, (60, 61, up), (120, 121, changed), level_percent=level, **still, **quiet)
    nothing, readable = np.zeros(240, dtype=np.bool_), np.ones(240, dtype=np.bool_)
    (event,) = flash_events(timeline, Criteria(), level, nothing, readable)
    assert (event.crossed_s if crosses else event.missed_s) == pytest.approx(4.0)
    assert (event.missed_s if crosses else event.crossed_s) is None
    if settles:
        assert event.recovery_s == pytest.approx(5 / 30 * math.log(25 / 3), abs=1 / 30)
        assert event.resolvable and event.reason is None
    else:
        assert event.recovery_s is None
        told = "a light came in or left over the picture's edge" if crosses else "the light went out"
        assert event.reason is not None and event.reason.startswith(f"{told} before it settled: still drifting")
    test = recovery_report.Tested("north", "north.mp4", score_flight(record_of(timeline), Criteria()), {})
    missed = "  between 0:02.0 and the end a light off was missed" in recovery_report.recovery_lines([test])
    assert missed is not crosses
    if settles:
        axes = new_figure(720.0, 200.0).add_axes((0.1, 0.1, 0.8, 0.8))
        draw_recoveries(axes, [("north", test.score, test.score.events)])
        drawn = axes.lines[2].get_xdata()
        assert float(np.max(drawn)) == pytest.approx(4.0 - 2.0, abs=0.6 / 30), "drawn past the end of its own time"


def test_a_recovery_ends_at_the_first_of_several_changes() -> None:
    """Where another light came in and the lamp went out unseen, the one that came first ends the recovery and is named."""
    edge = Edge("flash_on", 60, 2.0, 2.03, local=False)
    assert _ended(edge, 240) == (240, None)
    assert _ended(replace(edge, missed_row=150, crossed_row=120), 240)[0] == 120
    assert _ended(replace(edge, missed_row=120, crossed_row=150), 240) == (120, "the light went out")


@pytest.mark.parametrize("crosses", [True, False])
def test_a_start_up_ends_where_a_light_comes_in(crosses: bool) -> None:
    """The level that it settles at is that before the light came in, as it is before a lamp was lit."""
    rows = np.arange(240)
    level = 40.0 + 50.0 * np.exp(-rows / 9.0)
    level[90:] += 45.0
    up = {"dimmed_percent": 1.0, "brightened_percent": 80.0, "fall_codes": 2.0, "rise_codes": 90.0, "likeness": 0.8}
    quiet = {"brightened_percent": 0.5, "dimmed_percent": 0.5, "rise_codes": 3.0, "fall_codes": 3.0}
    turns = (80, 90, {"motion_percent": 60.0})
    comes = (90, 92, {"light_leaving_percent": -90.0 if crosses else np.nan})
    still = {"motion_percent": 0.2, "light_leaving_percent": np.nan}
    timeline = timeline_of(240, (90, 91, up), turns, comes, level_percent=level, **still, **quiet)
    nothing, readable = np.zeros(240, dtype=np.bool_), np.ones(240, dtype=np.bool_)
    events = flash_events(timeline, Criteria(), level, nothing, readable)
    assert [event.kind for event in events] == ["start_up"] if crosses else ["start_up", "flash_on"]
    assert events[0].settled_percent == pytest.approx(40.0, abs=0.3)
    assert events[0].recovery_s == pytest.approx(9 / 30 * math.log(50 / 4), abs=1 / 30)
    assert events[0].crossed_s == (pytest.approx(3.0) if crosses else None)


@pytest.mark.parametrize("started", [True, False])
def test_a_light_missed_after_one_that_left_is_told(started: bool) -> None:
    """After a light-on or a start-up a light leaves and one comes on unseen: `missed_s` has it, and the line says no kind of it."""
    level = np.full(270, 40.0)
    level[60:] += 20.0
    if started:
        level = 60.0 + 35.0 * np.exp(-np.arange(270) / 9.0)
    level[120:] -= 16.0
    level[180:] += 20.0
    names = ("brightened_percent", "dimmed_percent", "rise_codes", "fall_codes")
    up = dict(zip(names, (80.0, 1.0, 90.0, 2.0), strict=True)) | {"likeness": 0.8}
    leaves = dict(zip(names, (1.0, 80.0, 2.0, 90.0), strict=True)) | {"likeness": 0.8, "light_leaving_percent": 90.0}
    missed = {"brightened_percent": 40.0, "dimmed_percent": 40.0, "likeness": 0.2}
    stretches = ((120, 121, leaves), (180, 181, missed), *(() if started else ((60, 61, up),)))
    quiet = {"brightened_percent": 0.5, "dimmed_percent": 0.5, "rise_codes": 3.0, "fall_codes": 3.0}
    still = {"motion_percent": 0.2, "light_leaving_percent": np.nan}
    timeline = timeline_of(270, *stretches, level_percent=level, **still, **quiet)
    test = recovery_report.Tested("north", "north.mp4", score_flight(record_of(timeline), Criteria()), {})
    (event,) = test.score.events
    assert event.kind == ("start_up" if started else "flash_on")
    assert (event.crossed_s, event.missed_s) == (pytest.approx(4.0), pytest.approx(6.0))
    told = f"  between {'0:00.0' if started else '0:02.0'} and the end a light on or off was missed"
    assert told in recovery_report.recovery_lines([test])


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_no_more_is_said_to_be_missed_than_was_seen(sign: float) -> None:
    """Between a light on and a light off whose light changed once more, the one change that was seen is told, and no second one."""
    level = np.full(270, 40.0)
    level[60:120] += sign * 25.0 * np.exp(-np.arange(60) / 5.0)
    level[120:150] -= sign * 12.0
    level[150:210] += sign * 4.0  # back in two steps, none of which is a lamp's
    level[210:] -= sign * 25.0 * np.exp(-np.arange(60) / 10.0)
    names = ("brightened_percent", "dimmed_percent", "rise_codes", "fall_codes")
    up = dict(zip(names, (80.0, 1.0, 90.0, 2.0), strict=True)) | {"likeness": 0.8}
    down = dict(zip(names, (1.0, 80.0, 2.0, 90.0), strict=True)) | {"likeness": 0.8}
    first, second = (up, down) if sign > 0 else (down, up)
    missed = {"brightened_percent": 40.0, "dimmed_percent": 40.0, "likeness": 0.2}
    stretches = ((60, 61, first), (120, 121, missed), (210, 211, second))
    quiet = {"brightened_percent": 0.5, "dimmed_percent": 0.5, "rise_codes": 3.0, "fall_codes": 3.0}
    timeline = timeline_of(270, *stretches, level_percent=level, motion_percent=0.2, **quiet)
    test = recovery_report.Tested("north", "north.mp4", score_flight(record_of(timeline), Criteria()), {})
    assert [event.kind for event in test.score.events] == ["flash_on", "flash_off"][:: int(sign)]
    told = "a light off was missed" if sign > 0 else "a light on was missed"
    lines = recovery_report.recovery_lines([test])
    assert [line for line in lines if line.startswith("  between")] == [f"  between 0:02.0 and 0:07.0 {told}"]


def test_one_event_each_does_not_tell_cameras_apart() -> None:
    """Two cameras of one event each are named, more are counted; none is called quicker, and repeats are told as before."""

    def pair(first: str, second: str, n: list[int]) -> dict[str, object]:
        return {
            "labels": [first, second],
            "kind": "flash_off",
            "difference_s": -0.4,
            "ci95": None,
            "n": n,
            "quicker": None,
        }

    fewest = "four repeats each are the fewest that tell how sure it is"
    told = recovery_report.all_compared([pair("a", "b", [1, 1])])
    assert told == [f"light off: one event each of a and b cannot tell which is quicker: {fewest}"]
    three = [pair("a", "b", [1, 1]), pair("a", "c", [1, 1]), pair("b", "c", [1, 1])]
    told = recovery_report.all_compared(three)
    assert told == [f"light off: one event each of 3 cameras cannot tell which is quicker: {fewest}"]
    told = recovery_report.all_compared([pair("a", "b", [2, 1])])
    assert told == [f"light off: b is 0.400 s quicker than a (2 and 1 measured: {fewest})"]
