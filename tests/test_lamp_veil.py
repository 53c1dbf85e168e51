"""The veil of a lamp's pass, from made columns."""

from __future__ import annotations

import numpy as np
import pytest
from test_lamp_passes import RATE, everywhere, passing

from fieldscore.lamp_passes import lamp_passes


@pytest.mark.parametrize("left", [0.0, 1.0])
def test_the_veil_of_a_pass_is_what_the_lamp_adds(left: float) -> None:
    """One whose veil is there at once as it comes in has all of it, be it while the lamp before still leaves some."""
    time = np.arange(RATE * 10) / RATE
    timeline = passing([(6.0, 3.0, -0.8)])
    came = float(time[np.flatnonzero(timeline["lamps"] > 0)[0]])
    veil = np.where(time >= came, 1.2, np.clip(left * (came - 0.1 - time) / 0.5, 0.0, left))
    timeline = passing([(6.0, 3.0, -0.8)], veil_percent=np.pad(veil, (0, len(timeline) - len(veil)), mode="edge"))
    (found,) = lamp_passes(timeline, everywhere(timeline))
    assert found.veil_percent == pytest.approx(1.2, abs=0.25)
