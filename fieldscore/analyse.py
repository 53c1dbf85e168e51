"""The one pass: every frame through every measure, two frames alive, into a FlightRecord."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldscore import __version__
from fieldscore.ahead import BATCH, Ahead
from fieldscore.collect import Rows, Thumbs
from fieldscore.criteria import Criteria
from fieldscore.errors import NotMeasurableError
from fieldscore.events import link_lost
from fieldscore.exposure_trace import exposure_trace
from fieldscore.frame import Frame, Luma, eight_bit
from fieldscore.links import Linker
from fieldscore.measures import (
    COLUMNS,
    FRAME_COLUMNS,
    HISTOGRAM_MEASURES,
    PICTURE_MEASURES,
    TRACE_COLUMNS,
)
from fieldscore.measures.readability import readable_shares
from fieldscore.picture import FirstLook, first_look
from fieldscore.places import PlaceRows
from fieldscore.readable_rows import ReadableRows
from fieldscore.record import LEAST_PIXELS, ClipFacts, Evidence, FlightRecord, PictureFacts, TileSeries
from fieldscore.sequence import chained
from fieldscore.timeline import DECIMALS, Timeline
from fieldscore.units import from_eight_bit
from fieldscore.video import CodedFrame, Flight, Problem
from fieldscore.workers import alive

LOOKS = 40  # pictures in the first look: enough to see text stand still, 1 % of a minute's frames
DAY_S = 86400.0
LONGEST_S = 7 * DAY_S  # no flight is longer, and what is computed second by second has to stay bounded
_SMALL_PIXELS = 1920 * 1088  # 3 MB a picture: eight of them wait at most
PROGRESS_EVERY = 32  # frames between two calls of `progress`
_HASH_CHUNK = 1 << 20
_NOTHING = "{}: no picture could be decoded; try playing the clip, and copy it again from the card"

_UNKNOWN = [np.nan] * sum(len(one.columns) for one in PICTURE_MEASURES)
_LATER = (np.nan,) * len(readable_shares.columns)  # found when the pass is over

Doubles = npt.NDArray[np.float64]

# Called with the time reached and the flight's declared duration in seconds (None where not known).
Progress = Callable[[float, float | None], None]


def measure_flight(
    paths: Sequence[Path],
    *,
    criteria: Criteria | None = None,
    frame_rate: float | None = None,
    name: str | None = None,
    progress: Progress | None = None,
) -> FlightRecord:
    """Measure the files of one flight, in order.

    `frame_rate` (frames a second) is for raw streams. Raises ClipError where a file cannot be read and
    NotMeasurableError where no picture could be decoded.
    """
    criteria = criteria or Criteria()
    flight = Flight(paths, frame_rate=frame_rate)
    title = name or paths[0].stem
    look = look_at(flight, criteria, title)
    small = is_small(flight)
    area = look.area.for_fields() if look.interlaced else look.area
    linker = Linker()

    def of_histograms(histograms: Doubles) -> Doubles:
        return np.hstack([one.function(histograms, area) for one in HISTOGRAM_MEASURES])

    with (
        closing(Rows(of_histograms)) as rows,
        closing(Thumbs(criteria.tile_interval_s)) as thumbs,
        closing(PlaceRows()) as places,
        closing(ReadableRows(area)) as readable,
        closing(Ahead(_pictures(flight, look), batch=_batch(flight))) as pictures,
    ):
        for frame in chained(pictures, area, lag=2 if look.interlaced else 1, rate=flight.frame_rate):
            if frame.time_s > LONGEST_S:
                raise NotMeasurableError(
                    f"{title}: its times reach beyond {LONGEST_S / DAY_S:g} days; they are damaged"
                )
            thumbs.add(frame)
            if small:
                rows.add(frame.time_s, _UNKNOWN, frame.histogram)
            else:
                rows.add(frame.time_s, _figures(frame), frame.histogram)
                readable.add(frame)
                linker.add(frame)
                places.add(frame)
            if progress is not None and len(rows) % PROGRESS_EVERY == 0:
                progress(frame.time_s, flight.duration_s)
        if not len(rows):
            raise NotMeasurableError(_NOTHING.format(title))
        time_s, values, histogram = rows.arrays()
        taken = thumbs.pictures()
        clip = _facts(flight, look, time_s)
        table = {column.name: values[:, index] for index, column in enumerate(FRAME_COLUMNS)}
        if small:
            table.update({column.name: np.full(len(time_s), np.nan) for column in TRACE_COLUMNS})
            tiles = readable.nothing(time_s)
        else:
            tiles = _of_the_whole(table, linker, readable)
        timeline = Timeline(time_s, table, COLUMNS, _provenance(clip))
        return FlightRecord(
            name=title,
            timeline=timeline,
            tiles=tiles,
            evidence=Evidence(*taken, histogram),
            clip=clip,
            picture=PictureFacts(look.border_px, look.overlay_percent),
            settings=criteria.to_dict(),
            notes=look.notes,
            places=None if small else places.places(link_lost(timeline, criteria)),
        )


def _figures(frame: Frame) -> list[float]:
    """One value for each column of the measures of a picture."""
    return [value for one in PICTURE_MEASURES for value in (_LATER if one is readable_shares else one(frame))]


def _of_the_whole(table: dict[str, Doubles], linker: Linker, readable: ReadableRows) -> TileSeries:
    """Put what needs the whole flight into a table: the camera's own exposure, its veil, and readability by both."""
    links, steps = linker.results()
    trace = exposure_trace(links, steps)
    for column, series in zip(TRACE_COLUMNS, (trace.stops, 100.0 * trace.veil), strict=True):
        table[column.name] = np.round(series, DECIMALS)
    tiles, shares = readable.finish(trace.stops, links)
    for column, series in zip(readable_shares.columns, shares.T, strict=True):
        table[column.name] = np.round(series, DECIMALS)
    return tiles


def look_at(flight: Flight, criteria: Criteria, title: str) -> FirstLook:
    """Look at pictures spread over the flight; NotMeasurableError where none decodes."""
    looks = flight.look(LOOKS)
    if not looks:
        raise NotMeasurableError(_NOTHING.format(title))
    planes = _sound(looks)
    planes = [plane for plane in planes if plane.shape == planes[0].shape]
    small = is_small(flight)
    if small:
        planes = [enlarged(plane) for plane in planes]
    if min(planes[0].shape) < LEAST_PIXELS:
        height, width = planes[0].shape
        raise NotMeasurableError(
            f"{title}: its header says {flight.width} x {flight.height} px, its pictures are {width} x {height}: damaged"
        )
    flagged = any(clip.interlaced_flag for clip in flight.clips)
    look = first_look(
        planes,
        range_tag=flight.range_tag,
        interlaced_flag=flagged,
        criteria=criteria,
        more=None if small else lambda enough: _sound(flight.look(LOOKS, at_least=enough)),
    )
    if not small:
        return look
    note = f"the picture is smaller than {LEAST_PIXELS} px: only its levels are measured"
    height, width = planes[0].shape
    # a pile-up of a few pixels is no end of the chain
    levels = look.ends.code_range
    ends = replace(look.ends, floor=levels.black, floor_from="nominal", ceiling=levels.white, ceiling_from="nominal")
    area = replace(look.area, window=(0, height, 0, width), overlay=None, floor=ends.floor, ceiling=ends.ceiling)
    return FirstLook(area, ends, look.range_from, (0, 0, 0, 0), 0.0, interlaced=False, notes=(*ends.notes, note))


def is_small(flight: Flight) -> bool:
    """Say whether the pictures are too small to be seen by: only levels are measured of them."""
    return min(flight.clips[0].width, flight.clips[0].height) < LEAST_PIXELS


def enlarged(plane: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """A plane [height, width], at least `LEAST_PIXELS` each way by repeated pixels: the shares of its codes stay."""
    height, width = plane.shape
    return plane.repeat(-(-LEAST_PIXELS // height), axis=0).repeat(-(-LEAST_PIXELS // width), axis=1)


def _sound(looks: Sequence[CodedFrame]) -> list[Luma]:
    """Luma in the 8-bit scale of the pictures that are whole, or of all where none is."""
    return [eight_bit(one.luma, one.bits) for one in [one for one in looks if not one.damaged] or looks]


def _batch(flight: Flight) -> int:
    """Pictures handed over at a time by the thread that reads ahead: of large ones, one."""
    pixels = max(clip.width * clip.height for clip in flight.clips)
    return BATCH if pixels <= _SMALL_PIXELS else 1


def _pictures(flight: Flight, look: FirstLook) -> Iterator[CodedFrame]:
    """Every frame, or field, of the flight."""
    frames = flight.frames(fields=(flight.clips[0].field_order or "top") if look.interlaced else None)
    if not is_small(flight):
        return frames
    return (replace(frame, luma=enlarged(frame.luma)) for frame in frames)


def _facts(flight: Flight, look: FirstLook, time_s: npt.NDArray[np.float64]) -> ClipFacts:
    """What the recording is, once it has been read to its end."""
    first, losses = flight.clips[0], flight.losses
    ends = look.ends
    sums = tuple(_sha256(clip.path) for clip in flight.clips)

    def native(code: float) -> float:
        return round(float(from_eight_bit(code, ends.code_range, first.bits)), 1)

    return ClipFacts(
        files=tuple(clip.path.name for clip in flight.clips),
        sha256=sums,
        codec=first.codec,
        container=first.container,
        pixel_format=first.pixel_format,
        width=first.width,
        height=first.height,
        bits=first.bits,
        frame_rate=round(flight.frame_rate, 4),
        interlaced=look.interlaced,
        duration_s=round(float(time_s[-1]) + losses.interval_s, 4) if losses.interval_s > 0 else float(time_s[-1]),
        frames_measured=losses.frames_read,
        frames_lost=losses.frames_lost,
        frames_damaged=losses.frames_damaged,
        lost_s=round(losses.lost_s, 4),
        code_range=ends.code_range.value,
        code_range_from=ends.range_from,
        floor_code=native(ends.floor),
        floor_from=ends.floor_from,
        ceiling_code=native(ends.ceiling),
        ceiling_from=ends.ceiling_from,
        bit_rate=first.bit_rate,
        problems=tuple(_problems(flight, sums)),
    )


def _problems(flight: Flight, sums: Sequence[str]) -> list[str]:
    """One sentence for each thing wrong with the files, no sentence twice."""
    found = [problem for clip in flight.clips for problem in clip.problems] + list(flight.losses.problems)
    if not all(sums):
        found.append(Problem("gone", "the file was taken away while it was measured", "its pictures cannot be shown"))
    sentences = [problem.detail + (f": {problem.advice}" if problem.advice else "") for problem in found]
    return list(dict.fromkeys(sentences))


def _provenance(clip: ClipFacts) -> dict[str, str]:
    """What a table must say about where it came from."""
    return {
        "fieldscore": __version__,
        "files": ", ".join(clip.files),
        "sha256": ", ".join(clip.sha256),
        "picture": f"{clip.width}x{clip.height}, {clip.codec}, {clip.pixel_format}",
        "code range": f"{clip.code_range} ({clip.code_range_from}), floor {clip.floor_code:g} ({clip.floor_from}), "
        f"ceiling {clip.ceiling_code:g} ({clip.ceiling_from})",
        "frames": f"{clip.frames_measured} measured, {clip.frames_lost} lost ({clip.lost_s:g} s), {clip.frames_damaged} damaged",
    }


def _sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal; empty where the file, read a moment ago, cannot be read again."""
    digest = hashlib.sha256()
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(_HASH_CHUNK):
                alive()
                digest.update(chunk)
    except OSError:
        return ""
    return digest.hexdigest()
