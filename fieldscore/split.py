"""Jobs done in processes: one job after another in each, and the parts of a long flight at once where workers would be idle.

What comes of a job never depends on that: its parts are those it is measured in by one process, too (parts.py). A bad
file must not kill the program, so its own process only says what is to be done. A child opens the flight and looks at it;
others measure parts, which wait in files; another puts them together, scores and writes.
"""

from __future__ import annotations

import math
import pickle
from collections.abc import Callable, Generator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

from fieldscore.analyse import Plan, file_sums, joined_parts, measure_part, measure_whole
from fieldscore.errors import NotMeasurableError
from fieldscore.leftovers import discard
from fieldscore.run import Job, Outcome, planned, quiet_libraries, reader_died, run_job, written
from fieldscore.spool import temporary_folder, told
from fieldscore.tasks import Tasks
from fieldscore.video import UnfitError
from fieldscore.workers import Ended, Progress, Watch, WorkerError, do_tasks, inherit

_PLAN, _SUMS = "plan", "sums"
# What is done first of a job, the smaller: parts, then what needs them all; what is short fills up last.
_BEGIN, _PARTS, _LATER, _END = range(4)


def run_jobs(jobs: Sequence[Job], workers: int, watch: Watch) -> Generator[tuple[int, Outcome], None, None]:
    """Do the jobs in processes of their own, `workers` at a time; give each one's number and outcome, in their order.

    A job of which a process dies or is stuck costs itself alone. WorkerError, after the others, for a bug of ours.
    """
    done: dict[int, Outcome] = {}
    given = 0
    try:
        with ExitStack() as stack:
            for number, outcome in stack.enter_context(closing(_outcomes(jobs, workers, watch, _Folders(stack)))):
                done[number] = outcome
                while given in done:  # the same order however many workers
                    yield given, done.pop(given)
                    given += 1
    except WorkerError:
        yield from sorted(done.items(), key=lambda item: item[0])
        raise


class _Folders:
    """Folders for the parts of jobs, made when the first is wanted: its users are then there to remove it, should we be killed."""

    def __init__(self, stack: ExitStack) -> None:
        self._stack = stack
        self._folder: Path | None = None

    def of(self, number: int, plan: Plan) -> Path:
        """A job's folder, with its plan in it. NotMeasurableError where there can be none."""
        self._folder = self._folder or self._stack.enter_context(temporary_folder())
        folder = self._folder / str(number)
        with told():
            folder.mkdir()
        _save(folder / _PLAN, plan)
        return folder


def _outcomes(
    jobs: Sequence[Job], workers: int, watch: Watch, folders: _Folders
) -> Generator[tuple[int, Outcome], None, None]:
    """Each job's number and outcome, as they end."""
    tasks = Tasks()
    owners: dict[int, _Course] = {}
    for number, job in enumerate(jobs):
        # while others wait behind it a job is done as a whole: that costs no more, and keeps every worker busy
        may_cut = workers > 1 and job.saved is None and len(jobs) - number <= workers
        _Course(number, job, tasks, owners, folders).begin(may_cut=may_cut)

    def reached(number: int, at_s: float, of_s: float | None) -> None:
        course = owners[number]
        if number in course.waits:  # else a part of a flight that is measured in one go by now
            watch(course.number, course.reached(number, at_s), of_s)

    with closing(do_tasks(tasks, workers=workers, watch=reached)) as ends:
        for number, ended in ends:
            outcome = owners[number].go_on(number, ended)
            if outcome is not None:
                yield owners[number].number, outcome


@dataclass(frozen=True)
class Cut:
    """A flight that is measured in parts."""

    plan: Plan

    @property
    def spans(self) -> list[tuple[float, float]]:
        """From when to when (s) each of them reaches."""
        starts = [part.from_s for part in self.plan.parts[1:]]
        return list(pairwise([0.0, *starts, self.plan.flight.duration_s or 0.0]))


@dataclass
class _Course:
    """How far a job has come. `folder`: where its parts wait, None until it is cut.

    `waits`: tasks that its end waits for; `spans`, `at`: what each part's covers and has reached, in seconds.
    """

    number: int
    job: Job
    tasks: Tasks
    owners: dict[int, _Course]
    folders: _Folders
    folder: Path | None = None
    waits: set[int] = field(default_factory=set)
    spans: dict[int, tuple[float, float]] = field(default_factory=dict)
    at: dict[int, float] = field(default_factory=dict)

    def begin(self, *, may_cut: bool) -> None:
        """Put in the job's first task."""
        self._put(_BEGIN, _begun if may_cut else _work, self.job)

    def reached(self, number: int, at_s: float) -> float:
        """Seconds of the flight that are measured, by what a task has reached."""
        if number not in self.spans:
            return at_s
        from_s, to_s = self.spans[number]
        self.at[number] = min(max(at_s - from_s, 0.0), to_s - from_s)
        return sum(self.at.values())

    def go_on(self, number: int, ended: Ended) -> Outcome | None:
        """Put in what follows from a task's end; the job's outcome where nothing does."""
        if number not in self.waits:  # a part of a flight that could not be measured in parts
            return None
        self.waits.discard(number)
        self.reached(number, math.inf)
        if ended.error or ended.died:
            return self._end(Outcome(self.job.title, error=ended.error or reader_died(self.job.title, ended.died)))
        if isinstance(ended.value, Outcome):
            return self._end(ended.value)
        if isinstance(ended.value, Cut):
            self._cut(ended.value)
        elif ended.value is not None:  # why parts do not fit
            self._forget()
            self._put(_END, _in_one_go, self.job, self.folder)
        elif not self.waits:
            self._put(_END, _joined, self.job, self.folder, len(self.spans))
        return None

    def _cut(self, cut: Cut) -> None:
        """Put in the parts; without a folder to leave them in, the job as a whole, which may do without."""
        try:
            self.folder = self.folders.of(self.number, cut.plan)
        except NotMeasurableError:
            self._put(_END, _work, self.job)
            return
        for part, span in enumerate(cut.spans):
            self.spans[self._put(_PARTS, _part, self.folder, part)] = span
        self._put(_LATER, _summed, self.folder)

    def _put(self, stage: int, function: Callable[..., Any], *arguments: Any) -> int:
        number = self.tasks.put(function, *arguments, turn=(self.number, stage))
        self.owners[number] = self
        self.waits.add(number)
        return number

    def _forget(self) -> None:
        self.tasks.drop(self.waits)
        self.waits = set()
        self.spans, self.at = {}, {}

    def _end(self, outcome: Outcome) -> Outcome:
        self._forget()
        if self.folder is not None:
            discard(self.folder)
        return outcome


def _work(job: Job, progress: Progress) -> Outcome:
    """One job, in a child process."""
    quiet_libraries()
    return run_job(job, progress)


def _begun(job: Job, progress: Progress) -> Outcome | Cut:
    """Look at a job's flight, in a child process; do the job where it is not cut."""
    quiet_libraries()
    plan = planned(job)
    return written(job, measure_whole(plan, progress)) if len(plan.parts) == 1 else Cut(plan)


def _part(folder: Path, number: int, progress: Progress) -> str | None:
    """Measure a part into a file, in a child process; why the flight cannot be measured in parts where it cannot."""
    quiet_libraries()
    inherit(folder.parent)
    plan: Plan = _load(folder / _PLAN)
    try:
        _save(folder / str(number), measure_part(plan, number, progress))
    except UnfitError as reason:
        return str(reason)
    return None


def _summed(folder: Path, progress: Progress) -> None:
    """Sum a flight's files, in a child process."""
    inherit(folder.parent)
    _save(folder / _SUMS, file_sums(_load(folder / _PLAN)))


def _joined(job: Job, folder: Path, count: int, progress: Progress) -> Outcome:
    """Put a job's parts together, score and write, in a child process."""
    quiet_libraries()
    inherit(folder.parent)
    plan: Plan = _load(folder / _PLAN)
    try:
        record = joined_parts(plan, (_load(folder / str(number)) for number in range(count)), _load(folder / _SUMS))
    except UnfitError:
        record = measure_whole(plan, progress)
    return written(job, record)


def _in_one_go(job: Job, folder: Path, progress: Progress) -> Outcome:
    """Do a job whose flight cannot be measured in parts, in a child process."""
    quiet_libraries()
    inherit(folder.parent)
    return written(job, measure_whole(_load(folder / _PLAN), progress))


def _save(path: Path, value: object) -> None:
    with told(), path.open("wb") as file:
        pickle.dump(value, file, protocol=pickle.HIGHEST_PROTOCOL)


def _load(path: Path) -> Any:
    """What `_save` left there."""
    with told(), path.open("rb") as file:
        return pickle.load(file)
