"""Is a source at the ceiling a disc, as a lamp is, or is there one in it, and nothing but its lit post or arm beside?

Sky in an opening of a dark bridge or wood is dark all around, too, and no lens lays a glow about it: but it is seldom round.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Marks = npt.NDArray[np.int32]

# A lamp's head is so many samples deep at least, and what is so many of its radii above, below or beside it no deeper than so
# many of it (docs/decisions/lamps_near.py).
_LEAST_DEEP, _BESIDE, _THINNER = 2.0, 1.5, 0.6
# Radii of a ring about a disc, and how much of it the source fills at most: a post of the most width beside a head fills 0.14,
# and what noise and the samples leave of a disc's own edge less than 0.08.
_RING, _RING_OF_HEAD, _RING_OF_DISC = (1.2, 1.6), 0.15, 0.08
_SOFT = 2  # samples about a post that its edge may light


def head(depth: Floats, down: int, right: int) -> list[int]:
    """The box (left, top, width, height, samples) of the disc in a source beside which all of it is thinner; empty without one.

    `depth` [rows, columns]: how far samples of the source are from what is none, the deepest at row `down`, column `right`.
    """
    deep = float(depth[down, right])
    if deep < _LEAST_DEEP:
        return []
    rest, reach = depth.copy(), round(_BESIDE * deep)
    rest[max(0, down - reach) : down + reach + 1, max(0, right - reach) : right + reach + 1] = 0.0
    if rest.max() > _THINNER * deep:
        return []
    reach = round(deep)
    top, left = max(0, down - reach), max(0, right - reach)
    wide, high = min(right + reach + 1, depth.shape[1]) - left, min(down + reach + 1, depth.shape[0]) - top
    return [left, top, wide, high, round(math.pi * deep**2)]


def stands_out(depth: Floats, down: int, right: int) -> bool:
    """Say whether about a head, given as in `head`, the source is no more than a post or an arm."""
    deep = float(depth[down, right])
    rows, columns = np.ogrid[: depth.shape[0], : depth.shape[1]]
    filled = np.count_nonzero(depth[_in_ring(np.hypot(rows - down, columns - right), deep)])
    return bool(filled <= _RING_OF_HEAD * math.pi * (_RING[1] ** 2 - _RING[0] ** 2) * deep**2)


def cut_out(
    marks: Marks, number: int, where: tuple[slice, slice], box: list[int], middle: npt.NDArray[np.float64]
) -> float:
    """Leave of source `number`, in rows and columns `where`, the head in a `box`, about a middle (column, row).

    Its post and arm, and their edge, become -1: what is around those is not what is around a lamp. Given is the radius of as
    many samples as are left, since depths are steps of a sample.
    """
    rows, columns = np.nonzero(marks[where] == number)
    rows, columns = rows + where[0].start, columns + where[1].start
    rest = np.hypot(columns - middle[0], rows - middle[1]) > math.sqrt(box[4] / math.pi) + 0.5
    top, left = max(0, rows.min() - _SOFT), max(0, columns.min() - _SOFT)
    part = marks[top : rows.max() + _SOFT + 1, left : columns.max() + _SOFT + 1]
    post = np.zeros(part.shape, np.uint8)
    post[rows[rest] - top, columns[rest] - left] = 1
    part[post > 0] = -1
    part[(cv2.dilate(post, np.ones((2 * _SOFT + 1, 2 * _SOFT + 1), np.uint8)) > 0) & (part == 0)] = -1
    return math.sqrt(np.count_nonzero(~rest) / math.pi)


def is_disc(marks: Marks, number: int, box: list[int]) -> bool:
    """Say whether source `number` of `marks` has little outside the disc in a `box`; the picture's edge may cut both."""
    left, top, width, height, size = box
    reach = max(width, height)
    first, column = max(0, top - reach), max(0, left - reach)
    own = marks[first : top + height + reach, column : left + width + reach] == number
    down, right = (one.mean() for one in np.nonzero(own[top - first :, left - column :][:height, :width]))
    rows, columns = np.ogrid[: own.shape[0], : own.shape[1]]
    away = np.hypot(rows - (down + top - first), columns - (right + left - column))
    about = own[_in_ring(away, math.sqrt(size / math.pi))]
    return bool(about.sum() <= _RING_OF_DISC * about.size)


def _in_ring(away: npt.NDArray[np.float64], radius: float) -> npt.NDArray[np.bool_]:
    """Where in the ring about a disc of a radius samples so far `away` from its middle are."""
    return np.asarray((away > _RING[0] * radius) & (away <= _RING[1] * radius))
