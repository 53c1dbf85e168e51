"""How fast the picture moves: what tells flying from standing on the ground; and how steadily, which torn pictures do not."""

from __future__ import annotations

import numpy as np

from fieldscore.frame import Frame
from fieldscore.measure import Column, measure
from fieldscore.motion import registration

_NAN = float("nan")


@measure(
    Column(
        "motion_percent",
        "%/s",
        "neither",
        "Speed of the picture: shift, zoom and roll together, in % of its height a second.",
        "Lucas and Kanade 1981",
    ),
    Column(
        "motion_change_percent",
        "%/s",
        "neither",
        "By how much that is another motion than the one measured before, in size or direction: large where pictures are torn.",
    ),
    paced=True,
)
def movement(frame: Frame) -> tuple[float, ...]:
    """Speed of the picture, and the length of its change, in % of its height a second."""
    found, height = frame.view(registration), frame.area.block_shape[0]
    if found is None:
        return _NAN, _NAN
    before = None if frame.reference is None else frame.reference.view(registration)
    if before is None:
        return found.speed_percent(height), _NAN
    change = np.linalg.norm(found.velocity_percent(height) - before.velocity_percent(height))
    return found.speed_percent(height), float(change)
