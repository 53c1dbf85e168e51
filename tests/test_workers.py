"""Tasks in processes of their own: whatever becomes of one, the others are done and the parent lives."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from multiprocessing import connection
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flight_material import write_flight

from fieldscore.errors import ClipError
from fieldscore.workers import GIB, Limits, WorkerError, alive, run_task, run_tasks

Progress = Callable[[float, float | None], None]
SHORT = Limits(silent_s=1.0)


def _double(value: int, progress: Progress) -> int:
    progress(float(value), None)
    return 2 * value


def _crash(number: int, progress: Progress) -> int:
    os.kill(os.getpid(), number)
    return 0


def _crash_or_double(value: int, progress: Progress) -> int:
    return _crash(signal.SIGSEGV, progress) if value == 1 else _double(value, progress)


def _stuck(speaks: bool, progress: Progress) -> str:
    """Runs three times as long as a child may be silent."""
    end = time.monotonic() + 3 * SHORT.silent_s
    while time.monotonic() < end:
        time.sleep(0.05)
        if speaks:
            alive()
    return "done"


def _deaf(progress: Progress) -> None:
    """Stuck where no signal handler of Python's gets a turn, as in an endless loop of a library."""
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    time.sleep(1000)


def _hungry(progress: Progress) -> int:
    return int(np.ones(2 * GIB, np.uint8)[-1])


def _refusing(progress: Progress) -> None:
    raise ClipError(Path("a.mp4"), "is no clip", "throw it away")


def _buggy(value: int, progress: Progress) -> int:
    return 1 // value


def _unsendable(progress: Progress) -> object:
    return lambda: 0


class Untakeable:
    """Something that a child cannot make out."""

    def __reduce__(self) -> tuple[object, tuple[int]]:
        """Fails where it is taken apart again."""
        return int, ("no number",)  # type: ignore[return-value]


def _noisy(progress: Progress) -> str:
    os.write(1, b"said by a library\n")
    os.write(2, b"free(): invalid pointer\n")
    return os.getcwd()


def _who(progress: Progress) -> int:
    return os.getpid()


@pytest.mark.parametrize("workers", [1, 2])
def test_values_and_progress_come_back_under_their_numbers(workers: int) -> None:
    """Each task's value and progress belong to its number, with one worker and with two, which are not this process."""
    watched: set[tuple[int, float, float | None]] = set()
    done = dict(run_tasks(_double, [(5,), (6,), (7,)], workers=workers, watch=lambda *said: watched.add(said)))
    assert [done[number].value for number in range(3)] == [10, 12, 14]
    assert watched == {(0, 5.0, None), (1, 6.0, None), (2, 7.0, None)}
    assert run_task(_who).value != os.getpid()


def test_a_child_is_used_again() -> None:
    """Task after task is done by the same process: starting one costs as long as a short clip."""
    assert run_task(_who).value == run_task(_who).value


@pytest.mark.parametrize("number", [signal.SIGSEGV, signal.SIGABRT, signal.SIGKILL, signal.SIGBUS])
def test_a_crash_is_told_by_its_signal(number: signal.Signals) -> None:
    """A process lost to a signal is an outcome that names it."""
    ended = run_task(_crash, number)
    assert (ended.value, ended.error) == (None, None)
    assert ended.died is not None
    assert number.name in ended.died


def test_a_crash_costs_one_task() -> None:
    """The tasks before and after a crash are done."""
    for workers in (1, 2):
        done = dict(run_tasks(_crash_or_double, [(0,), (1,), (2,), (3,)], workers=workers))
        assert [done[number].value for number in (0, 2, 3)] == [0, 4, 6]
        assert "SIGSEGV" in str(done[1].died)


def test_the_stuck_are_ended_and_the_slow_are_not() -> None:
    """A task that shows no progress is ended and told so; one that does is left to its time."""
    assert "stuck" in str(run_task(_stuck, False, limits=SHORT).died)
    assert run_task(_stuck, True, limits=SHORT).value == "done"


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="no signal masks here")
def test_what_does_not_listen_is_killed() -> None:
    """A child that cannot be asked to end is ended by force."""
    assert "stuck" in str(run_task(_deaf, limits=SHORT).died)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the limit holds on Linux")
def test_memory_is_bounded() -> None:
    """Asking for 2 GiB under a limit of 1 GiB ends the task alone, and says why."""
    assert run_task(_hungry, limits=Limits(memory_bytes=GIB)).died == "out of memory"


def test_a_refusal_is_a_line() -> None:
    """The input's failure comes back as its line."""
    assert run_task(_refusing).error == "a.mp4: is no clip; throw it away"


def test_a_bug_keeps_its_traceback_and_does_not_stop_the_others() -> None:
    """A bug of ours is raised with the child's traceback, once the other tasks are done."""
    done = {}
    with pytest.raises(WorkerError, match="(?s)in _buggy.*ZeroDivisionError"):
        for number, ended in run_tasks(_buggy, [(1,), (0,), (-1,)]):
            done[number] = ended.value
    assert done == {0: 1, 2: -1}


def test_what_does_not_go_through_the_pipe_is_a_bug() -> None:
    """A value that cannot be sent, or a task that cannot be taken, is told as the bug that it is."""
    with pytest.raises(WorkerError, match="(?s)Traceback.*pickle"):
        run_task(_unsendable)
    with pytest.raises(WorkerError, match="(?s)Traceback.*no number"):
        run_task(_double, Untakeable())


def test_a_child_says_nothing_on_the_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """What libraries write to the terminal is not seen, and the child stands in the folder that its parent stands in."""
    monkeypatch.chdir(tmp_path)
    assert Path(run_task(_noisy).value).samefile(tmp_path)
    assert capfd.readouterr() == ("", "")


@pytest.fixture
def long_clip(tmp_path: Path) -> Path:
    """A bare stream of 40 s, the same second again and again."""
    second = write_flight(tmp_path / "second.h264", 30).read_bytes()
    path = tmp_path / "long.h264"
    path.write_bytes(second * 400)
    return path


@pytest.fixture
def interruptible() -> Iterator[None]:
    """Interrupts as a terminal's program has them: one started in the background is born with them ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups here")
def test_an_interrupt_keeps_what_is_done(tmp_path: Path, long_clip: Path, interruptible: None) -> None:
    """Interrupted in the second flight: exit code 130, one word, the first flight's results whole, of the second nothing."""
    first, out = write_flight(tmp_path / "first.mp4", 30), tmp_path / "out"
    words = ["score", str(first), str(long_clip), "-o", str(out), "--workers", "1"]
    with subprocess.Popen(
        [sys.executable, "-m", "fieldscore", *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    ) as program:  # fmt: skip
        assert program.stdout is not None
        while "Report:" not in program.stdout.readline():
            assert program.poll() is None
        os.killpg(program.pid, signal.SIGINT)  # as a terminal does: to the children too
        _, err = program.communicate(timeout=10)
    assert (program.returncode, err.split()) == (130, ["stopped"])
    assert [path.name for path in out.iterdir()] == ["first"]
    assert not [path for path in (out / "first").iterdir() if path.name.startswith(".")]
    assert (out / "first" / "flight.json").is_file()


@pytest.mark.skipif(sys.platform == "win32", reason="no signal to oneself there")
def test_an_interrupt_that_python_drops_is_heeded(monkeypatch: pytest.MonkeyPatch, interruptible: None) -> None:
    """Where KeyboardInterrupt is swallowed, as in a finaliser, the run still ends by it, with its own handler gone."""
    waiting = connection.wait
    dropped: list[bool] = []

    def wait(ends: list[Any], timeout: float) -> list[Any]:
        if not dropped:
            with contextlib.suppress(KeyboardInterrupt):
                dropped.append(True)
                os.kill(os.getpid(), signal.SIGINT)
                time.sleep(1.0)
        return waiting(ends, timeout)

    monkeypatch.setattr(connection, "wait", wait)
    with pytest.raises(KeyboardInterrupt):
        run_task(_deaf)
    assert dropped
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="no list of processes here")
def test_no_child_outlives_its_parent(tmp_path: Path, long_clip: Path) -> None:
    """When the program itself is killed, the process that reads for it ends too."""
    words = ["score", str(long_clip), "-o", str(tmp_path / "out"), "--quiet"]
    with subprocess.Popen([sys.executable, "-m", "fieldscore", *words], start_new_session=True) as program:
        end = time.monotonic() + 60
        while len(_session(program.pid)) < 2 and time.monotonic() < end:
            time.sleep(0.02)
        program.kill()
    while _session(program.pid) and time.monotonic() < end:
        time.sleep(0.02)
    assert not _session(program.pid)


def _session(number: int) -> list[int]:
    """Processes of a session that still run."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, *fields = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[2]) == number and state != "Z":
            found.append(int(path.parent.name))
    return found
