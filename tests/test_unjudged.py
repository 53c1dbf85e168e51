"""Clips of which nothing can be judged: what can be measured is, the rest is null with a reason, up to the reports."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from flight_material import pictures, write_flight

from fieldscore import Criteria, measure_flight, score_flight
from fieldscore.report import flight_json, terminal_summary
from fieldscore.run import Job, run_job
from fieldscore.run_compare import run_compare
from fieldscore.video import Encoding


@pytest.mark.parametrize("shape", [(2, 2), (16, 16), (480, 8), (8, 1920)])
def test_of_a_picture_of_a_few_pixels_the_levels_are_measured(tmp_path: Path, shape: tuple[int, int]) -> None:
    """A clip too small to fly by gives its levels exactly; the rest is NaN, and no share of it is usable or lost."""
    planes = [np.full(shape, 60 + 4 * number, np.uint8) for number in range(10)]
    path = write_flight(tmp_path / "tiny.mkv", encoding=Encoding(codec="ffv1"), planes=planes)
    score = score_flight(measure_flight([path]), Criteria())
    # Narrow range, ITU-R BT.601: 16 is 0 %, 235 is 100 %
    expected = [100.0 * (60 + 4 * number - 16) / 219 for number in range(10)]
    assert score.record.timeline["level_percent"] == pytest.approx(expected, abs=1e-3)
    assert not score.record.timeline["crushed_percent"].any()
    assert not score.record.timeline["clipped_percent"].any()
    for name in ("noise_percent", "zone_readable_percent", "motion_percent", "exposure_stops"):
        assert np.isnan(score.record.timeline[name]).all()
    assert np.isnan(score.usable.share)
    assert not score.gaps
    assert "too small to fly by" in str(score.usable.reason)
    assert any("smaller than 32 px" in note for note in score.notes)


def test_a_single_picture_is_measured_and_not_judged(tmp_path: Path) -> None:
    """One picture has levels; share, airtime and what takes two pictures are null in flight.json, each with a reason."""
    score = score_flight(measure_flight([write_flight(tmp_path / "one.mp4", planes=pictures(1))]), Criteria())
    flight = flight_json(score)
    assert flight["clip"]["frames_measured"] == 1
    assert flight["measures"]["level_percent"]["median"] > 0.0
    empty = {"usable.share": flight["usable"]["share"], "airtime.from_s": flight["airtime"]["from_s"]}
    for place, value in {**empty, "measures.motion_percent": flight["measures"]["motion_percent"]["median"]}.items():
        assert value is None
        assert any(note.startswith(f"{place}:") for note in flight["notes"])
    assert "single picture" in " ".join(terminal_summary(score))


@pytest.mark.parametrize(("count", "shape"), [(1, (120, 160)), (4, (16, 16))])
def test_a_clip_without_a_share_gets_its_results_and_no_comparison(
    tmp_path: Path, count: int, shape: tuple[int, int]
) -> None:
    """Page, paper and table are written, the results load again to the same figures, and compare says why it cannot."""
    planes = [np.full(shape, 60 + 4 * number, np.uint8) for number in range(count)]
    clip = write_flight(tmp_path / "a.mkv", encoding=Encoding(codec="ffv1"), planes=planes)
    first = run_job(Job((clip,), None, tmp_path / "results", Criteria(), pdf=True))
    assert first.error is None
    assert first.folder is not None
    assert {"report.html", "report.pdf", "flight.json", "timeline.csv"} <= {one.name for one in first.folder.iterdir()}
    assert "nothing can be put down to a cause" in (first.folder / "report.html").read_text(encoding="utf-8")
    told = json.loads((first.folder / "flight.json").read_text(encoding="ascii"))["notes"]
    assert any(note.startswith("usable.lost_by_cause.") and "not looked for" not in note for note in told)
    again = run_job(Job((), first.folder, tmp_path / "again", Criteria()))
    assert again.result == first.result
    saved = Job((), first.folder, tmp_path / "compared", Criteria())
    compared = run_compare([saved, saved], ["one", "two"], 1, lambda number, at, of: None)
    assert compared.result is None
    assert any("a: cannot be compared" in line for line in compared.failures)
