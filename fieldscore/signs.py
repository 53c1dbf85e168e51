"""Signs that a picture is no camera's picture, and their limits: shared by the first look, noise and the Timeline."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import cv2
import numpy as np

from fieldscore.frame import Floats, Frame, Luma, PictureArea

# Snow: pixels vary widely, yet patches of about 40 x 40 px have much the same mean, and nothing of the frame before
# is left. White noise keeps a fortieth of its spread at that size, coded at a low rate up to a quarter; a picture half
# or more (simulated and real clips alike).
_SNOW_SPREAD_CODES = 12.0
_SNOW_PATCH_SHARE = 0.12
_CODED_SNOW_PATCH_SHARE = 0.34
_UNLIKE = 0.85  # correlation with the frame before, motion taken out: coded snow keeps up to 0.76
_BLANK_SPREAD_CODES = 1.5  # a generated screen is flat but for the codec's wobble
# A coloured screen is far from grey all over, so that a rest of border or text beside it does not matter.
_SCREEN_SPREAD_CODES = 8.0
_SCREEN_COLOUR_CODES = 40.0
_HALF = 0.5  # a tile more than half under the overlay is not looked at
_ONE_IN, _MAY_CHANGE = 8, 0.4  # rows of blocks; twice the share of pixels that a repeat coded again changes at most
_BLOCK = 16  # px: the macroblock of H.264, MPEG-4 and MJPEG with 4:2:0; larger coding units begin on this grid, too
_INSIDE = 5  # px from a block's edge to the place inside that is compared: on no 4 or 8 px grid
_ROWS_LOOKED_AT = 60
_FLOOR_CODES = 1.0  # code: steps of a flat picture say nothing
_STILL_PERCENT = 80.0  # share of blocks that did not change from which on a frame is a repeat, coded again


def spreads(frame: Frame) -> tuple[float, float]:
    """Standard deviation, in codes, of the picture's pixels and of its tiles' means."""
    return frame.view(spread), frame.view(patch_spread)


def spread(frame: Frame) -> float:
    """Standard deviation of the picture's pixels, in codes."""
    mean, square, *_ = frame.sums.tolist()
    return float(np.sqrt(np.maximum(square - mean * mean, 0.0)))


def patch_spread(frame: Frame) -> float:
    """Standard deviation of the tiles' means, in codes."""
    area = frame.area
    weight, share = _tile_shares(area)
    means = _tile_means(frame.blocks * weight, area)[share > _HALF] / share[share > _HALF]
    return float(means.std()) if means.size else float("nan")


@lru_cache(maxsize=4)
def _tile_shares(area: PictureArea) -> tuple[Floats, Floats]:
    """1 for each block [rows, columns] free of overlay, else 0; and their share of each tile."""
    weight = area.block_ok.astype(np.float32)
    return weight, _tile_means(weight, area)


def _tile_means(blocks: Floats, area: PictureArea) -> Floats:
    return np.asarray(cv2.resize(blocks, (area.columns, area.rows), interpolation=cv2.INTER_AREA), dtype=np.float32)


def repeats(frame: Frame) -> float:
    """1 where the frame is identical to the one before, 0 where it is not, NaN on the first."""
    previous = frame.previous
    if previous is None or previous.area is not frame.area:
        return float("nan")
    if not frame.is_paced:  # else its motion would have been measured
        return 0.0
    if frame.view(unchanged_percent) < 100.0:  # noqa: PLR2004 - all of it
        return 0.0
    return float(np.array_equal(frame.blocks, previous.blocks))


def unchanged_percent(frame: Frame) -> float:
    """Share of blocks in which no sample looked at changed since the frame before, in %; NaN on the first frame.

    Two rows of each block are looked at.
    """
    return _unchanged(frame, frame.previous)


def might_repeat(frame: Frame) -> bool:
    """Say whether a frame may be one that `is_still`, from one in eight of the rows looked at for that; quick."""
    previous = frame.previous
    if previous is None or previous.area is not frame.area:
        return False
    now, then = frame.view(_looked_at)[0][::_ONE_IN], previous.view(_looked_at)[0][::_ONE_IN]
    return cv2.countNonZero(cv2.absdiff(now, then)) <= _MAY_CHANGE * now.size


def unchanged_in_step(frame: Frame) -> float:
    """Share of blocks unchanged since the frame that motion is measured from, in %; NaN where it is not measured."""
    reference = frame.reference
    return frame.view(unchanged_percent) if reference is frame.previous else _unchanged(frame, reference)


def _unchanged(frame: Frame, previous: Frame | None) -> float:
    if previous is None or previous.area is not frame.area:
        return float("nan")
    rows, columns = frame.area.block_shape
    one, other = (
        cv2.absdiff(now, then) for now, then in zip(frame.view(_looked_at), previous.view(_looked_at), strict=True)
    )
    changed = cv2.threshold(cv2.max(one, other), 0, 255, cv2.THRESH_BINARY)[1]
    blocks = cv2.resize(changed, (columns, rows), interpolation=cv2.INTER_AREA)
    unchanged = (blocks == 0) & frame.area.block_ok
    return 100.0 * float(np.count_nonzero(unchanged) / max(1, int(np.count_nonzero(frame.area.block_ok))))


def _looked_at(frame: Frame) -> tuple[Luma, Luma]:
    """Two rows of each row of blocks [block rows, width], an odd number of rows apart where that is possible.

    No more are needed: a codec that codes a block again changes more than one of its pixels.
    """
    picture = frame.codes
    rows, height = frame.area.block_shape[0], picture.shape[0]
    apart = max(1, height // rows // 2) | 1  # odd, so that both fields of woven frames are met
    if height % rows == 0 and height // rows > apart:  # evenly spaced: no copy
        return picture[:: height // rows], picture[apart :: height // rows]
    first = np.arange(rows) * height // rows
    return picture[first], picture[np.minimum(first + apart, height - 1)]


def block_edges(frame: Frame) -> float:
    """Mean step across the vertical edges of coding blocks over that across lines inside them; NaN in a small picture."""
    codes, left = frame.codes, frame.area.window[2]
    first = -left % _BLOCK or _BLOCK
    last = codes.shape[1] - _BLOCK
    edges = range(first, last, _BLOCK)
    if len(edges) < 2:  # noqa: PLR2004 - one edge may lie on anything
        return float("nan")
    # rows of the histogram's, for they have just been read
    rows = frame.rows[:: max(1, codes.shape[0] // (frame.area.row_step * _ROWS_LOOKED_AT)) | 1]

    def at(offset: int) -> Luma:
        return np.ascontiguousarray(rows[:, first + offset : last + offset : _BLOCK])

    across, inside = (
        cv2.norm(at(offset), at(offset - 1), cv2.NORM_L1) / (len(rows) * len(edges)) for offset in (0, _INSIDE)
    )
    return float((across + _FLOOR_CODES) / (inside + _FLOOR_CODES))


def says_nothing_of_noise(frame: Frame) -> bool:
    """Say whether a frame is blank, snow, or a repeat: its noise would not be the camera's."""
    spread, patches = frame.view(spreads)
    return bool(is_blank(spread) or is_snow(spread, patches) or is_still(unchanged_in_step(frame)))


def is_snow(spread_codes: Any, patch_spread_codes: Any, likeness: Any = 1.0) -> Any:
    """Say whether spreads of pixels and patch means (codes) and the likeness to the frame before are snow's; numbers or arrays."""
    share = _SNOW_PATCH_SHARE + (_CODED_SNOW_PATCH_SHARE - _SNOW_PATCH_SHARE) * (likeness < _UNLIKE)
    return (spread_codes > _SNOW_SPREAD_CODES) & (patch_spread_codes < share * spread_codes)


def is_blank(spread_codes: Any) -> Any:
    """Say of a spread of pixels (codes; number or array) whether it is a blank screen's."""
    return spread_codes < _BLANK_SPREAD_CODES


def is_coloured_screen(spread_codes: Any, colour_codes: Any) -> Any:
    """Say of a spread and a distance from grey (codes; numbers or arrays) whether they are a blue screen's."""
    return (spread_codes < _SCREEN_SPREAD_CODES) & (colour_codes > _SCREEN_COLOUR_CODES)


def is_still(unchanged: Any) -> Any:
    """Say of a share of unchanged blocks (%; number or array) whether the frame repeats the one before."""
    return unchanged >= _STILL_PERCENT
