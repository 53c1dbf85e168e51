"""The Timeline: a time axis and named columns with units. Left of it video and minutes, right of it arrays."""

from __future__ import annotations

import csv
import io
import math
import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fieldscore.errors import ResultsError
from fieldscore.intervals import usual_interval
from fieldscore.measure import Column

Series = npt.NDArray[np.float64]

# What is saved, and so what is kept: a flight scored from its table must give the same figures.
DECIMALS, TIME_DECIMALS = 4, 6
_TOLD = 160  # characters of a reader's complaint: it may list every bad row
_ROWS_AT_ONCE = 4096  # rows written or read together: bounds memory, no effect on the file


@dataclass(frozen=True)
class Timeline:
    """A table of one row a frame (or field): `time_s` [n] in seconds, and a float array [n] for each column.

    NaN means not measurable on that frame. `provenance` says where the rows came from.
    """

    time_s: Series
    values: Mapping[str, npt.NDArray[np.floating]]
    columns: tuple[Column, ...]
    provenance: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse columns of another length than the time axis."""
        for column in self.columns:
            if len(self.values[column.name]) != len(self.time_s):
                raise ValueError(
                    f"column {column.name}: {len(self.values[column.name])} values for {len(self.time_s)} times"
                )

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.time_s)

    def __contains__(self, name: object) -> bool:
        """Say whether there is a column of that name."""
        return name in self.values

    def __getitem__(self, name: str) -> Series:
        """Give one column as float64 [n]; KeyError names it if there is none."""
        return np.asarray(self.values[name], dtype=np.float64)

    @property
    def interval_s(self) -> float:
        """Usual time between rows in seconds, not rounded as the times may be; NaN with fewer than two rows."""
        return usual_interval(np.diff(self.time_s)) if len(self) > 1 else math.nan

    def with_columns(self, added: Iterable[tuple[Column, npt.ArrayLike]]) -> Timeline:
        """Give a Timeline with these columns too; a column of the same name is replaced in place."""
        values = dict(self.values)
        columns = {column.name: column for column in self.columns}
        for column, data in added:
            values[column.name] = np.asarray(data, dtype=np.float64)
            columns[column.name] = column
        return replace(self, values=values, columns=tuple(columns.values()))

    def between(self, from_s: float, to_s: float) -> npt.NDArray[np.bool_]:
        """Mask [n] of the rows in from_s <= time <= to_s."""
        return np.asarray((self.time_s >= from_s) & (self.time_s <= to_s))

    def write_csv(self, stream: io.TextIOBase) -> None:
        """Write `#` provenance lines, a header row, a unit row, then a row a frame; an empty cell is NaN."""
        for key, text in self.provenance.items():
            stream.write(f"# {key}: {_one_line(text)}\n")
        stream.write(",".join(["time_s", *(column.name for column in self.columns)]) + "\n")
        stream.write(",".join(["s", *(column.unit for column in self.columns)]) + "\n")
        arrays = [np.asarray(self.values[column.name], dtype=np.float64) for column in self.columns]
        for start in range(0, len(self), _ROWS_AT_ONCE):
            stop = start + _ROWS_AT_ONCE
            cells = [[f"{time:.{TIME_DECIMALS}f}" for time in self.time_s[start:stop]]]
            cells += [[_cell(value) for value in array[start:stop].tolist()] for array in arrays]
            stream.write("\n".join(map(",".join, zip(*cells, strict=True))) + "\n")

    @classmethod
    def read_csv(cls, path: Path, known: Mapping[str, Column] | None = None) -> Timeline:
        """Read a table written by `write_csv`; ResultsError says which line is wrong.

        `known` gives the meaning of columns by name; another column keeps its unit and an empty meaning.
        """
        known = known or {}
        provenance: dict[str, str] = {}
        try:
            with path.open(encoding="utf-8", newline="") as stream:
                line = stream.readline()
                while line.startswith("#"):
                    key, _, text = line[1:].strip().partition(": ")
                    provenance[key] = text
                    line = stream.readline()
                names = next(csv.reader([line]))
                units = next(csv.reader([stream.readline()]))
                table = _cells(stream)
        except (OSError, UnicodeError, ValueError, StopIteration, csv.Error) as error:
            cause = " ".join(str(error).split())[:_TOLD] or "it ends before its first row"
            raise ResultsError(
                f"{path.name}: not a fieldscore timeline ({cause}); give the timeline.csv of a results folder"
            ) from error
        if not names or names[0] != "time_s" or len(units) != len(names):
            raise ResultsError(
                f"{path.name}: not a fieldscore timeline: the header row must start with time_s, then a row of units"
            )
        if table.size == 0:
            table = np.empty((0, len(names)))
        if table.shape[1] != len(names):
            raise ResultsError(
                f"{path.name}: {table.shape[1]} values in a row for {len(names)} columns; the file is damaged"
            )
        if not (np.isfinite(table[:, 0]).all() and (np.diff(table[:, 0]) > 0).all()):
            raise ResultsError(f"{path.name}: a time is missing or goes back; the file is damaged")
        columns = tuple(
            known.get(name, Column(name, unit, "neither", "")) for name, unit in zip(names[1:], units[1:], strict=True)
        )
        values = {column.name: table[:, index + 1].copy() for index, column in enumerate(columns)}
        return cls(table[:, 0].copy(), values, columns, provenance)


def _cells(stream: io.TextIOBase) -> Series:
    """The rest of a stream as numbers [rows, columns], an empty cell NaN; ValueError for any other text.

    Some thousand rows at once: NumPy's reader holds every cell as text until it is done.
    """
    parts: list[Series] = []
    rows = 0
    while some := list(islice(stream, _ROWS_AT_ONCE)):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # a table without rows is a table
            try:
                part = np.genfromtxt(some, dtype=np.float64, delimiter=",", comments="\0", ndmin=2, loose=False)
            except ValueError as error:
                raise ValueError(f"after row {rows}: {error}") from error
        if not part.size:
            continue
        if parts and part.shape[1] != parts[0].shape[1]:
            raise ValueError(f"after row {rows}: {part.shape[1]} values in a row, {parts[0].shape[1]} before")
        parts.append(np.asarray(part, dtype=np.float64))
        rows += len(part)
    return np.concatenate(parts) if parts else np.empty((0, 0))


def _cell(value: float) -> str:
    """Four decimals, no trailing zeros, empty for NaN."""
    if value != value:
        return ""
    text = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _one_line(text: str) -> str:
    """Keep a provenance value on its line, without control characters."""
    return "".join(character if character.isprintable() else "?" for character in text)
