"""Links between frames that see the same surfaces a tenth of a second apart: by how much their light changed, and why.

Dense motion (Kroeger, Timofte, Dai and Van Gool, "Fast Optical Flow using Dense Inverse Search", ECCV 2016; OpenCV's
`DISOpticalFlow`) is found on locally normalised pictures, so that auto exposure does not pass for movement. The older
picture is brought onto the newer one, and patches neither clipped nor crushed are compared in linear light under the
named curve. Where all surfaces brighten by one factor, the exposure changed; what darker surfaces gain beyond that is
veil, light that the lens spreads over the picture. After Bergmann, Wang and Cremers, "Online Photometric Calibration
of Auto Exposure Video for Realtime Visual Odometry and SLAM", IEEE RA-L 2018.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.frame import BLOCKS_A_TILE, Frame, Luma
from fieldscore.signs import is_blank, is_snow, spreads
from fieldscore.units import to_linear

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

KEY_EVERY_S = 0.1  # s between two linked frames: motion can be followed over it, and it bounds the cost
LONGEST_S = 0.5  # s: over more, too little of the picture is still in view
_FLOW_A_BLOCK = 2  # samples along a block's side in the picture that motion is found on: 160 x 120 of a 4:3 picture
_PATCH = 5  # samples along a patch's side: a quarter of a tile
_NORMAL_OVER = 13  # samples over which brightness and contrast are taken out before motion is found
_NORMAL_NOISE = 9.0  # squared codes: patches without structure stay flat
_NORMAL_CODES = 40.0  # codes that one local standard deviation becomes
_INSIDE = 0.9  # share of a patch that must be picture in both frames
_CLIPPED = 0.004  # share of a patch at the ceiling from which on its light is not known
_CRUSHED = 0.3  # the same at the floor
_NEAR_END_CODES = 8.0  # codes below the ceiling that count as clipped once pictures are averaged
_LOW, _HIGH = 0.04, 0.75  # level fractions above the floor: below is noise, above the shoulder of many curves begins
_FEWEST = 20  # patches without which there is no link
_STEPS = 5  # reweightings of the robust fit; more do not change it
_TUKEY = 3.0  # robust sigmas beyond which a patch is left out (biweight)
_LEAST_SIGMA = 0.01  # stops; what even perfect patches differ by
_MOST_SIGMA = 0.7  # stops between patches from which on the frames do not show the same surfaces
_ALIKE_PATCHES = 4.0  # neighbouring patches share their errors: so many count as one
_DIM = 6.0  # times darker than the median patch from which on a patch's share of veil is not followed further
_LINEAR_SHARE = np.float32(0.23)  # of linear in cubic interpolation at which second-order errors cancel
_VEIL_RIDGE = 1e-3  # of the weight: keeps the fit defined where all patches are alike


@dataclass(frozen=True)
class ExposureLink:
    """Change of light between two rows of the Timeline.

    `change` (stops) and `veil` (light added, in units of the median patch's light, as stops for that patch) with their
    `precision` [3]: the entries 11, 12 and 22 of the inverse covariance. `light`: linear light of the median patch in
    the older frame, 1 = nominal white.
    """

    before: int
    after: int
    change: float
    veil: float
    precision: tuple[float, float, float]
    light: float


@dataclass(frozen=True)
class _Key:
    row: int
    time_s: float
    area: object
    picture: Floats
    normal: Luma
    clipped: Floats
    crushed: Floats


class Linker:
    """Takes the frames of a pass in order and links them."""

    def __init__(self) -> None:
        self._flow = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_ULTRAFAST)
        self._flow.setFinestScale(1)
        self._last: _Key | None = None
        self._links: list[ExposureLink] = []
        self._brightness: list[float] = []

    def add(self, frame: Frame) -> None:
        """Take in the next frame (or field)."""
        row = len(self._brightness)
        self._brightness.append(_brightness(frame))
        last = self._last
        if last is not None and last.area is frame.area:
            same_lines = (row - last.row) % frame.area.lines_a_row == 0  # a field is linked to fields of its parity
            if not same_lines or frame.time_s - last.time_s < KEY_EVERY_S - 1e-3:
                return
        if _no_scene(frame):
            return
        key = _key(frame, row)
        if last is not None and last.area is frame.area:
            link = self._link(last, key, frame)
            if link is not None:
                self._links.append(link)
            elif frame.time_s - last.time_s < LONGEST_S:
                return  # this frame shows nothing that can be followed; another may
        self._last = key

    def _link(self, before: _Key, after: _Key, frame: Frame) -> ExposureLink | None:
        if not np.any(before.normal != after.normal):
            return ExposureLink(before.row, after.row, 0.0, 0.0, (1e6, 0.0, 1e6), 0.1)
        levels = self._patches(before, after, frame)
        if levels is None:
            return None
        curve = frame.area.criteria.transfer_curve
        return _fit(before.row, after.row, *(to_linear(one, curve) for one in levels))

    def _patches(self, before: _Key, after: _Key, frame: Frame) -> tuple[Doubles, Doubles] | None:
        """Levels [patches] above the floor, as fractions, of the same surfaces before and after."""
        height, width = after.picture.shape
        flow = self._flow.calc(after.normal, before.normal, np.zeros((height, width, 2), dtype=np.float32))
        x, y = _places(height, width)
        was_x, was_y = x + flow[..., 0], y + flow[..., 1]
        ok = _picture_part(frame)
        seen = ok * _fetch(ok, was_x, was_y, cv2.BORDER_CONSTANT)
        size = (width // _PATCH, height // _PATCH)
        cover = _means(seen, size)
        share = np.maximum(cover, 1e-3)
        old = _means(_sharp(before.picture, was_x, was_y) * seen, size) / share
        new = _means(after.picture * seen, size) / share
        clipped = np.maximum(_means(after.clipped, size), _means(_fetch(before.clipped, was_x, was_y), size))
        crushed = np.maximum(_means(after.crushed, size), _means(_fetch(before.crushed, was_x, was_y), size))
        area = frame.area
        one, two = ((codes.astype(np.float64) - area.floor) / area.code_range.span for codes in (old, new))
        good = (cover > _INSIDE) & (clipped < _CLIPPED) & (crushed < _CRUSHED)
        good &= (np.minimum(one, two) > _LOW) & (np.maximum(one, two) < _HIGH)
        return (one[good], two[good]) if np.count_nonzero(good) >= _FEWEST else None

    def results(self) -> tuple[tuple[ExposureLink, ...], Doubles]:
        """Give the links in order, and [n] the change of brightness of each row since the one before, in stops."""
        return tuple(self._links), np.diff(self._brightness, prepend=np.nan)


def _no_scene(frame: Frame) -> bool:
    """Say whether a frame is snow or a blank screen."""
    spread, patches = frame.view(spreads)
    return bool(is_blank(spread) or is_snow(spread, patches))


def _key(frame: Frame, row: int) -> _Key:
    """The small pictures of a frame that is linked."""
    area = frame.area
    rows, columns = (_FLOW_A_BLOCK * size for size in area.block_shape)
    half = frame.half

    def small(picture: npt.NDArray[Any]) -> Floats:
        return np.asarray(cv2.resize(picture, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)

    picture = small(half)
    over = (_NORMAL_OVER, _NORMAL_OVER)
    mean = cv2.blur(picture, over)
    spread = np.maximum(cv2.blur(picture * picture, over) - mean * mean, 0.0)
    normal = (picture - mean) * (_NORMAL_CODES / np.sqrt(spread + _NORMAL_NOISE)) + 128.0
    ceiling, floor = area.ceiling - _NEAR_END_CODES, area.floor + area.criteria.clip_margin_codes
    return _Key(
        row=row,
        time_s=frame.time_s,
        area=area,
        picture=picture,
        normal=np.clip(normal, 0.0, 255.0).astype(np.uint8),
        clipped=small(cv2.threshold(half, ceiling, 255, cv2.THRESH_BINARY)[1]) / np.float32(255.0),
        crushed=small(cv2.threshold(half, floor, 255, cv2.THRESH_BINARY_INV)[1]) / np.float32(255.0),
    )


def _fit(before: int, after: int, old: Doubles, new: Doubles) -> ExposureLink | None:
    """Exposure change and veil from the light [patches] of the same surfaces, robustly; None where they differ too much."""
    ratio, light = np.log2(new / old), np.sqrt(old * new)
    middle = float(np.median(light))
    features = np.stack([np.ones_like(ratio), np.minimum(middle / light, _DIM)], axis=1)
    found = np.array([np.median(ratio), 0.0])
    sigma, normal = 1.0, np.eye(2)
    for _ in range(_STEPS):
        left = ratio - features @ found
        sigma = 1.4826 * float(np.median(np.abs(left))) + _LEAST_SIGMA
        weight = np.square(np.maximum(1.0 - np.square(left / (_TUKEY * sigma)), 0.0))
        weighted = features * weight[:, None]
        normal = weighted.T @ features
        normal[1, 1] += _VEIL_RIDGE * weight.sum()
        found = np.linalg.solve(normal, weighted.T @ ratio)
    if sigma > _MOST_SIGMA:
        return None
    precision = normal / (sigma**2 * _ALIKE_PATCHES)
    return ExposureLink(
        before,
        after,
        float(found[0]),
        float(found[1]),
        (float(precision[0, 0]), float(precision[0, 1]), float(precision[1, 1])),
        float(np.median(old)),
    )


@lru_cache(maxsize=4)
def _code_light(floor: float, span: float, curve: str) -> Doubles:
    """Linear light [256] of the codes."""
    return to_linear((np.arange(256) - floor) / span, curve)


def _brightness(frame: Frame) -> float:
    """Mean linear light of the picture, in stops; NaN where it is black.

    Coarse as an exposure: good for the shape of a fast change between two linked frames, not to be added up.
    """
    area = frame.area
    mean = float(frame.histogram @ _code_light(area.floor, area.code_range.span, area.criteria.transfer_curve))
    return float(np.log2(mean)) if mean > 0.0 else float("nan")


def _picture_part(frame: Frame) -> Floats:
    """1 where the small picture is free of overlay, else 0."""
    ok = frame.area.block_ok.astype(np.float32)
    rows, columns = (_FLOW_A_BLOCK * size for size in ok.shape)
    return np.asarray(cv2.resize(ok, (columns, rows), interpolation=cv2.INTER_NEAREST), dtype=np.float32)


@lru_cache(maxsize=4)
def _places(height: int, width: int) -> tuple[Floats, Floats]:
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    return x, y


def _fetch(picture: Floats, x: Floats, y: Floats, border: int = cv2.BORDER_REPLICATE) -> Floats:
    return np.asarray(cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=border), dtype=np.float32)


def _sharp(picture: Floats, x: Floats, y: Floats) -> Floats:
    """The picture at other places, neither blurred nor sharpened to second order.

    A blur of the older picture alone would pass for growing contrast: exposure up, veil down. Linear interpolation
    blurs, OpenCV's cubic kernel (a = -0.75; a = -0.5 would be right to third order, Keys 1981) sharpens.
    """
    cubic = np.asarray(cv2.remap(picture, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)
    return cubic + _LINEAR_SHARE * (_fetch(picture, x, y) - cubic)


def _means(picture: Floats, size: tuple[int, int]) -> Floats:
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


assert BLOCKS_A_TILE * _FLOW_A_BLOCK % _PATCH == 0  # patches tile the picture
