"""What a pass leaves behind, gathered as it goes: rows, readability by tile, small pictures."""

from __future__ import annotations

from array import array
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.frame import LINK_EVERY_S, Frame, Luma, eight_bit, halved
from fieldscore.record import StoredPictures, TileSeries
from fieldscore.spool import Spool
from fieldscore.timeline import DECIMALS, TIME_DECIMALS
from fieldscore.units import CodeRange

Doubles = npt.NDArray[np.float64]

THUMB_EVERY_S = 0.25
THUMB_WIDTH = 240  # px; about eight kilobytes a picture
THUMB_QUALITY = 60  # JPEG quality
EVIDENCE_WIDTH = 640  # px; the pictures shown large
EVIDENCE_QUALITY = 80
_ROWS_A_CHUNK = 1024
_SLACK_S = 2e-3  # s: times are rounded, to milliseconds in some containers
_NEUTRAL = 128.0  # chroma code of grey, 8-bit scale


@dataclass(frozen=True)
class RowsPart:
    """Times [n], values [n, columns] and histograms [n, 256], as `Rows.arrays` gives them."""

    time_s: Doubles
    values: Doubles
    histogram: npt.NDArray[np.uint16]


class Rows:
    """A growing table of floats and a histogram a row; histograms wait on disk, so that memory stays flat.

    `of_histograms` gives the columns [n, k] that follow from histograms [n, 256]; they stand before those that are added.
    """

    def __init__(self, of_histograms: Callable[[Doubles], Doubles] | None = None) -> None:
        self._of_histograms = of_histograms
        self._chunks: list[Doubles] = []
        self._times = array("d")
        self._open: list[list[float]] = []
        self._histograms = np.empty((_ROWS_A_CHUNK, 256))
        self._spool = Spool()

    def close(self) -> None:
        """Let go of the file on disk; arrays given out keep their own hold of it."""
        self._spool.close()

    def __len__(self) -> int:
        """Count the rows."""
        return len(self._times)

    def add(self, time_s: float, values: list[float], histogram: npt.NDArray[np.float64]) -> None:
        """Append one frame's figures and its histogram (shares [256])."""
        self._times.append(time_s)
        self._histograms[len(self._open)] = histogram
        self._open.append(values)
        if len(self._open) == _ROWS_A_CHUNK:
            self._close_chunk()

    def _close_chunk(self) -> None:
        if not self._open:
            return
        values, histograms = np.asarray(self._open, dtype=np.float64), self._histograms[: len(self._open)]
        if self._of_histograms is not None:
            values = np.hstack([self._of_histograms(histograms), values])
        self._chunks.append(np.round(values, DECIMALS))
        self._spool.write(np.round(np.nan_to_num(histograms) * 65535.0).astype(np.uint16).tobytes())
        self._open = []

    def arrays(self) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.uint16]]:
        """Give times [n], values [n, columns] and histograms [n, 256] in 1/65535 (a view of the file on disk)."""
        self._close_chunk()
        histogram = self._spool.view(np.uint16, (len(self), 256))
        values = np.empty((len(self), self._chunks[0].shape[1]))
        at = 0
        for number, chunk in enumerate(self._chunks):  # one by one: twice all of an hour is much
            values[at : at + len(chunk)] = chunk
            at += len(chunk)
            self._chunks[number] = values[at - len(chunk) : at]
        return np.round(np.asarray(self._times), TIME_DECIMALS), values, histogram

    def part(self) -> RowsPart:
        """Give what `arrays` gives, to be taken in elsewhere."""
        time_s, values, histogram = self.arrays()
        return RowsPart(time_s, values, np.array(histogram))

    def take(self, part: RowsPart) -> None:
        """Append the rows of a part."""
        self._times.extend(part.time_s.tolist())
        self._chunks.append(part.values)
        self._spool.write(part.histogram.tobytes())


class TileBins:
    """Means of a tile figure over stretches of time, each told at the mean time of what is in it.

    A stretch begins with what comes first and takes in what comes within the interval: figures that far apart stand by themselves.
    """

    def __init__(self, rows: int, columns: int, interval_s: float) -> None:
        self._shape = (rows, columns)
        self._interval_s = interval_s - _SLACK_S
        self._sum = np.zeros(rows * columns)
        self._count = np.zeros(rows * columns)
        self._inside: list[float] = []
        self._times: list[float] = []
        self._means = Spool()

    def add(self, time_s: float, tiles: npt.NDArray[np.float32]) -> None:
        """Take in one frame's figures [tiles]; NaN is left out of the mean."""
        if self._inside and time_s - self._inside[0] >= self._interval_s:
            self._close()
        self._inside.append(time_s)
        known = np.isfinite(tiles)
        self._sum[known] += tiles[known]
        self._count += known

    def _close(self) -> None:
        if not self._inside:
            return
        with np.errstate(invalid="ignore"):
            mean = (self._sum / self._count).astype(np.float32)
        self._times.append(sum(self._inside) / len(self._inside))
        self._means.write(mean.tobytes())
        self._inside.clear()
        self._sum[:] = 0
        self._count[:] = 0

    def series(self) -> TileSeries:
        """Give the means, as a view of a file on disk; nothing can be added after."""
        self._close()
        with closing(self._means):
            means = self._means.view(np.float32, (len(self._times), *self._shape))
        return TileSeries(np.array(self._times), means)


@dataclass(frozen=True)
class ThumbsPart:
    """Times [k] in seconds, and k JPEG files one after another, each from `offsets` [k + 1] on."""

    time_s: list[float]
    offsets: list[int]
    data: bytes


class Thumbs:
    """One small JPEG picture for each stretch of time; they wait on disk, so that memory stays flat."""

    def __init__(self, interval_s: float) -> None:
        self._interval_s = interval_s
        self._next_s = -np.inf
        self._times: list[float] = []
        self._offsets = [0]
        self._spool = Spool()

    def close(self) -> None:
        """Let go of the file on disk; pictures given out keep their own hold of it."""
        self._spool.close()

    def add(self, frame: Frame) -> None:
        """Keep a picture of this frame if the last one is old enough: better of one that is halved for its motion anyway."""
        if frame.time_s < self._next_s + (0.0 if frame.is_paced else LINK_EVERY_S):
            return
        self._next_s = (np.floor(frame.time_s / self._interval_s) + 1) * self._interval_s
        self._times.append(frame.time_s)
        area = frame.area
        picture = jpeg(
            frame.luma,
            frame.chroma,
            frame.bits,
            area.code_range,
            area.lines_a_row,
            THUMB_WIDTH,
            THUMB_QUALITY,
            half=frame.half if area.shape == frame.luma.shape else None,
        )
        self._spool.write(picture)
        self._offsets.append(self._offsets[-1] + len(picture))

    def begin(self, before_s: float) -> None:
        """Begin as after a frame at a time: the stretch that it falls into has its picture already."""
        self._next_s = (np.floor(before_s / self._interval_s) + 1) * self._interval_s

    def part(self) -> ThumbsPart:
        """Give all there is, to be taken in elsewhere."""
        return ThumbsPart(self._times, self._offsets, self._spool.view(np.uint8, (self._offsets[-1],)).tobytes())

    def take(self, part: ThumbsPart) -> None:
        """Append the pictures of a part."""
        self._times += part.time_s
        self._offsets += [self._offsets[-1] + offset for offset in part.offsets[1:]]
        self._spool.write(part.data)

    def pictures(self) -> tuple[npt.NDArray[np.float64], StoredPictures]:
        """Give times [k] in seconds and k JPEG files (a view of the file on disk)."""
        data = self._spool.view(np.uint8, (self._offsets[-1],))
        return np.array(self._times), StoredPictures(data, np.array(self._offsets, dtype=np.int64))


def _at_size(plane: Luma, size: tuple[int, int], half: Luma | None = None) -> Luma:
    """A plane at a size (width, height): halved as often as that leaves enough, which is fast, then interpolated.

    `half`: the plane halved once, if it is there.
    """
    if half is not None and plane.shape[1] >= 2 * size[0] and plane.shape[0] >= 2 * size[1]:
        plane = half
    while plane.shape[1] >= 2 * size[0] and plane.shape[0] >= 2 * size[1]:
        plane = halved(plane)
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR), dtype=np.uint8)


@lru_cache(maxsize=2)
def _full_range(code_range: CodeRange) -> tuple[Luma, Luma]:
    """Full-range codes [256] of luma and of chroma codes of a range."""
    codes = np.arange(256, dtype=np.float64)
    span = 224.0 if code_range is CodeRange.NARROW else 255.0  # of chroma, ITU-R BT.601
    luma = (codes - code_range.black) * (255.0 / code_range.span)
    chroma = (codes - _NEUTRAL) * (255.0 / span) + _NEUTRAL
    of_luma, of_chroma = (np.clip(np.round(one), 0, 255).astype(np.uint8) for one in (luma, chroma))
    return of_luma, of_chroma


def jpeg(  # noqa: PLR0913 - a coded picture is all of these
    luma: npt.NDArray[Any],
    chroma: tuple[npt.NDArray[Any], npt.NDArray[Any]] | None,
    bits: int,
    code_range: CodeRange,
    lines_a_row: int,
    width: int,
    quality: int,
    *,
    half: Luma | None = None,
) -> bytes:
    """Give a coded picture as a JPEG file at most `width` pixels wide, colours under BT.601, levels as displayed.

    `half`: the luma at half size in the 8-bit scale, if it is there.
    """
    rows, columns = luma.shape
    width = min(width, columns)
    size = (width, max(1, round(rows * lines_a_row * width / columns)))
    of_luma, of_chroma = _full_range(code_range)
    small = cv2.LUT(_at_size(eight_bit(luma, bits), size, half), of_luma)
    if chroma is not None:
        blue, red = (cv2.LUT(_at_size(eight_bit(plane, bits), size), of_chroma) for plane in chroma)
        small = cv2.cvtColor(cv2.merge([small, red, blue]), cv2.COLOR_YCrCb2BGR)  # ITU-R BT.601, full range
    done, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise RuntimeError("JPEG encoding failed")
    return data.tobytes()
