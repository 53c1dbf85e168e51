"""What a place looks like whatever the camera made of its light: small pictures, normalised locally.

After the patch normalisation of SeqSLAM (Milford and Wyeth, ICRA 2012): the mean of the surroundings is taken out and
the rest divided by their spread, so that exposure, contrast and tone curve drop out. Here the surroundings are a smooth
window, and where their spread is near the noise the figure is drawn toward 0: a crushed corner says nothing, instead
of amplified noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.frame import Frame, PictureArea
from fieldscore.record import Places
from fieldscore.spool import Spool

Floats = npt.NDArray[np.float32]

# Seconds between two descriptors: 0.6 m at 8 m/s, a tenth of the distance over which a place stays like itself; 10 a
# second at 30 frames, 12.5 at 25 (docs/decisions/place_descriptor.py).
INTERVAL_S = 0.08
COLUMNS = 32  # cells across, square; 3 degrees of a 100-degree lens, more than the wobble of a flight
SURROUNDINGS = 1 / 6  # sigma of the surroundings, of the picture's height (docs/decisions/place_descriptor.py)
NOISE_CODES = 3.0  # spread of a block mean at which half of the figure is kept; noise and coding leave 1 to 3 codes
MOST_SPREADS = 3.0  # a lamp counts no more than this
SCALE = 127.0 / MOST_SPREADS  # int8 codes for one local spread
_COARSER = 3  # times: at which the smooth surroundings are computed
_FEWEST_ROWS = 8  # of a descriptor, however flat the picture
_SLACK_S = 1e-6  # times are rounded


def grid(height: int, width: int) -> tuple[int, int]:
    """Rows and columns of the descriptor of a picture `height` x `width` pixels: cells are as high as wide."""
    return max(_FEWEST_ROWS, round(COLUMNS * height / width)), COLUMNS


def descriptor(frame: Frame) -> npt.NDArray[np.int8]:
    """Give the descriptor int8 [rows, columns] of a frame: local spreads from the local mean, times `SCALE`.

    0 where there is overlay, or nothing but noise.
    """
    area = frame.area
    rows, columns = grid(area.shape[0] * area.lines_a_row, area.shape[1])
    normal = normalised(frame.blocks, None if area.overlay is None else _known(area))
    small = cv2.resize(normal, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(np.round(small * SCALE), dtype=np.int8)


@dataclass(frozen=True)
class Known:
    """Where blocks [rows, columns] are known: 1, else 0; and the share of the surroundings that is."""

    weight: Floats
    share: Floats


def known_where(ok: npt.NDArray[np.bool_]) -> Known:
    """Known where `ok` [rows, columns]."""
    weight = ok.astype(np.float32)
    return Known(weight, np.asarray(np.maximum(_around(weight), 1e-6), dtype=np.float32))


@lru_cache(maxsize=4)
def _known(area: PictureArea) -> Known:
    """Known where there is no overlay."""
    return known_where(area.block_ok)


def _around(values: Floats) -> Floats:
    """Smooth surroundings of each place [rows, columns], computed at a coarser size."""
    sigma = SURROUNDINGS * values.shape[0] / _COARSER
    whole, coarse = values.shape[::-1], (values.shape[1] // _COARSER, values.shape[0] // _COARSER)
    smaller = cv2.resize(values, coarse, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(smaller, (0, 0), sigma)
    return np.asarray(cv2.resize(smooth, whole, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def normalised(blocks: Floats, known: Known | None = None) -> Floats:
    """Give block means [rows, columns] in codes as local spreads from the local mean; 0 where not `known` (None: all is).

    x = d s / (s^2 + n^2), with d the difference from the mean of the surroundings, s their spread and n the noise.
    """
    if known is None:
        away = blocks - _around(blocks)
        power = _around(away * away)
    else:
        away = np.asarray((blocks - _around(blocks * known.weight) / known.share) * known.weight, dtype=np.float32)
        power = _around(away * away) / known.share
    normal = away * np.sqrt(power) / (power + np.float32(NOISE_CODES**2))
    return np.asarray(np.clip(normal, -MOST_SPREADS, MOST_SPREADS), dtype=np.float32)


@dataclass(frozen=True)
class PlacesPart:
    """How many frames were seen, and the descriptors of some: int8 [k, rows, columns], their rows and times in seconds."""

    seen: int
    rows: list[int]
    time_s: list[float]
    descriptors: npt.NDArray[np.int8]


class PlaceRows:
    """Descriptors gathered during the pass, one every `INTERVAL_S`; they wait on disk, so that memory stays flat."""

    def __init__(self) -> None:
        self._seen = 0
        self._next_s = -np.inf
        self._rows: list[int] = []
        self._times: list[float] = []
        self._shape: tuple[int, ...] | None = None
        self._spool = Spool()

    def close(self) -> None:
        """Let go of the file on disk; descriptors given out keep their own hold of it."""
        self._spool.close()

    def add(self, frame: Frame) -> None:
        """Take in the next frame; every frame is counted, some are kept."""
        row, self._seen = self._seen, self._seen + 1
        if frame.time_s < self._next_s - _SLACK_S or not frame.is_paced:
            return
        self.begin(frame.time_s)
        found = descriptor(frame)
        self._shape = self._shape or found.shape
        if found.shape == self._shape:
            self._rows.append(row)
            self._times.append(frame.time_s)
            self._spool.write(found.tobytes())

    def begin(self, before_s: float) -> None:
        """Go on as after a descriptor at a time."""
        self._next_s = (np.floor(before_s / INTERVAL_S + _SLACK_S) + 1) * INTERVAL_S

    def part(self) -> PlacesPart:
        """Give all there is, to be taken in elsewhere."""
        return PlacesPart(self._seen, self._rows, self._times, np.array(self._descriptors()))

    def take(self, part: PlacesPart) -> None:
        """Append the descriptors of a part."""
        if part.rows:
            self._shape = self._shape or part.descriptors.shape[1:]
        self._rows += [self._seen + row for row in part.rows]
        self._times += part.time_s
        self._seen += part.seen
        self._spool.write(part.descriptors.tobytes())

    def _descriptors(self) -> npt.NDArray[np.int8]:
        """All of them (a view of the file on disk)."""
        return self._spool.view(np.int8, (len(self._rows), *(self._shape or (_FEWEST_ROWS, COLUMNS))))

    def places(self, lost: npt.NDArray[np.bool_]) -> Places:
        """Give the descriptors kept, without those of the frames [n] that are `lost`.

        ValueError where `lost` is not a flag for each frame added; a picture of another shape than the first
        is left out.
        """
        if len(lost) != self._seen:
            raise ValueError(f"{len(lost)} flags for {self._seen} frames")
        kept = ~lost[self._rows] if self._rows else np.zeros(0, dtype=np.bool_)
        descriptors = self._descriptors()
        times = np.array(self._times, dtype=np.float64)
        return Places(times, descriptors) if kept.all() else Places(times[kept], descriptors[kept])
