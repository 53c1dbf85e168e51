"""What stops would be under another curve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flight_material import timeline_of

from fieldscore.brightness import curve_note, stability, stop_elsewhere, stop_range
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


@pytest.mark.parametrize(
    ("rate", "lamp_hz", "beat_hz"), [(30.0, 100.0, 10.0), (60.0, 100.0, 20.0), (30000 / 1001, 100.0, 10.09)]
)
@pytest.mark.parametrize("decimals", [6, 3])
def test_a_beat_is_found_behind_a_clock_of_milliseconds(
    rate: float, lamp_hz: float, beat_hz: float, decimals: int
) -> None:
    """1 % of flicker is found at its beat and with its size, whether times are saved to a microsecond or a millisecond."""
    exact = np.arange(round(8 * rate)) / rate
    level = 30.0 + np.sin(2 * np.pi * lamp_hz * exact)
    flight = replace(timeline_of(len(exact), level_percent=level), time_s=np.round(exact, decimals))
    found, why = stability(flight, np.ones(len(exact), dtype=np.bool_), ())
    assert found.flicker_hz == pytest.approx(beat_hz, abs=0.02)
    assert found.flicker_percent == pytest.approx(1.0, abs=0.05)
    assert "flicker_hz" not in why


def test_frames_in_step_with_the_mains_have_no_beat() -> None:
    """120 Hz lamps stand still at 30 frames a second: a slow swing of the level is no beat, in milliseconds neither."""
    time_s = np.round(np.arange(600) / 30.0, 3)
    level = 30.0 + np.sin(2 * np.pi * 1.2 * time_s)  # 120 - 4 x 30.3 Hz, the rate of the median of 33, 33, 34 ms
    flight = replace(timeline_of(len(time_s), level_percent=level), time_s=time_s)
    assert stability(flight, np.ones(len(time_s), dtype=np.bool_), ())[0].flicker_hz is None


@pytest.mark.parametrize("hz", [1.0, 3.05])
def test_the_beat_of_lamps_neither_is_nor_denies_hunting(hz: float) -> None:
    """Where the exposure swings at the beat of lamps, in the band or just over it, hunting is not measurable and says why."""
    rate = (100.0 - hz) / 4.0  # 100 Hz lamps beat at that
    time_s = np.arange(round(15.0 * rate)) / rate
    beat = np.sin(2 * np.pi * hz * time_s)
    flight = timeline_of(len(time_s), level_percent=30.0 + 2.0 * beat, exposure_stops=0.2 * beat)
    found, why = stability(replace(flight, time_s=time_s), np.ones(len(time_s), dtype=np.bool_), ())
    assert found.flicker_hz == pytest.approx(hz, abs=0.02)
    assert (found.hunting_stops, found.hunting_period_s) == (None, None)
    assert why["hunting_stops"] == why["hunting_period_s"]
    assert "the exposure swings at the beat of lamps" in why["hunting_stops"]
