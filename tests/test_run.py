"""Finding the flights among what a user names, doing them one by one or several at a time, loading saved ones."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from flight_material import HEIGHT, WIDTH, record_of, timeline_of, write_flight
from hypothesis import example, given
from hypothesis import strategies as st

from fieldscore.analyse import measure_flight
from fieldscore.criteria import Criteria
from fieldscore.errors import NoClipsError, ResultsError
from fieldscore.measure import Column
from fieldscore.measures import LATER_COLUMNS, TRACE_COLUMNS
from fieldscore.report import write_flight as save
from fieldscore.run import Job, Outcome, _names, evidence_pictures, find_jobs, load_saved, run_job
from fieldscore.score import score_flight
from fieldscore.split import run_jobs
from fieldscore.timeline import Timeline


def _quiet(number: int, at_s: float, of_s: float | None) -> None:
    """Nobody watches."""


def _saved(directory: Path, name: str = "made") -> Path:
    record = replace(record_of(timeline_of(300)), name=name)
    return save(score_flight(record, Criteria()), directory, {})


def test_clips_folders_and_results_are_told_apart(tmp_path: Path) -> None:
    """Of a clip, a folder of clips, a results folder and a folder of those, each becomes the jobs it stands for."""
    clip = write_flight(tmp_path / "one.mp4", 20)
    (tmp_path / "card").mkdir()
    inside = write_flight(tmp_path / "card" / "two.mp4", 20)
    results = [_saved(tmp_path / "out", name) for name in ("lap a", "lap b")]
    jobs, left_out = find_jobs([clip, tmp_path / "card", tmp_path / "out"], tmp_path / "new", Criteria())
    assert left_out == []
    assert sorted(job.saved for job in jobs if job.saved) == sorted(results)
    assert [job.files for job in jobs if not job.saved] == [(clip,), (inside,)]
    assert [job.title for job in jobs] == [*(path.name for path in sorted(results)), "one.mp4", "two.mp4"]
    for name in (results[0], results[0] / "flight.json", results[0] / "timeline.csv"):
        ((only,), _) = find_jobs([name], tmp_path / "new", Criteria())
        assert only.saved == name


def test_every_job_has_what_the_user_asked(tmp_path: Path) -> None:
    """Rate, airtime, criteria and output reach each job, measured or loaded."""
    criteria = replace(Criteria(), rose_k=4.0)
    names = [write_flight(tmp_path / "one.mp4", 20), _saved(tmp_path / "out")]
    jobs, _ = find_jobs(names, tmp_path / "new", criteria, frame_rate=50.0, from_s=1.0, to_s=2.0)
    assert len(jobs) == 2
    for job in jobs:
        assert (job.output, job.criteria, job.frame_rate, job.from_s, job.to_s) == (
            tmp_path / "new", criteria, 50.0, 1.0, 2.0,
        )  # fmt: skip


def test_nothing_to_do_is_said(tmp_path: Path) -> None:
    """A folder without a clip is either refused or listed as left out, by name; never silently nothing."""
    (tmp_path / "empty").mkdir()
    try:
        jobs, left_out = find_jobs([tmp_path / "empty"], tmp_path / "new", Criteria())
    except NoClipsError as error:
        assert "empty" in str(error)
    else:
        assert jobs == []
        assert [path.name for path, _ in left_out] == ["empty"]
        assert all(reason for _, reason in left_out)


def test_parts_are_joined_unless_asked_apart(tmp_path: Path) -> None:
    """Two parts are one job with both files in order; --separate makes two of them with names of their own."""
    parts = [write_flight(tmp_path / f"lap_part{number}.mp4", 20, seed=number) for number in (2, 1)]
    (joined,), _ = find_jobs(parts, tmp_path, Criteria())
    assert [path.name for path in joined.files] == ["lap_part1.mp4", "lap_part2.mp4"]
    apart, _ = find_jobs(parts, tmp_path, Criteria(), separate=True)
    assert sorted(str(job.name) for job in apart) == ["lap_part1", "lap_part2"]


def test_equal_names_get_their_folders(tmp_path: Path) -> None:
    """Clips of the same name from two cards are told apart by their folder; of the same folder by a number."""
    flights = [[Path(name)] for name in ("/card1/0001.mp4", "/card2/0001.mp4", "/card2/0001.mov", "/card2/0002.mp4")]
    assert _names(flights) == ["card1 0001", "card2 0001", "card2 0001 3", "0002"]


@given(st.lists(st.tuples(st.sampled_from("ab"), st.sampled_from(["x", "y", "a x", "b x", "a x 2", "b x 3"]),
                          st.sampled_from([".mp4", ".mov", ".avi"])), max_size=8, unique=True))  # fmt: skip
@example([("b", "b x 3", ".mp4"), ("b", "x", ".mp4"), ("b", "x", ".mov")])
def test_no_two_flights_of_a_run_share_a_name(places: list[tuple[str, str, str]]) -> None:
    """Whatever the folders and names, each flight of a run has a name of its own."""
    names = _names([[Path("/") / folder / f"{stem}{suffix}"] for folder, stem, suffix in places])
    assert len(set(names)) == len(places)


def test_a_failure_of_the_input_is_an_outcome(tmp_path: Path) -> None:
    """A missing clip, results of damaged data and an output that is a file each end as one line, not as an exception."""
    clip = write_flight(tmp_path / "one.mp4", 20)
    folder = _saved(tmp_path / "out")
    (folder / "timeline.csv").write_text("time_s\n")
    (tmp_path / "file").write_text("")
    for job, word in (
        (Job((tmp_path / "gone.mp4",), None, tmp_path / "new", Criteria()), "gone.mp4"),
        (Job((), folder, tmp_path / "new", Criteria()), "timeline.csv"),
        (Job((clip,), None, tmp_path / "file", Criteria()), "file"),
    ):
        outcome = run_job(job)
        assert outcome.error is not None
        assert word in outcome.error
        assert "\n" not in outcome.error
        assert (outcome.result, outcome.folder, outcome.summary) == (None, None, ())


def test_a_bug_of_ours_keeps_its_traceback(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is not the input's fault is not made into a line: it comes through."""

    def broken(*arguments: object, **options: object) -> None:
        raise ZeroDivisionError("ours")

    monkeypatch.setattr("fieldscore.run.score_flight", broken)
    with pytest.raises(ZeroDivisionError, match="ours"):
        run_job(Job((), _saved(tmp_path / "out"), tmp_path / "new", Criteria()))


def test_the_outcome_is_what_was_written(tmp_path: Path) -> None:
    """The result handed back is the flight.json on disk, and the summary names the flight."""
    outcome = run_job(Job((write_flight(tmp_path / "lap.mp4", 40),), None, tmp_path / "new", Criteria(), name="lap"))
    assert outcome.folder == tmp_path / "new" / "lap"
    assert json.loads((outcome.folder / "flight.json").read_text()) == outcome.result
    assert outcome.summary[0] == "lap"


def test_jobs_come_back_under_their_numbers(tmp_path: Path) -> None:
    """One at a time, each job's number comes with its own outcome, failures between, and progress under that number."""
    watched: set[int] = set()
    clips = [write_flight(tmp_path / "a.mp4", 70), tmp_path / "gone.mp4", write_flight(tmp_path / "b.mp4", 70, seed=2)]
    jobs = [Job((clip,), None, tmp_path / "new", Criteria(), name=clip.stem) for clip in clips]
    done: dict[int, Outcome] = dict(run_jobs(jobs, 1, lambda number, at, of: watched.add(number)))
    assert sorted(done) == [0, 1, 2]
    assert [done[number].error is None for number in range(3)] == [True, False, True]
    assert {number: done[number].folder and done[number].folder.name for number in (0, 2)} == {0: "a", 2: "b"}
    assert watched == {0, 2}


def test_the_order_does_not_depend_on_who_is_first(tmp_path: Path) -> None:
    """Two at a time, a long flight before a short one comes out before it."""
    clips = [
        write_flight(tmp_path / f"{name}.mp4", count) for name, count in (("long", 200), ("short", 20), ("mid", 40))
    ]
    jobs = [Job((clip,), None, tmp_path / "new", Criteria(), name=clip.stem) for clip in clips]
    assert [outcome.title for _, outcome in run_jobs(jobs, 2, _quiet)] == ["long.mp4", "short.mp4", "mid.mp4"]


def _saved_without(name: str, directory: Path) -> Path:
    """Results saved without a column."""
    timeline = timeline_of(300)
    less = Timeline(
        timeline.time_s,
        {one: data for one, data in timeline.values.items() if one != name},
        tuple(column for column in timeline.columns if column.name != name),
        timeline.provenance,
    )
    return save(replace(score_flight(record_of(timeline), Criteria()), record=record_of(less)), directory, {})


def test_saved_results_without_a_column_are_refused(tmp_path: Path) -> None:
    """Results of a version that measured less cannot be scored as if they had it: the column is named, with what to do."""
    last = TRACE_COLUMNS[-1].name
    with pytest.raises(ResultsError, match=f"'{last}'; score the clip again"):
        load_saved(_saved_without(last, tmp_path))


@pytest.mark.parametrize("later", LATER_COLUMNS, ids=lambda column: column.name)
def test_saved_results_without_a_later_column_are_scored(tmp_path: Path, later: Column) -> None:
    """A column that came later and can be done without is unknown in every row, and the flight is scored."""
    record = load_saved(_saved_without(later.name, tmp_path))
    assert np.isnan(record.timeline[later.name]).all()
    assert later in record.timeline.columns
    assert score_flight(record, Criteria()).events == ()


def test_criteria_may_change_after_the_pass(tmp_path: Path) -> None:
    """Saved results scored with a stricter threshold give a share no larger, as the video would."""
    clip = write_flight(tmp_path / "lap.mp4", 60)
    record = measure_flight([clip])
    folder = save(score_flight(record, Criteria()), tmp_path / "out", {})
    shares = []
    for threshold in (1.0, 60.0, 100.0):
        criteria = replace(Criteria(), usable_zone_readable_percent=threshold)
        outcome = run_job(Job((), folder, tmp_path / f"new{threshold:g}", criteria))
        assert outcome.result is not None
        assert outcome.result["criteria"]["usable_zone_readable_percent"] == threshold
        assert outcome.result["usable"]["share"] == pytest.approx(score_flight(record, criteria).usable.share, abs=1e-4)
        shares.append(outcome.result["usable"]["share"])
    assert shares == sorted(shares, reverse=True)


def test_evidence_shows_the_frame_of_its_time(tmp_path: Path) -> None:
    """The picture kept for a moment is the frame of that time, as displayed: a ramp of levels tells which."""
    planes = [np.full((HEIGHT, WIDTH), 40 + 3 * number, np.uint8) for number in range(60)]
    clip = write_flight(tmp_path / "ramp.mp4", planes=planes)
    record = measure_flight([clip])
    times = [0.0, 0.5, 59 / 30]
    shown = evidence_pictures(Job((clip,), None, tmp_path, Criteria()), record.clip.code_range, times)
    assert sorted(shown) == times
    for time_s, data in shown.items():
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert picture.shape == (HEIGHT, WIDTH)
        code = 40 + 3 * round(time_s * 30)
        assert picture.mean() == pytest.approx((code - 16) * 255 / 219, abs=3.0)  # a frame more is 3.5
