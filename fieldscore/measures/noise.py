"""Noise left in the recording, and how much of the picture the codec froze."""

from __future__ import annotations

import numpy as np

from fieldscore.frame import Frame
from fieldscore.measure import Column, measure
from fieldscore.noise import noise
from fieldscore.signs import unchanged_percent

# Share of the picture's tiles that must be neither crushed nor clipped: what is left of a picture nine tenths black is rims of
# what is lit, which speak for no picture and read half as much again; a night with a third of it crushed has four tenths and more.
_LEAST_MEASURED = 1.0 / 3.0


@measure(
    Column(
        "noise_percent",
        "%",
        "lower",
        "Temporal noise left in the recording over areas of an object's size (8 px at 480 lines), as one sigma a pixel of white "
        "noise as strong there; median of the tiles neither crushed nor clipped.",
    ),
    held=True,
)
def noise_left(frame: Frame) -> tuple[float, ...]:
    """Median noise in % of nominal white; NaN where most of the picture is at the ends of the range."""
    found = frame.view(noise)
    if found is None or np.count_nonzero(found.measured) < _LEAST_MEASURED * np.count_nonzero(frame.area.tile_valid):
        return (float("nan"),)
    return (100.0 * float(np.median(found.left_codes[found.measured])) / frame.area.code_range.span,)


@measure(
    Column(
        "frozen_percent",
        "%",
        "lower",
        "Share of blocks identical to the frame before: a codec that freezes blocks fakes silence.",
    ),
    paced=True,
)
def frozen(frame: Frame) -> tuple[float, ...]:
    """Share of blocks without any change since the frame before, in %."""
    return (frame.view(unchanged_percent),)
