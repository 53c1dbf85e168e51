"""Readability of a whole flight: the noise of one second held against that of others, through the camera's own exposure.

A pair of frames says little of noise: motion that was not followed adds to it, a codec short of bits takes it away, both
by what happens to be flown past. The camera's own noise follows its gain alone. With the exposure known, noise measured
at one time says what it is at another: each measurement is taken to one gain, those around are averaged, and taken back.
How much of the exposure was gain is read from the flight, too: a shutter that moves by day leaves noise at a level as it
is, and so does a link that adds its own. How much the codec smears is judged by the whole flight, as well.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from fieldscore.collect import TileBins
from fieldscore.frame import Floats, Frame, PictureArea
from fieldscore.links import ExposureLink
from fieldscore.measures.readability import DARK, NOISY, PERCEPTIBLE_CODES, Sight, given_back, rose_k, shares, sight
from fieldscore.noise import NOISE_EVERY_S, object_noise
from fieldscore.noise_left import low_end, uneven
from fieldscore.other_curves import StandsOut
from fieldscore.record import TileSeries
from fieldscore.spool import Spool, let_go

Doubles = npt.NDArray[np.float64]

# Level fractions above the floor at which a noise curve is kept; between them it is all but straight in the logarithm.
LEVELS = np.array([0, 0.02, 0.04, 0.06, 0.09, 0.12, 0.16, 0.2, 0.25, 0.3, 0.37, 0.45, 0.55, 0.65, 0.8, 1.0])
# log2 of noise, in codes at one level, for a stop of gain: 0.5 where shot noise rules, 1 where read noise does. An object
# that is just seen stands on a dozen electrons a pixel or two, which is between. 0 for a stop of shutter time, or where a link's
# noise rules: a flight whose exposure moves far enough says which, against this and its spread (docs/decisions/noise_of_gain.py).
NOISE_OF_GAIN, GAIN_SPREAD = 0.7, 0.4
# The spread of the same about nothing, for noise that is told: a denoiser or a codec short of bits leaves as much at any gain, and
# a flight whose noise does not show that it goes with the exposure keeps what was measured (docs/decisions/noise_told.py).
TOLD_SPREAD = 0.3
# s from one measurement to the next that counts as independent: they are pooled over 1.6 s (noise_left.py), what they are off by
# holds for up to 2 s, and what a trace is off by for longer (docs/decisions/noise_of_gain.py).
_INDEPENDENT_S = 5.0
# Measurements farther off than so many deviations count as that far, and the least deviation: of one pair's quartiles, about.
_OUTLYING, _LEAST_SCATTER = 1.5, 0.02
_MEDIAN_OF_NORMAL = 0.6745  # of the absolute value, in standard deviations
_TURNS = 10  # of reweighting: the slope settles to a hundredth
_NO_GAIN = 1e-9  # squared stops in all: less is no slope at all
# s: measurements count by exp(-t / this). Noise varies by what is flown past within a second or two; an exposure
# trace is trusted for a few more (docs/decisions/noise_of_gain.py).
MEMORY_S = 10.0
# Stops a second from one linked row to the next: so fast a lamp is lit or put out, and how much of it is gain is not known. A loop
# moves a camera's gain by up to ten (those that were simulated); where it steps at once, the memory begins anew.
_SUDDEN = 12.0
# How much of the black found is believed (docs/decisions/black_seen.py)
BLACK_SHARE = 0.5
# Where noise differs from tile to tile: how many times as strong as told it is tried, and points of the readable share which that
# must cost for a note (docs/decisions/uneven_noise.py).
_UNEVEN_TIMES, _MATTERS_PERCENT = 1.4, 7.0
_MAY_BE_HIGH = (
    "readable shares may be too high: a denoiser or a codec short of bits has left more noise in some parts of the picture than in "
    "others as bright; {:.0f} % of all tiles are readable by the noise measured, {:.0f} % if it were {:g} times as strong"
)
# s that tiles are held for in the map at most; they are measured eight to ten times a second. Frames that they are held for
# until then do not count in it: it would lag behind the picture.
_HELD_LONG_S = 0.2
_AT_ONCE = 512  # entries computed at a time, so that memory stays flat


@dataclass(frozen=True)
class ReadablePart:
    """What `ReadableRows` holds: times [n] and entry [n] of each row; first row, freshness and data of each entry; their noise.

    `ends`: low end of the noise of tiles of each fresh entry, else NaN; `farther`: by how much more frames twice as far apart
    differ, NaN where it is not known (both noise_left.py); `over_s`: seconds before it that its noise is the mean of.
    """

    time_s: array[float]
    entries: array[int]
    firsts: list[int]
    fresh: list[bool]
    ends: array[float]
    farther: array[float]
    over_s: array[float]
    noise: bytes
    data: npt.NDArray[np.void]


class _Chain(NamedTuple):
    """Entries [n] with noise known on one chain of links, their times, which were measured afresh, and the exposure
    (stops) in force `now` and over what the noise was `measured` from.
    """

    entries: npt.NDArray[np.intp]
    time_s: Doubles
    fresh: npt.NDArray[np.bool_]
    now: Doubles
    measured: Doubles


class ReadableRows:
    """What the tiles' k is made of, gathered during the pass; it waits on disk, so that memory stays flat."""

    def __init__(self, area: PictureArea) -> None:
        self._area = area
        tiles = area.tiles
        self._entry = np.dtype([("signal", "<f2", tiles), ("level", "<f2", tiles), ("why", "u1", tiles)])
        self._noise = bytearray()  # log2 of codes at LEVELS, 32 bits each
        self._last: Sight | None = None
        self._measured_s = -np.inf
        self._times, self._entries = (
            array("d"),
            array("q"),
        )  # a frame each: lists of an hour would be five times as large
        self._firsts: list[int] = []
        self._fresh: list[bool] = []
        self._ends = array("d")
        self._farther = array("d")
        self._over_s = array("d")
        self._spool = Spool()

    def close(self) -> None:
        """Let go of the file on disk."""
        self._spool.close()

    def add(self, frame: Frame) -> None:
        """Take in the next frame: what is known of the one that it is held to, once."""
        found = frame.held(sight)
        if found is not self._last:
            self._last = found
            self._firsts.append(len(self._times))
            curve = found.curve
            self._fresh.append(curve is not None and curve.time_s > self._measured_s)
            self._ends.append(low_end(curve.recent) if curve is not None and self._fresh[-1] else np.nan)
            self._farther.append(curve.farther if curve is not None and curve.farther_count else np.nan)
            self._over_s.append(0.0 if curve is None else (len(curve.recent) - 1) * NOISE_EVERY_S)
            entry = np.zeros((), dtype=self._entry)
            entry["signal"], entry["level"], entry["why"] = found.signal, found.level, found.why
            noise = np.full(LEVELS.shape, np.nan)
            if curve is not None:
                self._measured_s = max(self._measured_s, curve.time_s)
                noise = np.log2(object_noise(curve, self._area, LEVELS))
            self._noise += noise.astype(np.float32).tobytes()
            self._spool.write(entry.tobytes())
        self._times.append(frame.time_s)
        self._entries.append(len(self._firsts) - 1)

    def begin(self, before_s: float) -> None:
        """Begin after a frame at a time: noise measured until then counts for rows before."""
        self._measured_s = before_s

    def part(self) -> ReadablePart:
        """Give all there is, to be taken in elsewhere."""
        data = np.array(self._spool.view(self._entry, (len(self._firsts),)))
        noise, each = bytes(self._noise), (self._fresh, self._ends, self._farther, self._over_s)
        return ReadablePart(self._times, self._entries, self._firsts, *each, noise, data)

    def take(self, part: ReadablePart) -> None:
        """Append the rows of a part."""
        rows, entries = len(self._times), len(self._firsts)
        self._times.extend(part.time_s)
        self._entries.extend(entries + entry for entry in part.entries)
        self._firsts += [rows + first for first in part.firsts]
        self._fresh += part.fresh
        self._ends.extend(part.ends)
        self._farther.extend(part.farther)
        self._over_s.extend(part.over_s)
        self._noise += part.noise
        self._spool.write(part.data.tobytes())

    def nothing(self, time_s: Doubles) -> TileSeries:
        """Give the tiles of a flight at `time_s` [n] of which no readability is known."""
        area, criteria = self._area, self._area.criteria
        bins = TileBins(criteria.tile_rows, criteria.tile_columns, criteria.tile_interval_s)
        for one in time_s.tolist():
            bins.add(one, np.full(area.tiles, np.nan, dtype=np.float32))
        return bins.series()

    def finish(
        self,
        stops: Doubles,
        links: Sequence[ExposureLink],
        black_set_down: float = 0.0,
        curve_ends: tuple[str, str] | None = None,
    ) -> tuple[TileSeries, Doubles]:
        """Give k by tile over time, and for the rows added the columns of `readable_shares` and `CURVE_COLUMNS` [n, 9].

        `stops` [n] is the exposure trace and `links` what it was found from: over a break of theirs nothing is carried.
        `black_set_down`: level fraction by which the trace has black below where it is coded. `curve_ends`: the
        tone curves by which least and most is readable, else the one measured under.
        """
        area, criteria = self._area, self._area.criteria
        kept = self._spool.view(self._entry, (len(self._firsts),))
        model = self._steadied(np.frombuffer(self._noise, dtype=np.float32).reshape(-1, LEVELS.size), stops, links)
        unsmeared = given_back(_middle(kept["level"], model), _median(self._ends), intra=area.intra)
        bins = TileBins(criteria.tile_rows, criteria.tile_columns, criteria.tile_interval_s)
        own = criteria.transfer_curve
        stands_out = StandsOut(criteria, BLACK_SHARE * black_set_down, curve_ends or (own, own))
        figures = np.empty((len(self._firsts), 9))
        ends = [*self._firsts[1:], len(self._times)]
        for start in range(0, len(kept), _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            signal, level = (kept[name][part].astype(np.float64) for name in ("signal", "level"))
            noise = _noise_at(level, model[part])
            # without any noise known, the signal is 0 or NaN, and so is k
            signal *= stands_out.under_own(level)
            seen = unsmeared * rose_k(signal, np.exp2(noise), intra=area.intra)
            k = np.where(np.isfinite(noise), seen, signal).astype(np.float32)
            why = kept["why"][part]
            why = np.where((why == DARK) & (signal >= PERCEPTIBLE_CODES), NOISY, why)
            under = [shares(k * times, why, area)[:, :2] for times in stands_out.at_ends(level)]
            figures[part] = np.hstack([shares(k, why, area), np.stack(under, axis=2).reshape(len(k), -1)])
            for tiles, first, end in zip(k, self._firsts[part], ends[part], strict=True):
                since_s = self._times[first]
                for time_s in self._times[first:end]:
                    if time_s == since_s or time_s - since_s > _HELD_LONG_S:
                        bins.add(time_s, tiles)
            let_go(kept)
        return bins.series(), figures[np.asarray(self._entries)]

    def told(self, stops: Doubles, links: Sequence[ExposureLink]) -> Doubles:
        """By what factor [n] the noise of each row is more than was measured: at its own gain, not that of a second before."""
        noise = np.frombuffer(self._noise, dtype=np.float32).reshape(-1, LEVELS.size)
        now, known, chains = noise.copy(), np.zeros(len(noise), dtype=np.bool_), self._chained(noise, stops, links)
        exponent = gain_exponent(*self._measured(noise, chains), 0.0, TOLD_SPREAD)
        for chain in chains:
            now[chain.entries] += exponent * (chain.now - chain.measured)[:, None]
            known[chain.entries] = True
        more = self._not_quieter(now, known) - noise
        kept = self._spool.view(self._entry, (len(self._firsts),))
        tiles = _tiles_at(kept["level"], np.arange(len(more)))
        let_go(kept)
        return np.asarray(np.exp2((tiles * more).sum(axis=1))[np.asarray(self._entries)], dtype=np.float64)

    def doubt(self, tiles: TileSeries) -> str | None:
        """Give a note that readable shares may be too high; None where nothing says so. `tiles` are those of `finish`."""
        if not uneven(_median(self._ends), _median(self._farther)):
            return None
        k, rose = tiles.readable, self._area.criteria.rose_k
        known = max(int(np.count_nonzero(np.isfinite(k))), 1)
        share, less = (100.0 * np.count_nonzero(k >= times * rose) / known for times in (1.0, _UNEVEN_TIMES))
        if share - less < _MATTERS_PERCENT:
            return None
        return _MAY_BE_HIGH.format(share, less, _UNEVEN_TIMES)

    def _steadied(self, noise: Floats, stops: Doubles, links: Sequence[ExposureLink]) -> Floats:
        """Log2 of the noise [entries, levels] with that measured before and after, taken to the same gain.

        Where the exposure is not known (no link reaches it), or nothing was measured nearby, as `_not_quieter` has it.
        """
        found, chains = noise.copy(), self._chained(noise, stops, links)
        known = np.zeros(len(noise), dtype=np.bool_)
        exponent = gain_exponent(*self._measured(noise, chains), NOISE_OF_GAIN, GAIN_SPREAD)
        for entries, time_s, fresh, now, _ in chains:
            moved = exponent * now[:, None]
            still = np.where(fresh[:, None], noise[entries] - moved, 0.0)
            total, mean = _around(fresh[:, None].astype(np.float64), time_s), _around(still, time_s)
            there = total[:, 0] > np.exp(-1.0)
            found[entries[there]] = mean[there] / total[there] + moved[there]
            known[entries[there]] = True
        return self._not_quieter(found, known)

    def _not_quieter(self, noise: Floats, known: npt.NDArray[np.bool_]) -> Floats:
        """Log2 of noise [entries, levels] that is, where it is not `known` [entries], no less than where it last was known.

        Until all of it is measured after that: flying into the dark breaks the trace, and what was measured is of the light before.
        """
        times, fresh = np.asarray(self._times)[np.array(self._firsts)], np.array(self._fresh)
        since = np.maximum.accumulate(np.where(fresh, times - np.asarray(self._over_s), -np.inf))
        last = np.maximum.accumulate(np.where(known, np.arange(len(known)), -1))
        stale = ~known & (last >= 0) & (since <= times[last])
        noise[stale] = np.maximum(noise[stale], noise[last[stale]])
        return noise

    def _chained(self, noise: Floats, stops: Doubles, links: Sequence[ExposureLink]) -> list[_Chain]:
        """The entries of each chain of links whose exposure and noise [entries, levels] are known."""
        times, firsts, fresh = np.asarray(self._times), np.array(self._firsts), np.array(self._fresh)
        since, sums = times[firsts] - np.asarray(self._over_s), np.concatenate(([0.0], np.cumsum(np.nan_to_num(stops))))
        counts = np.concatenate(([0], np.cumsum(np.isfinite(stops))))
        chains = []
        for start, end in _chains(links, stops, times):
            inside = np.flatnonzero((firsts >= start) & (firsts <= end) & np.isfinite(noise).all(axis=1))
            inside = inside[np.isfinite(stops[firsts[inside]])]
            if inside.size:
                rows = firsts[inside]
                oldest = np.clip(np.searchsorted(times, since[inside]), start, rows)
                measured = (sums[rows + 1] - sums[oldest]) / (counts[rows + 1] - counts[oldest])
                chains.append(_Chain(inside, times[rows], fresh[inside], stops[rows], measured))
        return chains

    def _measured(self, noise: Floats, chains: Sequence[_Chain]) -> tuple[Doubles, Doubles, float]:
        """Exposure and noise [n] as they were measured on the chains, off those around, and over how many seconds."""
        kept = self._spool.view(self._entry, (len(self._firsts),))
        gains, noises, span_s = [np.zeros(0)], [np.zeros(0)], 0.0
        for entries, time_s, fresh, _, measured in chains:
            of, times = entries[fresh], time_s[fresh]
            if of.size > 1:
                tiles = _tiles_at(kept["level"], of)
                gains.append(_beside(measured[fresh, None], tiles, times))
                noises.append(_beside(noise[of].astype(np.float64), tiles, times))
                span_s += times[-1] - times[0]
        let_go(kept)
        return np.concatenate(gains), np.concatenate(noises), span_s


def _median(values: array[float]) -> float:
    """The median of what is known of some values; NaN where nothing is."""
    known = np.asarray(values)[np.isfinite(values)]
    return float(np.median(known)) if known.size else np.nan


def gain_exponent(gain: Doubles, noise: Doubles, span_s: float, usual: float, spread: float) -> float:
    """Log2 of noise for a stop of exposure, 0 to 1, from measurements [n] of both over `span_s`, in stops and log2 off their means.

    Their slope, outliers held back (P. J. Huber 1964), weighed against what is `usual` by its error and the `spread` of that.
    """
    if not gain.size:
        return usual
    weight, scatter, slope = np.ones(len(gain)), _LEAST_SCATTER, 0.0
    for _ in range(_TURNS):
        slope = float(weight @ (gain * noise)) / max(float(weight @ gain**2), _NO_GAIN)
        rest = np.abs(noise - slope * gain)
        scatter = max(float(np.median(rest)) / _MEDIAN_OF_NORMAL, _LEAST_SCATTER)
        weight = 1.0 / np.maximum(rest / (_OUTLYING * scatter), 1.0)
    independent = min(max(span_s, 0.0) / _INDEPENDENT_S, len(gain))
    share = independent * float(np.mean(weight * gain**2)) * (spread / scatter) ** 2
    return min(max((share * slope + usual) / (share + 1.0), 0.0), 1.0)


def _tiles_at(levels: npt.NDArray[np.floating], entries: npt.NDArray[np.intp]) -> Doubles:
    """Share of the tiles of some entries [n] nearest each of LEVELS [n, levels], of levels [entries, tiles]."""
    counts = np.zeros((len(entries), LEVELS.size))
    between = (LEVELS[1:] + LEVELS[:-1]) / 2.0
    for row, entry in enumerate(entries.tolist()):
        if row % _AT_ONCE == 0:
            let_go(levels)
        known = levels[entry][np.isfinite(levels[entry])]
        counts[row] = np.bincount(np.digitize(known, between), minlength=LEVELS.size)
    return np.asarray(counts / np.maximum(counts.sum(axis=1, keepdims=True), 1.0), dtype=np.float64)


def _beside(values: Doubles, weight: Doubles, time_s: Doubles) -> Doubles:
    """How far values [n, k or 1] at times [n] lie off the mean of those around, as the mean over k: [n], all by a weight [n, k]."""
    total = np.maximum(_around(weight, time_s), np.finfo(np.float64).tiny)
    return np.asarray((weight * (values - _around(weight * values, time_s) / total)).sum(axis=1), dtype=np.float64)


def _noise_at(level: Doubles, curves: Floats) -> Doubles:
    """Log2 of the noise [entries, tiles] at levels [entries, tiles] of curves [entries, levels]."""
    return np.array([np.interp(one, LEVELS, curve) for one, curve in zip(level, curves, strict=True)])


def _middle(level: npt.NDArray[np.floating], curves: Floats) -> float:
    """The middle noise (codes) of the tiles of a flight, of as many entries as are computed at a time; NaN where none is known."""
    every = slice(None, None, len(level) // _AT_ONCE + 1)
    noise = _noise_at(level[every].astype(np.float64), curves[every])
    known = noise[np.isfinite(noise)]
    return float(np.exp2(np.median(known))) if known.size else np.nan


def _chains(links: Sequence[ExposureLink], stops: Doubles, time_s: Doubles) -> list[tuple[int, int]]:
    """First and last row of each chain of links, over which the exposure `stops` [n] at `time_s` [n] goes on."""
    chains: list[tuple[int, int]] = []
    for link in links:
        over_s = time_s[link.after] - time_s[link.before]
        if abs(stops[link.after] - stops[link.before]) >= _SUDDEN * over_s > 0.0:
            chains.append((link.after, link.after))
        elif chains and chains[-1][1] == link.before:
            chains[-1] = chains[-1][0], link.after
        else:
            chains.append((link.before, link.after))
    return chains


def _around(values: Doubles, time_s: Doubles) -> Doubles:
    """Sums [n, k] of values at times [n] near each time, weighted by exp(-distance / MEMORY_S)."""
    fades = np.exp(-np.diff(time_s) / MEMORY_S)
    return _faded(values, fades) + _faded(values[::-1], fades[::-1])[::-1] - values


def _faded(values: Doubles, fades: Doubles) -> Doubles:
    """Running sum [n, k] of which `fades` [n - 1] leaves a share from each to the next."""
    found = values.copy()
    for row, fade in enumerate(fades.tolist(), 1):
        found[row] += fade * found[row - 1]
    return found
