"""The plane of the ground: found from patches, aligned by how it looks, and what links gain by it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from frame_material import area_of, texture

from fieldscore.criteria import Criteria
from fieldscore.following import Between, normal_codes, normalised, sample_places
from fieldscore.frame import Frame, Luma
from fieldscore.ground import Ground, GroundMotion, plane_of
from fieldscore.links import Linker
from fieldscore.units import from_linear

PATCH, ROWS, COLUMNS = 5, 24, 32
CURVE = Criteria().transfer_curve
# what a plane does that is flown over, tilted and turning (samples of 160 x 120)
PLANE = np.array([[0.97, 0.03, 1.5], [-0.02, 0.94, 0.5], [2e-5, -7e-4, 1.0]])


def of_the_plane(plane: npt.NDArray[np.float64] = PLANE) -> npt.NDArray[np.float32]:
    """Where each sample [120, 160, 2] was."""
    places = sample_places(ROWS * PATCH, COLUMNS * PATCH)
    return cv2.perspectiveTransform(places.reshape(1, -1, 2), plane).reshape(places.shape)


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
    found = plane_of(motion, np.ones((ROWS, COLUMNS), dtype=np.bool_), PATCH)
    assert found is not None
    off = np.hypot(*np.moveaxis(of_the_plane(found) - of_the_plane(), -1, 0))
    assert np.percentile(off, 95) < 0.25


def test_too_few_patches_make_no_ground() -> None:
    """With a few patches that were followed there is no plane."""
    followed = np.zeros((ROWS, COLUMNS), dtype=np.bool_)
    followed[3, :20] = True
    assert plane_of(of_patches(of_the_plane()), followed, PATCH) is None


def test_the_same_patches_give_the_same_ground() -> None:
    """Random samples are drawn alike each time: a flight measured twice has one result."""
    motion = of_patches(of_the_plane()) + np.random.default_rng(3).normal(0.0, 2.0, (ROWS, COLUMNS, 2)).astype(
        np.float32
    )
    every = np.ones((ROWS, COLUMNS), dtype=np.bool_)
    first, second = plane_of(motion, every, PATCH), plane_of(motion, every, PATCH)
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


def test_squares_are_followed_though_the_nearest_move_by_a_third_of_the_picture(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Rough ground in dim light, the nearest by a third of the picture a link, strays by 2 samples at most, in much noise by 4."""
    monkeypatch.setattr("fieldscore.links.GroundMotion.back", lambda *_: None)
    assert strays(flown_low(1.0)) < 2.0
    assert strays(flown_low(5.0)) < 4.0


def test_noisy_ground_is_followed_by_its_plane(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rough ground in dim light and noise is followed nearer, to two thirds at most, than where every patch goes by itself."""
    with_plane = strays(flown_low(5.0))
    monkeypatch.setattr("fieldscore.links.GroundMotion.back", lambda *_: None)
    assert with_plane < 2.0 / 3.0 * strays(flown_low(5.0))


CAMERA = np.array([[64.0, 0.0, 79.5], [0.0, 64.0, 59.5], [0.0, 0.0, 1.0]])  # samples; a view 103 degrees wide
UP_M = 2.0  # height of the camera


def turned(roll: float, pitch: float = 0.15, yaw: float = 0.0) -> npt.NDArray[np.float64]:
    """Axes [3, 3] of a camera that looks a little down, as rows right, down and ahead, of a world of right, down and ahead."""
    turns = ([0.0, 0.0, roll], [pitch, 0.0, 0.0], [0.0, yaw, 0.0])
    one, two, three = (cv2.Rodrigues(np.array(turn))[0] for turn in turns)
    return np.asarray(one @ two @ three)


def seen_from(ahead_m: float, axes: npt.NDArray[np.float64], sigma: float, seed: int) -> tuple[Luma, Any]:
    """A normalised picture [120, 160] of striped, rough ground under a dark sky, a lamp and its post, noise of `sigma` codes.

    With it where samples lie, as points [120, 160, 3] from the camera in the world's axes; of the sky, directions. Drawn at four
    times the size, as a camera's pixels are means.
    """
    fine = (sample_places(480, 640) - 1.5) / 4.0
    rays = np.concatenate([fine, np.ones((480, 640, 1))], axis=-1) @ np.linalg.inv(CAMERA).T @ axes
    down = rays[..., 1]
    points = np.where(down[..., None] > 0.01, rays * (UP_M / np.maximum(down, 0.01))[..., None], rays * 1e4)
    rough = texture(1024, 1024, seed=11, low=-1.0, high=1.0)
    along, across = points[..., 2] + ahead_m, points[..., 0]
    looked = cv2.remap(rough, *((one * 60.0 % 1023.0).astype(np.float32) for one in (across, along)), cv2.INTER_LINEAR)
    codes = 60.0 + 40.0 * looked + 7.0 * np.sign(np.sin(2.0 * np.pi * across / 0.8)) * (points[..., 2] < 12.0)
    codes = np.where(down > 0.01, codes, 25.0)
    lamp = np.array([1.5, -1.0, 30.0 - ahead_m]) @ axes.T @ CAMERA.T
    x, y = 4.0 * lamp[:2] / lamp[2] + 1.5
    cv2.line(codes, (round(x), round(y)), (round(x), round(y) + 100), 110.0, 4)
    cv2.circle(codes, (round(x), round(y)), 14, 235.0, -1)
    codes = cv2.resize(codes, (160, 120), interpolation=cv2.INTER_AREA)
    codes += sigma * np.random.default_rng(seed).normal(size=codes.shape)
    return normal_codes(normalised(codes.astype(np.float32))), cv2.resize(
        points, (160, 120), interpolation=cv2.INTER_AREA
    )


def went(points: Any, ahead_m: float, axes: npt.NDArray[np.float64]) -> Any:
    """Where points [120, 160, 3] are seen by a camera so far ahead of there, in samples."""
    there = (points - np.array([0.0, 0.0, ahead_m])) @ axes.T @ CAMERA.T
    return there[..., :2] / there[..., 2:]


def flown(turns: list[npt.NDArray[np.float64]], sigma: float = 3.0) -> list[tuple[Ground | None, Any, Any]]:
    """Set off ahead, up to 8 m/s, then turn link by link; what was found of each link, where samples were, and which are ground."""
    motion, part = GroundMotion(), np.ones((120, 160), dtype=np.float32)
    found: list[tuple[Ground | None, Any, Any]] = []
    turns = [turns[0]] * 8 + turns
    place_m = 0.0
    for number, (before, after) in enumerate(zip(turns, turns[1:], strict=False)):
        step_m = min(0.1 * number, 0.8)
        older, _ = seen_from(place_m, before, sigma, 3 * number)
        newer, points = seen_from(place_m + step_m, after, sigma, 3 * number + 3)
        mean = cv2.Rodrigues(cv2.Rodrigues(before @ after.T)[0] / 3.0)[0] @ after
        between: Between = seen_from(place_m + step_m * 2.0 / 3.0, mean, sigma, 3 * number + 2)[0], np.float32(1 / 3)
        ground = motion.back((older, newer, between), part, 0.1, lambda: None, PATCH)
        was = went(points, -step_m, before)
        is_ground = (points[..., 1] > 0.0) & (points[..., 2] < 60.0)
        inside = (was >= 0.0).all(axis=-1) & (was[..., 0] <= 159.0) & (was[..., 1] <= 119.0)
        found.append((ground, was, is_ground & inside))
        place_m += step_m
    return found


def off_ground(link: tuple[Ground | None, Any, Any]) -> float:
    """Median distance (samples) of ground from where it was."""
    ground, was, asked = link
    assert ground is not None
    return float(np.median(np.hypot(*np.moveaxis(ground.places - was, -1, 0))[asked]))


def test_striped_and_noisy_ground_is_found_by_how_it_looks() -> None:
    """Ground that streams by at up to 8 m/s, with stripes, noise, a lamp and its post, is found to 0.25 sample on most links.

    No link is off by half a sample: the picture moves by up to 27.
    """
    found = flown([turned(0.0)] * 4)
    off = [off_ground(link) for link in found]
    assert np.median(off) < 0.25 and max(off) < 0.5
    assert all(link[0] is not None and link[0].sure for link in found)


def test_ground_is_found_through_a_hard_roll() -> None:
    """A roll that sets in at 0.2 radian a tenth of a second, far beyond what the link before says, is found to 0.7 sample."""
    found = flown([turned(roll) for roll in (0.0, 0.0, 0.2, 0.4)])
    assert max(off_ground(link) for link in found) < 0.7


def test_far_things_move_as_the_camera_turns() -> None:
    """Sky, told apart from the ground by the horizon, is where the turn alone has it, within half a sample."""
    found = flown([turned(0.0, yaw=0.04 * number) for number in range(5)])
    ground, was, _ = found[-1]
    assert ground is not None and not ground.below[:8].any() and ground.below[-8:].all()
    assert float(np.median(np.hypot(*np.moveaxis(ground.places - was, -1, 0))[:30])) < 0.5


def test_the_frame_between_is_led_to_by_the_ground() -> None:
    """The motion to the frame between is that of a share of the way, not of the places: near ground is not a sample off."""
    ground, _, asked = flown([turned(0.0)] * 2)[-1]
    assert ground is not None and ground.midway is not None
    _, points = seen_from(1.6, turned(0.0), 0.0, 0)
    off = np.hypot(*np.moveaxis(of_the_plane(ground.midway) - went(points, -0.8 / 3.0, turned(0.0)), -1, 0))
    assert np.percentile(off[asked], 90) < 0.5
    straight = sample_places(120, 160) + (ground.places - sample_places(120, 160)) / 3.0
    assert (
        np.percentile(np.hypot(*np.moveaxis(straight - went(points, -0.8 / 3.0, turned(0.0)), -1, 0))[asked], 90) > 0.8
    )


def test_noise_is_no_ground() -> None:
    """Pictures of nothing but noise give no ground, and what is asked otherwise is asked."""
    rng = np.random.default_rng(5)
    one, two = (rng.integers(60, 200, (120, 160), dtype=np.uint8) for _ in range(2))
    asked: list[int] = []
    part = np.ones((120, 160), dtype=np.float32)
    assert GroundMotion().back((one, two, None), part, 0.1, lambda: asked.append(1), PATCH) is None
    assert asked


def test_where_there_is_no_picture_there_is_no_ground() -> None:
    """With all of the picture covered nothing is found, and nothing fails."""
    picture = np.full((120, 160), 128, dtype=np.uint8)
    part = np.zeros((120, 160), dtype=np.float32)
    assert GroundMotion().back((picture, picture, None), part, 0.1, lambda: None, PATCH) is None
