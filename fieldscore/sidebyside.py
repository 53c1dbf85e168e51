"""Two flights of one route in one video: always the same place on both sides, however fast each flew."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.errors import ResultsError
from fieldscore.frame import eight_bit
from fieldscore.pairing import Way
from fieldscore.plots import lettering
from fieldscore.units import CodeRange
from fieldscore.video import ClipWriter, CodedFrame, Encoding, Flight

SUFFIXES = (".mp4", ".mov", ".mkv")
_MOST_LINES, _MOST_RATE = 720, 60.0  # of a picture; frames a second: what any player shows
_GAP_PX = 4
_STRIP_PX = 30  # under the pictures: whose they are, and when
_TEXT_PX = 22
_GREY = 128
_BLACK, _WHITE = int(CodeRange.NARROW.black), int(CodeRange.NARROW.white)
_QUALITY = 20.0  # crf: noise and blocks of the recordings stay visible

Plane = npt.NDArray[np.uint8]


def moments(way: Way, frame_rate: float) -> Iterator[tuple[float, float]]:
    """Time in the first and in the second flight of every frame of the video; unmatched stretches are cut out."""
    for place in np.arange(0.0, way.length_s, 1.0 / frame_rate).tolist():
        after = int(np.clip(np.searchsorted(way.place_s, place, side="right"), 1, max(len(way.place_s) - 1, 1)))
        if len(way.hole) and not way.hole[after - 1]:
            yield tuple(float(np.interp(place, way.place_s, one)) for one in (way.time_a_s, way.time_b_s))  # type: ignore[misc]


def write_side_by_side(
    path: Path, flights: tuple[Flight, Flight], ranges: tuple[CodeRange, CodeRange], way: Way, labels: tuple[str, str]
) -> int:
    """Write the video and give its number of frames; `labels` and times stand under the pictures.

    It plays at the geometric mean of both speeds. Raises ResultsError where it cannot be written, or where no
    place is shared.
    """
    rate = min(max(flight.frame_rate for flight in flights), _MOST_RATE)
    lines = min(max(flight.height for flight in flights), _MOST_LINES) // 2 * 2
    sizes = [(max(2, round(flight.width * lines / flight.height) // 2 * 2), lines) for flight in flights]
    partial = path.with_name(f".fieldscore-{os.getpid()}-{path.name}")
    sides = [_Side(flight, size, code_range) for flight, size, code_range in zip(flights, sizes, ranges, strict=True)]
    width = sizes[0][0] + _GAP_PX + sizes[1][0]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with ClipWriter(partial, width, lines + _STRIP_PX, rate, Encoding(crf=_QUALITY)) as writer:
            for times in moments(way, rate):
                pictures = [side.at(time_s) for side, time_s in zip(sides, times, strict=True)]
                if pictures[0] is not None and pictures[1] is not None:
                    writer.write(_joined([pictures[0], pictures[1]], times, labels))
            count = writer.frames_written
        if not count:
            raise ResultsError(f"{path.name}: no place of the route is in both recordings; no video was written")
        os.replace(partial, path)
    except OSError as error:
        raise ResultsError(
            f"{path.name}: cannot be written ({error.strerror or error}); choose another --video"
        ) from error
    finally:
        partial.unlink(missing_ok=True)
        for side in sides:
            side.close()
    return count


class _Side:
    """One flight, followed forward in time, its pictures scaled and brought to the narrow range."""

    def __init__(self, flight: Flight, size: tuple[int, int], code_range: CodeRange) -> None:
        self._frames = iter(flight.frames())
        self._half_s = 0.5 / flight.frame_rate
        self._size, self._range = size, code_range
        self._next: CodedFrame | None = next(self._frames, None)
        self._shown: tuple[Plane, Plane, Plane] | None = None

    def at(self, time_s: float) -> tuple[Plane, Plane, Plane] | None:
        """The picture nearest before or at a time that never goes back; None before the first."""
        latest = None
        while self._next is not None and self._next.time_s <= time_s + self._half_s:
            latest = self._next.copy()
            self._next = next(self._frames, None)
        if latest is not None:
            self._shown = self._planes(latest)
        return self._shown

    def close(self) -> None:
        """Stop reading."""
        close = getattr(self._frames, "close", None)
        if close is not None:
            close()

    def _planes(self, frame: CodedFrame) -> tuple[Plane, Plane, Plane]:
        width, height = self._size
        luma = self._scaled(frame.luma, frame.bits, (width, height))
        if self._range is CodeRange.FULL:
            luma = np.clip(_BLACK + luma.astype(np.float32) * ((_WHITE - _BLACK) / 255.0) + 0.5, 0, 255).astype(
                np.uint8
            )
        if frame.chroma is None:
            grey = np.full((height // 2, width // 2), _GREY, dtype=np.uint8)
            return luma, grey, grey
        blue, red = (self._scaled(plane, frame.bits, (width // 2, height // 2)) for plane in frame.chroma)
        return luma, blue, red

    @staticmethod
    def _scaled(plane: npt.NDArray[np.generic], bits: int, size: tuple[int, int]) -> Plane:
        return np.asarray(cv2.resize(eight_bit(plane, bits), size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _joined(
    pictures: Sequence[tuple[Plane, Plane, Plane]], times: Sequence[float], labels: Sequence[str]
) -> tuple[Plane, Plane, Plane]:
    """Both pictures beside each other with their strip."""
    strips = []
    for (luma, _, _), time_s, label in zip(pictures, times, labels, strict=True):
        strip = np.full((_STRIP_PX, luma.shape[1]), _BLACK, dtype=np.uint8)
        clock = [lettering(sign, _TEXT_PX) for sign in f"{int(time_s) // 60}:{time_s % 60:04.1f}"]
        told = np.hstack([*(np.pad(sign, ((0, 0), (0, 1))) for sign in clock), np.zeros((_TEXT_PX, 14), np.uint8)])
        line = np.hstack([told, lettering(label, _TEXT_PX)])[:, : luma.shape[1] - 8]
        top = (_STRIP_PX - _TEXT_PX) // 2
        code = _BLACK + line.astype(np.float32) * ((_WHITE - _BLACK) / 255.0)
        strip[top : top + _TEXT_PX, 6 : 6 + line.shape[1]] = np.round(code[:, : luma.shape[1] - 6])
        strips.append(strip)
    joined = []
    for number in range(3):
        step = 1 if number == 0 else 2
        back = _BLACK if number == 0 else _GREY
        columns = []
        for planes, strip in zip(pictures, strips, strict=True):
            under = strip if number == 0 else np.full((_STRIP_PX // 2, planes[1].shape[1]), _GREY, dtype=np.uint8)
            columns.append(np.vstack([planes[number], under]))
        gap = np.full((columns[0].shape[0], _GAP_PX // step), back, dtype=np.uint8)
        joined.append(np.ascontiguousarray(np.hstack([columns[0], gap, columns[1]])))
    return joined[0], joined[1], joined[2]
