"""Noise left in the recording, and how much of the picture the codec froze."""

from __future__ import annotations

import numpy as np

from fieldscore.frame import Frame
from fieldscore.measure import Column, measure
from fieldscore.noise import noise
from fieldscore.signs import unchanged_percent


@measure(
    Column(
        "noise_percent",
        "%",
        "lower",
        "Temporal noise left in the recording, one sigma a pixel, median of the tiles neither crushed nor clipped.",
    ),
    held=True,
)
def noise_left(frame: Frame) -> tuple[float, ...]:
    """Median noise in % of nominal white."""
    found = frame.view(noise)
    if found is None or not found.measured.any():
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
