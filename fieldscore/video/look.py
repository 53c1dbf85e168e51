"""A quick look: pictures spread over a file for a small part of the cost of reading it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from fieldscore.errors import ClipError
from fieldscore.video.decode import DECODE_ERRORS, INTRA_ONLY
from fieldscore.video.opening import KNOWN_BY_HEADER, Opened, open_clip, set_up_decoder
from fieldscore.video.passing import Reading
from fieldscore.video.planes import layout, samples
from fieldscore.video.probe import Facts
from fieldscore.video.records import Plane
from fieldscore.workers import alive

# One picture in so many: a key frame by itself costs about five times the mean (measured at 1080p60, 25
# Mbit/s), which makes this 4 % of a full pass.
ONE_IN = 120
FEWEST = 8  # pictures looked at whatever they cost
WANTED = 10  # where there are so many key pictures: text is then told from the scene without a second look
# Where key frames are fewer than FEWEST, every picture has to be decoded; of a long file only so many
# seconds.
READ_THROUGH_S = 60.0
INDEXED = ("mov", "matroska", "avi")
# Pictures whose coded sizes are taken, after key frames at so many places; of a short file, or one that cannot be jumped in, all.
_SIZE_PLACES, _SIZES_A_PLACE = 8, 60
_NOTHING_NEW = 0.1  # of the size of larger ones that are no key pictures: one that costs less repeats the one before
PACKETS_PER_JUMP = 32  # packets of other streams or fields met before the key frame that a jump aims at


@dataclass
class Glance:
    """Luma of a picture as it is stored, in an array of its own, and its time in seconds from the first one of its file."""

    luma: Plane
    bits: int
    at_s: float
    shape: tuple[int, int, str]


def _keep(found: list[Glance], frame: VideoFrame, at_s: float) -> None:
    """Add a picture, unless it is of another size or format than the first."""
    shape = layout(frame)
    if not found or shape == found[0].shape:
        values = samples(frame)
        found.append(Glance(values.luma.copy(), values.bits, at_s, shape))


def key_pictures(facts: Facts, count: int, threads: int) -> list[Glance]:
    """At most `count` pictures spread over a file, in order of time; fewer where more would cost too much.

    Where all pictures have to be decoded for a few, more cost nothing.
    """
    info, wanted = facts.info, count
    frames = info.frames_declared or (round(info.duration_s * info.frame_rate) if info.duration_s else 0)
    if frames:
        count = min(count, max(WANTED, frames // ONE_IN))
    found: list[Glance] = []
    try:
        jumps = _can_jump(facts)
        with open_clip(info.path, by_header=jumps and info.container in KNOWN_BY_HEADER) as opened:
            set_up_decoder(opened.codec, threads=1, explode=False)
            for frame, at_s in _by_jumps(opened, facts, count) if jumps else _by_reading(opened, facts, count):
                _keep(found, frame, at_s)
            if jumps and len(found) < min(FEWEST, count) and info.codec in INTRA_ONLY:
                jumps = False  # an index that does not hold: take packets as they come
        if len(found) < min(FEWEST, count):
            read = _read_through(facts, wanted, threads)
            found = read if len(read) > len(found) else found[:count]
    except ClipError:
        pass
    return sorted(found, key=lambda g: g.at_s)[:wanted]


def _one(opened: Opened, packet: Packet[VideoStream]) -> VideoFrame | None:
    """The picture of one key frame packet, None when it is damaged."""
    alive()
    codec = opened.codec
    try:
        frames = [*codec.decode(packet), *codec.decode(None)]
    except DECODE_ERRORS:
        frames = []
    codec.flush_buffers()
    return next((frame for frame in frames if not frame.is_corrupt), None)


def _by_jumps(opened: Opened, facts: Facts, count: int) -> Iterator[tuple[VideoFrame, float]]:
    """Key frames before evenly spaced times."""
    for packet in _after_jumps(opened, facts, count):
        frame = _one(opened, packet)
        if frame is not None and packet.pts is not None:
            yield frame, (packet.pts * facts.tick_s - (facts.first_pts_s or 0.0)) * facts.time_scale


def _after_jumps(opened: Opened, facts: Facts, count: int) -> Iterator[Packet[VideoStream]]:
    """Packets of key frames before evenly spaced times, each once."""
    first = facts.first_pts_s or 0.0
    length = (facts.info.duration_s or 0.0) / facts.time_scale
    met: set[int | None] = set()
    for n in range(count):
        target = int((first + length * (n + 0.5) / count) / facts.tick_s)
        try:
            opened.container.seek(target, stream=opened.stream)
            packet = _first_key(opened)
        except DECODE_ERRORS:
            continue
        if packet is None or packet.pts in met:
            continue
        met.add(packet.pts)
        yield packet


def _first_key(opened: Opened) -> Packet[VideoStream] | None:
    """The first key frame packet from here."""
    for tries, packet in enumerate(opened.container.demux(opened.stream)):
        if packet.size and packet.is_keyframe:
            return packet
        if tries > PACKETS_PER_JUMP:
            break
    return None


def _by_reading(opened: Opened, facts: Facts, count: int) -> Iterator[tuple[VideoFrame, float]]:
    """Key frames at evenly spaced shares of the bytes, without decoding what lies between."""
    size = opened.file.size
    read = number = taken = 0
    interval = 1 / facts.info.frame_rate
    try:
        for packet in opened.container.demux(opened.stream):
            if packet.is_keyframe and packet.size and read >= taken * size / count:
                frame = _one(opened, packet)
                if frame is not None:
                    taken = max(taken + 1, int(read * count / size) + 1)
                    at = number * interval
                    if not facts.timeless and packet.pts is not None:
                        at = packet.pts * facts.tick_s - (facts.first_pts_s or 0.0)
                    yield frame, at
            read += packet.size
            number += 1
    except DECODE_ERRORS:
        return


def picture_bits(facts: Facts) -> float | None:
    """Mean bits of a coded picture; those that repeat the one before, or cost as little, are left out.

    Of up to some 500 at eight places; of a short file, or one without an index, all. By the sizes of the packets, whatever else
    the file holds, claims or has lost. None where none, or of an indexed file no key picture, can be read.
    """
    sizes: list[int] = []
    between: list[int] = []  # of those that are no key pictures
    info, most = facts.info, _SIZE_PLACES * _SIZES_A_PLACE
    jumps = _can_jump(facts) and (info.duration_s or 0.0) * info.frame_rate > 2.0 * most
    try:
        with open_clip(info.path, by_header=info.container in KNOWN_BY_HEADER) as opened:
            places = _after_jumps(opened, facts, _SIZE_PLACES) if jumps else [None]
            for key in places:
                sizes += [key.size] if key else []
                for packet in _following(opened, _SIZES_A_PLACE - 1 if jumps else None):
                    (sizes if packet.is_keyframe else between).append(packet.size)
    except ClipError:
        pass
    # a picture shown again costs next to nothing; of five in a row one is new at least
    usual = sorted(between)[len(between) * 4 // 5] if between else 0
    new = sizes + [size for size in between if size >= _NOTHING_NEW * usual]
    return 8.0 * sum(new) / len(new) if new else None


def _following(opened: Opened, count: int | None) -> Iterator[Packet[VideoStream]]:
    """The next packets that hold pictures, at most `count`, or all."""
    try:
        for number, packet in enumerate(opened.container.demux(opened.stream)):
            if number == count:
                break
            if number % _SIZES_A_PLACE == 0:
                alive()
            if packet.size:
                yield packet
    except DECODE_ERRORS:
        return


def further_pictures(facts: Facts, count: int, enough: int, threads: int) -> list[Glance]:
    """More pictures than `key_pictures` at a price: every key picture, up to `count`, where these are `enough`.

    Where they are not, all of the file is decoded, of a long one the first part. None of a file that cannot be read.
    """
    try:
        found: list[Glance] = []
        if _can_jump(facts):
            with open_clip(facts.info.path, by_header=facts.info.container in KNOWN_BY_HEADER) as opened:
                set_up_decoder(opened.codec, threads=1, explode=False)
                for frame, at_s in _by_jumps(opened, facts, count):
                    _keep(found, frame, at_s)
        if len(found) < enough:
            found = _read_through(facts, count, threads)
    except ClipError:
        return []
    return found


def _can_jump(facts: Facts) -> bool:
    """Whether the file has an index and times to aim by."""
    return bool(facts.info.container in INDEXED and not facts.timeless and facts.info.duration_s and facts.tick_s)


def _read_through(facts: Facts, count: int, threads: int) -> list[Glance]:
    """Evenly spaced pictures by decoding all of them, of a long file the first part."""
    interval = 1 / facts.info.frame_rate
    length = min(facts.info.duration_s or READ_THROUGH_S, READ_THROUGH_S)
    found: list[Glance] = []
    first: float | None = None
    for number, picture in enumerate(Reading(facts, threads).pictures()):
        alive()
        raw = number * interval if picture.pts is None or facts.timeless else picture.pts
        first = raw if first is None else first
        at = (raw - first) * (1.0 if facts.timeless else facts.time_scale)
        if at >= length:
            break
        if not picture.damaged and at >= len(found) * length / count:
            _keep(found, picture.frame, at)
    return found
