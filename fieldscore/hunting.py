"""Does the picture's exposure swing? Hunting of the camera's own exposure, and the beat of mains lamps told from it. Pure."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import digamma, gammainccinv

from fieldscore import waves
from fieldscore.waves import LEAST_STRETCH_S, STEP_S

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

BAND_HZ = (0.2, 3.0)  # slower is drift, faster is jitter
LEAST_S = 5.0  # a swing of 0.2 Hz takes so long once
# Chance of noise at one frequency to pass for an oscillation: that of 24 times the power beside it where there is but one
# piece. The strongest of 70 to 170 frequencies exceeds 10 in one flight of twenty, and what is beside is of few frequencies
# where swings are slow. The mean over pieces is the steadier and needs less, but no scene's power is a straight line to
# closer than some times: at 8, scenes of steps and of lamps passed were told to hunt half as often again.
_CHANCE = 1.4e-6
_LEAST_LINE = 10.0
# One that stands out by ten times only is not denied from this size on: of swings of 0.3 stop most have it, and scenes that are
# followed by 0.2 stop (SD) in 1 of 50.
_NEARLY_STOPS = 0.2
# So many swings in a stretch, and of half a stop, a change that a pilot sees at once (common practice, no source), raise the
# suspicion that the camera hunts. Of cameras of another simulator that do not, 13 of 32 flights nearly showed a swing: 11 of fewer
# than eight, 2 of 0.3 stop.
_MAY_HUNT_CYCLES, _MAY_HUNT_STOPS = 8.0, 0.5
_FEWEST_BESIDE = 6  # of a quarter of what can be told apart: a straight line of fewer is none
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
LEAST_STOPS = 0.05  # peak to peak: twice what the trace itself wobbles by (docs/dark-accuracy.md)
# Of a turn, by which level and exposure in step may be apart. A swing of 0.3 stop put into 160 flights of eight simulators, every
# 0.5 to 2 s, was off by more in 3 of the 434 where it was found; cameras that follow lamps, clouds or gates by 70 degrees and more.
_IN_STEP = math.pi / 3.0

# Over the length of a stretch, in Hz: from a line's peak to its first zero under a Hann window (Harris 1978).
_LINE_WIDTH = 2.0
# So near a beat are its line in the shortest stretch, 2 / 3 s wide, and the side bands of one whose strength changes, for
# lamps are flown past in a second. No side band of lamps that flicker alike is larger than the beat's line, and few of lamps on
# several phases of the mains are twice as large.
_NEAR_BEAT_HZ, _OF_NEAR = 0.7, 2.0
# Of a beat's swing, what it may leave farther off. Slower: what lamps flown past leave there. Faster: the fifth harmonic of
# pulsed lamps, a quarter, and side bands of a slow beat as lamps are flown past, mostly under 0.45.
_OF_SLOWER, _OF_FASTER = 0.15, 0.45
# Light that goes as |sin| has a second harmonic of 0.2 of its first, pulses of a quarter of the time one of 0.7, and stops, being
# logarithms of light, add theirs.
_HARMONICS, _OF_HARMONIC = (2.0, 3.0, 4.0), 0.7
MAINS_LAMP_HZ = (100.0, 120.0)  # lamps flicker at twice the mains frequency
_LEAST_ALIAS_HZ = 0.08  # a slower beat takes longer than a stretch of flight and is drift
_ALIAS_MATCH_HZ = 0.06  # mains and frame clocks are off by so much together at most; common practice, no source
_STANDS_OUT = 4.0  # times the amplitude beside it from which on an alias is there
_LEAST_FLICKER_PERCENT = 0.1  # of level; less no one sees, and codecs make as much


@dataclass(frozen=True)
class Hunting:
    """Oscillation of the exposure: `stops` peak to peak and `period_s`; 0 and None where none stands out in all of the band.

    Its size is that while it swings, be that a part of the flight. `stops` is None where `reason` says why: too short a trace, or
    what may hide a swing. `unsure`: stops and period (s) of a swing that stands out by too little to be told.
    """

    stops: float | None
    period_s: float | None
    reason: str | None = None
    unsure: tuple[float, float] | None = None


@dataclass(frozen=True)
class Flicker:
    """The beat of mains lamps with the frames: lamp frequency, its alias, and the level's amplitude in %."""

    lamp_hz: float
    alias_hz: float
    level_percent: float


def alias_hz(lamp_hz: float, rate_hz: float) -> float:
    """Frequency at which light of `lamp_hz` shows in pictures taken at `rate_hz`: |f - n x rate|."""
    return abs(lamp_hz - rate_hz * round(lamp_hz / rate_hz))


def hunting(
    time_s: Doubles,
    exposure_stops: Doubles,
    counted: Mask,
    beat_hz: float | None = None,
    level_percent: Doubles | None = None,
) -> Hunting:
    """Find the oscillation of an exposure trace [n], over the rows that count (airtime, no event).

    A sinusoid is fitted by least squares to every stretch, each with its own phase (after Lomb 1976). A camera follows
    its scene at all frequencies; it hunts where one of them stands out from those beside it. Where the exposure swings at
    `beat_hz`, too, only what can be no part of that beat is said to be the camera's; beside a beat in the band none is
    never said. A beat whose line lies all outside the band (0.12 Hz, 5 Hz) swings at no pace that hunting has: there it is.
    Nor is the camera's own where the picture's level [n], if it is given, does not swing with it.
    """

    def follows(hz: float) -> bool:
        return level_percent is not None and _follows(time_s, exposure_stops, level_percent, counted, hz)

    def not_own(hz: float) -> bool:
        near_beat = beat_hz is not None and abs(hz - beat_hz) <= _ALIAS_MATCH_HZ + _LINE_WIDTH / longest
        return near_beat or follows(hz)

    whole = [waves.evened(*one) for one in waves.stretches(time_s, exposure_stops, counted)]
    stretches = [piece for one in whole for piece in waves.pieces(one)]
    known_s = sum(len(one) for one in whole) * STEP_S
    if known_s < LEAST_S:
        part = f"the exposure trace is {known_s:.1f} s long in unbroken stretches of {LEAST_STRETCH_S:.0f} s or more"
        return Hunting(None, None, f"{part}, {LEAST_S:.0f} s are needed")
    total, longest = (most(len(one) for one in stretches) * STEP_S for most in (sum, max))
    frequency, power = _spectrum(stretches)
    inside = (frequency >= max(BAND_HZ[0], _LEAST_CYCLES / longest)) & (frequency <= BAND_HZ[1])
    if not inside.any():
        return Hunting(None, None, f"no stretch of the exposure trace is longer than {longest:.1f} s")
    beside = _beside(frequency, power)
    bar = _line_bar(total / longest)
    lines = inside & (power >= bar * beside)
    beat_bar = min(bar, _STANDS_OUT**2) * beside  # as in the level
    beat = None if beat_hz is None else _line_at(beat_hz, frequency, power, beat_bar, longest)
    if beat is not None:
        lines[beat] = _reaches_band(float(frequency[beat]), longest)
    swings = 2.0 * np.sqrt(np.maximum(power - beside, 0.0))
    nearly = inside & _peaks(power) & (power >= _LEAST_LINE * beside) & (swings >= _NEARLY_STOPS)
    first, any_lines = int(np.argmax(inside)), bool(lines.any())
    if any_lines and power[first - 2] > power[first]:  # what falls from there on is the shoulder of a slower swing
        shoulder = slice(first, first + int(np.argmax(np.diff(power[first:], append=np.inf) > 0.0)) + 1)
        lines[shoulder] = False
    if not lines.any():
        return _nearly(frequency, nearly, swings, longest, not_own) or (
            _slower(longest) if any_lines else _none_within(whole, longest)
        )
    camera = lines & (swings >= LEAST_STOPS)
    if beat is not None:
        camera &= _no_part_of(beat, frequency, np.sqrt(power), longest)
    kept = _kept(frequency, longest)
    followed_hz = None
    while camera.any():
        # of several lines the one that is most with slow change taken out: a slow one is the sooner of the scene
        best = int(np.argmax(np.where(camera, swings * kept, 0.0)))
        at_hz = float(frequency[best])
        if not follows(at_hz):
            return Hunting(2.0 * _while_it_swings(whole, at_hz) / float(kept[best]), 1.0 / at_hz)
        followed_hz = followed_hz or at_hz
        camera &= _peaks(power) & _apart_from(at_hz, frequency, longest)
    if followed_hz or (beat is not None and (swings[lines] >= LEAST_STOPS).any()):
        return _following(followed_hz) if followed_hz else _hidden_at(float(frequency[beat]))
    return _nearly(frequency, nearly, swings, longest, not_own) or _none_within(whole, longest)


def _follows(time_s: Doubles, exposure_stops: Doubles, level_percent: Doubles, counted: Mask, hz: float) -> bool:
    """Say whether the picture's level [n] does not swing with an exposure [n] that swings at a frequency.

    A picture gets brighter and darker with an exposure that swings by itself. A camera that follows its scene closes while
    the picture is bright: its exposure is a quarter of a turn and more behind.
    """
    both = counted & np.isfinite(exposure_stops) & np.isfinite(level_percent)
    exposure, level = (
        [piece for one in waves.stretches(time_s, values, both) for piece in waves.pieces(waves.evened(*one))]
        for values in (exposure_stops, level_percent)
    )
    if not exposure:
        return False
    swing = np.array([[waves.wave(piece, hz) for piece in pieces] for pieces in (exposure, level)])
    length = [len(piece) for piece in exposure]
    across = complex(np.average(swing[1] * swing[0].conj(), weights=length))
    shown_percent = abs(across) / math.sqrt(np.average(np.square(np.abs(swing[0])), weights=length))
    return shown_percent >= _LEAST_FLICKER_PERCENT and abs(cmath.phase(across)) > _IN_STEP


def _spectrum(stretches: list[Doubles]) -> tuple[Doubles, Doubles]:
    """Frequencies [n] and the mean power there of the sinusoids that fit evened stretches best, slow change put back."""
    steps = max(len(one) for one in stretches)
    count = 4 * steps  # four frequencies where one would do: the top of a line is met
    step_hz = 1.0 / (count * STEP_S)
    number = np.arange(int(BAND_HZ[0] / _BESIDE[1] / step_hz) + 1, int(BAND_HZ[1] * _BESIDE[1] / step_hz) + 1)
    power = np.zeros(len(number))
    for one in stretches:
        power += len(one) * _powers(one, number, count)
    frequency = np.asarray(number * step_hz, dtype=np.float64)
    return frequency, power / sum(len(one) for one in stretches) / np.square(_kept(frequency, steps * STEP_S))


def _powers(even: Doubles, number: npt.NDArray[np.int_], count: int) -> Doubles:
    """Squared amplitude [n] as of `line`, at `number` times the `count`th part of the sampling rate: of a few transforms."""
    left, window = waves.straightened(np.arange(len(even), dtype=np.float64), even)
    once = np.fft.fft(window * left, count)[number]
    twice = np.fft.fft(window, count)[2 * number]
    total = window.sum()
    # the normal equations of a cosine and a sine under the window
    same, other, both = (total + twice.real) / 2.0, (total - twice.real) / 2.0, -twice.imag / 2.0
    right, across = once.real, -once.imag
    det = same * other - both**2
    found = np.square(other * right - both * across) + np.square(same * across - both * right)
    return np.asarray(found / np.square(det), dtype=np.float64)


def _while_it_swings(stretches: list[Doubles], hz: float) -> float:
    """Amplitude of a swing while it lasts: in the pieces of stretches that have half of the largest's at least."""
    count = [max(1, len(one) // round(_PIECE_S / STEP_S)) for one in stretches]
    pieces = [piece for one, parts in zip(stretches, count, strict=True) for piece in np.array_split(one, parts)]
    # the longest stretch has four turns and its pieces ten seconds, so two turns of any swing: never are all too short
    pieces = [one for one in pieces if len(one) * STEP_S * hz >= _LEAST_CYCLES / 2.0]
    power = np.array([float(waves.amplitude(one, np.array([hz]))[0]) ** 2 for one in pieces])
    swinging = power >= power.max() / 4.0
    return float(np.sqrt(np.average(power[swinging], weights=np.array([len(one) for one in pieces])[swinging])))


def _nearly(
    frequency: Doubles, nearly: Mask, swings: Doubles, longest_s: float, not_own: Callable[[float], bool]
) -> Hunting | None:
    """What is said where swings [n] that `nearly` [n] stand out are too large to be denied; None without such a one.

    `not_own` says whether lamps beat at a frequency, or the picture does not swing with the exposure: then none is suspected.
    """
    if not nearly.any():
        return None
    top = int(np.argmax(np.where(nearly, swings, 0.0)))
    stops, period_s = float(swings[top]), 1.0 / float(frequency[top])
    much = f"the exposure swings by {stops:.1f} stops every {period_s:.1f} s"
    why = f"{much}, which stands out by too little to be told from following the scene"
    large = nearly & (swings >= _MAY_HUNT_STOPS) & (longest_s * frequency >= _MAY_HUNT_CYCLES)
    suspects = sorted(np.flatnonzero(large).tolist(), key=lambda one: -swings[one])
    own = next((one for one in suspects if not not_own(float(frequency[one]))), None)
    return Hunting(None, None, why, unsure=None if own is None else (float(swings[own]), 1.0 / float(frequency[own])))


def _following(hz: float) -> Hunting:
    """What is said where the picture does not swing with the exposure, and nothing else is surely the camera's."""
    level = "the picture does not brighten and darken with it, as where it follows lamps or other light in view"
    return Hunting(
        None,
        None,
        f"the exposure swings every {1.0 / hz:.1f} s, but {level}: its own swing is not told, nor one twice to four times as fast",
    )


def _apart_from(hz: float, frequency: Doubles, longest_s: float) -> Mask:
    """Which frequencies [n] are those of no line at a frequency, nor of its harmonics, for no scene is a sinus."""
    width = _LINE_WIDTH / longest_s
    apart = np.abs(np.subtract.outer(np.multiply((1.0, *_HARMONICS), hz), frequency)) > width
    return np.asarray(apart.all(axis=0), dtype=np.bool_)


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


def _line_at(hz: float, frequency: Doubles, power: Doubles, bar: Doubles, longest_s: float) -> int | None:
    """Where the largest line at a beat's frequency is in a spectrum [n]; None without one over a bar [n]."""
    off = _ALIAS_MATCH_HZ + _LINE_WIDTH / longest_s / 4.0  # a peak is read to a quarter of its width
    near = _peaks(power) & (np.abs(frequency - hz) <= off)
    top = int(np.argmax(np.where(near, power, 0.0)))
    return top if near[top] and power[top] >= bar[top] else None


def _reaches_band(beat_hz: float, longest_s: float) -> bool:
    """Whether the line of a beat, as wide as a stretch makes it, covers some of the band."""
    return BAND_HZ[0] < beat_hz + _LINE_WIDTH / longest_s and beat_hz - _LINE_WIDTH / longest_s < BAND_HZ[1]


def _no_part_of(beat: int, frequency: Doubles, swings: Doubles, longest_s: float) -> Mask:
    """Which swings [n] of a spectrum can be no part of the one at a beat, whose strength may change along the flight."""
    at, line_hz = frequency[beat], _LINE_WIDTH / longest_s
    near = np.abs(frequency - at) <= (_NEAR_BEAT_HZ if _reaches_band(float(at), longest_s) else line_hz)
    harmonic = np.any([np.abs(frequency - times * at) <= line_hz / 2.0 for times in _HARMONICS], axis=0)
    part = np.select([near, harmonic, frequency > at], [_OF_NEAR, _OF_HARMONIC, _OF_FASTER], _OF_SLOWER)
    return np.asarray(_peaks(swings) & (swings > part * swings[beat]), dtype=np.bool_)


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
    moves = _slow_stops([one for one in stretches if len(one) * STEP_S >= _SHOWS_S], 1.0 / slowest_s)
    if moves < _SLOW_STOPS:
        return Hunting(0.0, None)
    slower = f"the exposure moves by {moves:.1f} stops more slowly, which may be a swing or the scene"
    return Hunting(None, None, f"{faster}; {slower}: {unbroken}")


def _slow_stops(stretches: list[Doubles], below_hz: float) -> float:
    """By how much (peak to peak) the exposure moves at any pace of the band below a frequency; 0 where there is none."""
    frequency = np.arange(BAND_HZ[0], below_hz, _SLOW_STEP_HZ)
    if not frequency.size:
        return 0.0
    squares = [np.square(waves.amplitude(one, frequency)) for one in stretches]
    power = np.average(squares, axis=0, weights=[len(one) for one in stretches])
    return float(np.max(2.0 * np.sqrt(power) / _kept(frequency, _SHOWS_S)))


def _kept(hz: Doubles | float, longest_s: float) -> Doubles:
    """Share of swings [n] that is left once slow change is taken out; over 1 where the moving mean swings against it."""
    width = waves.slow_width(round(longest_s / STEP_S))
    half = np.pi * hz * STEP_S
    return np.asarray(1.0 - np.sin(width * half) / (width * np.sin(half)))


def _beside(frequency: Doubles, power: Doubles) -> Doubles:
    """Power [n] to be expected at frequencies from that beside them: a straight line in the logarithms, for a camera that
    follows its scene does so the less the faster the scene changes. Infinite where too little is beside.
    """
    at, value = np.log(frequency), np.log(power + _LEAST_POWER)
    near, far = np.log(_BESIDE)
    start, end = (np.searchsorted(at, [at - far, at + near]), np.searchsorted(at, [at - near, at + far], "right"))

    def over(values: Doubles) -> Doubles:
        running = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(np.sum(running[end] - running[start], axis=0))

    n, x, xx, y, xy = (over(one) for one in (np.ones_like(at), at, at**2, value, at * value))
    x, xx, xy = x - n * at, xx - 2.0 * at * x + n * at**2, xy - at * y  # from each frequency on
    known = n >= _FEWEST_BESIDE
    spread = np.where(known, n * xx - x**2, 1.0)
    return np.where(known, np.exp(np.where(known, (xx * y - x * xy) / spread, 0.0)), np.inf)


def _line_bar(pieces: float) -> float:
    """Times the power beside it from which on the mean power of so many pieces is a line."""
    # The power of noise is of a gamma distribution, and what is beside a mean of logarithms.
    return max(float(gammainccinv(pieces, _CHANCE) / np.exp(digamma(pieces))), _LEAST_LINE)


def flicker(time_s: Doubles, level_percent: Doubles, counted: Mask, rate_hz: float) -> Flicker | None:
    """Find the beat of mains lamps in the level [n]: a line at an alias of theirs that stands out from what is beside it."""
    found = None
    for lamp in MAINS_LAMP_HZ:
        alias = alias_hz(lamp, rate_hz)
        if alias < _LEAST_ALIAS_HZ or alias > 0.45 * rate_hz:
            continue
        parts = [
            part for part in waves.stretches(time_s, level_percent, counted) if np.ptp(part[0]) * alias >= _LEAST_CYCLES
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
    squares = [np.square(waves.line(*part, frequency)) for part in parts]
    return np.asarray(np.sqrt(np.average(squares, axis=0, weights=[len(times) for times, _ in parts])))
