"""Lamps that pulse so deeply that pictures are unlike each other: what cannot be told there, and what can."""

from __future__ import annotations

import numpy as np
import pytest
from flight_material import NOISY, record_of, timeline_of

from fieldscore.causes import causes
from fieldscore.criteria import Criteria
from fieldscore.pulsed import pulsed, told
from fieldscore.score import score_flight
from fieldscore.scorecard import CAUSES
from fieldscore.timeline import Timeline

BANDS = np.tile([19.4, 16.4, 13.2], 100)
NONE = np.zeros(300, dtype=np.bool_)


def _unlike(*at: range, rate: float = 30.0, **columns: object) -> Timeline:
    likeness = np.full(300, 0.97)
    for rows in at:
        likeness[rows.start : rows.stop : rows.step] = 0.5
    return timeline_of(300, rate=rate, likeness=likeness, motion_change_percent=120.0, **columns)


def test_two_unlike_pictures_in_three_are_pulses_and_what_is_near_them() -> None:
    """Of three seconds that pulse all is told, and half a second or so to both sides; where nothing does, nothing."""
    found = pulsed(_unlike(range(100, 190, 3), range(101, 190, 3)), NONE)
    assert found[100:190].all()
    assert not found[:70].any() and not found[220:].any()
    assert not pulsed(_unlike(), NONE).any()


@pytest.mark.parametrize("at", [range(0, 300, 3), range(100, 112)])
def test_a_blinking_lamp_and_a_turn_are_no_pulses(at: range) -> None:
    """A lamp that blinks five times a second leaves every third picture unlike, a hard turn some in a row."""
    assert not pulsed(_unlike(at), NONE).any()


def test_a_lost_link_is_no_pulse() -> None:
    """Torn pictures are unlike, too, and are left out; so are those without a picture before."""
    lost = NONE.copy()
    lost[100:190] = True
    assert not pulsed(_unlike(range(100, 190)), lost).any()
    assert not pulsed(timeline_of(1), np.zeros(1, dtype=np.bool_)).any()


def test_the_note_says_for_how_long() -> None:
    """One note over all stretches, none without any."""
    where = NONE.copy()
    where[30:91] = where[150:166] = True
    (note,) = told(_unlike(), where)
    assert note.startswith("for 2.5 s light pulses")
    assert told(_unlike(), NONE) == []


def test_what_pulses_hide_is_not_judged() -> None:
    """Under pulses only a lost link is told; before and after them noise is noise."""
    timeline = _unlike(range(100, 190), **NOISY)
    lost = NONE.copy()
    lost[90:95] = True
    cause, judged = causes(record_of(timeline), Criteria(), lost)
    assert judged[90:95].all() and (cause[90:95] == CAUSES.index("link_lost")).all()
    assert not judged[100:190].any() and (cause[100:190] < 0).all()
    for rows in (slice(0, 70), slice(220, 300)):
        assert judged[rows].all() and (cause[rows] == CAUSES.index("noisy")).all()


def test_a_clip_that_pulses_all_over_has_no_usable_share() -> None:
    """It is null, and its reason names the light, not the pictures."""
    usable = score_flight(
        record_of(_unlike(range(300), brightened_percent=BANDS, dimmed_percent=BANDS)), Criteria()
    ).usable
    assert np.isnan(usable.share)
    assert usable.reason is not None and "light pulses" in usable.reason
