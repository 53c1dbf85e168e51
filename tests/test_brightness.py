"""What stops would be under another curve."""

from __future__ import annotations

import numpy as np
import pytest

from fieldscore.brightness import curve_note, stop_elsewhere
from fieldscore.scorecard import Lamps, Stability
from fieldscore.units import CURVES


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
    told = curve_note(np.full(90, 28.0), "srgb", Stability(1.0, 1.0, 0.3, 1.2), none)
    assert told is not None and "0.8 to 1.2 stops" in told and "srgb" in told
    assert curve_note(np.full(90, 28.0), "srgb", Stability(1.0, 1.0, 0.0, None), none) is None
    assert curve_note(np.full(90, -2.0), "srgb", Stability(1.0, 1.0, 0.3, 1.2), none) is None  # all at the floor
