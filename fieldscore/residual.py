"""What is left of each tile once motion is taken out: temporal noise, doubled, plus what the fit could not follow.

The frame before is warped by the whole picture's motion, then by each tile's own (after Lucas and Kanade, IJCAI 1981,
with a change of gain and offset fitted beside it); what then is left of motion is fitted to first order on block means.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.frame import BLOCKS_A_TILE, Frame
from fieldscore.motion import pyramid, registration
from fieldscore.moved import affine, gradients, places_of, shrunk

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
_FITTED = 3  # figures fitted in each tile: two of motion, one of brightness
_FREEDOM = BLOCKS_A_TILE**2 - _FITTED
_RIDGE = 0.05  # squared codes: keeps the motion of a tile without structure at zero
_MOSTLY, _FEWEST_TILES = 0.8, 8  # tiles for the exposure change: share of a tile that must be picture, and how many
_LOCAL_STEPS = 2  # iterations of the parallax fit
_LOCAL_RIDGE = 0.5  # squared codes a block: tiles without structure follow the whole picture
_LOCAL_LIMIT = 1.0  # blocks a step
_NEIGHBOURS = 0.6  # tiles (sigma) over which the parallax fit is smoothed
_HALF_ROUNDING = 0.078125  # squared codes: error of a mean of four codes rounded to a code, its own mean taken off


@dataclass(frozen=True)
class Residual:
    """What is left of each tile once motion is taken out, NaN under the overlay.

    `variance` [tiles]: of one frame's block means, in squared codes; `structure` [tiles]: mean square gradient of the
    block means, in squared codes a block: how much a motion not followed would leave. `whole` [tiles]: the variance of a
    plain tile's noise with that part which a codec carries on from frame to frame; detail of the scene adds to it.
    """

    variance: Floats
    structure: Floats
    whole: Floats


def residual(frame: Frame) -> Residual | None:
    """Take motion out of a frame; None where it has no registration or is identical to the one before."""
    found, previous = frame.view(registration), frame.reference
    if found is None or found.identical or previous is None:
        return None
    motion = np.array([*found.shift, found.zoom, found.roll])
    variance, structure = _tile_residual(frame.blocks, _warped_blocks(frame, previous, motion))
    rounding = _rounding(frame)
    variance = np.maximum(variance - np.float32(rounding), np.float32(0.0))
    variance[~frame.view(_whole_tiles)] = np.nan
    # Noise of variance v, of which a share c is carried on, leaves v (1 - c) between two frames; the mean of both has
    # v (1 + c) / 2, which is also its mean square gradient (half a difference over two blocks, each way). So v is:
    whole = variance / 2 + np.maximum(structure - np.float32(2.0 * _RIDGE + rounding / 2.0), np.float32(0.0))
    return Residual(variance, structure, whole)


def _whole_tiles(frame: Frame) -> npt.NDArray[np.bool_]:
    """Tiles [tiles] none of whose blocks is under the overlay."""
    area = frame.area
    ok = area.block_ok.reshape(area.rows, BLOCKS_A_TILE, area.columns, BLOCKS_A_TILE).all(axis=(1, 3))
    return np.asarray(ok.ravel())


def _rounding(frame: Frame) -> float:
    """Variance that rounding of the halved pictures adds to a block mean, in squared codes."""
    pixels = sum(4.0**number for number in range(1, frame.area.halvings + 1))
    return _HALF_ROUNDING * pixels / frame.area.block_pixels


def _warped_blocks(frame: Frame, previous: Frame, motion: Doubles) -> Floats:
    """Block means of the frame before, taken where its content is now: the whole picture's motion, then the parallax."""
    rows, columns = previous.area.block_shape
    flow = _whole_flow(motion, rows, columns)
    now, before = frame.view(pyramid)[-1].picture, previous.view(pyramid)[-1].picture
    ok = frame.area.block_ok & _was_inside(flow)
    gain, offset = _exposure_change(now, _fetch(before, flow, cv2.INTER_LINEAR), ok)
    for _ in range(_LOCAL_STEPS):
        flow += _local_flow(now, gain * _fetch(before, flow, cv2.INTER_LINEAR) + offset, ok)
    fine = previous.fine
    size = fine.shape[::-1]
    scale = np.array([size[0] / columns, size[1] / rows], dtype=np.float32)[:, None, None]
    fine_flow = [cv2.resize(each, size, interpolation=cv2.INTER_LINEAR) for each in flow * scale]
    warped = _fetch(fine, fine_flow, cv2.INTER_CUBIC)
    return np.asarray(gain * shrunk(warped, (columns, rows)) + offset, dtype=np.float32)


def _was_inside(flow: Floats) -> npt.NDArray[np.bool_]:
    """Places [rows, columns] whose content was in the picture before."""
    rows, columns = flow.shape[1:]
    x, y = places_of(rows, columns)
    was_x, was_y = x - flow[0], y - flow[1]
    return np.asarray((was_x >= 0) & (was_x <= columns - 1) & (was_y >= 0) & (was_y <= rows - 1))


def _exposure_change(now: Floats, warped: Floats, ok: npt.NDArray[np.bool_]) -> tuple[np.float32, np.float32]:
    """Gain and offset that take the codes before to those now; what moved by itself is left out of a second fit.

    The gain is the ratio of the spreads of tile means: unlike a regression's slope on blocks it does not shrink where
    the motion is not followed well or interpolation blurs.
    """
    size = (now.shape[1] // BLOCKS_A_TILE, now.shape[0] // BLOCKS_A_TILE)
    whole = shrunk(ok.astype(np.float32), size) > _MOSTLY
    if np.count_nonzero(whole) < _FEWEST_TILES:
        return np.float32(1.0), np.float32(0.0)
    two, one = (shrunk(each, size)[whole].astype(np.float64) for each in (now, warped))
    gain, offset = 1.0, 0.0
    for _ in range(2):
        away = np.abs(two - gain * one - offset)
        near = away <= 3.0 * np.median(away) + 1.0
        spread = float(one[near].std())
        if spread < 1.0:
            return np.float32(1.0), np.float32(np.median(two - one))
        gain = float(two[near].std()) / spread
        offset = float(two[near].mean() - gain * one[near].mean())
    return np.float32(gain), np.float32(offset)


def _whole_flow(motion: Doubles, rows: int, columns: int) -> Floats:
    """Motion [2, rows, columns] (right, down) of each block under the whole picture's shift, zoom and roll, in blocks."""
    (along, across, at_x), (_, _, at_y) = affine(motion, rows, columns).astype(np.float32)
    x, y = places_of(rows, columns)
    was_x, was_y = along * x + across * y + at_x, -across * x + along * y + at_y
    return np.stack([x - was_x, y - was_y])


def _fetch(picture: Floats, flow: Sequence[Any] | Floats, kernel: int) -> Floats:
    """The picture before at the places that its content has now left: [rows, columns]."""
    x, y = places_of(*picture.shape)
    taken = cv2.remap(picture, x - flow[0], y - flow[1], kernel, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(taken, dtype=np.float32)


def _local_flow(now: Floats, warped: Floats, ok: npt.NDArray[np.bool_]) -> Floats:
    """Rest of motion [2, rows, columns] in blocks, fitted around every tile and smooth between tiles."""
    right, down = gradients((now + warped) * np.float32(0.5))
    change = (now - warped) * ok
    maps = (right * right, down * down, right * down, right * change, down * change)
    size = (now.shape[1] // BLOCKS_A_TILE, now.shape[0] // BLOCKS_A_TILE)
    xx, yy, xy, xt, yt = (
        cv2.GaussianBlur(cv2.resize(one, size, interpolation=cv2.INTER_AREA), (3, 3), _NEIGHBOURS) for one in maps
    )
    xx, yy = xx + _LOCAL_RIDGE, yy + _LOCAL_RIDGE
    determinant = xx * yy - xy * xy
    flow = np.stack([xy * yt - yy * xt, xy * xt - xx * yt]) / determinant
    flow = np.clip(flow, -_LOCAL_LIMIT, _LOCAL_LIMIT).astype(np.float32)
    return np.stack([cv2.resize(each, now.shape[::-1], interpolation=cv2.INTER_LINEAR) for each in flow])


def _tile_residual(now: Floats, warped: Floats) -> tuple[Floats, Floats]:
    """Variance [tiles] of one frame's block means about each tile's own motion and brightness, and its structure."""
    change = now - warped
    right, down = gradients((now + warped) * np.float32(0.5))
    maps = (
        right,
        down,
        change,
        right * right,
        down * down,
        right * down,
        right * change,
        down * change,
        change * change,
    )
    size = (now.shape[1] // BLOCKS_A_TILE, now.shape[0] // BLOCKS_A_TILE)
    x, y, t, xx, yy, xy, xt, yt, tt = (cv2.resize(one, size, interpolation=cv2.INTER_AREA).ravel() for one in maps)
    xx, yy, xy, xt, yt = xx - x * x + _RIDGE, yy - y * y + _RIDGE, xy - x * y, xt - x * t, yt - y * t
    determinant = xx * yy - xy * xy
    explained = (yy * xt * xt - 2 * xy * xt * yt + xx * yt * yt) / determinant
    variance = (tt - t * t - explained) * (BLOCKS_A_TILE**2 / _FREEDOM / 2.0)
    return np.asarray(variance, dtype=np.float32), np.asarray(xx + yy, dtype=np.float32)
