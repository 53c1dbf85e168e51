"""Unbroken stretches of a series at even steps, slow change taken out, and the sinusoids that fit them best. Pure."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

STEP_S = 0.05  # the trace is known every 0.1 s; the band ends at 3 Hz
LEAST_STRETCH_S = 3.0  # shorter stretches between breaks say little of slow swings
# 12 swings at 0.2 Hz; averaging the power of several is Bartlett's periodogram (Biometrika 1950).
_LONGEST_PIECE_S = 60.0
_SLOW_S = 5.0  # a moving mean this long is taken out first: 1 / 0.2 Hz


def stretches(time_s: Doubles, values: Doubles, counted: Mask) -> list[tuple[Doubles, Doubles]]:
    """Times and values of the unbroken stretches that are long enough."""
    good = np.flatnonzero(counted & np.isfinite(values))
    if good.size < 2:  # noqa: PLR2004 - two rows make a stretch
        return []
    breaks = np.flatnonzero((np.diff(good) > 1) | (np.diff(time_s[good]) > STEP_S * 6)) + 1
    parts = [(time_s[one], values[one]) for one in np.split(good, breaks)]
    return [part for part in parts if part[0][-1] - part[0][0] >= LEAST_STRETCH_S]


def evened(time_s: Doubles, values: Doubles) -> Doubles:
    """Values at even steps, slow change taken out."""
    even = np.interp(np.arange(time_s[0], time_s[-1], STEP_S), time_s, values)
    width = slow_width(len(even))
    padded = np.pad(even, width // 2, mode="reflect" if len(even) > width // 2 else "edge")
    slow = np.convolve(padded, np.full(width, 1.0 / width), mode="valid")
    return np.asarray(even - slow[: len(even)], dtype=np.float64)


def slow_width(count: int) -> int:
    """How many steps, of so many, the moving mean is taken over."""
    return min(round(_SLOW_S / STEP_S), count) | 1


def pieces(even: Doubles) -> list[Doubles]:
    """Equal pieces of a long stretch that overlap by half: cost then grows with the flight's length, not with its square."""
    count = -(-len(even) // round(_LONGEST_PIECE_S / STEP_S))
    size = len(even) // count
    return [even[start : start + size] for start in (half * size // 2 for half in range(2 * count - 1))]


def amplitude(even: Doubles, frequency: Doubles) -> Doubles:
    """Amplitude [frequencies] of the sinusoids that fit values at even steps best."""
    return line(np.arange(len(even), dtype=np.float64) * STEP_S, even, frequency)


def line(time_s: Doubles, values: Doubles, frequency: Doubles) -> Doubles:
    """Amplitude [frequencies] of the sinusoid that fits values best by least squares, a straight line fitted beside it."""
    left, window = straightened(time_s, values)
    time = time_s - time_s.mean()
    found = np.empty(len(frequency))
    for number, hz in enumerate(frequency):
        wave = np.stack([np.cos(2 * np.pi * hz * time), np.sin(2 * np.pi * hz * time)], axis=1)
        weighted = wave * window[:, None]
        found[number] = float(np.hypot(*np.linalg.solve(weighted.T @ wave, weighted.T @ left)))
    return found


def straightened(time_s: Doubles, values: Doubles) -> tuple[Doubles, Doubles]:
    """Values [n] less the straight line that fits them best, and a window that keeps other frequencies from leaking in."""
    time = time_s - time_s.mean()
    straight = np.stack([np.ones_like(time), time], axis=1)
    left = values - straight @ np.linalg.lstsq(straight, values, rcond=None)[0]
    return left, np.hanning(len(time) + 2)[1:-1]


def wave(even: Doubles, hz: float) -> complex:
    """Amplitude and phase of the swing of values at even steps at a frequency."""
    left, window = straightened(np.arange(len(even), dtype=np.float64), even)
    turn = np.exp(-2j * np.pi * hz * STEP_S * np.arange(len(even)))
    return complex(2.0 * np.sum(window * left * turn) / window.sum())
