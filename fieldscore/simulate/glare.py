"""What a lens does with the light of bright things: a glow about each and a veil over all the picture."""

from __future__ import annotations

import numpy as np

from fieldscore.simulate.raster import Image, blur, shrink, stretch
from fieldscore.simulate.route import Pose
from fieldscore.simulate.stage import Stage, toward_sun

# Share of the light and its spread in pixels at 480 lines; then the share spread over all the picture. Chosen
# so that a street lamp at 10 m has a glow of some 20 px at night; common practice, no source.
GLOW = ((0.030, 14.0), (0.014, 45.0), (0.008, 120.0))
VEIL = 0.012
SUN_VEIL = 5e-6  # of the sun's light, spread by the lens when it stands near the axis
SUN_VEIL_HALF_RAD = 0.45  # angle from the axis at which half of that is left
HIDDEN_SUN = 0.1  # of the veil, while something hides the sun
SMALL = 8  # light is metered and spread on a picture so many times smaller


def sun_veil(stage: Stage, pose: Pose, hidden: bool) -> float:
    """Veil of the sun by its angle from the axis, also while it stands just outside the picture."""
    light = stage.world.light
    if not light.sun:
        return 0.0
    angle = float(np.arccos(np.clip(pose.axes[2] @ toward_sun(light), -1.0, 1.0)))
    full = light.sun * SUN_VEIL * (HIDDEN_SUN if hidden else 1.0)
    return full / (1.0 + (angle / SUN_VEIL_HALF_RAD) ** 4)


def add_glare(light: Image, stage: Stage, line_step: int, sun: float) -> tuple[Image, float]:
    """Add glow and veil to `light` in place; returns the reduced picture that is metered, and the mean added.

    `sun`: veil of the sun (`sun_veil`); `line_step` 2 for a field, whose lines stand twice as far apart.
    """
    h, w = light.shape
    small = shrink(light, (w // SMALL, h // SMALL))
    if not stage.camera.glare:
        return small, 0.0
    spread: Image = np.full(small.shape, VEIL * float(small.mean()) + sun, np.float32)
    for share, pixels in GLOW:
        sigma = pixels * stage.plan.height / 480.0 / SMALL
        spread += np.float32(share) * blur(small, sigma, sigma / line_step)
    spread *= np.float32(stage.camera.glare)
    light += stretch(spread, (w, h))
    return small + spread, float(spread.mean())
