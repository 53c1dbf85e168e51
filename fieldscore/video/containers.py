"""What a file's own lengths say about a missing end, read without the decoding library.

The library ends a cut file as if it were whole. The containers know better: boxes, chunks, segments and
packets carry their sizes.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from fieldscore.video.records import Problem
from fieldscore.workers import alive

# A tail of zeros at least this long was set aside for the recording and never written (one common cluster is
# 32 KiB).
ZERO_TAIL_BYTES = 1 << 16
BLOCK_BYTES = 1 << 20
TS_PACKET_BYTES = 188  # ITU-T H.222.0 section 2.4.3.2
TS_SYNC = 0x47
TS_VIDEO_IDS = tuple(bytes([i]) for i in range(0xE0, 0xF0))
TS_TAIL_PACKETS = 5000  # 0.94 MB: half a second at 15 Mbit/s, several pictures
MOST_INDEX_BYTES = 256 << 20  # the index of a day of video is smaller
# Boxes, chunks or elements looked at before giving up: more is not a recording but a trap.
MOST_ELEMENTS = 2_000_000
# mp4 boxes that start a recording or its parts; an unknown name after them is no box any more.
MP4_BOXES = (
    b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"moof", b"mfra", b"sidx", b"styp", b"uuid",
    b"udta", b"meta", b"pnot", b"PICT", b"emsg", b"prft", b"ssix", b"pdin", b"junk",
)  # fmt: skip
EBML_SEGMENT, EBML_CLUSTER, EBML_SIMPLE_BLOCK, EBML_BLOCK_GROUP = 0x18538067, 0x1F43B675, 0xA3, 0xA0
AVI_HEADER_BYTES = 1 << 16  # stream headers stand at the very start
JPEG_END = b"\xff\xd9"
MB = 1e6  # bytes


@dataclass
class Lengths:
    """What the walk found. `cut`: the file ends before its own lengths say. `missing_bytes`: by how much,
    None when unknown. `not_finalised`: no index was ever written. `data_bytes`: picture data that are there
    all the same. `streams_change`: the video goes on under another stream number.
    """

    problems: list[Problem] = field(default_factory=list)
    cut: bool = False
    missing_bytes: int | None = None
    not_finalised: bool = False
    data_bytes: int = 0
    zero_tail_bytes: int = 0
    streams_change: bool = False

    @property
    def incomplete(self) -> bool:
        """Whether an end is missing in any way."""
        return self.cut or self.not_finalised or self.zero_tail_bytes > 0

    def ends_early(self, missing: int | None, what: str) -> None:
        """Note a cut."""
        self.cut, self.missing_bytes = True, missing
        amount = "" if missing is None else f" by {size_text(missing)}"
        self.problems.append(
            Problem("cut", f"the file is cut short{amount} ({what})", "copy it again from the card if you can")
        )


def size_text(count: int) -> str:
    """Bytes for people."""
    return f"{count / MB:.1f} MB" if count >= MB else f"{count} bytes"


def walk(path: Path, container: str | None) -> Lengths:
    """Compare a file with its own lengths.

    `container`: libavformat's name of the format, None to go by the first bytes. OSError when it cannot be
    read.
    """
    lengths = Lengths()
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        kind = container or _kind(file.read(12))
        file.seek(0)
        if kind in ("mov", "mp4"):
            _walk_mp4(file, size, lengths)
        elif kind == "avi":
            _walk_avi(file, size, lengths)
        elif kind == "matroska":
            _walk_matroska(file, size, lengths)
        elif kind == "mpegts":
            _walk_ts(file, size, lengths)
        elif kind == "mjpeg":
            file.seek(max(0, size - 2))
            if file.read(2) != JPEG_END:
                lengths.ends_early(None, "the last picture has no end mark")
        _zero_tail(file, size, lengths)
    return lengths


def _kind(head: bytes) -> str | None:
    """Container by its first bytes."""
    if head[4:8] in MP4_BOXES:
        return "mov"
    if head[:4] == b"RIFF" and head[8:12] in (b"AVI ", b"AVIX"):
        return "avi"
    if head[:4] == b"\x1a\x45\xdf\xa3":
        return "matroska"
    return "mpegts" if head[:1] == bytes([TS_SYNC]) else None


def _zero_tail(file: BinaryIO, size: int, lengths: Lengths) -> None:
    """How many zeros the file ends with."""
    end, zeros = size, 0
    while end > 0:
        alive()
        start = max(0, end - BLOCK_BYTES)
        file.seek(start)
        kept = len(file.read(end - start).rstrip(b"\0"))
        zeros += end - start - kept
        if kept or zeros < min(ZERO_TAIL_BYTES, end - start):
            break
        end = start
    if zeros >= ZERO_TAIL_BYTES or (zeros > TS_PACKET_BYTES and zeros * 10 > size):
        lengths.zero_tail_bytes = zeros
        lengths.problems.append(
            Problem(
                "zero_tail",
                f"the last {100 * zeros / size:.0f} % of the file ({size_text(zeros)}) are zeros: set aside, "
                "never written",
                "the recorder lost power or the card is failing",
            )
        )


def _mp4_boxes(file: BinaryIO, size: int) -> Iterator[tuple[bytes, int, int]]:
    """(type, start, end) of each top-level box; the end may lie beyond the file."""
    start = 0
    for _ in range(MOST_ELEMENTS):
        file.seek(start)
        head = file.read(16)
        if len(head) < 8:
            return
        length, kind = struct.unpack(">I4s", head[:8])
        if length == 1 and len(head) == 16:
            length = struct.unpack(">Q", head[8:])[0]
        elif length == 0:
            length = size - start
        if length < 8 or kind not in MP4_BOXES:
            yield b"", start, start
            return
        yield kind, start, start + length
        start += length


def _walk_mp4(file: BinaryIO, size: int, lengths: Lengths) -> None:
    """Boxes beyond the end, a missing index, a second movie."""
    index = 0
    for kind, start, end in _mp4_boxes(file, size):
        if kind == b"":
            if index and not _all_zero(file, start):
                lengths.problems.append(
                    Problem(
                        "trailing_data",
                        f"{size_text(size - start)} at the end do not belong to the recording",
                    )
                )
            break
        if kind == b"mdat":
            lengths.data_bytes += min(end, size) - start
        if end > size and kind != b"moov":
            lengths.ends_early(end - size, "picture data missing")
        elif end > size:
            lengths.ends_early(end - size, "the index is cut")
        if kind == b"moov":
            index += 1
    if index > 1:
        lengths.problems.append(
            Problem(
                "second_movie",
                f"{index} recordings lie one behind the other in this file; only the first is read",
                "split the file to measure the others",
            )
        )
    lengths.not_finalised = index == 0


def _all_zero(file: BinaryIO, start: int) -> bool:
    """Whether the next bytes from `start` are zeros (the zero tail speaks for itself)."""
    file.seek(start)
    return not file.read(64).strip(b"\0")


def _walk_avi(file: BinaryIO, size: int, lengths: Lengths) -> None:
    """RIFF sizes against the file; sizes of zero were never filled in."""
    _avi_rate(file, lengths)
    start = 0
    for _ in range(MOST_ELEMENTS):
        file.seek(start)
        head = file.read(12)
        if len(head) < 12 or head[:4] != b"RIFF":
            break
        length = struct.unpack("<I", head[4:8])[0]
        lists = list(_riff_lists(file, start + 12, min(size, start + 8 + length) if length else size))
        if length == 0 or any(kind == b"movi" and inner <= 4 for kind, _, inner in lists):
            lengths.not_finalised = True
            lengths.data_bytes = size - start
            lengths.problems.append(
                Problem(
                    "not_finalised",
                    "the recording was never finished: its sizes are still empty",
                    "its length is unknown; the recorder lost power",
                )
            )
            break
        end = start + 8 + length
        movie_end = max((begin + 8 + inner for kind, begin, inner in lists if kind == b"movi"), default=0)
        if movie_end > size:
            lengths.ends_early(end - size, "picture data missing")
        elif end > size:
            lengths.problems.append(
                Problem("no_index", f"the index at the end is missing ({size_text(end - size)})", "")
            )
        start = end + (length & 1)


def _avi_rate(file: BinaryIO, lengths: Lengths) -> None:
    """The video stream's header: scale and rate, each 32 bits, 20 and 24 bytes behind the stream type."""
    file.seek(0)
    head = file.read(AVI_HEADER_BYTES)
    at = head.find(b"strh")
    while at >= 0 and head[at + 8 : at + 12] != b"vids":
        at = head.find(b"strh", at + 4)
    if at >= 0 and len(head) >= at + 36 and 0 in struct.unpack("<II", head[at + 28 : at + 36]):
        lengths.problems.append(
            Problem("no_timestamps", "its header gives no frame rate; a usual one is assumed", "give --frame-rate")
        )


def _riff_lists(file: BinaryIO, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """(list type or chunk name, start, inner length) of the parts of a RIFF."""
    for _ in range(1000):  # a RIFF has a handful of parts
        if start + 8 > end:
            return
        file.seek(start)
        head = file.read(12)
        if len(head) < 8:
            return
        name, length = struct.unpack("<4sI", head[:8])
        yield (head[8:12] if name == b"LIST" else name), start, length
        start += 8 + length + (length & 1)


def _walk_ts(file: BinaryIO, size: int, lengths: Lengths) -> None:
    """A first and last packet that are not whole."""
    head = file.read(TS_PACKET_BYTES * 4)
    first = next((i for i in range(TS_PACKET_BYTES) if all(b == TS_SYNC for b in head[i::TS_PACKET_BYTES][:3])), None)
    if first is None:
        return
    if first:
        lengths.problems.append(
            Problem("start_cut", f"the start is missing: the file begins {first} bytes before a whole packet")
        )
    rest = (size - first) % TS_PACKET_BYTES
    if rest:
        lengths.ends_early(TS_PACKET_BYTES - rest, "the last packet is not whole")
    count = min(TS_TAIL_PACKETS, (size - first) // TS_PACKET_BYTES // 4)
    at_start = _ts_video(file, first, count)
    at_end = _ts_video(file, size - rest - count * TS_PACKET_BYTES, count)
    lengths.streams_change = bool(at_end and at_start) and not at_start >= at_end


def _ts_video(file: BinaryIO, start: int, count: int) -> set[int]:
    """Stream numbers on which pictures start, in `count` packets (H.222.0 sections 2.4.3.2 and 2.4.3.6)."""
    file.seek(start)
    data = file.read(count * TS_PACKET_BYTES)
    found = set()
    for at in range(0, len(data) - TS_PACKET_BYTES + 1, TS_PACKET_BYTES):
        sync, high, low, control = data[at : at + 4]
        if sync != TS_SYNC or not high & 0x40 or not control & 0x10:
            continue
        payload = at + 4 + (1 + data[at + 4] if control & 0x20 else 0)
        if data[payload : payload + 3] == b"\0\0\1" and data[payload + 3 : payload + 4] in TS_VIDEO_IDS:
            found.add((high & 0x1F) << 8 | low)
    return found


def claimed_pictures(path: Path) -> int:
    """The most pictures that an index of an mp4 file claims, 0 for other files.

    Asked before the library is: it would set memory aside for every one of them. OSError when unreadable.
    """
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        head = file.read(12)
        if _kind(head) != "mov":
            return 0
        most = 0
        for kind, start, end in _mp4_boxes(file, size):
            if kind != b"moov":
                continue
            file.seek(start)
            index = file.read(min(end - start, MOST_INDEX_BYTES))
            at = index.find(b"stsz")
            while at >= 0:
                if at + 16 <= len(index):
                    most = max(most, struct.unpack(">I", index[at + 12 : at + 16])[0])
                at = index.find(b"stsz", at + 4)
        return most


def _ebml(file: BinaryIO, start: int) -> tuple[int, int | None, int] | None:
    """(identifier, length or None for unknown, start of the content) of the element at `start`."""
    file.seek(start)
    head = file.read(12)
    if not head or not head[0]:
        return None
    id_bytes = 9 - head[0].bit_length()
    if id_bytes > 4 or len(head) <= id_bytes or not head[id_bytes]:
        return None
    size_bytes = 9 - head[id_bytes].bit_length()
    content = id_bytes + size_bytes
    if len(head) < content:
        return None
    mask = (1 << (7 * size_bytes)) - 1
    value = int.from_bytes(head[id_bytes:content], "big") & mask
    return int.from_bytes(head[:id_bytes], "big"), None if value == mask else value, start + content


def _walk_matroska(file: BinaryIO, size: int, lengths: Lengths) -> None:
    """Segment, clusters and blocks against the file."""
    place = 0
    for _ in range(MOST_ELEMENTS):
        if place >= size:
            return
        element = _ebml(file, place)
        if element is None:
            if not _all_zero(file, place):
                lengths.ends_early(None, "the file ends inside an element")
            return
        kind, length, content = element
        if length is not None and content + length > size:
            lengths.ends_early(content + length - size, "the file ends inside the recording")
            return
        # Step into a segment and into clusters of unknown length; over everything else.
        inside = kind == EBML_SEGMENT or (kind == EBML_CLUSTER and length is None)
        place = content if inside or length is None else content + length
