"""Colour of a mean: against the published matrices and an independent colour library."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldscore.colour import linear_rgb, stops_of_cast, to_lab
from fieldscore.units import to_linear

# CIELAB of sRGB codes under D65 (colour-science and scikit-image agree within 0.03: their matrices round differently)
LAB = [
    ((128, 128, 128), (53.585, 0.0, 0.0)),
    ((16, 16, 16), (4.680, 0.0, 0.0)),
    ((20, 16, 24), (5.287, 3.373, -4.377)),
    ((40, 32, 48), (13.812, 7.788, -9.151)),
    ((30, 10, 10), (4.653, 8.570, 3.020)),
    ((255, 0, 0), (53.241, 80.092, 67.203)),
]


@pytest.mark.parametrize(("codes", "lab"), LAB)
def test_lab_equals_published_values(codes: tuple[int, int, int], lab: tuple[float, float, float]) -> None:
    """CIELAB of sRGB codes is what two independent libraries give."""
    light = to_linear(np.array(codes) / 255.0, "srgb")
    assert to_lab(light) == pytest.approx(lab, abs=0.04)


@given(st.lists(st.floats(0.001, 1.0), min_size=3, max_size=3))
def test_lab_agrees_with_colour_science(light: list[float]) -> None:
    """CIELAB of linear light is colour-science's, within the rounding of the matrix."""
    there = colour.XYZ_to_Lab(colour.RGB_to_XYZ(np.array(light), "sRGB", apply_cctf_decoding=False))
    assert to_lab(np.array(light)) == pytest.approx(there, abs=0.05)


# Grey-world example: mean light (60, 50, 40) is log2(R/G) = 0.263034, log2(B/G) = -0.321928 (arithmetic)
def test_cast_in_stops() -> None:
    """The cast is the ratio of the channels in stops."""
    assert stops_of_cast(np.array([60.0, 50.0, 40.0])) == pytest.approx((0.263034, -0.321928), abs=1e-6)


def test_cast_of_no_green_is_not_measurable() -> None:
    """Without green there is nothing to compare with."""
    assert np.isnan(stops_of_cast(np.array([1.0, 0.0, 1.0]))).all()


@pytest.mark.parametrize(("lines", "name"), [(480, "ITU-R BT.601"), (1080, "ITU-R BT.709")])
@given(rgb=st.lists(st.floats(0.0, 1.0), min_size=3, max_size=3))
def test_matrix_is_the_standards(lines: int, name: str, rgb: list[float]) -> None:
    """Luma and colour difference turn back into the R'G'B' that colour-science made them of."""
    weights = colour.WEIGHTS_YCBCR[name]
    luma, blue, red = colour.RGB_to_YCbCr(np.array(rgb), K=weights, out_legal=False, out_int=False)
    assert linear_rgb(luma, blue, red, lines, "srgb") == pytest.approx(to_linear(rgb, "srgb"), abs=1e-6)
