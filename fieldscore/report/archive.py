"""Arrays in .npz files: written without pickles, read back only in the shape and type that is expected."""

from __future__ import annotations

import math
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any, BinaryIO

import numpy as np
import numpy.typing as npt

from fieldscore.errors import ResultsError
from fieldscore.spool import let_go

# None stands for any length along that side.
Shape = tuple[int | None, ...]
_PIECE_BYTES = 4_000_000  # written or read at a time
_MAX_VALUES = 2**31  # values in one array: 10 hours of histograms at 60 frames a second; more is no flight


def write_npz(stream: BinaryIO, arrays: Mapping[str, npt.NDArray[Any]]) -> None:
    """Write a compressed .npz file of these arrays, a piece at a time.

    Where an array is a view of a file, its pages are let go of again: of a long flight they are more than all the rest.
    """
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, array in arrays.items():
            member = zipfile.ZipInfo(f"{name}.npy")  # with the same date in every file, so that equal results are equal
            member.compress_type = zipfile.ZIP_DEFLATED
            with archive.open(member, "w", force_zip64=True) as file:
                header = np.lib.format.header_data_from_array_1_0(array)
                np.lib.format.write_array_header_2_0(file, {**header, "fortran_order": False})
                rows = max(1, _PIECE_BYTES // max(1, array[:1].nbytes))
                for start in range(0, len(array), rows):
                    file.write(array[start : start + rows].tobytes())
                    let_go(array)


class Archive:
    """An open .npz file. `take` gives one array; ResultsError names the file and what is wrong with it.

    The size an array claims is checked before memory is set aside for it, and no pickle is ever loaded.
    """

    def __init__(self, path: Path) -> None:
        """Open the file; ResultsError where it is missing or no .npz file."""
        self._name = path.name
        try:
            self._zip = zipfile.ZipFile(path)
        except OSError as error:
            raise ResultsError(
                f"{path.name}: cannot be read ({error.strerror or error}); score the clip again"
            ) from error
        except zipfile.BadZipFile as error:
            raise ResultsError(f"{path.name}: damaged ({error}); score the clip again") from error

    def __enter__(self) -> Archive:
        """Use as a context manager."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self._zip.close()

    def take(self, name: str, dtype: npt.DTypeLike, shape: Shape) -> npt.NDArray[Any]:
        """One array of this type and shape (None: any length); ResultsError for anything else."""
        try:
            with self._zip.open(f"{name}.npy") as stream:
                found = _header(stream)
                self._check(name, found, np.dtype(dtype), shape)
                data, given = _bytes_of(stream, math.prod(found[0]) * found[1].itemsize)
        except KeyError as error:
            raise ResultsError(f"{self._name}: has no '{name}'; score the clip again") from error
        except (
            OSError,
            ValueError,
            EOFError,
            MemoryError,
            zipfile.BadZipFile,
            NotImplementedError,
            zlib.error,
        ) as error:
            raise ResultsError(f"{self._name}: '{name}' is damaged ({error}); score the clip again") from error
        if given != len(data):
            raise ResultsError(
                f"{self._name}: '{name}' is damaged ({given} of {len(data)} bytes); score the clip again"
            )
        array = data.view(found[1])
        return array.reshape(found[0], order="F" if found[2] else "C")

    def _check(
        self,
        name: str,
        found: tuple[tuple[int, ...], np.dtype[Any], bool],
        dtype: np.dtype[Any],
        shape: Shape,
    ) -> None:
        sides, kind, _ = found
        fits = len(sides) == len(shape) and all(
            want is None or side == want for side, want in zip(sides, shape, strict=True)
        )
        if not fits or kind != dtype or math.prod(sides) > _MAX_VALUES:
            expected = "x".join("any" if side is None else str(side) for side in shape)
            given = "x".join(map(str, sides))
            raise ResultsError(
                f"{self._name}: '{name}' is {given} of {kind}, expected {expected} of {dtype}; score the clip again"
            )


def _bytes_of(stream: IO[bytes], size: int) -> tuple[npt.NDArray[np.uint8], int]:
    """So many bytes of a stream, and how many it gave: fewer, or one more where it goes on. A piece at a time."""
    data = np.empty(size, np.uint8)
    given = 0
    while piece := stream.read(min(_PIECE_BYTES, size + 1 - given)):
        kept = np.frombuffer(piece, np.uint8)[: size - given]
        data[given : given + len(kept)] = kept
        given += len(piece)
    return data, given


def _header(stream: IO[bytes]) -> tuple[tuple[int, ...], np.dtype[Any], bool]:
    """Shape, type and whether columns come first, from the start of a .npy stream."""
    version = np.lib.format.read_magic(stream)
    read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
    shape, by_columns, dtype = read(stream)
    if dtype.hasobject:
        raise ValueError("holds objects, not numbers")
    return shape, dtype, by_columns
