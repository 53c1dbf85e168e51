"""Hunting for a part of a flight, its size, and how seldom a scene that is followed passes for it."""

from __future__ import annotations

import numpy as np
import pytest
from test_hunting import swinging

import fieldscore.hunting as hunting_module
from fieldscore import waves
from fieldscore.hunting import hunting


def following(seconds: float, seed: int, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    """As `wandering` at ten rows a second, as the trace is known, and quick to make."""
    rng = np.random.default_rng(seed)
    kept = 0.985**3
    walk = np.convolve(sigma * np.sqrt(3.0) * rng.normal(size=round(seconds * 10.0)), kept ** np.arange(150))
    return np.arange(round(seconds * 10.0)) / 10.0, walk[: round(seconds * 10.0)]


@pytest.mark.parametrize("seconds", [20.0, 30.0, 60.0, 150.0, 300.0])
@pytest.mark.parametrize("broken", [False, True])
def test_one_flight_in_forty_at_most_that_follows_its_scene_is_told_to_hunt(seconds: float, broken: bool) -> None:
    """Of any length, whole or with breaks, whatever its size: the largest of many lines of chance is not hunting."""
    told = 0
    for seed in range(80):
        time_s, trace = following(seconds, 5000 + seed, (0.01, 0.02, 0.05)[seed % 3])
        counted = ~broken | ((time_s + seed) % 25.0 > 1.0)
        told += bool(hunting(time_s, trace, counted).stops)
    assert told <= 2


@pytest.mark.parametrize(("seconds", "lasts_s"), [(300.0, 40.0), (120.0, 60.0)])
@pytest.mark.parametrize("period", [0.6, 1.0, 1.4])
def test_hunting_for_a_part_of_a_flight_is_found_amid_its_scene(seconds: float, lasts_s: float, period: float) -> None:
    """Wherever it falls, three tenths of a stop are found with their size, in a scene followed by as much."""
    right = 0
    for seed in range(12):
        time_s, trace = following(seconds, 6000 + seed, 0.02)
        since = time_s - (seconds - lasts_s) * seed / 11.0
        own = np.where((since >= 0.0) & (since < lasts_s), 0.15 * np.sin(2 * np.pi * time_s / period), 0.0)
        found = hunting(time_s, trace + own, np.ones(len(time_s), dtype=np.bool_))
        right += found.stops == pytest.approx(0.3, rel=0.2) and found.period_s == pytest.approx(period, rel=0.05)
    assert right >= 10


@pytest.mark.parametrize("calm_s", [20.0, 30.0, 60.0])
@pytest.mark.parametrize("piece_s", [3.2, 4.5])
def test_short_stretches_that_hunt_beside_a_long_calm_one_have_their_size(calm_s: float, piece_s: float) -> None:
    """The swing is that of the short ones, though none is half as long as the calm one's pieces."""
    time_s, noise, _ = swinging(calm_s + 40.0)
    since = time_s - calm_s
    counted = (since < -0.5) | ((since >= 0.0) & (since % (piece_s + 1.0) < piece_s))
    own = np.where(since >= 0.0, 0.15 * np.sin(4.0 * np.pi * time_s), 0.0)
    found = hunting(time_s, noise + own, counted)
    assert found.period_s == pytest.approx(0.5, rel=0.03)
    assert found.stops == pytest.approx(0.3, rel=0.05)


@pytest.mark.parametrize(("seconds", "found"), [(12.0, 17), (20.0, 28), (30.0, 34)])
def test_a_swing_that_nearly_stands_out_is_not_denied(seconds: float, found: int) -> None:
    """A slow swing in a scene followed by as much is often found and seldom told as none; such scenes alone are seldom doubted."""
    told, doubted = [], 0
    for seed in range(40):
        time_s, trace = following(seconds, 7000 + seed, 0.03)
        own = 0.15 * np.sin(2 * np.pi * time_s * (0.35 + 0.15 * seed / 39.0))
        counted = np.ones(len(time_s), dtype=np.bool_)
        told.append(hunting(time_s, trace + own, counted).stops)
        doubted += "too little" in (hunting(time_s, trace, counted).reason or "")
    assert sum(bool(one) for one in told) >= found
    assert told.count(0.0) <= 8
    assert doubted <= 4


def test_the_shoulder_of_slow_drift_is_no_swing_that_nearly_stands_out() -> None:
    """A stop of drift that is slower than the band is no hunting, and no doubt."""
    for seed in range(30):
        time_s, trace = following(21.0, 8000 + seed, 0.005)
        drift = 0.5 * np.sin(2 * np.pi * (0.08 + 0.0036 * seed) * time_s + seed)
        assert hunting(time_s, trace + drift, np.ones(len(time_s), dtype=np.bool_)).stops == 0.0


def test_the_size_is_of_pieces_that_swing_by_half_as_much_as_the_largest() -> None:
    """Ten seconds of 0.6 stop, ten of 0.36, ten of 0.2: the last are left out; so is a stretch of under two turns."""
    step = 0.05 * np.arange(600)
    swing = np.repeat([0.3, 0.18, 0.1], 200) * np.sin(2 * np.pi * step)
    short = np.sin(2 * np.pi * step[:38])
    told = hunting_module._while_it_swings([swing, short], 1.0)
    assert told == pytest.approx(np.sqrt((0.3**2 + 0.18**2) / 2.0), rel=0.02)


@pytest.mark.parametrize("seconds", [17.5, 20.0, 35.0, 50.0, 60.0])
def test_a_slow_swing_has_pieces_to_tell_its_size(seconds: float) -> None:
    """However a stretch of four turns is cut, its pieces are long enough."""
    hz = max(0.2, 4.0 / seconds)
    swing = 0.2 * np.sin(2 * np.pi * hz * 0.05 * np.arange(round(seconds / 0.05)))
    assert hunting_module._while_it_swings([swing], hz) == pytest.approx(0.2, rel=0.05)


def test_a_spectrum_is_that_of_fitted_sinusoids() -> None:
    """The quick way by transforms and the fit of each sinusoid agree."""
    _, trace = following(60.0, 3, 0.02)
    number = np.arange(20, 800, 37)
    quick = np.sqrt(hunting_module._powers(trace, number, 2400))
    assert quick == pytest.approx(waves.amplitude(trace, number / (2400 * 0.05)), rel=1e-9)


@pytest.mark.parametrize(
    ("length_s", "from_s", "to_s"), [(60.0, 20.0, 40.0), (120.0, 40.0, 100.0), (300.0, 100.0, 140.0)]
)
def test_a_swing_has_its_size_while_it_lasts(length_s: float, from_s: float, to_s: float) -> None:
    """A camera that hunts for a part of a flight is told by what it does then, and not by the mean of all."""
    time_s, noise, counted = swinging(length_s)
    own = np.where((time_s >= from_s) & (time_s < to_s), 0.15 * np.sin(2 * np.pi * time_s / 1.4), 0.0)
    found = hunting(time_s, noise + own, counted)
    assert found.period_s == pytest.approx(1.4, rel=0.03)
    assert found.stops == pytest.approx(0.3, rel=0.08)


def test_what_nearly_stands_out_is_not_denied_for_a_jitter_elsewhere() -> None:
    """A line too small to be seen, at another pace, says nothing of a swing that stands out by too little."""
    kept = 0
    for seed in range(7000, 7060):
        time_s, trace = following(30.0, seed, 0.03)
        counted = np.ones(len(time_s), dtype=np.bool_)
        swung = trace + 0.15 * np.sin(2.0 * np.pi * 0.35 * time_s)
        found = hunting(time_s, swung, counted)
        if found.stops is None and "too little" in (found.reason or ""):
            jitter = hunting(time_s, swung + 0.02 * np.sin(2.0 * np.pi * 2.5 * time_s), counted)
            assert jitter.stops is None
            kept += 1
    assert kept >= 2


def test_a_swing_that_nearly_stands_out_raises_suspicion_by_its_size_and_number() -> None:
    """What is not told is kept as unsure where it is half a stop and of eight swings or more, and the picture swings with it."""
    frequency = np.arange(1, 60) / 20.0
    for period_s, stops, longest_s, follows, kept in (
        (1.25, 0.6, 12.0, False, True),
        (1.25, 0.6, 12.0, True, False),
        (1.25, 0.3, 12.0, False, False),
        (5.0, 0.6, 20.0, False, False),
    ):
        at = int(np.argmin(np.abs(frequency - 1.0 / period_s)))
        swings = np.where(np.arange(len(frequency)) == at, stops, 0.0)
        found = hunting_module._nearly(frequency, swings > 0.0, swings, longest_s, lambda _hz, does=follows: does)
        assert found is not None and found.stops is None and "stands out by too little" in (found.reason or "")
        assert found.unsure == ((stops, pytest.approx(period_s)) if kept else None)


def test_a_larger_swing_of_the_lamps_hides_no_suspicion() -> None:
    """Of two swings that nearly stand out the larger is at the lamps' pace: the other is suspected all the same."""
    frequency = np.arange(1, 60) / 20.0
    swings = np.where(np.isclose(frequency, 0.9), 1.6, np.where(np.isclose(frequency, 1.2), 1.0, 0.0))
    found = hunting_module._nearly(frequency, swings > 0.0, swings, 20.0, lambda hz: abs(hz - 0.9) < 0.1)
    assert found is not None and "1.6 stops" in (found.reason or "")
    assert found.unsure == (1.0, pytest.approx(1.0 / 1.2))


def test_a_swing_at_the_beat_of_lamps_raises_no_suspicion() -> None:
    """What swings where lamps beat with the frames is theirs, though it stands out by too little to be told as that."""
    time_s, exposure = following(20.0, 0, 0.15)
    exposure = exposure + 0.27 * np.sin(2.0 * np.pi * 0.8 * time_s)
    counted = np.ones(len(time_s), dtype=np.bool_)
    found = [hunting(time_s, exposure, counted, beat) for beat in (None, 0.8)]
    assert found[0].unsure is not None and found[1].unsure is None
