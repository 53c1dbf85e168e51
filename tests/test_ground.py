"""The plane that most of what is followed lies in, and what links gain by it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from frame_material import area_of, texture

from fieldscore.criteria import Criteria
from fieldscore.frame import Frame
from fieldscore.ground import ground_places, sample_places
from fieldscore.links import Linker
from fieldscore.units import from_linear

PATCH, ROWS, COLUMNS = 5, 24, 32
CURVE = Criteria().transfer_curve
# what a plane does that is flown over, tilted and turning (samples of 160 x 120)
PLANE = np.array([[0.97, 0.03, 1.5], [-0.02, 0.94, 0.5], [2e-5, -7e-4, 1.0]])


def of_the_plane() -> npt.NDArray[np.float32]:
    """Where each sample [120, 160, 2] was."""
    places = sample_places(ROWS * PATCH, COLUMNS * PATCH)
    return cv2.perspectiveTransform(places.reshape(1, -1, 2), PLANE).reshape(places.shape)


def of_patches(where: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Mean motion [24, 32, 2] of each patch."""
    motion = where - sample_places(*where.shape[:2])
    return motion.reshape(ROWS, PATCH, COLUMNS, PATCH, 2).mean(axis=(1, 3))


def test_the_ground_is_found_among_what_is_not_ground() -> None:
    """With two fifths of the patches astray and the others followed to 0.3 sample, the plane is found to 0.25 sample."""
    rng = np.random.default_rng(1)
    motion = of_patches(of_the_plane()) + rng.normal(0.0, 0.3, (ROWS, COLUMNS, 2)).astype(np.float32)
    astray = rng.random((ROWS, COLUMNS)) < 0.4
    motion[astray] += rng.uniform(-12.0, 12.0, (int(astray.sum()), 2)).astype(np.float32)
    found = ground_places(motion, np.ones((ROWS, COLUMNS), dtype=np.bool_), PATCH)
    assert found is not None
    off = np.hypot(*np.moveaxis(found - of_the_plane(), -1, 0))
    assert np.percentile(off, 95) < 0.25


def test_too_few_patches_make_no_ground() -> None:
    """With a few patches that were followed there is no plane."""
    followed = np.zeros((ROWS, COLUMNS), dtype=np.bool_)
    followed[3, :20] = True
    assert ground_places(of_patches(of_the_plane()), followed, PATCH) is None


def test_the_same_patches_give_the_same_ground() -> None:
    """Random samples are drawn alike each time: a flight measured twice has one result."""
    motion = of_patches(of_the_plane()) + np.random.default_rng(3).normal(0.0, 2.0, (ROWS, COLUMNS, 2)).astype(
        np.float32
    )
    every = np.ones((ROWS, COLUMNS), dtype=np.bool_)
    first, second = ground_places(motion, every, PATCH), ground_places(motion, every, PATCH)
    assert first is not None and second is not None and np.array_equal(first, second)


HEIGHT_M, SPEED_M_S, RATE, FOCAL_PX, HORIZON_PX = 3.0, 8.0, 30.0, 300.0, -40.0


class Watched(Linker):
    """Keeps where each sample was, as each link has it."""

    def __init__(self) -> None:
        super().__init__()
        self.where: list[npt.NDArray[np.float32]] = []

    def _followed(self, *arguments: Any) -> Any:
        found = super()._followed(*arguments)
        self.where.append(found[0].copy())
        return found


def flown_low(sigma: float) -> Watched:
    """Fly level and straight, 3 m above rough ground in a dim light, at 8 m/s, noise of `sigma` codes, and link the pictures."""
    rng = np.random.default_rng(2)
    ground = texture(900, 1600, seed=11, low=-1.0, high=1.0)
    y, x = np.mgrid[0:480, 0:640].astype(np.float32)
    reach = HEIGHT_M * FOCAL_PX / (y - HORIZON_PX)
    side = (x - 320.0) / FOCAL_PX * reach
    area, linker = area_of(), Watched()
    for number in range(31):
        ahead = reach + SPEED_M_S * number / RATE
        seen = cv2.remap(ground, ahead * 30.0, side * 30.0 + 450.0, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
        codes = 16.0 + 219.0 * from_linear(0.03 * np.exp2(0.8 * seen), CURVE) + sigma * rng.normal(size=seen.shape)
        linker.add(Frame(np.clip(np.rint(codes), 16, 235).astype(np.uint8), area, number / RATE))
    return linker


def strays(linker: Watched) -> float:
    """Median distance (samples) between where samples in the lower two thirds were and where they are said to have been."""
    y, x = np.mgrid[0:120, 0:160] * 4.0 + 1.5
    reach = HEIGHT_M * FOCAL_PX / (y - HORIZON_PX)
    before = reach + SPEED_M_S * 0.1
    was = np.stack([320.0 + (x - 320.0) * reach / before, HORIZON_PX + HEIGHT_M * FOCAL_PX / before], axis=-1)
    off = [np.hypot(*np.moveaxis(one - (was - 1.5) / 4.0, -1, 0))[40:] for one in linker.where[2:]]
    return float(np.median(off))


def test_ground_is_followed_though_the_nearest_moves_by_a_third_of_the_picture() -> None:
    """Rough ground in dim light, the nearest of which moves by 40 samples of 120, is followed to 2 samples, in much noise to 3."""
    assert strays(flown_low(1.0)) < 2.0
    assert strays(flown_low(5.0)) < 3.0


def test_noisy_ground_is_followed_by_its_plane(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rough ground in dim light and noise is followed nearer, to four fifths at most, than where every patch goes by itself."""
    with_plane = strays(flown_low(5.0))
    monkeypatch.setattr("fieldscore.links.ground_places", lambda *_: None)
    assert with_plane < 0.8 * strays(flown_low(5.0))
