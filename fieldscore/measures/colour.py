"""Colour cast of the dark: how far from grey the dark tiles are, averaged first and converted after."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.colour import linear_rgb, matrix_of, stops_of_cast, to_lab
from fieldscore.frame import Frame, eight_bit
from fieldscore.measure import Column, measure
from fieldscore.units import CodeRange

DARK_LEVEL = 0.25  # tiles below this level fraction are the dark; common practice, no source
_ROWS_LOOKED_AT = 60  # chroma rows: five a tile are plenty for a mean
_NEUTRAL = 128.0  # chroma code of grey, 8-bit scale
_CHROMA_SPAN = {CodeRange.NARROW: 224.0, CodeRange.FULL: 255.0}  # codes, ITU-R BT.601


@measure(
    Column("cast_red_stops", "stop", "neither", "log2(R/G) of the mean of the dark tiles, under the named curve."),
    Column("cast_blue_stops", "stop", "neither", "log2(B/G) of the mean of the dark tiles, under the named curve."),
    Column("cast_lab_a", "", "neither", "The same mean in CIELAB, a*: green (-) to red (+).", "CIE 15, D65"),
    Column("cast_lab_b", "", "neither", "The same mean in CIELAB, b*: blue (-) to yellow (+).", "CIE 15, D65"),
    held=True,
)
def cast(frame: Frame) -> tuple[float, ...]:
    """Cast of the dark tiles in stops and in CIELAB; NaN without colour, without dark, or where the mean is black."""
    nothing = (float("nan"),) * 4
    colours = frame.view(tile_chroma)
    if colours is None:
        return nothing
    area = frame.area
    span = area.code_range.span
    level = (frame.tile_sums[:, 0].astype(np.float64) - area.code_range.black) / span
    dark = area.tile_valid & (level < DARK_LEVEL)
    if not dark.any():
        return nothing
    chroma = _CHROMA_SPAN[area.code_range]
    blue, red = ((float(plane[dark].mean()) - _NEUTRAL) / chroma for plane in colours)
    lines = area.shape[0] * area.lines_a_row
    light = linear_rgb(
        float(level[dark].mean()), blue, red, matrix_of(area.matrix, lines), area.criteria.transfer_curve
    )
    if light.min() <= 0.0:
        return nothing
    _, a, b = to_lab(light)
    return (*(float(one) for one in stops_of_cast(light)), float(a), float(b))


def tile_chroma(frame: Frame) -> npt.NDArray[np.float32] | None:
    """Mean chroma codes [2, tiles] in the 8-bit scale, blue and red difference; None without colour."""
    if frame.chroma is None:
        return None
    area = frame.area
    top, bottom, left, right = area.window
    height, width = frame.luma.shape
    size = (area.columns, area.rows)
    means = []
    for plane in frame.chroma:
        down, across = plane.shape[0] / height, plane.shape[1] / width
        part = plane[round(top * down) : round(bottom * down), round(left * across) : round(right * across)]
        step = max(1, part.shape[0] // _ROWS_LOOKED_AT) | 1
        rows = eight_bit(part[::step], frame.bits).astype(np.float32)  # in codes means would be rounded to whole ones
        means.append(cv2.resize(rows, size, interpolation=cv2.INTER_AREA).ravel())
    return np.asarray(means, dtype=np.float32)
