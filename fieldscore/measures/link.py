"""Signs that the link, not the camera, made the picture: what events.py turns into lost stretches."""

from __future__ import annotations

import cv2
import numpy as np

from fieldscore.frame import Frame, Luma, eight_bit
from fieldscore.measure import Column, measure
from fieldscore.motion import registration
from fieldscore.signs import patch_spread, repeats, spread

_BLOCK = 16  # px: the macroblock of H.264, MPEG-4 and MJPEG with 4:2:0; larger coding units begin on this grid, too
_INSIDE = 5  # px from a block's edge to the place inside that is compared: on no 4 or 8 px grid
_ROWS_LOOKED_AT = 60
_FLOOR_CODES = 1.0  # code: steps of a flat picture say nothing
_CHROMA_STEP = 8  # every 8th chroma sample is plenty for a mean over the picture


@measure(
    Column("spread_codes", "code", "neither", "Standard deviation of the picture: near 0 on a blank screen."),
    Column("patch_spread_codes", "code", "neither", "The same of the tiles' means: small beside the former in snow."),
    Column("colour_codes", "code", "neither", "How far the mean colour is from grey: large on a coloured screen."),
    Column(
        "likeness",
        "",
        "neither",
        "Correlation with the frame before (of fast ones, 1/30 to 1/10 s before), motion taken out: near 0 in snow.",
    ),
    Column("repeated", "0/1", "lower", "1 where the frame is identical to the one before."),
    Column("damaged", "0/1", "lower", "1 where the decoder says that the picture is not whole."),
    Column(
        "block_edges", "", "lower", "Steps at the edges of coding blocks over those inside: about 1 in a sound picture."
    ),
)
def link_signs(frame: Frame) -> tuple[float, ...]:
    """Spread of pixels and of tile means in codes, colour offset in codes, likeness, repetition, damage and block edges."""
    found, colour = frame.paced(registration), frame.held(_colour)
    likeness = float("nan") if found is None else found.likeness
    repeated, damaged = frame.view(repeats), float(frame.damaged)
    return frame.view(spread), frame.paced(patch_spread), colour, likeness, repeated, damaged, _block_edges(frame)


def _colour(frame: Frame) -> float:
    """Distance of the mean chroma from neutral in codes of the 8-bit scale; NaN without colour."""
    if frame.chroma is None:
        return float("nan")
    offsets = [
        eight_bit(np.ascontiguousarray(plane[::_CHROMA_STEP, ::_CHROMA_STEP]), frame.bits).mean() - 128.0
        for plane in frame.chroma
    ]
    return float(np.hypot(*offsets))


def _block_edges(frame: Frame) -> float:
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
    return (across + _FLOOR_CODES) / (inside + _FLOOR_CODES)
