"""Signs that the link, not the camera, made the picture: what events.py turns into lost stretches."""

from __future__ import annotations

import numpy as np

from fieldscore.frame import Frame, eight_bit
from fieldscore.measure import Column, measure
from fieldscore.motion import registration
from fieldscore.signs import spreads

_CHROMA_STEP = 8  # every 8th chroma sample is plenty for a mean over the picture


@measure(
    Column("spread_codes", "code", "neither", "Standard deviation of the picture: near 0 on a blank screen."),
    Column("patch_spread_codes", "code", "neither", "The same of the tiles' means: small beside the former in snow."),
    Column("colour_codes", "code", "neither", "How far the mean colour is from grey: large on a coloured screen."),
    Column("likeness", "", "neither", "Correlation with the frame before, motion taken out: near 0 in snow."),
    Column("repeated", "0/1", "lower", "1 where the frame is identical to the one before."),
    Column("damaged", "0/1", "lower", "1 where the decoder says that the picture is not whole."),
)
def link_signs(frame: Frame) -> tuple[float, ...]:
    """Spread of pixels and of tile means in codes, colour offset in codes, likeness, repetition and damage."""
    spread, patches = frame.view(spreads)
    found = frame.view(registration)
    repeated, likeness = (np.nan, np.nan) if found is None else (float(found.identical), found.likeness)
    return spread, patches, _colour(frame), likeness, repeated, float(frame.damaged)


def _colour(frame: Frame) -> float:
    """Distance of the mean chroma from neutral in codes of the 8-bit scale; NaN without colour."""
    if frame.chroma is None:
        return float("nan")
    offsets = [
        eight_bit(np.ascontiguousarray(plane[::_CHROMA_STEP, ::_CHROMA_STEP]), frame.bits).mean() - 128.0
        for plane in frame.chroma
    ]
    return float(np.hypot(*offsets))
