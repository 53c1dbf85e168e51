"""What a clip is and what is wrong with it, from its headers and a few dozen pictures, in plain words."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fieldscore.analyse import look_at
from fieldscore.criteria import Criteria
from fieldscore.picture import FirstLook
from fieldscore.report import moment, plural
from fieldscore.run import flights_apart, reader_died
from fieldscore.units import from_eight_bit
from fieldscore.video import ClipInfo, Flight, Problem
from fieldscore.workers import Progress, run_tasks

# Pictures of the start are decoded one after another up to so many pixels: 4 s of 1080p60, 8 minutes of 320 x 240.
CHECK_PIXELS = 5e8
# What the decoding library calls a container, as people know it.
_CONTAINERS = {"mov": "mp4/mov", "matroska": "mkv", "mpegts": "a transport stream", "mpeg": "a program stream"}
_BARE = ("h264", "hevc", "mjpeg")


@dataclass(frozen=True)
class Inspection:
    """What was found in one flight; `error` in one line where it cannot be read.

    `checked_s`: pictures up to here (s) were decoded one after another, None for all of them.
    """

    title: str
    clips: tuple[ClipInfo, ...] = ()
    look: FirstLook | None = None
    duration_s: float | None = None
    problems: tuple[Problem, ...] = ()
    error: str | None = None
    named: bool = True
    checked_s: float | None = None

    @property
    def readable(self) -> bool:
        """Say whether the flight can be measured; a bystander in a folder, which nobody named, does no harm."""
        return self.error is None or not self.named

    def _native(self, code: float) -> float:
        """A code of the 8-bit scale of the first look in the recording's own depth, as flight.json has it."""
        if self.look is None:
            return code
        return round(float(from_eight_bit(code, self.look.ends.code_range, self.clips[0].bits)), 1)

    def to_dict(self) -> dict[str, Any]:
        """Give the findings as plain data for JSON; None where not known."""
        if self.error is not None or self.look is None:
            return {"flight": self.title, "readable": False, "named": self.named, "error": self.error}
        first, look = self.clips[0], self.look
        return {
            "flight": self.title,
            "readable": True,
            "files": [clip.path.name for clip in self.clips],
            "container": first.container,
            "codec": first.codec,
            "pixel_format": first.pixel_format,
            "width": first.width,
            "height": first.height,
            "bits": first.bits,
            "frame_rate": _finite(first.frame_rate),
            "declared_rate": _finite(first.declared_rate),
            "duration_s": _finite(self.duration_s),
            "rotation_deg": first.rotation_deg,
            "mirrored": first.mirrored,
            "interlaced": look.interlaced,
            "code_range": look.ends.code_range.value,
            "code_range_from": look.ends.range_from,
            "floor_code": self._native(look.ends.floor),
            "floor_from": look.ends.floor_from,
            "ceiling_code": self._native(look.ends.ceiling),
            "ceiling_from": look.ends.ceiling_from,
            "border_px": list(look.border_px),
            "overlay_percent": round(look.overlay_percent, 2),
            "notes": list(look.notes),
            "problems": [vars(problem) for problem in self.problems],
            "checked_s": _finite(self.checked_s),
        }

    def lines(self) -> list[str]:
        """Give the findings as lines for a terminal: what it is, how its levels are known, what is wrong."""
        if self.error is not None or self.look is None:
            return [f"{'cannot read' if self.named else 'left out'}: {self.error}"]
        first, look = self.clips[0], self.look
        lines = [
            self.title + (f" ({plural(len(self.clips), 'file', 'files')} of one recording)" if self.clips[1:] else "")
        ]
        kind = "fields" if look.interlaced else "frames"
        rate = first.frame_rate * (2 if look.interlaced else 1)
        length = "length unknown" if self.duration_s is None else f"{moment(self.duration_s)} long"
        lines.append(
            f"  what      {first.codec}{_inside(first)}, {first.width} x {first.height}, {rate:.5g} {kind} a second, {length}"
        )
        depth = f"{first.bits} bit, " if first.bits > 8 else ""  # noqa: PLR2004 - 8 bit goes without saying
        floor, ceiling = self._native(look.ends.floor), self._native(look.ends.ceiling)
        lines.append(
            f"  levels    {depth}{look.ends.code_range.value} range ({look.ends.range_from}); floor {floor:g} "
            f"({look.ends.floor_from}), ceiling {ceiling:g} ({look.ends.ceiling_from})"
        )
        border = "none" if not any(look.border_px) else "top {} right {} bottom {} left {} px".format(*look.border_px)
        lines.append(f"  picture   border {border}; overlay text {look.overlay_percent:.1f} %")
        found = [problem.detail + (f": {problem.advice}" if problem.advice else "") for problem in self.problems]
        notes = [*look.notes]
        if self.checked_s is not None:
            notes.append(
                f"looked at: its headers, the first {self.checked_s:.1f} s and pictures spread over the rest; "
                "what is wrong in between shows when it is scored"
            )
        for label, sentences in (("wrong", list(dict.fromkeys(found)) or ["nothing"]), ("note", notes)):
            lines += [f"  {label if index == 0 else '':9} {sentence}" for index, sentence in enumerate(sentences)]
        return lines


def _inside(clip: ClipInfo) -> str:
    """The container in words; nothing for a bare stream."""
    if clip.container in _BARE:
        return ", a bare stream"
    return f" in {_CONTAINERS.get(clip.container, clip.container)}"


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, 4)


def inspect(names: Sequence[Path], *, frame_rate: float | None = None, separate: bool = False) -> Iterator[Inspection]:
    """Inspect each flight among the names (files or folders), and say which files are none.

    All in one child process, or another where a file ends that. WorkerError for a bug of ours.
    """
    flights, left_out = flights_apart(list(names), separate=separate)
    for path, reason in left_out:
        yield Inspection(path.name, error=f"{path.name}: {reason}", named=path in names)
    for number, ended in run_tasks(inspected, [(files, frame_rate) for files in flights]):
        title = flights[number][0].name
        if isinstance(ended.value, Inspection):
            yield ended.value
        else:
            yield Inspection(title, error=ended.error or reader_died(title, ended.died))


def inspected(files: Sequence[Path], frame_rate: float | None, progress: Progress) -> Inspection:
    """Inspect the files of one flight. Raises ClipError and NotMeasurableError as `measure_flight` does."""
    flight = Flight(files, frame_rate=frame_rate)
    look = look_at(flight, Criteria(), files[0].name)
    until_s = CHECK_PIXELS / (flight.width * flight.height * flight.frame_rate)
    last_s = 0.0
    for frame in flight.frames(to_s=until_s):
        last_s = frame.time_s
    whole = last_s < until_s - 2 / flight.frame_rate
    return Inspection(
        files[0].name,
        flight.clips,
        look,
        flight.duration_s,
        flight.losses.problems,
        checked_s=None if whole else until_s,
    )
