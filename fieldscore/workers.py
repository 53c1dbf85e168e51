"""Work in processes of its own: a file that kills its decoder, eats memory or never ends costs one line, not the run.

Nothing here knows about clips. A task is a function of a module and its arguments; it is done in a child process under a
memory limit, and the child is killed when it has been silent for too long. An idle child is kept for the next task,
since starting one costs as long as a short clip.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib
import multiprocessing
import os
import signal
import threading
import time
import traceback
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import connection
from pathlib import Path
from types import FrameType
from typing import Any

from fieldscore.confine import limit, silence
from fieldscore.errors import FieldscoreError
from fieldscore.leftovers import discard
from fieldscore.tasks import Tasks

GIB = 1 << 30
# Address space of a child. The largest picture accepted (8192 x 4352, 10 bit, 4:2:0) is 107 MB; 16 references and 16
# decoding threads of it are 3.4 GB, two read ahead and two in hand 0.4 GB, the libraries 0.6 GB, stacks and heaps of threads 1 GB.
MEMORY_BYTES = 6 * GIB
# A child that shows no progress for so long is stuck. Every picture decoded, every stretch of a file read for the first
# time and every step of a job counts (see `alive`): the longest between two is the scoring of a long flight.
SILENT_S = 180.0
START_S = 60.0  # more for a child that has yet to start: imports from a slow disk
ALIVE_EVERY_S = 0.25  # at most so often does a child say so
STOP_GRACE_S = 0.5  # from the request to end to the kill: an interrupt has to work within a second
TASKS_A_CHILD = 200  # then a fresh one, so that no leak of a library adds up
_NO_MEMORY = "Insufficient memory"  # OpenCV's own error says so
_POLL_S = 0.25  # an interrupt that Python dropped is heeded after so long; how often silence is looked at
_PYTHON_CODES = (0, 1)  # exit codes of Python itself: a child that could not start

# What a task may call to say how far it is: the time reached and the whole, in seconds (None where not known).
Progress = Callable[[float, float | None], None]
Watch = Callable[[int, float, float | None], None]


class WorkerError(RuntimeError):
    """A bug in a child process: the message is the child's own traceback."""


@dataclass(frozen=True)
class Limits:
    """What a child may use: address space in bytes (None: as much as there is), seconds without a word."""

    memory_bytes: int | None = MEMORY_BYTES
    silent_s: float = SILENT_S


@dataclass(frozen=True)
class Ended:
    """How a task ended: its value; or `error`, the input's failure in one line; or `died`, how its process was lost."""

    value: Any = None
    error: str | None = None
    died: str | None = None


def run_tasks(
    function: Callable[..., Any],
    arguments: Sequence[tuple[Any, ...]],
    *,
    workers: int = 1,
    watch: Watch | None = None,
    limits: Limits | None = None,
) -> Generator[tuple[int, Ended], None, None]:
    """Call `function(*arguments[n], progress)` for each n in a child process, `workers` at a time; give (n, Ended) as they end.

    See `do_tasks`; here tasks start in their order.
    """
    tasks = Tasks()
    for each in arguments:
        tasks.put(function, *each)
    return do_tasks(tasks, workers=workers, watch=watch, limits=limits)


def do_tasks(
    tasks: Tasks, *, workers: int = 1, watch: Watch | None = None, limits: Limits | None = None
) -> Generator[tuple[int, Ended], None, None]:
    """Do each task in a child process, `workers` at a time; give (its number, Ended) as they end.

    More may be put in whenever one has been given. A FieldscoreError becomes `error`, want of memory `died`. Any other
    exception is a bug: the other tasks are still done, then WorkerError is raised with its traceback. Closing the
    generator stops the children.
    """
    limits = limits or Limits()
    busy: dict[int, _Child] = {}
    bug: str | None = None
    interrupts = _Interrupts()
    try:
        while tasks or busy:
            interrupts.heed()
            while tasks and len(busy) < workers:
                task = tasks.take()
                busy[task.number] = _child(limits)
                busy[task.number].ask(task.function, task.arguments)
            for number, message in _heard(busy, limits):
                if message[0] in ("at", "alive"):
                    if watch is not None and message[0] == "at":
                        watch(number, message[1], message[2])
                    continue
                child = busy.pop(number)
                _keep(child, workers) if message[0] != "died" else child.stop()
                if message[0] == "bug":
                    bug = bug or str(message[1])
                else:
                    yield number, Ended(**{str(message[0]): message[1]})
    finally:
        interrupts.close()
        _stop([*busy.values(), *_idle[1:]])
        del _idle[1:]
    if bug is not None:
        raise WorkerError(f"a bug in fieldscore; please report it with these lines:\n{bug}")


def run_task(function: Callable[..., Any], *arguments: Any, limits: Limits | None = None) -> Ended:
    """Call `function(*arguments, progress)` in a child process."""
    ((_, ended),) = run_tasks(function, [arguments], limits=limits)
    return ended


def warm_up(module: str) -> None:
    """Start a child that imports `module` while the caller goes on with its own imports."""
    if not _idle:
        _idle.append(_Child(Limits(), module))


def _heard(busy: dict[int, _Child], limits: Limits) -> list[tuple[int, tuple[Any, ...]]]:
    """Wait for the children; a message of each that has one, or ("died", how)."""
    ends: dict[Any, int] = {}
    for number, child in busy.items():
        ends[child.pipe] = ends[child.process.sentinel] = number
    ready = {ends[end] for end in connection.wait(list(ends), _POLL_S)}
    found: list[tuple[int, tuple[Any, ...]]] = []
    for number, child in busy.items():
        if number in ready:
            found.append((number, child.hear()))
        elif time.monotonic() - child.heard_s > limits.silent_s:
            child.stop()
            found.append((number, ("died", f"stuck for {limits.silent_s:g} s")))
    return found


class _Child:
    """A process that does one task after another."""

    def __init__(self, limits: Limits, module: str | None = None) -> None:
        context = multiprocessing.get_context("spawn")  # PyAV does not survive a fork
        self.limits = limits
        self.tasks = 0
        self.pipe, other = context.Pipe()
        self.process = context.Process(target=_serve, args=(other, limits.memory_bytes, module), daemon=True)
        with _no_interrupt():  # so that what has been started is always known, and stopped in the end
            self.process.start()
            _alive.add(self)
        other.close()
        self.heard_s = time.monotonic()

    def ask(self, function: Callable[..., Any], arguments: tuple[Any, ...]) -> None:
        """Hand over a task."""
        self.heard_s = time.monotonic() + (0.0 if self.tasks else START_S)
        self.tasks += 1
        with contextlib.suppress(BrokenPipeError, ConnectionError):  # dead already: `hear` will say so
            self.pipe.send((os.getcwd(), function, arguments))

    def hear(self) -> tuple[Any, ...]:
        """What it says; ("died", how) where it is no more."""
        try:
            message: tuple[Any, ...] = self.pipe.recv()
        except (EOFError, OSError):
            self.process.join(STOP_GRACE_S)
            return self._last_word()
        self.heard_s = time.monotonic()
        return message

    def _last_word(self) -> tuple[str, str]:
        code = self.process.exitcode
        if code in _PYTHON_CODES:
            return "bug", f"a worker process ended with exit code {code}"
        if code is None:
            return "died", "its pipe broke"
        if code > 0:
            return "died", f"exit code {code:#x}"
        with contextlib.suppress(ValueError):
            name = signal.Signals(-code).name
            return "died", f"{name}, perhaps out of memory" if name == "SIGKILL" else name
        return "died", f"signal {-code}"

    def stop(self) -> None:
        """End it: asked first, so that it can clean up, then by force."""
        _stop([self])


class _Interrupts:
    """Sees to it that an interrupt is heeded.

    Python raises KeyboardInterrupt wherever it happens to be, and drops it where that is a finaliser or a callback.
    """

    def __init__(self) -> None:
        self._asked = False
        main = threading.current_thread() is threading.main_thread()
        self._ours = main and signal.getsignal(signal.SIGINT) is signal.default_int_handler
        if self._ours:
            signal.signal(signal.SIGINT, self._noted)

    def _noted(self, number: int, frame: FrameType | None) -> None:
        self._asked = True
        signal.default_int_handler(number, frame)

    def heed(self) -> None:
        """Raise KeyboardInterrupt if there was one and the work still goes on."""
        if self._asked:
            raise KeyboardInterrupt

    def close(self) -> None:
        """Leave interrupts to Python again."""
        if self._ours:
            signal.signal(signal.SIGINT, signal.default_int_handler)


_idle: list[_Child] = []
_alive: set[_Child] = set()


def _child(limits: Limits) -> _Child:
    """An idle child with these limits, or a new one."""
    while _idle:
        child = _idle.pop()
        if child.limits.memory_bytes == limits.memory_bytes and child.process.is_alive():
            return child
        child.stop()
    return _Child(limits)


def _keep(child: _Child, most: int) -> None:
    """Keep an idle child for the tasks to come, unless there are enough; after the last one is kept."""
    if len(_idle) < most and child.tasks < TASKS_A_CHILD and child.process.is_alive():
        _idle.append(child)
    else:
        child.stop()


def _stop(children: Sequence[_Child]) -> None:
    children = [child for child in children if child in _alive]
    for child in children:
        child.process.terminate()
    end = time.monotonic() + STOP_GRACE_S
    for child in children:
        child.process.join(max(0.0, end - time.monotonic()))
        if child.process.exitcode is None:
            child.process.kill()
            child.process.join()
        child.pipe.close()
        child.process.close()
        _alive.discard(child)


@atexit.register
def _stop_all() -> None:
    """At the end of the program; children of a process that was itself forked off are not its own."""
    _idle.clear()
    _stop([child for child in _alive if child.process._parent_pid == os.getpid()])  # type: ignore[attr-defined]


@contextlib.contextmanager
def _no_interrupt() -> Iterator[None]:
    """A child started meanwhile never sees the terminal's interrupt: its parent ends it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


_pipe: connection.Connection | None = None  # a child's way to its parent
_alive_s = 0.0  # when `alive` last spoke


def alive() -> None:
    """Say that the work goes on. Only for what cannot repeat without end, as a picture more of a finite file; free elsewhere."""
    global _alive_s  # noqa: PLW0603 - one child, one task at a time
    if _pipe is not None and time.monotonic() - _alive_s > ALIVE_EVERY_S:
        _alive_s = time.monotonic()
        _send(("alive",))


_sending = threading.Lock()  # a thread that reads ahead speaks, too


def _send(message: tuple[Any, ...]) -> None:
    if _pipe is not None:
        with _sending:
            _pipe.send(message)


class _StoppedError(BaseException):
    """Asked to end: lets `finally` clean up."""


def _serve(pipe: connection.Connection, memory_bytes: int | None, module: str | None) -> None:
    """The child: tasks until the pipe ends."""
    global _pipe  # noqa: PLW0603 - set once, before any task
    _pipe = pipe
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _stopped)
    silence()
    limit(memory_bytes)
    threading.Thread(target=_follow_parent, daemon=True).start()
    try:
        if module is not None:
            importlib.import_module(module)
        while True:
            _answer(pipe)
    except (_StoppedError, EOFError, OSError):
        os._exit(0)


def _answer(pipe: connection.Connection) -> None:
    """Take a task, do it, say what came of it; also where it cannot be taken or its value cannot be sent."""
    try:
        task = pipe.recv()
        _send(("alive",))
        _send(_done(*task))
    except (EOFError, OSError):
        raise
    except Exception:  # noqa: BLE001 - a bug of ours: told to the parent whole
        _send(("bug", traceback.format_exc()))


def _done(folder: str, function: Callable[..., Any], arguments: tuple[Any, ...]) -> tuple[str, Any]:
    """Do one task; what it gave, and as what."""
    with contextlib.suppress(OSError):
        os.chdir(folder)
    try:
        return "value", function(*arguments, lambda at, of: _send(("at", at, of)))
    except FieldscoreError as error:
        return "error", str(error)
    except Exception as error:  # noqa: BLE001 - a bug of ours: told to the parent whole
        if isinstance(error, MemoryError) or _NO_MEMORY in str(error):
            return "died", "out of memory"
        return "bug", traceback.format_exc()


def _stopped(number: int, frame: FrameType | None) -> None:
    raise _StoppedError


_heirloom: Path | None = None


def inherit(folder: Path) -> None:
    """Discard a temporary folder of the parent's when the parent is gone without having done so."""
    global _heirloom  # noqa: PLW0603 - one child, one parent
    _heirloom = folder


def _follow_parent() -> None:
    """End when the parent is gone, whatever it died of."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        with contextlib.suppress(Exception):  # to end matters more
            if _heirloom is not None:
                discard(_heirloom)
        os._exit(0)
