"""Alignment of a plane in one picture with itself in another, by how both look.

A plane that a camera moves over is seen to move by a homography R + t n', with the turn R of the camera, its way t in units of
the distance to the plane, and the plane's direction n (Hartley and Zisserman, "Multiple View Geometry in Computer Vision", 2nd
edition, 2004, chapter 13, from memory). All samples of the plane tell these together, where each alone would stray. They are
found by the inverse compositional algorithm with robust weights (Baker and Matthews, "Lucas-Kanade 20 Years On: A Unifying
Framework", International Journal of Computer Vision 56, 2004). The direction is nearly known from the pictures before, so that
a wall or a row of posts does not draw the ground to itself, and what lies above the plane's horizon is not asked.
"""

from __future__ import annotations

from dataclasses import dataclass

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
_TRUSTED, _DECOMPOSED = 0.02, 6  # way squared from which on a motion tells the plane's direction better; rounds to tell it
_HELD = 1e-3  # keeps the steps defined where nothing is seen of one
_NOTHING_SEEN = 5.0  # samples; where few are seen, the difference is drawn to a half
_ONE_MAP = None  # right and down are in one map


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
    samples = to_samples(part.shape)
    places = np.stack([columns, rows, np.ones_like(rows)], axis=1) @ np.linalg.inv(samples).T
    return Grid((height, width), rows * width + columns, places.astype(np.float32), samples)


def to_samples(shape: tuple[int, ...]) -> Doubles:
    """Matrix [3, 3] from places (right, down, ahead) to samples of a picture [height, width], middles at whole numbers."""
    height, width = shape[:2]
    unit = _FOCAL * width / 2.0
    return np.array([[unit, 0.0, (width - 1) / 2.0], [0.0, unit, (height - 1) / 2.0], [0.0, 0.0, 1.0]])


class View:
    """The samples of a `Grid` in the newer picture that lie below the horizon of `plane` [3], as they move with the camera."""

    def __init__(self, where: Grid, picture: Luma, plane: Doubles) -> None:
        """Take them, and how they change along the picture."""
        below = where.places @ plane.astype(np.float32)
        kept = np.flatnonzero(below > 0.0)
        self.weight = np.minimum(below[kept] * np.float32(1.0 / _NEAR_HORIZON), np.float32(1.0))
        self.places = where.places[kept]
        self._shape, self._to_samples = where.shape, where.to_samples
        index, width = where.index[kept], where.shape[1]
        flat = picture.ravel()
        self.codes = flat[index].astype(np.float32)
        unit = np.float32(0.5 * where.to_samples[0, 0])
        right, down = (
            unit * (flat[index + one].astype(np.float32) - flat[index - one]) for one in (1, width)
        )
        x, y = self.places[:, 0], self.places[:, 1]
        ahead = -(x * right + y * down)
        # codes by which each entry [3, 3] of a small motion changes each sample
        self._slopes = np.stack([x * right, y * right, right, x * down, y * down, down, x * ahead, y * ahead, ahead])

    def along(self, ways: Doubles) -> Floats:
        """Codes [k, n] by which each of k small motions [k, 3, 3] changes each sample."""
        return np.asarray(ways.reshape(-1, 9).astype(np.float32) @ self._slopes)

    def apart(self, picture: Luma, move: Doubles) -> tuple[Floats, Floats]:
        """Difference [n] in codes of each sample from where `move` [3, 3] has it in another picture, and its weight."""
        there = self.places @ (self._to_samples @ move).astype(np.float32).T
        there = there[:, :2] / there[:, 2:]
        looked = cv2.remap(picture, there[:, None], _ONE_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        height, width = self._shape
        x, y = there[:, 0], there[:, 1]
        inside = (x >= 0.0) & (y >= 0.0) & (x <= width - 1) & (y <= height - 1)
        return looked[:, 0].astype(np.float32) - self.codes, self.weight * inside

    def unlike(self, picture: Luma, move: Doubles) -> float:
        """How unlike the plane looks, 0 to 1: 1/2 where it differs by as much as is still followed well."""
        off, weight = self.apart(picture, move)
        square = off * off
        return float(
            (weight @ (square / (square + _LOOSE**2)) + _NOTHING_SEEN) / (weight.sum() + 2.0 * _NOTHING_SEEN)
        )


def scaled(move: Doubles) -> Doubles:
    """A homography [3, 3] in the scale in which it is a turn and a way over a plane: its middle singular value is 1."""
    move = move / np.linalg.svd(move, compute_uv=False)[1]
    return move if np.trace(move) > 0.0 else -move


def part_of(move: Doubles, share: float) -> Doubles:
    """A `scaled` homography over such a share of the time: the way, and small turns, grow with it."""
    return np.asarray(np.eye(3) + share * (move - np.eye(3)))


def directed(plane: Doubles) -> Doubles:
    """A direction [3] at length 1."""
    return np.asarray(plane / np.linalg.norm(plane))


def aligned(
    view: View, picture: Luma, share: float, move: Doubles, plane: Doubles, steps: int, *, steady: bool
) -> Doubles:
    """Align the plane with itself in an older picture; gives the `scaled` motion [3, 3] back over the whole time.

    Begun from `move`; `picture` lies a `share` of the time back, and `plane` [3] is the plane's direction in the older frame. With
    `steady`, only the camera's motion is looked for, else the plane may turn a little too.
    """
    move = scaled(move)
    ways = _ways(move, directed(move.T @ plane))
    if steady:
        ways = ways[:6]
    along = view.along(ways)
    held = np.full(len(ways), _HELD)
    held[6:] += _STEADY**-2.0
    for _ in range(steps):
        off, weight = view.apart(picture, part_of(move, share))
        weight /= np.square(1.0 + np.square(off * np.float32(1.0 / _LOOSE)))
        weighted = along * weight
        normal = (weighted @ along.T).astype(np.float64) * (share * share * _CERTAIN)
        right = (weighted @ off).astype(np.float64) * (share * _CERTAIN)
        np.fill_diagonal(normal, normal.diagonal() * 1.0001 + held)
        move = move @ np.linalg.inv(np.eye(3) + np.tensordot(np.linalg.solve(normal, right), ways, 1))
    return scaled(move)


def plane_under(move: Doubles, plane: Doubles) -> Doubles:
    """Direction [3] in the newer frame of a plane that moves by `move` and had the direction `plane` in the older one.

    From the motion, where it goes far enough to tell, drawn to what the older direction says.
    """
    expected = directed(move.T @ plane)
    found = expected
    way = (move - np.eye(3)) @ found
    for _ in range(_DECOMPOSED):
        left, _, right = np.linalg.svd(move - np.outer(way, found))
        rest = move - left @ right
        way = rest @ found
        found = directed(rest.T @ way + _TRUSTED * expected)
    return found


_TURNS = np.array(
    [
        [[0.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]],
        [[0.0, 0.0, 1.0], [0.0, 0.0, 0.0], [-1.0, 0.0, 0.0]],
        [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0]],
    ]
)


def _ways(move: Doubles, plane: Doubles) -> Doubles:
    """Small motions [8, 3, 3] of the newer picture.

    Three turns of the camera, three ways that it goes, and what a turn of the plane changes.
    """
    aside = directed(np.cross(plane, [0.0, 0.0, 1.0]) + [1e-9, 0.0, 0.0])
    sideways = aside, np.cross(plane, aside)
    left, _, right = np.linalg.svd(move)
    gone = np.linalg.solve(move, (move - left @ right) @ plane)
    ways = [*_TURNS, *(np.outer(one, plane) for one in np.eye(3)), *(np.outer(-gone, one) for one in sideways)]
    return np.array(ways)


def rolled(angle: float) -> Doubles:
    """A turn [3, 3] of the camera about its own line of sight, in radians."""
    cosine, sine = np.cos(angle), np.sin(angle)
    return np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
