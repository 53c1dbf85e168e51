"""The parts of benchmarks/ that compute: areas under curves, verdicts on events, tables."""

from __future__ import annotations

import dataclasses
import re
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmarks import accuracy, comparison, flights, pages, recovery, speed
from fieldscore.simulate import TrueEvent
from fieldscore.video import Encoding, Flight

PAGES = (accuracy, comparison, recovery, speed)


def test_auc_of_a_worked_example() -> None:
    """Three positives and four negatives: of twelve pairs ten are in order and one is tied, 10.5 / 12."""
    # Area = share of pairs in which the positive is higher, a tie counting half (Hanley and McNeil, Radiology 143:29, 1982).
    figure = np.array([0.9, 0.5, 0.4, 0.5, 0.3, 0.2, 0.1])
    positive = np.array([1, 1, 1, 0, 0, 0, 0], dtype=bool)
    pairs = [(p > n) + 0.5 * (p == n) for p in figure[positive] for n in figure[~positive]]
    assert sum(pairs) == 10.5
    assert accuracy.auc(figure, positive) == pytest.approx(10.5 / 12, abs=1e-12)


def test_auc_needs_both_classes() -> None:
    """With only one class there is no area: NaN, never 0 or 1."""
    assert np.isnan(accuracy.auc(np.arange(3.0), np.ones(3, dtype=bool)))
    assert np.isnan(accuracy.auc(np.arange(3.0), np.zeros(3, dtype=bool)))


@given(
    st.lists(st.tuples(st.integers(-20, 20), st.booleans()), min_size=2, max_size=40).filter(
        lambda rows: len({positive for _, positive in rows}) == 2
    )
)
def test_auc_is_the_share_of_ordered_pairs(rows: list[tuple[int, bool]]) -> None:
    """Whatever the figures, the area equals the count over all pairs, and turning the figure round mirrors it."""
    figure = np.array([value for value, _ in rows], dtype=float)
    positive = np.array([one for _, one in rows])
    difference = figure[positive][:, None] - figure[~positive][None, :]
    counted = float(np.mean((difference > 0) + 0.5 * (difference == 0)))
    assert accuracy.auc(figure, positive) == pytest.approx(counted, abs=1e-9)
    assert accuracy.auc(-figure, positive) == pytest.approx(1 - counted, abs=1e-9)


def _row(**changes: object) -> accuracy.Row:
    values: dict[str, object] = {
        "name": "a.mp4", "exposure": (0.091, 0.02, 3.114), "auc": 0.9904, "share_true": 0.48, "share_measured": 0.36,
        "share_by_curve": "30 to 50",
        "agreement": 0.87, "noise_camera": 3.24, "noise_left": 3.5, "noise_measured": 3.86, "airtime_s": 0.034,
        "floor": "16/235 (16/235)",
    }  # fmt: skip
    return accuracy.Row(**{**values, **changes})  # type: ignore[arg-type]


def test_accuracy_table() -> None:
    """Each row has a cell for each heading, figures with their units, and a dash where there is no area."""
    head, rule, first, second = accuracy.table([_row(), _row(name="b.mp4", auc=float("nan"))]).splitlines()
    assert head.count("|") == rule.count("|") == first.count("|") == second.count("|")
    assert first == (
        "| a.mp4 | 0.09 | 0.02 | 3.11 | 0.990 | 48 % | 36 % (30 to 50) | 87 % | 3.24 % | 3.50 % | 3.86 % "
        "| 0.03 s | 16/235 (16/235) |"
    )
    assert "| – |" in second
    assert "nan" not in second


@pytest.mark.parametrize("module", PAGES, ids=lambda module: module.__name__)
def test_a_page_has_one_place_for_the_table(module: SimpleNamespace) -> None:
    """The page that --write changes exists and holds both markers once, in order, with a table between."""
    page = (pages.DOCS / module.PAGE).read_text(encoding="utf-8")
    start, end = pages.START, pages.END
    assert (page.count(start), page.count(end)) == (1, 1)
    assert re.search(rf"{start}\n.*\|---\|.*\n{end}", page, re.DOTALL)


def test_tables_in_the_documents_are_of_this_program() -> None:
    """The headings that stand in the documents are those that the program writes today, and the flights are its own."""
    made_today = (
        (accuracy, accuracy.table([_row()])),
        (recovery, recovery.table([])),
        (comparison, comparison.table([_found()])),
    )
    for module, made in made_today:
        page = (pages.DOCS / module.PAGE).read_text(encoding="utf-8")
        shown = page.split(pages.START)[1].split(pages.END)[0].strip().splitlines()
        assert shown[:2] == made.splitlines()[:2], module.PAGE
        if module is accuracy:
            names = {case.name + case.suffix for case in flights.cases()}
            assert {line.split("|")[1].strip() for line in shown[2:]} == names


def test_the_table_of_the_dark_is_the_same_on_both_pages() -> None:
    """The accuracy page shows the dark's table as the dark's own page does."""
    own, shared = ((pages.DOCS / name).read_text(encoding="utf-8") for name in ("dark-accuracy.md", "accuracy.md"))
    copied = shared.split(pages.DARK_START)[1].split(pages.DARK_END)[0].strip()
    assert copied == own.split(pages.START)[1].split(pages.END)[0].strip()
    assert copied.count("\n") > 2


def test_flights_are_unlike_each_other() -> None:
    """Twelve flights with names and random seeds of their own; another seed changes every one of them."""
    first, second = flights.cases(0), flights.cases(1)
    assert len({case.name for case in first}) == len(first) == 12
    seeds = [case.plan.seed for case in (*first, *second)]
    assert len(set(seeds)) == len(seeds)
    assert {case.plan.world_seed for case in first} & {case.plan.world_seed for case in second} == set()


def test_recovery_cases() -> None:
    """The grid has no name twice, is the same for the same seed, and lies at another phase for another."""
    first, again, other = (list(recovery.cases(seed)) for seed in (3, 3, 4))
    names = [name for name, *_ in first]
    assert len(set(names)) == len(names)
    assert [plan for _, _, plan, _, _ in first] == [plan for _, _, plan, _, _ in again]
    phases = [[plan.flashes[0].on_s for _, _, plan, _, _ in cases] for cases in (first, other)]
    assert all(one != two for one, two in zip(*phases, strict=True))
    rate = {name: plan.frame_rate for name, _, plan, _, _ in first}
    in_frames = [plan.flashes[0].on_s * rate[name] % 1 for name, _, plan, _, _ in first]
    assert np.ptp(in_frames) > 0.5


def _event(kind: str, at_s: float, value: float | None = 0.4, width: float = 0.02) -> SimpleNamespace:
    low, high = (None, None) if value is None else (value - width, value + width)
    return SimpleNamespace(kind=kind, at_s=at_s, recovery_s=value, recovery_low_s=low, recovery_high_s=high)


def _judge(monkeypatch: pytest.MonkeyPatch, events: list[SimpleNamespace], *true: TrueEvent) -> recovery.Outcome:
    monkeypatch.setattr(recovery, "measure_flight", lambda paths: None)
    monkeypatch.setattr(recovery, "score_flight", lambda record, criteria: SimpleNamespace(events=events))
    truth = SimpleNamespace(time_s=np.arange(300) / 30, events=list(true))
    return recovery.judged("case", Path("a.mp4"), truth)  # type: ignore[arg-type]


def test_events_are_held_against_the_truth(monkeypatch: pytest.MonkeyPatch) -> None:
    """Found within one and a half frames and of the same kind, the rest is false; errors are in frames; bounds hold or not."""
    true = (TrueEvent("flash_on", 2.0, 0.5, 60.0, ""), TrueEvent("flash_off", 5.0, 0.4, 30.0, ""))
    events = [
        _event("start_up", 0.0),
        _event("flash_on", 2.04, 0.6),
        _event("flash_off", 5.01, 0.41),
        _event("flash_on", 5.0),
        _event("flash_off", 8.0),
    ]
    found = _judge(monkeypatch, events, *true)
    assert (found.true, found.found, found.false, found.resolvable) == (2, 2, 2, 2)
    assert found.errors_frames == pytest.approx((3.0, 0.3), abs=1e-9)
    assert found.covered == (False, True)


def test_an_edge_two_frames_off_is_missed_and_false(monkeypatch: pytest.MonkeyPatch) -> None:
    """An edge reported two frames from the true one does not count as found."""
    found = _judge(monkeypatch, [_event("flash_off", 5.067)], TrueEvent("flash_off", 5.0, 0.4, 30.0, ""))
    assert (found.found, found.false, found.errors_frames) == (0, 1, ())


def test_what_is_not_resolvable_has_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Found edges without a figure, measured or true, are counted as found and not as resolvable."""
    true = (TrueEvent("flash_on", 2.0, 0.5, 60.0, ""), TrueEvent("flash_off", 5.0, float("nan"), 30.0, "drifts"))
    found = _judge(monkeypatch, [_event("flash_on", 2.0, None), _event("flash_off", 5.0)], *true)
    assert (found.found, found.false, found.resolvable, found.covered) == (2, 0, 0, ())


def test_recovery_table_adds_up() -> None:
    """The last row holds the sums, the largest error whatever its sign, and the median of its size."""
    outcomes = [
        recovery.Outcome("a", 2, 2, 0, 2, (0.5, -1.5), (True, False)),
        recovery.Outcome("b", 2, 1, 3, 1, (0.25,), (True,)),
        recovery.Outcome("c", 2, 0, 0, 0, (), ()),
    ]
    lines = recovery.table(outcomes).splitlines()
    assert lines[2:5] == [
        "| a | 2 | 2 | 0 | 2 | 1.50 | 1/2 |",
        "| b | 2 | 1 | 3 | 1 | 0.25 | 1/1 |",
        "| c | 2 | 0 | 0 | 0 | – | 0/0 |",
    ]
    assert lines[5] == "| **all** | 6 | 3 | 3 | 3 | 1.50 (median 0.50) | 2/3 |"
    assert len({line.count("|") for line in lines}) == 1
    assert recovery.table([]).splitlines()[-1] == "| **all** | 0 | 0 | 0 | 0 | 0.00 (median 0.00) | 0/0 |"


def _found(**changes: object) -> comparison.Outcome:
    return dataclasses.replace(comparison.Outcome("dusk", "level_percent", 3.0, (2.0, 4.0), 50.0, 3.5), **changes)  # type: ignore[arg-type]


def test_comparison_table_counts_what_is_held() -> None:
    """A truth within the interval counts, one a tenth outside only within the shares' own error, one far off never."""
    outcomes = [_found(), _found(true=4.1), _found(true=9.0), _found(interval=None)]
    lines = comparison.table(outcomes).splitlines()
    assert [line.split("|")[7:9] for line in lines[2:6]] == [
        [" yes ", " yes "], [" **no** ", " yes "], [" **no** ", " **no** "], [" – ", " – "],
    ]  # fmt: skip
    assert "3 of 4 given" in lines[6]
    assert lines[6].endswith("| 1 of 3 | 2 of 3 |")
    assert len({line.count("|") for line in lines}) == 1


def _flown(along: object, level: object) -> SimpleNamespace:
    return SimpleNamespace(along_m=np.asarray(along), level_percent=np.asarray(level))


def test_true_difference_is_taken_at_the_same_metres() -> None:
    """Levels that follow the metre differ by what was added, whatever the speeds and wherever the flights begin."""
    first, second = np.arange(0.0, 100.0, 0.1), np.arange(7.0, 90.0, 0.25)
    flights_ = _flown(first, np.sin(first / 9)), _flown(second, np.sin(second / 9) + 4.0)
    assert comparison.true_difference(*flights_, "level_percent") == pytest.approx(4.0, abs=0.01)  # type: ignore[arg-type]


def test_laps_add_up() -> None:
    """Metres that begin anew after a lap go on from where the lap ended."""
    along = np.concatenate([np.arange(0.0, 120.0, 0.5), np.arange(0.0, 60.0, 0.5)])
    way = comparison.way_m(_flown(along, along))  # type: ignore[arg-type]
    np.testing.assert_allclose(way, np.arange(0.0, 180.0, 0.5), atol=1.0)


def test_coverage_of_independent_places() -> None:
    """Independent places: as many samples as places, an interval every time, and the truth in about 95 of 100."""
    first = comparison.coverage(40, 1).splitlines()[2].split("|")
    assert int(first[4]) >= 130
    assert first[5].strip() == "100 %"
    assert 85.0 <= float(first[6].strip(" %")) <= 100.0


def test_speed_clips_move_and_are_as_long_as_asked(tmp_path: Path) -> None:
    """A clip for timing holds as many pictures as its length says, each unlike the one before; a second call keeps it."""
    encoding = Encoding(codec="mjpeg", quality=4, pixel_format="yuvj422p", full_range=True)
    path = speed.write_clip(tmp_path / "a.avi", 640, 480, 30, 0.5, encoding)
    assert speed.decode(path) == 15
    planes = [frame.luma.astype(float) for frame in Flight([path]).frames()]
    assert all(np.abs(one - two).mean() > 1 for one, two in pairwise(planes))
    before = path.stat().st_mtime_ns
    assert speed.write_clip(path, 640, 480, 30, 2.0, encoding).stat().st_mtime_ns == before


def test_cost_is_measured_in_both_kinds_of_time() -> None:
    """The work is done once; CPU and wall seconds are both given, neither below zero."""
    calls: list[int] = []
    cpu, wall = speed.measured(lambda: calls.append(1))
    assert calls == [1]
    assert cpu >= 0.0
    assert wall >= 0.0
