"""Where surfaces were a tenth of a second ago: dense motion between small, locally normalised pictures.

Near ground moves far meanwhile; where it is striped, by a stripe or more, and the nearest stripe passes for the right one.
So motion is first found from the newer picture back to the last one between, from its share of the motion before, drawn
out to all of the time, and found again from there; being near by then, at full size alone (docs/decisions/exposure_links.py).
Where the ground's plane says how it moved (ground.py), it is begun from that.
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
_FLOW_STRIDE = 8  # samples between the squares of 8 x 8 that are followed: no overlap, at the full 160 x 120
_FLOW_STEPS = 6  # iterations of each; with more the trace is no better (docs/decisions/exposure_links.py)
_FLOW_COARSEST = 2  # halvings of the picture that motion is first found on; more would leave 20 x 15 samples
_NEAR_STEPS = 4  # iterations from a motion that is near already
_ONE_MAP: Any = None  # right and down are in one map


class Motion:
    """Motion from each picture back to the one before, begun from that of the pair before."""

    def __init__(self) -> None:
        self._flow = _search(_FLOW_COARSEST, _FLOW_STEPS)
        self._near = _search(0, _NEAR_STEPS)
        self._last: Floats | None = None

    def forget(self) -> None:
        """Begin the next pair from rest."""
        self._last = None

    def back(self, before: Luma, after: Luma, between: Between | None) -> Floats:
        """Motion [height, width, 2] from `after` back to `before`, right and down, in samples."""
        start = self._last
        if start is None or start.shape[:2] != after.shape:
            start = np.zeros((*after.shape, 2), dtype=np.float32)
        search = self._flow
        if between is not None:
            picture, share = between
            start = np.asarray(self._flow.calc(after, picture, start * share), dtype=np.float32) / share
            search = self._near
        self._last = np.asarray(search.calc(after, before, start), dtype=np.float32)
        return self._last

    def back_from(self, start: Floats, before: Luma, after: Luma) -> Floats:
        """The same, begun from what is known of it already."""
        self._last = np.asarray(self._flow.calc(after, before, start), dtype=np.float32)
        return self._last


def _search(coarsest: int, steps: int) -> cv2.DISOpticalFlow:
    """A search for motion that begins after so many halvings of the picture and takes so many iterations at each size."""
    flow = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_ULTRAFAST)
    flow.setFinestScale(0)
    flow.setCoarsestScale(coarsest)
    flow.setPatchStride(_FLOW_STRIDE)
    flow.setGradientDescentIterations(steps)
    flow.setUseMeanNormalization(False)  # the pictures are normalised already
    flow.setUseSpatialPropagation(False)  # a neighbour's stripe is as good as one's own, and as wrong
    return flow


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
