"""How the picture moved from the frame before.

After Lucas and Kanade (IJCAI 1981), with a change of gain and offset fitted beside the motion so that auto exposure
does not pass for movement. The motion of the whole picture (shift, zoom, roll) is found on blurred block pictures,
coarse to fine. What it leaves of each tile is found in residual.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.farther import correlation, farther_motion, same_detail
from fieldscore.frame import Frame, PictureArea
from fieldscore.moved import as_seen, as_seen_within, from_centre, gradients, shrunk, warp

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
_RIDGE = 0.05  # squared codes: keeps the motion of a tile without structure at zero
_BLUR_BLOCKS = 1.2  # gradients of a block picture hold over about this distance once it is blurred so far
_STEPS = (2, 1)  # iterations on the halved and on the whole block picture; more change little, fewer lose accuracy
_UNLIKE = 0.95  # likeness below which motion is looked for farther away (docs/decisions/torn_pictures.py)
_FARTHER_STEPS = 3  # iterations from there
_SURE = 0.9  # likeness from which on it is believed; what is torn or another scene has less
_GAIN_A_STEP = 1.2  # gain that a step allows for: more is noise, or takes another step


@dataclass(frozen=True)
class Registration:
    """Motion of the whole picture since the frame before.

    `shift` (right, down) in blocks, `zoom` and `roll` as fractions (roll in radians, clockwise); `likeness` the
    correlation of the blurred block pictures once motion is taken out; `identical` where nothing changed at all;
    `interval_s` the time since the frame before.
    """

    shift: tuple[float, float]
    zoom: float
    roll: float
    likeness: float
    identical: bool
    interval_s: float

    def travel_blocks(self, height: int) -> float:
        """How far a picture of that height moved, in blocks: shift, and zoom and roll at half a height, as one length."""
        turn = np.hypot(self.zoom, self.roll) * height / 2
        return float(np.hypot(np.hypot(*self.shift), turn))

    def velocity_percent(self, height: int) -> Doubles:
        """Shift right and down, zoom and roll at half a height [4] in % of that height a second; NaN as of `speed_percent`."""
        travel = np.array([*self.shift, self.zoom * height / 2, self.roll * height / 2])
        return np.asarray(100.0 * travel / height / (self.interval_s if self.interval_s > 0 else np.nan))

    def speed_percent(self, height: int) -> float:
        """The same in % of that height a second; NaN where both frames have one time."""
        return 100.0 * self.travel_blocks(height) / height / self.interval_s if self.interval_s > 0 else float("nan")


def registration(frame: Frame) -> Registration | None:
    """Register a frame to the one before it; None on the first frame or where the picture has another shape."""
    previous = frame.reference
    if previous is None or previous.area is not frame.area:
        return None
    interval_s = frame.time_s - previous.time_s
    if np.array_equal(frame.blocks, previous.blocks):
        return Registration((0.0, 0.0), 0.0, 0.0, 1.0, identical=True, interval_s=interval_s)
    now, before = frame.view(pyramid), previous.view(pyramid)
    motion = _whole_picture(now, before)
    likeness = correlation(now[-1].picture, warp(before[-1].picture, motion), now[-1].weight)
    if likeness < _UNLIKE:
        farther, like = _from_farther(now, before)
        if like >= _SURE and like > likeness:  # else it is another picture, and as unlike as it looks
            motion, likeness = farther, like
    right, down, zoom, roll = (float(one) for one in motion)
    return Registration((right, down), zoom, roll, likeness, identical=False, interval_s=interval_s)


def change_of_blocks(frame: Frame) -> Floats | None:
    """Change in codes of the blocks [n] that are picture since the frame before, the whole picture's motion taken out.

    None where the frame has no registration. Blocks that came in at the edges are left out.
    """
    found, previous = frame.view(registration), frame.reference
    if found is None or previous is None:
        return None
    change = frame.blocks - as_seen(previous.blocks, np.array([*found.shift, found.zoom, found.roll]))
    return np.asarray(change[(frame.view(pyramid)[-1].weight > 0) & np.isfinite(change)], dtype=np.float32)


@dataclass(frozen=True)
class _Level:
    """One size of the blurred block picture, and what the fit needs of it: nothing of it changes from step to step.

    `picture` and `weight` (1 where there is no overlay) [rows, columns]; `known` the picture, NaN under the overlay;
    `features` [6, blocks]: how the picture changes with shift right and down, zoom, roll, gain and offset.
    """

    picture: Floats
    weight: Floats
    known: Floats
    features: Floats


def pyramid(frame: Frame) -> tuple[_Level, ...]:
    """The block picture at each size of the fit, coarse to fine, blurred so that its gradients reach far enough."""
    blurred = np.asarray(cv2.GaussianBlur(frame.blocks, (0, 0), _BLUR_BLOCKS), dtype=np.float32)
    rows, columns = frame.area.block_shape
    levels = []
    for number in reversed(range(len(_STEPS))):
        size = (columns >> number, rows >> number)
        picture = blurred if number == 0 else shrunk(blurred, size)
        weight, hidden = _weight(frame.area, size)
        right, down = gradients(picture)
        x, y = from_centre(size[1], size[0])
        features = np.empty((6, *picture.shape), dtype=np.float32)
        features[0], features[1] = right, down
        features[2] = right * x + down * y
        features[3] = down * x - right * y
        features[4], features[5] = picture - picture.mean(), 1.0  # a flat picture then fits one way only
        known = picture if hidden is None else picture + hidden
        levels.append(_Level(picture, weight, known, features.reshape(6, -1)))
    return tuple(levels)


@lru_cache(maxsize=8)
def _weight(area: PictureArea, size: tuple[int, int]) -> tuple[Floats, Floats | None]:
    """1 where the picture of that size (width, height) is free of overlay, else 0 or the share between.

    And NaN where there is overlay, else 0; None where there is none.
    """
    weight = shrunk(area.block_ok.astype(np.float32), size)
    return weight, None if weight.all() else np.where(weight > 0, np.float32(0.0), np.float32(np.nan))


def _whole_picture(now: tuple[_Level, ...], before: tuple[_Level, ...]) -> Doubles:
    """Shift right and down in blocks, zoom and roll (as fractions) that take the picture before to the one now."""
    motion = np.zeros(4)
    for level, (steps, one, other) in enumerate(zip(_STEPS, now, before, strict=True)):
        scale = 2 ** (len(_STEPS) - 1 - level)
        scaled = motion * (1 / scale, 1 / scale, 1, 1)
        for _ in range(steps):
            scaled = scaled + _motion_step(one, as_seen_within(other.known, scaled))
        motion = scaled * (scale, scale, 1, 1)
    return motion


def _from_farther(now: tuple[_Level, ...], before: tuple[_Level, ...]) -> tuple[Doubles, float]:
    """Motion as of `_whole_picture`, begun from the best turn and shift of all, and likeness over what both pictures show."""
    scale = 2 ** (len(now) - 1)
    motion = farther_motion(now[0].picture, before[0].picture, now[0].weight) * (scale, scale, 1, 1)
    one, other = now[-1], before[-1]
    for _ in range(_FARTHER_STEPS):
        motion = motion + _motion_step(one, as_seen(other.known, motion))
    warped = as_seen(other.known, motion)
    seen = one.weight * np.isfinite(warped)
    warped = np.nan_to_num(warped)
    return motion, correlation(one.picture, warped, seen) if same_detail(one.picture, warped, seen) else -1.0


def _motion_step(now: _Level, warped: Floats) -> Doubles:
    """One least-squares step of shift, zoom and roll, with gain and offset fitted beside them; NaN has no before."""
    rows = len(warped)
    change = now.picture - warped
    seen = change == change  # noqa: PLR0124 - not NaN, faster than asking
    change[~seen] = 0.0
    weighted = now.features * (now.weight * seen).ravel()
    normal = (weighted @ now.features.T).astype(np.float64)
    if not normal[5, 5]:  # so far off that nothing is in both frames
        return np.zeros(4)
    ridge = _RIDGE * normal[5, 5]
    normal.flat[:28:7] += (ridge, ridge, ridge * rows**2 / 6, ridge * rows**2 / 6)
    normal[4, 4] += 1.0
    fit = np.asarray(np.linalg.solve(normal, (weighted @ change.ravel()).astype(np.float64)))
    # where the gain is g, the picture before changes with motion by a g-th of what the one now does; fit[4] is 1 - 1/g
    return -fit[:4] / min(max(1.0 - float(fit[4]), 1.0 / _GAIN_A_STEP), _GAIN_A_STEP)
