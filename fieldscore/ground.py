"""Motion of the ground: where most of what is followed lies in one plane, all of it moves by one law.

Small squares of dark ground are followed badly one by one: what is dim or striped passes for what lies beside it, and the light
that is compared is then not that of the same ground. Seen from a camera that moves and turns, though, all points of a plane
move by one homography, and that is found from all of them at once (plane_fit.py): begun from the motion over the link before,
on the frame between, which is nearer, then on the older frame. Where it does not look alike then, as in a hard turn, other
beginnings are tried: the last turn going on to speed up, the squares that were followed well, and rolls to both sides. Whether
a patch lies in the plane is told by how it looks under it (links.py).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.following import Between
from fieldscore.frame import Luma
from fieldscore.plane_fit import Grid, View, aligned, directed, grid, part_of, plane_under, rolled, scaled, to_samples

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_FEWEST = 30  # patches that were followed well, without which they tell no plane
_MOST = 150  # patches that are asked: with all of them it is no better and costs twice as much
_NEAR = 1.0  # samples within which a patch moves as the plane does (docs/decisions/far_links.py)
_DRAWS = 100  # random samples at most
_LEVEL = np.array([0.0, 1.0, 0.0])  # direction of ground seen from a camera that looks ahead: down
# Samples that are asked, down and right: at half size, and at full size. Steps: on the frame between, on the older one at half size
# and at full size (docs/decisions/ground_plane.py).
_HALF_GRID, _FULL_GRID = (1, 2), (3, 3)
_STEPS_BETWEEN, _STEPS_HALF, _STEPS_FULL = 3, 3, 3
_FEWEST_SAMPLES = 100  # below the horizon, without which no ground is in view
_LOOKS_ALIKE = 0.28  # how unlike the plane may look before other beginnings are tried (docs/decisions/ground_plane.py)
_LOST = 0.4  # from which on it was not found
_TRIES = 2  # of the other beginnings, those that look most alike
_ROLLS = (-0.35, -0.2, -0.1, 0.1, 0.2, 0.35)  # radians more than in the link before


@dataclass(frozen=True)
class Ground:
    """Where the ground was: each sample [height, width, 2] right and down, in the older frame and in the one between.

    `below` [rows, columns]: patches below its horizon.
    """

    places: Floats
    midway: Floats | None
    below: Mask


class GroundMotion:
    """Follows the plane of the ground from link to link."""

    def __init__(self) -> None:
        self._plane = _LEVEL
        self._moves: deque[tuple[Doubles, float]] = deque(maxlen=2)
        self._grids: tuple[Floats, Grid, Grid] | None = None

    def forget(self) -> None:
        """Begin the next pair from rest, over level ground."""
        self._plane = _LEVEL
        self._moves.clear()

    def back(
        self,
        pictures: tuple[Luma, Luma, Between | None],
        part: Floats,
        over_s: float,
        otherwise: Callable[[], Doubles | None],
        patch: int,
    ) -> Ground | None:
        """Where the ground of the newer picture was; None where it is not found.

        `pictures`: the older, the newer one and the one between, [height, width], normalised; `part` is 1 where they are
        picture; `over_s` seconds between them; `otherwise` gives the motion [3, 3] in samples from patches followed one by one
        (`plane_of`), asked only where it is needed.
        """
        before, after, between = pictures
        start = part_of(*self._faster(0, over_s)) if self._moves else np.eye(3)
        half, full = self._grid(part)
        halved = tuple(_half(one) for one in (before, after))
        plane = self._plane
        toward = directed(start.T @ plane)
        near, whole = View(half, halved[1], toward), View(full, after, toward)
        if min(len(near.codes), len(whole.codes)) < _FEWEST_SAMPLES:
            self.forget()
            return None
        midway = None if between is None else (_half(between[0]), float(between[1]))

        def found(move: Doubles) -> tuple[float, Doubles]:
            if midway is not None:
                move = aligned(near, *midway, move, plane, _STEPS_BETWEEN, steady=True)
            move = aligned(near, halved[0], 1.0, move, plane, _STEPS_HALF, steady=False)
            move = aligned(whole, before, 1.0, move, plane, _STEPS_FULL, steady=False)
            return whole.unlike(before, move), move

        best = found(start)
        if best[0] > _LOOKS_ALIKE:
            others = sorted(self._others(start, over_s, otherwise, after.shape), key=lambda one: near.unlike(halved[0], one))
            for other in others[:_TRIES]:
                best = min(best, found(other), key=lambda one: one[0])
                if best[0] <= _LOOKS_ALIKE:
                    break
        unlike, move = best
        self._moves.append((move, over_s))
        self._plane = plane_under(move, plane) if unlike <= _LOST else directed(move.T @ plane)
        if unlike > _LOST:
            return None
        places = sample_places(*after.shape)
        return Ground(
            _moved(places, move),
            None if between is None else _moved(places, part_of(move, float(between[1]))),
            _below(self._plane, after.shape, patch),
        )

    def _faster(self, back: int, over_s: float) -> tuple[Doubles, float]:
        move, took_s = self._moves[-1 - back]
        return move, over_s / took_s

    def _others(
        self, start: Doubles, over_s: float, otherwise: Callable[[], Doubles | None], shape: tuple[int, ...]
    ) -> Iterator[Doubles]:
        """Other motions to begin from."""
        if len(self._moves) == self._moves.maxlen:
            yield scaled(start @ np.linalg.inv(part_of(*self._faster(1, over_s))) @ start)
        one_by_one = otherwise()
        if one_by_one is not None:
            samples = to_samples(shape)
            yield scaled(np.linalg.inv(samples) @ one_by_one @ samples)
        for angle in _ROLLS:
            yield start @ rolled(angle)

    def _grid(self, part: Floats) -> tuple[Grid, Grid]:
        if self._grids is None or self._grids[0] is not part:
            self._grids = part, grid(_half(part), _HALF_GRID), grid(part, _FULL_GRID)
        return self._grids[1:]


def _half(picture: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
    height, width = picture.shape
    return cv2.resize(picture, (width // 2, height // 2), interpolation=cv2.INTER_AREA)


def _moved(places: Floats, move: Doubles) -> Floats:
    """Where `move` [3, 3] has each sample [height, width, 2]."""
    samples = to_samples(places.shape)
    there = cv2.perspectiveTransform(places.reshape(1, -1, 2), samples @ move @ np.linalg.inv(samples))
    return np.asarray(there.reshape(places.shape), dtype=np.float32)


def _below(plane: Doubles, shape: tuple[int, ...], patch: int) -> Mask:
    """Patches [rows, columns] below the horizon of a plane."""
    right, down, ahead = np.linalg.inv(to_samples(shape)).T @ plane
    middles = _middles(shape[0] // patch, shape[1] // patch, patch)
    return np.asarray(middles[..., 0] * right + middles[..., 1] * down + ahead > 0.0)


def plane_of(motion: Floats, followed: Mask, patch: int) -> Doubles | None:
    """Homography [3, 3] back to where samples were, of the plane that most patches lie in; None where too few agree.

    `motion` [rows, columns, 2] is that of each patch back to where it was, in samples, `patch` of which are a patch's side.
    """
    count = np.count_nonzero(followed)
    if count < _FEWEST:
        return None
    rows, columns = followed.shape
    every = -(-count // _MOST)
    here = _middles(rows, columns, patch)[followed][::every]
    there = here + motion[followed][::every]
    plane, _ = cv2.findHomography(here, there, cv2.USAC_FAST, _NEAR, maxIters=_DRAWS)
    return None if plane is None else np.asarray(plane, dtype=np.float64)


@lru_cache(maxsize=4)
def _middles(rows: int, columns: int, patch: int) -> Floats:
    """Middle [rows, columns, 2] of each patch, right and down, in samples."""
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    return np.asarray((np.stack([x, y], axis=-1) + 0.5) * patch - 0.5, dtype=np.float32)


@lru_cache(maxsize=4)
def sample_places(height: int, width: int) -> Floats:
    """Place [height, width, 2] of each sample, right and down."""
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    return np.stack([x, y], axis=-1)
