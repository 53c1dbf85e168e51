"""What a clip is, without measuring it: header, first packets, first picture, own lengths."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from av.video.frame import VideoFrame

from fieldscore.errors import ClipError
from fieldscore.intervals import usual_interval
from fieldscore.video import containers
from fieldscore.video.containers import Lengths, size_text
from fieldscore.video.decode import DECODE_ERRORS, Decoder, Picture, first_picture
from fieldscore.video.opening import KNOWN_BY_HEADER, MAX_PIXELS, NO_RECORDING, Opened, SafeFile, open_clip, too_large
from fieldscore.video.planes import (
    Orientation,
    UnknownFormatError,
    depth,
    field_order,
    matrix_tag,
    orientation,
    range_tag,
    transfer_tag,
)
from fieldscore.video.records import ClipInfo, Problem

# Packets whose timestamps settle the frame rate: two groups of pictures of a usual recorder.
RATE_PACKETS = 64
# Pictures decoded to settle it where a packet may hold one field only.
RATE_PICTURES = 8
# Frame rates outside are a damaged header: no goggle or camera writes them (slow-motion cameras reach 240).
LEAST_RATE, MOST_RATE = 1.0, 480.0
# Taken where nothing says the rate (frames a second): PAL, and what the library gives bare streams. Said, with what to do.
ASSUMED_RATE = 25.0
# A declared rate further off than this from the timestamps is worth saying.
RATE_DIFFERENCE = 0.05
MICROSECONDS = 1e6
COPY_AGAIN = "copy it again from the card if you can"
# Bytes looked at to tell text from video, and the lowest code of printable text.
TEXT_BYTES, MIN_TEXT = 256, 0x20
TRY_PLAYING = "if a player shows it, convert it to mp4; else copy it again from the card"
# How other files begin: bytes, their place, what it is, what to do (from the formats' own specifications).
_UNPACK, _OF_SOUND, _STILL = ("an archive", "unpack it first"), ("a sound file", ""), ("a still picture", "")
NOT_VIDEO: tuple[tuple[bytes, int, tuple[str, str]], ...] = (
    (b"PK\x03\x04", 0, _UNPACK),
    (b"\x1f\x8b", 0, _UNPACK),
    (b"7z\xbc\xaf\x27\x1c", 0, _UNPACK),
    (b"Rar!", 0, _UNPACK),
    (b"WAVE", 8, _OF_SOUND),
    (b"ID3", 0, _OF_SOUND),
    (b"fLaC", 0, _OF_SOUND),
    (b"WEBP", 8, _STILL),
    (b"\xff\xd8\xff", 0, _STILL),
    (b"\x89PNG", 0, _STILL),
    (b"BM", 0, _STILL),
    (b"II*\0", 0, _STILL),
    (b"GIF8", 0, ("an animation", "")),
    (b"%PDF", 0, ("a document", "")),
)
# Formats whose header states a rate; elsewhere the library works it out of the length and the count.
RATE_DECLARED = ("avi", "matroska", "mpeg", "flv", "asf")


@dataclass(frozen=True)
class Facts:
    """What the reader needs besides the public facts of a clip."""

    info: ClipInfo
    orientation: Orientation
    lengths: Lengths
    tick_s: float
    first_pts_s: float | None
    timeless: bool
    time_scale: float
    every_stream: bool


def probe(path: Path, *, frame_rate: float | None = None) -> ClipInfo:
    """What the file is and what is wrong with it, without reading it all.

    `frame_rate`: frames a second for streams without timestamps (bare H.264, H.265, JPEG) and for AVI, whose
    times come from one number in its header. ClipError, in one line, when it cannot be read as video.
    """
    return examine(path, frame_rate=frame_rate).info


def examine(path: Path, *, frame_rate: float | None = None) -> Facts:
    """`probe` with all that the reader needs."""
    opened = _open(path)
    lengths = _walk(path, opened)
    if lengths.streams_change:
        opened.close()
        opened = open_clip(path, every_stream=True)
    with opened:
        picture = _first(opened, lengths)
        try:
            bits = depth(picture.frame)
        except UnknownFormatError as error:
            raise ClipError(path, f"its pixel format {error} is not read", "convert it to 8-bit 4:2:0") from error
        return _facts(opened, lengths, picture, bits, frame_rate)


def _open(path: Path) -> Opened:
    """Open, with the best reason when that fails."""
    file = SafeFile(path)  # regular, readable, not empty
    file.close()
    try:
        claimed = containers.claimed_pictures(path)
    except OSError:
        claimed = 0
    if claimed > file.size:
        raise ClipError(path, f"its index claims {claimed} pictures in {size_text(file.size)}: it is damaged")
    try:
        return open_clip(path)
    except ClipError as error:
        raise _better_reason(path, error) from error


def _first(opened: Opened, lengths: Lengths) -> Picture:
    """The first picture that decodes; where there is none, what the file's own lengths say about it."""
    try:
        return first_picture(opened)
    except ClipError as error:
        listed = len(opened.stream.index_entries)
        if _encrypted(opened):
            raise ClipError(
                opened.path, "its pictures are encrypted", "export it unencrypted with the recorder's own program"
            ) from error
        if opened.codec.width * opened.codec.height > MAX_PIXELS:
            raise too_large(opened) from error
        if lengths.cut and listed:
            raise ClipError(
                opened.path, f"it is cut short: {listed} pictures are listed, none can be read", COPY_AGAIN
            ) from error
        raise


def _encrypted(opened: Opened) -> bool:
    """Whether the container says so (ISO/IEC 14496-12, sample entry of protected video)."""
    return "encv" in str(opened.codec.codec_tag)


def _walk(path: Path, opened: Opened) -> Lengths:
    """The container's own lengths."""
    try:
        return containers.walk(path, opened.format)
    except OSError:
        return Lengths()


def _better_reason(path: Path, error: ClipError) -> ClipError:
    """Why a file cannot be opened, where its own lengths tell more than the library."""
    try:
        with path.open("rb") as file:
            head = file.read(TEXT_BYTES)
        if head.isascii() and not any(byte < MIN_TEXT and byte not in b"\t\n\r\f\x1b" for byte in head):
            return ClipError(path, "a text file or playlist, not a recording")
        lengths = containers.walk(path, None)
    except OSError:
        return error
    size = path.stat().st_size
    if lengths.zero_tail_bytes == size:
        return ClipError(path, f"only zeros, {size_text(size)}", "set aside by the recorder and never written")
    if lengths.not_finalised and lengths.data_bytes:
        return ClipError(
            path,
            f"not finalised: no index, {size_text(lengths.data_bytes)} of picture data",
            "a repair tool with a good clip of the same recorder may save them",
        )
    if lengths.cut and lengths.problems:
        return ClipError(path, lengths.problems[0].detail, lengths.problems[0].advice)
    return _other_kind(path, head, error)


def _other_kind(path: Path, head: bytes, error: ClipError) -> ClipError:
    """What else a file is, by its first bytes."""
    kind = next((kind for start, at, kind in NOT_VIDEO if head[at : at + len(start)] == start), None)
    if kind is not None:
        return ClipError(path, f"{kind[0]}, not a recording", kind[1])
    return ClipError(path, error.reason, TRY_PLAYING) if error.reason == NO_RECORDING else error


def _facts(opened: Opened, lengths: Lengths, picture: Picture, bits: int, given: float | None) -> Facts:
    """Put the facts of an open clip together."""
    stream, path, frame = opened.stream, opened.path, picture.frame
    rates = _rates(opened, frame, given)
    problems = [*lengths.problems, *_rate_problems(opened, rates, given)]
    turn = orientation(frame)
    if turn is None:
        problems.append(Problem("bad_orientation", "the orientation in its header is no quarter turn; it is ignored"))
        turn = Orientation()
    if lengths.streams_change:
        problems.append(
            Problem(
                "several_streams",
                "the video changes its stream in mid-file; "
                + ("its parts are read as one" if len(opened.streams) > 1 else "only the first is read"),
            )
        )
    elif opened.video_streams > 1:
        problems.append(
            Problem("several_streams", f"it holds {opened.video_streams} video streams; the main one is measured")
        )
    width, height = (frame.height, frame.width) if turn.swap else (frame.width, frame.height)
    frames = _frames(opened, rates)
    info = ClipInfo(
        path=path,
        container=opened.format,
        codec=opened.codec.codec.name,
        intra=opened.codec.codec.intra_only,
        pixel_format=frame.format.name,
        width=width,
        height=height,
        bits=bits,
        frame_rate=rates.rate,
        declared_rate=rates.declared,
        duration_s=_duration(opened, rates.rate, rates.rate if rates.assumed else rates.fixed, frames),
        frames_declared=frames or None,
        rotation_deg=turn.rotation_deg,
        mirrored=turn.mirrored,
        sample_aspect=_sample_aspect(opened, turn),
        range_tag=range_tag(frame),
        matrix_tag=matrix_tag(frame),
        transfer_tag=transfer_tag(frame),
        interlaced_flag=bool(frame.interlaced_frame),
        field_order=field_order(int(opened.codec.field_order), frame),
        bit_rate=_bit_rate(opened, rates.rate),
        problems=tuple(problems),
    )
    return Facts(
        info=info,
        orientation=turn,
        lengths=lengths,
        tick_s=float(stream.time_base or 0),
        first_pts_s=picture.pts,
        timeless=rates.timeless,
        time_scale=rates.time_scale,
        every_stream=len(opened.streams) > 1,
    )


@dataclass(frozen=True)
class _Rates:
    """Frames a second: the one that counts, the one declared, the given one if it is used. `timeless`: there
    are no timestamps to go by. `time_scale`: factor from the stream's times to the true ones.
    """

    rate: float
    declared: float | None
    fixed: float | None
    timeless: bool
    time_scale: float
    assumed: bool = False


def _rates(opened: Opened, frame: VideoFrame, given: float | None) -> _Rates:
    """The frame rate from the best source there is."""
    measured, timeless = _rate(opened.path, opened, frame)
    declared = float(opened.stream.average_rate) if opened.stream.average_rate else None
    # Only these take the given rate: everywhere else the timestamps know better.
    fixed = given if given and (timeless or opened.format == "avi") else None
    time_scale = measured / fixed if fixed and measured else 1.0
    stated = _stream_rate(opened) if opened.raw else declared
    rate = fixed or measured or stated
    if rate is None:
        return _Rates(ASSUMED_RATE, declared, None, True, 1.0, assumed=True)
    if opened.format == "avi" and not fixed and not LEAST_RATE <= rate <= MOST_RATE:
        # One number of the header gives every time of an AVI: believing it would stretch seconds to years.
        return _Rates(ASSUMED_RATE, rate, None, True, 1.0, assumed=True)
    return _Rates(rate, declared, fixed, timeless, time_scale)


def _rate(path: Path, opened: Opened, frame: VideoFrame) -> tuple[float | None, bool]:
    """(frames a second by the first timestamps or None, whether there are no timestamps to go by)."""
    if opened.raw:
        return None, True
    # Fields stored one to a packet would double the rate: let the decoder pair them.
    decoded = frame.interlaced_frame
    with open_clip(path, by_header=not decoded and opened.format in KNOWN_BY_HEADER) as again:
        stamps = _decoded_stamps(again) if decoded else _packet_stamps(again)
        unit = float(again.stream.time_base or 0)
        found = sorted(set(stamps))
    if len(found) < 2:
        return None, len(found) < len(stamps)
    interval = usual_interval(np.diff(np.asarray(found, dtype=np.float64))) * unit
    stated = float(opened.stream.average_rate or 0) if opened.format in RATE_DECLARED else 0.0
    # a header's rate that is as near to the timestamps as their rounding lets one tell is the exact one
    if abs(stated * interval - 1) <= 1 / (found[-1] - found[0]):
        return stated, False
    return (1 / interval if interval > 0 else None), False


def _packet_stamps(opened: Opened) -> list[int]:
    """Timestamps of the first packets."""
    stamps: list[int] = []
    try:
        for packet in opened.container.demux(opened.stream):
            if packet.size and packet.pts is not None and not packet.is_discard:
                stamps.append(packet.pts)
            if len(stamps) == RATE_PACKETS:
                break
    except DECODE_ERRORS:
        pass
    return stamps


def _decoded_stamps(opened: Opened) -> list[int]:
    """Timestamps of the first pictures."""
    stamps: list[int] = []
    for picture in Decoder(opened, threads=1).pictures():
        if picture.frame.pts is not None:
            stamps.append(picture.frame.pts)
        if len(stamps) == RATE_PICTURES:
            break
    return stamps


def _stream_rate(opened: Opened) -> float | None:
    """The rate that a bare stream states in its own header, once decoded; a JPEG stream has none."""
    if opened.format == "mjpeg":
        return None
    rate = opened.codec.framerate
    return float(rate) if rate else None


def _rate_problems(opened: Opened, rates: _Rates, given: float | None) -> Iterator[Problem]:
    """What to say about the frame rate."""
    rate, declared = rates.rate, rates.declared
    if rates.assumed:
        silent = declared is None or opened.raw
        said = "it says no frame rate" if silent else f"its header says an unbelievable {declared:.4g} frames a second"
        yield Problem(
            "no_timestamps" if silent else "rate_unbelievable",
            f"{said}; taken as {rate:g} a second, so that all times are a guess",
            "give --frame-rate",
        )
        return
    if rates.timeless:
        source = "as given" if rates.fixed else "as its header says"
        yield Problem("no_timestamps", f"it has no timestamps; taken as {rate:.6g} frames a second, {source}")
    if given and not rates.fixed:
        yield Problem("frame_rate_unused", f"the given frame rate is not used: its timestamps say {rate:.6g} a second")
    if not LEAST_RATE <= rate <= MOST_RATE:
        yield Problem("rate_unbelievable", f"{rate:.6g} frames a second are not believable", "times may be wrong")
    elif (
        declared
        and opened.format in RATE_DECLARED
        and not (rates.timeless or rates.fixed)
        and abs(declared / rate - 1) > RATE_DIFFERENCE
    ):
        yield Problem(
            "wrong_rate",
            f"its header says {declared:.6g} frames a second, its timestamps {rate:.6g}; these are used",
        )


def _frames(opened: Opened, rates: _Rates) -> int:
    """Pictures that the container claims. An AVI counts slots at its header's rate: where its times say another, those at that."""
    frames, measured = opened.stream.frames, rates.rate * rates.time_scale
    if opened.format != "avi" or rates.assumed or not rates.declared:
        return frames
    return round(frames * measured / rates.declared) if abs(rates.declared / measured - 1) > RATE_DIFFERENCE else frames


def _duration(opened: Opened, rate: float, fixed: float | None, frames: int) -> float | None:
    """Seconds that the container claims, with so many pictures; None when it claims nothing."""
    stream = opened.stream
    if fixed:
        return frames / fixed if frames else None
    if opened.raw:
        return None
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    if opened.container.duration:
        return opened.container.duration / MICROSECONDS
    return frames / rate if frames else None


def _sample_aspect(opened: Opened, turn: Orientation) -> float:
    """Pixel width over height as shown."""
    aspect = opened.stream.sample_aspect_ratio
    if not aspect:
        return 1.0
    return float(1 / aspect) if turn.swap else float(aspect)


def _bit_rate(opened: Opened, rate: float) -> float | None:
    """Bit/s of the video stream, else of the file over its duration."""
    if opened.stream.bit_rate:
        return float(opened.stream.bit_rate)
    seconds = _duration(opened, rate, None, opened.stream.frames)
    return opened.file.size * 8 / seconds if seconds else None
