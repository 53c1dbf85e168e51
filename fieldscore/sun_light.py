"""The light about the largest bright source of a small picture: what tells the sun from a lamp. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.units import to_linear

Luma = npt.NDArray[np.uint8]

_NEAR_END = 0.955  # share of the ceiling's level that counts as it once pixels are averaged and coded again
LEAST_RADIUS = 0.018  # of the picture's height: 3 px of a small picture; the fall of light about less cannot be seen
_MOST_SHARE = 0.08  # of the picture: larger is a bright sky or wall (as for lamps in view)
_FILLED = 0.35  # share of its bounding box that a compact source fills at least (as for lamps in view)
RINGS = (1.0, 2.0, 3.0, 5.0)  # distances from the core's edge, in its radii, between which light is looked at
_FEWEST_PIXELS = 6  # in a ring of which a median and quartiles are taken
_SIDES = (0.0, -45.0, 45.0, -90.0, 90.0)  # degrees from the picture's up: the sky's side in a bank or on the ground
# What the light around it does, set on flights of another seed than those reported (docs/decisions/sun_or_lamp.py).
SUN_NEAR, _SUN_FAR = 0.25, 0.13  # of the ceiling's light in the nearest and farthest ring at least
_FALL = 0.88  # of a ring's light that the next ring has at most
# Of a ring's median that its lower quartile has at least: light spread by the lens is even, a lit wall is not.
EVEN = 0.55
# Of the ceiling's light at least: by day all of the sky is lit, above a torch's spot on the ground it is not.
_SUN_SKY = 0.09
# Of the ceiling's light at least: so bright a sky lifts the rings, and the sun's light falls away toward its, not toward black.
BRIGHT_SKY = 0.2
# Of the nearest ring's light that such a sky, or the farthest ring, has at most: clouds and shading make less.
_OVER_SKY = 0.9
# Times at most that light rises again straight above: above the sun is sky alone, above a lit patch ground, and the sky behind it.
_RISES = 1.7
_BAR = 0.03  # of the height: what is thinner over the sun, as a gate's bar or a branch, is not ground
_GROUND = 0.12  # of the ceiling's light: from what is lit more than that it rises to a cloud, not from ground to sky
_CLEAR = 1.0  # of the core's radius: what is nearer to its edge may be a part of it, behind a branch or a gate
_LAMP_NEAR = 0.15  # of the ceiling's light in the nearest ring at most


@dataclass(frozen=True)
class Look:
    """The largest bright source of one small picture.

    `x`, `y` in picture heights, `across` in its width, `radius` of the disc with its area in heights; `rings`: light [3]
    above it in shares of the ceiling's, NaN where too little of a ring is in the picture; `even`: lower quartile over
    median of the nearest ring; `turned`: rings of the sky's side, wherever it is; `evenest`: the highest lower quartile of
    the nearest ring on any side over the median of that of `turned`; `sky`: lower quartile of the light straight above it;
    `rises`: times that this rises again on the way up; `cut`: the picture's edge cuts it; `twin`: another source like the sun
    stands clear of it.
    """

    time_s: float
    x: float
    y: float
    across: float
    radius: float
    rings: tuple[float, float, float]
    even: float
    turned: tuple[float, float, float]
    evenest: float
    sky: float
    rises: float
    cut: bool
    twin: bool = False

    @property
    def like_sun(self) -> bool:
        """Say whether the light falls away as the sun's does."""
        sides = ((self.rings, self.even), (self.turned, self.evenest))
        return bool(
            any(even >= EVEN and _falls(rings, self.sky) for rings, even in sides)
            # NaN where the core stands at the upper edge: nothing speaks against it
            and not self.sky < _SUN_SKY
            and not self.rises > _RISES
        )

    @property
    def like_lamp(self) -> bool:
        """Say whether the light ends with the source's edge."""
        return bool(self.rings[0] <= _LAMP_NEAR)


def brightest(picture: Luma, time_s: float, ceiling_level: float, curve: str) -> Look | None:
    """Give the largest compact source at the ceiling of a picture [height, width], 0 black and 255 white; None without one."""
    height = picture.shape[0]
    ceiling = min(ceiling_level, 1.0)
    hot = (picture >= _NEAR_END * ceiling * 255.0).astype(np.uint8)
    _, labels, found, centres = cv2.connectedComponentsWithStats(hot, connectivity=8)
    _, _, wide, tall, area = found[1:].T.astype(np.float64)
    radius = np.sqrt(area / np.pi)
    compact = (area <= _MOST_SHARE * hot.size) & (area >= _FILLED * wide * tall) & (radius >= LEAST_RADIUS * height)
    if not compact.any():
        return None
    light = to_linear(np.arange(256) / 255.0 / ceiling, curve)[picture]
    which = int(np.argmax(np.where(compact, area, 0.0)))
    look = _look(light, labels == which + 1, found[which + 1], centres[which + 1], time_s)
    apart = np.hypot(*(centres[1:] - centres[which + 1]).T)
    clear = compact & (apart >= (1.0 + _CLEAR) * radius[which] + radius)
    if not clear.any():
        return look
    other = int(np.argmax(np.where(clear, area, 0.0)))
    twin = _look(light, labels == other + 1, found[other + 1], centres[other + 1], time_s)
    return replace(look, twin=twin.like_sun)


def _look(
    light: npt.NDArray[np.float64],
    core: npt.NDArray[np.bool_],
    box: npt.NDArray[np.int32],
    centre: npt.NDArray[np.float64],
    time_s: float,
) -> Look:
    """Look at one source: `light` in shares of the ceiling's and its `core`, both [height, width]; its `box` and `centre` in px."""
    height, width = light.shape
    left, top, wide, tall, area = box.tolist()
    radius = math.sqrt(area / math.pi)
    x, y = centre.tolist()
    rings, even, turned, evenest = _around(light, core, (x, y), radius)
    above = light[:top, max(0, int(x - RINGS[2] * radius)) : int(x + RINGS[2] * radius) + 1]
    return Look(
        time_s=time_s,
        x=x / height,
        y=y / height,
        across=x / width,
        radius=radius / height,
        rings=rings,
        even=even,
        turned=turned,
        evenest=evenest,
        sky=float(np.percentile(above, 25)) if above.size >= _FEWEST_PIXELS else np.nan,
        rises=_rises(light[:top, max(0, int(x - radius)) : int(x + radius) + 1], round(_BAR * height)),
        cut=left == 0 or top == 0 or left + wide == width or top + tall == height,
    )


def _falls(rings: tuple[float, float, float], sky: float) -> bool:
    """Say whether a look's rings are as bright as the sun's, and fall from one to the next, of a bright sky what is above it."""
    near, middle, far = rings
    if not (near >= SUN_NEAR and far >= _SUN_FAR):
        return False
    if middle <= _FALL * near and far <= _FALL * middle:
        return True
    least = min(sky, far)
    above = bool(least <= _OVER_SKY * near and middle - least <= _FALL * (near - least))
    return above and far <= middle and sky >= BRIGHT_SKY


def _around(
    light: npt.NDArray[np.float64], core: npt.NDArray[np.bool_], centre: tuple[float, float], radius: float
) -> tuple[tuple[float, float, float], float, tuple[float, float, float], float]:
    """Give the `rings`, `even`, `turned` and `evenest` of a look: `light` and `core` [height, width], centre x, y and radius in px.

    The sky is on the side, half of each ring, where the farthest ring is brightest: ground and trees are darker. A tree or
    a roof may hide a part of the nearest ring on any side, so that the side with the brightest lower quartile tells how even it is.
    """
    away = cv2.distanceTransform((~core).astype(np.uint8), cv2.DIST_L2, 5) / radius
    rows, columns = np.nonzero((away > 0.5) & (away <= RINGS[3]))
    away, light = away[rows, columns], light[rows, columns]
    found, lows = [], []
    for turn in np.deg2rad(_SIDES):
        side = (columns - centre[0]) * math.sin(turn) + (centre[1] - rows) * math.cos(turn) >= 0.0
        lights = [light[side & (away > low) & (away <= high)] for low, high in pairwise((0.5, *RINGS[1:]))]
        near, middle, far = (float(np.median(one)) if one.size >= _FEWEST_PIXELS else np.nan for one in lights)
        found.append((near, middle, far))
        lows.append(float(np.percentile(lights[0], 25)) if lights[0].size >= _FEWEST_PIXELS else np.nan)
    turned = max(found, key=lambda rings: np.nan_to_num(rings[2], nan=-1.0))
    lowest = max((low for low in lows if not math.isnan(low)), default=np.nan)
    return found[0], lows[0] / max(found[0][0], 1e-6), turned, lowest / max(turned[0], 1e-6)


def _rises(above: npt.NDArray[np.float64], bar: int) -> float:
    """Times that light [rows, columns] straight above a core rises again on the way up, at most; 1 of too few rows.

    What is at most `bar` rows thick does not count.
    """
    if len(above) <= 2 * bar:
        return 1.0
    rows = np.maximum(np.median(above, axis=1)[::-1], _GROUND)
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(rows, 2 * bar + 1), axis=1)
    return float(np.max(smooth / np.minimum.accumulate(smooth)))
