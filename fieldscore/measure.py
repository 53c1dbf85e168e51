"""What a measure is: a pure function of one Frame that gives one figure for each column it declares."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from fieldscore.frame import Frame, PictureArea

Doubles = npt.NDArray[np.float64]
Better = Literal["lower", "higher", "neither"]


@dataclass(frozen=True)
class Column:
    """One column of the Timeline: its name ends in its unit where it has one."""

    name: str
    unit: str
    better: Better
    summary: str
    source: str = "measures.md"


@dataclass(frozen=True)
class Measure:
    """A function of one Frame and the columns it fills, in that order. NaN = not measurable on this frame."""

    columns: tuple[Column, ...]
    function: Callable[[Frame], tuple[float, ...]]
    held: bool = False
    paced: bool = False

    def __call__(self, frame: Frame) -> tuple[float, ...]:
        """Give one float for each column; one that is held or paced gives those of the frame that this one is held to."""
        if self.held:
            return frame.held(self.function)
        return frame.paced(self.function) if self.paced else self.function(frame)


@dataclass(frozen=True)
class HistogramMeasure:
    """A function of the histograms [n, 256] of many frames (shares) and their area, and the columns it fills [n, columns]."""

    columns: tuple[Column, ...]
    function: Callable[[Doubles, PictureArea], Doubles]

    def __call__(self, frame: Frame) -> tuple[float, ...]:
        """Give one float for each column of one frame."""
        return tuple(self.function(frame.histogram[None], frame.area)[0].tolist())


@dataclass(frozen=True)
class TileMeasure:
    """A function of one Frame that gives one figure for each tile, shape [tiles], row by row."""

    column: Column
    function: Callable[[Frame], npt.NDArray[np.float32]]

    def __call__(self, frame: Frame) -> npt.NDArray[np.float32]:
        """Give one float for each tile, of the frame that this one is held to."""
        return frame.held(self.function)


def measure(
    *columns: Column, held: bool = False, paced: bool = False
) -> Callable[[Callable[[Frame], tuple[float, ...]]], Measure]:
    """Declare a function of one Frame as the measure of these columns.

    `held` where it is too slow for every frame, `paced` where it is about motion, which needs no more than 30 frames a second.
    """

    def declare(function: Callable[[Frame], tuple[float, ...]]) -> Measure:
        return Measure(columns, function, held, paced)

    return declare


def histogram_measure(*columns: Column) -> Callable[[Callable[[Doubles, PictureArea], Doubles]], HistogramMeasure]:
    """Declare a function of many frames' histograms as the measure of these columns."""

    def declare(function: Callable[[Doubles, PictureArea], Doubles]) -> HistogramMeasure:
        return HistogramMeasure(columns, function)

    return declare


def tile_measure(column: Column) -> Callable[[Callable[[Frame], npt.NDArray[np.float32]]], TileMeasure]:
    """Declare a function of one Frame as a measure of every tile."""

    def declare(function: Callable[[Frame], npt.NDArray[np.float32]]) -> TileMeasure:
        return TileMeasure(column, function)

    return declare
