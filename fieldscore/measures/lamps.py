"""Lamps in view: compact sources at the ceiling inside the picture."""

from __future__ import annotations

import cv2
import numpy as np

from fieldscore.frame import Frame
from fieldscore.measure import Column, measure

_NEAR_END_CODES = 8.0  # codes below the ceiling that count as it once pixels are averaged
_LEAST_SHARE = 2.0 / 76_800.0  # share of the picture: two samples of 320 x 240, a street lamp 30 m away
_MOST_SHARE = 0.08  # larger is a bright sky or wall; the sun with its glow fills up to this
_FILLED = 0.35  # share of its bounding box that a compact source fills at least; a disc 0.79, a line little
_LONGEST = 5.0  # times as long as wide: beyond is a tube, a window frame or a horizon


@measure(
    Column("lamps", "", "neither", "Lamps in view: compact sources at the ceiling inside the picture."),
    Column(
        "bloom_radius_percent",
        "%",
        "lower",
        "Radius of the largest of them as recorded, in % of the picture's height; the sun's disc is 0.27 degrees.",
    ),
    held=True,
)
def lamps_in_view(frame: Frame) -> tuple[float, ...]:
    """Count of lamps, and the radius of the disc with the area of the largest; NaN without a lamp."""
    hot = cv2.threshold(frame.fine, frame.area.ceiling - _NEAR_END_CODES, 1.0, cv2.THRESH_BINARY)[1]
    if frame.area.overlay is not None:
        ok = cv2.resize(frame.area.block_ok.astype(np.float32), hot.shape[::-1], interpolation=cv2.INTER_NEAREST)
        hot = hot * ok
    if not hot.any():
        return 0.0, float("nan")
    _, _, found, _ = cv2.connectedComponentsWithStats(hot.astype(np.uint8), connectivity=8)
    _, _, width, height, area = found[1:].T.astype(np.float64)
    # a sample is as wide as the picture's shape makes it: lengths in samples of the picture's own proportions
    compact = (area >= _LEAST_SHARE * hot.size) & (area <= _MOST_SHARE * hot.size)
    compact &= area >= _FILLED * width * height
    compact &= np.maximum(width, height) <= _LONGEST * np.minimum(width, height)
    if not compact.any():
        return 0.0, float("nan")
    lines, columns = frame.area.shape
    lines *= frame.area.lines_a_row
    pixels = float(area[compact].max()) / hot.size * lines * columns
    return float(np.count_nonzero(compact)), 100.0 * float(np.sqrt(pixels / np.pi)) / lines
