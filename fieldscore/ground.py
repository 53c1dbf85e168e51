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

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.following import Between, middles, sample_places
from fieldscore.frame import Luma
from fieldscore.plane_fit import (
    Grid,
    View,
    aligned,
    directed,
    grid,
    part_of,
    rolled,
    scaled,
    taken_apart,
    to_places,
    to_samples,
)

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_FEWEST = 30  # patches that were followed well, without which they tell no plane
_MOST = 150  # patches that are asked: with all of them it is no better and costs twice as much
_NEAR = 1.0  # samples within which a patch moves as the plane does (docs/decisions/far_links.py)
_DRAWS = 100  # random samples at most
_LEVEL = np.array([0.0, 1.0, 0.0])  # direction of ground seen from a camera that looks ahead: down
_AHEAD = np.array([0.0, 0.5, 0.87])  # of ground seen from one that looks down at it, by 60 degrees
# Samples that are asked, down and right: at half size, and at full size. Steps: on the frame between, on the older one at half size
# and at full size (docs/decisions/ground_plane.py).
_HALF_GRID, _FULL_GRID = (2, 2), (3, 3)
_STEPS_BETWEEN, _STEPS_HALF, _STEPS_FULL = 2, 3, 3
_FEWEST_SAMPLES = 100  # below the horizon, without which no ground is in view
_LOOKS_ALIKE = 0.5  # how unlike the plane may look before other beginnings are tried (docs/decisions/ground_plane.py)
_LOST = 0.8  # from which on it was not found
_FIRST_ROUNDS = 10  # in which the direction of a plane of which nothing is known is told from its motion
_TRIES = 2  # of the other beginnings, those that look most alike
_ROLLS = (-0.35, -0.2, -0.1, 0.1, 0.2, 0.35)  # radians more than in the link before


@dataclass(frozen=True)
class Ground:
    """Where each sample [height, width, 2] was, right and down, in the older frame.

    Below the horizon it is the ground that moves; above, far things, which move as the camera turns. `below` [rows, columns]:
    patches below the horizon. `midway` [3, 3]: homography of the ground, in samples, back to the frame between. `sure`: it looks
    alike, so that what is not ground is near where this has it.
    """

    places: Floats
    below: Mask
    midway: Doubles | None
    sure: bool


@dataclass(frozen=True)
class _Found:
    unlike: float
    move: Doubles
    plane: Doubles


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
        half, full = self._grid(part)
        older, newer = _half(before), _half(after)
        midway = None if between is None else (_half(between[0]), float(between[1]))

        def found(start: Doubles, plane: Doubles) -> _Found | None:
            toward = directed(start.T @ plane)
            near, whole = View(half, newer, toward), View(full, after, toward)
            if min(len(near.codes), len(whole.codes)) < _FEWEST_SAMPLES:
                return None
            move = start
            if midway is not None:
                move = aligned(near, midway, (move, plane), _STEPS_BETWEEN, steady=True)
            move = aligned(near, (older, 1.0), (move, plane), _STEPS_HALF, steady=False)
            move = scaled(aligned(whole, (before, 1.0), (move, plane), _STEPS_FULL, steady=False))
            return _Found(whole.unlike(before, move), move, plane)

        expected = part_of(*self._move(0, over_s)) if self._moves else np.eye(3)
        best = found(expected, self._plane)
        if best is None or best.unlike > _LOOKS_ALIKE:
            view = View(half, newer, directed(expected.T @ self._plane))
            others = self._others(expected, over_s, otherwise, after.shape)
            for start in sorted(others, key=lambda one: view.unlike(older, one[0]))[:_TRIES]:
                other = found(*start)
                if best is None or other is not None and other.unlike < best.unlike:
                    best = other
                if best is not None and best.unlike <= _LOOKS_ALIKE:
                    break
        return self._kept(best, over_s, after.shape, None if midway is None else midway[1], patch)

    def _kept(
        self, found: _Found | None, over_s: float, shape: tuple[int, ...], back: float | None, patch: int
    ) -> Ground | None:
        """Keep what was found for the next link, and give it."""
        if found is None or found.unlike > _LOST:
            self.forget()
            return None
        turn, self._plane = taken_apart(found.move, found.plane)
        self._moves.append((found.move, over_s))
        return Ground(
            _moved(shape, found.move, turn, self._plane),
            _below(self._plane, shape, patch),
            None if back is None else to_samples(shape) @ part_of(found.move, back) @ to_places(shape),
            found.unlike <= _LOOKS_ALIKE,
        )

    def _move(self, back: int, over_s: float) -> tuple[Doubles, float]:
        """The motion [3, 3] of so many links ago, and what share of its time `over_s` is."""
        move, took_s = self._moves[-1 - back]
        return move, over_s / took_s if took_s > 0.0 else 1.0

    def _others(
        self, expected: Doubles, over_s: float, otherwise: Callable[[], Doubles | None], shape: tuple[int, ...]
    ) -> Iterator[tuple[Doubles, Doubles]]:
        """Other motions [3, 3] to begin from, each with the plane's direction [3] in the older frame."""
        if len(self._moves) == self._moves.maxlen:
            yield scaled(expected @ np.linalg.inv(part_of(*self._move(1, over_s))) @ expected), self._plane
        one_by_one = otherwise()
        if one_by_one is not None:
            move = scaled(to_places(shape) @ one_by_one @ to_samples(shape))
            if self._moves:
                yield move, self._plane
            else:  # a motion goes with two planes
                for plane in (_LEVEL, _AHEAD):
                    yield move, directed(np.linalg.inv(move).T @ taken_apart(move, plane, _FIRST_ROUNDS)[1])
        if self._moves:
            for angle in _ROLLS:
                yield expected @ rolled(angle), self._plane

    def _grid(self, part: Floats) -> tuple[Grid, Grid]:
        if self._grids is None or self._grids[0] is not part:
            self._grids = part, grid(part[::2, ::2], _HALF_GRID), grid(part, _FULL_GRID)
        return self._grids[1:]


def _half(picture: Luma) -> Luma:
    height, width = picture.shape
    return np.asarray(cv2.resize(picture, (width // 2, height // 2), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _moved(shape: tuple[int, ...], move: Doubles, turn: Doubles, plane: Doubles) -> Floats:
    """Where `move` [3, 3] has each sample [height, width, 2] below the horizon of `plane` [3], and `turn` [3, 3] each other one."""
    samples, back = to_samples(shape), to_places(shape)
    places = sample_places(*shape[:2])
    was = cv2.perspectiveTransform(places, samples @ move @ back)
    right, down, ahead = (back.T @ plane).tolist()
    above = np.greater(-right * np.arange(shape[1]) - ahead, down * np.arange(shape[0])[:, None])
    rows = np.flatnonzero(above.any(axis=1))
    if rows.size:
        there = slice(int(rows[0]), int(rows[-1]) + 1)
        far = cv2.perspectiveTransform(places[there], samples @ turn @ back)
        was[there] = cv2.copyTo(far, above[there].view(np.uint8), was[there])
    return np.asarray(was, dtype=np.float32)


def _below(plane: Doubles, shape: tuple[int, ...], patch: int) -> Mask:
    """Patches [rows, columns] below the horizon of a plane."""
    right, down, ahead = to_places(shape).T @ plane
    here = middles(shape[0], shape[1], patch)
    return np.asarray(here[..., 0] * right + here[..., 1] * down + ahead > 0.0)


def plane_of(motion: Floats, followed: Mask, patch: int) -> Doubles | None:
    """Homography [3, 3] back to where samples were, of the plane that most patches lie in; None where too few agree.

    `motion` [rows, columns, 2] is that of each patch back to where it was, in samples, `patch` of which are a patch's side.
    """
    count = np.count_nonzero(followed)
    if count < _FEWEST:
        return None
    rows, columns = followed.shape
    every = -(-count // _MOST)
    here = middles(rows * patch, columns * patch, patch)[followed][::every]
    there = here + motion[followed][::every]
    plane, _ = cv2.findHomography(here, there, cv2.USAC_FAST, _NEAR, maxIters=_DRAWS)
    return None if plane is None else np.asarray(plane, dtype=np.float64)
