"""A saved flight read back, to score it again without its video."""

from __future__ import annotations

import csv
import warnings
from collections.abc import Mapping
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any

import numpy as np

from fieldscore.errors import ResultsError
from fieldscore.measure import Column
from fieldscore.record import ClipFacts, Evidence, FlightRecord, PictureFacts, Places, StoredPictures, TileSeries
from fieldscore.report.archive import Archive
from fieldscore.report.files import EVIDENCE_FILE, FLIGHT_FILE, PLACES_FILE, TILES_FILE, TIMELINE_FILE, read_flight
from fieldscore.report.flight import DERIVED_NAMES, columns_of
from fieldscore.timeline import Timeline

_MAX_TIMELINE_BYTES = 4_000_000_000  # 10 hours at 60 frames a second are 1 GB
_HISTOGRAM_BINS = 256
_BORDERS = 4


def load_record(path: Path) -> FlightRecord:
    """The record saved in a results folder; its flight.json or timeline.csv will do as well.

    ResultsError, in one line, where a file is missing, damaged or does not go with the others.
    """
    folder = path if path.is_dir() else path.parent
    if not path.exists():
        raise ResultsError(f"{path.name}: not found; give a results folder, its flight.json or its timeline.csv")
    if not path.is_dir() and path.name not in (FLIGHT_FILE, TIMELINE_FILE):
        raise ResultsError(f"{path.name}: not a fieldscore result; give a results folder, flight.json or timeline.csv")
    data = read_flight(folder / FLIGHT_FILE)
    try:
        columns = columns_of(data)
        record = _mapping(data, "record")
        name, notes = record["name"], tuple(record["notes"])
        clip, picture = _clip(_mapping(data, "clip")), _picture(_mapping(data, "picture"))
        if not isinstance(name, str) or not all(isinstance(note, str) for note in notes):
            raise TypeError("record: name and notes must be text")
        settings = dict(_mapping(record, "settings"))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise ResultsError(f"{FLIGHT_FILE}: damaged ({_told(error)}); score the clip again") from error
    timeline = _timeline(folder / TIMELINE_FILE, columns)
    return FlightRecord(
        name=name,
        timeline=timeline,
        tiles=_tiles(folder / TILES_FILE),
        evidence=_evidence(folder / EVIDENCE_FILE, len(timeline)),
        clip=clip,
        picture=picture,
        settings=settings,
        notes=notes,
        places=_places(folder / PLACES_FILE),
    )


def _timeline(path: Path, columns: Mapping[str, Column]) -> Timeline:
    """The table without what scoring added; every column of the record must be there."""
    try:
        size = path.stat().st_size
    except OSError as error:
        raise ResultsError(f"{path.name}: cannot be read ({error.strerror or error}); score the clip again") from error
    if size > _MAX_TIMELINE_BYTES:
        raise ResultsError(f"{path.name}: {size} bytes is too large for a timeline; score the clip again")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # a table without rows is told below
            table = Timeline.read_csv(path, columns)
    except csv.Error as error:
        raise ResultsError(f"{path.name}: damaged ({error}); score the clip again") from error
    except ResultsError as error:
        raise ResultsError(" ".join(str(error).split())) from error  # the reader may list every bad row
    if not len(table):
        raise ResultsError(f"{path.name}: holds no frame; score the clip again")
    missing = [name for name in columns if name not in table]
    if missing:
        raise ResultsError(f"{path.name}: has no column '{missing[0]}'; score the clip again")
    kept = tuple(column for column in table.columns if column.name not in DERIVED_NAMES)
    return Timeline(table.time_s, {column.name: table.values[column.name] for column in kept}, kept, table.provenance)


def _tiles(path: Path) -> TileSeries:
    with Archive(path) as archive:
        time_s = archive.take("time_s", np.float64, (None,))
        return TileSeries(time_s, archive.take("readable", np.float32, (len(time_s), None, None)))


def _places(path: Path) -> Places | None:
    """The places, or None where the results were saved before there were any."""
    if not path.exists():
        return None
    with Archive(path) as archive:
        time_s = archive.take("time_s", np.float64, (None,))
        descriptors = archive.take("descriptors", np.int8, (len(time_s), None, None))
    if not np.all(np.isfinite(time_s)) or bool(np.any(np.diff(time_s) <= 0)):
        raise ResultsError(f"{path.name}: 'time_s' does not rise; score the clip again")
    return Places(time_s, descriptors)


def _evidence(path: Path, rows: int) -> Evidence:
    with Archive(path) as archive:
        time_s = archive.take("thumb_time_s", np.float64, (None,))
        offsets = archive.take("thumb_offsets", np.int64, (len(time_s) + 1,))
        data = archive.take("thumb_bytes", np.uint8, (None,))
        histogram = archive.take("histogram", np.uint16, (rows, _HISTOGRAM_BINS))
    if offsets[0] != 0 or offsets[-1] != len(data) or bool(np.any(np.diff(offsets) < 0)):
        raise ResultsError(f"{path.name}: 'thumb_offsets' do not fit the pictures; score the clip again")
    return Evidence(time_s, StoredPictures(data, offsets), histogram)


def _clip(data: Mapping[str, Any]) -> ClipFacts:
    """The facts of the clip, each checked against the type its field declares."""
    values: dict[str, Any] = {}
    for entry in fields(ClipFacts):
        if entry.name not in data and entry.default is not MISSING:
            continue
        values[entry.name] = _as(str(entry.type), data[entry.name], entry.name)
    return ClipFacts(**values)


def _as(kind: str, value: Any, name: str) -> Any:
    """A JSON value as the type of a field, or TypeError."""
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if kind == "tuple[str, ...]" and isinstance(value, list) and all(isinstance(one, str) for one in value):
        return tuple(value)
    if kind == "str | None" and (value is None or isinstance(value, str)):
        return value
    if kind == "float | None" and (value is None or number):
        return None if value is None else float(value)
    if kind == "float" and (value is None or number):
        return float("nan") if value is None else float(value)
    if kind == "int" and isinstance(value, int) and not isinstance(value, bool):
        return value
    if (kind == "str" and isinstance(value, str)) or (kind == "bool" and isinstance(value, bool)):
        return value
    raise TypeError(f"clip: '{name}' is {value!r}, expected {kind}")


def _picture(data: Mapping[str, Any]) -> PictureFacts:
    border = data["border_px"]
    if not isinstance(border, list) or len(border) != _BORDERS or not all(isinstance(side, int) for side in border):
        raise TypeError(f"picture: 'border_px' is {border!r}, expected four whole numbers")
    top, right, bottom, left = border
    return PictureFacts((top, right, bottom, left), float(data["overlay_percent"]))


def _mapping(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = data[key]
    if not isinstance(value, dict):
        raise TypeError(f"'{key}' is {value!r}, expected names and values")
    return value


def _told(error: Exception) -> str:
    return f"no {error}" if isinstance(error, KeyError) else str(error)
