"""Oscillation of an exposure trace, and the beat of mains lamps, against made series of known swing."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import fieldscore.hunting as hunting_module
from fieldscore.hunting import Hunting, alias_hz, flicker, hunting

RATE = 30.0


def wandering(seconds: float, seed: int, sigma: float = 0.05, rate: float = RATE) -> tuple[np.ndarray, np.ndarray]:
    """Times and a trace that follows a scene: a random walk drawn back to zero, in stops."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate)
    walk = np.zeros(n)
    for i in range(1, n):
        walk[i] = 0.985 * walk[i - 1] + sigma * rng.normal()
    return np.arange(n) / rate, walk


@pytest.mark.parametrize("period", [0.5, 0.8, 1.5, 2.5])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_hunting_is_found_in_a_trace_that_follows_its_scene(period: float, seed: int) -> None:
    """A swing of 0.6 stop on top of a wandering exposure is found within 20 %, its period within 5 %."""
    time_s, trace = wandering(30.0, seed, sigma=0.02)
    trace = trace + 0.3 * np.sin(2 * np.pi * time_s / period + seed)
    found = hunting(time_s, trace, np.ones(len(time_s), dtype=np.bool_))
    assert found.period_s == pytest.approx(period, rel=0.05)
    assert found.stops == pytest.approx(0.6, rel=0.2)


@pytest.mark.parametrize("hz", [0.2, 0.28, 0.35, 0.6, 1.2, 2.6])
def test_a_swing_has_its_size_at_any_pace(hz: float) -> None:
    """What takes slow change out swings against a slow swing and would add a fifth to it: read within 4 %."""
    time_s = np.arange(1200) / RATE
    found = hunting(time_s, 0.25 * np.sin(2 * np.pi * hz * time_s), np.ones(1200, dtype=np.bool_))
    assert found.stops == pytest.approx(0.5, rel=0.04)


def test_a_swing_too_slow_for_the_flight_is_not_told() -> None:
    """Three swings in ten seconds are not read as a faster, smaller one."""
    time_s = np.arange(300) / RATE
    found = hunting(time_s, 0.25 * np.sin(2 * np.pi * 0.32 * time_s), np.ones(300, dtype=np.bool_))
    assert found.stops is None and found.period_s is None
    assert found.reason is not None and "more slowly than every 2.5 s" in found.reason


def test_a_swing_slower_than_the_band_is_none_and_hides_none() -> None:
    """One of 0.16 Hz is drift, in a flight long enough to tell; beside it one of 1 Hz is found."""
    time_s = np.arange(2400) / RATE
    slow, fast = (0.2 * np.sin(2 * np.pi * hz * time_s) for hz in (0.16, 1.0))
    counted = np.ones(2400, dtype=np.bool_)
    assert hunting(time_s, slow, counted).stops == 0.0
    found = hunting(time_s, slow + 0.3 * fast, counted)
    assert found.period_s == pytest.approx(1.0, rel=0.05)
    assert found.stops == pytest.approx(0.12, rel=0.15)


def test_a_steady_trace_does_not_hunt() -> None:
    """An exposure that never moves has a swing of nothing and no period."""
    time_s = np.arange(600) / RATE
    found = hunting(time_s, np.zeros(600), np.ones(600, dtype=np.bool_))
    assert (found.stops, found.period_s, found.reason) == (0.0, None, None)


def test_following_the_scene_is_seldom_called_hunting() -> None:
    """Of 60 traces that only wander, at most 6 are said to hunt by more than a tenth of a stop."""
    wrong = 0
    for seed in range(60):
        time_s, trace = wandering(20.0, 100 + seed)
        wrong += (hunting(time_s, trace, np.ones(len(time_s), dtype=np.bool_)).stops or 0.0) > 0.1
    assert wrong <= 6


def test_breaks_do_not_hide_hunting() -> None:
    """Rows that do not count, of unlike phase on both sides, take nothing from the swing found."""
    time_s = np.arange(900) / RATE
    trace = 0.2 * np.sin(2 * np.pi * time_s / 0.9)
    trace[450:] = 0.2 * np.sin(2 * np.pi * time_s[450:] / 0.9 + 2.0)
    counted = np.ones(900, dtype=np.bool_)
    counted[440:470] = False
    found = hunting(time_s, trace, counted)
    assert found.stops == pytest.approx(0.4, rel=0.15)
    assert found.period_s == pytest.approx(0.9, rel=0.05)


@pytest.mark.parametrize(("seconds", "told"), [(4.0, False), (7.5, False), (8.5, True)])
def test_steady_stretches_too_short_for_a_swing_tell_of_none(seconds: float, told: bool) -> None:
    """A steady exposure in stretches of less than eight seconds is not said to be free of hunting; a fast swing hunts."""
    time_s = np.arange(900) / RATE
    counted = time_s % (seconds + 1.0) < seconds
    noise = 0.002 * np.random.default_rng(3).normal(size=900)
    steady = hunting(time_s, noise, counted)
    assert (steady.stops == 0.0 and steady.reason is None) is told
    assert told or (steady.reason is not None and f"faster than every {seconds / 4:.1f} s" in steady.reason)
    small = hunting(time_s, 0.01 * np.sin(4.0 * np.pi * time_s), counted)
    assert small.period_s is None and (small.stops == 0.0) is told
    assert hunting(time_s, noise + 0.2 * np.sin(4.0 * np.pi * time_s), counted).period_s == pytest.approx(0.5, rel=0.05)


@pytest.mark.parametrize("seconds", [8.2, 9.0, 10.0, 12.0, 16.0, 19.5])
@pytest.mark.parametrize("period", [2.5, 3.3, 4.5, 4.9])
@pytest.mark.parametrize("phase", [0.0, 0.8, 1.6, 2.4])
def test_half_a_stop_of_hunting_is_never_denied(seconds: float, period: float, phase: float) -> None:
    """A swing too slow for four turns of it is found or not told, whatever its phase."""
    time_s, trace = wandering(seconds, 1, sigma=0.001)
    counted = np.ones(len(time_s), dtype=np.bool_)
    swing = np.sin(2 * np.pi * time_s / period + phase)
    found = hunting(time_s, trace + 0.25 * swing, counted)
    assert found.stops is None or found.stops == pytest.approx(0.5, rel=0.1)


@pytest.mark.parametrize(("stops", "period"), [(0.1, 4.5), (0.3, 4.5), (0.33, 4.5)])
def test_little_slow_change_hides_no_swing(stops: float, period: float) -> None:
    """A scene that is followed slowly by a third of a stop does not keep hunting from being denied."""
    time_s = np.arange(270) / RATE
    slow = 0.5 * stops * np.sin(2 * np.pi * time_s / period)
    assert hunting(time_s, slow, np.ones(270, dtype=np.bool_)).stops == 0.0


def test_slow_change_that_may_be_a_swing_is_named() -> None:
    """What hides a slow swing is said with its size, and short stretches that cannot show it take nothing from it."""
    time_s = np.arange(1800) / RATE
    counted = (time_s < 9.0) | (time_s % 4.0 < 3.5)
    counted[269] = False
    trace = np.where(time_s < 9.0, 0.3 * np.sin(2 * np.pi * time_s / 4.5), 0.0)
    found = hunting(time_s, trace, counted)
    assert found.stops is None and found.reason is not None
    assert "no swing faster than every 2.2 s" in found.reason and "by 0.6 stops more slowly" in found.reason


def test_the_beat_of_lamps_is_not_hunting() -> None:
    """Without a beat of 1.1 Hz the camera's own smaller swing is found; beside it alone nothing is said."""
    time_s, trace = wandering(24.0, 2, sigma=0.002)
    counted = np.ones(len(time_s), dtype=np.bool_)
    beat, own = (size * np.sin(2 * np.pi * hz * time_s) for size, hz in ((0.3, 1.1), (0.15, 0.35)))
    assert hunting(time_s, trace + beat + own, counted).period_s == pytest.approx(1.0 / 1.1, rel=0.03)
    assert hunting(time_s, trace + beat + own, counted, 1.1).period_s == pytest.approx(1.0 / 0.35, rel=0.05)
    for only in (counted, time_s < 7.0):
        assert told_beat(hunting(time_s, trace + beat, only, 1.1)) == pytest.approx(1.1, abs=0.03)


def swinging(seconds: float, *swings: tuple[float, float]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, a trace of swings (stops peak to peak, Hz) in a little noise, and that all of it counts."""
    time_s = np.arange(round(seconds * RATE)) / RATE
    noise = 0.01 * np.random.default_rng(7).normal(size=len(time_s))
    waves = [0.5 * size * np.sin(2 * np.pi * hz * time_s + 0.3 * k) for k, (size, hz) in enumerate(swings)]
    return time_s, noise + np.sum(waves, axis=0), np.ones(len(time_s), dtype=np.bool_)


def told_beat(found: Hunting) -> float:
    """Frequency of the beat for which hunting was not measured."""
    assert found.stops is None and found.period_s is None and found.reason is not None
    told = re.search(r"swings at the beat of lamps, (\d\.\d\d) Hz", found.reason)
    assert told, found.reason
    return float(told[1])


@pytest.mark.parametrize(
    ("seconds", "hz"), [(12, 0.36), (12, 0.4), (19, 0.3), (30, 0.4), (10, 1.0), (18.4, 0.66), (8.6, 2.09), (60, 1.7)]
)
@pytest.mark.parametrize("off_hz", [0.0, 0.05, -0.05])
@pytest.mark.parametrize("stops", [0.1, 2.0])
def test_a_beat_alone_is_no_hunting_and_denies_none(seconds: float, hz: float, off_hz: float, stops: float) -> None:
    """A steady beat, as the clocks of mains and frames have it, is not read as hunting, nor is none said."""
    found = hunting(*swinging(seconds, (stops, hz + off_hz)), hz)
    if (hz + off_hz) * seconds >= 4.2:  # slower ones are too seldom to be told, beat or not
        assert told_beat(found) == pytest.approx(hz + off_hz, abs=0.03)
    assert not found.stops


@pytest.mark.parametrize("seconds", [17.0, 30.0, 54.0])
@pytest.mark.parametrize("hz", [0.7, 1.5, 2.9])
@pytest.mark.parametrize("kind", ["laps", "hall", "passes"])
def test_a_beat_whose_strength_changes_is_no_hunting(seconds: float, hz: float, kind: str) -> None:
    """Lamps flown past, a lit hall, laps of seven seconds: what they spread beside the beat is not the camera's."""
    time_s, noise, counted = swinging(seconds)
    strength = {
        "laps": 1.0 + 0.4 * np.sin(2 * np.pi * time_s / 7.0),
        "hall": 1.0 * (np.abs(time_s / seconds - 0.5) < 0.2),
        "passes": 0.2 + np.exp(-np.square((time_s % 4.0 - 2.0) / 0.7)),
    }[kind]
    found = hunting(time_s, noise + 0.4 * strength * np.sin(2 * np.pi * hz * time_s), counted, hz)
    assert told_beat(found) == pytest.approx(hz, abs=0.03)


def test_the_harmonic_of_a_beat_is_no_hunting() -> None:
    """Light that beats by a stop and a half swings as a logarithm at twice the pace, too."""
    time_s, noise, counted = swinging(40.0)
    light = np.log2(1.0 + 0.48 * np.sin(2 * np.pi * 0.9 * time_s))
    assert hunting(time_s, noise + light - 0.5 * np.log2(1.48 / 0.52) * np.sin(2 * np.pi * 0.9 * time_s), counted).stops
    assert told_beat(hunting(time_s, noise + light, counted, 0.9)) == pytest.approx(0.9, abs=0.02)


@pytest.mark.parametrize("hz", [3.02, 3.05])
@pytest.mark.parametrize("seconds", [10.0, 20.0])
def test_a_beat_just_over_the_band_is_no_hunting(seconds: float, hz: float) -> None:
    """The edge of its line within the band is not the camera's."""
    assert hunting(*swinging(seconds, (0.8, hz))).stops
    assert told_beat(hunting(*swinging(seconds, (0.8, hz)), hz)) == pytest.approx(hz, abs=0.02)


def test_a_beat_far_over_the_band_denies_no_hunting() -> None:
    """One of 4 Hz, 100 Hz lamps at 24 frames a second, hides nothing of the band: none is 0, a swing is found."""
    assert hunting(*swinging(20.0, (0.5, 4.0)), 4.0).stops == 0.0
    assert hunting(*swinging(20.0, (0.5, 4.0), (0.3, 2.5)), 4.0).stops == pytest.approx(0.3, rel=0.1)


@pytest.mark.parametrize(("beat", "own"), [(0.4, 1.3), (1.1, 0.35), (1.0, 1.8), (2.0, 1.2), (2.4, 0.6)])
def test_a_swing_well_away_from_a_beat_is_found(beat: float, own: float) -> None:
    """Half as large as the beat, more than 0.7 Hz off, it is told with its size and pace."""
    found = hunting(*swinging(30.0, (0.6, beat), (0.3, own)), beat)
    assert found.stops == pytest.approx(0.3, rel=0.1)
    assert found.period_s == pytest.approx(1.0 / own, rel=0.03)


@pytest.mark.parametrize(("beat", "own"), [(0.4, 0.6), (1.0, 0.8), (1.0, 1.2), (2.0, 1.7), (2.4, 2.8)])
@pytest.mark.parametrize("smaller", [1.2, 0.7, 0.2])
def test_a_swing_near_a_beat_is_told_only_where_no_lamps_make_it(beat: float, own: float, smaller: float) -> None:
    """It is where the beat is under half of it; a larger beat may have side bands of its size."""
    found = hunting(*swinging(40.0, (0.7 * smaller, beat), (0.7, own)), beat)
    if smaller < 0.5:
        assert found.stops == pytest.approx(0.7, rel=0.1)
        assert found.period_s == pytest.approx(1.0 / own, rel=0.03)
    else:
        assert told_beat(found) == pytest.approx(beat, abs=0.03)


@pytest.mark.parametrize(("beat", "own"), [(0.1, 0.6), (0.6, 0.1), (0.6, 0.6)])
@pytest.mark.parametrize("off_hz", [0.0, 0.03, -0.05])
def test_a_swing_at_a_beat_is_neither_denied_nor_told(beat: float, own: float, off_hz: float) -> None:
    """Within what the clocks are off by, either may be the beat."""
    told_beat(hunting(*swinging(24.0, (beat, 1.0), (own, 1.0 + off_hz)), 1.0))


@pytest.mark.parametrize("hz", [0.12, 0.86, 1.14, 2.0])
@pytest.mark.parametrize("beat_stops", [0.0, 0.02])
def test_a_beat_of_the_level_alone_changes_nothing(hz: float, beat_stops: float) -> None:
    """Where the exposure has no line at the beat, or one too small to count, all is as without one."""
    for own in (0.0, 0.5):
        trace = swinging(24.0, (own, 1.0), (beat_stops, hz))
        assert hunting(*trace, hz) == hunting(*trace)


def test_the_edge_of_a_swing_is_no_beat_and_no_other_swing() -> None:
    """A swing's edge near a beat's place is no line there; one near a beat is not told by its edge farther off."""
    trace = swinging(12.0, (0.8, 1.0))
    assert hunting(*trace, 0.83) == hunting(*trace)
    told_beat(hunting(*swinging(15.0, (0.5, 1.0), (0.5, 1.66)), 1.0))


def test_a_scene_followed_at_the_pace_of_a_beat_is_no_beat() -> None:
    """What the exposure moves by with its scene at a beat's frequency is no line: all is as without a beat."""
    for seed in range(8):
        time_s, trace = wandering(20.0, seed)
        counted = np.ones(len(time_s), dtype=np.bool_)
        trace = trace + 0.25 * np.sin(2 * np.pi * 1.4 * time_s)
        assert hunting(time_s, trace, counted, 0.9) == hunting(time_s, trace, counted)


def test_hunting_of_short_stretches_is_found_beside_a_beat() -> None:
    """What five short stretches show is not denied for a steady longer one, whether the lamps' beat is in the exposure or not."""
    time_s, noise, counted = swinging(70.0)
    counted &= (time_s < 20.0) | ((time_s - 20.0) % 10.0 > 1.0)
    own = np.where(time_s > 20.0, 0.3 * np.sin(2 * np.pi * time_s), 0.0)
    for beat in (0.0, 0.15):
        found = hunting(time_s, noise + own + beat * np.sin(4 * np.pi * time_s), counted, 2.0)
        assert found.period_s == pytest.approx(1.0, rel=0.03)
        assert found.stops == pytest.approx(0.6, rel=0.05)


@pytest.mark.parametrize("beat", [0.5, 0.8, 1.0, 1.4])
@pytest.mark.parametrize("share", [0.2, 0.4, 0.6])
@pytest.mark.parametrize("pulsed", [False, True])
def test_the_harmonics_of_lamps_that_are_no_sinus_are_no_hunting(beat: float, share: float, pulsed: bool) -> None:
    """Rectified mains and pulsed lamps swing at twice the beat and more without any swing of the camera's."""
    time_s, noise, counted = swinging(40.0)
    turn = beat * time_s % 1.0
    lamp = np.where(turn < 0.3, 1.0, -0.43) if pulsed else 2.0 * np.sin(np.pi * turn) - 1.0
    assert told_beat(hunting(time_s, noise + np.log2(1.0 + share * lamp), counted, beat)) == pytest.approx(
        beat, abs=0.03
    )


@pytest.mark.parametrize(
    ("times", "of_beat", "told"), [(2, 0.6, False), (3, 0.6, False), (4, 0.6, False), (2, 0.8, True)]
)
def test_a_swing_at_a_harmonic_is_told_only_where_no_lamps_make_it(times: int, of_beat: float, told: bool) -> None:
    """From 0.7 of the beat's on."""
    found = hunting(*swinging(40.0, (0.5, 0.73), (0.5 * of_beat, 0.73 * times)), 0.73)
    assert found.stops == (pytest.approx(0.5 * of_beat, rel=0.1) if told else None)


def test_a_swing_slower_than_a_beat_is_no_harmonic() -> None:
    """A quarter of the beat's is enough there, and not where harmonics are."""
    assert hunting(*swinging(40.0, (0.6, 1.5), (0.15, 0.4)), 1.5).stops == pytest.approx(0.15, rel=0.1)
    told_beat(hunting(*swinging(40.0, (0.6, 0.4), (0.15, 1.5)), 0.4))


@pytest.mark.parametrize("hz", [0.27, 0.3, 0.33, 0.4, 0.7])
def test_a_swing_beside_a_beat_far_under_the_band_is_found(hz: float) -> None:
    """60 Hz mains at 29.97 frames a second beat at 0.12 Hz: half as large a swing of the camera's own is told."""
    found = hunting(*swinging(60.0, (0.6, 0.12), (0.3, hz)), 0.12)
    assert found.stops == pytest.approx(0.3, rel=0.1)
    assert found.period_s == pytest.approx(1.0 / hz, rel=0.04)


@pytest.mark.parametrize(("hz", "seconds"), [(0.12, 60.0), (5.0, 30.0), (3.3, 30.0)])
def test_beside_a_beat_outside_the_band_there_may_be_no_hunting(hz: float, seconds: float) -> None:
    """Its line covers no pace that hunting has; one that reaches into the band denies nothing."""
    assert hunting(*swinging(seconds, (0.6, hz)), hz).stops == 0.0
    told_beat(hunting(*swinging(30.0, (0.6, 3.06)), 3.06))


def test_a_beat_in_broken_stretches_is_not_hunting() -> None:
    """Short stretches, in which a beat's line is wide, make no hunting beside that of the longer."""
    time_s, trace, counted = swinging(120.0, (0.8, 0.6))
    counted &= (time_s < 20.0) | (time_s % 5.0 < 4.0)
    assert told_beat(hunting(time_s, trace, counted, 0.6)) == pytest.approx(0.6, abs=0.03)


def test_two_fifths_of_a_stop_of_slow_change_may_be_a_swing() -> None:
    """It is not denied in a flight too short for four turns; in a stretch half as long as a steady one it counts less."""
    assert hunting(*swinging(9.0, (0.41, 0.25))).stops is None
    moving, steady = 0.25 * np.sin(2 * np.pi * 0.25 * 0.05 * np.arange(180)), np.zeros(360)
    whole, part = (hunting_module._slow_stops(one, 0.4) for one in ([moving], [moving, steady]))
    assert part == pytest.approx(whole / np.sqrt(3.0), rel=0.01)  # a third of the time


def test_too_short_a_trace_says_so() -> None:
    """Under five seconds of trace there is no figure but a reason."""
    time_s = np.arange(100) / RATE
    found = hunting(time_s, np.zeros(100), np.ones(100, dtype=np.bool_))
    assert found.stops is None
    assert "5 s are needed" in str(found.reason)


def test_a_broken_trace_says_that_it_is_broken() -> None:
    """Ten seconds of trace in pieces of two are not called no trace at all."""
    time_s = np.arange(300) / RATE
    trace = np.where(np.arange(300) % 60 < 55, 0.0, np.nan)
    reason = str(hunting(time_s, trace, np.ones(300, dtype=np.bool_)).reason)
    assert reason == "the exposure trace is 0.0 s long in unbroken stretches of 3 s or more, 5 s are needed"


# Alias of mains lamps |f - n x rate|: arithmetic; the 0.11988 Hz of 60 Hz lamps at 59.94 fields/s is the classic slow beat
ALIASES = [
    (100.0, 25.0, 0.0), (100.0, 30000 / 1001, 10.0899), (100.0, 30.0, 10.0), (100.0, 60000 / 1001, 19.8801),
    (120.0, 25.0, 5.0), (120.0, 30000 / 1001, 0.11988), (120.0, 50.0, 20.0), (120.0, 60000 / 1001, 0.11988),
    (120.0, 90.0, 30.0), (100.0, 90.0, 10.0),
]  # fmt: skip


@pytest.mark.parametrize(("lamp", "rate", "alias"), ALIASES)
def test_alias_table(lamp: float, rate: float, alias: float) -> None:
    """Lamps at twice the mains frequency show at the published beat."""
    assert alias_hz(lamp, rate) == pytest.approx(alias, abs=1e-4)


@given(st.floats(20.0, 240.0), st.floats(90.0, 130.0))
def test_alias_is_within_half_the_rate(rate: float, lamp: float) -> None:
    """No alias is faster than half the frame rate."""
    assert 0.0 <= alias_hz(lamp, rate) <= rate / 2 + 1e-9


@pytest.mark.parametrize(("lamp", "rate"), [(100.0, 30.0), (120.0, 25.0), (100.0, 30000 / 1001), (120.0, 60000 / 1001)])
def test_mains_beat_is_named(lamp: float, rate: float) -> None:
    """The beat of lamps in the level is found with its lamp and amplitude, amid noise and drift of the scene."""
    time_s, walk = wandering(60.0, 5, sigma=0.02, rate=rate)
    level = 30.0 + walk + 0.8 * np.sin(2 * np.pi * lamp * time_s)
    found = flicker(time_s, level, np.ones(len(time_s), dtype=np.bool_), rate)
    assert found is not None
    assert found.lamp_hz == lamp
    assert found.level_percent == pytest.approx(0.8, rel=0.2)


def test_no_beat_in_a_level_that_wanders() -> None:
    """A level that only follows its scene has no beat."""
    time_s, walk = wandering(30.0, 6, sigma=0.3)
    assert flicker(time_s, 30.0 + walk, np.ones(len(time_s), dtype=np.bool_), 30.0) is None


def test_work_grows_with_length_and_not_with_its_square(monkeypatch: pytest.MonkeyPatch) -> None:
    """A trace twice as long takes twice the work, and a swing through ten minutes is found as it is in one."""
    work: list[int] = []
    plain = hunting_module._powers

    def counted(even: np.ndarray, number: np.ndarray, count: int) -> np.ndarray:
        work.append(len(even) + count)
        return plain(even, number, count)

    monkeypatch.setattr(hunting_module, "_powers", counted)
    totals = []
    for seconds in (300.0, 600.0):
        work.clear()
        time_s, trace = wandering(seconds, 1, sigma=0.02, rate=10.0)
        found = hunting(time_s, trace + 0.3 * np.sin(2 * np.pi * time_s / 1.5), np.ones(len(time_s), dtype=np.bool_))
        assert found.period_s == pytest.approx(1.5, rel=0.05)
        assert found.stops == pytest.approx(0.6, rel=0.2)
        totals.append(sum(work))
    assert totals[1] == pytest.approx(2 * totals[0], rel=0.15)
