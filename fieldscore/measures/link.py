"""Signs that the link, not the camera, made the picture: what events.py turns into lost stretches."""

from __future__ import annotations

import numpy as np

from fieldscore.frame import Frame, eight_bit
from fieldscore.measure import Column, measure
from fieldscore.motion import registration
from fieldscore.signs import block_edges, patch_spread, repeats, spread

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
    return frame.view(spread), frame.paced(patch_spread), colour, likeness, repeated, damaged, frame.view(block_edges)


def _colour(frame: Frame) -> float:
    """Distance of the mean chroma from neutral in codes of the 8-bit scale; NaN without colour."""
    if frame.chroma is None:
        return float("nan")
    offsets = [
        eight_bit(np.ascontiguousarray(plane[::_CHROMA_STEP, ::_CHROMA_STEP]), frame.bits).mean() - 128.0
        for plane in frame.chroma
    ]
    return float(np.hypot(*offsets))
