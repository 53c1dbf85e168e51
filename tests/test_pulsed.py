"""Lamps that pulse so deeply that pictures are unlike each other: what cannot be told there, and what can."""

from __future__ import annotations

import numpy as np
import pytest
from flight_material import BLUE, record_of, timeline_of

from fieldscore.criteria import Criteria
from fieldscore.errors import NotMeasurableError
from fieldscore.events import link_lost
from fieldscore.pulsed import pulsed, told
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
    """One note over all stretches, none without any."""
    where = NONE.copy()
    where[30:91] = where[150:166] = True
    (note,) = told(_unlike(), where)
    assert note.startswith("for 2.5 s light pulses")
    assert told(_unlike(), NONE) == []


def _pulsing(*at: range, also: tuple[tuple[int, int, dict[str, object]], ...] = (), **columns: object) -> Timeline:
    """A flight whose pictures pulse in these rows, two of three unlike the one before; `also` is changed in it."""
    likeness = np.full(300, 0.97)
    for rows in at:
        likeness[[row for row in rows if row % 3]] = 0.5
    beat = {"brightened_percent": BANDS, "dimmed_percent": BANDS, "motion_change_percent": 120.0}
    return timeline_of(300, *also, likeness=likeness, **beat, **columns)


@pytest.mark.parametrize("column", ["clipped_percent", "level_percent"])
def test_blown_and_black_pictures_of_pulsed_light_are_in_no_share(column: str) -> None:
    """A pulse blows one picture of three and leaves another black: all of it is left out, as the note says."""
    changed = np.where(
        np.arange(300) % 3 == 0, 99.0 if column == "clipped_percent" else 0.0, 40.0 if "level" in column else 0.0
    )
    part = np.where((np.arange(300) >= 100) & (np.arange(300) < 190), changed, 40.0 if "level" in column else 0.0)
    usable = score_flight(record_of(_pulsing(range(100, 190), **{column: part})), Criteria()).usable
    assert usable.share == 1.0
    assert not any(usable.lost_by_cause.values())


def test_what_pulses_hide_is_not_filled_from_beside_it() -> None:
    """Frames that are left out are so to the last one, though others beside them are known."""
    score = score_flight(record_of(_pulsing(range(100, 160))), Criteria())
    where = pulsed(score.record.timeline, NONE)
    assert where.sum() > 60 and not score.usable_mask[where].any()


@pytest.mark.parametrize(("start", "judged"), [(200, True), (100, False)])
def test_where_most_of_a_flight_pulses_there_is_no_share(start: int, judged: bool) -> None:
    """Of a flight that mostly pulses no share is made, and the reason names the light."""
    usable = score_flight(record_of(_pulsing(range(start, 300))), Criteria()).usable
    if judged:
        assert usable.share == 1.0
        return
    assert np.isnan(usable.share)
    assert usable.reason is not None and "light pulses" in usable.reason


def test_a_lost_link_does_not_make_up_for_pulses() -> None:
    """Where most of what the camera sent pulses there is no share, however much was lost besides."""
    usable = score_flight(record_of(_pulsing(range(120), also=((170, 300, BLUE),))), Criteria()).usable
    assert np.isnan(usable.share)


def test_a_second_of_pulses_does_not_speak_for_the_rest() -> None:
    """A flight of which little can be judged, for other reasons, has its share; an empty stretch of it is an error as ever."""
    even = {"zone_readable_percent": np.nan, "readable_percent": np.nan}
    record = record_of(_pulsing(range(20, 50), also=((100, 300, even),)))
    assert score_flight(record, Criteria()).usable.share == 1.0
    with pytest.raises(NotMeasurableError, match="no frame to judge"):
        score_flight(record, Criteria(), from_s=6.0, to_s=9.0)


@pytest.mark.parametrize("rate", [25.0, 30.0, 60.0])
@pytest.mark.parametrize("pattern", ["BBBTTT", "BBBTT", "BBBBTT"])
def test_a_link_that_comes_and_goes_at_a_beat_is_lost(rate: float, pattern: str) -> None:
    """Blue and torn pictures in turn are no light that beats, however regular."""
    rng, rows = np.random.default_rng(5), np.arange(int(12 * rate))
    bad = (rows >= 4 * rate) & (rows < 8 * rate)
    turn = (rows - bad.argmax()) % len(pattern)
    torn, blue = (bad & (np.array(list(pattern))[turn] == kind) for kind in "TB")
    first = np.where(turn == 0, "B", np.where(turn == pattern.index("T"), "T", ""))
    shares = {}
    for name, to_blue, from_blue in (("brightened_percent", 12.0, 75.0), ("dimmed_percent", 75.0, 12.0)):
        shares[name] = np.where(
            bad, np.where(torn, rng.uniform(5.0, 40.0, rows.size), 0.0), rng.uniform(0.0, 3.0, rows.size)
        )
        for kind, much in (("B", to_blue), ("T", from_blue)):
            shares[name] = np.where(bad & (first == kind), much + rng.normal(0.0, 4.0, rows.size), shares[name])
    likeness = np.where(torn, 0.3, np.where(bad & (first == "B"), 0.05, np.where(blue, np.nan, 0.96)))
    change = np.where(bad, 120.0, 40.0)
    timeline = timeline_of(rows.size, rate=rate, likeness=likeness, motion_change_percent=change, **shares)
    for name, value in BLUE.items():
        if name != "likeness":
            timeline.values[name][blue] = value
    lost = link_lost(timeline, Criteria())
    assert np.count_nonzero(lost[torn]) >= 0.9 * np.count_nonzero(torn)
    assert not pulsed(timeline, lost)[torn].any()
