"""What stops would be under another curve."""

from __future__ import annotations

import numpy as np
import pytest

from fieldscore.brightness import curve_note, stop_elsewhere, stop_range
from fieldscore.scorecard import Lamps, Stability
from fieldscore.units import CURVES, stops_between


def test_a_stop_is_worth_what_the_curves_say() -> None:
    """Codes 100 and 50 are 1.63, 2.00, 2.20 and 2.40 stops apart under the four curves; near them a stop keeps those ratios."""
    # check values of the curves: bt709 1.63, srgb 2.00, gamma22 2.20, bt1886 2.40 stops (units.py)
    elsewhere = stop_elsewhere(72.0 / 255.0, "srgb")
    assert set(elsewhere) == set(CURVES) - {"srgb"}
    assert elsewhere["bt709"] == pytest.approx(1.63 / 2.00, abs=0.02)
    assert elsewhere["gamma22"] == pytest.approx(2.20 / 2.00, abs=0.02)
    assert elsewhere["bt1886"] == pytest.approx(2.40 / 2.00, abs=0.02)


def test_the_note_says_what_a_stop_may_be() -> None:
    """With a hunting camera the note gives the range that a stop may be under other curves; without stops there is none."""
    none = Lamps((), None, None, None)
    dusk = stop_range(np.full(90, 28.0), "srgb")
    told = curve_note(dusk, "srgb", Stability(1.0, 1.0, 0.3, 1.2), none)
    assert told is not None and "0.8 to 1.2 stops" in told and "srgb" in told
    assert curve_note(dusk, "srgb", Stability(1.0, 1.0, 0.0, None), none) is None
    at_floor = stop_range(np.full(90, -2.0), "srgb")
    assert at_floor is None
    assert curve_note(at_floor, "srgb", Stability(1.0, 1.0, 0.3, 1.2), none) is None


@pytest.mark.parametrize("curve", sorted(CURVES))
def test_the_range_of_a_stop_holds_every_curve(curve: str) -> None:
    """Whichever curve is assumed, the stops between codes 90 and 110 under each other one lie in the range, within 2 %."""
    ends = stop_range(np.full(90, 100.0 * 100.0 / 255.0), curve)
    assert ends is not None and ends[0] <= 1.0 <= ends[1]
    assumed = float(stops_between(90.0 / 255.0, 110.0 / 255.0, curve))
    true = [float(stops_between(90.0 / 255.0, 110.0 / 255.0, name)) for name in CURVES]
    assert (assumed * ends[0], assumed * ends[1]) == pytest.approx((min(true), max(true)), rel=0.02)
