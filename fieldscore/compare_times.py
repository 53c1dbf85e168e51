"""Repeats of a recovery time summarised, and two sets of values compared, paired or not: exact intervals for few."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb, floor, sqrt
from statistics import NormalDist, median

import numpy as np
import numpy.typing as npt

CONFIDENCE = 0.95
FEWEST_PAIRS = 6  # of which all differences lie on one side by chance less often than 5 % allows: 2 in 64
# Of two sets, in each: four against four lie all on one side by chance in 2 of 70. Beside many, three and fewer may do as
# well by ranks alone, but say next to nothing of how much their own kind varies.
FEWEST_EACH = 4
# From which on the normal distribution gives the same rank to one in hundreds, at no cost; of two sets, pairs of one of each.
# Beside thousands a set of few has a rank a little lower by it, and the wider interval.
_EXACT_PAIRS, _EXACT_PAIRINGS = 200, 5_000


@dataclass(frozen=True)
class Repeats:
    """Median of `n` values with its interval; None where there are too few for one. `low` and `high` are the extremes."""

    median: float | None
    low: float | None
    high: float | None
    ci95: tuple[float, float] | None
    n: int


def repeats(values: Sequence[float]) -> Repeats:
    """Summarise repeats: the interval of the median is that of its order statistics (binomial, exact, no assumption).

    Six values are the fewest with a 95 % interval. Source: Conover, Practical Nonparametric Statistics (from memory).
    """
    ordered = sorted(values)
    n = len(ordered)
    if not n:
        return Repeats(None, None, None, None, 0)
    rank = 0  # values left out at each end
    while sum(comb(n, k) for k in range(rank + 1)) / 2**n <= (1 - CONFIDENCE) / 2:
        rank += 1
    interval = (ordered[rank - 1], ordered[n - rank]) if rank else None
    return Repeats(median(ordered), ordered[0], ordered[-1], interval, n)


@dataclass(frozen=True)
class Difference:
    """Shift of the second set of values against the first (Hodges-Lehmann) with its interval, None with too few values."""

    shift: float
    ci95: tuple[float, float] | None
    n: tuple[int, int]


def difference(first: Sequence[float], second: Sequence[float]) -> Difference | None:
    """Shift between two sets: the median of all pairwise differences, its interval from the Mann-Whitney distribution.

    Exact, of more than `_EXACT_PAIRINGS` by the normal approximation: Hollander and Wolfe, Nonparametric Statistical Methods,
    chapter 4. `FEWEST_EACH` in each set are the fewest with a 95 % interval. None where a set is empty.
    """
    if not first or not second:
        return None
    pairs = np.sort(
        np.subtract.outer(np.asarray(second, dtype=np.float64), np.asarray(first, dtype=np.float64)).ravel()
    )
    interval = None
    if min(len(first), len(second)) >= FEWEST_EACH:
        rank = _mann_whitney_left(len(first), len(second))
        interval = (float(pairs[rank - 1]), float(pairs[len(pairs) - rank]))
    return Difference(float(np.median(pairs)), interval, (len(first), len(second)))


def paired_difference(differences: Sequence[float] | npt.NDArray[np.float64]) -> Difference | None:
    """Shift of the second of paired values, from their differences: the median of all means of two, with Wilcoxon's interval.

    Exact for differences that lie evenly about the shift, of more than `_EXACT_PAIRS` by the normal approximation: Hollander and
    Wolfe, chapter 3. `FEWEST_PAIRS` are the fewest with a 95 % interval. None without a pair.
    """
    values = np.asarray(differences, dtype=np.float64)
    n = len(values)
    if not n:
        return None
    first, second = np.triu_indices(n)
    means = np.sort((values[first] + values[second]) / 2.0)
    left = _signed_rank_left(n)
    interval = (float(means[left - 1]), float(means[len(means) - left])) if left else None
    return Difference(float(np.median(means)), interval, (n, n))


def row_means(table: npt.NDArray[np.float64]) -> npt.NDArray[np.float64] | None:
    """The mean of each row [r] of a table [r, c] with holes (NaN), as if it had none: least squares, a row plus a column each.

    Without holes the plain means. None where rows have no columns in common, not even by way of others.
    """
    rows, columns = np.nonzero(np.isfinite(table))
    count, wide = table.shape
    parts = np.zeros((len(rows), count + wide))
    parts[np.arange(len(rows)), rows] = parts[np.arange(len(rows)), count + columns] = 1.0
    fitted, _, rank, _ = np.linalg.lstsq(parts, table[rows, columns])
    if rank < count + wide - 1:  # what is added to the rows and taken from the columns is never known
        return None
    return np.asarray(fitted[:count] + fitted[count:].mean())


def _signed_rank_left(n: int) -> int:
    """How many values of the signed-rank statistic of `n` differences, from 0 up, the interval leaves out at each end."""
    outside = (1 - CONFIDENCE) / 2
    if n > _EXACT_PAIRS:
        deviation = sqrt(n * (n + 1) * (2 * n + 1) / 24)
        return floor(n * (n + 1) / 4 + NormalDist().inv_cdf(outside) * deviation)
    chances = np.ones(1)
    for rank in range(1, n + 1):  # the statistic holds this rank, or not
        chances = (np.pad(chances, (0, rank)) + np.pad(chances, (rank, 0))) / 2.0
    return int(np.searchsorted(np.cumsum(chances), outside, side="right"))


def _mann_whitney_left(first: int, second: int) -> int:
    """How many values of the Mann-Whitney statistic of two sets of `FEWEST_EACH` or more, from 0 up, the interval leaves out
    at each end: one at least.
    """
    outside = (1 - CONFIDENCE) / 2
    if first * second > _EXACT_PAIRINGS:
        deviation = sqrt(first * second * (first + second + 1) / 12)
        return floor(first * second / 2 + NormalDist().inv_cdf(outside) * deviation)
    ways = _mann_whitney(first, second)
    return int(np.searchsorted(np.cumsum(ways) / ways.sum(), outside, side="right"))


def _mann_whitney(first: int, second: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """In how many ways the Mann-Whitney statistic takes each value 0 .. first x second, without ties."""
    ways = np.zeros((second + 1, first * second + 1))
    ways[:, 0] = 1.0
    for _ in range(first):
        row = np.zeros_like(ways)
        row[0, 0] = 1.0
        for other in range(1, second + 1):
            row[other] = row[other - 1]
            shifted = np.zeros(first * second + 1)
            shifted[other:] = ways[other][: first * second + 1 - other]
            row[other] += shifted
        ways = row
    return np.asarray(ways[second])
