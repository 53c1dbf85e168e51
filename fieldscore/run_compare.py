"""What `fieldscore compare` does: measure or load the flights, align every two, compare, write the results."""

from __future__ import annotations

import glob
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from fieldscore.align import align_all
from fieldscore.compare import compare_flights
from fieldscore.comparison import Comparison
from fieldscore.errors import FieldscoreError, NotMeasurableError, ResultsError
from fieldscore.pairing import Way, swapped, way_of
from fieldscore.record import Places
from fieldscore.report import comparison_json, comparison_lines, evidence_moments, write_comparison
from fieldscore.report.words import visible
from fieldscore.run import Job, evidence_pictures, load_saved, quiet_libraries, reader_died
from fieldscore.score import Score, score_flight
from fieldscore.showing import main_pair
from fieldscore.sidebyside import write_side_by_side
from fieldscore.split import run_jobs
from fieldscore.units import CodeRange
from fieldscore.video import Flight
from fieldscore.workers import Progress, Watch, run_task


@dataclass(frozen=True)
class CompareRun:
    """What became of a comparison: the data of comparison.json, lines for the terminal, failures, where the report is."""

    result: dict[str, Any] | None
    lines: list[str]
    failures: list[str]
    report: Path | None


def default_labels(jobs: Sequence[Job]) -> list[str]:
    """A label a flight where none were given: its name, with a number behind it where it is there already."""
    labels: list[str] = []
    for job in jobs:
        name = job.name or Path(job.title).stem
        taken = labels.count(name) + sum(label.startswith(f"{name} (") for label in labels)
        labels.append(f"{name} ({taken + 1})" if taken else name)
    return labels


def run_compare(  # noqa: PLR0913 - what is compared, how it is watched, and what else is written
    jobs: Sequence[Job],
    labels: Sequence[str],
    workers: int,
    watch: Watch,
    video: Path | None = None,
    *,
    pdf: bool = False,
) -> CompareRun:
    """Do the jobs, compare what came of them, and write the results into the first job's output folder.

    Flights that are measured leave their results there too, each in a folder of its own; `pdf`: the report is written
    on paper, too. Raises ResultsError where the results cannot be written, and for a `video` that would take the place
    of a clip.
    """
    if video is not None and any(_same_file(video, path) for job in jobs for path in job.files):
        raise ResultsError(f"{video.name}: is one of the clips; choose another --video")
    scores, failures = _scores(jobs, workers, watch)
    there = [number for number, score in enumerate(scores) if score is not None]
    kept = [score for score in scores if score is not None]
    if len(kept) < 2:  # noqa: PLR2004 - a comparison needs two
        failures.append("nothing to compare: fewer than two flights could be measured")
        return CompareRun(None, [], failures, None)
    alignments = align_all([_airborne(score) for score in kept])
    result = compare_flights(kept, [labels[number] for number in there], alignments, jobs[0].criteria)
    failures += _strangers(result)
    own = [jobs[number] for number in there]
    report = write_comparison(result, jobs[0].output, _pictures(result, own), pdf=pdf)
    lines = [*comparison_lines(result), f"Report: {report}"]
    if video is not None:
        told, failed = _video(result, own, video)
        lines += told
        failures += failed
    return CompareRun(comparison_json(result), lines, failures, report)


def _scores(jobs: Sequence[Job], workers: int, watch: Watch) -> tuple[list[Score | None], list[str]]:
    """The score of each job, None where it failed; a clip that is named twice is measured once."""
    distinct = list(dict.fromkeys(job for job in jobs if job.saved is None))
    folders: dict[Job, Path | None] = {}
    failures = []
    for number, outcome in run_jobs(
        distinct, workers, lambda number, at, of: watch(jobs.index(distinct[number]), at, of)
    ):
        folders[distinct[number]] = outcome.folder
        if outcome.error is not None:
            failures.append(outcome.error)
    scores: list[Score | None] = []
    for job in jobs:
        source = job.saved or folders.get(job)
        score = None
        if source is not None:
            try:
                score = _loaded(source, job)
            except FieldscoreError as error:
                failures.append(str(error))
        scores.append(score)
    return scores, list(dict.fromkeys(failures))


def _loaded(source: Path, job: Job) -> Score:
    record = load_saved(source)
    score = score_flight(record, job.criteria)
    if math.isnan(score.usable.share):
        raise NotMeasurableError(f"{record.name}: cannot be compared: {score.usable.reason}")
    if record.places is None:
        raise ResultsError(f"{source.name}: was measured without its places; score the clip again to compare it")
    return score


def _airborne(score: Score) -> Places:
    """The places of a flight's airtime: what the ground shows is the same everywhere."""
    places = score.record.places
    assert places is not None  # _loaded has seen to it
    inside = (places.time_s >= score.airtime_from_s) & (places.time_s <= score.airtime_to_s)
    time_s = score.record.timeline.time_s
    inside &= score.in_airtime[np.clip(np.searchsorted(time_s, places.time_s), 0, len(time_s) - 1)]
    return replace(places, time_s=places.time_s[inside], descriptors=places.descriptors[inside])


def _strangers(result: Comparison) -> list[str]:
    """One line for each flight that could not be compared, with why the flight most like it was refused."""
    lines = []
    for number in result.strangers:
        file = result.scores[number].record.name
        own = [one.found for one in result.alignments if number in (one.a, one.b) and not one.found.same_route]
        nearest = max(own, key=lambda found: found.confidence)
        told = "is not sure to show" if any(found.doubtful or found.too_short for found in own) else "does not show"
        told = f"{told} the same route as any other of the flights"
        told = "cannot be matched with any other of the flights" if all(found.too_short for found in own) else told
        if met := result.matches_of(number):
            told = f"is left out, of the other flights it matches only {' and '.join(str(one + 1) for one in met)}"
        lines.append(f"{file}: {told}: {nearest.reason or 'no reason was given'}")
    return lines


def _pictures(result: Comparison, jobs: Sequence[Job]) -> dict[tuple[int, float], bytes]:
    """Larger pictures of the places that the report shows, of the flights whose video is there."""
    pictures: dict[tuple[int, float], bytes] = {}
    for number, times in evidence_moments(result).items():
        if jobs[number].files:
            ended = run_task(_fetched, jobs[number], result.scores[number].record.clip.code_range, times)
            pictures |= {(number, time_s): data for time_s, data in (ended.value or {}).items()}
    return pictures


def _fetched(job: Job, code_range: str, times_s: Sequence[float], progress: Progress) -> dict[float, bytes]:
    """Pictures of a flight, in a child process: where a file kills that, the small saved ones are shown."""
    return evidence_pictures(job, code_range, times_s)


def _video(result: Comparison, jobs: Sequence[Job], path: Path) -> tuple[list[str], list[str]]:
    """Write the side-by-side video of the first two cameras: lines for the terminal, and failures."""
    pairs = (main_pair(result, *pair) for pair in combinations(result.cameras, 2))
    places = next((one for one in pairs if one is not None), None)
    if places is None:
        return [], [f"{path.name}: not written, no two cameras share a route"]
    gone = [result.scores[number].record.name for number in (places.a, places.b) if not jobs[number].files]
    if gone:
        return [], [f"{path.name}: not written, {' and '.join(gone)} came from saved results; give the video files"]
    ends = (min(places.a, places.b), max(places.a, places.b))
    found = next(one.found for one in result.alignments if (one.a, one.b) == ends)
    way = way_of(found if places.a < places.b else swapped(found))
    sides = [
        (jobs[number], result.scores[number].record.clip.code_range, visible(result.labels[number]))
        for number in (places.a, places.b)
    ]
    ended = run_task(_filmed, path, sides, way)
    if ended.error is not None:
        raise ResultsError(ended.error)
    if ended.died is not None:
        for unfinished in path.parent.glob(f".fieldscore-*-{glob.escape(path.name)}"):
            unfinished.unlink(missing_ok=True)
        return [], [f"{path.name}: not written; {reader_died('a clip', ended.died)}"]
    return [f"Video: {path}"], []


def _filmed(path: Path, sides: Sequence[tuple[Job, str, str]], way: Way, progress: Progress) -> None:
    """Write the video from both sides' job, code range and label, in a child process: a file may kill its decoder."""
    quiet_libraries()
    one, two = (Flight(job.files, frame_rate=job.frame_rate) for job, _, _ in sides)
    (_, first, left), (_, second, right) = sides
    write_side_by_side(path, (one, two), (CodeRange(first), CodeRange(second)), way, (left, right))


def _same_file(first: Path, second: Path) -> bool:
    try:
        return first.exists() and first.samefile(second)
    except OSError:
        return False
