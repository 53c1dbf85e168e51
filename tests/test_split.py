"""Jobs done in several processes: the same files as by one, a failure costs its own job, and nothing is left behind."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from flight_material import pictures, write_flight

from fieldscore import split
from fieldscore.analyse import Plan
from fieldscore.criteria import Criteria
from fieldscore.leftovers import PREFIX, discard
from fieldscore.run import Job, Outcome
from fieldscore.split import run_jobs
from fieldscore.tasks import Tasks
from fieldscore.video import Encoding
from fieldscore.workers import Ended

COUNT = 190  # pictures at 30 a second: three parts of two seconds
GOP = Encoding(crf=18, gop=10)


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clip of three parts."""
    return write_flight(tmp_path_factory.mktemp("clip") / "a.mp4", planes=pictures(COUNT), encoding=GOP)


@pytest.fixture(autouse=True)
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of one's own for temporary files, of children too."""
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setenv("TMPDIR", str(folder))
    monkeypatch.setattr(tempfile, "tempdir", None)
    return folder


def _job(clip: Path, output: Path) -> Job:
    return Job((clip,), None, output, Criteria(), part_s=2.0)


def _quiet(number: int, at_s: float, of_s: float | None) -> None:
    pass


def _contents(folder: Path) -> dict[str, object]:
    """Every file of a results folder; of archives, which carry the time of day, what is in them."""
    found: dict[str, object] = {}
    for path in sorted(folder.iterdir()):
        if path.suffix == ".npz":
            with zipfile.ZipFile(path) as archive:
                found[path.name] = {name: archive.read(name) for name in archive.namelist()}
        else:
            found[path.name] = path.read_bytes()
    return found


def test_results_do_not_depend_on_workers(clip: Path, tmp_path: Path, temporary: Path) -> None:
    """One worker and four write the same files, bit for bit, of a flight of three parts; nothing temporary is left."""
    folders = []
    for workers in (1, 4):
        ((number, outcome),) = run_jobs([_job(clip, tmp_path / str(workers))], workers, _quiet)
        assert (number, outcome.error) == (0, None)
        assert outcome.folder is not None
        folders.append(outcome.folder)
        assert list(temporary.iterdir()) == []
    one, four = (_contents(folder) for folder in folders)
    assert set(one) >= {"flight.json", "timeline.csv", "tiles.npz", "evidence.npz", "places.npz"}
    assert one == four


def test_progress_is_the_sum_of_the_parts(clip: Path, tmp_path: Path) -> None:
    """What is told of a flight that several measure rises to its length, and belongs to its number."""
    told: list[tuple[int, float, float | None]] = []
    jobs = [_job(clip, tmp_path / "a"), _job(clip, tmp_path / "b")]
    outcomes = dict(run_jobs(jobs, 3, lambda *said: told.append(said)))
    assert [outcomes[number].error for number in (0, 1)] == [None, None]
    for number in (0, 1):
        times = [at for who, at, _ in told if who == number]
        assert times == sorted(times)
        assert 3.0 < times[-1] <= COUNT / 30.0 + 1e-6


def test_jobs_with_others_behind_them_are_done_whole(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of three jobs for two workers the first is done by one process, the last two in parts; outcomes come in order."""
    begun: list[bool] = []
    begin = split._Course.begin

    def noted(course: split._Course, *, may_cut: bool) -> None:
        begun.append(may_cut)
        begin(course, may_cut=may_cut)

    monkeypatch.setattr(split._Course, "begin", noted)
    short = write_flight(tmp_path / "short.mp4", 30)
    jobs = [_job(path, tmp_path / "out") for path in (short, clip, tmp_path / "gone.mp4")]
    done = list(run_jobs(jobs, 2, _quiet))
    assert begun == [False, True, True]
    assert [number for number, _ in done] == [0, 1, 2]
    assert [outcome.error is None for _, outcome in done] == [True, True, False]
    assert "gone.mp4" in str(done[2][1].error)


@pytest.mark.parametrize("which", [0, 2])
def test_a_part_that_dies_costs_its_job(
    which: int, clip: Path, tmp_path: Path, temporary: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process of a part dies: one line for its flight, the other flight is whole, and no file is left behind."""
    go_on = split._Course.go_on

    def struck(course: split._Course, number: int, ended: Ended) -> Outcome | None:
        parts = sorted(course.spans)
        if course.number == 0 and parts and number == parts[which] and number in course.waits:
            ended = Ended(died="SIGSEGV")
        return go_on(course, number, ended)

    monkeypatch.setattr(split._Course, "go_on", struck)
    jobs = [_job(clip, tmp_path / "a"), _job(clip, tmp_path / "b")]
    outcomes = dict(run_jobs(jobs, 2, _quiet))
    assert outcomes[0].error == (
        "a.mp4: its reader died (SIGSEGV); the file is damaged in a way that the decoder does not survive"
    )
    assert outcomes[1].error is None
    assert not (tmp_path / "a").exists()
    assert list(temporary.iterdir()) == []


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_a_killed_part_is_told(clip: Path, tmp_path: Path, temporary: Path) -> None:
    """A child killed while it measures a part is the same line as ever, and its files are gone."""
    killed: list[int] = []

    def kill(number: int, at_s: float, of_s: float | None) -> None:
        if not killed:
            killed.extend(child.pid for child in multiprocessing.active_children() if child.pid)
            for pid in killed:
                os.kill(pid, signal.SIGKILL)

    ((_, outcome),) = run_jobs([_job(clip, tmp_path / "out")], 2, kill)
    assert killed
    assert "its reader died (SIGKILL" in str(outcome.error)
    assert list(temporary.iterdir()) == []


@pytest.mark.parametrize("stop", [KeyboardInterrupt, GeneratorExit])
def test_stopping_leaves_nothing(stop: type[BaseException], clip: Path, tmp_path: Path, temporary: Path) -> None:
    """An interrupt while parts are measured ends the children, and nothing temporary nor half a result is left."""

    def interrupted(number: int, at_s: float, of_s: float | None) -> None:
        assert list(temporary.glob("fieldscore-*/0/plan"))  # parts are being measured
        raise stop

    with pytest.raises(stop):
        list(run_jobs([_job(clip, tmp_path / "out")], 2, interrupted))
    assert list(temporary.iterdir()) == []
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_a_killed_program_leaves_nothing(clip: Path, tmp_path: Path, temporary: Path) -> None:
    """When the program itself is killed while parts are measured, its children end and take its temporary files away."""
    script = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from fieldscore.criteria import Criteria\n"
        "from fieldscore.run import Job\n"
        "from fieldscore.split import run_jobs\n"
        "if __name__ == '__main__':\n"
        "    job = Job((Path(sys.argv[1]),), None, Path(sys.argv[2]), Criteria(), part_s=2.0)\n"
        "    list(run_jobs([job], 2, lambda *said: os.kill(os.getpid(), signal.SIGKILL)))\n"
    )
    path = tmp_path / "program.py"
    path.write_text(script, encoding="utf-8")
    code = subprocess.run([sys.executable, path, clip, tmp_path / "out"], check=False).returncode
    assert code == -signal.SIGKILL
    end = time.monotonic() + 10.0
    while list(temporary.iterdir()) and time.monotonic() < end:
        time.sleep(0.02)
    assert list(temporary.iterdir()) == []


def test_without_a_folder_for_parts_flights_are_measured_whole(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no temporary folder can be made nothing is cut, and each flight's own process says what it lacks."""
    monkeypatch.setenv("TMPDIR", str(tmp_path / "nowhere"))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "nowhere"))
    ((_, outcome),) = run_jobs([_job(clip, tmp_path / "out")], 2, _quiet)
    assert outcome.error is None or "temporary files" in outcome.error


def test_a_folder_is_made_for_the_first_that_is_cut(
    clip: Path, tmp_path: Path, temporary: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until a flight is cut there is no temporary folder: whoever is killed before leaves nothing."""
    made: list[int] = []
    of = split._Folders.of

    def noted(folders: split._Folders, number: int, plan: Plan) -> Path:
        assert list(temporary.iterdir()) == []
        made.append(number)
        return of(folders, number, plan)

    monkeypatch.setattr(split._Folders, "of", noted)
    short = write_flight(tmp_path / "short.mp4", 30)
    list(run_jobs([_job(short, tmp_path / "out"), _job(clip, tmp_path / "out")], 2, _quiet))
    assert made == [1]


@pytest.mark.parametrize("workers", [1, 2])
def test_the_folder_one_stands_in_is_left_alone(
    workers: int, clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever is tidied up after a run, done or failed, is not where the user stands."""
    here = tmp_path / "here"
    here.mkdir()
    (here / "mine.txt").write_text("mine", encoding="utf-8")
    monkeypatch.chdir(here)
    jobs = [_job(clip, tmp_path / "out"), _job(Path("gone.mp4"), tmp_path / "out")]
    assert [outcome.error is None for _, outcome in run_jobs(jobs, workers, _quiet)] == [True, False]
    assert [path.name for path in here.iterdir()] == ["mine.txt"]


def test_only_temporary_folders_are_discarded(tmp_path: Path, temporary: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused: a folder that does not bear the name of a temporary one, or lies elsewhere, a relative path, none at all."""
    ours, others, named = temporary / f"{PREFIX}abc", tmp_path / "flights", temporary / "fieldscore-results"
    for folder in (ours / "0", others, named / "0"):
        folder.mkdir(parents=True)
    monkeypatch.chdir(others)
    for path in (Path(), Path("."), others, Path(f"{PREFIX}abc"), named, named / "0", temporary):
        with pytest.raises(ValueError, match="left alone"):
            discard(path)
    discard(ours / "0")
    assert list(ours.iterdir()) == []
    discard(ours)
    assert sorted(path.name for path in tmp_path.rglob("*") if path.is_dir()) == [
        "0",
        "fieldscore-results",
        "flights",
        "temporary",
    ]


def test_what_cannot_be_cut_is_measured_in_one_go(clip: Path, tmp_path: Path) -> None:
    """Parts that turn out not to fit: the same results by several workers as by one, and progress of the second try."""
    path = tmp_path / "a.mp4"
    data = bytearray(clip.read_bytes())
    for share in (0.3, 0.34, 0.38, 0.63, 0.67, 0.71):  # key frames of two parts among them
        at = int(len(data) * share)
        data[at : at + 3000] = bytes(3000)
    path.write_bytes(data)
    contents = []
    for workers in (1, 2):
        ((_, outcome),) = run_jobs([_job(path, tmp_path / str(workers))], workers, _quiet)
        assert outcome.folder is not None
        contents.append(_contents(outcome.folder))
    assert contents[0] == contents[1]
    told = contents[0]["flight.json"]
    assert isinstance(told, bytes)
    assert b"damaged" in told


def test_tasks_are_taken_by_turn() -> None:
    """The smaller turn first, then the order in which they came; what is dropped is never done."""
    tasks = Tasks()
    function: Callable[..., None] = print
    numbers = [tasks.put(function, turn=turn) for turn in ((1, 0), (0, 1), (0, 1), (0, 0), (2, 0))]
    tasks.drop({numbers[0]})
    assert [tasks.take().number for _ in range(len(tasks))] == [3, 1, 2, 4]
    with pytest.raises(IndexError):
        tasks.take()
