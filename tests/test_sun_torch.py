"""A torch lit before a camera that stands is told from the sun, source by source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flight_material import record_of, timeline_of
from sun_material import COLUMNS, ROWS, Luma, evidence, lamp, made, named, sunny

from fieldscore.brightness import newly_taken
from fieldscore.criteria import Criteria
from fieldscore.score import score_flight
from fieldscore.still_dark import dark_and_still
from fieldscore.sun import BRIGHT, LAMP, SUN, bright_stretches

ROOM = made(0.01 + 0.01 * (np.mgrid[:ROWS, :COLUMNS][1] // 40 % 2))  # dark, with something in it
WHITE = np.full((ROWS, COLUMNS), 255, dtype=np.uint8)


def kinds(pictures: list[Luma]) -> list[str]:
    return [one.kind for one in named(pictures)]


def flown_over(count: int, step: int = 15) -> list[Luma]:
    """Dark ground with light patches, flown over."""
    patches = np.random.default_rng(4).uniform(0.0, 0.12, (9, 12))
    ground = made(np.kron(patches, np.ones((20, 20))))
    return [np.roll(ground, step * k, axis=1) for k in range(count)]


def sky(light: float) -> Luma:
    """What sunny() shows without the sun."""
    return made(np.where(np.mgrid[:ROWS, :COLUMNS][0] < 91, light, 0.15 * light))


@pytest.mark.parametrize("looks", [2, 3, 4, 6, 12])
def test_a_torch_that_is_lit_is_not_the_sun(looks: int) -> None:
    """What comes out of the dark and stands is no sun, however short it is lit; one that moves, or is there all the time, is."""
    assert kinds([ROOM] * 4 + [sunny()] * looks) == [BRIGHT]
    assert kinds([ROOM] * 8 + [sunny()] * looks + [ROOM] * 8 + [sunny()] * looks + [ROOM] * 8) == [BRIGHT] * 2
    assert kinds([sunny()] * looks) == [SUN]
    assert kinds([ROOM] * 4 + [sunny(100 + 4 * k) for k in range(max(looks, 3))]) == [SUN]


@pytest.mark.parametrize("second", [110.0, 122.0, 180.0])
def test_each_source_is_told_by_itself(second: float) -> None:
    """Neither another place of the second pulse, nor a lamp elsewhere, nor a sun in flight before makes a lit torch the sun."""
    pulses = [ROOM] * 8 + [sunny(118)] * 8 + [ROOM] * 8 + [sunny(second)] * 8
    assert kinds(pulses) == [BRIGHT] * 2
    assert kinds(pulses + [ROOM] * 8 + [lamp(60.0, 60.0)] * 8) == [BRIGHT, BRIGHT, LAMP]
    flown = [sunny(60 + 4 * k) for k in range(24)]
    assert kinds(flown + flown_over(4) + pulses) == [SUN, BRIGHT, BRIGHT]


def test_a_recording_that_begins_lit() -> None:
    """A torch that is lit from the first picture on is told by how it goes out."""
    assert kinds([sunny()] * 6 + [ROOM] * 8 + [sunny()] * 8 + [ROOM] * 8) == [BRIGHT] * 2
    assert kinds([sunny()] * 6 + flown_over(8)) == [SUN]
    assert kinds([sunny()] * 6 + [lamp(220.0, 60.0)] * 8) == [SUN, LAMP]


def test_the_first_pictures_of_a_torch_may_be_white_or_larger() -> None:
    """Before the exposure closes a torch is larger and elsewhere, and all of the picture may be white."""
    assert kinds([ROOM] * 4 + [sunny(110, core=20)] + [sunny()] * 8) == [BRIGHT]
    assert kinds([ROOM] * 4 + [WHITE] + [sunny()] * 8) == [BRIGHT]


def test_a_torch_in_a_hand_is_no_sun() -> None:
    """One that sways by a pixel to either side stands."""
    assert kinds([ROOM] * 4 + [sunny(120.0 + k % 2) for k in range(12)]) == [BRIGHT]


@pytest.mark.parametrize("looks", [2, 3, 12])
def test_a_sun_that_stands_in_flight_is_the_sun(looks: int) -> None:
    """Before it comes, and after it is gone, dark ground is flown over: the camera did not stand, however still it is held."""
    assert kinds([*flown_over(4), *[sunny()] * looks, *flown_over(4)]) == [SUN]


def test_a_sun_that_a_cloud_uncovers_is_the_sun() -> None:
    """Before a camera that stands the sky is there before the sun comes out, and most of its light stays."""
    assert kinds([sky(0.15)] * 3 + [sunny()] * 40) == [SUN]
    assert kinds([sunny()] * 6 + [sky(0.15)] * 8 + [sunny()] * 8) == [SUN] * 2
    assert kinds([sky(0.11)] * 3 + [sunny()] * 8) == [SUN]
    assert kinds([sky(0.08)] * 3 + [sunny()] * 8) == [BRIGHT]


BLUE = np.full((ROWS, COLUMNS), 29, dtype=np.uint8)


@pytest.mark.parametrize("lost", [0 * ROOM, BLUE, *flown_over(1)])
@pytest.mark.parametrize(("before", "after"), [(4, 0), (0, 4), (24, 24), (3, 2)])
def test_what_the_link_shows_beside_the_sun_does_not_make_it_a_torch(lost: Luma, before: int, after: int) -> None:
    """A black or blue screen, or a frozen picture, is no camera that stood in the dark; the same pictures taken anew are."""
    shown = [lost] * 4 + [sunny()] * before + [lost] * 6 + [sunny()] * after + [lost] * 4
    new = np.array([one is not lost for one in shown])
    told = bright_stretches(evidence(shown), 1.0, "srgb", new=new)
    assert {one.kind for one in told} == {SUN}
    assert set(kinds(shown)) == {BRIGHT}
    if lost is not BLUE:
        slow = [one for one in flown_over(6) for _ in range(2)] + [sunny()] * 8  # under four pictures a second
        assert bright_stretches(evidence(slow), 1.0, "srgb", new=np.arange(20) % 2 == 0)[0].kind == SUN


def test_small_pictures_that_the_camera_took_anew() -> None:
    """One of the link's, or one since which there are repeats alone, is none; one repeat among others changes nothing."""
    rate, picture_s = 30.0, np.round(np.arange(8) / 4.0 + 1e-4, 3)
    repeated = np.zeros(60)
    repeated[[3, 20]] = 1.0
    repeated[23:31] = 1.0  # all after the small picture at 0.75 s
    lost = np.zeros(60, dtype=np.bool_)
    lost[44:50] = True  # with that at 1.5 s in it
    timeline = timeline_of(60, repeated=repeated, rate=rate)
    assert np.flatnonzero(~newly_taken(timeline, picture_s)).tolist() == [4]
    assert np.flatnonzero(~newly_taken(timeline, picture_s, lost)).tolist() == [4, 6]


def test_a_link_lost_in_a_flight_does_not_hide_its_sun() -> None:
    """A flight whose screen is blue before the sun has a sun; one whose picture is as dark before a camera that stands has none."""
    pictures = [sunny()] * 12 + [BLUE] * 8 + [sunny()] * 20
    flight = timeline_of(300, (90, 150, {"spread_codes": 0.5, "colour_codes": 90.0}))
    kinds_of = []
    for timeline in (flight, timeline_of(300)):
        record = record_of(timeline)
        seen = replace(evidence(pictures), histogram=record.evidence.histogram)
        kinds_of.append({one.kind for one in score_flight(replace(record, evidence=seen), Criteria()).lamps.lights})
    assert kinds_of == [{SUN}, {BRIGHT}]


@pytest.mark.parametrize(
    ("change", "still"),
    [(0, True), (1, True), (3, False)],
)
def test_pictures_are_alike_where_the_camera_stands(change: int, still: bool) -> None:
    """Noise and another exposure leave two pictures alike, a shift by a hundredth of the width does not."""
    rng = np.random.default_rng(2)
    scene = flown_over(1)[0] / 2.0
    pair = [
        np.clip(gain * np.roll(scene, shift, axis=1) + rng.normal(scale=8.0, size=scene.shape) + 20.0, 0, 255).astype(
            np.uint8
        )
        for gain, shift in ((1.0, 0), (1.6, change))
    ]
    place = ((0.6, 0.4), 0.2)
    assert dark_and_still(pair, *place, darkest_code=120.0) is still
    assert dark_and_still(pair[::-1], *place, darkest_code=120.0) is still


def test_both_of_two_neighbours_are_dark_at_the_place() -> None:
    """A picture that is bright there, or not there, makes no pair, and two that are apart are none."""
    lit = ROOM.copy()
    lit[76:84, 121:129] = 60  # too small to make two pictures unlike
    place = ((125.0 / ROWS, 80.0 / ROWS), 0.02)
    assert dark_and_still([lit, ROOM, ROOM], *place, darkest_code=50.0)
    assert not dark_and_still([ROOM, lit, ROOM], *place, darkest_code=50.0)
    assert not dark_and_still([ROOM, None, ROOM], *place, darkest_code=50.0)
    assert dark_and_still([lit, lit], *place, darkest_code=60.0)
    assert not dark_and_still([ROOM], *place, darkest_code=50.0)
    assert not dark_and_still([ROOM, ROOM], (1.6, 0.5), 0.002, darkest_code=50.0)  # beyond the edge no place is dark


@pytest.mark.parametrize(("left_codes", "still"), [(3.6, True), (4.5, False)])
def test_what_two_pictures_may_differ_by(left_codes: float, still: bool) -> None:
    """Areas that differ by less than four codes in the spread are alike, by more they are not."""
    rng = np.random.default_rng(6)
    scene = rng.uniform(40.0, 120.0, (24, 32))
    change = rng.normal(size=(24, 32))
    other = scene + left_codes * change / change.std()
    pair = [np.round(np.kron(one, np.ones((8, 8)))).astype(np.uint8) for one in (scene, other)]
    assert dark_and_still(pair, (0.6, 0.4), 0.2, darkest_code=140.0) is still


def test_how_long_before_a_source_and_how_far_about_it_is_looked() -> None:
    """What stood dark four pictures before says nothing, nor does a thing as small as the core that is dark in a lit sky."""
    assert kinds([ROOM] * 2 + flown_over(2) + [sunny()] * 8) == [SUN]
    row, column = np.mgrid[:ROWS, :COLUMNS]
    pole = sky(0.15).copy()
    pole[np.hypot(column - 120, row - 70) <= 22] = 5
    assert kinds([pole] * 4 + [sunny()] * 8) == [SUN]
