"""What is kept of a frame that is linked: its small picture, normalised, and where that is clipped, crushed or lit by glow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.following import SQUARE, normal_codes, normalised, small
from fieldscore.frame import FLOW_A_BLOCK, Frame, Luma, PictureArea
from fieldscore.glow import glow

Floats = npt.NDArray[np.float32]

PATCH = SQUARE  # samples along a patch's side
_ALL = 255.0  # code that marks a sample: its share of a mean is known to a 255th
_NEAR_END_CODES = 8.0  # codes below the ceiling that count as clipped once pictures are averaged


@dataclass(frozen=True)
class Key:
    """A frame that is linked: `row` and `time_s`, and small pictures [height, width] of it.

    `picture` in codes; `normal` normalised, in codes about 128, and `structure` its square; `clipped` and `crushed`: shares of
    each sample, None without any; `glow` [rows, columns] of each patch, None without a source.
    """

    row: int
    time_s: float
    area: PictureArea
    picture: Floats
    normal: Luma
    structure: Floats
    clipped: Floats | None
    crushed: Floats | None
    glow: Floats | None


def key_of(frame: Frame, row: int, part: Floats) -> Key:
    """The small pictures of a frame that is linked; `part` is 1 where they are picture."""
    area = frame.area
    larger = frame.reduced
    darkest, brightest, _, _ = cv2.minMaxLoc(larger)
    picture = frame.coarse
    normal = normalised(picture)
    ceiling, floor = area.ceiling - _NEAR_END_CODES, area.floor + area.criteria.clip_margin_codes
    clipped, around = None, None
    if brightest > ceiling:
        clipped = _shares(cv2.threshold(larger, ceiling, _ALL, cv2.THRESH_BINARY)[1], area)
        lines, columns = area.shape
        sources = means(clipped * part, (part.shape[1] // PATCH, part.shape[0] // PATCH))
        around = glow(sources, columns / (lines * area.lines_a_row))
    return Key(
        row=row,
        time_s=frame.time_s,
        area=area,
        picture=picture,
        normal=normal_codes(normal),
        structure=np.asarray(normal * normal, dtype=np.float32),
        clipped=clipped,
        crushed=_shares(cv2.threshold(larger, floor, _ALL, cv2.THRESH_BINARY_INV)[1], area)
        if darkest <= floor
        else None,
        glow=around,
    )


def _shares(marked: npt.NDArray[Any], area: PictureArea) -> Floats:
    """Share, at the size that motion is found on, of a picture that is marked with `_ALL`, else 0."""
    return np.asarray(small(marked, area) * np.float32(1.0 / _ALL), dtype=np.float32)


def picture_part(area: PictureArea) -> Floats:
    """1 where the small picture is free of overlay, else 0."""
    ok = area.block_ok.astype(np.float32)
    rows, columns = (FLOW_A_BLOCK * size for size in ok.shape)
    return np.asarray(cv2.resize(ok, (columns, rows), interpolation=cv2.INTER_NEAREST), dtype=np.float32)


def means(picture: Floats, size: tuple[int, int]) -> Floats:
    """Means of a picture over areas, at a smaller size (width, height)."""
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
