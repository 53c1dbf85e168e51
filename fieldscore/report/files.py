"""The results folder of a flight: each file written whole or not at all, nothing foreign overwritten."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from fieldscore.comparison import Comparison
from fieldscore.errors import ResultsError
from fieldscore.record import FlightRecord
from fieldscore.report.archive import npz_bytes
from fieldscore.report.compare_page import Pictures, render_comparison
from fieldscore.report.comparison import comparison_json, pairs_csv
from fieldscore.report.flight import SCHEMA, dump_json, flight_json
from fieldscore.report.html import render_html
from fieldscore.report.names import folder_name
from fieldscore.report.recovery import Tested, recovery_json, render_recovery
from fieldscore.report.words import visible
from fieldscore.score import Score

FLIGHT_FILE = "flight.json"
TIMELINE_FILE = "timeline.csv"
TILES_FILE = "tiles.npz"
EVIDENCE_FILE = "evidence.npz"
PLACES_FILE = "places.npz"
REPORT_FILE = "report.html"
RECOVERY_FILE = "recovery.json"
COMPARISON_FILE = "comparison.json"
PAIRS_FILE = "pairs.csv"
_TEMPORARY = ".fieldscore-"  # start of the name of every temporary file
_TEMPORARY_END = ".tmp"
_MOST_OF_A_NAME = 999  # flights of one name in one folder
_MAX_FLIGHT_BYTES = 64_000_000  # a flight.json of a day's flight is under 10 MB: more is something else
# A spreadsheet takes a cell that begins so for a formula; file names reach the provenance lines.
_FORMULA = re.compile(r"([,;\t][\s\"]*)([=+\-@])")


def write_flight(score: Score, directory: Path, pictures: Mapping[float, bytes]) -> Path:
    """Write flight.json, timeline.csv, tiles.npz, evidence.npz, places.npz and report.html into a folder of that name.

    `pictures` are JPEG files by time of flight in seconds. Gives the folder. An existing folder is used again
    only if it is empty or holds an earlier result of the same files; another flight of that name (goggles use
    names again) gets a number behind it. ResultsError where a folder holds anything else, and where writing
    fails: then the earlier files are as they were.
    """
    flight = flight_json(score)
    # flight.json last: it is what makes the folder a result.
    contents: dict[str, bytes] = {
        TIMELINE_FILE: timeline_bytes(score),
        TILES_FILE: _tiles(score.record),
        EVIDENCE_FILE: _evidence(score.record),
        **_places(score.record),
        REPORT_FILE: render_html(score, pictures).encode("utf-8"),
        FLIGHT_FILE: dump_json(flight).encode("ascii"),
    }
    with _plain_errors(directory):
        folder = _folder_for(directory, score.record)
        _replace_all(folder, contents)
    return folder


def write_recovery(tests: Sequence[Tested], directory: Path) -> Path:
    """Write recovery.json and report.html of a recovery test into a folder; gives the report's path.

    ResultsError where the folder holds a report that is no recovery test's, and where writing fails.
    """
    contents = {
        REPORT_FILE: render_recovery(tests).encode("utf-8"),
        RECOVERY_FILE: dump_json(recovery_json(tests)).encode("ascii"),
    }
    return _write_sheet(directory, contents, RECOVERY_FILE, "recovery test")


def write_comparison(result: Comparison, directory: Path, pictures: Pictures) -> Path:
    """Write comparison.json, pairs.csv and report.html of a comparison into a folder; gives the report's path.

    ResultsError where the folder holds a report that is no comparison's, and where writing fails.
    """
    contents = {
        REPORT_FILE: render_comparison(result, pictures).encode("utf-8"),
        PAIRS_FILE: pairs_csv(result).encode("ascii"),
        COMPARISON_FILE: dump_json(comparison_json(result)).encode("ascii"),
    }
    return _write_sheet(directory, contents, COMPARISON_FILE, "comparison")


def _write_sheet(directory: Path, contents: Mapping[str, bytes], own: str, what: str) -> Path:
    """Write files into a folder unless it holds a report that does not go with the file `own`."""
    with _plain_errors(directory):
        directory.mkdir(parents=True, exist_ok=True)
        if (directory / REPORT_FILE).exists() and not (directory / own).is_file():
            raise ResultsError(
                f"{visible(str(directory))}: holds a {REPORT_FILE} that is no {what}'s; choose another --output"
            )
        _replace_all(directory, contents)
    return directory / REPORT_FILE


def timeline_bytes(score: Score) -> bytes:
    """timeline.csv of a score with the columns that scoring added; names made harmless for spreadsheets."""
    timeline = score.record.timeline
    provenance = {visible(key): harmless_cells(visible(text)) for key, text in timeline.provenance.items()}
    stream = io.StringIO(newline="")
    replace(timeline, provenance=provenance).write_csv(stream)
    return stream.getvalue().encode("utf-8")


def harmless_cells(text: str) -> str:
    """The text with an apostrophe before what a spreadsheet would take for a formula after a separator."""
    return _FORMULA.sub(r"\1'\2", text)


def read_flight(path: Path) -> dict[str, Any]:
    """The data of a flight.json; ResultsError where it is missing, damaged or not ours."""
    try:
        if path.stat().st_size > _MAX_FLIGHT_BYTES:
            raise ResultsError(
                f"{path.name}: {path.stat().st_size} bytes is too large for a result; score the clip again"
            )
        data = json.loads(path.read_text(encoding="utf-8"), parse_constant=_no_constant)
    except OSError as error:
        raise ResultsError(f"{path.name}: cannot be read ({error.strerror or error}); give a results folder") from error
    except (ValueError, RecursionError) as error:
        raise ResultsError(f"{path.name}: damaged ({error}); score the clip again") from error
    if not is_ours(data):
        raise ResultsError(f"{path.name}: not a fieldscore result; expected schema {SCHEMA}")
    return dict(data)


def is_ours(data: object) -> bool:
    """Say whether JSON data is a flight's result, of whatever version."""
    return isinstance(data, dict) and str(data.get("schema", "")).startswith(SCHEMA.partition("/")[0] + "/")


def _folder_for(directory: Path, record: FlightRecord) -> Path:
    """The folder of a flight: its name, or the name and a number where another flight's results have it."""
    name = folder_name(record.name)
    for number in range(1, _MOST_OF_A_NAME + 1):
        folder = directory / (name if number == 1 else f"{name}-{number}")
        folder.mkdir(parents=True, exist_ok=True)
        if _is_for(folder, record):
            return folder
    raise ResultsError(
        f"{visible(str(directory))}: holds {_MOST_OF_A_NAME} flights named '{visible(record.name)}'; choose another --output"
    )


def _is_for(folder: Path, record: FlightRecord) -> bool:
    """Say whether a folder is empty or holds a result of the same files; left-over temporary files are deleted.

    ResultsError where it holds anything but a flight's result.
    """
    for path in folder.glob(f"{_TEMPORARY}*{_TEMPORARY_END}"):
        path.unlink(missing_ok=True)
    if not any(folder.iterdir()):
        return True
    advice = "choose another --output, or move it away"
    shown = visible(str(folder))
    if not (folder / FLIGHT_FILE).is_file():
        raise ResultsError(f"{shown}: is there already and is not a fieldscore result; {advice}")
    try:
        earlier = read_flight(folder / FLIGHT_FILE)
    except ResultsError as error:
        raise ResultsError(f"{shown}: is there already and is not a fieldscore result ({error}); {advice}") from error
    clip, about = earlier.get("clip"), earlier.get("record")
    if not isinstance(clip, dict) or not isinstance(about, dict):
        return False
    return clip.get("sha256") == list(record.clip.sha256) and about.get("name") == record.name


def _replace_all(folder: Path, contents: Mapping[str, bytes]) -> None:
    """Write every file beside its place first, then put all in place: a full disk changes nothing."""
    ready: list[tuple[Path, Path]] = []
    try:
        for name, data in contents.items():
            handle, temporary = tempfile.mkstemp(prefix=f"{_TEMPORARY}{name}-", suffix=_TEMPORARY_END, dir=folder)
            ready.append((Path(temporary), folder / name))
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(temporary, 0o666 & ~_umask())
        for temporary_path, place in ready:
            os.replace(temporary_path, place)
    finally:
        for temporary_path, _ in ready:
            temporary_path.unlink(missing_ok=True)


def _umask() -> int:
    """The process's file mode mask: temporary files are private, results as readable as any file."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


@contextlib.contextmanager
def _plain_errors(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        cause = error.strerror or type(error).__name__
        raise ResultsError(f"{visible(str(folder))}: cannot be written ({cause}); choose another --output") from error


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not JSON")


def _tiles(record: FlightRecord) -> bytes:
    time_s = np.asarray(record.tiles.time_s, dtype=np.float64)
    return npz_bytes({"time_s": time_s, "readable": np.asarray(record.tiles.readable, dtype=np.float32)})


def _places(record: FlightRecord) -> dict[str, bytes]:
    """places.npz by its name; nothing for a record that was loaded from results without it."""
    if record.places is None:
        return {}
    time_s = np.asarray(record.places.time_s, dtype=np.float64)
    return {PLACES_FILE: npz_bytes({"time_s": time_s, "descriptors": np.asarray(record.places.descriptors, np.int8)})}


def _evidence(record: FlightRecord) -> bytes:
    evidence = record.evidence
    lengths = [len(thumb) for thumb in evidence.thumbs]
    return npz_bytes(
        {
            "thumb_time_s": np.asarray(evidence.thumb_time_s, dtype=np.float64),
            "thumb_bytes": np.frombuffer(b"".join(evidence.thumbs), dtype=np.uint8),
            "thumb_offsets": np.concatenate([[0], np.cumsum(lengths, dtype=np.int64)]).astype(np.int64),
            "histogram": np.asarray(evidence.histogram, dtype=np.uint16),
        }
    )
