"""Code values, levels, curves, stops: against published tables and colour-science."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldscore import units
from fieldscore.units import CURVES, CodeRange

FRACTIONS = st.floats(min_value=-0.2, max_value=1.5)


def test_narrow_range_codes() -> None:
    """Level fractions 0, .25, .5, .75 and 1 are the codes of BT.601."""
    # ITU-R BT.601, items 8-9: Y = 16 + 219 V
    codes = units.level_to_code([0.0, 25.0, 50.0, 75.0, 100.0], CodeRange.NARROW)
    assert codes == pytest.approx([16.0, 70.75, 125.5, 180.25, 235.0], abs=1e-9)


def test_narrow_to_full() -> None:
    """A narrow code goes to the full code of the same level, also beyond black and white."""
    # (Y - 16) * 255 / 219, computed from the BT.601 definition
    narrow = [0, 1, 16, 64, 126, 128, 180, 235, 254, 255]
    full = [-18.630, -17.466, 0, 55.890, 128.082, 130.411, 190.959, 255, 277.123, 278.288]
    level = units.code_to_level(narrow, CodeRange.NARROW)
    assert units.level_to_code(level, CodeRange.FULL) == pytest.approx(full, abs=6e-4)


@pytest.mark.parametrize(
    ("code_range", "bits", "black", "white"),
    [
        (CodeRange.NARROW, 8, 16, 235),
        (CodeRange.NARROW, 10, 64, 940),
        (CodeRange.NARROW, 12, 256, 3760),
        (CodeRange.FULL, 8, 0, 255),
        (CodeRange.FULL, 10, 0, 1023),
        (CodeRange.FULL, 12, 0, 4095),
    ],
)
def test_black_and_white_of_each_depth(code_range: CodeRange, bits: int, black: int, white: int) -> None:
    """Nominal black and white of each depth are level 0 and 100, and the way back is exact."""
    # ITU-T H.273 (from memory): narrow (219 E + 16) 2^(n-8), full (2^n - 1) E
    assert units.code_to_level([black, white], code_range, bits) == pytest.approx([0.0, 100.0], abs=1e-9)
    assert units.level_to_code([0.0, 100.0], code_range, bits) == pytest.approx([black, white], abs=1e-9)


def test_ten_bit_matches_eight_bit() -> None:
    """The same narrow level in 10 bit is four times the 8-bit code, and four codes are one 8-bit code."""
    assert units.to_eight_bit([64, 502, 941], CodeRange.NARROW, 10) == pytest.approx([16.0, 125.5, 235.25])
    assert float(units.codes_to_percent(4, CodeRange.NARROW, 10)) == pytest.approx(100 / 219)


def test_depth_under_eight_bit_is_refused() -> None:
    """A depth that luma never has is a plain error."""
    with pytest.raises(ValueError, match="bits is 6: expected 8 or more"):
        units.code_to_level(3, CodeRange.FULL, 6)


def test_srgb_table() -> None:
    """sRGB codes give the published light, and the way back gives the code of 18 % grey."""
    # IEC 61966-2-1, values computed with colour-science
    codes = np.array([10, 16, 64, 118, 128, 188, 235, 254])
    light = [0.003035, 0.005182, 0.051269, 0.181164, 0.215861, 0.502886, 0.830770, 0.991102]
    assert units.to_linear(codes / 255, "srgb") == pytest.approx(light, abs=6e-7)
    assert units.from_linear([0.18, 0.5], "srgb") == pytest.approx([0.461356, 0.735357], abs=6e-7)


def test_bt709_table() -> None:
    """BT.709 with its continuous constants gives the published values, and joins without a step."""
    # ITU-R BT.709 / BT.2020 12-bit constants: 0.18 -> 0.408848, 0.5 -> 0.705436
    assert units.from_linear([0.001, 0.009, 0.18, 0.5, 1.0], "bt709") == pytest.approx(
        [0.0045, 0.0405, 0.408848, 0.705436, 1.0], abs=6e-7
    )
    # the rounded constants of BT.709 give these three; the exact ones stay within 2e-4 of light
    rounded = [0.078154, 0.259589, 0.563522]
    assert units.to_linear([0.25, 0.5, 0.75], "bt709") == pytest.approx(rounded, abs=2e-4)
    below, above = units.from_linear([0.0180539, 0.0180541], "bt709")
    assert 0 < above - below < 2e-6


def test_bt1886_table() -> None:
    """BT.1886 with black at zero gives the published light."""
    # ITU-R BT.1886 (2011), Lw = 1, Lb = 0
    levels = [0.1, 0.25, 0.409008, 0.5, 0.75]
    light = [0.003981, 0.035897, 0.116992, 0.189465, 0.501357]
    assert units.to_linear(levels, "bt1886") == pytest.approx(light, abs=6e-7)


def test_hlg_table() -> None:
    """Hybrid log-gamma is what ITU-R BT.2100 table 5 publishes, and its halves join without a step or a bend."""
    # E' = 0.5 at E = 1/12, 1 at 1; constants as printed there: a = 0.17883277, b = 0.28466892, c = 0.55991073
    assert units.from_linear([0.0, 1 / 48, 1 / 12, 1.0], "hlg") == pytest.approx([0.0, 0.25, 0.5, 1.0], abs=1e-7)
    light = np.array([0.1, 0.18, 0.265, 0.5])
    printed = 0.17883277 * np.log(12 * light - 0.28466892) + 0.55991073
    assert units.from_linear(light, "hlg") == pytest.approx(printed, abs=1e-7)
    # 75 % of signal is 0.265 of light: nominal diffuse white, ITU-R BT.2408
    assert float(units.to_linear(0.75, "hlg")) == pytest.approx(0.265, abs=5e-4)
    slopes = np.diff(units.to_linear([0.4999, 0.5, 0.5001], "hlg"))
    assert slopes[0] == pytest.approx(slopes[1], rel=1e-3)


def test_hlg_is_a_curve_of_files_that_say_so() -> None:
    """Without the tag a recording has one of the others."""
    assert set(units.curves_of("hlg")) == set(CURVES)
    assert set(CURVES) - set(units.curves_of(None)) == {"hlg"} == set(CURVES) - set(units.curves_of("bt709"))


def test_curves_agree_with_colour_science() -> None:
    """Each curve equals colour-science's over the whole range, both ways."""
    colour = pytest.importorskip("colour")
    value = np.linspace(0.0, 1.0, 501)
    assert units.to_linear(value, "srgb") == pytest.approx(colour.models.eotf_sRGB(value), abs=1e-7)
    assert units.from_linear(value, "srgb") == pytest.approx(colour.models.eotf_inverse_sRGB(value), abs=1e-7)
    assert units.to_linear(value, "bt1886") == pytest.approx(colour.models.eotf_BT1886(value), abs=1e-12)
    assert units.to_linear(value, "gamma22") == pytest.approx(colour.gamma_function(value, 2.2), abs=1e-12)
    with np.errstate(invalid="ignore"):  # it takes the logarithm on either side of the knee
        hlg = colour.models.oetf_BT2100_HLG(value)
    assert units.from_linear(value, "hlg") == pytest.approx(hlg, abs=1e-7)
    exact = colour.models.oetf_BT2020(value, is_12_bits_system=True)
    # colour-science rounds the 12-bit constants to four digits: 1.0993 and 0.0181
    assert units.from_linear(value, "bt709") == pytest.approx(exact, abs=1e-4)


@pytest.mark.parametrize(
    ("curve", "expected"), [("srgb", 1.998), ("bt709", 1.634), ("gamma22", 2.200), ("bt1886", 2.400)]
)
def test_stops_of_a_code_ratio_of_two(curve: str, expected: float) -> None:
    """Codes 100 and 50 are so many stops apart under each curve."""
    # computed with colour-science; bt709 there by the rounded constants, hence 0.002 stop
    low, high = units.code_to_level([50, 100], CodeRange.FULL) / 100
    assert float(units.stops_between(low, high, curve)) == pytest.approx(expected, abs=2e-3)


def test_default_curve_lies_in_the_middle() -> None:
    """No curve differs from the default by more than a fifth in stops of a code ratio of two."""
    spread = {name: float(units.stops_between(50 / 255, 100 / 255, name)) for name in CURVES}
    default = spread[units.DEFAULT_CURVE]
    assert min(spread.values()) < default < max(spread.values())
    assert all(abs(value / default - 1) <= 0.21 for value in spread.values())


@pytest.mark.parametrize(("ratio", "db", "stop"), [(1000.0, 60.0, 9.966), (4096.0, 72.247, 12.0), (2.0, 6.0206, 1.0)])
def test_decibels_and_stops(ratio: float, db: float, stop: float) -> None:
    """dB and stops of a ratio are the published ones and agree with each other."""
    # ISO 15739 usage: dB = 20 log10 of the ratio, 1 stop = 6.0206 dB
    assert float(units.decibels(ratio)) == pytest.approx(db, abs=6e-4)
    assert float(units.stops(ratio)) == pytest.approx(stop, abs=6e-4)
    assert float(units.stops_to_decibels(units.stops(ratio))) == pytest.approx(db, abs=6e-4)
    assert float(units.stops_to_ratio(units.stops(ratio))) == pytest.approx(ratio)


def test_no_stops_of_nothing() -> None:
    """Stops and dB of a zero, negative or missing ratio are NaN, without a warning."""
    assert np.isnan(units.stops([0.0, -1.0, math.nan])).all()
    assert np.isnan(units.decibels([0.0, -1.0, math.nan])).all()
    assert np.isnan(units.stops_between([0.0, -0.01, 0.5], [0.5, 0.5, -0.1])).all()


@pytest.mark.parametrize("curve", list(CURVES))
@given(value=FRACTIONS)
def test_there_and_back(curve: str, value: float) -> None:
    """Level to light and back is exact, also below black and above white, and the curve is odd."""
    light = units.to_linear(value, curve)
    # a level of 1e-7 is 1/45000 of an 8-bit code
    assert float(units.from_linear(light, curve)) == pytest.approx(value, abs=1e-7)
    assert float(units.to_linear(-value, curve)) == -float(light)


@pytest.mark.parametrize("curve", list(CURVES))
def test_curves_rise(curve: str) -> None:
    """More level is more light everywhere, from 0 at black to 1 at white."""
    value = np.linspace(-0.2, 1.3, 3001)
    assert (np.diff(units.to_linear(value, curve)) > 0).all()
    # the eight digits of BT.2100's a leave 3e-8 at white
    assert units.to_linear([0.0, 1.0], curve) == pytest.approx([0.0, 1.0], abs=1e-7 if curve == "hlg" else 1e-12)
    assert CURVES[curve].summary and CURVES[curve].source


def test_noise_around_black_averages_to_black() -> None:
    """Symmetric noise around black leaves no light on average, which a clamp would add."""
    noise = np.random.default_rng(1).normal(0.0, 0.02, 20_000)
    noise = np.concatenate([noise, -noise])
    assert abs(float(units.to_linear(noise).mean())) < 1e-12
    assert float(units.to_linear(np.maximum(noise, 0)).mean()) > 5e-4


@pytest.mark.parametrize("curve", ["bt1886", "gamma22"])
def test_contrast_step_of_a_power_curve(curve: str) -> None:
    """Under a power curve the step is a fixed share of the level: v * (1.2^(1/gamma) - 1)."""
    gamma = {"bt1886": 2.4, "gamma22": 2.2}[curve]
    level = np.array([0.05, 0.2, 0.6, 1.0])
    expected = level * (1.2 ** (1 / gamma) - 1)
    assert units.contrast_step(level, 0.2, curve) == pytest.approx(expected, abs=1e-12)


def test_contrast_step_in_the_toe_and_below_black() -> None:
    """In the straight toe the step is weber times the level; at and below black it is zero; NaN stays NaN."""
    # the object too must lie in the straight toe of sRGB, which ends at 0.04045
    assert units.contrast_step([0.01, 0.03], 0.2, "srgb") == pytest.approx([0.002, 0.006], abs=1e-12)
    assert units.contrast_step([0.0, -0.05], 0.2, "srgb").tolist() == [0.0, 0.0]
    assert np.isnan(units.contrast_step(math.nan, 0.2))
    assert float(units.contrast_step(0.5, -1.0)) == pytest.approx(-0.5)
    with pytest.raises(ValueError, match=r"Weber contrast is -1.5: expected -1"):
        units.contrast_step(0.5, -1.5)


def test_unknown_curve_names_the_known() -> None:
    """A misspelt curve is an error that lists the curves there are."""
    with pytest.raises(ValueError, match="unknown transfer curve 'rec709': expected one of srgb, bt709"):
        units.to_linear(0.5, "rec709")


def test_shapes_are_kept() -> None:
    """Any shape in is the same shape out, and integers are taken as they are."""
    grid = np.arange(24, dtype=np.uint8).reshape(2, 3, 4)
    assert units.code_to_level(grid, CodeRange.NARROW).shape == (2, 3, 4)
    assert units.to_linear(0.5).shape == ()
    assert units.contrast_step(grid / 255.0, 0.2).dtype == np.float64
