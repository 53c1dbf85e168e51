"""Block pictures moved by the motion of the whole picture: shift right and down in blocks, zoom and roll (as fractions)."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
_NOTHING = (float("nan"),) * 4  # what lies beyond the edge
_AT_EDGE = 0.01  # blocks beyond the outermost one's middle that count as it


@lru_cache(maxsize=8)
def places_of(rows: int, columns: int) -> tuple[Floats, Floats]:
    """Column and row number of every place of a picture."""
    x, y = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
    return x, y


@lru_cache(maxsize=8)
def from_centre(rows: int, columns: int) -> tuple[Floats, Floats]:
    """Distance of each block from the centre, right and down, in blocks."""
    x = np.arange(columns, dtype=np.float32) - (columns - 1) / 2
    y = np.arange(rows, dtype=np.float32) - (rows - 1) / 2
    return np.broadcast_to(x, (rows, columns)), np.broadcast_to(y[:, None], (rows, columns))


def affine(motion: Doubles, rows: int, columns: int) -> Doubles:
    """Matrix [2, 3] that takes a place in the frame now to where it was in the frame before."""
    right, down, zoom, roll = motion
    x, y = (columns - 1) / 2, (rows - 1) / 2
    size = (1 + zoom) ** 2 + roll**2
    along, across = (1 + zoom) / size, roll / size  # the inverse of growing by the zoom and turning by the roll
    was_x, was_y = x + right, y + down
    return np.array(
        [
            [along, across, x - along * was_x - across * was_y],
            [-across, along, y + across * was_x - along * was_y],
        ]
    )


def both(first: Doubles, then: Doubles) -> Doubles:
    """The motion [4] of two one after the other: right, down, zoom and roll."""
    turns = [complex(1.0 + zoom, roll) for _, _, zoom, roll in (first, then)]
    shift = turns[1] * complex(*first[:2]) + complex(*then[:2])
    turn = turns[0] * turns[1]
    return np.array([shift.real, shift.imag, turn.real - 1.0, turn.imag])


def warp(picture: Floats, motion: Doubles) -> Floats:
    """The picture before, moved by the motion of the whole picture; beyond its edge it goes on as at the edge."""
    rows, columns = picture.shape
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    matrix = affine(motion, rows, columns)
    moved = cv2.warpAffine(picture, matrix, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, dtype=np.float32)


def as_seen_within(picture: Floats, motion: Doubles) -> Floats:
    """The same, NaN where it would take what lies beyond the edge; quick, and gives up a row and a column more than `as_seen`."""
    rows, columns = picture.shape
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(
        picture,
        affine(motion, rows, columns),
        (columns, rows),
        flags=flags,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=_NOTHING,
    )
    return np.asarray(moved, dtype=np.float32)


def as_seen(picture: Floats, motion: Doubles) -> Floats:
    """The same, NaN where the picture before did not reach."""
    rows, columns = picture.shape
    (along, across, right), (back, up, down) = affine(motion, rows, columns).astype(np.float32)
    x, y = np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32)[:, None]
    was_x, was_y = (along * x + right) + across * y, (back * x + down) + up * y
    moved = warp(picture, motion)
    outside = (
        (was_x < -_AT_EDGE) | (was_x > columns - 1 + _AT_EDGE) | (was_y < -_AT_EDGE) | (was_y > rows - 1 + _AT_EDGE)
    )
    moved[outside] = np.nan
    return moved


def shrunk(picture: Floats, size: tuple[int, int]) -> Floats:
    """A picture at another size (width, height), as means over areas."""
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def gradients(picture: Floats) -> tuple[Floats, Floats]:
    """Central differences right and down, in codes a block."""
    right = cv2.Sobel(picture, cv2.CV_32F, 1, 0, ksize=1, scale=0.5, borderType=cv2.BORDER_REPLICATE)
    down = cv2.Sobel(picture, cv2.CV_32F, 0, 1, ksize=1, scale=0.5, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(right, dtype=np.float32), np.asarray(down, dtype=np.float32)
