"""What one pass over a flight gave: all there is to score from, saved and loaded again without the video."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, overload

import numpy as np
import numpy.typing as npt

from fieldscore.timeline import Timeline
from fieldscore.units import CodeRange, code_to_level

# px each way; a tile of the default grid then still has four pixels. Of a smaller picture only levels are measured.
LEAST_PIXELS = 32


@dataclass(frozen=True)
class ClipFacts:
    """What the recording is. Codes are in the recording's own depth; times in seconds.

    `transfer_tag`: the tone curve that the file says it has (`ClipInfo`), None where it says none or in results saved before.
    """

    files: tuple[str, ...]
    sha256: tuple[str, ...]
    codec: str
    container: str
    pixel_format: str
    width: int
    height: int
    bits: int
    frame_rate: float
    interlaced: bool
    duration_s: float
    frames_measured: int
    frames_lost: int
    frames_damaged: int
    lost_s: float
    code_range: str
    code_range_from: str
    floor_code: float
    floor_from: str
    ceiling_code: float
    ceiling_from: str
    bit_rate: float | None = None
    problems: tuple[str, ...] = ()
    transfer_tag: str | None = None

    @property
    def floor_level_percent(self) -> float:
        """Level of the chain's floor in %."""
        return float(code_to_level(self.floor_code, CodeRange(self.code_range), self.bits))


@dataclass(frozen=True)
class PictureFacts:
    """Where the picture is: border in pixels (top, right, bottom, left) and the share under the overlay."""

    border_px: tuple[int, int, int, int]
    overlay_percent: float


@dataclass(frozen=True)
class TileSeries:
    """Readability a tile: `time_s` [m], `readable` [m, rows, columns] is the Rose k of the reference object, NaN = not measured."""

    time_s: npt.NDArray[np.float64]
    readable: npt.NDArray[np.float32]


class StoredPictures(Sequence[bytes]):
    """JPEG files one after another in `data` (uint8, as a rule a view of a file on disk), file k from `offsets` [k] on."""

    def __init__(self, data: npt.NDArray[np.uint8], offsets: npt.NDArray[np.int64]) -> None:
        self.data = data
        self.offsets = offsets

    def __len__(self) -> int:
        """Count the pictures."""
        return len(self.offsets) - 1

    @overload
    def __getitem__(self, index: int) -> bytes: ...

    @overload
    def __getitem__(self, index: slice) -> tuple[bytes, ...]: ...

    def __getitem__(self, index: int | slice) -> bytes | tuple[bytes, ...]:
        """Give one JPEG file, or several; IndexError beyond the last."""
        if isinstance(index, slice):
            return tuple(self[each] for each in range(*index.indices(len(self))))
        at = range(len(self))[index]
        return self.data[self.offsets[at] : self.offsets[at + 1]].tobytes()


@dataclass(frozen=True)
class Evidence:
    """Small pictures of the flight and its histogram.

    `thumb_time_s` [k] with `thumbs`, k JPEG pictures; `histogram` [n, 256]: share of the picture at each
    8-bit code in 1/65535, a row a frame of the Timeline.
    """

    thumb_time_s: npt.NDArray[np.float64]
    thumbs: Sequence[bytes]
    histogram: npt.NDArray[np.uint16]


@dataclass(frozen=True)
class Places:
    """What was seen, for telling places again: `time_s` [m] rising, `descriptors` int8 [m, rows, columns] (see places.py).

    Lost pictures are left out.
    """

    time_s: npt.NDArray[np.float64]
    descriptors: npt.NDArray[np.int8]


@dataclass(frozen=True)
class FlightRecord:
    """One flight, measured. `settings` are the criteria that the pass itself depended on; `places` is None in results
    saved before there were any.
    """

    name: str
    timeline: Timeline
    tiles: TileSeries
    evidence: Evidence
    clip: ClipFacts
    picture: PictureFacts
    settings: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    places: Places | None = None
