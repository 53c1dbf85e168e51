"""What stops would be under another curve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from flight_material import record_of, timeline_of

from fieldscore.brightness import curve_note, ends_of, stability, stop_by_curve
from fieldscore.criteria import Criteria
from fieldscore.score import score_flight
from fieldscore.scorecard import Lamps, Stability
from fieldscore.units import CURVES, HLG, stops_between


def test_a_stop_is_worth_what_the_curves_say() -> None:
    """Codes 100 and 50 are 1.63, 2.00, 2.20 and 2.40 stops apart under the four curves; near them a stop keeps those ratios."""
    # check values of the curves: bt709 1.63, srgb 2.00, gamma22 2.20, bt1886 2.40 stops (units.py)
    elsewhere = stop_by_curve(np.full(90, 100.0 * 72.0 / 255.0), np.full(90, 80.0), "srgb", None)
    assert elsewhere is not None and set(elsewhere) == set(CURVES) - {HLG}
    assert elsewhere["bt709"] == pytest.approx((1.63 / 2.00,) * 2, abs=0.02)
    assert elsewhere["gamma22"] == pytest.approx((2.20 / 2.00,) * 2, abs=0.02)
    assert elsewhere["bt1886"] == pytest.approx((2.40 / 2.00,) * 2, abs=0.02)


def test_the_note_says_what_a_stop_may_be() -> None:
    """With a hunting camera the note gives the range that a stop may be under other curves; without stops there is none."""
    none = Lamps((), None, None, None)
    dusk = stop_by_curve(np.full(90, 28.0), np.full(90, 60.0), "srgb", None)
    told = curve_note(dusk, "srgb", None, Stability(1.0, 1.0, 0.3, 1.2), none)
    assert told is not None and "0.8 to 1.2 stops" in told and "srgb" in told
    assert curve_note(dusk, "srgb", None, Stability(1.0, 1.0, 0.0, None), none) is None
    at_floor = stop_by_curve(np.full(90, -2.0), np.full(90, 60.0), "srgb", None)
    assert at_floor is None
    assert curve_note(at_floor, "srgb", None, Stability(1.0, 1.0, 0.3, 1.2), none) is None


@pytest.mark.parametrize(("tag", "named"), [(HLG, True), ("bt709", False), (None, False)])
def test_a_file_that_says_hlg_is_told_so(tag: str | None, named: bool) -> None:
    """Its curve is named, with what a stop is under it by day, and the range holds that; without the tag neither."""
    by_day = stop_by_curve(np.full(90, 50.0), np.full(90, 90.0), "srgb", tag)
    assert by_day is not None
    told = curve_note(by_day, "srgb", tag, Stability(1.0, 1.0, 0.3, 1.2), Lamps((), None, None, None))
    # ITU-R BT.2100: E = (exp((E' - c) / a) + b) / 12, its slope in stops a stop of level at E' = 0.9; sRGB's with its offset
    light = np.exp((0.9 - 0.55991073) / 0.17883277)
    bright = 0.9 / 0.17883277 * light / (light + 0.28466892) / (2.4 * 0.9 / 0.955)
    assert told is not None and "may be 0.9 to 1.1 stops under other" in told
    assert ("says that its tone curve is HLG" in told) == named
    assert (f"is 0.9 (middle of the picture) and {bright:.1f} (bright) stops under HLG" in told) == named
    record = record_of(timeline_of(90, p50_percent=50.0, p95_percent=90.0), transfer_tag=tag)
    ends = score_flight(record, Criteria()).stop_range
    assert ends is not None and (ends[1] == pytest.approx(bright, rel=0.01)) == named


def test_hlg_is_one_figure_by_night() -> None:
    """In its square root a stop is the same in the middle and in the bright; measured under HLG itself nothing is said of it."""
    none, hunting = Lamps((), None, None, None), Stability(1.0, 1.0, 0.3, 1.2)
    by_night = stop_by_curve(np.full(90, 40.0), np.full(90, 47.0), "srgb", HLG)
    assert "is 0.9 stops under HLG" in str(curve_note(by_night, "srgb", HLG, hunting, none))
    own = stop_by_curve(np.full(90, 40.0), np.full(90, 47.0), HLG, HLG)
    told = curve_note(own, HLG, HLG, hunting, none)
    assert told is not None and "under which all is measured" in told and "under HLG" not in told
    by_day = stop_by_curve(np.full(90, 50.0), np.full(90, 90.0), HLG, HLG)
    assert by_day is not None and by_day["srgb"][0] > 1.5 * by_day["srgb"][1]  # HLG's own slope falls from there


def test_in_the_dark_a_stop_under_hlg_is_more_at_the_middle_than_in_the_bright() -> None:
    """Each figure stands beside the level it is of; what is no brighter than the middle is no bright part."""
    lamps_in_view = np.where(np.arange(90) < 30, 30.0, 4.0)
    by_night = stop_by_curve(np.full(90, 5.0), lamps_in_view, "srgb", HLG)
    assert by_night is not None

    # HLG under its knee: light is E'^2 / 3, 2 / (E' ln 2) stops a level; sRGB's light is ((E' + 0.055) / 1.055)^2.4 (IEC 61966-2-1)
    middle, bright = (2.0 / level / (2.4 / (level + 0.055)) for level in (0.05, 0.30))
    assert by_night[HLG] == pytest.approx((middle, bright), rel=0.01)
    assert by_night["bt709"][0] == by_night["bt709"][1]
    assert ends_of(by_night)[0] < 0.9 and ends_of(by_night)[1] == max(map(max, by_night.values()))
    told = curve_note(by_night, "srgb", HLG, Stability(1.0, 1.0, 0.3, 1.2), Lamps((), None, None, None))
    assert f"is {middle:.1f} (middle of the picture) and {bright:.1f} (bright) stops under HLG" in str(told)


@pytest.mark.parametrize("curve", sorted(CURVES))
def test_the_range_of_a_stop_holds_every_curve(curve: str) -> None:
    """Whichever curve is assumed, the stops between codes 90 and 110 under each other one lie in the range, within 2 %."""
    level = np.full(90, 100.0 * 100.0 / 255.0)
    found = stop_by_curve(level, level, curve, HLG)
    assert found is not None and found[curve] == pytest.approx((1.0, 1.0))
    ends = ends_of(found)
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


def metered(period_s: float, lag_s: float, share: float = 0.8) -> tuple[np.ndarray, np.ndarray]:
    """Exposure in stops and level in % of a camera that follows the mean of a scene which swings by half a stop, with a lag."""
    time_s = np.arange(600) / 30.0
    scene = 0.25 * np.sin(2.0 * np.pi * time_s / period_s)
    exposure = np.zeros(600)
    for now in range(1, 600):
        exposure[now] = exposure[now - 1] - (share * scene[now] + exposure[now - 1]) / (30.0 * lag_s)
    return exposure, 30.0 * np.exp2((scene + exposure) / 2.2)


@pytest.mark.parametrize(("period_s", "lag_s"), [(1.4, 0.35), (2.4, 0.35), (3.0, 0.05), (2.0, 1.0)])
def test_a_camera_that_follows_light_in_view_does_not_hunt(period_s: float, lag_s: float) -> None:
    """Whatever its lag, it closes while the picture is bright; the same exposure by itself makes the picture bright, and hunts."""
    exposure, level = metered(period_s, lag_s)
    flight, calm = timeline_of(600, exposure_stops=exposure, level_percent=level), np.ones(600, dtype=np.bool_)
    found, why = stability(flight, calm, ())
    assert (found.hunting_stops, found.hunting_period_s) == (None, None)
    assert "does not brighten and darken with it" in why["hunting_stops"]
    assert f"every {period_s:.1f} s" in why["hunting_period_s"]
    alone = timeline_of(600, exposure_stops=exposure, level_percent=30.0 * np.exp2(exposure / 2.2))
    found, _ = stability(alone, calm, ())
    assert found.hunting_stops is not None and found.hunting_period_s == pytest.approx(period_s, rel=0.03)


def test_hunting_amid_a_scene_that_is_followed_is_told() -> None:
    """A swing of 0.6 s makes the picture brighter and darker, whatever the scene does at another pace."""
    exposure, level = metered(3.1, 0.35)
    own = 0.15 * np.sin(2.0 * np.pi * np.arange(600) / 30.0 / 0.6)
    flight = timeline_of(600, exposure_stops=exposure + own, level_percent=level * np.exp2(own / 2.2))
    found, _ = stability(flight, np.ones(600, dtype=np.bool_), ())
    assert found.hunting_stops == pytest.approx(0.3, rel=0.1) and found.hunting_period_s == pytest.approx(0.6, rel=0.03)


@pytest.mark.parametrize("times", [2.0, 3.0, 4.0])
def test_a_harmonic_of_light_that_is_followed_is_no_hunting(times: float) -> None:
    """Light in view comes and goes as no sinus does, and what is clipped turns its harmonics about: they say nothing."""
    exposure, level = metered(3.1, 0.35)
    part = 0.1 * np.sin(2.0 * np.pi * times * np.arange(600) / 30.0 / 3.1)
    flight = timeline_of(600, exposure_stops=exposure + part, level_percent=level * np.exp2(part / 2.2))
    found, why = stability(flight, np.ones(600, dtype=np.bool_), ())
    assert found.hunting_stops is None and "every 3.1 s" in why["hunting_stops"]


@pytest.mark.parametrize("level", [np.nan, 30.0])
def test_a_level_that_says_nothing_denies_no_hunting(level: float) -> None:
    """Where none is known, or it stands but for a trace of a code, the exposure alone says what it does."""
    swing = 0.15 * np.sin(2.0 * np.pi * np.arange(600) / 30.0 / 0.6)
    flight = timeline_of(600, exposure_stops=swing, level_percent=level - 0.1 * swing)
    found, _ = stability(flight, np.ones(600, dtype=np.bool_), ())
    assert found.hunting_stops == pytest.approx(0.3, rel=0.1)
