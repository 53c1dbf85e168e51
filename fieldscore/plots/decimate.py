"""Fewer points to draw without losing anything short: a curve becomes its envelope, a state its stripes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldscore.timeline import Series

MAX_POINTS = 900  # bins across a plot: about one a pixel of the wide page; more cannot be seen and only add bytes
_BREAK_INTERVALS = 3.0  # a curve is broken where rows are missing for more than so many usual intervals


@dataclass(frozen=True)
class Envelope:
    """A curve for drawing: `low` <= `middle` <= `high` at `time_s`, all [k]; NaN breaks the line.

    `decimated` says whether a point stands for several rows; if not, the three are the same values.
    """

    time_s: Series
    low: Series
    middle: Series
    high: Series
    decimated: bool


@dataclass(frozen=True)
class Stripes:
    """Stretches of one state: `from_s`, `to_s` [k] in seconds and `state` [k]."""

    from_s: Series
    to_s: Series
    state: npt.NDArray[np.int64]

    def of(self, state: int) -> list[tuple[float, float]]:
        """The stretches of one state as (from_s, to_s)."""
        chosen = self.state == state
        return list(zip(self.from_s[chosen].tolist(), self.to_s[chosen].tolist(), strict=True))


def envelope(time_s: Series, values: Series, max_points: int = MAX_POINTS) -> Envelope:
    """Give at most about `max_points` points whose low and high keep every extreme of `values` [n].

    NaN rows are left out of a bin; a bin without any value is NaN.
    """
    if len(time_s) <= max_points:
        time, value = _broken(time_s, values)
        return Envelope(time, value, value, value, decimated=False)
    bins, edges = _bins(time_s, max_points)
    known = ~np.isnan(values)
    low, middle, high = (np.full(max_points, np.nan) for _ in range(3))
    order = np.lexsort((values[known], bins[known]))
    ordered, which = values[known][order], bins[known][order]
    filled, first, count = np.unique(which, return_index=True, return_counts=True)
    low[filled] = ordered[first]
    high[filled] = ordered[first + count - 1]
    middle[filled] = (ordered[first + (count - 1) // 2] + ordered[first + count // 2]) / 2.0
    return Envelope((edges[:-1] + edges[1:]) / 2.0, low, middle, high, decimated=True)


def stripes(time_s: Series, state: npt.NDArray[np.integer], interval_s: float, max_points: int = MAX_POINTS) -> Stripes:
    """Runs of equal `state` [n], each at least one bin wide so that the shortest still shows.

    In a bin that holds several states the highest wins: give what must not be missed the highest numbers.
    """
    if len(time_s) == 0:
        return Stripes(np.empty(0), np.empty(0), np.empty(0, dtype=np.int64))
    cells = np.asarray(state, dtype=np.int64)
    starts, stops = time_s, np.append(time_s[1:], time_s[-1] + interval_s)
    if len(time_s) > max_points:
        bins, edges = _bins(time_s, max_points)
        binned = np.full(max_points, np.iinfo(np.int64).min)
        np.maximum.at(binned, bins, cells)
        filled = binned != np.iinfo(np.int64).min
        cells, starts, stops = binned[filled], edges[:-1][filled], edges[1:][filled]
    first = np.flatnonzero(np.append(True, np.diff(cells) != 0))
    last = np.append(first[1:], len(cells)) - 1
    return Stripes(starts[first], stops[last], cells[first])


def time_bins(time_s: Series, columns: int) -> tuple[npt.NDArray[np.int64], Series]:
    """Bin number [n] of each time and the bins' edges [columns + 1], equal in time."""
    return _bins(time_s, columns)


def _bins(time_s: Series, count: int) -> tuple[npt.NDArray[np.int64], Series]:
    first, last = float(time_s[0]), float(time_s[-1])
    if last <= first:
        last = first + 1.0
    edges = np.linspace(first, last, count + 1)
    bins = np.floor((time_s - first) / (last - first) * count).astype(np.int64)
    return np.clip(bins, 0, count - 1), edges


def _broken(time_s: Series, values: Series) -> tuple[Series, Series]:
    """Put a NaN into every gap in time, so that no line is drawn across lost frames."""
    steps = np.diff(time_s)
    if len(steps) == 0:
        return time_s, values
    gaps = np.flatnonzero(steps > _BREAK_INTERVALS * float(np.median(steps))) + 1
    middle = (time_s[gaps - 1] + time_s[gaps]) / 2.0
    return np.insert(time_s, gaps, middle), np.insert(values, gaps, np.nan)
