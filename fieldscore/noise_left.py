"""How noise left in the recording depends on level: told, in pools of tiles of several frame pairs, from motion and a codec's gaps.

What a pair of frames leaves in a tile is noise, and two things that are not: motion that was not followed adds to it, and a codec
short of bits takes from it, since it carries noise on from frame to frame. Both come and go from tile to tile and from pair to
pair. So of each pool of like levels a low quartile of its tiles is taken, and of those a low quartile over the last pairs. Where
the low end of a pool lies lower than that of noise would, it is the codec: then the middle over the pairs counts. But where the
codec has bits enough, and frames are not seen to carry noise on, it is motion, which few of the tiles escaped, and the low end
says what noise is.

Tiles so plain that motion can leave next to nothing in them have their median with the noise that a codec, or the camera's own
denoiser, carries on, which the mean of the two frames shows: all of it under such a codec, else no more than what frames twice as
far apart differ by more says, for what it shows beyond is the scene's. A codec that codes each picture by itself carries nothing
on, but codes rough ground that moves otherwise in each.

Noise changes little from one level to the next, so that each pool's figure is weighed against its neighbours'. Where no codec takes
noise away, what is rough only ever reads too high, and hardly holds plain pools up, least where each picture is coded by itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]

LEVEL_EDGES = np.array(
    [-1.0, 0.06, 0.12, 0.2, 0.3, 0.45, 0.65, 2.0]
)  # level fractions above the floor that bound the pools
POOLS = len(LEVEL_EDGES) - 1
LOW_PERCENT, LOWEST_PERCENT = 25.0, 10.0
# points of chi-square over its 22 degrees of freedom (scipy.stats.chi2.ppf)
LOW_OF_CHI_SQUARE = 0.7836  # 25 %
LOWEST_OF_CHI_SQUARE = 0.6382  # 10 %
MIDDLE_OF_CHI_SQUARE = 0.9699  # its median
POOL_MINIMUM = 8  # tiles of one pair; a quartile of fewer says little
# times the pool's middle variance: mean square gradient of a plain tile; that of noise alone is half of it. Less in fields, where
# what is finer than their lines changes with every half a line of motion (docs/decisions/plain_noise.py).
_PLAIN_TILE, _PLAIN_OF_FIELDS = 3.0, 2.0
_PLAIN_AT_LEAST = 0.2  # squared codes a block: plain whatever the noise; rounding and the ridge leave 0.1 to 0.2
RECENT = 8  # measurements, about 1.6 s, that are pooled: motion differs between them, gain less (docs/decisions/plain_noise.py)
_PAIRS = 2  # of them at least, as soon as any pool has as many
_MOSTLY = 0.5  # share of a pool's pairs with plain tiles enough: where motion was lost in a pair, everything is plain beside it
# per cent of the pairs below what is taken of rough pools: where nothing starves them, and where a codec does
_OVER_TIME = (25.0, 50.0)
# log of the low end of sigma over what it is for noise, mean of all pools: from where on a codec takes noise away, and from
# where on that is counted in full (docs/decisions/carried_noise.py)
_SOUND, _STARVED = -0.08, -0.15
_OF_MOTION = (
    -0.27
)  # the same at least, where it is of motion that was not followed; tiles that a codec left alone make it lower
# bits a pixel from where on a low end is in part motion that was not followed, and where it is that alone
# (docs/decisions/carried_noise.py)
_SHORT, _ENOUGH = 0.3, 0.6
_FARTHEST = -0.5  # the same, of one pool: no more is counted, and that where a quarter of its tiles did not change
# Low end down to which noise is even from tile to tile, and how much more frames twice as far apart differ then at most (both logs
# of sigma), whichever holds (docs/decisions/uneven_noise.py).
_EVEN_END, _EVEN_FARTHER = -0.1, 0.13
# log of sigma: what any codec but one of single pictures may carry on, where no frames farther apart tell
_CARRIED = 0.1
# the same from where on, as a denoiser makes it, a low end is not of motion whatever the bits
_CARRIED_FAR = 0.25
_MOST_KEPT = 0.7  # share of a frame's noise that the next one keeps, at most: of more so few frames say nothing
_EXACT = 0.12  # log of sigma: how far a pool is off (docs/decisions/plain_noise.py)
_ROUGH, _ROUGH_INTRA = 0.6, 2.0  # the same where it may only be too high, and where each picture is coded by itself
_DRIFT = 0.22  # log of sigma by which noise changes over a factor e of level, one sigma: with codecs and knees it goes either way
_LEAST_APART = 0.1  # log of level: pools are taken to be as far apart as that
_LEAST_LEVEL = 0.02  # of black to white
_LEAST_VARIANCE = 1e-4  # squared codes: no less is told apart
_TURNS = 4  # of the fit, at most: which pools are over it settles in two or three


class PairPools(NamedTuple):
    """What one pair of frames says of each pool [pools], in squared codes of a block mean; NaN where it has too few tiles.

    `levels` are means; `tails` log of the low end of sigma over what it is for noise; `quarters` and `plainer` low quarters of the
    tiles' variances, of all and of the plainer half at `plainer_levels`; `plain` the median of plain tiles, `wholes` that with what
    is carried on, `fars` that of frames twice as far apart; `counts` how many tiles.
    """

    levels: Doubles
    tails: Doubles
    plainer: Doubles
    quarters: Doubles
    plain: Doubles
    wholes: Doubles
    counts: Doubles
    plainer_levels: Doubles
    fars: Doubles


@dataclass(frozen=True)
class LeftCurve:
    """Noise left: log of the sigma of block means (codes) at level fractions [n] above the floor, ascending."""

    levels: Doubles
    logs: Doubles

    def codes_at(self, levels: Doubles) -> Doubles:
        """Sigma of block means in codes at level fractions."""
        return np.asarray(np.exp(np.interp(levels, self.levels, self.logs)))


def pair_pools(tiles: Doubles, *, fields: bool = False) -> PairPools:
    """Pools of the tiles [5, n] of one pair: level, variance, structure, whole variance and that of frames twice as far apart.

    The last may be NaN. `fields`: the pair is of fields.
    """
    plain = _PLAIN_OF_FIELDS if fields else _PLAIN_TILE
    found = np.full((len(PairPools._fields), POOLS), np.nan)
    place = np.searchsorted(LEVEL_EDGES, tiles[0], side="right") - 1
    order = np.lexsort((tiles[1], place))
    tiles, ends = tiles[:, order], np.searchsorted(place[order], np.arange(POOLS + 1))
    for pool in range(POOLS):
        first, end = int(ends[pool]), int(ends[pool + 1])
        if end - first >= POOL_MINIMUM:
            found[:, pool] = _of_pool(plain, *tiles[:, first:end])
    return PairPools(*found)


def _of_pool(  # noqa: PLR0913 - what a tile has
    plain_tile: float, level: Doubles, variance: Doubles, structure: Doubles, whole: Doubles, far: Doubles
) -> tuple[float, ...]:
    """Figures of PairPools, of tiles in the order of their variance."""
    quarter = point(variance, LOW_PERCENT) / LOW_OF_CHI_SQUARE
    middle = point(variance, 50.0) / MIDDLE_OF_CHI_SQUARE
    tail = _tail(point(variance, LOWEST_PERCENT) / LOWEST_OF_CHI_SQUARE, quarter, middle)
    half = structure <= point(np.sort(structure), 50.0)
    plainer = point(variance[half], LOW_PERCENT) / LOW_OF_CHI_SQUARE
    plain = structure <= plain_tile * middle + _PLAIN_AT_LEAST
    of_plain, of_wholes, of_fars = variance[plain], np.sort(whole[plain]), np.sort(far[plain])
    if len(of_plain) < POOL_MINIMUM:
        plains = wholes = fars = np.nan
    else:
        plains, wholes, fars = (point(one, 50.0) / MIDDLE_OF_CHI_SQUARE for one in (of_plain, of_wholes, of_fars))
    count = len(level)
    return float(level.sum()) / count, tail, plainer, quarter, plains, wholes, count, float(level[half].mean()), fars


def _tail(lowest: float, quarter: float, middle: float) -> float:
    """Log of the low end of sigma over what it is for noise."""
    if quarter <= _LEAST_VARIANCE:
        return _FARTHEST if middle > _LEAST_VARIANCE else 0.0
    return max(0.5 * math.log(max(lowest, _LEAST_VARIANCE) / quarter), _FARTHEST)


def point(ordered: Doubles, percent: float) -> float:
    """The value below which so many per cent of sorted values are, as numpy.percentile but several times as fast on few."""
    rank, part = divmod((len(ordered) - 1) * percent / 100.0, 1.0)
    low = int(rank)
    high = min(low + 1, len(ordered) - 1)
    return float(ordered[low] + part * (ordered[high] - ordered[low]))


def farther_apart(pools: PairPools) -> float:
    """By how much more, as log of sigma, plain tiles of frames twice as far apart differ; NaN where that is not known."""
    known = np.isfinite(pools.fars) & np.isfinite(pools.plain)
    if not known.any():
        return math.nan
    ratio = np.maximum(pools.fars[known], _LEAST_VARIANCE) / np.maximum(pools.plain[known], _LEAST_VARIANCE)
    return 0.5 * float(np.log(ratio).mean())


def carried_on(farther: float) -> float:
    """By how much less, as log of sigma, two frames differ than their noise is large, from `farther_apart`.

    Where each frame keeps a share r of the noise of the one before, two in a row differ by 1 - r of it, two twice as far apart by
    1 - r**2 (an autoregressive process of the first order), so that the ratio of the two is 1 + r.
    """
    kept = min(max(math.exp(2.0 * farther) - 1.0, 0.0), _MOST_KEPT)
    return -0.5 * math.log(1.0 - kept)


def left_curve(
    recent: Sequence[PairPools], *, carried: float | None = None, intra: bool = False, bits_a_pixel: float | None = None
) -> LeftCurve:
    """The curve of the last pairs together, of which at least one has a pool; `intra`: each picture is coded by itself.

    `carried`: `carried_on` of the flight so far, `bits_a_pixel` what the codec spends, each None where that is not known.
    """
    enough_bits = 0.0 if intra else _bits_enough(bits_a_pixel, carried)
    pairs = np.array(recent)  # [pairs, figures, pools]
    known = np.count_nonzero(np.isfinite(pairs), axis=0)
    starved = 0.0 if intra else _starved(low_end(recent)) * (1.0 - enough_bits)
    allowed, roughly = (0.0, _ROUGH_INTRA) if intra else (_CARRIED if carried is None else carried, _ROUGH)
    logs = 0.5 * np.log(np.maximum(pairs[:, 2:6], _LEAST_VARIANCE))
    logs[:, 0] += enough_bits * np.maximum(pairs[:, 1], _OF_MOTION)
    logs.sort(axis=0)  # what is not known comes last
    enough = min(_PAIRS, int(known[0].max()))
    pools = [pool for pool in range(POOLS) if known[0, pool] >= enough]
    levels: list[float] = []
    values: list[float] = []
    low: list[float] = []
    for pool in pools:
        rough, plain = int(known[0, pool]), int(known[4, pool])
        is_plain = plain >= max(enough, _MOSTLY * rough)
        if is_plain:
            sound, poor = (point(logs[:plain, row, pool], 50.0) for row in (2, 3))
            sound += min(max(poor - sound, 0.0), allowed)
        else:
            sound, poor = (point(logs[:rough, row, pool], _OVER_TIME[row]) for row in (0, 1))
        values.append(sound + starved * (poor - sound))
        low.append(_EXACT if is_plain else roughly ** (1.0 - starved) * _EXACT**starved)
        levels.append(max(float(np.nansum(pairs[:, 0, pool])) / rough, _LEAST_LEVEL))
    return LeftCurve(np.array(levels), np.array(_weighed([math.log(one) for one in levels], values, low)))


def low_end(recent: Sequence[PairPools]) -> float:
    """Log of the low end of sigma over what it is for noise, mean of all pools of some pairs; NaN where there is none.

    The lower, the more noise a codec takes from some tiles.
    """
    weighted = [
        (tail * count, count)
        for pair in recent
        for tail, count in zip(pair.tails.tolist(), pair.counts.tolist(), strict=True)
        if not math.isnan(tail)
    ]
    if not weighted:
        return math.nan
    sums, counts = zip(*weighted, strict=True)
    return math.fsum(sums) / math.fsum(counts)


def uneven(end: float, farther: float) -> bool:
    """Say whether a flight's noise differs from tile to tile of one level, as a denoiser or a codec short of bits makes it.

    `end` is its `low_end`, `farther` its `farther_apart`: some tiles hold too little noise, and frames carry it on. Either comes by
    itself in sound flights. What is not known (NaN) says nothing.
    """
    return end < _EVEN_END and farther > _EVEN_FARTHER


def _starved(end: float) -> float:
    """How far [0, 1] a codec takes noise from tiles, by where their low end lies."""
    return min(max((_SOUND - end) / (_SOUND - _STARVED), 0.0), 1.0)


def _bits_enough(bits_a_pixel: float | None, carried: float | None) -> float:
    """How far [0, 1] a low end is of motion: a codec has bits enough (0 if not known), and frames carry no noise on."""
    if bits_a_pixel is None:
        return 0.0
    enough = min(max((bits_a_pixel - _SHORT) / (_ENOUGH - _SHORT), 0.0), 1.0)
    if carried is None:
        return enough
    return enough * min(max((_CARRIED_FAR - carried) / (_CARRIED_FAR - _CARRIED), 0.0), 1.0)


def _weighed(places: list[float], values: list[float], low: list[float]) -> list[float]:
    """Values at places (logs) weighed against their neighbours'; `low` is how far each may be off where it is over the fit."""
    ties = [1.0 / (_DRIFT**2 * max(b - a, _LEAST_APART)) for a, b in pairwise(places)]
    fitted, off = values, [_EXACT] * len(values)
    for _ in range(_TURNS):
        fitted = _solved(ties, [off_one**-2 for off_one in off], values)
        last, off = off, [by if fit < value else _EXACT for fit, value, by in zip(fitted, values, low, strict=True)]
        if off == last:
            break
    return fitted


def _solved(ties: list[float], weights: list[float], values: list[float]) -> list[float]:
    """Least squares of weighted values and of ties between neighbours (Thomas's algorithm: NumPy takes longer on so few)."""
    slopes, sums = [], []
    slope = total = before = 0.0
    for weight, value, tie in zip(weights, values, [*ties, 0.0], strict=True):
        pivot = weight + before + tie - before * slope
        total = (weight * value + before * total) / pivot
        slope = tie / pivot
        before = tie
        slopes.append(slope)
        sums.append(total)
    fitted = [0.0] * len(values)
    after = 0.0
    for one in reversed(range(len(values))):
        after = fitted[one] = sums[one] + slopes[one] * after
    return fitted
