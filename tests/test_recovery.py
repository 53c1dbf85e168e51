"""Recovery times against closed forms and reference step responses, their bounds, and summaries of repeats."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from flight_material import record_of, timeline_of
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldscore import Criteria, cli, compare_times, score_flight
from fieldscore.compare_times import difference, repeats
from fieldscore.recovery import exposure_back_s, flash_events, recovery_bounds, settled_level, time_constant
from fieldscore.report import recovery as recovery_report
from fieldscore.timeline import Timeline

SETTLED = 40.0
Doubles = npt.NDArray[np.float64]


def rows_after(response: object, rate: float, phase: float, length_s: float = 6.0) -> tuple[Doubles, Doubles, float]:
    """Times and levels of the frames after an edge at 0, the first `phase` of a frame later; and the time before."""
    time_s = (phase + np.arange(int(length_s * rate))) / rate
    return time_s, np.asarray(response(time_s)), float(time_s[0] - 1 / rate)  # type: ignore[operator]


def first_order(tau: float, start: float = 0.0) -> object:
    return lambda t: SETTLED + (start - SETTLED) * np.exp(-t / tau)


@pytest.mark.parametrize("rate", [25.0, 29.97, 60.0, 120.0])
@pytest.mark.parametrize("tau", [0.1, 0.25, 0.6])
@pytest.mark.parametrize("phase", [0.01, 0.5, 0.99])
def test_first_order(rate: float, tau: float, phase: float) -> None:
    """A first-order recovery from black takes ln(10) tau to the 10 % band: within half a frame, bounds around it."""
    # closed form: 10 % band = ln(10) tau = 2.302585 tau (check: control theory, any textbook)
    time_s, level, before = rows_after(first_order(tau), rate, phase)
    bounds, reason = recovery_bounds(time_s, level, SETTLED, 0.0, before)
    assert reason is None
    assert bounds is not None
    back, low, high = bounds
    truth = math.log(10.0) * tau
    assert low <= truth <= high
    assert back == pytest.approx(truth, abs=0.55 / rate)


@pytest.mark.parametrize("stops", [2.0, 4.0, 6.0])
def test_log_domain(stops: float) -> None:
    """A camera that comes back exponentially in stops: from S stops to within a band of b stops takes tau ln(S / b)."""
    # check values: to half a stop tau ln(2 S); here b is what 10 % of level is under a plain power curve of 1/2.2
    tau, gamma = 0.2, 2.2
    band = -gamma * math.log2(0.9)
    time_s, level, before = rows_after(lambda t: SETTLED * 2 ** (-stops * np.exp(-t / tau) / gamma), 60.0, 0.3)
    bounds, _ = recovery_bounds(time_s, level, SETTLED, 0.0, before)
    assert bounds is not None
    truth = tau * math.log(stops / band)
    assert bounds[1] <= truth <= bounds[2]
    assert bounds[0] == pytest.approx(truth, abs=0.6 / 60)


@pytest.mark.parametrize("damping", [0.2, 0.4, 0.6, 0.8, 1.0])
def test_second_order_against_a_reference(damping: float) -> None:
    """Settling to 10 % and overshoot agree with python-control's step_info on a fine grid within a frame."""
    control = pytest.importorskip("control")
    natural = 8.0
    system = control.tf([natural**2], [1, 2 * damping * natural, natural**2])
    fine = np.linspace(0, 6, 60001)
    # its automatic grid is too coarse, and on data it assumes a start at 0: normalised, with a fine grid of our own
    info = control.step_info(system, timepts=fine, SettlingTimeThreshold=0.1)
    _, response = control.step_response(system, fine)
    time_s, level, before = rows_after(lambda t: SETTLED * np.interp(t, fine, response), 120.0, 0.5)
    bounds, _ = recovery_bounds(time_s, level, SETTLED, 0.0, before)
    assert bounds is not None
    # ours ends at the first stay of half a second; at this speed swings are shorter, so both mean the last entry
    assert bounds[0] == pytest.approx(info["SettlingTime"], abs=1.0 / 120)
    assert 100 * max(level.max() - SETTLED, 0) / SETTLED == pytest.approx(info["Overshoot"], abs=0.5)


def test_error_of_a_duration() -> None:
    """Over all phases the error's spread is under that of a duration read off frames, T / sqrt(6)."""
    # duration error T / sqrt(6) = 13.608 ms at 30 a second (check values, simulated there); crossings are interpolated here
    generator = np.random.default_rng(2)
    errors = []
    for _ in range(300):
        tau, phase = generator.uniform(0.1, 0.4), generator.uniform(0, 1)
        time_s, level, before = rows_after(first_order(tau), 30.0, phase)
        bounds, _ = recovery_bounds(time_s, level, SETTLED, 0.0, before)
        assert bounds is not None
        errors.append(bounds[0] - math.log(10.0) * tau)
    assert np.std(errors) < 1 / 30 / math.sqrt(6)
    assert abs(np.mean(errors)) < 0.002


@given(
    st.floats(0.05, 0.5),
    st.floats(0.0, 0.999),
    st.sampled_from([25.0, 30.0, 60.0]),
    st.floats(0.0, 0.4),
    st.integers(0, 99),
)
@settings(max_examples=60, deadline=None)
def test_bounds_hold_the_truth_under_noise(tau: float, phase: float, rate: float, sigma: float, seed: int) -> None:
    """Whatever loop, phase, rate and noise up to a tenth of the band, the truth lies within the bounds, a frame let go."""
    time_s, level, before = rows_after(first_order(tau, start=5.0), rate, phase)
    level = level + sigma * np.random.default_rng(seed).standard_normal(len(level))
    settled, found, reason = settled_level(time_s, level)
    assert reason is None
    bounds, _ = recovery_bounds(time_s, level, settled, found, before)
    assert bounds is not None
    truth = tau * math.log((SETTLED - 5.0) / (0.1 * SETTLED))
    assert bounds[1] - 1 / rate <= truth <= bounds[2] + 1 / rate


@pytest.mark.parametrize("tau", [0.08, 0.2, 0.5])
def test_time_constant_of_an_exponential(tau: float) -> None:
    """The fitted time constant is the true one within 3 %; a straight ramp has none."""
    time_s, level, _ = rows_after(first_order(tau), 60.0, 0.4)
    assert time_constant(time_s, level, SETTLED, 0.05) == pytest.approx(tau, rel=0.03)
    ramp = np.minimum(10.0 + 30.0 * time_s, SETTLED)
    assert math.isnan(time_constant(time_s, ramp, SETTLED, 0.05))


def test_what_cannot_be_resolved_says_why() -> None:
    """Too short, still drifting, too noisy, at the floor: no figure but a reason."""
    time_s = np.arange(90) / 30
    assert "too short" in str(settled_level(time_s[:20], np.full(20, 40.0))[2])
    assert "drifting" in str(settled_level(time_s, 20 + 8 * time_s)[2])
    assert "let light and dark last 3 s each" in str(settled_level(time_s[:20], np.full(20, 40.0))[2])
    noisy = 10 + np.random.default_rng(1).normal(0, 1.0, 90)
    assert "noise" in str(settled_level(time_s, noisy)[2])
    assert "floor" in str(settled_level(time_s, np.zeros(90))[2])
    with_hole = np.concatenate([time_s[:60], [time_s[59] + 2.0]])
    assert "1 of 5 frames needed in the last second" in str(settled_level(with_hole, np.full(61, 40.0))[2])
    swings = SETTLED * (1 + 0.3 * np.sin(2 * np.pi * 3 * time_s))
    assert "does not stay" in str(recovery_bounds(time_s, swings, SETTLED, 0.0, -1 / 30)[1])


def test_drift_is_told_in_the_unit_of_its_limit() -> None:
    """A drift of 4 points a second at a level of 50 is 8 % of it; a longer pulse is asked for only where it was short."""
    for length_s, longer in ((2.1, True), (6.0, False)):
        time_s = np.arange(0.0, length_s, 1 / 30)
        reason = str(settled_level(time_s, 50 + 4 * (time_s - time_s[-1] + 0.5))[2])
        assert reason.startswith("still drifting by 8.0 % of the settled level a second; 5 % is allowed")
        assert reason.endswith("let light and dark last 3 s each") is longer


def test_gain_first_then_shutter() -> None:
    """A recovery in two stages ends when the level stays, not when it first passes through the band."""
    time_s = np.arange(180) / 30
    level = np.full(180, SETTLED)
    level[:6] = 10.0
    level[6:12] = 39.0  # gain brings it back for 0.2 s ...
    level[12:30] = 55.0  # ... then the shutter overshoots
    bounds, _ = recovery_bounds(time_s, level, SETTLED, 0.0, -1 / 30)
    assert bounds is not None
    assert bounds[1] <= 30 / 30 <= bounds[2]


def test_a_recording_that_starts_blown_out_is_an_event() -> None:
    """A still clip that begins far from where it settles has a start-up event; one that begins there has none."""
    rows = np.arange(240) / 30
    level = SETTLED + 50 * np.exp(-rows / 0.3)
    timeline = timeline_of(240, level_percent=level, motion_percent=0.2)
    nothing, readable = np.zeros(240, dtype=np.bool_), np.ones(240, dtype=np.bool_)
    events = flash_events(timeline, Criteria(), level, nothing, readable)
    assert [event.kind for event in events] == ["start_up"]
    assert events[0].recovery_s == pytest.approx(0.3 * math.log(50 / 4), abs=1 / 30)
    calm = np.full(240, SETTLED)
    assert (
        flash_events(timeline_of(240, level_percent=calm, motion_percent=0.2), Criteria(), calm, nothing, readable)
        == []
    )


def test_a_steady_start_is_no_event() -> None:
    """A still clip whose level keeps for two seconds and goes to another by and by did not start up there."""
    level = SETTLED + 50 * np.clip(np.arange(240) / 30 - 2.0, 0.0, 1.0)
    timeline = timeline_of(240, level_percent=level, motion_percent=0.2)
    nothing, readable = np.zeros(240, dtype=np.bool_), np.ones(240, dtype=np.bool_)
    assert flash_events(timeline, Criteria(), level, nothing, readable) == []
    blown = timeline_of(240, (0, 60, {"clipped_percent": 99.0}), level_percent=130.0 - level, motion_percent=0.2)
    found = flash_events(blown, Criteria(), 130.0 - level, nothing, readable)
    assert [event.kind for event in found] == ["start_up"]


def test_light_that_goes_on_changing_for_longer_than_a_camera_starts_is_no_start_up() -> None:
    """A level that takes ten seconds to where it stays is not a camera's that starts; one that takes four may be."""
    for length_s, kinds in ((10.0, []), (4.0, ["start_up"])):
        level = 70.0 - 30.0 * np.clip(np.arange(450) / 30 / length_s, 0.0, 1.0)
        timeline = timeline_of(450, level_percent=level, motion_percent=0.2)
        nothing, readable = np.zeros(450, dtype=np.bool_), np.ones(450, dtype=np.bool_)
        assert [event.kind for event in flash_events(timeline, Criteria(), level, nothing, readable)] == kinds


def test_an_exposure_is_back_within_three_tenths_of_a_stop() -> None:
    """An exposure that goes back by two stops as exp(-t / 0.5 s) is back after 0.5 ln(2 / 0.3) s; not known, at the end."""
    time_s = np.arange(240) / 30
    exposure = np.where(time_s < 2.0, 0.0, -2.0 * np.exp(-(time_s - 2.0) / 0.5))
    back = exposure_back_s(timeline_of(240, exposure_stops=exposure), 2.0, 6.0)
    assert back == pytest.approx(2.0 + 0.5 * math.log(2.0 / 0.3), abs=1.5 / 30)
    assert exposure_back_s(timeline_of(240, exposure_stops=np.nan), 2.0, 6.0) == 6.0


@pytest.mark.parametrize(
    ("steady_s", "frames", "started"),
    [
        (0.6, 1, True),
        (1.1, 30, True),  # a loop that is dead for a second and then opens
        (1.6, 8, True),
        (1.6, 2, False),  # a lamp lit before a camera that stood there
        (1.6, 1, False),
        (2.2, 30, False),  # no loop is dead for so long
    ],
)
def test_a_loop_that_is_dead_at_first_is_a_start_up(steady_s: float, frames: int, started: bool) -> None:
    """A level that keeps for a second and then goes where it settles by and by is a camera's; one that steps is a lamp's."""
    level = 8.0 + (SETTLED - 8.0) * np.clip((np.arange(240) - round(30 * steady_s) + 1) / frames, 0.0, 1.0)
    timeline = timeline_of(240, level_percent=level, motion_percent=0.2)
    nothing, readable = np.zeros(240, dtype=np.bool_), np.ones(240, dtype=np.bool_)
    found = flash_events(timeline, Criteria(), level, nothing, readable)
    assert [event.kind for event in found] == (["start_up"] if started else [])


def two_pulses() -> Timeline:
    """Light that goes out at rows 60 and 180, seen, and comes on at row 120, not seen."""
    level = np.full(240, SETTLED)
    for row in (60, 180):
        level[row : row + 60] -= 25.0 * np.exp(-np.arange(60) / 5.0)
    level[120:180] += 12.0 * np.exp(-np.arange(60) / 15.0)
    down = {"dimmed_percent": 80.0, "brightened_percent": 0.0, "fall_codes": 90.0, "rise_codes": 2.0, "likeness": 0.8}
    quiet = {"brightened_percent": 0.5, "dimmed_percent": 0.5, "rise_codes": 3.0, "fall_codes": 3.0}
    missed = {"brightened_percent": 90.0, "dimmed_percent": 2.0, "likeness": 0.2}
    stretches = ((60, 61, down), (120, 121, missed), (180, 181, down))
    return timeline_of(240, *stretches, level_percent=level, motion_percent=0.2, **quiet)


def test_a_recovery_ends_where_the_next_light_was_missed() -> None:
    """What a light that came on unseen did is no overshoot of the recovery before it."""
    timeline = two_pulses()
    nothing, readable = np.zeros(240, dtype=np.bool_), np.ones(240, dtype=np.bool_)
    events = flash_events(timeline, Criteria(), timeline["level_percent"], nothing, readable)
    assert [event.kind for event in events] == ["flash_off", "flash_off"]
    for event in events:
        assert event.overshoot_percent == pytest.approx(0.0, abs=0.5)
        assert event.recovery_s == pytest.approx(5 / 30 * math.log(25 / 4), abs=1 / 30)


def test_black_grey_and_first_usable_frames() -> None:
    """Frames under 5 % after the edge and the first usable moment are counted from it; none is greyed out by light that went."""
    rows = np.arange(240) / 30
    level = np.full(240, SETTLED)
    level[100:] = SETTLED * (1 - np.exp(-(rows[100:] - rows[100] + 0.01) / 0.2))
    down = {"dimmed_percent": 80.0, "brightened_percent": 0.0, "fall_codes": 90.0, "rise_codes": 2.0, "likeness": 0.8}
    quiet = {
        "motion_percent": 0.2,
        "brightened_percent": 0.5,
        "dimmed_percent": 0.5,
        "rise_codes": 3.0,
        "fall_codes": 3.0,
    }
    level[150:156] = 70.0
    flat = {"p5_percent": level - 1.0, "p95_percent": level + 1.0}
    timeline = timeline_of(240, (100, 101, down), level_percent=level, **flat, **quiet)
    readable = np.ones(240, dtype=np.bool_)
    readable[100:108] = False
    (event,) = flash_events(timeline, Criteria(), level, np.zeros(240, dtype=np.bool_), readable)
    assert event.kind == "flash_off"
    assert event.grey_frames == 0
    assert event.black_frames == int(np.count_nonzero(level[100:] < 5.0)) >= 1
    assert event.first_readable_s == pytest.approx(8.5 / 30, abs=0.003)
    assert event.unreadable_percent == pytest.approx(8.0)  # the table's tiles are 92 % readable throughout
    assert event.undershoot_percent == pytest.approx(100 * (1 - level[100] / SETTLED), abs=1.0)


def test_the_report_tells_of_a_light_missed_and_of_which_way_levels_went() -> None:
    """Two light-offs in a row say between when a light-on was missed; over and under are told apart from a share of the level."""
    test = recovery_report.Tested("north", "north.mp4", score_flight(record_of(two_pulses()), Criteria()), {})
    told = "between 0:02.0 and 0:06.0 a light on was missed"
    assert f"  {told}" in recovery_report.recovery_lines([test])
    assert f"{told} (north)" in recovery_report.recovery_json([test])["notes"]
    cells = recovery_report.event_cells(test.events("flash_off")[0])
    assert (cells["over"], cells["under"][:3]) == ("0.0 %", "-62")


def test_median_of_repeats() -> None:
    """The interval of a median is that of its order statistics: six values are the fewest, of ten it is the 2nd to the 9th."""
    # binomial: P(fewer than 2 of 10 below the median) = 11/1024 = 0.0107, of 3: 0.0547 (exact)
    assert repeats([1, 2, 3, 4, 5]).ci95 is None
    assert repeats([6, 1, 5, 2, 4, 3]).ci95 == (1, 6)
    assert repeats(range(1, 11)).ci95 == (2, 9)
    assert repeats([]).median is None


def test_hodges_lehmann_worked_example() -> None:
    """The two-sample shift of the published example is 0.305, its 95 % interval -0.15 to 0.76."""
    # Hollander and Wolfe 1973, permeability data; interval as given by an independent implementation, from memory
    term = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
    early = [1.15, 0.88, 0.90, 0.74, 1.21]
    found = difference(early, term)
    assert found is not None
    assert found.shift == pytest.approx(0.305)
    assert found.ci95 == pytest.approx((-0.15, 0.76))
    back = difference(term, early)
    assert back is not None
    assert back.shift == pytest.approx(-found.shift)


@pytest.mark.parametrize(
    ("first", "second", "interval"),
    [(3, 3, False), (4, 4, True), (4, 3, False), (1, 39, False), (3, 50, False), (50, 3, False), (4, 50, True)],
)
def test_few_repeats_give_no_interval(first: int, second: int, interval: bool) -> None:
    """Four repeats each are the fewest that give an interval on the difference; fewer never do, beside however many."""
    found = difference(list(np.arange(first) / 100), list(1 + np.arange(second) / 100))
    assert found is not None
    assert (found.ci95 is not None) == interval
    assert difference([], [1.0]) is None


def test_hundreds_of_repeats_are_compared() -> None:
    """Of 600 and 600 values the interval is that of the normal distribution: 1.96 sqrt(2 / 600 x pi / 3) about the shift.

    Of 71 and 71 as exact to one rank: Hollander and Wolfe, chapter 4. sqrt(pi / 3) is the rank test's loss on normal values.
    """
    rng = np.random.default_rng(1)
    found = difference(rng.normal(size=600).tolist(), (1.0 + rng.normal(size=600)).tolist())
    assert found is not None and found.ci95 is not None
    assert found.ci95[0] < 1.0 < found.ci95[1]
    assert np.diff(found.ci95)[0] == pytest.approx(2 * 1.96 * np.sqrt(2 / 600 * np.pi / 3), rel=0.1)
    exact, near = compare_times._mann_whitney_left(70, 71), compare_times._mann_whitney_left(71, 71)
    assert 0 < near - exact < 60
    assert compare_times._mann_whitney_left(4, 4) == 1  # 1 in 70; two would be 2 in 70, over 2.5 %
    few, many = ([0.0, 1.0, 2.0, 3.0], list(range(10, 20_010)))
    for found in (difference(few, many), difference(many, few)):
        assert found is not None and found.ci95 is not None


def _run(words: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> tuple[int, str, str]:
    monkeypatch.setattr("sys.argv", ["fieldscore", *words])
    try:
        cli.main()
        code = 0
    except SystemExit as stop:
        code = int(stop.code or 0)
    said = capsys.readouterr()
    return code, said.out, said.err


def test_the_command_writes_what_it_promises(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the demo's torch test: two flashes of three seconds, both recoveries measured, results written; labels are harmless."""
    import json

    from fieldscore.simulate import load_truth

    clip = Path(__file__).parent.parent / "clips" / "torch-test-camera-a.mp4"
    label = "<script>alert(1)</script>"
    code, out, err = _run(
        ["recovery", str(clip), "--label", label, "-o", str(tmp_path / "out"), "--json"], capsys, monkeypatch
    )
    assert (code, err) == (0, "")
    data = json.loads(out)
    assert data == json.loads((tmp_path / "out" / "recovery.json").read_text())
    assert data["schema"] == "fieldscore.recovery/1"
    (found,) = data["clips"]
    assert found["label"] == label
    truth = load_truth(clip).events
    assert [event["kind"] for event in found["events"]] == [event.kind for event in truth]
    for event, true in zip(found["events"], truth, strict=True):
        assert event["recovery_s"] == pytest.approx(true.recovery_s, abs=1 / 30)
        assert event["recovery_low_s"] <= true.recovery_s <= event["recovery_high_s"]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert label not in page
    assert not re.search(r'(?:src|href)="(?!data:|#)', page)


def test_labels_must_match_the_clips(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Two labels for one recording are wrong usage."""
    clip = Path(__file__).parent.parent / "clips" / "torch-test-camera-a.mp4"
    code, _, err = _run(["recovery", str(clip), "--label", "A", "--label", "B"], capsys, monkeypatch)
    assert code == 2
    assert "2 labels for 1 recording" in err
