"""Shading: how much less of the light a lens leaves away from the middle of the picture.

Ground that streams outward in forward flight grows darker by it, and that is no change of exposure. Natural illumination falls
by the fourth power of a cosine, and wide lenses and their rims add to it: in stops about as the square of the distance from the
middle (docs/decisions/shading.py). How strong it is, is fitted once a flight (exposure_trace.py), as Goldman and Chen do,
"Vignette and Exposure Calibration and Compensation", ICCV 2005 (from memory), and Bergmann, Wang and Cremers after them (links.py).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]


def outward(motion: Floats, aspect: float) -> tuple[Doubles, Doubles]:
    """How many stops darker than where it was each patch [rows, columns] lies now, under a lens that loses one in the corners.

    And the same of what a lens may lose beside that, halfway to them (`halfway`). `motion` [rows, columns, 2] leads back to where
    the patches were, right and down, in patches; `aspect` is the width over the height of the picture.
    """
    rows, columns = motion.shape[:2]
    aspect = round(aspect, 2)
    x, y = _places(rows, columns, aspect)
    was_x, was_y = x + 2.0 * aspect / columns * motion[..., 0], y + 2.0 / rows * motion[..., 1]
    corner = aspect**2 + 1.0
    here, there = ((right * right + down * down) / corner for right, down in ((x, y), (was_x, was_y)))
    one, beside = (np.asarray(law(here) - law(there), dtype=np.float64) for law in (falloff, halfway))
    return one, beside


def falloff(square: Doubles) -> Doubles:
    """Stops lost at the square of a distance from the middle, 1 in the corners, of a lens that loses one stop there."""
    return square


def halfway(square: Doubles) -> Doubles:
    """What a lens may lose beside that: nothing in the middle and the corners, a quarter where the square is half.

    The fourth power of a cosine falls faster near the middle than the square does, the more so the wider the lens
    (docs/decisions/shading.py).
    """
    return square - square * square


@lru_cache(maxsize=4)
def _places(rows: int, columns: int, aspect: float) -> tuple[Doubles, Doubles]:
    """How far right [1, columns] and down [rows, 1] of the middle each patch lies, in halves of the picture's height."""
    x, y = (2.0 * (np.arange(count) + 0.5) / count - 1.0 for count in (columns, rows))
    places = aspect * x[None, :], y[:, None]
    for one in places:
        one.flags.writeable = False  # shared by all who ask
    return places
