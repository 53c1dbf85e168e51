"""A temporary file for what a pass gathers and nobody reads before its end."""

from __future__ import annotations

import contextlib
import ctypes
import mmap
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldscore.errors import NotMeasurableError
from fieldscore.leftovers import PREFIX


class Spool:
    """A temporary file that grows during a pass. NotMeasurableError, with what to do, where it cannot be written."""

    def __init__(self) -> None:
        with told():
            self._file = tempfile.TemporaryFile(prefix=PREFIX)  # noqa: SIM115 - closed by close()

    def write(self, data: bytes) -> None:
        """Append."""
        with told():
            self._file.write(data)

    def view(self, dtype: npt.DTypeLike, shape: tuple[int, ...]) -> npt.NDArray[Any]:
        """Give all of it as an array that is read from the file."""
        with told():
            self._file.flush()
            return np.memmap(self._file, dtype=dtype, mode="r", shape=shape) if shape[0] else np.zeros(shape, dtype)

    def close(self) -> None:
        """Let go of it; arrays given out keep their own hold."""
        with contextlib.suppress(OSError):  # what could not be written is not wanted any more
            self._file.close()


@contextlib.contextmanager
def temporary_folder() -> Iterator[Path]:
    """A folder that is gone afterwards, whatever happens. NotMeasurableError where there can be none."""
    with told():
        folder = tempfile.TemporaryDirectory(prefix=PREFIX, ignore_cleanup_errors=True)
    with folder as path:
        yield Path(path).absolute()


@contextlib.contextmanager
def told() -> Iterator[None]:
    """Turn a failure to write temporary files into a NotMeasurableError that says what to do."""
    try:
        yield
    except OSError as error:
        folder = tempfile.gettempdir()
        raise NotMeasurableError(
            f"the folder for temporary files, {folder}, cannot be written ({error.strerror or error}); "
            "make room there, or name another with the environment variable TMPDIR"
        ) from error


def give_back() -> None:
    """Give memory that is free back to the system: after many pictures at once an allocator keeps what they took up.

    Where the C library is glibc; elsewhere nothing is done.
    """
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def let_go(array: npt.NDArray[Any]) -> None:
    """Give back the memory that pages of a file take up, where an array is a view of one."""
    base: Any = array
    while base is not None and not isinstance(base, mmap.mmap):
        base = getattr(base, "base", None)
    if base is not None and hasattr(mmap, "MADV_DONTNEED"):
        base.madvise(mmap.MADV_DONTNEED)
