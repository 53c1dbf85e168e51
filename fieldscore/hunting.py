"""Does the picture's exposure swing? Hunting of the camera's own exposure, and the beat of mains lamps told from it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

BAND_HZ = (0.2, 3.0)  # slower is drift, faster is jitter
LEAST_S = 5.0  # a swing of 0.2 Hz takes so long once
_STEP_S = 0.05  # the trace is known every 0.1 s; the band ends at 3 Hz
_LEAST_STRETCH_S = 3.0  # shorter stretches between breaks say little of slow swings
# 12 swings at 0.2 Hz; averaging the power of several is Bartlett's periodogram (Biometrika 1950).
_LONGEST_PIECE_S = 60.0
_SLOW_S = 5.0  # a moving mean this long is taken out first: 1 / 0.2 Hz
# Times the power beside it from which on a swing is an oscillation, and not the scene followed: the strongest of
# some 70 frequencies of noise exceeds 10 by chance in one flight of twenty, and power that falls with frequency adds to it.
_LINE = 24.0
_BESIDE = (1.3, 2.2)  # frequency ratios between which power counts as beside
_LEAST_POWER = 1e-8  # squared stops: below is arithmetic
_LEAST_CYCLES = 4.0  # fewer swings in the longest stretch are no oscillation
_SHOWS_S = 8.0  # a stretch so long shows nine tenths at least of a swing of 0.2 Hz and faster, whatever its phase
# Peak to peak, of what the exposure moves by at paces too slow for so many swings. Half a stop, a change that a pilot sees at
# once (common practice, no source), shows by less only where the scene moves against it: put into 22 flights of 8 to 20 s
# it was missed in 1 of 14.
_SLOW_STOPS = 0.35
_SLOW_STEP_HZ = 0.02  # a line is wider in a stretch that is too short for four swings
# A swing may last for a part of the flight: its size is told of pieces so long, five turns of a usual one, that have it.
_PIECE_S = 10.0
# Where all stretches together show none, one so long may by itself: a swing may last for a tenth of the flight.
_ALONE_S = 20.0
LEAST_STOPS = 0.05  # peak to peak: twice what the trace itself wobbles by (docs/dark-accuracy.md)

# Over the length of a stretch, in Hz: from a line's peak to its first zero under a Hann window (Harris 1978).
_LINE_WIDTH = 2.0
# So near a beat are its line in the shortest stretch, 2 / 3 s wide, and the side bands of one whose strength changes, for
# lamps are flown past in a second. No side band of lamps that flicker alike is larger than the beat's line, and few of lamps on
# several phases of the mains are twice as large.
_NEAR_BEAT_HZ, _OF_NEAR = 0.7, 2.0
# Of a beat's swing, what it may leave farther off: 0.08 of one of a stop swings twice as fast, for stops are logarithms of light.
_OF_BEAT = 0.15
MAINS_LAMP_HZ = (100.0, 120.0)  # lamps flicker at twice the mains frequency
_LEAST_ALIAS_HZ = 0.08  # a slower beat takes longer than a stretch of flight and is drift
_ALIAS_MATCH_HZ = 0.06  # mains and frame clocks are off by so much together at most; common practice, no source
_STANDS_OUT = 4.0  # times the amplitude beside it from which on an alias is there
_LEAST_FLICKER_PERCENT = 0.1  # of level; less no one sees, and codecs make as much


@dataclass(frozen=True)
class Hunting:
    """Oscillation of the exposure: `stops` peak to peak and `period_s`; 0 and None where none stands out in all of the band.

    Its size is that while it swings, be that a part of the flight. `stops` is None where `reason` says why: too short a trace, or
    what may hide a swing.
    """

    stops: float | None
    period_s: float | None
    reason: str | None = None


@dataclass(frozen=True)
class Flicker:
    """The beat of mains lamps with the frames: lamp frequency, its alias, and the level's amplitude in %."""

    lamp_hz: float
    alias_hz: float
    level_percent: float


def alias_hz(lamp_hz: float, rate_hz: float) -> float:
    """Frequency at which light of `lamp_hz` shows in pictures taken at `rate_hz`: |f - n x rate|."""
    return abs(lamp_hz - rate_hz * round(lamp_hz / rate_hz))


def hunting(time_s: Doubles, exposure_stops: Doubles, counted: Mask, beat_hz: float | None = None) -> Hunting:
    """Find the oscillation of an exposure trace [n], over the rows that count (airtime, no event).

    A sinusoid is fitted by least squares to every stretch, each with its own phase (after Lomb 1976). A camera follows
    its scene at all frequencies; it hunts where one of them stands out from those beside it. Where the exposure swings at
    `beat_hz`, too, only what can be no part of that beat is said to be the camera's, and no hunting is never said.
    """
    stretches = [piece for one in _stretches(time_s, exposure_stops, counted) for piece in _pieces(_evened(*one))]
    found = _hunting_of(stretches, beat_hz)
    if found.stops != 0.0:
        return found
    alone = [_hunting_of([one], beat_hz) for one in stretches if len(stretches) > 1 and len(one) * _STEP_S >= _ALONE_S]
    return max(alone, key=lambda one: one.stops or 0.0, default=found) if any(one.stops for one in alone) else found


def _hunting_of(stretches: list[Doubles], beat_hz: float | None) -> Hunting:
    """The oscillation that all stretches of an evened exposure trace show together."""
    total = sum(len(one) for one in stretches) * _STEP_S
    if total < LEAST_S:
        part = f"the exposure trace is {total:.1f} s long in unbroken stretches of {_LEAST_STRETCH_S:.0f} s or more"
        return Hunting(None, None, f"{part}, {LEAST_S:.0f} s are needed")
    longest = max(len(one) for one in stretches) * _STEP_S
    frequency = np.arange(BAND_HZ[0] / _BESIDE[1], BAND_HZ[1] * _BESIDE[1], 0.25 / longest)
    power = np.zeros(len(frequency))
    for one in stretches:
        power += len(one) * (_STEP_S / total) * np.square(_amplitude(one, frequency))
    inside = np.flatnonzero((frequency >= max(BAND_HZ[0], _LEAST_CYCLES / longest)) & (frequency <= BAND_HZ[1]))
    if not inside.size:
        return Hunting(None, None, f"no stretch of the exposure trace is longer than {longest:.1f} s")
    beside = np.array([_beside(frequency, power, float(frequency[number])) for number in inside])
    excess = np.sqrt(np.maximum(power[inside] - beside, 0.0))
    lines = power[inside] >= _LINE * beside
    beat = None if beat_hz is None else _line_at(beat_hz, frequency, power, longest)
    if beat is not None:
        lines |= inside == beat
    if not lines.any():
        return _none_within(stretches, longest)
    if power[inside[0] - 2] > power[inside[0]]:  # what falls from there on is the shoulder of a slower swing
        lines[: int(np.argmax(np.diff(power[inside], append=np.inf) > 0.0)) + 1] = False
    if not lines.any():
        return _slower(longest)
    swings = np.sqrt(power) / _kept(frequency, longest)
    camera = lines if beat is None else lines & _no_part_of(beat, frequency, swings)[inside]
    best = int(np.argmax(np.where(camera, excess, 0.0)))
    swings = 2.0 * excess / _kept(frequency[inside], longest)
    if camera[best] and swings[best] >= LEAST_STOPS:
        at_hz = float(frequency[inside[best]])
        lasting = 2.0 * _while_it_swings(stretches, at_hz, float(beside[best]) * longest) / float(_kept(at_hz, longest))
        return Hunting(max(lasting, float(swings[best])), 1.0 / at_hz)
    hidden = (swings[lines] >= LEAST_STOPS).any()
    return _hidden_at(float(frequency[beat])) if beat is not None and hidden else _none_within(stretches, longest)


def _while_it_swings(stretches: list[Doubles], hz: float, noise: float) -> float:
    """Amplitude of a swing while it lasts: in the pieces of stretches that have half of the largest's at least.

    `noise`: squared stops beside it, times seconds, since what is no swing is the larger in a piece the shorter that is.
    """
    count = [max(1, round(len(one) * _STEP_S / _PIECE_S)) for one in stretches]
    pieces = [piece for one, parts in zip(stretches, count, strict=True) for piece in np.array_split(one, parts)]
    seconds = np.array([len(one) * _STEP_S for one in pieces])
    power = np.array([float(_amplitude(one, np.array([hz]))[0]) ** 2 for one in pieces]) - noise / seconds
    long = seconds >= min(_PIECE_S, seconds.max()) / 2.0
    swinging = long & (power >= power[long].max() / 4.0)
    return float(np.sqrt(max(np.average(power[swinging], weights=seconds[swinging]), 0.0)))


def _hidden_at(beat_hz: float) -> Hunting:
    """What is said where the exposure swings at a beat, and nothing else is surely the camera's."""
    part = f"the exposure swings at the beat of lamps, {beat_hz:.2f} Hz"
    return Hunting(None, None, f"{part}: a swing of its own there, or a smaller one near, cannot be told from that")


def _slower(longest_s: float) -> Hunting:
    """What is said where the exposure swings more slowly than can be told."""
    slowest_s = longest_s / _LEAST_CYCLES
    if 1.0 / slowest_s <= BAND_HZ[0]:  # what is slower than the band is drift
        return Hunting(0.0, None)
    slow = f"the exposure swings more slowly than every {slowest_s:.1f} s, too seldom to be told in {longest_s:.0f} s"
    return Hunting(None, None, slow)


def _line_at(hz: float, frequency: Doubles, power: Doubles, longest_s: float) -> int | None:
    """Where the largest line at a beat's frequency is in a spectrum [n]; None without one. It is one by less than a line of
    any frequency is, as in the level.
    """
    off = _ALIAS_MATCH_HZ + _LINE_WIDTH / longest_s / 4.0  # a peak is read to a quarter of its width
    near = _peaks(power) & (np.abs(frequency - hz) <= off)
    top = int(np.argmax(np.where(near, power, 0.0)))
    stands_out = power[top] >= _STANDS_OUT**2 * _beside(frequency, power, float(frequency[top]))
    return top if near[top] and stands_out else None


def _no_part_of(beat: int, frequency: Doubles, swings: Doubles) -> Mask:
    """Which swings [n] of a spectrum can be no part of the one at a beat, whose strength may change along the flight."""
    near = np.abs(frequency - frequency[beat]) <= _NEAR_BEAT_HZ
    return np.asarray(_peaks(swings) & (swings > np.where(near, _OF_NEAR, _OF_BEAT) * swings[beat]), dtype=np.bool_)


def _peaks(values: Doubles) -> Mask:
    """Which of values [n] are no smaller than those beside them."""
    inner = (values[1:-1] >= values[:-2]) & (values[1:-1] >= values[2:])
    return np.asarray(np.pad(inner, 1), dtype=np.bool_)


def _none_within(stretches: list[Doubles], longest_s: float) -> Hunting:
    """What is said where nothing stands out: no hunting only where a swing of any pace in the band would have shown."""
    slowest_s = longest_s / _LEAST_CYCLES
    faster = f"no swing faster than every {slowest_s:.1f} s stands out"
    unbroken = f"the longest unbroken stretch is {longest_s:.1f} s"
    if longest_s < _SHOWS_S:
        return Hunting(None, None, f"{faster}; slower ones cannot be told, {unbroken}")
    moves = _slow_stops([one for one in stretches if len(one) * _STEP_S >= _SHOWS_S], 1.0 / slowest_s)
    if moves < _SLOW_STOPS:
        return Hunting(0.0, None)
    slower = f"the exposure moves by {moves:.1f} stops more slowly, which may be a swing or the scene"
    return Hunting(None, None, f"{faster}; {slower}: {unbroken}")


def _slow_stops(stretches: list[Doubles], below_hz: float) -> float:
    """By how much (peak to peak) the exposure moves at any pace of the band below a frequency; 0 where there is none."""
    frequency = np.arange(BAND_HZ[0], below_hz, _SLOW_STEP_HZ)
    if not frequency.size:
        return 0.0
    squares = [np.square(_amplitude(one, frequency)) for one in stretches]
    power = np.average(squares, axis=0, weights=[len(one) for one in stretches])
    return float(np.max(2.0 * np.sqrt(power) / _kept(frequency, _SHOWS_S)))


def _kept(hz: Doubles | float, longest_s: float) -> Doubles:
    """Share of swings [n] that is left once slow change is taken out; over 1 where the moving mean swings against it."""
    width = _slow_width(round(longest_s / _STEP_S))
    half = np.pi * hz * _STEP_S
    return np.asarray(1.0 - np.sin(width * half) / (width * np.sin(half)))


def _slow_width(count: int) -> int:
    """How many steps, of so many, the moving mean is taken over."""
    return min(round(_SLOW_S / _STEP_S), count) | 1


def _beside(frequency: Doubles, power: Doubles, hz: float) -> float:
    """Power to be expected at a frequency from that beside it: a straight line in the logarithms, for a camera that
    follows its scene does so the less the faster the scene changes.
    """
    ratio = np.maximum(frequency / hz, hz / frequency)
    beside = (ratio >= _BESIDE[0]) & (ratio <= _BESIDE[1])
    _, level = np.polyfit(np.log(frequency[beside] / hz), np.log(power[beside] + _LEAST_POWER), 1)
    return float(np.exp(level))


def flicker(time_s: Doubles, level_percent: Doubles, counted: Mask, rate_hz: float) -> Flicker | None:
    """Find the beat of mains lamps in the level [n]: a line at an alias of theirs that stands out from what is beside it."""
    found = None
    for lamp in MAINS_LAMP_HZ:
        alias = alias_hz(lamp, rate_hz)
        if alias < _LEAST_ALIAS_HZ or alias > 0.45 * rate_hz:
            continue
        parts = [
            part for part in _stretches(time_s, level_percent, counted) if np.ptp(part[0]) * alias >= _LEAST_CYCLES
        ]
        if not parts:
            continue
        near = np.linspace(alias - _ALIAS_MATCH_HZ, alias + _ALIAS_MATCH_HZ, 13)
        beside = np.concatenate([alias * np.linspace(0.55, 0.8, 9), alias * np.linspace(1.2, 1.5, 9)])
        lines, floor = (_common_line(parts, hz) for hz in (near, beside[beside < 0.49 * rate_hz]))
        line = float(lines.max())
        if line >= _STANDS_OUT * float(np.median(floor)) and line >= _LEAST_FLICKER_PERCENT:
            candidate = Flicker(lamp, alias, line)
            found = candidate if found is None or line > found.level_percent else found
    return found


def _common_line(parts: list[tuple[Doubles, Doubles]], frequency: Doubles) -> Doubles:
    """Amplitude [frequencies] over several stretches, each with its own phase, weighted by length."""
    squares = [np.square(_line(*part, frequency)) for part in parts]
    return np.asarray(np.sqrt(np.average(squares, axis=0, weights=[len(times) for times, _ in parts])))


def _stretches(time_s: Doubles, values: Doubles, counted: Mask) -> list[tuple[Doubles, Doubles]]:
    """Times and values of the unbroken stretches that are long enough."""
    good = np.flatnonzero(counted & np.isfinite(values))
    if good.size < 2:  # noqa: PLR2004 - two rows make a stretch
        return []
    breaks = np.flatnonzero((np.diff(good) > 1) | (np.diff(time_s[good]) > _STEP_S * 6)) + 1
    parts = [(time_s[one], values[one]) for one in np.split(good, breaks)]
    return [part for part in parts if part[0][-1] - part[0][0] >= _LEAST_STRETCH_S]


def _evened(time_s: Doubles, values: Doubles) -> Doubles:
    """Values at even steps, slow change taken out."""
    even = np.interp(np.arange(time_s[0], time_s[-1], _STEP_S), time_s, values)
    width = _slow_width(len(even))
    padded = np.pad(even, width // 2, mode="reflect" if len(even) > width // 2 else "edge")
    slow = np.convolve(padded, np.full(width, 1.0 / width), mode="valid")
    return np.asarray(even - slow[: len(even)], dtype=np.float64)


def _pieces(even: Doubles) -> list[Doubles]:
    """Equal pieces of a long stretch: cost then grows with the flight's length, not with its square."""
    return np.array_split(even, max(1, -(-len(even) // round(_LONGEST_PIECE_S / _STEP_S))))


def _amplitude(even: Doubles, frequency: Doubles) -> Doubles:
    """Amplitude [frequencies] of the sinusoids that fit values at even steps best."""
    return _line(np.arange(len(even), dtype=np.float64) * _STEP_S, even, frequency)


def _line(time_s: Doubles, values: Doubles, frequency: Doubles) -> Doubles:
    """Amplitude [frequencies] of the sinusoid that fits values best by least squares, a straight line fitted beside it."""
    time = time_s - time_s.mean()
    straight = np.stack([np.ones_like(time), time], axis=1)
    left = values - straight @ np.linalg.lstsq(straight, values, rcond=None)[0]
    window = np.hanning(len(time) + 2)[1:-1]  # keeps other frequencies from leaking in
    found = np.empty(len(frequency))
    for number, hz in enumerate(frequency):
        wave = np.stack([np.cos(2 * np.pi * hz * time), np.sin(2 * np.pi * hz * time)], axis=1)
        weighted = wave * window[:, None]
        found[number] = float(np.hypot(*np.linalg.solve(weighted.T @ wave, weighted.T @ left)))
    return found
