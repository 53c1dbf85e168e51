"""Glow: light that a lens spreads about bright sources, as a pattern over the picture.

A lens scatters some of a source's light into all directions, by a law close to 1 / angle squared: the veiling luminance of
Stiles and Holladay, as the CIE has it for eyes (CIE 146:2002, from memory), and near that of a camera's glare spread.
Ground near a lamp in the picture reads too bright by it, and grows darker as it moves away from the lamp: no change of
exposure. How bright a clipped source really is, the picture does not say; so the pattern is of unit sources, and its
strength is fitted once a flight (exposure_trace.py). What of it is alike over all the picture is found as veil. The light that the
lens adds is both.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]

_CORE = (
    1.0 / 12.0
)  # picture heights within which the glow no longer grows; also the lens's blur (docs/decisions/glow.py)
_NOTHING = 1e-4  # share of a source's light: less, spread over a patch, changes no code


def glow(clipped: Floats, aspect: float) -> Floats | None:
    """Glow [rows, columns] of the sources that are `clipped`, a share of each patch; None where there is none.

    1 would be the light of white from a source that fills the picture, all of it spread. `aspect` is the width over
    the height of the picture.
    """
    sources = np.flatnonzero(clipped.ravel() > _NOTHING)
    if not sources.size:
        return None
    kernel = _kernel(*clipped.shape, round(aspect, 2))
    return np.asarray((clipped.ravel()[sources] @ kernel[sources]).reshape(clipped.shape), dtype=np.float32)


def gained(before: Floats | None, after: Floats | None, motion: Floats) -> Floats | None:
    """Glow [rows, columns] that each surface has gained since before; None where there is none at either time.

    `motion` [rows, columns, 2] leads back to where the surfaces were, right and down, in patches.
    """
    if before is None and after is None:
        return None
    now = np.zeros(motion.shape[:2], dtype=np.float32) if after is None else after
    if before is None:
        return now
    rows, columns = now.shape
    x, y = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
    was = cv2.remap(before, x + motion[..., 0], y + motion[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(now - was, dtype=np.float32)


@lru_cache(maxsize=4)
def _kernel(rows: int, columns: int, aspect: float) -> Floats:
    """Share [patches, patches] of the light of a source in each patch that lands on each other one, if all is spread.

    Over a picture's height around the source it adds up to all of it.
    """
    y = (np.arange(rows) + 0.5) / rows
    x = (np.arange(columns) + 0.5) * aspect / columns
    down, right = (np.subtract.outer(one, one) for one in (y, x))
    square = np.square(down)[:, None, :, None] + np.square(right)[None, :, None, :] + _CORE**2
    patch = aspect / (rows * columns)
    whole = np.pi * np.log1p(_CORE**-2)  # of 1 / (r^2 + core^2) over a disc of radius 1
    return np.asarray(patch / whole / square, dtype=np.float32).reshape(rows * columns, rows * columns)
