"""Pictures with known content for the tests of the measures: textured, moved by a known warp, noisy, with text."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.frame import Frame, PictureArea
from fieldscore.units import CodeRange

WIDTH, HEIGHT = 640, 480
RATE = 30.0  # frames a second
Luma = npt.NDArray[np.uint8]
Doubles = npt.NDArray[np.float64]


def area_of(
    height: int = HEIGHT,
    width: int = WIDTH,
    *,
    window: tuple[int, int, int, int] | None = None,
    overlay: npt.NDArray[np.bool_] | None = None,
    code_range: CodeRange = CodeRange.NARROW,
    floor: float | None = None,
    ceiling: float | None = None,
    criteria: Criteria | None = None,
) -> PictureArea:
    """The whole frame, or a window of it, with the range's own ends unless said otherwise."""
    return PictureArea(
        window or (0, height, 0, width),
        overlay,
        code_range,
        code_range.black if floor is None else floor,
        code_range.white if ceiling is None else ceiling,
        criteria or Criteria(),
    )


def frame_of(picture: npt.NDArray[Any], area: PictureArea | None = None, **options: Any) -> Frame:
    """One frame of a picture, as large as the picture unless an area is given."""
    return Frame(picture, area or area_of(*picture.shape), options.pop("time_s", 0.0), **options)


def chain(pictures: Sequence[npt.NDArray[Any]], area: PictureArea | None = None, rate: float = RATE) -> list[Frame]:
    """Frames that each know the one before; the expensive views are computed in order, as in a pass."""
    area = area or area_of(*pictures[0].shape)
    frames: list[Frame] = []
    for number, picture in enumerate(pictures):
        frames.append(Frame(picture, area, number / rate, previous=frames[-1] if frames else None))
    return frames


@lru_cache(maxsize=8)
def texture(height: int = HEIGHT, width: int = WIDTH, seed: int = 3, low: float = 40.0, high: float = 200.0) -> Doubles:
    """A scene in codes with as much contrast in every octave from 6 px up (1/f, like natural scenes), low to high."""
    generator = np.random.default_rng(seed)
    total = np.zeros((height, width))
    sigma = 6.0
    while sigma < height / 2:
        size = (max(3, round(width / sigma)), max(3, round(height / sigma)))
        coarse = generator.standard_normal(size[::-1])
        total += cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
        sigma *= 2.0
    total -= total.min()
    scene = low + (high - low) * total / total.max()
    scene.setflags(write=False)
    return scene


def moved(scene: Doubles, *, right: float = 0.0, down: float = 0.0, zoom: float = 0.0, roll: float = 0.0) -> Doubles:
    """The middle of a scene after a shift (px), a zoom (fraction) and a clockwise roll (radians) about its centre."""
    height, width = scene.shape
    x, y = (width - 1) / 2, (height - 1) / 2
    grow, cosine, sine = 1.0 + zoom, np.cos(roll), np.sin(roll)
    matrix = np.array(
        [
            [grow * cosine, -grow * sine, x - grow * (cosine * x - sine * y) + right],
            [grow * sine, grow * cosine, y - grow * (sine * x + cosine * y) + down],
        ]
    )
    return np.asarray(
        cv2.warpAffine(scene, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    )


def middle(scene: Doubles, height: int = HEIGHT, width: int = WIDTH) -> Doubles:
    """The middle of a larger scene."""
    top, left = (scene.shape[0] - height) // 2, (scene.shape[1] - width) // 2
    return scene[top : top + height, left : left + width]


def coded(picture: Doubles) -> Luma:
    """Codes rounded to 8 bit."""
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def noisy(picture: Doubles, sigma: float, generator: np.random.Generator) -> Luma:
    """A picture with white noise of that many codes, rounded to 8 bit."""
    return coded(picture + sigma * generator.standard_normal(picture.shape))


def broken(picture: Luma, share: float, seed: int = 0) -> Luma:
    """A picture of whose macroblocks that share shows something from elsewhere."""
    rng = np.random.default_rng(seed)
    out = picture.copy()
    height, width = picture.shape
    for top in range(0, height - 15, 16):
        for left in range(0, width - 15, 16):
            if rng.random() < share:
                y, x = rng.integers(0, height - 16), rng.integers(0, width - 16)
                out[top : top + 16, left : left + 16] = picture[y : y + 16, x : x + 16]
    return out
