"""How fast the picture moves: what tells flying from standing on the ground."""

from __future__ import annotations

from fieldscore.frame import Frame
from fieldscore.measure import Column, measure
from fieldscore.motion import registration


@measure(
    Column(
        "motion_percent",
        "%/s",
        "neither",
        "Speed of the picture: shift, zoom and roll together, in % of its height a second.",
        "Lucas and Kanade 1981",
    ),
    paced=True,
)
def movement(frame: Frame) -> tuple[float, ...]:
    """Speed of the picture in % of its height a second."""
    found = frame.view(registration)
    return (float("nan") if found is None else found.speed_percent(frame.area.block_shape[0]),)
