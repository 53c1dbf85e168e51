"""Was it dark at a place of the picture while the camera stood? Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

Luma = npt.NDArray[np.uint8]

_AREAS = (32, 24)  # of a picture, across and down: noise and the rounding of codes average out
# Spread, of 255, of what is left between areas of two pictures a quarter of a second apart: 2.5 at most before a camera that
# stands, 6 at least in flight (32 torches of three simulators, 60 flights by day and dusk).
_ALIKE_CODES = 4.0


def dark_and_still(
    pictures: Sequence[Luma | None], place: tuple[float, float], radius: float, darkest_code: float
) -> bool:
    """Say whether two neighbours of small pictures [height, width] in a row are alike, and their place is dark in both.

    `place` x, y and the `radius` of the disc about it are in picture heights; dark is a median code of `darkest_code` at most.
    None is a picture that is not there.
    """
    return any(
        one is not None
        and other is not None
        and max(_code_about(one, place, radius), _code_about(other, place, radius)) <= darkest_code
        and _are_alike(one, other)
        for one, other in pairwise(pictures)
    )


def _code_about(picture: Luma, place: tuple[float, float], radius: float) -> float:
    """Median code of a picture [height, width] within a radius of a place; infinite where no pixel is."""
    height, width = picture.shape
    row, column = np.ogrid[:height, :width]
    away = np.hypot(column / height - place[0], row / height - place[1])
    about = picture[away <= radius]
    return float(np.median(about)) if about.size else math.inf


def _are_alike(one: Luma, other: Luma) -> bool:
    """Say whether two pictures show the same but for the exposure, which may be on its way back from what was lit."""
    areas = [cv2.resize(each, _AREAS, interpolation=cv2.INTER_AREA).ravel() for each in (one, other)]
    (first, both), (_, second) = np.cov(areas)
    left = max(first, second) - both**2 / max(
        min(first, second), 1e-9
    )  # of the livelier, by a straight line of the other
    return bool(left <= _ALIKE_CODES**2)
