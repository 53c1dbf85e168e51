"""Where surfaces were a tenth of a second ago: motion of small squares between small, locally normalised pictures.

Each square is followed by itself, coarse to fine (Lucas and Kanade, "An Iterative Image Registration Technique", IJCAI 1981;
OpenCV's `calcOpticalFlowPyrLK`). Near ground moves far meanwhile; where it is striped, by a stripe or more, and the nearest
stripe passes for the right one. So motion is first found from the newer picture back to the last one between, of large squares
and from their share of the motion before, drawn out to all of the time, and found again from there; being near by then, at
full size alone (docs/decisions/exposure_links.py). Where the ground's plane says how it moved (ground.py), it is begun from that.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.frame import FLOW_A_BLOCK, Luma, PictureArea, area_means

Floats = npt.NDArray[np.float32]
# A picture between two others, and the share of the time from the older to the newer that it lies before the newer.
Between = tuple[Luma, np.float32]

_NORMAL_OVER = 13  # samples over which brightness and contrast are taken out before motion is found
_NORMAL_NOISE = 9.0  # squared codes: patches without structure stay flat
_NORMAL_CODES = 40.0  # codes that one local standard deviation becomes
_NORMAL_MEAN = 128.0  # code of the local mean
_ONE_MAP: Any = None  # right and down are in one map
SQUARE = 5  # samples along the side of a square whose motion is told: a quarter of a tile's
_WINDOW = 8  # samples along the side of what is looked at for it, a little of what is around it, too; eights are fast
_LARGE, _LARGE_WINDOW = 10, 10  # samples, the same of the squares that are followed to the picture between
_COARSEST = 2  # halvings of the picture that motion is first found on; more would leave 20 x 15 samples
_STEPS, _NEAR_STEPS = 10, 8  # iterations at each size, and from a motion that is near already
_SETTLED = 0.01  # samples: a square that moves by less in an iteration has been found
# mean gradient, of black to white squared, under which a square is plain and stays where it was taken to be
_PLAIN = 1e-6


class Motion:
    """Motion from each picture back to the one before, begun from that of the pair before."""

    def __init__(self) -> None:
        self._last: Floats | None = None

    def forget(self) -> None:
        """Begin the next pair from rest."""
        self._last = None

    def back(self, before: Luma, after: Luma, between: Between | None) -> Floats:
        """Motion [rows, columns, 2] of each square of `after` back to `before`, right and down, in samples.

        Pictures are whole squares high and wide, also of large ones.
        """
        squares = middles(*after.shape, SQUARE)
        start = self._last
        if start is None or start.shape != squares.shape:
            start = np.zeros_like(squares)
        if between is None:
            self._last = _followed(after, before, squares, start, _WINDOW, _COARSEST, _STEPS)
            return self._last
        picture, share = between
        large = middles(*after.shape, _LARGE)
        begun = area_means(start, (large.shape[1], large.shape[0])) * share
        begun = _followed(after, picture, large, begun, _LARGE_WINDOW, _COARSEST, _STEPS) / share
        start = each_sample(begun, (squares.shape[1], squares.shape[0]))
        self._last = _followed(after, before, squares, start, _WINDOW, 0, _NEAR_STEPS)
        return self._last

    def back_from(self, start: Floats, before: Luma, after: Luma, which: npt.NDArray[np.bool_]) -> Floats:
        """The same, begun from what is known of it already, motion [height, width, 2] of each sample; only `which` are followed."""
        squares = middles(*after.shape, SQUARE)
        self._last = area_means(start, (squares.shape[1], squares.shape[0]))
        if which.any():
            here = squares[which][:, None]
            begun = self._last[which][:, None]
            self._last[which] = _followed(after, before, here, begun, _WINDOW, 0, _NEAR_STEPS)[:, 0]
        return self._last


@lru_cache(maxsize=8)
def middles(height: int, width: int, square: int) -> Floats:
    """Middles [rows, columns, 2], right and down, of the squares of a picture, in samples."""
    x, y = np.meshgrid(np.arange(width // square), np.arange(height // square))
    return np.asarray(np.stack([x, y], axis=-1) * square + (square - 1) / 2, dtype=np.float32)


def _followed(  # noqa: PLR0913 - a search is all of these
    after: Luma, other: Luma, middles: Floats, start: Floats, window: int, coarsest: int, steps: int
) -> Floats:
    """Motion [rows, columns, 2] of squares about `middles` from one picture to another; `start` where one cannot be followed."""
    here = middles.reshape(-1, 1, 2)
    there, found, _ = cv2.calcOpticalFlowPyrLK(
        after,
        other,
        here,
        here + start.reshape(-1, 1, 2),
        winSize=(window, window),
        maxLevel=coarsest,
        criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, steps, _SETTLED),
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
        minEigThreshold=_PLAIN,
    )
    motion = (there - here).reshape(middles.shape)
    return np.asarray(np.where(found.reshape(*middles.shape[:2], 1) > 0, motion, start), dtype=np.float32)


def each_sample(squares: Floats, size: tuple[int, int]) -> Floats:
    """What is known of squares [rows, columns, ...], for each sample or smaller square of a picture of a size (width, height)."""
    return np.asarray(cv2.resize(squares, size, interpolation=cv2.INTER_NEAREST), dtype=np.float32)


def small(picture: npt.NDArray[Any], area: PictureArea) -> Floats:
    """A picture at the size that motion is found on."""
    rows, columns = (FLOW_A_BLOCK * size for size in area.block_shape)
    return area_means(picture, (columns, rows))


def normalised(picture: Floats) -> Floats:
    """The small picture about its local mean, in units of its local spread."""
    over = (_NORMAL_OVER, _NORMAL_OVER)
    mean = cv2.blur(picture, over)
    spread = np.maximum(cv2.blur(picture * picture, over) - mean * mean, 0.0)
    return np.asarray((picture - mean) * (_NORMAL_CODES / np.sqrt(spread + _NORMAL_NOISE)), dtype=np.float32)


def normal_codes(normal: Floats) -> Luma:
    """A normalised picture in codes, 128 the local mean, as motion is found on it."""
    # rounded; what lies beyond the codes stays at their ends
    return np.asarray(cv2.add(normal, np.array(_NORMAL_MEAN - 0.5), dtype=cv2.CV_8U), dtype=np.uint8)


def looked(before: Luma, was: Floats) -> Luma:
    """An older picture as it would look now, if its samples were at `was` [height, width, 2], right and down."""
    older = cv2.remap(before, was, _ONE_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(older, dtype=np.uint8)


def on_the_way(between: Between | None, was: Floats) -> Luma | None:
    """The picture between as it would look now if all had gone straight from where it was; None without one."""
    if between is None:
        return None
    back = float(between[1])
    there = cv2.addWeighted(was, back, sample_places(*was.shape[:2]), 1.0 - back, 0.0)
    return looked(between[0], np.asarray(there, dtype=np.float32))


def under(before: Luma, move: npt.NDArray[np.float64]) -> Luma:
    """An older picture as it would look now if all of it moved by a homography [3, 3]."""
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    older = cv2.warpPerspective(before, move, before.shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(older, dtype=np.uint8)


@lru_cache(maxsize=4)
def sample_places(height: int, width: int) -> Floats:
    """Place [height, width, 2] of each sample, right and down."""
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    return np.stack([x, y], axis=-1)
