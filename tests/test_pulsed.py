"""Lamps that pulse so deeply that pictures are unlike each other: what cannot be told there, and what can."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flight_material import BLUE, record_of, timeline_of

from fieldscore.criteria import Criteria
from fieldscore.events import link_lost
from fieldscore.pulsed import is_told, pulsed, told
from fieldscore.score import score_flight
from fieldscore.timeline import Timeline

BANDS = np.tile([19.4, 16.4, 13.2], 100)
NONE = np.zeros(300, dtype=np.bool_)


def _unlike(*at: range, rate: float = 30.0, **columns: object) -> Timeline:
    """Rows unlike the one before, under bands of light that beat in three pictures unless the columns say otherwise."""
    likeness = np.full(300, 0.97)
    for rows in at:
        likeness[rows.start : rows.stop : rows.step] = 0.5
    columns = {"brightened_percent": BANDS, "dimmed_percent": BANDS, "motion_change_percent": 120.0, **columns}
    return timeline_of(300, rate=rate, likeness=likeness, **columns)


def test_two_unlike_pictures_in_three_are_pulses_and_what_is_near_them() -> None:
    """Of three seconds that pulse all is told, and half a second or so to both sides; where nothing does, nothing."""
    found = pulsed(_unlike(range(100, 190, 3), range(101, 190, 3)), NONE)
    assert found[100:190].all()
    assert not found[:70].any() and not found[220:].any()
    assert not pulsed(_unlike(), NONE).any()


def test_pictures_shown_twice_pulse_as_much() -> None:
    """A row that repeats the one before is no picture that would be alike."""
    row = np.arange(300)
    columns = {
        "repeated": row % 2,
        "brightened_percent": np.repeat(BANDS[:150], 2),
        "dimmed_percent": np.repeat(BANDS[:150], 2),
    }
    found = pulsed(_unlike(range(100, 190, 6), range(102, 190, 6), rate=60.0, **columns), NONE)
    assert found[100:190].all() and not found[:40].any()


@pytest.mark.parametrize("at", [range(0, 300, 3), range(100, 112)])
def test_a_blinking_lamp_and_a_turn_are_no_pulses(at: range) -> None:
    """A lamp that blinks five times a second leaves every third picture unlike, a hard turn some in a row."""
    assert not pulsed(_unlike(at), NONE).any()


def test_a_tumble_or_a_torn_link_is_no_pulse() -> None:
    """Pictures unlike each other without a beat in what brightens and dims: that time stays in the headline."""
    drift = np.random.default_rng(3).uniform(5.0, 40.0, 300)
    timeline = _unlike(range(100, 145), brightened_percent=drift, dimmed_percent=drift[::-1])
    assert not pulsed(timeline, NONE).any()


def test_a_lost_link_is_no_pulse() -> None:
    """Torn pictures are unlike, too, and are left out; so are those without a picture before."""
    lost = NONE.copy()
    lost[100:190] = True
    assert not pulsed(_unlike(range(100, 190)), lost).any()
    assert not pulsed(timeline_of(1), np.zeros(1, dtype=np.bool_)).any()


def test_a_moment_of_lost_link_in_pulsed_light_loses_that_moment_alone() -> None:
    """A blue screen of three rows does not make torn pictures of all that pulses beside it."""
    timeline = _unlike(range(300))
    for name, value in BLUE.items():
        timeline.values[name][150:153] = value
    lost = link_lost(timeline, Criteria())
    assert lost[150:153].all() and np.count_nonzero(lost) <= 5


def test_the_note_says_for_how_long() -> None:
    """One note over all stretches, none without any; a score made anew from saved results knows it by that."""
    where = NONE.copy()
    where[30:91] = where[150:166] = True
    (note,) = told(_unlike(), where)
    assert note.startswith("for 2.5 s light pulses")
    assert is_told(["another", note]) and not is_told(["another"])
    assert told(_unlike(), NONE) == []


HIDDEN = {"zone_readable_percent": np.nan, "readable_percent": np.nan, "noise_percent": np.nan}


@pytest.mark.parametrize(("start", "judged"), [(200, True), (100, False)])
def test_where_most_of_a_flight_pulses_there_is_no_share(start: int, judged: bool) -> None:
    """What pulses hide is in no share; of a flight that mostly does that no share is made, and the reason names the light."""
    timeline = timeline_of(300, (start, 300, HIDDEN))
    record = replace(record_of(timeline), notes=tuple(told(timeline, np.arange(300) >= start)))
    usable = score_flight(record, Criteria()).usable
    if judged:
        assert usable.share == 1.0
        return
    assert np.isnan(usable.share)
    assert usable.reason is not None and "light pulses" in usable.reason
