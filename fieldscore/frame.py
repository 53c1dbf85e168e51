"""One frame (or field) as a measure sees it: coded luma, time, the frame before, and views computed at most once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.units import CodeRange, contrast_step

Luma = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]
View = TypeVar("View")

FINE_A_BLOCK = 4  # samples along a block's side in the picture that is warped for registration
FLOW_A_BLOCK = 2  # the same in the picture that motion of small squares is found on: 160 x 120 of a 4:3 picture
BLOCKS_A_TILE = 5  # blocks along a tile's side: 12 x 5 = 60 blocks in the height, 8 px each at 480 lines
# A frame's histograms are taken from rows with an odd step, so that every row phase of the 8 x 8 coding blocks
# is met; pixels beyond this budget are skipped (docs/decisions/row_step.py).
PIXEL_BUDGET = 310_000
REFERENCE_LINES = 480.0  # the picture height at which the reference object has its stated size
# A frame is held to an earlier one while its mean level and spread are within 1 % of black to white, and its crushed and clipped
# shares are within 1 % of the picture (docs/decisions/held_measures.py).
_HELD_LEVEL, _HELD_SHARE = 0.01, 0.01
# s between two frames whose light is compared: motion can be followed over it, and it bounds the cost
LINK_EVERY_S = 0.1
_TIME_SLACK_S = 2e-3  # s: times are rounded, to milliseconds in some containers
_MASKED_TILE_SHARE = 0.5  # a tile more than half under border or overlay is not measured


@dataclass(frozen=True, eq=False)
class PictureArea:
    """Where the camera picture is in the coded frame, and what its codes mean. Codes here are in the 8-bit scale.

    `window` is (top, bottom, left, right) in pixels, half open. `overlay` is a mask of the window's shape, True
    where text covers the picture, or None. `floor` and `ceiling` are the lowest and highest code of the chain.
    `lines_a_row` is 2 where the rows are one field's: every second line of the frame. `intra`: each picture is coded by itself.
    `matrix`: of luma and colour difference, by the stream's tag (colour.py), None where it has none. `bits_a_pixel`: as coded.
    """

    window: tuple[int, int, int, int]
    overlay: npt.NDArray[np.bool_] | None
    code_range: CodeRange
    floor: float
    ceiling: float
    criteria: Criteria = field(default_factory=Criteria)
    lines_a_row: int = 1
    intra: bool = False
    matrix: str | None = None
    bits_a_pixel: float | None = None

    @property
    def rows(self) -> int:
        """Rows of the tile grid."""
        return self.criteria.tile_rows

    @property
    def columns(self) -> int:
        """Columns of the tile grid."""
        return self.criteria.tile_columns

    @property
    def tiles(self) -> int:
        """How many tiles the grid has."""
        return self.rows * self.columns

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width of the window in pixels."""
        top, bottom, left, right = self.window
        return bottom - top, right - left

    @cached_property
    def row_step(self) -> int:
        """Every how many-th row goes into the histograms: odd, 1 up to the pixel budget."""
        height, width = self.shape
        return next(step for step in range(1, 2 * height + 2, 2) if height // step * width <= PIXEL_BUDGET)

    @cached_property
    def tile_numbers(self) -> Luma:
        """Tile number at each sampled pixel, `tiles` where the overlay covers it; shape [sampled rows, width]."""
        height, width = self.shape
        row = (np.arange(height) * self.rows // height)[:, None]
        column = (np.arange(width) * self.columns // width)[None, :]
        numbers = (row * self.columns + column).astype(np.uint8)
        if self.overlay is not None:
            numbers[self.overlay] = self.tiles
        return np.ascontiguousarray(numbers[:: self.row_step])

    @cached_property
    def covered(self) -> npt.NDArray[np.intp] | None:
        """Which of the sampled pixels, row by row, are under the overlay; None without overlay."""
        return None if self.overlay is None else np.flatnonzero(self.tile_numbers == self.tiles)

    @cached_property
    def block_shape(self) -> tuple[int, int]:
        """Rows and columns of the block picture; a block has about the size of the reference object."""
        return self.rows * BLOCKS_A_TILE, self.columns * BLOCKS_A_TILE

    @cached_property
    def block_ok(self) -> npt.NDArray[np.bool_]:
        """Blocks [block rows, block columns] without overlay."""
        if self.overlay is None:
            return np.ones(self.block_shape, dtype=np.bool_)
        covered = cv2.resize(self.overlay.astype(np.float32), self.block_shape[::-1], interpolation=cv2.INTER_AREA)
        return np.asarray(covered < 0.02)

    @cached_property
    def object_per_block(self) -> float:
        """Noise of the mean over the reference object, over that of a block mean, for white noise."""
        lines = self.shape[0] * self.lines_a_row
        object_pixels = (self.criteria.object_size_px * lines / REFERENCE_LINES) ** 2 / self.lines_a_row
        return float(np.sqrt(self.block_pixels / object_pixels))

    @cached_property
    def halvings(self) -> int:
        """How often the picture is halved in codes before it is measured in blocks: twice where that leaves enough."""
        height, width = self.shape
        rows, columns = (4 * FINE_A_BLOCK * size for size in self.block_shape)
        return 2 if height >= rows and width >= columns else 1

    @property
    def block_pixels(self) -> float:
        """Pixels in a block."""
        height, width = self.shape
        return height * width / (self.block_shape[0] * self.block_shape[1])

    def for_fields(self) -> PictureArea:
        """Give the same area for one field of the frame: every second line, those inside the window in both fields."""
        top, bottom, left, right = self.window
        first, last = -(-top // 2), bottom // 2
        overlay = self.overlay
        if overlay is not None:  # a line of text is text in both fields
            pairs = overlay[2 * first - top : 2 * last - top]
            overlay = pairs[::2] | pairs[1::2]
        return replace(self, window=(first, last, left, right), overlay=overlay, lines_a_row=2)

    @cached_property
    def tile_valid(self) -> npt.NDArray[np.bool_]:
        """Tiles [tiles] that are measured: at least half of the tile is picture."""
        counts = np.bincount(self.tile_numbers.ravel(), minlength=self.tiles + 1)[: self.tiles]
        return np.asarray(counts > _MASKED_TILE_SHARE * self.tile_numbers.size / self.tiles)

    @cached_property
    def zone(self) -> npt.NDArray[np.bool_]:
        """Tiles [tiles] whose centre lies in the flying zone, the central share of width and height."""
        height, width = self.shape
        half = self.criteria.flying_zone / 2
        row = np.abs((np.arange(self.rows) + 0.5) / self.rows - 0.5) <= half
        column = np.abs((np.arange(self.columns) + 0.5) / self.columns - 0.5) <= half
        return np.asarray((row[:, None] & column[None, :]).ravel())

    @cached_property
    def code_weights(self) -> Floats:
        """Weights [256, 5] that turn histograms into sums: code, code squared, crushed, clipped, object signal.

        The signal of a code is by how many codes the reference object would stand out from it under the named
        curve; nothing at the floor or the ceiling, and never past the ceiling.
        """
        codes = np.arange(256, dtype=np.float64)
        margin = self.criteria.clip_margin_codes
        crushed, clipped = codes <= self.floor + margin, codes >= self.ceiling - margin
        span = self.code_range.white - self.code_range.black
        level = np.clip((codes - self.floor) / span, 0.0, None)
        signal = contrast_step(level, self.criteria.object_contrast, self.criteria.transfer_curve) * span
        signal = np.minimum(signal, np.maximum(self.ceiling - codes, 0.0))
        signal[crushed | clipped] = 0.0
        return np.stack([codes, codes**2, crushed, clipped, signal], axis=1).astype(np.float32)


@dataclass(frozen=True)
class _Held:
    """What slow measures gave on the frame at `time_s`, and that frame's sums."""

    area: PictureArea
    time_s: float
    sums: npt.NDArray[np.float64] | None
    values: dict[Callable[[Frame], Any], Any]
    damaged: bool = False
    first: bool = False


class Frame:
    """One picture at one instant. Arrays are read only: they may be the decoder's own buffers.

    `luma` is the coded plane in its own depth, `chroma` the two colour planes or None, `time_s` seconds from the start of the
    flight. `previous` is the frame before (of the same parity for fields), None on the first; `reference` the one that motion is
    measured from and `earlier` that which its own was, None where they are not; `is_paced` says whether it is, and `is_beat`
    whether it is one that is linked, `LINK_EVERY_S` apart, where frames come fast, `is_midway` whether by way of it.
    """

    def __init__(  # noqa: PLR0913 - a coded picture is all of these
        self,
        luma: npt.NDArray[np.uint8] | npt.NDArray[np.uint16],
        area: PictureArea,
        time_s: float,
        *,
        bits: int = 8,
        chroma: tuple[npt.NDArray[Any], npt.NDArray[Any]] | None = None,
        previous: Frame | None = None,
        damaged: bool = False,
    ) -> None:
        self.luma = luma
        self.area = area
        self.time_s = time_s
        self.bits = bits
        self.chroma = chroma
        self.previous = previous
        self.damaged = damaged
        self._views: dict[Callable[[Frame], Any], Any] = {}
        self._held: _Held = _Held(area, time_s, None, {})
        self._paced: dict[Callable[[Frame], Any], Any] = {}
        self.is_paced = True
        self.is_beat = self.is_midway = False
        self.reference = previous
        self.earlier: Frame | None = None

    def view(self, function: Callable[[Frame], View]) -> View:
        """Give `function(self)`, computed on first use and kept with the frame."""
        if function not in self._views:
            self._views[function] = function(self)
        result: View = self._views[function]
        return result

    def held(self, function: Callable[[Frame], View]) -> View:
        """Give `function` of the frame that this one is held to: itself, or an earlier one that it is still like."""
        values = self._held.values
        if function not in values:
            values[function] = self.view(function)
        result: View = values[function]
        return result

    def paced(self, function: Callable[[Frame], View]) -> View:
        """Give `function` of the last frame whose motion was measured: this one, or, where frames come fast, one before."""
        if function not in self._paced:
            self._paced[function] = self.view(function)
        result: View = self._paced[function]
        return result

    def follow(self, measured: Frame) -> None:
        """Leave motion to the last frame whose motion was measured."""
        self._paced, self.is_paced, self.reference, self.earlier = measured._paced, False, None, None

    def is_lit_like(self, other: Frame) -> bool:
        """Say whether level, spread, crushed and clipped share are within 1 % of another frame's, and both whole or damaged."""
        return self.area is other.area and self.damaged == other.damaged and _alike(self, self.sums, other.sums)

    def hold(self, hold_s: float) -> None:
        """Hold slow measures to those of the frame before, where that is still like this one.

        They are taken anew after `hold_s` seconds, on the next frame whose motion is measured, and at once where level,
        spread, crushed or clipped share moved, or damage comes or goes.
        """
        self._held = self._holds(hold_s, None if self.previous is None else self.previous._held)

    def _holds(self, hold_s: float, last: _Held | None) -> _Held:
        # on the first frame of all nothing is known that takes two
        fresh = last is None or last.first or last.area is not self.area
        late = last is not None and self.time_s - last.time_s >= hold_s - _TIME_SLACK_S
        due = fresh or (late and self.is_paced)
        if due:  # the picture's histogram then comes with those of its tiles
            _ = self.tile_histograms
        sums = self.sums
        if due or last is None or last.sums is None or self.damaged != last.damaged:
            return _Held(self.area, self.time_s, sums, {}, self.damaged, first=self.previous is None)
        if _alike(self, sums, last.sums):
            return last
        return _Held(self.area, self.time_s, sums, {}, self.damaged, first=self.previous is None)

    @cached_property
    def codes(self) -> Luma:
        """Coded luma of the picture in the 8-bit scale, shape [height, width]; 10-bit codes are divided by 4."""
        top, bottom, left, right = self.area.window
        plane = self.luma[top:bottom, left:right]
        return eight_bit(plane, self.bits)

    @cached_property
    def rows(self) -> Luma:
        """The rows [sampled rows, width] that histograms are taken of.

        Copied, since a plain copy fetches what another thread has just decoded faster than counting does.
        """
        return np.ascontiguousarray(self.codes[:: self.area.row_step])

    @cached_property
    def sums(self) -> npt.NDArray[np.float64]:
        """Means [5] over the picture: code, code squared, crushed, clipped, object signal; NaN where nothing is picture."""
        return np.asarray(self.histogram @ self.area.code_weights, dtype=np.float64)

    @cached_property
    def tile_histograms(self) -> Floats:
        """Counts [tiles, 256] of the sampled pixels at each 8-bit code, overlay left out."""
        tiles = self.area.tiles
        counts = cv2.calcHist([self.area.tile_numbers, self.rows], [0, 1], None, [tiles, 256], [0, tiles, 0, 256])
        return np.asarray(counts, dtype=np.float32)

    @cached_property
    def histogram(self) -> npt.NDArray[np.float64]:
        """Share [256] of the picture at each 8-bit code; sums to 1, NaN where nothing is picture."""
        if "tile_histograms" in self.__dict__:
            counts = self.tile_histograms.sum(axis=0, dtype=np.float64)
        else:
            counts = cv2.calcHist([self.rows], [0], None, [256], [0, 256]).ravel().astype(np.float64)
            covered = self.area.covered
            if covered is not None:  # far faster than a mask
                counts -= np.bincount(np.take(self.rows, covered), minlength=256)
        total = counts.sum()
        return counts / total if total else np.full(256, np.nan)

    @cached_property
    def tile_sums(self) -> Floats:
        """Means [tiles, 5] over each tile: code, code squared, crushed, clipped, object signal; NaN if not measured."""
        histograms = self.tile_histograms
        counts = histograms.sum(axis=1)
        sums = histograms @ self.area.code_weights
        counts[~self.area.tile_valid] = np.nan
        counts[counts == 0] = np.nan
        return np.asarray(sums / counts[:, None], dtype=np.float32)

    @cached_property
    def half(self) -> Luma:
        """The picture at half size (means of 2 x 2), shape [height // 2, width // 2]."""
        return halved(self.codes)

    @cached_property
    def reduced(self) -> Luma:
        """The picture halved as often as its size allows, in codes: that is four times as fast as in floats."""
        return self.half if self.area.halvings == 1 else halved(self.half)

    @cached_property
    def small(self) -> Floats:
        """The reduced picture, of which means are taken."""
        return self.reduced.astype(np.float32)

    @cached_property
    def fine(self) -> Floats:
        """The picture in codes at about four samples a block (or the half-size picture where that is smaller)."""
        rows, columns = (FINE_A_BLOCK * size for size in self.area.block_shape)
        height, width = self.small.shape
        if width == 2 * columns and height % 2 == 0 and height < 2 * rows:  # three samples down: a fast half
            rows = height // 2
        return area_means(self.small, (min(width, columns), min(height, rows)))

    @cached_property
    def coarse(self) -> Floats:
        """The picture in codes at two samples a block, whatever its size."""
        rows, columns = (FLOW_A_BLOCK * size for size in self.area.block_shape)
        return area_means(self.small, (columns, rows))

    @cached_property
    def blocks(self) -> Floats:
        """Block means in codes, shape [rows x 5, columns x 5]: the picture at the size of the reference object."""
        rows, columns = self.area.block_shape
        height, width = self.small.shape
        enough = height >= FLOW_A_BLOCK * rows and width >= FLOW_A_BLOCK * columns  # so that means of means are means
        return area_means(self.coarse if enough else self.small, (columns, rows))


def _alike(frame: Frame, sums: npt.NDArray[np.float64], others: npt.NDArray[np.float64]) -> bool:
    """Say whether two sets of sums are those of pictures in the same light."""
    level, _, crushed, clipped, _ = np.abs(sums - others).tolist()
    spread = abs(_spread(sums) - _spread(others))
    return bool(max(level, spread) < _HELD_LEVEL * frame.area.code_range.span and max(crushed, clipped) < _HELD_SHARE)


def _spread(sums: npt.NDArray[np.float64]) -> float:
    """Standard deviation in codes of the picture with these sums."""
    return float(np.sqrt(max(sums[1] - sums[0] ** 2, 0.0)))


def area_means(picture: Floats, size: tuple[int, int]) -> Floats:
    """A picture at a smaller size (width, height); OpenCV is fast where both sides shrink by a whole number."""
    if picture.shape == size[::-1]:
        return picture
    if picture.shape[1] % size[0] == 0 and picture.shape[0] % size[1]:
        picture = np.asarray(
            cv2.resize(picture, (size[0], picture.shape[0]), interpolation=cv2.INTER_AREA), dtype=np.float32
        )
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def halved(picture: Luma) -> Luma:
    """Means of 2 x 2, shape [height // 2, width // 2]."""
    height, width = picture.shape
    even = picture[: height // 2 * 2, : width // 2 * 2]
    return np.asarray(cv2.resize(even, (width // 2, height // 2), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def eight_bit(plane: npt.NDArray[Any], bits: int) -> Luma:
    """Give a coded plane of `bits` in the 8-bit scale (rounded), as it is where it has 8 bits."""
    if plane.dtype == np.uint8:
        return plane
    return np.asarray(cv2.convertScaleAbs(np.ascontiguousarray(plane), alpha=1.0 / (1 << (bits - 8))), dtype=np.uint8)
