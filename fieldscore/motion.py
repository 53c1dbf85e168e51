"""How the picture moved from the frame before, and what is left when that motion is taken out.

Three steps, each after Lucas and Kanade (IJCAI 1981), with a change of gain and offset fitted beside the motion so
that auto exposure does not pass for movement. The motion of the whole picture (shift, zoom, roll) is found on
blurred block pictures, coarse to fine; the frame before is warped by it; then each tile's own rest of motion is
fitted to first order on block means. What that leaves in a tile is temporal noise, doubled, plus what the fit could
not follow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.farther import correlation, farther_motion, same_detail
from fieldscore.frame import BLOCKS_A_TILE, Frame, PictureArea

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

_FITTED = 3  # figures fitted in each tile: two of motion, one of brightness
_FREEDOM = BLOCKS_A_TILE**2 - _FITTED
_RIDGE = 0.05  # squared codes: keeps the motion of a tile without structure at zero
_BLUR_BLOCKS = 1.2  # gradients of a block picture hold over about this distance once it is blurred so far
_STEPS = (2, 1)  # iterations on the halved and on the whole block picture; more change little, fewer lose accuracy
_UNLIKE = 0.95  # likeness below which motion is looked for farther away (docs/decisions/torn_pictures.py)
_FARTHER_STEPS = 3  # iterations from there
_SURE = 0.9  # likeness from which on it is believed; what is torn or another scene has less
_NOTHING = (float("nan"),) * 4  # what lies beyond the edge
_AT_EDGE = 0.01  # blocks beyond the outermost one's middle that count as it
_GAIN_A_STEP = 1.2  # gain that a step allows for: more is noise, or takes another step
_MOSTLY, _FEWEST_TILES = 0.8, 8  # tiles for the exposure change: share of a tile that must be picture, and how many
_LOCAL_STEPS = 2  # iterations of the parallax fit
_LOCAL_RIDGE = 0.5  # squared codes a block: tiles without structure follow the whole picture
_LOCAL_LIMIT = 1.0  # blocks a step
_NEIGHBOURS = 0.6  # tiles (sigma) over which the parallax fit is smoothed
_HALF_ROUNDING = 0.078125  # squared codes: error of a mean of four codes rounded to a code, its own mean taken off


@dataclass(frozen=True)
class Registration:
    """Motion of the whole picture since the frame before.

    `shift` (right, down) in blocks, `zoom` and `roll` as fractions (roll in radians, clockwise); `likeness` the
    correlation of the blurred block pictures once motion is taken out; `identical` where nothing changed at all;
    `interval_s` the time since the frame before.
    """

    shift: tuple[float, float]
    zoom: float
    roll: float
    likeness: float
    identical: bool
    interval_s: float

    def travel_blocks(self, height: int) -> float:
        """How far a picture of that height moved, in blocks: shift, and zoom and roll at half a height, as one length."""
        turn = np.hypot(self.zoom, self.roll) * height / 2
        return float(np.hypot(np.hypot(*self.shift), turn))

    def speed_percent(self, height: int) -> float:
        """The same in % of that height a second; NaN where both frames have one time."""
        return 100.0 * self.travel_blocks(height) / height / self.interval_s if self.interval_s > 0 else float("nan")


def registration(frame: Frame) -> Registration | None:
    """Register a frame to the one before it; None on the first frame or where the picture has another shape."""
    previous = frame.reference
    if previous is None or previous.area is not frame.area:
        return None
    interval_s = frame.time_s - previous.time_s
    if np.array_equal(frame.blocks, previous.blocks):
        return Registration((0.0, 0.0), 0.0, 0.0, 1.0, identical=True, interval_s=interval_s)
    now, before = frame.view(_pyramid), previous.view(_pyramid)
    motion = _whole_picture(now, before)
    likeness = correlation(now[-1].picture, _warp(before[-1].picture, motion), now[-1].weight)
    if likeness < _UNLIKE:
        farther, like = _from_farther(now, before)
        if like >= _SURE and like > likeness:  # else it is another picture, and as unlike as it looks
            motion, likeness = farther, like
    right, down, zoom, roll = (float(one) for one in motion)
    return Registration((right, down), zoom, roll, likeness, identical=False, interval_s=interval_s)


def change_of_blocks(frame: Frame) -> Floats | None:
    """Change in codes of the blocks [n] that are picture since the frame before, the whole picture's motion taken out.

    None where the frame has no registration. Blocks that came in at the edges are left out.
    """
    found, previous = frame.view(registration), frame.reference
    if found is None or previous is None:
        return None
    change = frame.blocks - _seen(previous.blocks, np.array([*found.shift, found.zoom, found.roll]))
    return np.asarray(change[(frame.view(_pyramid)[-1].weight > 0) & np.isfinite(change)], dtype=np.float32)


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


@dataclass(frozen=True)
class _Level:
    """One size of the blurred block picture, and what the fit needs of it: nothing of it changes from step to step.

    `picture` and `weight` (1 where there is no overlay) [rows, columns]; `known` the picture, NaN under the overlay;
    `features` [6, blocks]: how the picture changes with shift right and down, zoom, roll, gain and offset.
    """

    picture: Floats
    weight: Floats
    known: Floats
    features: Floats


def _pyramid(frame: Frame) -> tuple[_Level, ...]:
    """The block picture at each size of the fit, coarse to fine, blurred so that its gradients reach far enough."""
    blurred = np.asarray(cv2.GaussianBlur(frame.blocks, (0, 0), _BLUR_BLOCKS), dtype=np.float32)
    rows, columns = frame.area.block_shape
    levels = []
    for number in reversed(range(len(_STEPS))):
        size = (columns >> number, rows >> number)
        picture = blurred if number == 0 else _shrunk(blurred, size)
        weight, hidden = _weight(frame.area, size)
        right, down = _gradients(picture)
        x, y = _coordinates(size[1], size[0])
        features = np.empty((6, *picture.shape), dtype=np.float32)
        features[0], features[1] = right, down
        features[2] = right * x + down * y
        features[3] = down * x - right * y
        features[4], features[5] = picture - picture.mean(), 1.0  # a flat picture then fits one way only
        known = picture if hidden is None else picture + hidden
        levels.append(_Level(picture, weight, known, features.reshape(6, -1)))
    return tuple(levels)


@lru_cache(maxsize=8)
def _weight(area: PictureArea, size: tuple[int, int]) -> tuple[Floats, Floats | None]:
    """1 where the picture of that size (width, height) is free of overlay, else 0 or the share between.

    And NaN where there is overlay, else 0; None where there is none.
    """
    weight = _shrunk(area.block_ok.astype(np.float32), size)
    return weight, None if weight.all() else np.where(weight > 0, np.float32(0.0), np.float32(np.nan))


def _whole_tiles(frame: Frame) -> npt.NDArray[np.bool_]:
    """Tiles [tiles] none of whose blocks is under the overlay."""
    area = frame.area
    ok = area.block_ok.reshape(area.rows, BLOCKS_A_TILE, area.columns, BLOCKS_A_TILE).all(axis=(1, 3))
    return np.asarray(ok.ravel())


def _rounding(frame: Frame) -> float:
    """Variance that rounding of the halved pictures adds to a block mean, in squared codes."""
    pixels = sum(4.0**number for number in range(1, frame.area.halvings + 1))
    return _HALF_ROUNDING * pixels / frame.area.block_pixels


@lru_cache(maxsize=8)
def _places(rows: int, columns: int) -> tuple[Floats, Floats]:
    """Column and row number of every place of a picture."""
    x, y = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
    return x, y


@lru_cache(maxsize=8)
def _coordinates(rows: int, columns: int) -> tuple[Floats, Floats]:
    """Distance of each block from the centre, right and down, in blocks."""
    x = np.arange(columns, dtype=np.float32) - (columns - 1) / 2
    y = np.arange(rows, dtype=np.float32) - (rows - 1) / 2
    return np.broadcast_to(x, (rows, columns)), np.broadcast_to(y[:, None], (rows, columns))


def _affine(motion: Doubles, rows: int, columns: int) -> Doubles:
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


def _warp(picture: Floats, motion: Doubles) -> Floats:
    """The picture before, moved by the motion of the whole picture; beyond its edge it goes on as at the edge."""
    rows, columns = picture.shape
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    matrix = _affine(motion, rows, columns)
    moved = cv2.warpAffine(picture, matrix, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, dtype=np.float32)


def _inside(picture: Floats, motion: Doubles) -> Floats:
    """The same, NaN where it would take what lies beyond the edge; quick, and gives up a row and a column more than `_seen`."""
    rows, columns = picture.shape
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(
        picture,
        _affine(motion, rows, columns),
        (columns, rows),
        flags=flags,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=_NOTHING,
    )
    return np.asarray(moved, dtype=np.float32)


def _seen(picture: Floats, motion: Doubles) -> Floats:
    """The same, NaN where the picture before did not reach."""
    rows, columns = picture.shape
    (along, across, right), (back, up, down) = _affine(motion, rows, columns).astype(np.float32)
    x, y = np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32)[:, None]
    was_x, was_y = (along * x + right) + across * y, (back * x + down) + up * y
    moved = _warp(picture, motion)
    outside = (
        (was_x < -_AT_EDGE) | (was_x > columns - 1 + _AT_EDGE) | (was_y < -_AT_EDGE) | (was_y > rows - 1 + _AT_EDGE)
    )
    moved[outside] = np.nan
    return moved


def _whole_picture(now: tuple[_Level, ...], before: tuple[_Level, ...]) -> Doubles:
    """Shift right and down in blocks, zoom and roll (as fractions) that take the picture before to the one now."""
    motion = np.zeros(4)
    for level, (steps, one, other) in enumerate(zip(_STEPS, now, before, strict=True)):
        scale = 2 ** (len(_STEPS) - 1 - level)
        scaled = motion * (1 / scale, 1 / scale, 1, 1)
        for _ in range(steps):
            scaled = scaled + _motion_step(one, _inside(other.known, scaled))
        motion = scaled * (scale, scale, 1, 1)
    return motion


def _from_farther(now: tuple[_Level, ...], before: tuple[_Level, ...]) -> tuple[Doubles, float]:
    """Motion as of `_whole_picture`, begun from the best turn and shift of all, and likeness over what both pictures show."""
    scale = 2 ** (len(now) - 1)
    motion = farther_motion(now[0].picture, before[0].picture, now[0].weight) * (scale, scale, 1, 1)
    one, other = now[-1], before[-1]
    for _ in range(_FARTHER_STEPS):
        motion = motion + _motion_step(one, _seen(other.known, motion))
    warped = _seen(other.known, motion)
    seen = one.weight * np.isfinite(warped)
    warped = np.nan_to_num(warped)
    return motion, correlation(one.picture, warped, seen) if same_detail(one.picture, warped, seen) else -1.0


def _shrunk(picture: Floats, size: tuple[int, int]) -> Floats:
    """A picture at another size (width, height), as means over areas."""
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _motion_step(now: _Level, warped: Floats) -> Doubles:
    """One least-squares step of shift, zoom and roll, with gain and offset fitted beside them; NaN has no before."""
    rows = len(warped)
    change = now.picture - warped
    seen = change == change  # noqa: PLR0124 - not NaN, faster than asking
    change[~seen] = 0.0
    weighted = now.features * (now.weight * seen).ravel()
    normal = (weighted @ now.features.T).astype(np.float64)
    if not normal[5, 5]:  # so far off that nothing is in both frames
        return np.zeros(4)
    ridge = _RIDGE * normal[5, 5]
    normal.flat[:28:7] += (ridge, ridge, ridge * rows**2 / 6, ridge * rows**2 / 6)
    normal[4, 4] += 1.0
    fit = np.asarray(np.linalg.solve(normal, (weighted @ change.ravel()).astype(np.float64)))
    # where the gain is g, the picture before changes with motion by a g-th of what the one now does; fit[4] is 1 - 1/g
    return -fit[:4] / min(max(1.0 - float(fit[4]), 1.0 / _GAIN_A_STEP), _GAIN_A_STEP)


def _gradients(picture: Floats) -> tuple[Floats, Floats]:
    """Central differences right and down, in codes a block."""
    right = cv2.Sobel(picture, cv2.CV_32F, 1, 0, ksize=1, scale=0.5, borderType=cv2.BORDER_REPLICATE)
    down = cv2.Sobel(picture, cv2.CV_32F, 0, 1, ksize=1, scale=0.5, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(right, dtype=np.float32), np.asarray(down, dtype=np.float32)


def _warped_blocks(frame: Frame, previous: Frame, motion: Doubles) -> Floats:
    """Block means of the frame before, taken where its content is now: the whole picture's motion, then the parallax."""
    rows, columns = previous.area.block_shape
    flow = _whole_flow(motion, rows, columns)
    now, before = frame.view(_pyramid)[-1].picture, previous.view(_pyramid)[-1].picture
    ok = frame.area.block_ok & _was_inside(flow)
    gain, offset = _exposure_change(now, _fetch(before, flow, cv2.INTER_LINEAR), ok)
    for _ in range(_LOCAL_STEPS):
        flow += _local_flow(now, gain * _fetch(before, flow, cv2.INTER_LINEAR) + offset, ok)
    fine = previous.fine
    size = fine.shape[::-1]
    scale = np.array([size[0] / columns, size[1] / rows], dtype=np.float32)[:, None, None]
    fine_flow = [cv2.resize(each, size, interpolation=cv2.INTER_LINEAR) for each in flow * scale]
    warped = _fetch(fine, fine_flow, cv2.INTER_CUBIC)
    return np.asarray(gain * _shrunk(warped, (columns, rows)) + offset, dtype=np.float32)


def _was_inside(flow: Floats) -> npt.NDArray[np.bool_]:
    """Places [rows, columns] whose content was in the picture before."""
    rows, columns = flow.shape[1:]
    x, y = _places(rows, columns)
    was_x, was_y = x - flow[0], y - flow[1]
    return np.asarray((was_x >= 0) & (was_x <= columns - 1) & (was_y >= 0) & (was_y <= rows - 1))


def _exposure_change(now: Floats, warped: Floats, ok: npt.NDArray[np.bool_]) -> tuple[np.float32, np.float32]:
    """Gain and offset that take the codes before to those now; what moved by itself is left out of a second fit.

    The gain is the ratio of the spreads of tile means: unlike a regression's slope on blocks it does not shrink where
    the motion is not followed well or interpolation blurs.
    """
    size = (now.shape[1] // BLOCKS_A_TILE, now.shape[0] // BLOCKS_A_TILE)
    whole = _shrunk(ok.astype(np.float32), size) > _MOSTLY
    if np.count_nonzero(whole) < _FEWEST_TILES:
        return np.float32(1.0), np.float32(0.0)
    two, one = (_shrunk(each, size)[whole].astype(np.float64) for each in (now, warped))
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
    (along, across, at_x), (_, _, at_y) = _affine(motion, rows, columns).astype(np.float32)
    x, y = _places(rows, columns)
    was_x, was_y = along * x + across * y + at_x, -across * x + along * y + at_y
    return np.stack([x - was_x, y - was_y])


def _fetch(picture: Floats, flow: Sequence[Any] | Floats, kernel: int) -> Floats:
    """The picture before at the places that its content has now left: [rows, columns]."""
    x, y = _places(*picture.shape)
    taken = cv2.remap(picture, x - flow[0], y - flow[1], kernel, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(taken, dtype=np.float32)


def _local_flow(now: Floats, warped: Floats, ok: npt.NDArray[np.bool_]) -> Floats:
    """Rest of motion [2, rows, columns] in blocks, fitted around every tile and smooth between tiles."""
    right, down = _gradients((now + warped) * np.float32(0.5))
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
    right, down = _gradients((now + warped) * np.float32(0.5))
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
