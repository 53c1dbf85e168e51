"""Motion of the ground: where most of what is followed lies in one plane, all of it moves by one law.

Small squares of dark ground are followed badly one by one: what is dim or striped passes for what lies beside it, and the light
that is compared is then not that of the same ground. Seen from a camera that moves and turns, though, all points of a plane
move by one homography (Hartley and Zisserman, "Multiple View Geometry in Computer Vision", 2nd edition, 2004, chapter 13, from
memory). It is found by random samples of the squares that were followed well; whether a patch lies in the plane is told by how
it looks under it (links.py).
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

_FEWEST = 30  # patches that were followed well, without which there is no plane
_MOST = 150  # patches that are asked: with all of them it is no better and costs twice as much
_NEAR = 1.0  # samples within which a patch moves as the plane does (docs/decisions/far_links.py)
_DRAWS = 100  # random samples at most


def ground_places(motion: Floats, followed: Mask, patch: int) -> Floats | None:
    """Where each sample [rows x patch, columns x patch, 2] was, right and down, if it lay in the plane that most patches lie in.

    `motion` [rows, columns, 2] is that of each patch back to where it was, in samples, `patch` of which are a patch's side.
    None where too few were `followed`, or agree.
    """
    count = np.count_nonzero(followed)
    if count < _FEWEST:
        return None
    rows, columns = followed.shape
    every = -(-count // _MOST)
    here = _middles(rows, columns, patch)[followed][::every]
    there = here + motion[followed][::every]
    plane, _ = cv2.findHomography(here, there, cv2.USAC_FAST, _NEAR, maxIters=_DRAWS)
    if plane is None:
        return None
    places = sample_places(rows * patch, columns * patch)
    was = cv2.perspectiveTransform(places.reshape(1, -1, 2), plane)
    return np.asarray(was.reshape(places.shape), dtype=np.float32)


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
