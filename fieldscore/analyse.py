"""The one pass: every frame through every measure, two frames alive, into a FlightRecord."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldscore import __version__
from fieldscore.ahead import BATCH, Ahead
from fieldscore.criteria import Criteria
from fieldscore.errors import NotMeasurableError
from fieldscore.events import link_lost, spoilt
from fieldscore.exposure_trace import exposure_trace
from fieldscore.frame import Frame, Luma, PictureArea, eight_bit
from fieldscore.gather import Gathered, Part
from fieldscore.links import LONGEST_S as LONGEST_LINK_S
from fieldscore.measures import COLUMNS, CURVE_COLUMNS, FRAME_COLUMNS, TRACE_COLUMNS
from fieldscore.measures.lamps import lamps_in_view
from fieldscore.measures.readability import readable_shares
from fieldscore.other_curves import curve_ends
from fieldscore.parts import PART_S, stretches
from fieldscore.picture import FirstLook, first_look
from fieldscore.pulsed import pulsed, told
from fieldscore.record import LEAST_PIXELS, ClipFacts, Evidence, FlightRecord, PictureFacts, TileSeries
from fieldscore.running import runs
from fieldscore.sequence import chained
from fieldscore.spool import give_back
from fieldscore.timeline import DECIMALS, Timeline
from fieldscore.units import from_eight_bit
from fieldscore.video import CodedFrame, Flight, Problem, Stretch, UnfitError
from fieldscore.workers import alive

LOOKS = 40  # pictures in the first look: enough to see text stand still, 1 % of a minute's frames
DAY_S = 86400.0
LONGEST_S = 7 * DAY_S  # no flight is longer, and what is computed second by second has to stay bounded
_SMALL_PIXELS = 1920 * 1088  # 3 MB a picture: eight of them wait at most
NEAR_S = 0.25  # s before a part's first row: slow measures of frames there may be held to it
# Decoding threads of a part, however many workers there are: pictures that are damaged come out otherwise with other threads.
PART_THREADS = 3
PROGRESS_EVERY = 32  # frames between two calls of `progress`
_HASH_CHUNK = 1 << 20
_SUMMED = "the exposure trace is rough: it was added up from step to step, without the light that the lens spreads over the picture"
_NOTHING = "{}: no picture could be decoded; try playing the clip, and copy it again from the card"

Doubles = npt.NDArray[np.float64]

# Called with the time reached and the flight's declared duration in seconds (None where not known).
Progress = Callable[[float, float | None], None]


@dataclass(frozen=True)
class Plan:
    """A flight that has been looked at, and the parts that it is measured in: what a process needs to measure one of them."""

    flight: Flight
    look: FirstLook
    title: str
    criteria: Criteria
    parts: tuple[Stretch, ...]

    def area(self) -> PictureArea:
        """Where the picture is, in what is measured: frames or fields."""
        return self.look.area.for_fields() if self.look.interlaced else self.look.area


def plan_flight(
    paths: Sequence[Path],
    *,
    criteria: Criteria | None = None,
    frame_rate: float | None = None,
    name: str | None = None,
    part_s: float | None = None,
) -> Plan:
    """Open a flight and look at it: arguments and errors are those of `measure_flight`.

    `part_s`: seconds of a part, about, where it is long; None for `PART_S`.
    """
    criteria = criteria or Criteria()
    flight = Flight(paths, frame_rate=frame_rate)
    title = name or paths[0].stem
    look = look_at(flight, criteria, title)
    give_back()
    parts = stretches(flight, part_s or PART_S)
    return Plan(flight, look, title, criteria, parts[:1] if is_small(flight) else parts)


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
    return measure_planned(plan_flight(paths, criteria=criteria, frame_rate=frame_rate, name=name), progress)


def measure_planned(plan: Plan, progress: Progress | None = None) -> FlightRecord:
    """Measure a flight, one part after another where it has several."""
    if len(plan.parts) > 1:
        with suppress(UnfitError):
            return joined_parts(plan, (measure_part(plan, number, progress) for number in range(len(plan.parts))))
    return measure_whole(plan, progress)


def measure_whole(plan: Plan, progress: Progress | None = None) -> FlightRecord:
    """Measure a flight in one go, whatever parts are planned."""
    flight, small = plan.flight, is_small(plan.flight)
    fields = _fields(plan)
    with closing(Gathered(plan.area(), small=small)) as gathered:
        frames = flight.frames(fields=fields)
        if small:
            frames = (replace(frame, luma=enlarged(frame.luma)) for frame in frames)
        for frame in _measured(plan, gathered.area, frames):
            gathered.add(frame)
            _tell(progress, gathered, frame, flight)
        return _record(plan, gathered)


def measure_part(plan: Plan, number: int, progress: Progress | None = None) -> Part:
    """Measure one of a flight's parts; UnfitError where the flight is better measured in one go."""
    stretch = plan.parts[number]
    last: Frame | None = None
    begun = number == 0
    with closing(Gathered(plan.area())) as gathered:
        frames = plan.flight.stretch(stretch, fields=_fields(plan), threads=PART_THREADS)
        for frame in _measured(plan, gathered.area, frames):
            if frame.time_s < stretch.from_s:
                gathered.run_up(frame, near=frame.time_s >= stretch.from_s - NEAR_S)
            elif frame.time_s < stretch.to_s:  # else the second field of the last picture
                if not begun:
                    if last is None:
                        raise UnfitError("a jump lands late")
                    gathered.begin(last)
                    begun = True
                gathered.add(frame)
                _tell(progress, gathered, frame, plan.flight)
            else:
                continue
            last = frame
        tally = plan.flight.tally
        if last is None or tally is None or not len(gathered.rows):
            raise UnfitError("a part of it shows no picture")
        return gathered.part(last, tally)


def joined_parts(plan: Plan, parts: Iterable[Part], sums: Sequence[str] | None = None) -> FlightRecord:
    """Put the parts of a flight, in order, together; UnfitError where they do not go on from each other.

    `sums`: the files' `file_sums` where they are known.
    """
    tallies = []
    with closing(Gathered(plan.area())) as gathered:
        for part in parts:
            gathered.take(part)
            tallies.append(part.tally)
        plan.flight.join(tallies)
        return _record(plan, gathered, sums)


def file_sums(plan: Plan) -> tuple[str, ...]:
    """SHA-256 of each of a flight's files, in hexadecimal; empty where a file cannot be read again."""
    return tuple(_sha256(clip.path) for clip in plan.flight.clips)


def _measured(plan: Plan, area: PictureArea, pictures: Iterator[CodedFrame]) -> Iterator[Frame]:
    """The frames of a pass, read ahead."""
    with closing(Ahead(pictures, batch=_batch(plan.flight))) as ahead:
        lag = 2 if plan.look.interlaced else 1
        for frame in chained(ahead, area, lag=lag, rate=plan.flight.frame_rate):
            if frame.time_s > LONGEST_S:
                raise NotMeasurableError(
                    f"{plan.title}: its times reach beyond {LONGEST_S / DAY_S:g} days; they are damaged"
                )
            yield frame


def _tell(progress: Progress | None, gathered: Gathered, frame: Frame, flight: Flight) -> None:
    if progress is not None and len(gathered.rows) % PROGRESS_EVERY == 0:
        progress(frame.time_s, flight.duration_s)


def _fields(plan: Plan) -> str | None:
    """Which field comes first where frames are split into fields."""
    return (plan.flight.clips[0].field_order or "top") if plan.look.interlaced else None


def _record(plan: Plan, gathered: Gathered, sums: Sequence[str] | None = None) -> FlightRecord:
    """The record of a flight of which everything is gathered."""
    look, flight = plan.look, plan.flight
    if not len(gathered.rows):
        raise NotMeasurableError(_NOTHING.format(plan.title))
    small = is_small(flight)
    time_s, values, histogram = gathered.rows.arrays()
    taken = gathered.thumbs.pictures()
    clip = _facts(flight, look, time_s, file_sums(plan) if sums is None else sums)
    table = {column.name: values[:, index] for index, column in enumerate(FRAME_COLUMNS)}
    if small:
        table.update({column.name: np.full(len(time_s), np.nan) for column in TRACE_COLUMNS + CURVE_COLUMNS})
        tiles, notes = gathered.readable.nothing(time_s), look.notes
    else:
        ends = curve_ends(clip.transfer_tag, plan.criteria.transfer_curve)
        tiles, found = _of_the_whole(Timeline(time_s, table, FRAME_COLUMNS), table, gathered, ends)
        doubt = gathered.readable.doubt(tiles)
        notes = (*look.notes, *found, *([doubt] if doubt else []))
    timeline = Timeline(time_s, table, COLUMNS, _provenance(clip))
    return FlightRecord(
        name=plan.title,
        timeline=timeline,
        tiles=tiles,
        evidence=Evidence(*taken, histogram),
        clip=clip,
        picture=PictureFacts(look.border_px, look.overlay_percent),
        settings=plan.criteria.to_dict(),
        notes=notes,
        places=None if small else gathered.places.places(link_lost(timeline, plan.criteria)),
    )


def _of_the_whole(
    known: Timeline, table: dict[str, Doubles], gathered: Gathered, ends: tuple[str, str]
) -> tuple[TileSeries, list[str]]:
    """Put what needs the whole flight into a table: the camera's own exposure, its veil, noise and readability by both, lamps.

    Gives readability by tile, and notes on what exposure is worth.

    `known`: what every frame says; `ends`: the tone curves by which least and most is readable.

    Where pictures are not the camera's for so long that no link leads over them, links to these
    are left out; shorter spells do little harm, and exposure may move meanwhile. So where lamps pulse deeply.
    """
    links, steps = gathered.links()
    bad = np.zeros(len(known), dtype=np.bool_)
    lost = spoilt(known)
    pulses = pulsed(known, lost)
    for start, stop in runs(lost | pulses):
        bad[start:stop] = known.time_s[stop - 1] - known.time_s[start] >= LONGEST_LINK_S
    links = tuple(link for link in links if not (bad[link.before] or bad[link.after]))
    trace = exposure_trace(links, steps)
    for column, series in zip(TRACE_COLUMNS, (trace.stops, 100.0 * trace.veil), strict=True):
        table[column.name] = np.round(series, DECIMALS)
    noise = table["noise_percent"]
    noise[:] = np.round(noise * gathered.readable.told(trace.stops, links), DECIMALS)
    tiles, shares = gathered.readable.finish(trace.stops, links, trace.black_set_down, ends)
    table.update({column.name: np.empty(len(known)) for column in CURVE_COLUMNS})
    columns = readable_shares.columns + CURVE_COLUMNS + lamps_in_view.columns
    for column, series in zip(columns, [*shares.T, *gathered.lamps.columns().T], strict=True):
        table[column.name][:] = np.round(series, DECIMALS)  # where there is room for it: twice all of an hour is much
    for name in ("noise_percent", *(one.name for one in readable_shares.columns + CURVE_COLUMNS)):
        table[name][pulses] = np.nan  # pulses pass for noise, and blow and darken parts of each picture
    if pulses.any():
        under = pulses[np.minimum(np.searchsorted(known.time_s, tiles.time_s), len(known) - 1)]
        tiles = replace(tiles, readable=np.where(under[:, None, None], np.float32(np.nan), tiles.readable))
    return tiles, [*([_SUMMED] if trace.summed else []), *told(known, pulses)]


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
    intra, bits = all(clip.intra for clip in flight.clips), flight.picture_bits()
    top, right, bottom, left = (0, 0, 0, 0) if small else look.border_px
    pixels = (flight.width - left - right) * (flight.height - top - bottom)
    spent = None if bits is None else bits / pixels
    look = replace(look, area=replace(look.area, intra=intra, matrix=flight.clips[0].matrix_tag, bits_a_pixel=spent))
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


def _facts(flight: Flight, look: FirstLook, time_s: Doubles, sums: Sequence[str]) -> ClipFacts:
    """What the recording is, once it has been read to its end."""
    first, losses = flight.clips[0], flight.losses
    ends = look.ends

    def native(code: float) -> float:
        return round(float(from_eight_bit(code, ends.code_range, first.bits)), 1)

    return ClipFacts(
        files=tuple(clip.path.name for clip in flight.clips),
        sha256=tuple(sums),
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
        transfer_tag=first.transfer_tag,
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
