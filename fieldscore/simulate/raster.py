"""The few picture operations the simulator draws with, typed; all on float32 pictures (h, w) or (h, w, k)."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.float32]
Array = npt.NDArray[np.float64]


def affine(picture: Image, scale: float, offset: float) -> Image:
    """scale * picture + offset, in one pass."""
    return np.asarray(cv2.addWeighted(picture, scale, picture, 0.0, offset), dtype=np.float32)


def mix(a: Image, weight_a: float, b: Image, weight_b: float, offset: float) -> Image:
    """weight_a * a + weight_b * b + offset, in one pass."""
    return np.asarray(cv2.addWeighted(a, weight_a, b, weight_b, offset), dtype=np.float32)


def ratio(numerator: float, denominator: Image) -> Image:
    """A number divided by a picture; 0 where the picture is 0."""
    # As a picture too: OpenCV takes a lone number beside a picture of 4 x 1 pixels for four numbers.
    return np.asarray(cv2.divide(np.full_like(denominator, numerator), denominator), dtype=np.float32)


def root(picture: Image) -> Image:
    """Square root of a picture that is nowhere negative."""
    return np.asarray(cv2.sqrt(picture), dtype=np.float32)


def hypotenuse(a: Image, b: Image) -> Image:
    """sqrt(a^2 + b^2)."""
    return np.asarray(cv2.magnitude(a, b), dtype=np.float32)


def exponential(picture: Image) -> Image:
    """e to the power of a picture."""
    return np.asarray(cv2.exp(picture), dtype=np.float32)


def shrink(picture: npt.NDArray[Any], size: tuple[int, int]) -> Image:
    """Means over cells: the picture at a smaller `size` (width, height)."""
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def stretch(picture: npt.NDArray[Any], size: tuple[int, int]) -> Image:
    """The picture at a larger `size` (width, height), linear between its pixels."""
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def pick(texture: Image, u: Image, v: Image, *, repeat: bool) -> Image:
    """The texture at columns `u` and rows `v` (centre of the first texel at 0), repeating, or 0 outside."""
    border = cv2.BORDER_WRAP if repeat else cv2.BORDER_CONSTANT
    return np.asarray(cv2.remap(texture, u, v, cv2.INTER_LINEAR, borderMode=border, borderValue=0), dtype=np.float32)


def blur(picture: Image, sigma_x: float, sigma_y: float) -> Image:
    """Gaussian blur; nothing comes in from outside."""
    done = cv2.GaussianBlur(picture, (0, 0), sigma_x, sigmaY=sigma_y, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(done, dtype=np.float32)
