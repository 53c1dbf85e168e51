"""The reference object under other tone curves: against their formulas, worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldscore.criteria import Criteria
from fieldscore.other_curves import StandsOut, curve_ends
from fieldscore.units import HLG, contrast_step, curves_of

CRITERIA = replace(Criteria(), object_contrast=0.2)
STANDARD = curve_ends(None, "srgb")


def srgb(level: float) -> float:
    """Step of an object a fifth brighter above the straight toe, IEC 61966-2-1 (constants from memory)."""
    light = 1.2 * ((level + 0.055) / 1.055) ** 2.4
    return float(1.055 * light ** (1.0 / 2.4) - 0.055 - level)


def bt709(level: float) -> float:
    """The same by ITU-R BT.709 in its continuous form (constants from memory)."""
    light = 1.2 * ((level + 0.0992968) / 1.0992968) ** (1.0 / 0.45)
    return float(1.0992968 * light**0.45 - 0.0992968 - level)


def power(level: float, gamma: float) -> float:
    """The same by a plain power, as ITU-R BT.1886 (2.4)."""
    return float(level * (1.2 ** (1.0 / gamma) - 1.0))


@pytest.mark.parametrize("black", [0.0, 0.06])
@pytest.mark.parametrize("level", [0.09, 0.15, 0.3, 0.6])
def test_the_ends_are_those_of_the_curves(level: float, black: float) -> None:
    """BT.709 lets an object stand out the farthest in the dark, BT.1886 the least; black set down adds to each."""
    found = StandsOut(CRITERIA, black, STANDARD)
    own = srgb(level + black) / srgb(level)
    assert found.under_own(np.array([level]))[0] == pytest.approx(own, rel=2e-3)
    least, most = (float(one[0]) for one in found.at_ends(np.array([level])))
    assert most == pytest.approx(bt709(level + black) / srgb(level + black), rel=2e-3)
    assert least == pytest.approx(power(level + black, 2.4) / srgb(level + black), rel=2e-3)


def test_an_object_measured_under_another_curve_has_it_at_an_end() -> None:
    """Under BT.709 nothing lets it stand out farther."""
    least, most = StandsOut(replace(CRITERIA, transfer_curve="bt709"), 0.0, STANDARD).at_ends(np.array([0.15, 0.5]))
    assert most == pytest.approx([1.0, 1.0])
    assert least[0] == pytest.approx(power(0.15, 2.4) / bt709(0.15), rel=2e-3)


@pytest.mark.parametrize("level", np.linspace(0.02, 0.8, 14).tolist())
def test_of_the_standard_curves_the_same_two_are_the_ends_at_every_level(level: float) -> None:
    """No other of them lets an object stand out less than BT.1886 or farther than BT.709."""
    steps = {name: float(contrast_step(level, 0.2, name)) for name in curves_of(None)}
    least, most = STANDARD
    assert min(steps.values()) == steps[least] and max(steps.values()) == pytest.approx(steps[most], rel=1e-6)


def test_a_file_that_says_hlg_has_that_against_the_one_assumed() -> None:
    """HLG is flat in the light and no wider than gamma 2 in the dark; measured under it there is nothing left to be another."""
    assert curve_ends(HLG, HLG) == (HLG, HLG)
    hlg, own = StandsOut(CRITERIA, 0.0, curve_ends(HLG, "srgb")).at_ends(np.array([0.2, 0.7]))
    assert own == pytest.approx([1.0, 1.0])
    assert hlg[0] == pytest.approx(power(0.2, 2.0) / srgb(0.2), rel=2e-3) and hlg[1] < 0.7


def test_what_white_cuts_off_is_cut_off_under_every_curve() -> None:
    """Just under white an object stands out by what is left up to it, whatever the curve."""
    least, most = StandsOut(CRITERIA, 0.0, STANDARD).at_ends(np.array([0.96, 0.99]))
    assert least == pytest.approx([1.0, 1.0]) and most == pytest.approx([1.0, 1.0])


def test_tiles_in_the_black_count_as_just_above_it() -> None:
    """Below a fiftieth of the range, where the curve's toe rules, an object stands out as it does there."""
    found = StandsOut(CRITERIA, 0.05, STANDARD)
    levels = np.array([0.0, 0.01, 0.02])
    assert np.ptp(found.under_own(levels)) == 0.0
    assert found.under_own(levels)[0] == pytest.approx(
        srgb(0.07) / 0.2 / 0.02, rel=2e-3
    )  # the toe is straight: a fifth of it
    assert all(np.ptp(one) == 0.0 for one in found.at_ends(levels))


def test_one_curve_has_no_span_and_no_tile_no_figure() -> None:
    """With no other curve both ends are what was measured; a tile without a level stays without."""
    least, most = StandsOut(CRITERIA, 0.0, ("srgb", "srgb")).at_ends(np.array([0.01, 0.5, np.nan]))
    assert least[:2] == pytest.approx([1.0, 1.0]) and most[:2] == pytest.approx([1.0, 1.0])
    assert np.isnan([least[2], most[2]]).all()
