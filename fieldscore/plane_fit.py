"""Alignment of a plane in one picture with itself in another, by how both look.

A plane that a camera moves over is seen to move by a homography R + t n', with the turn R of the camera, its way t in units of
the distance to the plane, and the plane's direction n (Hartley and Zisserman, "Multiple View Geometry in Computer Vision", 2nd
edition, 2004, chapter 13, from memory). All samples of the plane tell these together, where each alone would stray. They are
found by the inverse compositional algorithm with robust weights (Baker and Matthews, "Lucas-Kanade 20 Years On: A Unifying
Framework", International Journal of Computer Vision 56, 2004). The direction is nearly known from the pictures before, so that
a wall or a row of posts does not draw the ground to itself, and what lies above the plane's horizon is not asked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.frame import Luma

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

# Focal length in half picture widths, of a view 103 degrees wide: goggles' cameras see 90 to 125. Off by a third it does as well.
_FOCAL = 0.8
_LOOSE = 30.0  # codes of difference from which on a sample counts less; a local standard deviation is 40
_NEAR_HORIZON = 0.4  # sine below the horizon from which on samples count in full; what stands up is mostly above that
_CERTAIN = 1.0 / 4000.0  # 1 / codes squared: of 20 codes of error, ten samples of which are as good as one
_STEADY = 0.3  # radians by which the plane's direction may turn against the camera's turn from link to link
_HELD = np.array([1e-3] * 6 + [_STEADY**-2.0] * 2)  # keeps steps defined of which nothing is seen, and the plane steady
_TRUSTED, _ROUNDS = 0.02, 2  # way squared from which on a motion tells the plane's direction better; rounds to tell it
_DONE = 3e-3  # radians, or of the distance to the plane: a fifth of a sample, after a step of which no more is taken
# of the distance along the line of sight: what lies nearer, or behind the camera, is taken to be so far, and leaves the picture
_AHEAD = np.float32(1e-6)
_STILL = np.eye(3)
_TURNS = np.array(
    [
        [[0.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]],
        [[0.0, 0.0, 1.0], [0.0, 0.0, 0.0], [-1.0, 0.0, 0.0]],
        [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0]],
    ]
)
_NOTHING_SEEN = 5.0  # samples; where few are seen, they look like another place
_MEAN = 128.0  # code of a normalised picture's mean
_TWICE = np.float32(
    np.sqrt(2.0)
)  # two places without relation differ by twice the square that each differs from the mean by


@dataclass(frozen=True)
class Grid:
    """Samples of a picture that are asked: their `index` in it, row by row, and places [n, 3] right, down and ahead.

    `shape` is that of the picture; `to_samples` [3, 3] leads from places to samples.
    """

    shape: tuple[int, int]
    index: npt.NDArray[np.intp]
    places: Floats
    to_samples: Doubles


def grid(part: Floats, step: tuple[int, int]) -> Grid:
    """Every so many samples down and right of where `part` [height, width] is not 0."""
    height, width = part.shape
    rows, columns = np.mgrid[1 + step[0] // 2 : height - 1 : step[0], 1 + step[1] // 2 : width - 1 : step[1]]
    inside = part[rows, columns] > 0.0
    rows, columns = rows[inside], columns[inside]
    places = np.stack([columns, rows, np.ones_like(rows)], axis=1) @ to_places(part.shape).T
    return Grid((height, width), rows * width + columns, places.astype(np.float32), to_samples(part.shape))


@lru_cache(maxsize=8)
def to_samples(shape: tuple[int, ...]) -> Doubles:
    """Matrix [3, 3] from places (right, down, ahead) to samples of a picture [height, width], middles at whole numbers."""
    height, width = shape[:2]
    unit = _FOCAL * width / 2.0
    samples = np.array([[unit, 0.0, (width - 1) / 2.0], [0.0, unit, (height - 1) / 2.0], [0.0, 0.0, 1.0]])
    samples.setflags(write=False)  # shared
    return samples


@lru_cache(maxsize=8)
def to_places(shape: tuple[int, ...]) -> Doubles:
    """The way back: matrix [3, 3] from samples of a picture [height, width] to places."""
    places = np.linalg.inv(to_samples(shape))
    places.setflags(write=False)
    return np.asarray(places)


class View:
    """The samples of a `Grid` in the newer picture that lie below the horizon of `plane` [3], as they move with the camera."""

    def __init__(self, where: Grid, picture: Luma, plane: Doubles) -> None:
        """Take them, and how they change along the picture."""
        below = where.places @ plane.astype(np.float32)
        kept = np.flatnonzero(below > 0.0)
        self.weight = np.minimum(below[kept] * np.float32(1.0 / _NEAR_HORIZON), np.float32(1.0))
        self._across = np.ascontiguousarray(where.places[kept].T)
        self._to_samples = where.to_samples
        height, width = where.shape
        self._middle = np.float32((width - 1) / 2.0), np.float32((height - 1) / 2.0)
        index = where.index[kept]
        flat = picture.ravel()
        self.codes = flat[index].astype(np.float32)
        unit = np.float32(0.5 * where.to_samples[0, 0])
        right, down = (unit * (flat[index + one].astype(np.float32) - flat[index - one]) for one in (1, width))
        x, y, _ = self._across
        slopes = np.stack([right, down, -(x * right + y * down)])
        # codes by which each entry [3, 3] of a small motion changes each sample
        self._slopes = (slopes[:, None] * self._across).reshape(9, -1)

    def along(self, ways: Doubles) -> Floats:
        """Codes [k, n] by which each of k small motions [k, 9] changes each sample."""
        return np.asarray(ways.astype(np.float32) @ self._slopes)

    def apart(self, picture: Luma, move: Doubles) -> tuple[Floats, Floats]:
        """Difference [n] in codes of each sample from where `move` [3, 3] has it in another picture, and its weight."""
        x, y, ahead = (self._to_samples @ move).astype(np.float32) @ self._across
        np.maximum(ahead, _AHEAD, out=ahead)
        x /= ahead
        y /= ahead
        looked = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).ravel()
        right, down = self._middle
        x -= right
        y -= down
        inside = np.abs(x, out=x) <= right
        inside &= np.abs(y, out=y) <= down
        return looked - self.codes, self.weight * inside

    def unlike(self, picture: Luma, move: Doubles) -> float:
        """How unlike the plane looks, over how unlike another place would look: 0 for the same, about 1 for another one."""
        if not len(self.codes):
            return 1.0
        off, weight = self.apart(picture, move)
        other = float(weight @ _loosely(_TWICE * (self.codes - np.float32(_MEAN))))
        return (float(weight @ _loosely(off)) + _NOTHING_SEEN) / (other + _NOTHING_SEEN)


def _loosely(off: Floats) -> Floats:
    """Differences [n] in codes, from 0 to 1."""
    square = off * off
    return np.asarray(square / (square + np.float32(_LOOSE**2)))


def _parted(matrix: Doubles) -> tuple[Doubles, Doubles]:
    """Singular values [3, 1] and the turn [3, 3] nearest to a matrix; by OpenCV, several times as fast as NumPy on so few."""
    sizes, left, right = cv2.SVDecomp(matrix)
    return np.asarray(sizes, dtype=np.float64), np.asarray(left @ right, dtype=np.float64)


def scaled(move: Doubles) -> Doubles:
    """A homography [3, 3] in the scale in which it is a turn and a way over a plane: its middle singular value is 1."""
    move = move / _parted(move)[0][1]
    return move if np.trace(move) > 0.0 else -move


def part_of(move: Doubles, share: float) -> Doubles:
    """A `scaled` homography over such a share of the time: the way, and small turns, grow with it."""
    return np.asarray(_STILL + share * (move - _STILL))


def directed(plane: Doubles) -> Doubles:
    """A direction [3] at length 1."""
    return np.asarray(plane / math.sqrt(float(plane @ plane)))


def aligned(
    view: View, older: tuple[Luma, float], start: tuple[Doubles, Doubles], steps: int, *, steady: bool
) -> Doubles:
    """Align the plane with itself in an older picture; gives the motion [3, 3] back over the whole time.

    `older`: the picture, and which share of the time it lies back. `start`: the motion to begin from, and the plane's direction
    [3] in the frame that it leads back to. With `steady`, only the camera's motion is looked for, else the plane may turn too.
    """
    (picture, share), (move, plane) = older, start
    sizes, turn = _parted(move)
    move = move / sizes[1]
    ways = _ways(move, turn, directed(move.T @ plane), steady)
    along = view.along(ways)
    held = np.diag(_HELD[: len(ways)])
    for _ in range(steps):
        off, weight = view.apart(picture, move if share == 1.0 else part_of(move, share))
        loose = off * np.float32(1.0 / _LOOSE)
        loose *= loose
        loose += np.float32(1.0)
        loose *= loose
        weight /= loose
        weighted = along * weight
        normal = held + (weighted @ along.T) * (share * share * _CERTAIN)
        aim = (weighted @ off[:, None]) * (share * _CERTAIN)
        step = cv2.solve(normal, aim.astype(np.float64), flags=cv2.DECOMP_CHOLESKY)[1].ravel()
        small = (step @ ways).reshape(3, 3)
        move = move - move @ (small - small @ small)
        if np.abs(step).max() < _DONE:
            break
    return np.asarray(move)


def taken_apart(move: Doubles, plane: Doubles, rounds: int = _ROUNDS) -> tuple[Doubles, Doubles]:
    """The turn [3, 3] of the camera in a `scaled` motion, and the plane's direction [3] in the newer frame.

    The direction is told from the motion, where it goes far enough, and drawn to what `plane`, that in the older frame, says.
    """
    expected = directed(move.T @ plane)
    found = expected
    way = (move - _STILL) @ found
    turn = _STILL
    for _ in range(rounds):
        _, turn = _parted(move - np.outer(way, found))
        rest = move - turn
        way = rest @ found
        found = directed(rest.T @ way + _TRUSTED * expected)
    return turn, found


def _ways(move: Doubles, turn: Doubles, plane: Doubles, steady: bool) -> Doubles:
    """Small motions [6 or 8, 9] of the newer picture: three turns of the camera, three ways that it goes, and, unless `steady`,
    what two turns of the plane change."""
    ways = np.zeros((6 if steady else 8, 3, 3))
    ways[:3] = _TURNS
    ways[3, 0] = ways[4, 1] = ways[5, 2] = plane
    if not steady:
        gone = -cv2.solve(move, (move - turn) @ plane[:, None])[1]
        right, down, ahead = plane.tolist()
        flat = float(np.hypot(right, down)) + 1e-9
        aside = (down / flat, -right / flat, 0.0)
        ways[6] = gone * aside
        ways[7] = gone * (-ahead * aside[1], ahead * aside[0], right * aside[1] - down * aside[0])
    return ways.reshape(-1, 9)


def rolled(angle: float) -> Doubles:
    """A turn [3, 3] of the camera about its own line of sight, in radians."""
    cosine, sine = np.cos(angle), np.sin(angle)
    return np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
