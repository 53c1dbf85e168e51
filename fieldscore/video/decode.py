"""Packets to pictures: everything that decodes, in order, with what went wrong.

Two ways through a file. The quick one lets the library decode several pictures at once, without its log and
with every noticed error as an exception. It hands out pictures only while nothing at all is odd. At the first
sign of trouble it stops, and the file is read again the careful way: one thread, errors concealed, the log
read packet by packet; the pictures handed out already are passed over. So a damaged clip costs up to twice
the time, a clean one nothing, and what comes out never depends on the number of threads: frame threads give
other pictures on damaged data, and can deadlock with the library's log switched on.
"""

from __future__ import annotations

from array import array
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import av
import av.error
import av.logging
from av.packet import Packet
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from fieldscore.errors import ClipError
from fieldscore.video.damage import Complaints, DamageRule
from fieldscore.video.opening import Opened, set_up_decoder

# Decoders in which every picture stands alone.
INTRA_ONLY = (
    "mjpeg",
    "rawvideo",
    "ffv1",
    "dvvideo",
    "prores",
    "png",
    "qtrle",
    "v210",
    "huffyuv",
    "dnxhd",
    "mjpegb",
)
# Decoders that report damage as warnings ("EOI missing"); elsewhere warnings are harmless.
WARNINGS_COUNT = ("mjpeg", "mpeg1video", "mpeg2video", "mpeg4", "msmpeg4v3", "h263", "flv", "wmv2")
FRAME_THREADS = 1 << 12  # AV_CODEC_CAP_FRAME_THREADS
# A picture that has not come out after this many packets will not: reordering reaches 16 pictures (H.264
# annex A), and a picture may be two packets (fields).
LATEST_PACKETS = 40
# Errors in a row without a packet between them before the rest of the file is given up.
MOST_ERRORS = 50
DECODE_ERRORS = (av.error.FFmpegError, OSError, ValueError, IndexError, MemoryError)


class TroubleError(Exception):
    """The quick way met something odd."""


@dataclass
class Picture:
    """A decoded picture. `pts`: seconds by the stream's clock, None without. `lost_before`: pictures that
    should have come between the one before and this one, and could not be decoded.
    """

    frame: VideoFrame
    pts: float | None
    damaged: bool
    lost_before: int


class _Mark:
    """Number of a packet, carried through the decoder on its picture.

    The library finds it again by its address, so it has to be an object of its own: equal small integers are
    one object, and freeing one packet's mark would take another's away. Only on the careful way: marks are
    freed by whichever thread drops the last reference, which needs the interpreter's lock while a decoder
    being closed holds it and waits for its threads.
    """

    __slots__ = ("index",)

    def __init__(self, index: int) -> None:
        self.index = index


class Decoder:
    """One way through an open file, from the start or from a key frame.

    After `pictures` has ended: `packets` counts coded pictures met, `hidden` those the container says not to
    show, `undecoded` those that gave no picture, `lost_at_end` those of them at the end, `errors` packets
    with errors. `indexed`: pictures the container's index lists, 0 without one. `after_jump`: the file stands
    at a key frame, not at its start. `met`: timestamps of the packets that are shown and have one.
    """

    def __init__(self, opened: Opened, *, threads: int, after_jump: bool = False) -> None:
        """Set the decoder of `opened` up for `threads`; more than one is the quick way."""
        self._opened = opened
        self._quick = threads > 1
        name = opened.codec.codec.name
        self._rule = DamageRule(intra_only=name in INTRA_ONLY)
        self._complaints = Complaints()
        self._level = av.logging.WARNING if name in WARNINGS_COUNT else av.logging.ERROR
        self._pending: dict[int, int | None] = {}
        self._field_pairs: deque[int] = deque(maxlen=LATEST_PACKETS)
        # AVI stores no presentation times: its slots are in decoding order, and the pictures take them in
        # turn.
        self._slots_only = opened.format == "avi" and name in ("h264", "hevc")
        self.packets = 0
        self.hidden = 0
        self.lost_at_end = 0
        self.undecoded = 0
        self.indexed = 0
        self.errors = 0
        self.met = array("q")
        # After a jump, pictures shown before the first key frame lack what they are predicted from.
        self._after_jump = after_jump
        self._from_pts: int | None = None
        for stream in opened.streams:
            set_up_decoder(stream.codec_context, threads=threads, explode=self._quick)

    def pictures(self) -> Iterator[Picture]:
        """Every picture that decodes, in order of display. TroubleError on the quick way."""
        streams = sorted(self._opened.streams, key=lambda s: (s.start_time or 0, s.index))
        for place, stream in enumerate(streams):
            if place:  # the video went on under another number: once more from the first byte
                self._opened.container.seek(0, unsupported_byte_offset=True)
            for packet in self._demux(stream):
                yield from self._feed(packet)
            yield from self._drain(stream.codec_context)
        self.lost_at_end = self._missing(None, None)
        # Both containers list every picture in an index; here it has been completed by what was met.
        self.indexed = len(self._opened.stream.index_entries) if self._opened.format in ("mov", "avi") else 0

    def _demux(self, stream: VideoStream) -> Iterator[Packet[VideoStream]]:
        """Packets of the stream, going on after errors."""
        errors = 0
        while errors < MOST_ERRORS:
            try:
                for packet in self._opened.container.demux(stream):
                    if packet.size == 0:  # the library's own flush packets
                        continue
                    errors = 0
                    yield packet
            except DECODE_ERRORS as error:
                self._odd(error)
                errors += 1
                self.errors += 1
            else:
                return

    def _odd(self, error: BaseException | None = None) -> None:
        """Leave the quick way."""
        if self._quick:
            raise TroubleError from error

    def _feed(self, packet: Packet[VideoStream]) -> Iterator[Picture]:
        """Decode one packet."""
        index = self.packets
        self.packets += 1
        if packet.is_discard:
            self.hidden += 1
        else:
            self._pending[index] = packet.pts
            if packet.pts is not None:
                self.met.append(packet.pts)
        if not self._quick:
            packet.opaque = _Mark(index)
        if self._after_jump and self._from_pts is None:
            self._from_pts = packet.pts
        if packet.is_keyframe:
            self._rule.key(index, packet.pts)
        frames, wrong = self._decode(packet.stream.codec_context, packet)
        # after a jump, what is shown before the key frame (open groups of pictures) lacks what it is predicted from
        if (wrong or packet.is_corrupt) and not due_before(self._from_pts, packet.pts):
            self._odd()
            self.errors += 1
            self._rule.trouble(index)
        yield from self._outs(frames)

    def _outs(self, frames: list[VideoFrame]) -> Iterator[Picture]:
        """Pictures with their places, keeping none of them alive."""
        while frames:
            picture = self._out(frames.pop(0))
            if picture is not None:
                yield picture
            del picture

    def _drain(self, codec: VideoCodecContext) -> Iterator[Picture]:
        """What the decoder still holds."""
        for _ in range(LATEST_PACKETS):
            frames, wrong = self._decode(codec, None)
            if wrong:
                self._odd()
            yield from self._outs(frames)
            if not wrong:
                break
        codec.flush_buffers()

    def _decode(self, codec: VideoCodecContext, packet: Packet[VideoStream] | None) -> tuple[list[VideoFrame], bool]:
        """(pictures, whether something went wrong)."""
        if self._quick:
            try:
                return codec.decode(packet), False
            except DECODE_ERRORS as error:
                raise TroubleError from error
        frames: list[VideoFrame] = []
        failed = False
        # The log is process-wide: on for this one call only.
        av.logging.set_skip_repeated(False)
        av.logging.set_level(self._level)
        try:
            with av.logging.Capture(local=True) as lines:
                try:
                    frames = codec.decode(packet)
                except DECODE_ERRORS:
                    failed = True
        finally:
            av.logging.set_level(None)
        serious = self._complaints.serious(text for _, _, text in lines) if packet is not None else bool(lines)
        return frames, failed or serious

    def _out(self, frame: VideoFrame) -> Picture | None:
        """A picture with its place in the stream; None for one from before a jump."""
        index = self._index(frame)
        own = self._pending.pop(index, frame.pts)
        pts = frame.pts if frame.pts is not None else own
        if due_before(self._from_pts, pts):
            return None
        if self._slots_only:
            slots = [slot for slot in (*self._pending.values(), own) if slot is not None]
            pts = min(slots, default=None)
            # The picture takes the earliest slot; its own goes to whoever had that one.
            holder = next((k for k, slot in self._pending.items() if slot == pts), None)
            if holder is not None:
                self._pending[holder] = own
        lost = self._missing(index, None if self._slots_only else pts)
        if frame.interlaced_frame:
            self._field_pairs.append(index)
        if frame.is_corrupt:
            self._rule.trouble(index)
        if frame.key_frame:
            self._rule.key(index, pts)
        damaged = self._rule.damaged(index, pts)
        if damaged or lost:
            self._odd()
        unit = frame.time_base or self._opened.stream.time_base
        seconds = None if pts is None or not unit else float(pts * unit)
        return Picture(frame, seconds, damaged, lost)

    def _index(self, frame: VideoFrame) -> int:
        """Number of the packet that a picture came from."""
        if isinstance(frame.opaque, _Mark):
            return frame.opaque.index
        found = [k for k, due in self._pending.items() if due is not None and due == frame.pts]
        if len(found) != 1:  # timestamps missing or met twice: the careful way knows better
            self._odd()
        return found[0] if found else self.packets - 1

    def _missing(self, index: int | None, pts: int | None) -> int:
        """Count packets whose picture should have come by now (all that are left when `index` is None)."""
        gone = [
            k
            for k, due in self._pending.items()
            if index is None
            or k < index - LATEST_PACKETS
            or (pts is not None and due is not None and due < pts and k < index)
        ]
        lost = 0
        for k in gone:
            due = self._pending.pop(k)
            if k - 1 in self._field_pairs:  # the second field of a picture that did come
                self._field_pairs.append(k)
                continue
            if due_before(self._from_pts, due):
                continue
            self._odd()
            lost += 1
            self._rule.trouble(k)
        self.undecoded += lost
        return lost


def due_before(start: int | None, pts: int | None) -> bool:
    """Whether a picture belongs before the key frame at `start`."""
    return start is not None and pts is not None and pts < start


def threads_for(opened: Opened, threads: int) -> int:
    """Threads that may decode this file at once: one where the quick way cannot see all troubles.

    Bare streams have no timestamps to miss a picture by, and JPEG decoders have no frame threads.
    """
    if opened.raw or opened.codec.codec.name in WARNINGS_COUNT:
        return 1
    return threads if opened.codec.codec.capabilities & FRAME_THREADS else 1


def first_picture(opened: Opened) -> Picture:
    """The first picture that decodes. ClipError when there is none."""
    decoder = Decoder(opened, threads=1)
    for picture in decoder.pictures():
        return picture
    if not decoder.packets:
        raise ClipError(opened.path, "no picture data in this file")
    raise ClipError(
        opened.path,
        f"none of its {decoder.packets} coded pictures can be decoded",
        "it is encrypted, badly damaged or of an unreadable kind",
    )
