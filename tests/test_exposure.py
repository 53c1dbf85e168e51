"""Exposure figures against published codes, numpy's percentiles and known stops."""

from __future__ import annotations

import math

import numpy as np
import pytest
from frame_material import Luma, area_of, coded, frame_of, texture
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from fieldscore.criteria import Criteria
from fieldscore.frame import Frame, PictureArea
from fieldscore.measures.exposure import PERCENTILES, clipping, crushing, level, occupied_range
from fieldscore.units import CodeRange, code_to_level

SHAPE = (48, 64)
pictures = arrays(np.uint8, SHAPE)


def _flat(code: int, area: PictureArea | None = None) -> Frame:
    return frame_of(np.full(SHAPE, code, np.uint8), area)


# ITU-R BT.601: 16 is black, 235 white; luma of 75 % bars (colour-science RGB_to_YCbCr agrees)
@pytest.mark.parametrize(
    ("code", "percent"),
    [(16, 0.0), (235, 100.0), (180, 74.886), (162, 66.667), (131, 52.511), (112, 43.836), (84, 31.050), (65, 22.374), (35, 8.676),
     (1, -6.849), (254, 108.676)],
)  # fmt: skip
def test_published_codes(code: int, percent: float) -> None:
    """A flat picture of a code of BT.601 has its level, beyond black and white too, and so have all percentiles."""
    assert level(_flat(code)) == pytest.approx([percent] * 6, abs=5e-4)


@pytest.mark.parametrize(("code", "percent"), [(0, 0.0), (51, 20.0), (128, 50.196), (255, 100.0)])
def test_full_range(code: int, percent: float) -> None:
    """In full range 0 is black and 255 white."""
    area = area_of(*SHAPE, code_range=CodeRange.FULL)
    assert level(_flat(code, area))[0] == pytest.approx(percent, abs=5e-4)


@given(pictures)
@settings(max_examples=40)
def test_percentiles_are_numpys(picture: Luma) -> None:
    """Percentiles are those of the inverted distribution function, exactly."""
    expected = np.percentile(picture, PERCENTILES, method="inverted_cdf")
    mean, *found = level(frame_of(picture))
    assert found == pytest.approx(code_to_level(expected, CodeRange.NARROW), abs=1e-9)
    assert mean == pytest.approx(float(code_to_level(picture.mean(), CodeRange.NARROW)), abs=1e-5)


@given(pictures, st.integers(0, 10**6))
@settings(max_examples=15)
def test_order_of_pixels_does_not_matter(picture: Luma, seed: int) -> None:
    """Exposure is a matter of the histogram: shuffled pixels give the same figures."""
    shuffled = np.random.default_rng(seed).permutation(picture.ravel()).reshape(SHAPE)
    for one in (level, clipping, crushing, occupied_range):
        assert one(frame_of(shuffled)) == pytest.approx(one(frame_of(picture)), nan_ok=True, abs=1e-9)


@given(pictures)
@settings(max_examples=25)
def test_bounds(picture: Luma) -> None:
    """Percentiles rise, shares lie in 0..100 %, and clipped and crushed never overlap."""
    frame = frame_of(picture)
    _, *found = level(frame)
    assert found == sorted(found)
    assert 0.0 <= clipping(frame)[0] <= 100.0
    assert 0.0 <= crushing(frame)[0] <= 100.0
    assert clipping(frame)[0] + crushing(frame)[0] <= 100.0 + 1e-9


def test_clipped_and_crushed_within_two_codes() -> None:
    """Codes up to two from an end count as at it, the third no more."""
    picture = np.full(SHAPE, 100, np.uint8)
    picture[:6] = 233  # 6 of 48 rows
    picture[6:12] = 232
    picture[12:15] = 18
    picture[15:18] = 19
    frame = frame_of(picture)
    assert clipping(frame) == pytest.approx((100 * 6 / 48,))
    assert crushing(frame) == pytest.approx((100 * 3 / 48,))


def test_ends_are_the_chains_not_the_ranges() -> None:
    """A chain that ends at 228 clips there."""
    picture = np.clip(coded(texture(*SHAPE, low=0.0, high=255.0)), 20, 228)
    share = 100 * float((picture >= 226).mean())
    assert clipping(frame_of(picture, area_of(*SHAPE, ceiling=228.0)))[0] == pytest.approx(share)
    assert share > clipping(frame_of(picture))[0]


# code 100 over code 50 in full range under each curve; BT.709 with its rounded constants, which puts 0.002 in between
@pytest.mark.parametrize(("curve", "stops"), [("srgb", 1.998), ("bt709", 1.634), ("gamma22", 2.2), ("bt1886", 2.4)])
def test_occupied_range_of_two_codes(curve: str, stops: float) -> None:
    """A picture of codes 50 and 100 spans the stops of that ratio under the named curve."""
    picture = np.full(SHAPE, 50, np.uint8)
    picture[24:] = 100
    area = area_of(*SHAPE, code_range=CodeRange.FULL, criteria=Criteria(transfer_curve=curve))
    assert occupied_range(frame_of(picture, area))[0] == pytest.approx(stops, abs=2.5e-3)


def test_range_from_the_floor_starts_a_code_above_it() -> None:
    """A picture that reaches down to the floor spans at least the range from one code above it."""
    # gamma 2.2: log2 of the ratio of 219 codes to one
    picture = np.full(SHAPE, 16, np.uint8)
    picture[24:] = 235
    area = area_of(*SHAPE, criteria=Criteria(transfer_curve="gamma22"))
    assert occupied_range(frame_of(picture, area))[0] == pytest.approx(2.2 * math.log2(219), abs=1e-3)


def test_black_picture_has_no_range() -> None:
    """A picture wholly at the floor has no occupied range: not measurable, not 0."""
    assert math.isnan(occupied_range(_flat(16))[0])
    assert math.isnan(occupied_range(_flat(12))[0])


def test_nothing_but_overlay_is_not_measurable() -> None:
    """Where no pixel is picture, every figure is NaN."""
    area = area_of(*SHAPE, overlay=np.ones(SHAPE, dtype=np.bool_))
    for one in (level, clipping, crushing, occupied_range):
        assert np.isnan(one(_flat(100, area))).all()
