"""Alignment of two flights: speed, pauses, parts, gaps, turns and sizes; foreign flights are refused."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import lru_cache
from itertools import permutations

import numpy as np
import numpy.typing as npt
import pytest

from fieldscore import align as module
from fieldscore.align import Alignment, Match, align, align_all, best_match, borne_out
from fieldscore.likeness import GRID, find_size, likeness, sampling
from fieldscore.record import Places
from fieldscore.warping import Band

Doubles = npt.NDArray[np.float64]
STEP_S = 0.1
ROWS, COLUMNS = 24, 32
BIG = (48, 64)  # a world picture has a margin, so that it can be cut and turned


@lru_cache(maxsize=4)
def _world(seed: int, places: int = 420) -> npt.NDArray[np.float32]:
    """Pictures [places, 48, 64] along a route: smooth in the picture, and from one place to the next over about 5."""
    generator = np.random.default_rng(seed)
    shape = (places, *BIG)
    first, second, across = np.fft.fftfreq(places), np.fft.fftfreq(BIG[0]), np.fft.rfftfreq(BIG[1])
    radius = np.hypot(second[:, None], across[None, :])
    gain = np.exp(-0.5 * (first[:, None, None] / 0.05) ** 2) * (np.exp(-0.5 * (radius / 0.12) ** 2))[None]
    pictures = np.fft.irfftn(np.fft.rfftn(generator.standard_normal(shape)) * gain, s=shape, axes=(0, 1, 2))
    return np.asarray(pictures / pictures.std(), dtype=np.float32)


def _flight(
    at: Doubles, seed: int = 1, *, noise: float = 0.3, noise_seed: int = 9, zoom: float = 1.0, turn_deg: float = 0.0
) -> Places:
    """A flight that is at the places `at` (of the world's pictures) at every step of time."""
    world = _world(seed)
    low = np.clip(at.astype(int), 0, len(world) - 2)
    share = (at - low)[:, None, None].astype(np.float32)
    seen = world[low] * (1 - share) + world[low + 1] * share
    middle = sampling(BIG, 1.5 * zoom, turn_deg, 0.75)  # the common view of likeness.py is a picture taker, too
    pictures = (seen.reshape(len(at), -1) @ middle).reshape(len(at), *GRID)
    pictures += noise * np.random.default_rng(noise_seed).standard_normal(pictures.shape)
    return Places(STEP_S * np.arange(len(at)), np.clip(np.round(40 * pictures), -127, 127).astype(np.int8))


def _errors(found: Alignment, at_a: Doubles, at_b: Doubles) -> Doubles:
    """Distance between the places of each pair of moments, in places (0.1 s at normal speed)."""
    here = np.interp(found.time_a_s, STEP_S * np.arange(len(at_a)), at_a)
    there = np.interp(found.time_b_s, STEP_S * np.arange(len(at_b)), at_b)
    return np.abs(here - there)


STEADY = np.arange(60.0, 300.0)


def test_a_flight_aligned_with_itself() -> None:
    """A flight matches itself moment by moment, all of it, with confidence near 1."""
    flight = _flight(STEADY)
    found = align(flight, flight)
    assert found.same_route
    assert found.reason is None
    assert np.abs(found.time_a_s - found.time_b_s).max() < 1e-9
    assert found.overlap_share > 0.97
    assert found.confidence > 0.99
    assert found.place_confidence.min() > 0.9


def test_speed_and_pauses() -> None:
    """Speeds from a half to twice and a pause of 4 s are followed within 0.1 s."""
    pace = 1.25 + 0.75 * np.sin(np.arange(300) / 25.0)
    pace[120:160] = 0.0
    at_b = 40 + np.cumsum(pace)
    at_b = at_b[at_b < 400]
    found = align(_flight(STEADY), _flight(at_b, noise_seed=5))
    assert found.same_route
    error = _errors(found, STEADY, at_b)
    assert np.median(error) < 0.5
    assert np.percentile(error, 95) < 1.5
    assert found.overlap_share > 0.95
    assert np.diff(found.time_a_s).min() >= 0
    assert np.diff(found.time_b_s).min() >= 0


def test_a_part_of_the_route() -> None:
    """Start and end are found anywhere: a part is matched where it belongs, and is all matched."""
    part = np.arange(150.0, 230.0)
    found = align(_flight(STEADY), _flight(part, noise_seed=5))
    assert found.same_route
    assert np.percentile(_errors(found, STEADY, part), 95) < 1.0
    assert found.overlap_share > 0.95
    assert found.time_a_s[0] == pytest.approx(9.0, abs=0.3)
    assert found.time_a_s[-1] == pytest.approx(16.9, abs=0.3)


def test_places_without_a_match_are_left_out() -> None:
    """A detour over foreign ground in one flight is no part of the path; what lies to both sides is."""
    at_b = STEADY[:200]
    detour = _flight(np.arange(100.0, 160.0), seed=2, noise_seed=6)
    plain = _flight(at_b, noise_seed=5)
    descriptors = np.concatenate([plain.descriptors[:90], detour.descriptors, plain.descriptors[90:]])
    b = Places(STEP_S * np.arange(len(descriptors)), descriptors)
    found = align(_flight(STEADY), b)
    assert found.same_route
    away = (found.time_b_s > 9.5) & (found.time_b_s < 14.4)
    assert np.count_nonzero(away) <= 5
    before, after = found.time_b_s < 8.5, found.time_b_s > 15.5
    assert np.abs(found.time_a_s - found.time_b_s)[before].max() < 0.15
    assert np.abs(found.time_a_s - found.time_b_s + 6.0)[after].max() < 0.15


def test_a_lost_link_is_a_gap() -> None:
    """Where one flight has no picture nothing is matched, and the rest is."""
    whole = _flight(STEADY, noise_seed=5)
    there = (whole.time_s < 8.0) | (whole.time_s > 10.0)
    found = align(_flight(STEADY), Places(whole.time_s[there], whole.descriptors[there]))
    assert found.same_route
    assert np.count_nonzero((found.time_b_s > 8.3) & (found.time_b_s < 9.7)) <= 3
    assert np.percentile(_errors(found, STEADY, STEADY), 95) < 1.0


@pytest.mark.parametrize(("zoom", "turn_deg"), [(1.4, 0.0), (0.75, 0.0), (1.0, 10.0), (1.3, -8.0)])
def test_another_lens_and_another_bank(zoom: float, turn_deg: float) -> None:
    """Pictures at another size, and turned, are aligned as well."""
    found = align(_flight(STEADY), _flight(STEADY, noise_seed=5, zoom=zoom, turn_deg=turn_deg))
    assert found.same_route
    assert np.median(_errors(found, STEADY, STEADY)) < 0.3
    assert found.overlap_share > 0.9


def test_the_size_of_the_lens_is_found() -> None:
    """The focal length of one flight over the other's is found, and its inverse the other way round."""
    plain, close = _flight(STEADY), _flight(STEADY, noise_seed=5, zoom=2**0.5)
    assert find_size(plain, close) == pytest.approx(2**0.5)
    assert find_size(close, plain) == pytest.approx(2**-0.5)


def test_another_picture_shape() -> None:
    """A flight in 16:9 is aligned with one in 4:3."""
    tall = _flight(STEADY)
    wide = _flight(STEADY, noise_seed=5)
    found = align(tall, Places(wide.time_s, wide.descriptors[:, 2:-2]))
    assert found.same_route
    assert np.median(_errors(found, STEADY, STEADY)) < 0.3


def test_swapped_flights_swap_the_times() -> None:
    """Aligning b with a gives the pairs of a with b, within a sample."""
    pace = 1.2 + 0.6 * np.sin(np.arange(220) / 30.0)
    a, b = _flight(STEADY), _flight(50 + np.cumsum(pace), noise_seed=5, zoom=1.19)
    one, two = align(a, b), align(b, a)
    assert one.same_route == two.same_route
    assert one.confidence == pytest.approx(two.confidence, abs=1e-3)
    assert one.overlap_share == pytest.approx(two.overlap_share, abs=0.02)
    assert np.abs(np.interp(one.time_a_s, two.time_b_s, two.time_a_s) - one.time_b_s).max() < STEP_S


def test_another_route_is_refused() -> None:
    """A flight in another world is refused with a reason, and no pair is given."""
    found = align(_flight(STEADY), _flight(STEADY, seed=2, noise_seed=5))
    assert not found.same_route
    assert found.confidence < 0.2
    assert found.reason is not None
    assert "not the same" in found.reason or "look" in found.reason
    assert len(found.time_a_s) == len(found.time_b_s) == len(found.place_confidence) == 0


def test_a_short_stretch_is_refused_for_its_length(monkeypatch: pytest.MonkeyPatch) -> None:
    """Less than 4 s alike are no route however strong, and that is no doubt."""
    flight, before, after = _flight(STEADY, noise_seed=5), _flight(STEADY[:70], seed=2), _flight(STEADY[:70], seed=3)
    for noise in (0.3, 2.0):
        shared = _flight(STEADY[:30], noise=noise)
        descriptors = np.concatenate([before.descriptors, shared.descriptors, after.descriptors])
        other = Places(STEP_S * np.arange(len(descriptors)), descriptors)
        match = best_match(flight, other)
        assert match is not None
        monkeypatch.setattr(module, "SAME_ROUTE", match.strength + (0.1 if noise > 1 else -1.0))
        found = align(flight, other)
        assert found.reason == f"only {math.floor(10 * match.matched_s) / 10:.1f} s look alike; 4 s are needed"
        assert found.confidence < module.DOUBT and not found.doubtful and not found.too_short


@pytest.mark.parametrize(("seconds", "too_short"), [(11.9, True), (12.1, False)])
def test_a_short_flight_of_which_too_little_is_alike_is_no_other_route(
    seconds: float, too_short: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a flight under 12 s too few seconds alike deny no route, whichever flight comes first; of a longer one, or no more
    than chance makes, they do."""
    flight, shared = _flight(STEADY, noise_seed=5), _flight(STEADY[:30])
    after = _flight(STEADY[: round(seconds / STEP_S) + 1 - 30], seed=3)
    descriptors = np.concatenate([shared.descriptors, after.descriptors])
    other = Places(STEP_S * np.arange(len(descriptors)), descriptors)
    for found in (align(flight, other), align(other, flight)):
        assert (found.same_route, found.too_short, found.doubtful) == (False, too_short, False)
        assert found.reason is not None and found.reason.endswith(" s look alike; 4 s are needed") is not too_short
        assert (" s that one of the two shows look alike; 4 s are needed" in found.reason) is too_short
    monkeypatch.setattr(module, "BY_CHANCE_S", 3.9)
    assert not align(flight, other).too_short


def test_a_narrow_refusal_is_a_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    """A match too weak by up to 1.45 spreads is refused as doubtful, a weaker one is not; one strong enough is neither."""
    a, b = _flight(STEADY), _flight(STEADY, noise_seed=5)
    match = best_match(a, b)
    assert match is not None
    assert (match.overlap_share, match.matched_s) == (pytest.approx(1.0, abs=0.05), pytest.approx(23.9, abs=0.5))
    for needed, same, doubtful in ((-0.1, True, False), (0.1, False, True), (1.4, False, True), (1.6, False, False)):
        monkeypatch.setattr(module, "SAME_ROUTE", match.strength + needed)
        found = align(a, b)
        assert (found.same_route, found.doubtful) == (same, doubtful)
        assert same or "not alike enough" in (found.reason or "")
    monkeypatch.setattr(module, "SAME_ROUTE", match.strength + 1e-3)
    told = re.search(r"likeness of ([0-9.]+)", align(a, b).reason or "")
    assert told is not None and float(told[1]) <= match.strength


def test_a_third_flight_bears_out_a_weak_match(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two flights too little alike are one route where both match a third that leads to the same places, in any order.

    Another route is refused beside them as it is alone.
    """
    flights = [
        _flight(STEADY, noise=1.3, noise_seed=5),
        _flight(60 + 1.25 * np.arange(192.0), noise=0.1),
        _flight(STEADY, noise=1.3, noise_seed=6),
        _flight(STEADY, seed=2),
    ]
    weak = best_match(flights[0], flights[2])
    assert weak is not None
    monkeypatch.setattr(module, "SAME_ROUTE", weak.strength + 0.05)
    found = align_all(flights)
    alone = found[0, 2]
    assert alone.same_route and "flight 2 matches both" in (alone.reason or "")
    assert module.SURE_LINK * module.BORNE_OUT <= alone.confidence <= found[0, 1].confidence
    np.testing.assert_array_equal(alone.time_b_s, weak.time_b_s)
    assert not align(flights[0], flights[2]).same_route
    assert [found[pair].same_route for pair in ((0, 3), (1, 3), (2, 3))] == [False] * 3
    assert not align_all([flights[0], flights[2], flights[3]])[0, 1].same_route
    for order in permutations(range(3)):
        again = align_all([flights[number] for number in order])
        for (i, j), one in again.items():
            other = found[min(order[i], order[j]), max(order[i], order[j])]
            assert (one.same_route, one.confidence) == (other.same_route, pytest.approx(other.confidence))


@pytest.mark.parametrize(
    ("late_s", "sure", "overlap", "taken"),
    [
        (0.0, 0.95, 0.9, True),
        (0.25, 0.95, 0.9, True),
        (0.35, 0.95, 0.9, False),
        (0.0, 0.95, 0.4, False),
    ],
)
def test_what_a_third_flight_bears_out(late_s: float, sure: float, overlap: float, *, taken: bool) -> None:
    """The weak match must lead where the way through the third flight does, and go over most of the shorter flight."""
    time_s = np.arange(0.0, 20.0, 0.1)
    weak = Match(3.0, time_s, time_s + 2.0 + late_s, np.ones(200), 20.0, overlap)
    link = Alignment(True, sure, 0.9, time_s, time_s + 1.0, np.ones(200))
    on = Alignment(True, 0.99, 0.9, time_s + 1.0, time_s + 2.0, np.ones(200))
    refused = replace(weak_refused(), confidence=0.2)
    found = borne_out(refused, weak, {(0, 2): link, (2, 1): on}, (0, 1))
    assert found.same_route is taken
    assert found.confidence == pytest.approx(sure if taken else 0.2, abs=0.02)
    assert borne_out(refused, weak, {(0, 2): link}, (0, 1)) is refused


def test_a_gap_of_the_third_flight_bears_out_nothing() -> None:
    """Places that the third flight did not match do not count as led to."""
    time_s = np.concatenate([np.arange(0.0, 8.0, 0.1), np.arange(12.0, 20.0, 0.1)])
    link = Alignment(True, 0.95, 0.9, time_s, time_s, np.ones(len(time_s)))
    every = np.arange(0.0, 20.0, 0.1)
    weak = Match(3.0, every, every, np.ones(200), 20.0, 0.9)
    refused = weak_refused()
    assert borne_out(refused, weak, {(0, 2): link, (2, 1): link}, (0, 1)) is refused


def weak_refused() -> Alignment:
    """A refusal for want of likeness."""
    nothing = np.zeros(0)
    return Alignment(False, 0.2, 0.0, nothing, nothing, nothing, "not alike enough")


def test_noise_is_refused() -> None:
    """Two flights that show noise only do not match."""
    one, two = (
        Places(STEP_S * np.arange(200), np.random.default_rng(seed).integers(-60, 61, (200, 24, 32)).astype(np.int8))
        for seed in (1, 2)
    )
    assert not align(one, two).same_route


def test_pictures_of_nothing_are_refused() -> None:
    """Flights in the dark, whose descriptors are all 0, are refused and not aligned at will."""
    dark = Places(STEP_S * np.arange(200), np.zeros((200, 24, 32), dtype=np.int8))
    assert not align(dark, dark).same_route
    assert not align(_flight(STEADY), dark).same_route


def test_too_short_a_flight_is_refused() -> None:
    """A flight shorter than the shortest overlap is refused, and what it shows is said."""
    found = align(_flight(STEADY), _flight(STEADY[:20]))
    assert not found.same_route
    assert found.reason == "one of the two shows only 1.9 s of picture; 4 s are needed"
    nothing = Places(np.zeros(0), np.zeros((0, 24, 32), dtype=np.int8))
    assert align(nothing, nothing).reason == "one of the two shows only 0.0 s of picture; 4 s are needed"
    assert found.too_short and align(nothing, nothing).too_short


def test_long_flights_are_thinned_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the size of the whole matrix the flights are thinned, then aligned in a band: same result, fewer cells."""
    a, b = _flight(STEADY), _flight(np.arange(40.0, 290.0), noise_seed=5)
    full = align(a, b)
    bands: list[Band] = []
    best_path = module.best_path

    def watched(score: module.Score, band: Band, step_cost: float) -> tuple[float, npt.NDArray[np.int64]]:
        bands.append(band)
        return best_path(score, band, step_cost)

    monkeypatch.setattr(module, "best_path", watched)
    monkeypatch.setattr(module, "COARSE_PLACES", 100)
    monkeypatch.setattr(module, "BAND_PLACES", 12)
    again = align(a, b)
    assert [band.cells for band in bands] == [80 * 84, len(a.time_s) * bands[1].width]
    assert bands[1].width < 50
    assert np.abs(np.interp(full.time_a_s, again.time_a_s, again.time_b_s) - full.time_b_s).max() < STEP_S


def test_chance_pairs_set_the_scale() -> None:
    """Likeness is in spreads of chance pairs: about 0 and 1 over all pairs of foreign flights, far more at one place."""
    foreign = likeness(_flight(STEADY), _flight(STEADY, seed=2, noise_seed=5), 1.0).of(slice(None), slice(None))
    assert np.median(foreign) == pytest.approx(0.0, abs=0.1)
    assert foreign.std() == pytest.approx(1.0, abs=0.2)
    same = likeness(_flight(STEADY), _flight(STEADY, noise_seed=5), 1.0)
    every = np.arange(len(STEADY))
    assert same.at(every, every).min() > 4.0
    np.testing.assert_allclose(same.at(every, every), same.of(slice(None), slice(None)).diagonal(), atol=1e-4)


def test_sampling_keeps_an_even_picture() -> None:
    """An even picture stays even under any size and turn, inside the picture."""
    for magnify, turn in ((1.0, 0.0), (1.7, 0.0), (2.0, 8.0)):
        seen = np.ones(ROWS * COLUMNS) @ sampling((ROWS, COLUMNS), magnify, turn, 0.75)
        assert seen.reshape(GRID)[2:-2, 2:-2] == pytest.approx(1.0, abs=1e-5)


def test_a_flight_without_places_has_no_likeness() -> None:
    """Nothing to compare is an error, not a number."""
    with pytest.raises(ValueError, match="without places"):
        likeness(_flight(STEADY), Places(np.zeros(0), np.zeros((0, 24, 32), dtype=np.int8)), 1.0)
