"""How much farther out patches lie than they did, and the shading of a simulated lens."""

from __future__ import annotations

import numpy as np
import pytest

from fieldscore.shading import outward
from fieldscore.simulate.run import shading


def square_of_distance(right_px: float, down_px: float, width: float = 640.0, height: float = 480.0) -> float:
    """Square of the distance from the middle of a picture, 1 in its corners."""
    return (right_px**2 + down_px**2) / ((width / 2.0) ** 2 + (height / 2.0) ** 2)


@pytest.mark.parametrize("motion_px", [(0.0, 0.0), (-16.0, 0.0), (8.0, -24.0)])
def test_outward_is_the_change_of_the_squared_distance(motion_px: tuple[float, float]) -> None:
    """Patches of 16 px that were so far right and down: checked against distances in pixels, everywhere."""
    motion = np.empty((30, 40, 2), dtype=np.float32)
    motion[:] = np.array(motion_px) / 16.0
    found, _ = outward(motion, 640.0 / 480.0)
    for row, column in ((0, 0), (3, 30), (15, 20), (29, 39)):
        right, down = 16.0 * (column + 0.5) - 320.0, 16.0 * (row + 0.5) - 240.0
        was = square_of_distance(right + motion_px[0], down + motion_px[1])
        assert found[row, column] == pytest.approx(square_of_distance(right, down) - was, abs=2e-3)


def test_patches_that_are_not_square_lie_where_they_lie() -> None:
    """In fields a patch is twice as high as wide: a patch one row down at the right edge of a wide picture."""
    motion = np.zeros((15, 40, 2), dtype=np.float32)
    motion[..., 1] = -1.0  # was one patch farther up
    found, _ = outward(motion, 640.0 / 480.0)
    down, was = 32.0 * 12.5 - 240.0, 32.0 * 11.5 - 240.0
    assert found[12, 39] == pytest.approx(square_of_distance(0.0, down) - square_of_distance(0.0, was), abs=1e-3)


@pytest.mark.parametrize("shape", [(480, 640), (288, 720)])
def test_a_lens_shades_its_corners_by_as_much_as_it_says(shape: tuple[int, int]) -> None:
    """All of the light in the middle, 1.5 stops less in the corners, whatever the shape of the pixels; falling all the way."""
    found = np.log2(shading(shape, 1.5, 4.0 / 3.0))
    rows, columns = shape
    assert found[rows // 2, columns // 2] == pytest.approx(0.0, abs=0.01)
    assert found[0, 0] == pytest.approx(-1.5, abs=0.02)
    assert (np.diff(found[rows // 2, columns // 2 :]) < 0.0).all()
    assert found[rows // 2, -1] == pytest.approx(-2.0 * np.log2(1.0 + (2.0**0.75 - 1.0) * 0.64), abs=0.02)
