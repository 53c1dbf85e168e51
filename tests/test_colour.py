"""Colour of a mean: against the published matrices and an independent colour library."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from frame_material import frame_of
from hypothesis import assume, given
from hypothesis import strategies as st

from fieldscore.colour import colour_difference, linear_rgb, matrix_of, stops_of_cast, to_lab
from fieldscore.measures.colour import tile_chroma
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


@pytest.mark.parametrize(
    ("tag", "lines", "name"),
    [
        (None, 480, "ITU-R BT.601"),
        (None, 1080, "ITU-R BT.709"),
        ("bt601", 1080, "ITU-R BT.601"),
        ("bt709", 480, "ITU-R BT.709"),
        ("bt2020", 1080, "ITU-R BT.2020"),
    ],
)
@given(rgb=st.lists(st.floats(0.0, 1.0), min_size=3, max_size=3))
def test_matrix_is_the_standards(tag: str | None, lines: int, name: str, rgb: list[float]) -> None:
    """Luma and colour difference turn back into the R'G'B' that colour-science made them of, by the tag before the lines."""
    weights = colour.WEIGHTS_YCBCR[name]
    luma, blue, red = colour.RGB_to_YCbCr(np.array(rgb), K=weights, out_legal=False, out_int=False)
    assert linear_rgb(luma, blue, red, matrix_of(tag, lines), "srgb") == pytest.approx(to_linear(rgb, "srgb"), abs=1e-6)


# Sharma, Wu and Dalal, Color Res. Appl. 30:21 (2005), table 1, pairs that try every branch
DIFFERENCES = [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
    ((50, 2.8361, -74.0200), (50, 0, -82.7485), 3.4412),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, 2.49, -0.001), (50, -2.49, 0.0009), 7.1792),
    ((50, 2.49, -0.001), (50, -2.49, 0.0011), 7.2195),
    ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((50, 2.5, 0), (50, 3.1736, 0.5854), 1.0000),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((22.7233, 20.0904, -46.694), (23.0331, 14.973, -42.5619), 2.0373),
    ((90.8027, -2.0831, 1.441), (91.1528, -1.6435, 0.0447), 1.4441),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("first", "second", "apart"), DIFFERENCES)
def test_colour_difference_equals_published_values(
    first: tuple[float, ...], second: tuple[float, ...], apart: float
) -> None:
    """CIEDE2000 is that of the published pairs, either way round."""
    one, other = np.array(first), np.array(second)
    assert colour_difference(one, other) == pytest.approx(apart, abs=5e-5)
    assert colour_difference(other, one) == pytest.approx(apart, abs=5e-5)


_LAB = st.tuples(st.floats(0, 100), st.floats(-100, 100), st.floats(-100, 100))


@given(first=_LAB, second=_LAB)
def test_colour_difference_agrees_with_colour_science(first: tuple[float, ...], second: tuple[float, ...]) -> None:
    """CIEDE2000 is colour-science's, except where opposite hues make the mean hue a matter of choice."""
    hues = [np.degrees(np.arctan2(b, a)) for _, a, b in (first, second)]
    assume(abs((hues[1] - hues[0]) % 360.0 - 180.0) > 15.0)
    there = colour.delta_E(np.array(first), np.array(second), method="CIE 2000")
    assert colour_difference(np.array(first), np.array(second)) == pytest.approx(float(there), abs=1e-3)


@pytest.mark.parametrize(("codes", "mean"), [((128, 129), 128.5), ((126, 126, 127), 126.333)])
def test_tile_chroma_is_no_whole_code(codes: tuple[int, ...], mean: float) -> None:
    """The mean chroma of a tile is that of its samples to a hundredth of a code: in the dark a code is a tenth of a stop."""
    luma = np.full((480, 640), 30, np.uint8)
    plane = np.tile(np.array(codes, np.uint8), (240, 320))[:, :320]
    found = tile_chroma(frame_of(luma, chroma=(plane, plane[:, ::-1])))
    assert found is not None
    assert found.mean(axis=1) == pytest.approx([mean, mean], abs=0.02)
    assert np.abs(found - mean).max() < 0.1
