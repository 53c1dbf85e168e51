"""From names on the command line to flights: which files are clips, and which belong together."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from fieldscore.errors import ClipError
from fieldscore.video.decode import DECODE_ERRORS
from fieldscore.video.opening import open_clip
from fieldscore.video.probe import probe
from fieldscore.video.records import ClipInfo

# What recorders and converters call their files. A file named outright is read whatever its suffix.
SUFFIXES = frozenset(
    (".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm", ".ts", ".mts", ".m2ts", ".mpg", ".mpeg", ".vob", ".3gp",
     ".flv", ".asf", ".wmv", ".h264", ".264", ".avc", ".h265", ".265", ".hevc", ".mjpeg", ".mjpg")
)  # fmt: skip
COMPANIONS = {".thm": "a thumbnail", ".lrv": "a small copy of another clip", ".srt": "subtitles"}
SYSTEM_FOLDERS = frozenset({"system volume information", "$recycle.bin", "lost.dir", "lost+found", "found.000"})

# Evidence that numbered files are one recording. No source; recorders differ, so each rule is narrow.
# A chunk that a recorder closes by itself is at least this long (s): common settings start at 1 minute.
LEAST_CHUNK_S = 60.0
# Chunks cut by time are equal to within a group of pictures or two (s); a chunk of whole minutes likewise.
CHUNK_TOLERANCE_S = 2.0
# Chunks cut by size are equal to within one group of pictures: 2 %.
CHUNK_SIZE_SHARE = 0.02
# A part this close below a limit of file systems and formats (bytes) was cut there.
SIZE_LIMITS = (4 * 2**30, 2 * 2**30)
LIMIT_SHARE = 0.07
# Clocks of files: FAT counts in steps of 2 s, and closing and opening take a moment (s).
FOLLOW_TOLERANCE_S = 4.0
# Timestamps that go on across files are off by an interval or two at most (s).
STAMP_TOLERANCE_S = 0.5

_NUMBERED = re.compile(r"^(?P<head>.*?)(?P<number>\d{1,6})(?P<tail>\D*)$", re.DOTALL)
_PART = re.compile(r"(?:^|[\W_])(?:p|pt|part)[\W_]?$", re.IGNORECASE)


@dataclass(frozen=True)
class _Name:
    """A file name around its last number."""

    folder: Path
    head: str
    tail: str
    number: int


def find_flights(paths: Sequence[Path], *, separate: bool = False) -> tuple[list[list[Path]], list[tuple[Path, str]]]:
    """Files and folders to flights, and what was left out with the reason.

    Folders are searched with all folders in them, in natural order, without following links to folders. Files
    named outright are taken whatever they are called. A file met twice is taken once.

    Files are one flight when their names differ only in consecutive last numbers ("FLY0001.avi",
    "FLY0002.avi"), in the same folder with the same suffix; they have the same codec, size and rate; and
    there is evidence that the recorder cut one recording, for numbers alone are what every recorder gives to
    separate flights. Evidence is any of: a name that says "part" ("lap_part1", "lap-p2"); a first part that
    ends where file systems do (within 7 % below 2 or 4 GiB); three or more parts, all but the last equal to 2
    % in size or 2 s in length and at least 60 s long, the last no longer; timestamps that go on from one file
    into the next; a later part that starts between key frames; or parts of at least 60 s that follow on to
    within 4 s by their recording or file times. `separate`: never join.
    """
    left_out: list[tuple[Path, str]] = []
    files: list[Path] = []
    seen: set[tuple[int, int] | str] = set()
    for path in paths:
        for found in _expand(path, left_out):
            key = _identity(found)
            if key in seen:
                left_out.append((found, "the same file as one before"))
                continue
            seen.add(key)
            files.append(found)
    if separate:
        return [[path] for path in files], left_out
    return list(_join(files)), left_out


def natural(path: Path) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts 2 before 10."""
    parts = re.split(r"(\d+)", str(path))
    return tuple((1, int(p), p) if p.isdecimal() and p.isascii() else (0, 0, p) for p in parts)


def _identity(path: Path) -> tuple[int, int] | str:
    """What makes two names one file."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return str(path)
    return (found.st_dev, found.st_ino) if found.st_ino else str(path.absolute())


def _expand(path: Path, left_out: list[tuple[Path, str]]) -> Iterator[Path]:
    """A file itself; the clips in a folder."""
    try:
        folder = path.is_dir()
    except (OSError, ValueError):
        folder = False
    if not folder:
        yield path
        return
    any_file = False
    for here, folders, names in os.walk(path, followlinks=False, onerror=lambda e: _unreadable(e, left_out)):
        for name in list(folders):
            inner = Path(here, name)
            reason = _folder_reason(inner)
            if reason:
                folders.remove(name)
                left_out.append((inner, reason))
        folders.sort(key=lambda n: natural(Path(n)))
        for found in sorted((Path(here, name) for name in names), key=natural):
            reason = _file_reason(found)
            if reason:
                left_out.append((found, reason))
            else:
                any_file = True
                yield found
    if not any_file:
        left_out.append((path, "no clip in this folder"))


def _unreadable(error: OSError, left_out: list[tuple[Path, str]]) -> None:
    """A folder that cannot be listed."""
    left_out.append((Path(os.fsdecode(error.filename or "?")), f"cannot be listed ({error.strerror})"))


def _folder_reason(path: Path) -> str | None:
    """Why a folder is not searched."""
    if path.name.startswith("."):
        return "a hidden folder"
    if path.name.lower() in SYSTEM_FOLDERS:
        return "a folder of the system"
    return "a link to a folder, not followed" if path.is_symlink() else None


def _file_reason(path: Path) -> str | None:
    """Why a file in a folder is no clip."""
    if path.name.startswith("."):
        return "a hidden file"
    suffix = path.suffix.lower()
    if suffix in COMPANIONS:
        return COMPANIONS[suffix]
    return None if suffix in SUFFIXES else "not a video file by its name"


def _name(path: Path) -> _Name | None:
    """The name around its last number, None without one."""
    match = _NUMBERED.match(path.stem)
    if match is None:
        return None
    return _Name(path.parent, match["head"], match["tail"] + path.suffix.lower(), int(match["number"]))


def _join(files: Sequence[Path]) -> Iterator[list[Path]]:
    """Group files into flights, keeping the order of their first parts."""
    waiting = {path: _name(path) for path in files}
    while waiting:
        path, name = next(iter(waiting.items()))
        del waiting[path]
        run = [path]
        if name is not None:
            run = _run(path, name, waiting)
        yield from _by_evidence(run, name) if len(run) > 1 else [run]


def _run(path: Path, name: _Name, waiting: dict[Path, _Name | None]) -> list[Path]:
    """Files numbered on from `path` and back, taken out of `waiting`."""
    alike = {
        other.number: candidate
        for candidate, other in waiting.items()
        if other is not None and (other.folder, other.head, other.tail) == (name.folder, name.head, name.tail)
    }
    run = [path]
    for step in (1, -1):
        number = name.number + step
        while number in alike:
            run.insert(len(run) if step > 0 else 0, alike[number])
            del waiting[alike[number]]
            number += step
    return run


def _by_evidence(run: Sequence[Path], name: _Name | None) -> Iterator[list[Path]]:
    """Cut a run of numbered files where nothing says that they belong together."""
    facts = [_facts(path) for path in run]
    said = name is not None and bool(_PART.search(name.head))
    flight = [run[0]]
    members = [facts[0]]
    for place, (path, after) in enumerate(zip(run[1:], facts[1:], strict=True), start=1):
        before = members[-1]
        joined = (
            before is not None
            and after is not None
            and _same_kind(before.info, after.info)
            and (said or _follows(before, after) or _equal_chunks(facts, place))
        )
        if not joined:
            yield flight
            flight, members = [], []
        flight.append(path)
        members.append(after)
    yield flight


@dataclass(frozen=True)
class _Part:
    """What decides whether a file is a part: sizes in bytes, times in seconds."""

    info: ClipInfo
    size: int
    modified_s: float
    created_s: float | None
    first_stamp_s: float | None
    starts_at_key: bool


def _facts(path: Path) -> _Part | None:
    """The facts of one file, None when it cannot be read (then it stands alone and is refused later)."""
    try:
        info = probe(path)
        status = path.stat()
        with open_clip(path) as opened:
            created = _created(opened.container.metadata.get("creation_time"))
            first = next((p for p in opened.container.demux(opened.stream) if p.size), None)
            unit = float(opened.stream.time_base or 0)
            stamp = None if first is None or first.pts is None or opened.raw else first.pts * unit
            key = first is None or bool(first.is_keyframe)
    except (ClipError, OSError, *DECODE_ERRORS):
        return None
    return _Part(info, status.st_size, status.st_mtime, created, stamp, key)


def _created(text: str | None) -> float | None:
    """Recording time from a container's tag, seconds since 1970; None for no or an unset clock."""
    try:
        seconds = datetime.fromisoformat(text or "").timestamp()
    except (ValueError, OverflowError, OSError):
        return None
    return seconds if seconds > 0 else None


def _same_kind(a: ClipInfo, b: ClipInfo) -> bool:
    """Whether one encoder with one setting can have written both."""
    same = (a.codec, a.width, a.height, a.pixel_format, a.container) == (
        b.codec, b.width, b.height, b.pixel_format, b.container,
    )  # fmt: skip
    return same and abs(a.frame_rate / b.frame_rate - 1) < 0.01


def _follows(before: _Part, after: _Part) -> bool:
    """Whether one file goes on from the other, by what the two say themselves."""
    at_limit = any(limit * (1 - LIMIT_SHARE) <= before.size <= limit for limit in SIZE_LIMITS)
    if at_limit or not after.starts_at_key:
        return True
    length = before.info.duration_s
    return length is not None and (_stamps_go_on(before, after, length) or _clocks_go_on(before, after, length))


def _stamps_go_on(before: _Part, after: _Part, length: float) -> bool:
    """Whether the timestamps of one file go on in the other."""
    if before.first_stamp_s is None or after.first_stamp_s is None or length <= 2 * STAMP_TOLERANCE_S:
        return False
    return abs(after.first_stamp_s - before.first_stamp_s - length) < STAMP_TOLERANCE_S


def _clocks_go_on(before: _Part, after: _Part, length: float) -> bool:
    """Whether recording times, or else the times of the files, say that one chunk follows on the other."""
    if length < LEAST_CHUNK_S:
        return False
    if before.created_s and after.created_s:
        return abs(after.created_s - before.created_s - length) <= FOLLOW_TOLERANCE_S
    written = after.info.duration_s
    return written is not None and abs(after.modified_s - written - before.modified_s) <= FOLLOW_TOLERANCE_S


def _equal_chunks(facts: Sequence[_Part | None], place: int) -> bool:
    """Whether the files around `place` are chunks of one size or length: the whole run counts."""
    parts = [part for part in facts if part is not None]
    if len(parts) != len(facts) or len(parts) < 3 or not 0 < place < len(parts):
        return False
    lengths = [part.info.duration_s for part in parts]
    known = [length for length in lengths if length is not None]
    if len(known) != len(lengths) or min(known[:-1]) < LEAST_CHUNK_S:
        return False
    sizes = [part.size for part in parts]
    equal_sizes = all(abs(b / a - 1) <= CHUNK_SIZE_SHARE for a, b in pairwise(sizes[:-1]))
    equal_lengths = all(abs(b - a) <= CHUNK_TOLERANCE_S for a, b in pairwise(known[:-1]))
    if equal_lengths and known[-1] <= known[0] + CHUNK_TOLERANCE_S:
        return True
    return equal_sizes and sizes[-1] <= sizes[0] * (1 + CHUNK_SIZE_SHARE)
