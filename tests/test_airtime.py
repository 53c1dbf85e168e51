"""When the drone flew, from tables made by hand."""

from __future__ import annotations

import numpy as np
import pytest
from flight_material import DARK, GROUND, RATE, SNOW, record_of, timeline_of

from fieldscore.airtime import airtime, exposure_speed
from fieldscore.criteria import Criteria
from fieldscore.events import link_lost
from fieldscore.report import flight_json
from fieldscore.report.assumed import assumed
from fieldscore.report.summary import plain_verdict
from fieldscore.report.words import seconds
from fieldscore.score import CAUSES, score_flight
from fieldscore.timeline import Timeline

CRITERIA = Criteria()
FRAME_S = 1 / RATE


def found_airtime(timeline: Timeline) -> tuple[float, float, str]:
    found = airtime(timeline, CRITERIA, link_lost(timeline, CRITERIA))
    return found.from_s, found.to_s, found.how


def test_standing_on_the_ground_is_no_airtime() -> None:
    """Ground for 3 s, flight for 10 s, ground for 3 s: the ends are found to a tenth of a second."""
    found = found_airtime(timeline_of(480, (0, 90, GROUND), (390, 480, GROUND)))
    assert found == (pytest.approx(3.0, abs=0.1), pytest.approx(13.0, abs=0.1), "motion")


def test_a_knock_starts_no_flight() -> None:
    """A hand at the drone for 0.4 s, a second before take-off, does not move the start."""
    knocked = timeline_of(480, (0, 90, GROUND), (40, 52, {"motion_percent": 60.0}), (390, 480, GROUND))
    assert found_airtime(knocked)[0] == pytest.approx(3.0, abs=0.1)


@pytest.mark.parametrize("short", [(0, 0), (100, 115)])
def test_no_sustained_motion_is_the_whole_clip(short: tuple[int, int]) -> None:
    """A bench clip has no take-off: all of it is taken, and it is said so."""
    still = timeline_of(300, (0, 300, GROUND), (*short, {"motion_percent": 30.0}))
    assert found_airtime(still) == (0.0, pytest.approx(299 * FRAME_S, abs=1e-6), "whole clip")


def test_light_that_moves_is_no_flight() -> None:
    """A standing camera seems to move while its exposure goes by 4 stops a second after a torch; a hunting flight still flies."""
    exposure = np.interp(np.arange(300) / 30.0, (3.0, 4.5), (0.0, -6.0))
    torch = timeline_of(300, (0, 300, GROUND), (90, 135, {"motion_percent": 28.0}), exposure_stops=exposure)
    assert found_airtime(torch) == (0.0, pytest.approx(299 * FRAME_S, abs=1e-6), "whole clip")
    assert found_airtime(timeline_of(300, (0, 300, GROUND), (90, 135, {"motion_percent": 28.0})))[2] == "motion"


@pytest.mark.parametrize(("stops", "period_s"), [(0.5, 1.2), (1.0, 0.6), (1.0, 1.0), (2.0, 1.0), (1.0, 2.0)])
def test_a_slow_flight_that_hunts_still_flies(stops: float, period_s: float) -> None:
    """An exposure that swings there and back takes nothing from a flight at 15 % of the picture's height a second."""
    hunting = stops / 2.0 * np.sin(2.0 * np.pi * np.arange(480) / 30.0 / period_s)
    flown = timeline_of(
        480, (0, 480, {"motion_percent": 15.0}), (0, 90, GROUND), (390, 480, GROUND), exposure_stops=hunting
    )
    assert found_airtime(flown)[:2] == (pytest.approx(3.0, abs=0.15), pytest.approx(13.0, abs=0.15))


def rolling(rows: int, period: int) -> tuple[np.ndarray, np.ndarray]:
    """Motion and its change, in %/s, of a standing camera under lamps whose bands are back after so many rows."""
    noise = np.random.default_rng(3).normal(0.0, 0.5, (2, rows))
    row = np.arange(rows) % period
    speed = np.array([12.0, 29.0, 13.5, 20.0, 16.0])[row]
    change = np.array([14.0, 39.0, 38.0, 31.0, 33.0])[row]
    return speed + noise[0], change + noise[1]


@pytest.mark.parametrize("period", [3, 5])
def test_standing_under_lamps_that_beat_is_no_flight(period: int) -> None:
    """Bands that roll over the picture move it by 12 to 29 %/s, but come back with the beat and go nowhere."""
    speed, change = rolling(480, period)
    flown = timeline_of(480, motion_percent=speed, motion_change_percent=change)
    rng = np.random.default_rng(5)
    flown.values["motion_percent"][90:390] = 40.0 + rng.normal(0.0, 4.0, 300)
    flown.values["motion_change_percent"][90:390] = 20.0
    assert found_airtime(flown) == (pytest.approx(3.0, abs=0.2), pytest.approx(13.0, abs=0.2), "motion")


def test_a_flight_under_lamps_that_beat_is_airtime() -> None:
    """What the bands add to its motion comes back with the beat, but it goes on."""
    speed, _ = rolling(480, 3)
    flown = timeline_of(480, motion_percent=speed + 20.0, motion_change_percent=20.0)
    assert found_airtime(flown) == (pytest.approx(0.0, abs=0.1), pytest.approx(16.0, abs=0.1), "motion")


@pytest.mark.parametrize("held", [0.2, 0.7])
def test_a_flight_whose_pictures_are_held_is_airtime(held: float) -> None:
    """Twenty pictures a second in a recording of thirty: every third row stands still but for noise, which is no beat."""
    row, rng = np.arange(480) % 3, np.random.default_rng(6)
    speed = np.where(row == 2, held, 48.0) + rng.normal(0.0, 0.05, 480)
    change = np.where(row == 0, 48.0, np.where(row == 1, 9.0, 48.0))
    flown = timeline_of(480, (0, 90, GROUND), (390, 480, GROUND), motion_percent=speed, motion_change_percent=change)
    assert found_airtime(flown) == (pytest.approx(3.0, abs=0.35), pytest.approx(13.0, abs=0.35), "motion")


def test_a_flight_whose_pictures_are_shown_twice_is_airtime() -> None:
    """Thirty pictures a second in a recording of sixty, coded anew: every second row stands still."""
    speed = np.where(np.arange(480) % 2, 150.0, 0.2)
    flown = timeline_of(480, (0, 90, GROUND), (390, 480, GROUND), motion_percent=speed, motion_change_percent=150.0)
    assert found_airtime(flown) == (pytest.approx(3.0, abs=0.2), pytest.approx(13.0, abs=0.2), "motion")


@pytest.mark.parametrize("rate", [1.0, 2.0, 4.0, 6.0, 12.0])
def test_a_knock_starts_no_flight_at_a_few_pictures_a_second(rate: float) -> None:
    """One picture that jumps is no motion that lasts, however few there are."""
    knocked = timeline_of(120, (0, 120, GROUND), (60, 61, {"motion_percent": 200.0}), rate=rate)
    assert found_airtime(knocked)[2] == "whole clip"


@pytest.mark.parametrize("shown", [2, 3])
def test_a_flight_whose_pictures_are_repeated_as_they_are_is_airtime(shown: int) -> None:
    """Repeats say nothing of motion, and what lies between them is known on single rows."""
    again = np.arange(480) % shown > 0
    flown = timeline_of(480, motion_percent=np.where(again, 0.0, 60.0), repeated=again.astype(np.float64))
    assert found_airtime(flown) == (pytest.approx(0.0, abs=0.1), pytest.approx(16.0, abs=0.1), "motion")


def test_a_flight_that_trembles_is_airtime() -> None:
    """Motion that noise or wind turns about from row to row keeps no beat."""
    speed = 20.0 + np.random.default_rng(4).normal(0.0, 6.0, 480)
    flown = timeline_of(480, motion_percent=speed, motion_change_percent=1.7 * speed)
    assert found_airtime(flown) == (pytest.approx(0.0, abs=0.1), pytest.approx(16.0, abs=0.1), "motion")


def test_an_exposure_that_is_not_known_for_a_while_moves_no_faster() -> None:
    """Where the link is lost and the exposure not known, it is taken to go on, and does not seem to drop to nothing and back."""
    lost = timeline_of(300, (120, 180, {"exposure_stops": np.nan}), exposure_stops=1.5)
    assert np.abs(exposure_speed(lost)).max() == pytest.approx(0.0, abs=1e-9)


def test_the_speed_of_an_exposure_needs_times() -> None:
    """One row, or rows of one time, have no speed; it warns of nothing."""
    assert exposure_speed(timeline_of(1)).tolist() == [0.0]
    table = timeline_of(60, exposure_stops=np.arange(60.0))
    same = Timeline(np.where(np.arange(60) < 30, table.time_s, table.time_s[29]), table.values, table.columns)
    assert np.isfinite(exposure_speed(same)).all()


def test_hovering_in_a_flight_is_airtime() -> None:
    """Between the first and the last motion everything counts."""
    hover = timeline_of(600, (0, 60, GROUND), (200, 400, GROUND), (540, 600, GROUND))
    assert found_airtime(hover)[:2] == (pytest.approx(2.0, abs=0.1), pytest.approx(18.0, abs=0.1))


@pytest.mark.parametrize(("rows", "told"), [(80, False), (200, True)])
def test_standing_still_between_is_told(rows: int, told: bool) -> None:
    """A picture that all but stands for 3 s and more within the airtime may be a drone that lies there: when, is told."""
    timeline = timeline_of(600, (200, 200 + rows, {"motion_percent": 1.5}))
    still = airtime(timeline, CRITERIA, link_lost(timeline, CRITERIA)).still
    score = score_flight(record_of(timeline), CRITERIA)
    notes = [note for note in score.notes if note.startswith("the picture stands still")]
    if not told:
        assert still == () and notes == []
        return
    assert still == ((pytest.approx(200 / 30, abs=0.1), pytest.approx(400 / 30, abs=0.1)),)
    (note,) = notes
    assert note.startswith(
        f"the picture stands still from {still[0][0]:.1f} s to {still[0][1]:.1f} s, which is counted as airtime"
    )
    cut = score_flight(record_of(timeline), CRITERIA, to_s=still[0][0])
    assert not [note for note in cut.notes if note.startswith("the picture stands still")]


def test_a_drone_that_lies_there_is_not_in_the_air() -> None:
    """Where nothing moves but noise for 4 s between two flights it lay on the ground: left out of every figure, and told."""
    lies = {**DARK, **GROUND}
    timeline = timeline_of(600, (240, 360, lies), (400, 430, DARK), readable_percent=92.0)
    score = score_flight(record_of(timeline), CRITERIA)
    assert (score.airtime_from_s, score.airtime_to_s) == (0.0, pytest.approx(20.0, abs=0.1))
    assert score.ground_s == pytest.approx(4.0, abs=0.3) and score.airtime_s == pytest.approx(16.0, abs=0.4)
    lost = np.count_nonzero(score.cause == CAUSES.index("too_dark"))
    assert lost == pytest.approx(30, abs=10)  # at most the third of a second at its ends
    assert score.usable.share == pytest.approx(1.0 - lost / np.count_nonzero(score.in_airtime))
    assert score.usable.gaps_per_minute == pytest.approx(60.0 * len(score.gaps) / 16.0, rel=0.03)
    assert not score.in_airtime[250:350].any() and score.in_airtime[[100, 500]].all()
    (note,) = [one for one in score.notes if "on the ground" in one]
    assert note.startswith("the drone lies on the ground from 8.")
    flight = flight_json(score)
    assert flight["airtime"]["ground_s"] == pytest.approx(score.ground_s, abs=1e-3)
    assert f"({seconds(score.usable.share * score.airtime_s)} of {seconds(score.airtime_s)})" in plain_verdict(score)
    assert f"without {seconds(score.ground_s)} on the ground" in str(assumed(score, flight))
    trimmed = score_flight(record_of(timeline), CRITERIA, from_s=1.0)
    assert trimmed.ground_s == score.ground_s and [one for one in trimmed.notes if "on the ground" in one] == [note]
    (lay_s,) = [at for at, _ in airtime(timeline, CRITERIA, np.zeros(len(timeline), dtype=np.bool_)).ground]
    for to_s in (6.0, lay_s + 0.05):
        assert not [
            one for one in score_flight(record_of(timeline), CRITERIA, to_s=to_s).notes if "on the ground" in one
        ]
    asked = score_flight(record_of(timeline), CRITERIA, from_s=0.0, to_s=20.0)
    assert asked.ground_s == 0.0 and asked.in_airtime.all()


@pytest.mark.parametrize(
    "dark",
    [{**DARK, "motion_percent": 0.05, "readable_percent": 3.0}, {"motion_percent": np.nan}],
    ids=["nothing that could move", "motion not known"],
)
def test_a_picture_that_shows_nothing_does_not_lie_on_the_ground(dark: dict[str, float]) -> None:
    """In a black picture nothing moves either: its seconds stay in the headline, whatever motion is read there."""
    timeline = timeline_of(900, (300, 600, dark))
    timeline.values["motion_percent"][300:600:20] = 0.05
    score = score_flight(record_of(timeline), CRITERIA)
    assert score.ground_s == 0.0 and score.in_airtime.all()


def test_only_the_part_that_lies_is_left_out() -> None:
    """Four seconds on the ground and then a slow hover of four: one stretch that stands still, of which half was in the air."""
    timeline = timeline_of(900, (300, 420, GROUND), (420, 540, {"motion_percent": 1.5}))
    assert score_flight(record_of(timeline), CRITERIA).ground_s == pytest.approx(4.0, abs=0.4)


@pytest.mark.parametrize(("rows", "left_out"), [(240, True), (400, False)])
def test_a_bench_clip_that_a_hand_begins_and_ends_keeps_what_it_shows(rows: int, left_out: bool) -> None:
    """A camera that stands for most of the time between two moves of a hand is no flight: all of it counts, and is told."""
    score = score_flight(record_of(timeline_of(600, (100, 100 + rows, GROUND))), CRITERIA)
    assert (score.ground_s > 0.0) is left_out
    assert any(note.startswith("the picture stands still") for note in score.notes) is not left_out


@pytest.mark.parametrize("pictures", [15, 20, 24, 25, 30, 60])
@pytest.mark.parametrize("lies", [False, True])
def test_a_flight_of_pictures_shown_again_does_not_stand_still(pictures: int, lies: bool) -> None:
    """So many pictures a second in sixty rows, each row with noise of its own: only where the drone lies it stands still."""
    row = np.arange(1200)
    new = row * pictures // 60 != (row - 1) * pictures // 60
    flown = ((row >= 120) & (row < 1080)) & ~((row >= 480) & (row < 720) & lies)
    timeline = timeline_of(1200, motion_percent=np.where(new & flown, 20.0 * 60 / pictures, 0.3), rate=60.0)
    found = airtime(timeline, CRITERIA, link_lost(timeline, CRITERIA))
    assert (found.from_s, found.to_s) == (pytest.approx(2.0, abs=0.25), pytest.approx(18.0, abs=0.25))
    assert found.still == (((pytest.approx(8.0, abs=0.25), pytest.approx(12.0, abs=0.25)),) if lies else ())


@pytest.mark.parametrize(
    "unseen", [{"motion_percent": np.nan}, {**SNOW, "motion_percent": 90.0}], ids=["dark", "link lost"]
)
def test_what_is_not_seen_does_not_stand_still(unseen: dict[str, float]) -> None:
    """A drone that slows down before nothing is seen for ten seconds is not told to lie there."""
    timeline = timeline_of(900, (280, 301, GROUND), (301, 600, unseen))
    assert airtime(timeline, CRITERIA, link_lost(timeline, CRITERIA)).still == ()


def test_a_slow_flight_while_the_exposure_moves_does_not_stand_still() -> None:
    """Motion that the exposure may pass for is no proof of standing still either."""
    exposure = np.interp(np.arange(900) / 30.0, (10.0, 18.0), (0.0, -8.0))
    timeline = timeline_of(900, (300, 540, {"motion_percent": 8.0}), exposure_stops=exposure)
    assert airtime(timeline, CRITERIA, link_lost(timeline, CRITERIA)).still == ()


def test_bands_of_light_do_not_stand_still() -> None:
    """Where motion only beats, as under lamps that flicker, it is not known whether the picture stands."""
    rows = np.arange(900)
    beat = np.where(rows % 3 == 0, 12.0, np.where(rows % 3 == 1, 30.0, 20.0))
    inside = (rows >= 300) & (rows < 540)
    timeline = timeline_of(
        900, motion_percent=np.where(inside, beat, 60.0), motion_change_percent=np.where(inside, 45.0, 5.0)
    )
    assert airtime(timeline, CRITERIA, link_lost(timeline, CRITERIA)).still == ()


def test_the_longest_of_several_stands_is_told() -> None:
    """Two landings within the airtime: the longer one's times, and that there are two."""
    sways = {"motion_percent": 1.5}
    timeline = timeline_of(900, (100, 200, sways), (400, 600, sways))
    score = score_flight(record_of(timeline), CRITERIA)
    (note,) = [note for note in score.notes if note.startswith("the picture stands still")]
    assert "from 13.4 s to 19.9 s, the longest of 2 such stretches, which" in note


def test_a_flight_goes_on_where_motion_cannot_be_told() -> None:
    """Darkness or snow until the end of the clip does not land the drone; before the first motion it is no flight."""
    dark = {"motion_percent": np.nan}
    found = found_airtime(timeline_of(480, (0, 60, dark), (60, 90, GROUND), (390, 480, dark)))
    assert found[:2] == (pytest.approx(3.0, abs=0.1), pytest.approx(479 * FRAME_S, abs=1e-5))


def test_motion_of_snow_is_no_motion() -> None:
    """What registration makes of snow on the ground starts no flight."""
    snow = {**SNOW, "motion_percent": 90.0}
    found = found_airtime(timeline_of(600, (0, 240, GROUND), (60, 180, snow), (480, 600, GROUND)))
    assert found[0] == pytest.approx(8.0, abs=0.1)


def test_a_lost_frame_in_the_times_changes_nothing() -> None:
    """The ends are found in seconds, not in rows, where the clip has a hole."""
    table = timeline_of(480, (0, 90, GROUND), (390, 480, GROUND))
    keep = np.ones(480, dtype=np.bool_)
    keep[200:215] = False
    holed = Timeline(table.time_s[keep], {n: v[keep] for n, v in table.values.items()}, table.columns)
    assert found_airtime(holed)[:2] == (pytest.approx(3.0, abs=0.1), pytest.approx(13.0, abs=0.1))


def test_one_row_is_its_own_airtime() -> None:
    """A clip of one frame does not fall over."""
    assert found_airtime(timeline_of(1)) == (0.0, 0.0, "whole clip")
