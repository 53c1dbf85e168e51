"""What is left of each tile once motion is taken out: temporal noise, doubled, plus what the fit could not follow.

The frame before is warped by the whole picture's motion, then by each tile's own (after Lucas and Kanade, IJCAI 1981,
with a change of gain and offset fitted beside it); what then is left of motion is fitted to first order on block means.

Under lamps on the mains a sensor that exposes its rows one after another shows bands, which lie elsewhere in the next frame: light
then changed by a factor that goes up and down with the row, and this is taken out, too. Lamps do not light all alike, so that
what bands changed is fitted once more in each tile, beside its motion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.frame import BLOCKS_A_TILE, FLOW_A_BLOCK, Frame, PictureArea
from fieldscore.motion import Registration, registration
from fieldscore.moved import affine, both, gradients, places_of, shrunk, warp

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
_FITTED = 3  # figures fitted in each tile: two of motion, one of brightness
_FREEDOM = BLOCKS_A_TILE**2 - _FITTED
_RIDGE = 0.05  # squared codes: keeps the motion of a tile without structure at zero
_MOSTLY, _FEWEST_TILES = 0.8, 8  # tiles for the exposure change: share of a tile that must be picture, and how many
_LOCAL_STEPS = 3  # iterations of the parallax fit
_LOCAL_RIDGE = 0.5  # squared codes a block: tiles without structure follow the whole picture
_LOCAL_LIMIT = 1.0  # blocks a step
_NEIGHBOURS = 0.45  # tiles (sigma) over which the parallax fit is smoothed
_ALIKE = 0.95  # likeness of each of two steps from which on noise is looked for over both
_EVENLY = 0.7, 1.5  # times as long as the second that the first of them may be
_NEAR_FLOOR, _NEAR_CEILING = 12.0, 4.0  # codes: so near to an end a ratio of light says little, or too little
_LEAST_OF_ROW, _LEAST_ROWS = 0.2, 0.33  # share of a row, and of the rows, that must show how light changed
# Squares of the steps from row to row over those about it (von Neumann, Ann. Math. Stat. 12:367, 1941): 2 of noise, 0.05 to 0.2 of
# bands, up to four of them in a picture. Of flights without hardly one pair in a hundred is under this.
_SMOOTH = 0.3
# a parabola over seven rows (Savitzky and Golay, Anal. Chem. 36:1627, 1964)
_SMOOTHING = np.array([-2, 3, 6, 7, 6, 3, -2]) / 21
# tiles (sigma) over which the light of lamps is taken to be alike, and how many times that of a row's middle it may be
_SHARE_NEAR, _MOST_SHARE = 1.0, 2.0
_ONE_MAP: Any = None  # both places are in the other map
_HALF_ROUNDING = 0.078125  # squared codes: error of a mean of four codes rounded to a code, its own mean taken off


@dataclass(frozen=True)
class Residual:
    """What is left of each tile once motion is taken out, NaN under the overlay and where it was not looked at.

    `variance` [tiles]: of one frame's block means, in squared codes; `structure` [tiles]: mean square gradient of the
    block means, in squared codes a block: how much a motion not followed would leave. `whole` [tiles]: the variance of a
    plain tile's noise with that part which a codec carries on from frame to frame; detail of the scene adds to it.
    `bands` [block rows]: factor by which bands of light changed the codes of each row; None where they did not.
    """

    variance: Floats
    structure: Floats
    whole: Floats
    bands: Doubles | None = None


def residual(frame: Frame) -> Residual | None:
    """Take motion out of a frame; None where it has no registration or is identical to the one before."""
    found, previous = frame.view(registration), frame.reference
    if found is None or found.identical or previous is None:
        return None
    variance, structure, bands = _left(frame, previous, _motion(found))
    rounding = _rounding(frame)
    # Noise of variance v, of which a share c is carried on, leaves v (1 - c) between two frames; the mean of both has
    # v (1 + c) / 2, which is also its mean square gradient (half a difference over two blocks, each way). So v is:
    whole = variance / 2 + np.maximum(structure - np.float32(2.0 * _RIDGE + rounding / 2.0), np.float32(0.0))
    return Residual(variance, structure, whole, bands)


def far_variance(frame: Frame) -> Floats | None:
    """The `variance` [tiles] against the frame that the one before was measured from, over twice the time.

    None where that is not known, lies at another distance, or where one of the two steps shows no motion of one scene.
    """
    found, middle, earlier = frame.view(registration), frame.reference, frame.earlier
    if found is None or middle is None or earlier is None or earlier.area is not frame.area:
        return None
    first = middle.view(registration)
    if first is None or min(found.likeness, first.likeness) < _ALIKE or found.identical or first.identical:
        return None
    if not _EVENLY[0] * found.interval_s < first.interval_s < _EVENLY[1] * found.interval_s:
        return None
    return _left(frame, earlier, both(_motion(first), _motion(found)))[0]


def _motion(found: Registration) -> Doubles:
    return np.array([*found.shift, found.zoom, found.roll])


def _left(frame: Frame, before: Frame, motion: Doubles) -> tuple[Floats, Floats, Doubles | None]:
    """Variance, rounding and what is under the overlay left out, and structure [tiles] of a frame against an earlier one.

    And the factor [rows] by which bands changed its light, None without bands.
    """
    warped, banded, bands = _warped_blocks(frame, before, motion)
    variance, structure = _tile_residual(frame.blocks, warped, banded)
    variance = np.maximum(variance - np.float32(_rounding(frame)), np.float32(0.0))
    variance[~_whole_tiles(frame.area)] = np.nan
    return variance, structure, bands


@lru_cache(maxsize=4)
def _whole_tiles(area: PictureArea) -> npt.NDArray[np.bool_]:
    """Tiles [tiles] none of whose blocks is under the overlay."""
    ok = area.block_ok.reshape(area.rows, BLOCKS_A_TILE, area.columns, BLOCKS_A_TILE).all(axis=(1, 3))
    return np.asarray(ok.ravel())


def _rounding(frame: Frame) -> float:
    """Variance that rounding of the halved pictures adds to a block mean, in squared codes."""
    pixels = sum(4.0**number for number in range(1, frame.area.halvings + 1))
    return _HALF_ROUNDING * pixels / frame.area.block_pixels


def _warped_blocks(frame: Frame, previous: Frame, motion: Doubles) -> tuple[Floats, Floats | None, Doubles | None]:
    """Block means of the frame before, taken where its content is now, in the light of now, and what its bands changed.

    And the factor [rows] of these, as in `Residual`.

    The whole picture's motion first, then the parallax. Parallax is found on block means as they are: on blurred ones it would
    be that of what is around, and leave the most where the picture is roughest. Two samples a block, taken linearly, are
    enough to find it, and a fifth of the cost.
    """
    rows, columns = previous.area.block_shape
    now, flow = frame.blocks, _whole_flow(motion, rows, columns)
    ok = frame.area.block_ok & _was_inside(flow)
    coarsely = motion * np.array([FLOW_A_BLOCK, FLOW_A_BLOCK, 1.0, 1.0])
    warped = shrunk(warp(previous.coarse, coarsely), (columns, rows))
    light = _light_change(now, warped, ok, frame.area)
    slopes = _Slopes(now)
    for step in range(_LOCAL_STEPS):
        if step:
            warped = _taken(previous.coarse, flow, cv2.INTER_LINEAR)
            if light.bands is not None:  # they were in part taken for motion
                light = _light_change(now, warped, ok, frame.area)
        flow += slopes.rest((now - light.on(warped)) * ok)
    warped = _taken(previous.fine, flow, cv2.INTER_CUBIC)
    return light.on(warped), light.of_bands(warped), light.factors


@dataclass(frozen=True)
class _Light:
    """How light changed: codes above the floor by what `bands` [rows, columns] say, then all by gain and offset.

    `factors` [rows]: what they are a share of.
    """

    floor: np.float32
    gain: np.float32
    offset: np.float32
    bands: Floats | None = None
    factors: Doubles | None = None

    def on(self, picture: Floats) -> Floats:
        """The picture before in the light of now."""
        lit = self.gain * picture + self.offset
        banded = self.of_bands(picture)
        return np.asarray(lit if banded is None else lit + banded, dtype=np.float32)

    def of_bands(self, picture: Floats) -> Floats | None:
        """What bands changed of it, in codes; None without bands."""
        if self.bands is None:
            return None
        return np.asarray(self.gain * self.bands * (picture - self.floor), dtype=np.float32)


def _light_change(now: Floats, warped: Floats, ok: npt.NDArray[np.bool_], area: PictureArea) -> _Light:
    """How light changed between the picture before, moved to where its content is now, and now."""
    floor, one, nothing = np.float32(area.floor), np.float32(1.0), np.float32(0.0)
    light = _Light(floor, *_exposure_change(now, warped, ok))
    factors = _bands(now, warped, light.on(warped), ok, area)
    if factors is None:
        return light
    bands = factors / factors.mean() - one
    lit = _Light(floor, one, nothing, bands).on(warped)
    gain, offset = _exposure_change(now, lit, ok)  # bands spread tiles as gain does
    light = _Light(floor, gain, offset, bands)
    banded = np.asarray(light.of_bands(warped)) * ok
    bands = _share(banded, now - gain * warped - offset) * bands
    return replace(light, bands=bands, factors=factors[:, 0].astype(np.float64))


def _share(banded: Floats, change: Floats) -> Floats:
    """Share [rows, columns] of bands that a change shows: lamps do not light all alike."""
    size = (banded.shape[1] // BLOCKS_A_TILE, banded.shape[0] // BLOCKS_A_TILE)
    together, alone = (cv2.GaussianBlur(shrunk(banded * one, size), (0, 0), _SHARE_NEAR) for one in (change, banded))
    share = np.clip(together / (alone + np.float32(_LOCAL_RIDGE)), 0.0, _MOST_SHARE)
    return np.asarray(cv2.resize(share, banded.shape[::-1], interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _bands(now: Floats, warped: Floats, lit: Floats, ok: npt.NDArray[np.bool_], area: PictureArea) -> Floats | None:
    """Factor [rows, 1] by which light above the floor changed in each row, None where that does not go up and down smoothly.

    `lit`: the picture before with the exposure of now. What goes with the height like a parabola may be a lamp's cone or a
    lens's shading, what goes with the level a curve's shoulder that the exposure moves along: neither makes bands.
    """
    floor, top = np.float32(area.floor), np.float32(area.ceiling - _NEAR_CEILING)
    known = ok & (warped > floor)
    known &= (np.minimum(now, lit) > floor + np.float32(_NEAR_FLOOR)) & (np.maximum(now, lit) < top)
    counts = np.count_nonzero(known, axis=1)
    rows = np.flatnonzero(counts >= _LEAST_OF_ROW * now.shape[1])
    if len(rows) < _LEAST_ROWS * now.shape[0]:
        return None
    known, counts, now_above = known[rows], counts[rows], now[rows] - floor
    factors = _row_factors(now_above, lit[rows] - floor, known, counts)
    levels = np.where(known, now[rows] + lit[rows], np.float32(0.0)).sum(axis=1) / counts
    apart = _without_trends(factors, rows / now.shape[0], levels / area.code_range.span)
    steps = np.diff(apart)
    if steps @ steps >= _SMOOTH * (apart @ apart):
        return None
    factors = _row_factors(now_above, warped[rows] - floor, known, counts)
    reach = len(_SMOOTHING) // 2
    filled = np.pad(np.interp(np.arange(now.shape[0]), rows, factors), reach, mode="edge")
    return np.convolve(filled, _SMOOTHING, mode="valid").astype(np.float32)[:, None]


def _row_factors(
    above: Floats, was_above: Floats, known: npt.NDArray[np.bool_], counts: npt.NDArray[np.intp]
) -> Doubles:
    """Median [rows] along each row of the ratio of codes above the floor, which what moves by itself does not move."""
    ratios = np.full(above.shape, np.inf, dtype=np.float32)  # what is not known comes last
    np.divide(above, was_above, out=ratios, where=known)
    return np.sort(ratios, axis=1)[np.arange(len(ratios)), counts // 2].astype(np.float64)


def _without_trends(factors: Doubles, places: Doubles, levels: Doubles) -> Doubles:
    """What is left of factors [n] once a parabola of the place in the picture and a line of the level are taken out."""
    trends = np.column_stack([np.ones(len(places)), places, places**2, levels])
    return np.asarray(factors - trends @ np.linalg.lstsq(trends, factors, rcond=None)[0])


def _taken(picture: Floats, flow: Floats, kernel: int) -> Floats:
    """Block means of a picture of more samples than blocks, at the places that its content has now left."""
    (height, width), (rows, columns) = picture.shape, flow.shape[:2]
    scaled = flow * np.array([width / columns, height / rows], dtype=np.float32)
    where = cv2.resize(scaled, (width, height), interpolation=cv2.INTER_LINEAR)
    cv2.subtract(_places(height, width), where, dst=where)
    taken = cv2.remap(picture, where, _ONE_MAP, kernel, borderMode=cv2.BORDER_REPLICATE)
    return shrunk(np.asarray(taken, dtype=np.float32), (columns, rows))


@lru_cache(maxsize=8)
def _places(rows: int, columns: int) -> Floats:
    """Column and row number [rows, columns, 2] of every place of a picture."""
    return np.ascontiguousarray(np.dstack(places_of(rows, columns)))


def _was_inside(flow: Floats) -> npt.NDArray[np.bool_]:
    """Places [rows, columns] whose content was in the picture before."""
    rows, columns = flow.shape[:2]
    was = _places(rows, columns) - flow
    return np.asarray(cv2.inRange(was, (0.0, 0.0), (columns - 1.0, rows - 1.0)), dtype=np.uint8) > 0


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
        near = away <= 3.0 * _middle(away) + 1.0
        (level, spread), (was_level, was_spread) = _moments(two[near]), _moments(one[near])
        if was_spread < 1.0:
            return np.float32(1.0), np.float32(_middle(two - one))
        gain = spread / was_spread
        offset = level - gain * was_level
    return np.float32(gain), np.float32(offset)


def _moments(values: Doubles) -> tuple[float, float]:
    """Mean and standard deviation: several times as fast as NumPy's on few."""
    mean = float(values.sum()) / len(values)
    apart = values - mean
    return mean, math.sqrt(float(apart @ apart) / len(values))


def _middle(values: Doubles) -> float:
    """The median, of an even number the upper of the two: several times as fast as NumPy's on few."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def _whole_flow(motion: Doubles, rows: int, columns: int) -> Floats:
    """Motion [rows, columns, 2] (right, down) of each block under the whole picture's shift, zoom and roll, in blocks."""
    matrix = affine(motion, rows, columns)
    matrix[:, :2] -= np.eye(2)
    return np.asarray(cv2.transform(_places(rows, columns), -matrix), dtype=np.float32)


class _Slopes:
    """Slopes of a block picture, and the rest of motion that they show, fitted around every tile and smooth between tiles."""

    def __init__(self, now: Floats) -> None:
        self.right, self.down = gradients(now)
        self.size = (now.shape[1] // BLOCKS_A_TILE, now.shape[0] // BLOCKS_A_TILE)
        xx = self._around(self.right, self.right) + np.float32(_LOCAL_RIDGE)
        yy = self._around(self.down, self.down) + np.float32(_LOCAL_RIDGE)
        xy = self._around(self.right, self.down)
        determinant = xx * yy - xy * xy
        self.xx, self.yy, self.xy = xx / determinant, yy / determinant, xy / determinant

    def _around(self, one: Floats, other: Floats) -> Floats:
        """Means [tile rows, tile columns] of a product over tiles and a little of those next to them."""
        return np.asarray(cv2.GaussianBlur(shrunk(one * other, self.size), (3, 3), _NEIGHBOURS), dtype=np.float32)

    def rest(self, change: Floats) -> Floats:
        """Rest of motion [rows, columns, 2] in blocks that leaves a change of the block picture."""
        xt, yt = self._around(self.right, change), self._around(self.down, change)
        rest = np.empty((*xt.shape, 2), dtype=np.float32)
        rest[:, :, 0] = self.xy * yt - self.yy * xt
        rest[:, :, 1] = self.xy * xt - self.xx * yt
        np.clip(rest, -_LOCAL_LIMIT, _LOCAL_LIMIT, out=rest)
        return np.asarray(cv2.resize(rest, change.shape[::-1], interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _tile_residual(now: Floats, warped: Floats, banded: Floats | None = None) -> tuple[Floats, Floats]:
    """Variance [tiles] of one frame's block means about each tile's own motion and brightness, and its structure.

    `banded`: and about what bands of light changed, of which each tile has its own share: one more figure fitted.
    """
    change = now - warped
    right, down = gradients((now + warped) * np.float32(0.5))
    products = (right * right, down * down, right * down, right * change, down * change, change * change)
    size = (now.shape[1] // BLOCKS_A_TILE, now.shape[0] // BLOCKS_A_TILE)
    x, y, t, xx, yy, xy, xt, yt, tt = (shrunk(one, size).ravel() for one in (right, down, change, *products))
    ridge, freedom = np.float32(_RIDGE), _FREEDOM
    xx, yy, xy, xt, yt, tt = xx - x * x + ridge, yy - y * y + ridge, xy - x * y, xt - x * t, yt - y * t, tt - t * t
    structure = xx + yy
    if banded is not None:
        ones = (banded, *(banded * each for each in (banded, right, down, change)))
        b, bb, xb, yb, tb = (shrunk(np.asarray(each), size).ravel() for each in ones)
        bb += ridge - b * b
        xb, yb, tb, freedom = xb - x * b, yb - y * b, tb - t * b, freedom - 1
        xx, yy, xy = xx - xb * xb / bb, yy - yb * yb / bb, xy - xb * yb / bb
        xt, yt, tt = xt - xb * tb / bb, yt - yb * tb / bb, tt - tb * tb / bb
    determinant = xx * yy - xy * xy
    explained = (yy * xt * xt - 2 * xy * xt * yt + xx * yt * yt) / determinant
    variance = (tt - explained) * (BLOCKS_A_TILE**2 / freedom / 2.0)
    return np.asarray(variance, dtype=np.float32), np.asarray(structure, dtype=np.float32)
