"""How alike the places of two flights are: both brought to a common view, common structure taken out, compared.

Two lenses show the same place at different sizes: of the wider picture only the middle is compared, at the size at which
the flights fit best. A drone that flies faster banks more: pictures are compared at several angles and the best counts.
What all pictures of the flights share (horizon, sky, the frame of a propeller guard) is no sign of a place: the mean of
each flight is taken out and directions in which pictures vary much count less (whitening).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldscore.record import Places

Floats = npt.NDArray[np.float32]

GRID = (18, 24)  # cells of the common view
# Angles by which one picture is turned one way and the other one the other way: up to 16 degrees between the two
# (docs/decisions/place_descriptor.py); banks of 5 and 12 m/s in one bend differ by 15.
TURNS_DEG = (0.0, -4.0, 4.0, -8.0, 8.0)
SIZES: tuple[float, ...] = tuple(
    2.0 ** (step / 4) for step in range(-5, 6)
)  # focal length of b over that of a: lenses of 75 to 135 degrees
_SIZE_GRID = (12, 16)  # cells of the view in which the size is looked for
_SIZE_PLACES, _SIZE_SAMPLES = 1500, 400  # places of each flight that are searched for the size, and looked for
_WHITENING = 0.05  # share of the largest variance that is added to each (docs/decisions/place_descriptor.py)
_DIRECTIONS = 192  # directions kept of the 432: what is left varies less than noise
_SPREAD_SAMPLES = 300  # places of each flight from which the likeness of chance pairs is taken
_LEAST_LENGTH = 1e-3  # a picture without structure stays without
_FEWEST_WEIGHT = 0.3  # of a cell that must lie in the picture


@dataclass(frozen=True)
class Likeness:
    """Unit vectors of two flights, `a` [turns, m, k] and `b` [turns, n, k], and the likeness of chance pairs.

    `middle` and `spread` are the median and the standard deviation (from quantiles) of chance pairs.
    """

    a: Floats
    b: Floats
    middle: float
    spread: float

    def of(self, rows: slice, columns: slice) -> Floats:
        """Likeness of places of a and places of b, in spreads of chance pairs; [rows, columns]."""
        best = self.a[0, rows] @ self.b[0, columns].T
        for a, b in zip(self.a[1:], self.b[1:], strict=True):
            np.maximum(best, a[rows] @ b[columns].T, out=best)
        return np.asarray((best - np.float32(self.middle)) / np.float32(self.spread), dtype=np.float32)

    def at(self, rows: npt.NDArray[np.int64], columns: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Likeness of the pairs (row, column) [p], in spreads of chance pairs."""
        best = np.full(len(rows), -np.inf)
        for a, b in zip(self.a, self.b, strict=True):
            best = np.maximum(best, np.einsum("pk,pk->p", a[rows], b[columns], dtype=np.float64))
        return np.asarray((best - self.middle) / self.spread)

    def coarser(self, every: int) -> Likeness:
        """The same of the means of `every` places each."""
        if every == 1:
            return self
        return _rated(_grouped(self.a, every), _grouped(self.b, every))


def likeness(a: Places, b: Places, size: float, passing_s: float | None = None) -> Likeness:
    """Compare two flights at one `size`, the focal length of b over that of a.

    With `passing_s` the mean over so many seconds before and after is taken out of each picture, which leaves what
    passes by; else the mean of the flight. ValueError where a flight has no place.
    """
    if not (len(a.time_s) and len(b.time_s)):
        raise ValueError("a flight without places cannot be compared")
    views = [_views(a, b, size, turn) for turn in TURNS_DEG]
    means = [_means(view, places, passing_s) for view, places in zip(views[0], (a, b), strict=True)]
    weights = _whitening([view - mean for view, mean in zip(views[0], means, strict=True)])
    one, two = (
        np.stack([_units((view[side] - means[side]) @ weights) for view in views]).astype(np.float32) for side in (0, 1)
    )
    return _rated(one, two)


def find_size(a: Places, b: Places) -> float:
    """Give the focal length of b over that of a at which the two flights are most alike, from `SIZES`."""
    a, b = _thinned(a), _thinned(b)
    return SIZES[int(np.argmax([_peaks(a, b, size) for size in SIZES]))]


def _peaks(a: Places, b: Places, size: float) -> float:
    """Mean of the best likeness that some places of each flight find in the other, both ways."""
    views = [view - view.mean(axis=0) for view in _views(a, b, size, 0.0, _SIZE_GRID)]
    weights = _whitening(views)
    found = _rated(*(_units(view @ weights)[None] for view in views))
    every_a, every_b = (slice(None, None, max(1, len(one.time_s) // _SIZE_SAMPLES)) for one in (a, b))
    best = found.of(every_a, slice(None)).max(axis=1).mean(), found.of(slice(None), every_b).max(axis=0).mean()
    return float(best[0]) + float(best[1])


def _thinned(places: Places) -> Places:
    """The flight without places that finding the size can do without."""
    kept = np.unique(np.linspace(0, len(places.time_s) - 1, min(_SIZE_PLACES, len(places.time_s))).astype(np.int64))
    return Places(places.time_s[kept], places.descriptors[kept])


def _views(a: Places, b: Places, size: float, turn_deg: float, grid: tuple[int, int] = GRID) -> tuple[Floats, Floats]:
    """Both flights [m, cells] and [n, cells] in the view that both pictures hold, turned against each other."""
    magnify_a, magnify_b = max(size, 1.0), max(1.0 / size, 1.0)
    heights = [
        one.descriptors.shape[1] / one.descriptors.shape[2] * zoom for one, zoom in ((a, magnify_a), (b, magnify_b))
    ]
    height = min(*heights, 1.0)
    one = _sampled(a, magnify_a, turn_deg, height, grid)
    return one, _sampled(b, magnify_b, -turn_deg, height, grid)


def _sampled(places: Places, magnify: float, turn_deg: float, height: float, grid: tuple[int, int]) -> Floats:
    flat = places.descriptors.reshape(len(places.descriptors), -1).astype(np.float32)
    shape = places.descriptors.shape
    return np.asarray(flat @ sampling((shape[1], shape[2]), magnify, turn_deg, height, grid), dtype=np.float32)


def sampling(
    shape: tuple[int, int], magnify: float, turn_deg: float, height: float, grid: tuple[int, int] = GRID
) -> Floats:
    """Weights [rows x columns, cells] that sample a picture of `shape` on the common grid, linear between its cells.

    The view is as wide as the picture over `magnify`, and `height` times as high as wide; it is turned by `turn_deg`.
    Cells outside the picture are 0.
    """
    rows, columns = shape
    across, down = ((np.arange(count) + 0.5) / count * 2.0 - 1.0 for count in grid[::-1])
    x, y = np.meshgrid(across, down * height)
    cosine, sine = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    x, y = (cosine * x - sine * y) / magnify, (sine * x + cosine * y) / magnify
    at_column, at_row = (x.ravel() + 1.0) / 2.0 * columns - 0.5, (y.ravel() * columns + rows) / 2.0 - 0.5
    reach = max(1.0, columns / (magnify * grid[1]))
    by_column = np.maximum(0.0, 1.0 - np.abs(at_column - np.arange(columns)[:, None]) / reach)
    by_row = np.maximum(0.0, 1.0 - np.abs(at_row - np.arange(rows)[:, None]) / reach)
    weights = (by_row[:, None, :] * by_column[None, :, :]).reshape(rows * columns, -1)
    return np.asarray(weights / np.maximum(weights.sum(axis=0), _FEWEST_WEIGHT * reach**2), dtype=np.float32)


def _means(view: Floats, places: Places, passing_s: float | None) -> Floats:
    """What is taken out of each picture [n, cells], or of all [1, cells]."""
    if passing_s is None:
        return np.asarray(view.mean(axis=0, keepdims=True))
    time_s = places.time_s
    begin, end = np.searchsorted(time_s, time_s - passing_s), np.searchsorted(time_s, time_s + passing_s, "right")
    sums = np.concatenate([np.zeros((1, view.shape[1])), np.cumsum(view, axis=0, dtype=np.float64)])
    return np.asarray((sums[end] - sums[begin]) / (end - begin)[:, None], dtype=np.float32)


def _whitening(views: list[Floats]) -> Floats:
    """Weights [cells, k] after which the directions of the two flights' pictures vary about equally; both count the same."""
    covariance = np.sum([view.T @ view / len(view) for view in views], axis=0, dtype=np.float64)
    variance, directions = np.linalg.eigh(covariance)
    variance, directions = np.maximum(variance[-_DIRECTIONS:], 0.0), directions[:, -_DIRECTIONS:]
    return np.asarray(directions / np.sqrt(variance + _WHITENING * variance[-1] + 1e-9), dtype=np.float32)


def _units(vectors: npt.NDArray[np.floating]) -> Floats:
    """Vectors [n, k] of length 1; nearly empty ones stay short."""
    return np.asarray(vectors / (np.linalg.norm(vectors, axis=1, keepdims=True) + _LEAST_LENGTH), dtype=np.float32)


def _grouped(vectors: Floats, every: int) -> Floats:
    """Means [turns, n / every, k] of neighbours, of length 1; a rest at the end makes a group of its own."""
    starts = np.arange(0, vectors.shape[1], every)
    sums = np.add.reduceat(vectors, starts, axis=1)
    return np.stack([_units(one) for one in sums])


def _rated(a: Floats, b: Floats) -> Likeness:
    """The vectors with the likeness of chance pairs, from a sample of all pairs."""
    picked = [
        vectors[:, np.unique(np.linspace(0, vectors.shape[1] - 1, _SPREAD_SAMPLES).astype(np.int64))]
        for vectors in (a, b)
    ]
    raw = Likeness(picked[0], picked[1], 0.0, 1.0).of(slice(None), slice(None))
    low, middle, high = np.percentile(raw, (15.87, 50.0, 84.13))
    return Likeness(a, b, float(middle), float(max((high - low) / 2.0, 1e-6)))
