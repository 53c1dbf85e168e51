"""Running figures of a column: means, medians, maxima of rows around or before each, rows so far apart; its stretches. Pure."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


def rows_apart(values: Doubles, rows: int, half: int) -> Doubles:
    """Mean distance [n] of each value from the one so many rows before, over half a window each side."""
    return running_mean(
        np.concatenate([np.full(rows, np.nan), np.abs(values[rows:] - values[:-rows])])[: len(values)], half
    )


def running_mean(values: Doubles, half: int) -> Doubles:
    """Mean [n] over half a window each side, NaN left out; NaN where less than half of the window is known."""
    known = np.isfinite(values)
    sums = [np.concatenate([[0.0], np.cumsum(one)]) for one in (np.where(known, values, 0.0), known.astype(np.float64))]
    rows = np.arange(len(values))
    first, stop = np.maximum(rows - half, 0), np.minimum(rows + half + 1, len(values))
    total, count = (one[stop] - one[first] for one in sums)
    return np.asarray(np.where(count > half, total / np.maximum(count, 1.0), np.nan))


def running_median(values: Doubles, half: int) -> Doubles:
    """Median [n] over half a window each side, NaN left out; a window without a value takes the one before."""
    padded = np.pad(values, half, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    medians = np.full(len(values), np.nan)
    step = max(1, 100_000 // (2 * half + 1))  # windows sorted at a time: bounds memory
    for start in range(0, len(values), step):
        part = windows[start : start + step]
        known = np.isfinite(part).any(axis=1)
        medians[start : start + step][known] = np.nanmedian(part[known], axis=1)
    held = np.maximum.accumulate(np.where(np.isfinite(medians), np.arange(len(medians)), -1))
    return np.where(held >= 0, medians[np.maximum(held, 0)], np.nan)


def largest_before(values: Doubles, count: int) -> Doubles:
    """Largest of the `count` values before each row; what comes before the start counts as the first."""
    padded = np.concatenate([np.full(count, values[0]), values])
    windows = np.lib.stride_tricks.sliding_window_view(padded, count)[: len(values)]
    return np.asarray(windows.max(axis=1))


def middle_before(values: Doubles, count: int) -> Doubles:
    """Median of the `count` values up to each row."""
    padded = np.concatenate([np.full(count - 1, values[0]), values])
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, count), axis=1))


def runs(mask: Mask) -> list[tuple[int, int]]:
    """Give the stretches [start, stop) in which a mask is True."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))


def mean_known(values: Doubles) -> float:
    """Mean of what is known, NaN where nothing is."""
    known = values[np.isfinite(values)]
    return float(np.mean(known)) if known.size else np.nan
