"""What the commands do, away from the terminal: find flights, measure or load, score, write. Runs in a worker too."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np

from fieldscore.analyse import Plan, measure_planned, plan_flight
from fieldscore.collect import EVIDENCE_QUALITY, EVIDENCE_WIDTH, jpeg
from fieldscore.criteria import Criteria
from fieldscore.errors import ClipError, FieldscoreError, NoClipsError, ResultsError
from fieldscore.measures import COLUMNS, LATER_COLUMNS
from fieldscore.parts import PART_S
from fieldscore.record import FlightRecord
from fieldscore.report import flight_json, load_record, terminal_summary, write_flight
from fieldscore.score import score_flight
from fieldscore.spool import give_back
from fieldscore.units import CodeRange
from fieldscore.video import Flight, find_flights
from fieldscore.workers import Progress, alive, run_task

_SAVED_NAMES = ("flight.json", "timeline.csv")


@dataclass(frozen=True)
class Job:
    """One flight to score: its video files, or the saved results it is read from. `part_s`: see `parts.stretches`."""

    files: tuple[Path, ...]
    saved: Path | None
    output: Path
    criteria: Criteria
    frame_rate: float | None = None
    from_s: float | None = None
    to_s: float | None = None
    name: str | None = None
    pdf: bool = False
    part_s: float = PART_S

    @property
    def title(self) -> str:
        """What to call the flight while it is measured."""
        return (self.saved or self.files[0]).name


@dataclass(frozen=True)
class Outcome:
    """What became of a job: its flight.json and summary lines and where they were written, or why not."""

    title: str
    result: dict[str, Any] | None = None
    summary: tuple[str, ...] = ()
    folder: Path | None = None
    error: str | None = None


def find_jobs(  # noqa: PLR0913 - what a user may say of a run
    names: Sequence[Path],
    output: Path,
    criteria: Criteria,
    *,
    separate: bool = False,
    frame_rate: float | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    pdf: bool = False,
) -> tuple[list[Job], list[tuple[Path, str]]]:
    """Turn names of clips, folders and saved results into jobs, and say what was left out and why.

    Raises NoClipsError where nothing is left to do.
    """
    saved = [found for name in names for found in _saved_results(name)]
    videos = [name for name in names if not _saved_results(name)]
    flights, left_out = flights_apart(videos, separate=separate) if videos else ([], [])
    if not flights and not saved and not left_out:
        raise NoClipsError(
            f"no clip in {', '.join(name.name or str(name) for name in names)}; give video files or a folder of them"
        )
    jobs = [Job((), one, output, criteria, frame_rate, from_s, to_s, pdf=pdf) for one in saved]
    jobs += [
        Job(tuple(files), None, output, criteria, frame_rate, from_s, to_s, name, pdf)
        for files, name in zip(flights, _names(flights), strict=True)
    ]
    return jobs, left_out


def flights_apart(names: Sequence[Path], *, separate: bool = False) -> tuple[list[list[Path]], list[tuple[Path, str]]]:
    """`find_flights` in a child process; where a file kills that, nothing is joined, and so nothing opened yet."""
    ended = run_task(_find, list(names), separate)
    if ended.died or ended.error:
        return find_flights(names, separate=True)
    found: tuple[list[list[Path]], list[tuple[Path, str]]] = ended.value
    return found


def _find(names: list[Path], separate: bool, progress: Progress) -> tuple[list[list[Path]], list[tuple[Path, str]]]:
    return find_flights(names, separate=separate)


def in_order(jobs: Sequence[Job], names: Sequence[Path]) -> list[tuple[Job, int]]:
    """The jobs in the order in which the user named what they come from, each with the number of that name.

    A name that is given again is its jobs again; of files that were joined the first counts.
    """
    ordered: list[tuple[Job, int]] = []
    distinct = list(dict.fromkeys(jobs))
    for number, name in enumerate(names):
        again = name in names[:number]
        placed = {job for job, _ in ordered}
        ordered += [(job, number) for job in distinct if _is_from(job, name) and (again or job not in placed)]
    placed = {job for job, _ in ordered}
    return ordered + [(job, len(names) - 1) for job in distinct if job not in placed]


def labels_of(ordered: Sequence[tuple[Job, int]], labels: Sequence[str], names: Sequence[Path]) -> list[str] | None:
    """A label a job from one for each name, or one for each job; None where there are as many of neither."""
    if len(labels) == len(names):
        return [labels[number] for _, number in ordered]
    return list(labels) if len(labels) == len(ordered) else None


def _is_from(job: Job, name: Path) -> bool:
    """Whether a job reads what a name stands for, or something in that folder, however either is written."""
    place = name.resolve()
    sources = [path.resolve() for path in (*job.files, *([job.saved] if job.saved else []))]
    return any(path == place or place in path.parents for path in sources)


def _names(flights: Sequence[Sequence[Path]]) -> list[str]:
    """A name for each flight: its first file's, with the folder's before it, or a number behind, where two would be the same."""
    stems = [files[0].stem for files in flights]
    long = [f"{files[0].absolute().parent.name} {stem}" for files, stem in zip(flights, stems, strict=True)]
    names: list[str] = []
    for stem, with_folder in zip(stems, long, strict=True):
        name = stem if stems.count(stem) == 1 else with_folder
        numbered = (f"{name} {number}" for number in count(len(names) + 1))
        names.append(name if name not in names else next(one for one in numbered if one not in names))
    return names


def _saved_results(name: Path) -> list[Path]:
    """Saved results that a name stands for: a results folder, a file in one, or a folder of such folders."""
    if name.name in _SAVED_NAMES and name.is_file():
        return [name]
    if not name.is_dir():
        return []
    if (name / _SAVED_NAMES[0]).is_file():
        return [name]
    return sorted(one.parent for one in name.glob(f"*/{_SAVED_NAMES[0]}"))


def run_job(job: Job, progress: Progress | None = None) -> Outcome:
    """Do one job; every failure that is the input's becomes the Outcome's `error`, in one line."""
    try:
        return written(job, _record(job, progress))
    except FieldscoreError as error:
        return Outcome(job.title, error=str(error))


def _record(job: Job, progress: Progress | None) -> FlightRecord:
    """Load or measure a job's flight."""
    if job.saved is not None:
        return load_saved(job.saved)
    return measure_planned(planned(job), progress)


def planned(job: Job) -> Plan:
    """Look at the flight of a job that is to be measured."""
    return plan_flight(job.files, criteria=job.criteria, frame_rate=job.frame_rate, name=job.name, part_s=job.part_s)


def written(job: Job, record: FlightRecord) -> Outcome:
    """Score a job's flight and write the results, with the pictures of its moments where the video is there."""
    alive()
    give_back()  # an hour's flight takes up a tenth more while it is put together, and again while it is scored
    score = score_flight(record, job.criteria, from_s=job.from_s, to_s=job.to_s)
    give_back()
    alive()
    pictures = {}
    if job.saved is None:
        pictures = evidence_pictures(job, record.clip.code_range, [moment.time_s for moment in score.moments])
        alive()
    folder = write_flight(score, job.output, pictures, pdf=job.pdf)
    return Outcome(job.title, flight_json(score), tuple(terminal_summary(score)), folder)


def load_saved(saved: Path) -> FlightRecord:
    """Saved results with every column of today; ResultsError where another version measured fewer.

    What came later and can be done without is NaN.
    """
    record = load_record(saved)
    later = [column for column in LATER_COLUMNS if column.name not in record.timeline]
    if later:
        unknown = np.full(len(record.timeline), np.nan)
        record = replace(record, timeline=record.timeline.with_columns((column, unknown) for column in later))
    missing = [column.name for column in COLUMNS if column.name not in record.timeline]
    if missing:
        raise ResultsError(f"{saved.name}: was measured without column '{missing[0]}'; score the clip again")
    return record


def evidence_pictures(job: Job, code_range: str, times_s: Sequence[float]) -> dict[float, bytes]:
    """JPEG pictures of the frames nearest to the times, as the coded range displays them; none of a clip that is gone."""
    try:
        frames = Flight(job.files, frame_rate=job.frame_rate).frames_at(times_s)
    except ClipError:
        return {}
    levels = CodeRange(code_range)
    return {
        time_s: jpeg(frame.luma, frame.chroma, frame.bits, levels, 1, EVIDENCE_WIDTH, EVIDENCE_QUALITY)
        for time_s, frame in zip(times_s, frames, strict=True)
        if frame is not None
    }


def reader_died(title: str, how: str | None) -> str:
    """The line for a file whose decoder took its process down."""
    return f"{title}: its reader died ({how}); the file is damaged in a way that the decoder does not survive"


def quiet_libraries() -> None:
    """Keep OpenCV to one thread: more cost CPU and save no time here (measured)."""
    import cv2

    cv2.setNumThreads(1)


def default_workers() -> int:
    """As many workers as there are cores."""
    return os.cpu_count() or 1
