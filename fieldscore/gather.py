"""What a pass gathers of a flight, or of a part of one; and parts put together, as if they were one pass."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldscore import bands
from fieldscore.collect import THUMB_EVERY_S, Rows, RowsPart, Thumbs, ThumbsPart
from fieldscore.frame import Frame, PictureArea
from fieldscore.lamp_tracks import LampPart, LampRows
from fieldscore.links import ExposureLink, Linker, moved
from fieldscore.measures import HISTOGRAM_MEASURES, PICTURE_MEASURES
from fieldscore.measures.lamps import lamps_in_view, sources
from fieldscore.measures.readability import readable_shares, sight
from fieldscore.noise import noise_curve
from fieldscore.places import PlaceRows, PlacesPart
from fieldscore.readable_rows import ReadablePart, ReadableRows
from fieldscore.video import Tally, UnfitError

Doubles = npt.NDArray[np.float64]

_UNKNOWN = [np.nan] * sum(len(one.columns) for one in PICTURE_MEASURES)
# What stands for a measure's figures that are found when the pass is over; None where they are known at once.
_LATER = {
    one: (np.nan,) * len(one.columns) if one in (readable_shares, lamps_in_view) else None for one in PICTURE_MEASURES
}


@dataclass(frozen=True)
class Seam:
    """The frame that two parts meet on, as each of them saw it: its time (s), a sum of its picture, and whether that is damaged."""

    time_s: float
    crc: int
    damaged: bool

    @classmethod
    def of(cls, frame: Frame) -> Seam:
        """Take down a frame."""
        return cls(frame.time_s, zlib.crc32(np.ascontiguousarray(frame.luma).data), frame.damaged)


@dataclass(frozen=True)
class Part:
    """What was gathered of a part; rows count from its first, links may begin at row -1, the last of the part before.

    `before`: that row's frame as seen in the run-up, None in the first part; `last`: the part's own last.
    """

    rows: RowsPart
    thumbs: ThumbsPart
    places: PlacesPart
    readable: ReadablePart
    lamps: LampPart
    links: Sequence[ExposureLink]
    brightness: Doubles
    tally: Tally
    before: Seam | None
    last: Seam


class Gathered:
    """Rows, small pictures, places, readability, lamps and links of a pass. Of pictures that are `small` only levels are taken."""

    def __init__(self, area: PictureArea, *, small: bool = False) -> None:
        def of_histograms(histograms: Doubles) -> Doubles:
            return np.hstack([one.function(histograms, area) for one in HISTOGRAM_MEASURES])

        self.area = area
        self._small = small
        self._linker = Linker()
        self._links: list[ExposureLink] = []
        self._brightness: list[Doubles] = []
        self._before: Seam | None = None
        with ExitStack() as stack:
            self.rows = stack.enter_context(closing(Rows(of_histograms)))
            self.thumbs = stack.enter_context(closing(Thumbs(THUMB_EVERY_S)))
            self.places = stack.enter_context(closing(PlaceRows()))
            self.readable = stack.enter_context(closing(ReadableRows(area)))
            self.lamps = stack.enter_context(closing(LampRows()))
            self._files = stack.pop_all()

    def close(self) -> None:
        """Let go of the files on disk; what was given out keeps its own hold of them."""
        self._files.close()

    def run_up(self, frame: Frame, *, near: bool) -> None:
        """Take in a frame before the part's first; `near`: one that its first rows may be held to."""
        self._linker.add(frame, _bands(frame))
        if near:
            frame.held(sight)
            frame.held(sources)
            _figures(frame)

    def begin(self, last: Frame) -> None:
        """Begin the part after its run-up, whose last frame is given."""
        self._before = Seam.of(last)
        self._linker.begin()
        self.thumbs.begin(last.time_s)
        self.places.begin(last.time_s)
        self.readable.begin(last.time_s)
        self.lamps.begin(last)

    def add(self, frame: Frame) -> None:
        """Take in the next frame."""
        self.thumbs.add(frame)
        if self._small:
            self.rows.add(frame.time_s, _UNKNOWN, frame.histogram)
            return
        self.rows.add(frame.time_s, _figures(frame), frame.histogram)
        self.readable.add(frame)
        self.lamps.add(frame)
        self._linker.add(frame, _bands(frame))
        self.places.add(frame)

    def part(self, last: Frame, tally: Tally) -> Part:
        """Give what was gathered of a part that ends with a frame."""
        links, brightness = self._linker.part()
        return Part(
            self.rows.part(),
            self.thumbs.part(),
            self.places.part(),
            self.readable.part(),
            self.lamps.part(),
            links,
            brightness,
            tally,
            self._before,
            Seam.of(last),
        )

    def take(self, part: Part) -> None:
        """Take in the next part of a flight whole; UnfitError where it does not go on where the one before ended."""
        if part.before != self._before:
            raise UnfitError("a part begins with another picture than the one before it ended with")
        self._before = part.last
        first = len(self.rows)
        for link in part.links:
            # rows before the part's first were linked by the part before, as far as they could be
            if link.after >= 0 and (not self._links or link.before + first >= self._links[-1].after):
                self._links.append(moved(link, first))
        self._brightness.append(part.brightness)
        self.rows.take(part.rows)
        self.thumbs.take(part.thumbs)
        self.places.take(part.places)
        self.readable.take(part.readable)
        self.lamps.take(part.lamps)

    def links(self) -> tuple[tuple[ExposureLink, ...], Doubles]:
        """Give what `Linker.results` gives, also of parts."""
        if not self._brightness:
            return self._linker.results()
        return tuple(self._links), np.diff(np.concatenate(self._brightness), prepend=np.nan)


def _figures(frame: Frame) -> list[float]:
    """One value for each column of the measures of a picture."""
    return [value for one, later in _LATER.items() for value in (one(frame) if later is None else later)]


def _bands(frame: Frame) -> float | None:
    """How many bands of mains light the picture holds, as noise was last measured about them; None without."""
    curve = frame.view(noise_curve)
    return None if curve is None else bands.count(curve.bands)
