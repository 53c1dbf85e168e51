"""Dynamic time warping for flights: the best matching stretch of two sequences, start and end anywhere, in a band.

The step weights are those of the symmetric form of Sakoe and Chiba (IEEE Trans. ASSP-26:43, 1978): a step in both
sequences counts twice, a step in one of them once. Instead of a cost to be kept small there is a score to be made large,
positive where two places are alike and negative where they are not; a path begins and ends where that pays, as in local
alignment (Smith and Waterman, J. Mol. Biol. 147:195, 1981). A step in one sequence alone costs a little, so that neither
flight stands still without reason, and may: a pause is such steps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

_BOTH, _FIRST, _SECOND, _NONE = 0, 1, 2, 3  # the step that led to a cell
_ROWS_AT_ONCE = 256  # rows scored in one go


@dataclass(frozen=True)
class Band:
    """Which cells may be on the path: in row i the columns `first[i]` to `first[i] + width`, not beyond `columns`.

    `first` [rows] never falls.
    """

    first: Whole
    width: int
    columns: int

    @property
    def cells(self) -> int:
        """How many cells are kept in memory."""
        return len(self.first) * self.width


def whole(rows: int, columns: int) -> Band:
    """The band that is the whole matrix."""
    return Band(np.zeros(rows, dtype=np.int64), columns, columns)


def around(path: Whole, rows: int, columns: int, half: int) -> Band:
    """A band of `half` cells to both sides of a path [p, 2] (row, column), run on diagonally beyond its ends.

    A standing stretch of the path makes the band as much wider as needed.
    """
    (row0, column0), (row1, column1) = path[0], path[-1]
    row = np.arange(rows)
    low, high = np.full(rows, columns), np.full(rows, -1)
    np.minimum.at(low, path[:, 0], path[:, 1])
    np.maximum.at(high, path[:, 0], path[:, 1])
    known = high >= 0
    low = np.round(np.interp(row, row[known], low[known])).astype(np.int64)
    high = np.round(np.interp(row, row[known], high[known])).astype(np.int64)
    before, after = row < row0, row > row1
    low[before] = high[before] = column0 - (row0 - row[before])
    low[after] = high[after] = column1 + (row[after] - row1)
    low = np.minimum.accumulate(np.clip(low - half, 0, columns - 1)[::-1])[::-1]
    high = np.clip(high + half, 0, columns - 1)
    return Band(np.maximum.accumulate(low), min(int((high - low).max()) + 1, columns), columns)


def best_path(
    score: Callable[[slice, slice], npt.NDArray[np.floating]], band: Band, step_cost: float
) -> tuple[float, Whole]:
    """Give the sum and the cells [p, 2] (row, column) of the best path; no cells where no path has a positive sum.

    `score(rows, columns)` gives the scores of a rectangle of cells. Memory: one byte a cell of the band.
    """
    rows, width = len(band.first), band.width
    steps = np.full((rows, width), _NONE, dtype=np.int8)
    sums, last = np.zeros(width), 0
    best, at = 0.0, (0, 0)
    for begin in range(0, rows, _ROWS_AT_ONCE):
        end = min(begin + _ROWS_AT_ONCE, rows)
        left, right = int(band.first[begin]), min(int(band.first[end - 1]) + width, band.columns)
        scores = np.asarray(score(slice(begin, end), slice(left, right)), dtype=np.float64)
        for row in range(begin, end):
            first = int(band.first[row])
            gain = np.full(width, -np.inf)
            here = scores[row - begin, first - left : first - left + width]
            gain[: len(here)] = here
            sums, steps[row] = _row(gain, sums, first - last, step_cost)
            last = first
            top = int(np.argmax(sums))
            if sums[top] > best:
                best, at = float(sums[top]), (row, top)
    return best, _traced(steps, band.first, at) if best > 0 else np.zeros((0, 2), dtype=np.int64)


def _row(gain: Doubles, before: Doubles, moved: int, step_cost: float) -> tuple[Doubles, npt.NDArray[np.int8]]:
    """Sums and steps of a row from the sums of the row before, whose band began `moved` columns earlier.

    With c the best of the steps from the row before and S the running sum of what a step along the row gains, the
    row is S + running maximum of (c - S): exact, without a loop over the columns.
    """
    width = len(gain)
    old = np.zeros(width + 1)  # sums of the row before at this row's columns, from the one to the left of them
    span = before[max(moved - 1, 0) :][: width + 1]
    offset = 1 if moved == 0 else 0
    old[offset : offset + len(span)] = span
    both, first = old[:width] + 2 * gain, old[1 : width + 1] + gain - step_cost
    arrived = np.maximum(np.maximum(both, first), 0.0)
    along = np.where(np.isfinite(gain), gain, 0.0) - step_cost
    run = np.cumsum(along)
    sums = run + np.maximum.accumulate(arrived - run)
    step = np.where(both >= first, _BOTH, _FIRST).astype(np.int8)
    stepped = sums > arrived + 1e-9 * (1.0 + np.abs(run))
    step[stepped] = _SECOND
    sums = np.where(stepped, sums, arrived)
    sums[~np.isfinite(gain)] = 0.0
    step[sums <= 0] = _NONE
    return sums, step


def _traced(steps: npt.NDArray[np.int8], first: Whole, end: tuple[int, int]) -> Whole:
    """The cells that led to `end` (row, place in the band)."""
    row, column = end[0], end[1] + int(first[end[0]])
    cells = []
    while row >= 0 and 0 <= column - first[row] < steps.shape[1]:
        step = steps[row, column - first[row]]
        if step == _NONE:
            break
        cells.append((row, column))
        row -= step != _SECOND
        column -= step != _FIRST
    return np.array(cells[::-1], dtype=np.int64).reshape(-1, 2)
