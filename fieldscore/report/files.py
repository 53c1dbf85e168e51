"""The results folder of a flight: each file written whole or not at all, nothing foreign overwritten."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from fieldscore.comparison import Comparison
from fieldscore.errors import ResultsError
from fieldscore.record import FlightRecord, StoredPictures
from fieldscore.report.archive import write_npz
from fieldscore.report.compare_facts import Pictures
from fieldscore.report.compare_page import render_comparison
from fieldscore.report.compare_pdf import comparison_pdf
from fieldscore.report.comparison import comparison_json, pairs_csv
from fieldscore.report.flight import SCHEMA, dump_json, flight_json
from fieldscore.report.html import render_html
from fieldscore.report.names import folder_name
from fieldscore.report.pdf import flight_pdf, recovery_pdf
from fieldscore.report.recovery import Tested, recovery_json, render_recovery
from fieldscore.report.words import visible
from fieldscore.score import Score

FLIGHT_FILE = "flight.json"
TIMELINE_FILE = "timeline.csv"
TILES_FILE = "tiles.npz"
EVIDENCE_FILE = "evidence.npz"
PLACES_FILE = "places.npz"
REPORT_FILE = "report.html"
PDF_FILE = "report.pdf"
RECOVERY_FILE = "recovery.json"
COMPARISON_FILE = "comparison.json"
PAIRS_FILE = "pairs.csv"
# What puts a file of a result into an open one: of a long flight it is too much to be had as bytes.
Written = Callable[[BinaryIO], None]

_TEMPORARY = ".fieldscore-"  # start of the name of every temporary file
_TEMPORARY_END = ".tmp"
_EARLIER = "earlier-"  # in the name of a file that is being replaced
_MOST_OF_A_NAME = 999  # flights of one name in one folder
_MAX_FLIGHT_BYTES = 64_000_000  # a flight.json of a day's flight is under 10 MB: more is something else
# A spreadsheet takes a cell that begins so for a formula; file names reach the provenance lines.
_FORMULA = re.compile(r"([,;\t][\s\"]*)([=+\-@])")


def write_flight(score: Score, directory: Path, pictures: Mapping[float, bytes], *, pdf: bool = False) -> Path:
    """Write a flight's files and its report into a folder of its name; `pdf`: report.pdf, too.

    `pictures` are JPEG files by time of flight in seconds. Gives the folder. An existing folder is used again
    only if it is empty or holds an earlier result of the same files; another flight of that name (goggles use
    names again) gets a number behind it. ResultsError where a folder holds anything else, and where writing
    fails: then the earlier files are as they were.
    """
    flight = flight_json(score)
    # flight.json last: it is what makes the folder a result.
    contents: dict[str, bytes | Written] = {
        TIMELINE_FILE: partial(write_timeline, score),
        TILES_FILE: partial(_write_tiles, score.record),
        EVIDENCE_FILE: partial(_write_evidence, score.record),
        **_places(score.record),
        REPORT_FILE: render_html(score, pictures).encode("utf-8"),
        **({PDF_FILE: flight_pdf(score, pictures)} if pdf else {}),
        FLIGHT_FILE: dump_json(flight).encode("ascii"),
    }
    with _plain_errors(directory):
        folder = _folder_for(directory, score.record)
        _replace_all(folder, contents)
    return folder


def write_recovery(tests: Sequence[Tested], directory: Path, *, pdf: bool = False) -> Path:
    """Write recovery.json and report.html of a recovery test into a folder, with `pdf` report.pdf, too; gives the page's path.

    ResultsError where the folder holds a report that is no recovery test's, and where writing fails.
    """
    contents = {
        REPORT_FILE: render_recovery(tests).encode("utf-8"),
        **({PDF_FILE: recovery_pdf(tests)} if pdf else {}),
        RECOVERY_FILE: dump_json(recovery_json(tests)).encode("ascii"),
    }
    return _write_sheet(directory, contents, RECOVERY_FILE, "recovery test")


def write_comparison(result: Comparison, directory: Path, pictures: Pictures, *, pdf: bool = False) -> Path:
    """Write comparison.json, pairs.csv and report.html of a comparison into a folder, with `pdf` report.pdf, too.

    Gives the page's path.

    ResultsError where the folder holds a report that is no comparison's, and where writing fails.
    """
    contents = {
        REPORT_FILE: render_comparison(result, pictures).encode("utf-8"),
        **({PDF_FILE: comparison_pdf(result, pictures)} if pdf else {}),
        PAIRS_FILE: pairs_csv(result).encode("ascii"),
        COMPARISON_FILE: dump_json(comparison_json(result)).encode("ascii"),
    }
    return _write_sheet(directory, contents, COMPARISON_FILE, "comparison")


def _write_sheet(directory: Path, contents: Mapping[str, bytes], own: str, what: str) -> Path:
    """Write files into a folder unless it holds a report that does not go with the file `own`."""
    with _plain_errors(directory):
        directory.mkdir(parents=True, exist_ok=True)
        ours = (directory / own).is_file() or _left_over(directory, own)
        if (directory / REPORT_FILE).exists() and not ours:
            raise ResultsError(
                f"{visible(str(directory))}: holds a {REPORT_FILE} that is no {what}'s; choose another --output"
            )
        _replace_all(directory, contents)
    return directory / REPORT_FILE


def write_timeline(score: Score, stream: BinaryIO) -> None:
    """Write timeline.csv of a score with the columns that scoring added; names made harmless for spreadsheets."""
    timeline = score.record.timeline
    provenance = {visible(key): harmless_cells(visible(text)) for key, text in timeline.provenance.items()}
    text = io.TextIOWrapper(stream, encoding="utf-8", newline="")
    try:
        replace(timeline, provenance=provenance).write_csv(text)
        text.flush()
    finally:
        text.detach()  # the stream is not ours to close


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
    """Say whether a folder is empty, holds a result of the same files, or a half one of a killed run.

    ResultsError where it holds anything but a flight's result.
    """
    if _left_over(folder, FLIGHT_FILE):
        return True
    _clean_up(folder)
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
    known = all(record.clip.sha256)  # empty for a file that was taken away
    return known and clip.get("sha256") == list(record.clip.sha256) and about.get("name") == record.name


def _replace_all(folder: Path, contents: Mapping[str, bytes | Written]) -> None:
    """Replace the files of a result: all of them, or where that fails none.

    The last of `contents` is what makes the folder a result. It goes first and comes last, so that a program
    killed in between leaves no result at all rather than one of two halves. Its new file waits in the folder until
    then, which tells the next run that what it finds there is a left-over of ours (see `_left_over`).
    """
    marker = tuple(contents)[-1]
    _clean_up(folder, keep=marker if _left_over(folder, marker) else "")
    ready: list[tuple[Path, Path]] = []
    swapped: list[tuple[Path, Path | None]] = []
    try:
        for name, data in contents.items():
            handle, temporary = tempfile.mkstemp(prefix=f"{_TEMPORARY}{name}-", suffix=_TEMPORARY_END, dir=folder)
            ready.append((Path(temporary), folder / name))
            with os.fdopen(handle, "wb") as stream:
                if isinstance(data, bytes):
                    stream.write(data)
                else:
                    data(stream)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(temporary, 0o666 & ~_umask())
        _set_aside(ready[-1][1], swapped)
        for temporary_path, place in ready:
            if place != ready[-1][1]:
                _set_aside(place, swapped)
            os.replace(temporary_path, place)
        if PDF_FILE not in contents:
            (folder / PDF_FILE).unlink(missing_ok=True)  # of an earlier run: it would contradict the new figures
        _clean_up(folder)
    except BaseException:
        for place, earlier in reversed(swapped):
            with contextlib.suppress(OSError):
                place.unlink(missing_ok=True) if earlier is None else os.replace(earlier, place)
        raise
    finally:
        for path in [one for one, _ in ready] + [earlier for _, earlier in swapped if earlier is not None]:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


def _set_aside(place: Path, swapped: list[tuple[Path, Path | None]]) -> None:
    """Move an earlier file out of the way, where it can be had back from."""
    if not place.exists():
        swapped.append((place, None))
        return
    aside = place.with_name(f"{_TEMPORARY}{_EARLIER}{place.name}{_TEMPORARY_END}")
    os.replace(place, aside)
    swapped.append((place, aside))


def _left_over(folder: Path, marker: str) -> bool:
    """Say whether a run was killed while it wrote its result here: the file that makes it one still waits."""
    return not (folder / marker).exists() and any(folder.glob(f"{_TEMPORARY}{marker}-*{_TEMPORARY_END}"))


def _clean_up(folder: Path, keep: str = "") -> None:
    """Delete the temporary files of a killed run, but for those of the file named `keep`."""
    for path in folder.glob(f"{_TEMPORARY}*{_TEMPORARY_END}"):
        if not (keep and path.name.startswith(f"{_TEMPORARY}{keep}-")):
            path.unlink(missing_ok=True)


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


def _write_tiles(record: FlightRecord, stream: BinaryIO) -> None:
    time_s = np.asarray(record.tiles.time_s, dtype=np.float64)
    write_npz(stream, {"time_s": time_s, "readable": np.asarray(record.tiles.readable, dtype=np.float32)})


def _places(record: FlightRecord) -> dict[str, Written]:
    """places.npz by its name; nothing for a record that was loaded from results without it."""
    if record.places is None:
        return {}
    time_s = np.asarray(record.places.time_s, dtype=np.float64)
    arrays = {"time_s": time_s, "descriptors": np.asarray(record.places.descriptors, np.int8)}
    return {PLACES_FILE: partial(_write_arrays, arrays)}


def _write_arrays(arrays: Mapping[str, Any], stream: BinaryIO) -> None:
    write_npz(stream, arrays)


def _write_evidence(record: FlightRecord, stream: BinaryIO) -> None:
    evidence, thumbs = record.evidence, record.evidence.thumbs
    if not isinstance(thumbs, StoredPictures):
        lengths = [len(thumb) for thumb in thumbs]
        offsets = np.concatenate([[0], np.cumsum(lengths, dtype=np.int64)]).astype(np.int64)
        thumbs = StoredPictures(np.frombuffer(b"".join(thumbs), dtype=np.uint8), offsets)
    write_npz(
        stream,
        {
            "thumb_time_s": np.asarray(evidence.thumb_time_s, dtype=np.float64),
            "thumb_bytes": thumbs.data,
            "thumb_offsets": thumbs.offsets,
            "histogram": np.asanyarray(evidence.histogram, dtype=np.uint16),
        },
    )
