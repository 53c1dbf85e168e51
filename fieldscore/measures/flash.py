"""What changed all at once since the frame before: what a lamp does, and neither motion nor auto exposure."""

from __future__ import annotations

import numpy as np

from fieldscore.frame import Frame
from fieldscore.measure import Column, measure
from fieldscore.motion import change_of_blocks

_STEP_CODES = 6.0  # a block that changed by more is brighter or darker than before, whatever its noise
_TOP_SHARE = 0.005  # share of the blocks whose change stands for a small lamp: 24 of 4800


@measure(
    Column(
        "brightened_percent", "%", "neither", "Share of blocks brighter by over 6 codes than a frame or a few before."
    ),
    Column("dimmed_percent", "%", "neither", "Share of blocks darker by over 6 codes than a frame or a few before."),
    Column(
        "rise_codes",
        "code",
        "neither",
        "Mean rise of the half percent of blocks that rose most since a frame or a few before.",
    ),
    Column(
        "fall_codes",
        "code",
        "neither",
        "Mean fall of the half percent of blocks that fell most since a frame or a few before.",
    ),
    paced=True,
)
def flash_signs(frame: Frame) -> tuple[float, ...]:
    """Shares of blocks (%) that brightened and dimmed, and the strongest rise and fall in codes, motion taken out."""
    change = frame.view(change_of_blocks)
    if change is None or not change.size:
        return (float("nan"),) * 4
    top = max(1, round(_TOP_SHARE * change.size))
    ordered = np.sort(change)  # vectorised in NumPy, unlike a partition at two places
    dimmed, others = np.searchsorted(ordered, (-_STEP_CODES, np.nextafter(np.float32(_STEP_CODES), np.float32(np.inf))))
    return (
        100.0 * float(change.size - others) / change.size,
        100.0 * float(dimmed) / change.size,
        max(0.0, float(ordered[-top:].mean())),
        max(0.0, float(-ordered[:top].mean())),
    )
