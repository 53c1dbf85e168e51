"""What `fieldscore recovery` does: measure or load the clips, find their flashes, compare cameras, write the results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from fieldscore.analyse import measure_flight
from fieldscore.collect import EVIDENCE_QUALITY, jpeg
from fieldscore.errors import ClipError
from fieldscore.record import Evidence
from fieldscore.recovery import FlashEvent
from fieldscore.report import Tested, recovery_json, recovery_lines, write_recovery
from fieldscore.run import Job, load_saved, quiet_libraries, reader_died
from fieldscore.score import Score, score_flight
from fieldscore.units import CodeRange
from fieldscore.video import Flight
from fieldscore.workers import Progress, Watch, run_tasks

STRIP_S = (-0.1, 0.0, 0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2, 2.0)  # moments of the strip, seconds from the edge
_STRIP_WIDTH = 220  # px of a picture in it
_MOST_STRIPS = 12  # events of a clip that get one


@dataclass(frozen=True)
class RecoveryRun:
    """What became of a recovery test: the data of recovery.json, lines for the terminal, and failures, one line each."""

    result: dict[str, Any]
    lines: list[str]
    failures: list[str]
    report: Path | None


def run_recovery(
    jobs: Sequence[Job], labels: Sequence[str], watch: Watch, workers: int = 1, *, pdf: bool = False
) -> RecoveryRun:
    """Do the jobs, one label each, in processes of their own; write the results into the first job's output folder.

    `pdf`: on paper, too.

    Raises ResultsError where they cannot be written, WorkerError for a bug of ours.
    """
    done = dict(run_tasks(_tested, list(zip(jobs, labels, strict=True)), workers=workers, watch=watch))
    tests = [done[number].value for number in range(len(jobs)) if done[number].value is not None]
    failures = [
        done[number].error or reader_died(job.title, done[number].died)
        for number, job in enumerate(jobs)
        if done[number].value is None
    ]
    report = write_recovery(tests, jobs[0].output, pdf=pdf) if tests else None
    return RecoveryRun(recovery_json(tests), recovery_lines(tests), failures, report)


def _tested(job: Job, label: str, progress: Progress) -> Tested:
    """One clip, in a child process."""
    quiet_libraries()
    if job.saved is not None:
        record = load_saved(job.saved)
        return Tested(label, record.clip.files[0], _light(score_flight(record, job.criteria)), {})
    record = measure_flight(
        job.files, criteria=job.criteria, frame_rate=job.frame_rate, name=job.name, progress=progress
    )
    score = score_flight(record, job.criteria)
    strips = _strips(job, score.events, CodeRange(record.clip.code_range))
    return Tested(label, job.files[0].name, _light(score), strips)


def _light(score: Score) -> Score:
    """The score without the small pictures and histograms of the whole flight, which can fill a gigabyte."""
    evidence = score.record.evidence
    nothing = Evidence(np.zeros(0), (), np.zeros((0, evidence.histogram.shape[1]), np.uint16))
    return replace(score, record=replace(score.record, evidence=nothing))


def _strips(job: Job, events: Sequence[FlashEvent], code_range: CodeRange) -> dict[float, bytes]:
    """Pictures around each edge, JPEG by time in seconds."""
    times = sorted(
        {
            round(event.at_s + after, 3)
            for event in events[:_MOST_STRIPS]
            for after in STRIP_S
            if event.at_s + after >= 0
        }
    )
    if not times:
        return {}
    try:
        frames = Flight(job.files, frame_rate=job.frame_rate).frames_at(times)
    except ClipError:  # taken away since it was measured
        return {}
    pictures = {}
    for frame in frames:
        if frame is not None:
            data = jpeg(frame.luma, frame.chroma, frame.bits, code_range, 1, _STRIP_WIDTH, EVIDENCE_QUALITY)
            pictures[float(np.round(frame.time_s, 4))] = data
    return pictures
