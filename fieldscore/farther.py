"""Where a picture came from when it moved farther than gradients reach: a turn and a shift, tried over all of the picture.

For the few pairs that registration leaves unlike: a flip turns and a quick yaw shifts the whole picture from one frame to the
next, and it is still one picture; a torn one is not. Correlation over what both pictures show (Padfield, "Masked Object
Registration in the Fourier Domain", IEEE TIP 2012), for a few turns.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

_TURNS = (0.0, 0.14, -0.14, 0.28, -0.28, 0.42, -0.42)  # rad a frame: 240, 480 and 720 degrees a second at 30 frames
_COMMON_CODES = 2.0  # codes: structure under this does not tell two pictures apart
_STILL_SHOWN = 0.3  # share of the picture that must be in both frames for a motion to be believed
# Correlation of detail from which on it is: true turns and shifts leave 0.95 and more, chance matches up to 0.73.
_SURE_OF_DETAIL = 0.8
_SURROUNDINGS = 5.0  # blocks (sigma) about which detail is taken
_COMMON = 0.4  # share of the picture that must be in both
_NOISE_CODES = 2.0  # codes: structure under this does not tell two pictures apart


def farther_motion(now: Floats, before: Floats, known: Floats) -> Doubles:
    """Shift right and down in samples, zoom and roll that take the picture before to the one now, to about a sample.

    `now` and `before` [rows, columns] in codes, `known` 1 where neither is under the overlay, else less.
    """
    rows, columns = now.shape
    size = (cv2.getOptimalDFTSize(2 * rows), cv2.getOptimalDFTSize(2 * columns))
    one = _spectra(now, known, size)
    best, found = -2.0, np.zeros(4)
    for turn in _TURNS:
        matrix = cv2.getRotationMatrix2D(((columns - 1) / 2, (rows - 1) / 2), -float(np.rad2deg(turn)), 1.0)
        turned, weight = (cv2.warpAffine(each, matrix, (columns, rows)) for each in (before, known))
        other = _spectra(turned.astype(np.float32), weight.astype(np.float32), size)
        likeness = _likeness(one, other, size, _COMMON * rows * columns)
        place = int(likeness.argmax())
        if likeness.flat[place] > best:
            best = float(likeness.flat[place])
            down, right = divmod(place, size[1])
            shift = right - size[1] * (right > size[1] // 2), down - size[0] * (down > size[0] // 2)
            found = np.array([*shift, np.cos(turn) - 1.0, np.sin(turn)])
    return found


def _spectra(picture: Floats, weight: Floats, size: tuple[int, int]) -> tuple[npt.NDArray[np.complex128], ...]:
    """Fourier transforms of the weight, and of the picture about its mean and its square under it."""
    away = (picture - float((picture * weight).sum()) / max(float(weight.sum()), 1.0)) * weight
    return tuple(np.fft.rfft2(each, size) for each in (weight, away, away * away))


def _likeness(
    one: tuple[npt.NDArray[np.complex128], ...],
    other: tuple[npt.NDArray[np.complex128], ...],
    size: tuple[int, int],
    least: float,
) -> Doubles:
    """Correlation [size] of two pictures at every shift, over what both show; -1 where that is under `least` samples."""

    def at_shifts(first: int, second: int) -> Doubles:
        return np.asarray(np.fft.irfft2(one[first] * np.conj(other[second]), size))

    count = np.maximum(at_shifts(0, 0), 1.0)
    sum_one, sum_other = at_shifts(1, 0), at_shifts(0, 1)
    common = at_shifts(1, 1) - sum_one * sum_other / count
    power_one = np.maximum(at_shifts(2, 0) - sum_one**2 / count, 0.0)
    power_other = np.maximum(at_shifts(0, 2) - sum_other**2 / count, 0.0)
    likeness = common / (np.sqrt(power_one * power_other) + _NOISE_CODES**2 * count)
    return np.where(count >= least, likeness, -1.0)


def same_detail(now: Floats, before: Floats, seen: Floats) -> bool:
    """Say whether two pictures [rows, columns] are alike in detail where both are `seen` (1, else 0 or between), and enough is.

    Shading alone, a horizon or a lit ground, is alike at many shifts; a picture without detail says nothing.
    """

    def around(values: Floats) -> Floats:
        return np.asarray(cv2.GaussianBlur(values, (0, 0), _SURROUNDINGS), dtype=np.float32)

    share = np.maximum(around(seen), np.float32(1e-3))
    one, other = ((picture - around(picture * seen) / share) * seen for picture in (now, before))
    power = float(np.sqrt(np.sum(one * one) * np.sum(other * other))) + float(seen.sum())
    return float(seen.mean()) >= _STILL_SHOWN and float(np.sum(one * other)) >= _SURE_OF_DETAIL * power


def correlation(first: Floats, second: Floats, weight: Floats) -> float:
    """Correlation of two pictures where they are picture, with so much taken as common that an even picture is like another."""
    kept, one, two = weight.ravel(), first.ravel(), second.ravel()
    count = float(kept.sum())
    if not count:
        return 1.0
    one, two = ((each - np.float32(each @ kept / count)) * kept for each in (one, two))
    common = _COMMON_CODES**2 * count
    power = float(one @ one) * float(two @ two)
    return float((float(one @ two) + common) / (np.sqrt(power) + common))
