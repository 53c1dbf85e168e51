"""How noise left in the recording depends on level: told, in pools of tiles of several frame pairs, from motion and a codec's gaps.

What a pair of frames leaves in a tile is noise, and two things that are not: motion that was not followed adds to it, and a codec
short of bits takes from it, since it carries noise on from frame to frame. Both come and go from tile to tile and from pair to
pair. So of each pool of like levels a low quartile of its tiles is taken, and of those a low quartile over the last pairs. Where
the low end of a pool lies lower than that of noise would, it is the codec: then the middle over the pairs counts. Tiles so plain
that motion can leave next to nothing in them have their median, and under such a codec with the noise that it carries on, which
the mean of the two frames shows.

Noise changes little from one level to the next, so that each pool's figure is weighed against its neighbours'. Where no codec takes
noise away, what is rough only ever reads too high, and hardly holds plain pools up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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
POOL_MINIMUM = 5  # tiles of one pair; a quartile of fewer says little
_PLAIN_TILE = 1.5  # times the pool's variance: mean square gradient of a plain tile; that of noise alone is once it
_PLAIN_AT_LEAST = 0.2  # squared codes a block: plain whatever the noise; rounding and the ridge leave 0.1 to 0.2
RECENT = 8  # measurements, about 1.6 s, that are pooled: motion differs between them, gain less (docs/decisions/plain_noise.py)
_PAIRS = 2  # of them at least, as soon as there are as many
# per cent of the pairs below what is taken of rough pools: where nothing starves them, and where a codec does
_OVER_TIME = (25.0, 50.0)
# log of the low end of sigma over what it is for noise, mean of all pools: from where on a codec takes noise away, and from
# where on that is counted in full (docs/decisions/carried_noise.py)
_SOUND, _STARVED = -0.08, -0.15
_FARTHEST = -0.5  # the same, of one pool: no more is counted
_EXACT = 0.12  # log of sigma: how far a pool is off (docs/decisions/plain_noise.py)
_ROUGH = 0.6  # the same where it may only be too high
_DRIFT = 0.24  # log of sigma by which noise changes over a factor e of level, one sigma: with codecs and knees it goes either way
_LEAST_APART = 0.1  # log of level: pools are taken to be as far apart as that
_LEAST_LEVEL = 0.02  # of black to white
_LEAST_VARIANCE = 1e-4  # squared codes: no less is told apart
_TURNS = 4  # of the fit, at most: which pools are over it settles in two or three


class PairPools(NamedTuple):
    """What one pair of frames says of each pool [pools], in squared codes of a block mean; NaN where it has too few tiles.

    `levels` are means; `lowest` and `quarters` points of the tiles' variances, `plain` the median of plain tiles, `wholes` that
    with what is carried on, `counts` how many tiles. `plainer_levels` and `plainer` are mean level and quarter of the plainer half.
    """

    levels: Doubles
    lowest: Doubles
    quarters: Doubles
    plain: Doubles
    wholes: Doubles
    counts: Doubles
    plainer_levels: Doubles
    plainer: Doubles


@dataclass(frozen=True)
class LeftCurve:
    """Noise left: log of the sigma of block means (codes) at level fractions [n] above the floor, ascending."""

    levels: Doubles
    logs: Doubles

    def codes_at(self, levels: Doubles) -> Doubles:
        """Sigma of block means in codes at level fractions."""
        return np.asarray(np.exp(np.interp(levels, self.levels, self.logs)))


def pair_pools(tiles: Doubles) -> PairPools:
    """Pools of the tiles [4, n] of one pair: level, variance, structure and whole variance."""
    found = np.full((len(PairPools._fields), POOLS), np.nan)
    place = np.searchsorted(LEVEL_EDGES, tiles[0], side="right") - 1
    for pool in range(POOLS):
        members = tiles[:, place == pool]
        count = members.shape[1]
        if count < POOL_MINIMUM:
            continue
        level, variance, structure, whole = members
        ordered = np.sort(variance)
        quarter = point(ordered, LOW_PERCENT) / LOW_OF_CHI_SQUARE
        plainer = structure <= point(np.sort(structure), 50.0)
        found[:3, pool] = level.mean(), point(ordered, LOWEST_PERCENT) / LOWEST_OF_CHI_SQUARE, quarter
        found[5:, pool] = count, level[plainer].mean(), _low(variance[plainer])
        plain = structure <= _PLAIN_TILE * quarter + _PLAIN_AT_LEAST
        if np.count_nonzero(plain) >= POOL_MINIMUM:
            found[3:5, pool] = _middle(variance[plain]), _middle(whole[plain])
    return PairPools(*found)


def point(ordered: Doubles, percent: float) -> float:
    """The value below which so many per cent of sorted values are, as numpy.percentile but several times as fast on few."""
    rank, part = divmod((len(ordered) - 1) * percent / 100.0, 1.0)
    low = int(rank)
    high = min(low + 1, len(ordered) - 1)
    return float(ordered[low] + part * (ordered[high] - ordered[low]))


def _low(values: Doubles) -> float:
    return point(np.sort(values), LOW_PERCENT) / LOW_OF_CHI_SQUARE


def _middle(values: Doubles) -> float:
    return point(np.sort(values), 50.0) / MIDDLE_OF_CHI_SQUARE


def left_curve(recent: Sequence[PairPools]) -> LeftCurve:
    """The curve of the last pairs together, of which at least one has a pool."""
    logs = 0.5 * np.log(np.maximum(np.array([one[1:5] for one in recent]), _LEAST_VARIANCE))  # [pairs, 4, pools]
    starved = _starved(logs[:, 0] - logs[:, 1], np.array([one.counts for one in recent]))
    ordered = np.sort(logs, axis=0)  # what is not known comes last
    known = np.count_nonzero(np.isfinite(logs), axis=0)
    enough = min(_PAIRS, len(recent))
    often, seldom = _OVER_TIME
    values, low = [], []
    pools = np.flatnonzero(known[1] >= enough)
    for pool in pools:
        if known[2, pool] >= enough:
            plain, whole = (point(ordered[: known[2, pool], row, pool], 50.0) for row in (2, 3))
            values.append(plain + starved * (whole - plain))
            low.append(_EXACT)
        else:
            values.append(point(ordered[: known[1, pool], 1, pool], often + starved * (seldom - often)))
            low.append(_ROUGH ** (1.0 - starved) * _EXACT**starved)
    levels = np.array([_mean(np.array([one.levels[pool] for one in recent])) for pool in pools])
    levels = np.maximum(levels, _LEAST_LEVEL)
    return LeftCurve(levels, _weighed(np.log(levels), np.array(values), np.array(low)))


def _mean(values: Doubles) -> float:
    return float(values[np.isfinite(values)].mean())


def _starved(tails: Doubles, counts: Doubles) -> float:
    """How far [0, 1] a codec takes noise from tiles, by how low the low ends of pools [pairs, pools] lie."""
    known = np.isfinite(tails)
    weights = counts[known]
    mean = float(np.maximum(tails[known], _FARTHEST) @ weights / weights.sum())
    return float(np.clip((_SOUND - mean) / (_SOUND - _STARVED), 0.0, 1.0))


def _weighed(places: Doubles, values: Doubles, low: Doubles) -> Doubles:
    """Values at places (logs) weighed against their neighbours'; `low` is how far each may be off where it is over the fit."""
    count = len(values)
    ties = np.zeros((count, count))
    for one in range(count - 1):
        tie = 1.0 / (_DRIFT**2 * max(places[one + 1] - places[one], _LEAST_APART))
        ties[one : one + 2, one : one + 2] += [[tie, -tie], [-tie, tie]]
    fitted, off = values, np.full(count, _EXACT)
    for _ in range(_TURNS):
        weights = 1.0 / np.square(off)
        fitted = np.linalg.solve(ties + np.diag(weights), weights * values)
        last, off = off, np.where(fitted < values, low, _EXACT)
        if np.array_equal(last, off):
            break
    return np.asarray(fitted)
