"""Lamps followed from look to look, on made sources of known paths."""

from __future__ import annotations

import numpy as np
import pytest
from frame_material import area_of, frame_of

from fieldscore.lamp_tracks import LampRows, follow
from fieldscore.measures.lamps import EVENLY, NONE, SOURCE, SURE

EVERY_S = 0.1
Path = tuple[float, float, float, float, float]  # right, down; the same a second; radius


def at(path: Path, time_s: float, sign: float) -> tuple[float, float, float, float]:
    """A source on its way."""
    right, down, along, fall, radius = path
    return right + along * time_s, down + fall * time_s, radius, sign


def looks_of(count: int, *ways: tuple[Path, dict[int, float], float]) -> tuple[np.ndarray, list[np.ndarray]]:
    """Times and sources of `count` looks: paths with the sign in some looks (None: not seen) and in all others."""
    time_s = EVERY_S * np.arange(count)
    looks = []
    for look, now_s in enumerate(time_s.tolist()):
        seen = [(path, some.get(look, usual)) for path, some, usual in ways]
        looks.append(np.array([at(path, now_s, sign) for path, sign in seen if sign is not None], dtype=SOURCE))
    return time_s, looks


ACROSS: Path = (-0.5, -0.1, 0.4, 0.0, 0.01)


def test_a_lamp_is_one_lamp_all_its_way() -> None:
    """A lamp that does not look like one in a third of the looks, and is hidden in two, is one lamp from its first to its last."""
    time_s, looks = looks_of(24, (ACROSS, {3: NONE, 4: NONE, 10: NONE, 11: NONE, 12: None, 13: None, 20: NONE}, EVENLY))
    (lamp,) = follow(time_s, looks)
    assert list(lamp.looks) == [look for look in range(24) if look not in (12, 13)]


@pytest.mark.parametrize("often", [1, 2])
def test_what_looks_like_a_lamp_now_and_then_is_none(often: int) -> None:
    """A white post that looks like a lamp in one or two of six looks is no lamp."""
    some = {look: SURE for look in range(24) if look % 6 < often}
    assert follow(*looks_of(24, (ACROSS, some, NONE))) == []


def test_a_moment_is_not_enough() -> None:
    """Two looks of twenty do not show that a source is a lamp; two are enough in a flight that has no more."""
    time_s, looks = looks_of(20, (ACROSS, {}, SURE))
    assert follow(time_s, looks[:2] + [np.zeros(0, dtype=SOURCE)] * 18) == []
    assert len(follow(time_s[:2], looks[:2])) == 1


@pytest.mark.parametrize(("near", "lamps"), [(EVENLY, 1), (NONE, 0)])
def test_what_is_near_says_more_than_a_dot_in_the_distance(near: float, lamps: int) -> None:
    """Twenty looks at a dot that grows and ten at what it has become, ten times as large: the ten say what it is."""
    far = NONE if lamps else EVENLY
    time_s, looks = looks_of(30, (ACROSS, dict.fromkeys(range(20, 30), near), far))
    for number, one in enumerate(looks):
        one["radius"] = 0.002 * 10.0 ** min(number / 20.0, 1.0)
    assert len(follow(time_s, looks)) == lamps


def test_looks_that_show_nothing_have_no_say() -> None:
    """Where overlay hides what is around a lamp it is followed all the same, and those looks count neither way."""
    unknown = dict.fromkeys(range(8, 20), float("nan"))
    (lamp,) = follow(*looks_of(24, (ACROSS, unknown, SURE)))
    assert len(lamp.looks) == 24
    assert follow(*looks_of(24, (ACROSS, {0: SURE, 1: SURE}, float("nan")))) == []


def test_lamps_that_cross_stay_themselves() -> None:
    """Two lamps that pass each other, one near and one far, keep their own radius and way."""
    back: Path = (0.5, -0.09, -0.4, 0.0, 0.012)
    lamps = follow(*looks_of(25, (ACROSS, {}, SURE), (back, {}, SURE)))
    assert [len(one.looks) for one in lamps] == [25, 25]
    assert sorted(round(float(np.mean(one.radius)), 3) for one in lamps) == [0.01, 0.012]
    assert all(np.ptp(one.radius) < 1e-6 for one in lamps)


@pytest.mark.parametrize(("gone", "lamps"), [(4, 1), (8, 2)])
def test_a_lamp_that_is_gone_for_long_is_another(gone: int, lamps: int) -> None:
    """Unseen for half a second and where it is expected a lamp is the same; for nine tenths, another."""
    assert len(follow(*looks_of(40, (ACROSS, dict.fromkeys(range(15, 15 + gone), None), SURE)))) == lamps


@pytest.mark.parametrize("others", [0, 2])
def test_a_turn_moves_all_alike(others: int) -> None:
    """In a fast turn a lamp that comes into view is followed as those in view say how all moves; without them it is not."""
    along = np.cumsum([0.0, 0.05, 0.09, 0.13, *[0.15] * 8])
    looks = []
    for look, moved in enumerate(along.tolist()):
        seen = [(-0.9 + 0.3 * k + moved, -0.3 + 0.2 * k, 0.008, SURE) for k in range(others)]
        seen += [(-1.9 + moved, -0.1, 0.008, SURE)] if look >= 5 else []
        looks.append(np.array(seen, dtype=SOURCE))
    lamps = follow(EVERY_S * np.arange(len(along)), looks)
    assert [len(one.looks) for one in lamps] == ([12, 12, 7] if others else [])


def test_the_nearest_in_place_and_size_goes_on() -> None:
    """Of two sources within reach of where a lamp is expected the nearer one is it, and of two as near the one of its size."""
    lamp: Path = (0.0, 0.0, 0.1, 0.0, 0.01)
    for beside in ((0.018, 0.0, 0.1, 0.0, 0.01), (0.0, 0.004, 0.1, 0.0, 0.022)):
        ways = [(lamp, {}, SURE), (beside, dict.fromkeys(range(6), None), NONE)]
        for order in (ways, ways[::-1]):
            (found,) = follow(*looks_of(12, *order))
            assert list(found.looks) == list(range(12))
            assert np.ptp(found.radius) < 1e-6
            assert found.place == pytest.approx([0.11, 0.0], abs=1e-6)


def test_a_source_of_another_size_is_another() -> None:
    """A source three times as large where a lamp was a look before is another one; one half as large again is the same."""
    for times, expected in ((3.0, [6, 6]), (1.5, [12])):
        small, large = ((-0.3, -0.1, 0.2, 0.0, 0.01 * one) for one in (1.0, times))
        gone, there = dict.fromkeys(range(6, 12), None), dict.fromkeys(range(6), None)
        assert [len(one.looks) for one in follow(*looks_of(12, (small, gone, SURE), (large, there, SURE)))] == expected


def test_slow_pictures_have_lamps() -> None:
    """A flight with a picture a second has a lamp that is in each of them, however long that is between two."""
    time_s, looks = looks_of(8, ((0.1, -0.1, 0.0, 0.0, 0.01), {}, SURE))
    (lamp,) = follow(10.0 * time_s, looks)
    assert len(lamp.looks) == 8


def test_a_pause_parts_what_is_before_and_after() -> None:
    """A lamp before a pause of five seconds and what is elsewhere in the picture after it are not one."""
    before, after = (-0.8, -0.3, 0.0, 0.0, 0.01), (0.8, 0.3, 0.0, 0.0, 0.01)
    gone = dict.fromkeys(range(20), None), dict.fromkeys(range(20, 40), None)
    time_s, looks = looks_of(40, (before, gone[1], SURE), (after, gone[0], NONE))
    (lamp,) = follow(np.where(time_s > 1.95, time_s + 5.0, time_s), looks)
    assert list(lamp.looks) == list(range(20))


def test_a_few_looks_do_not_speak_for_a_hundred() -> None:
    """A window that shows nothing of itself for a minute is no lamp for three looks that say so; a fifth of them are enough."""
    unknown = float("nan")
    still: Path = (0.1, -0.1, 0.0, 0.0, 0.02)
    assert follow(*looks_of(40, (still, dict.fromkeys(range(7), SURE), unknown))) == []
    assert len(follow(*looks_of(40, (still, dict.fromkeys(range(8), SURE), unknown)))) == 1


def test_columns_count_and_number_lamps() -> None:
    """Each look stands until the next; a lamp hidden for a look is counted and its radius is between; the largest is numbered."""
    rows = LampRows()
    near: Path = (0.2, -0.1, 0.0, 0.0, 0.02)
    time_s, looks = looks_of(10, (ACROSS, {}, SURE), (near, {0: None, 1: None, 5: None, 9: None}, SURE))
    for look, found in enumerate(looks):
        rows._firsts.append(3 * look)
        rows._times.append(float(time_s[look]))
        rows._counts.append(len(found))
        rows._spool.write(found.tobytes())
    rows._rows = 30
    count, radius, number = rows.columns().T
    rows.close()
    assert count.tolist() == [1.0] * 6 + [2.0] * 21 + [1.0] * 3
    assert radius == pytest.approx([1.0] * 6 + [2.0] * 21 + [1.0] * 3)
    assert number.tolist() == [1.0] * 6 + [2.0] * 21 + [1.0] * 3


def test_a_picture_that_is_held_is_one_look() -> None:
    """Frames held to one picture add rows and no look; without any lamp the count is zero, the rest is not known."""
    rows = LampRows()
    frame = frame_of(np.full((480, 640), 30, np.uint8), area_of())
    for _ in range(5):
        rows.add(frame)
    assert len(rows._times) == 1
    count, radius, number = rows.columns().T
    rows.close()
    assert count.tolist() == [0.0] * 5
    assert np.isnan(radius).all() and np.isnan(number).all()
