"""From a decoded picture to code values: plane views, orientation, fields."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from av.sidedata.sidedata import Type as SideDataType
from av.video.frame import VideoFrame
from av.video.plane import VideoPlane

from fieldscore.video.records import Plane

MOST_BITS = 12  # deeper samples are cut to this depth: nothing a goggle records is deeper
BYTE_BITS = 8
RANGES = {1: "narrow", 2: "full"}  # AVColorRange
MATRICES = {1: "bt709", 5: "bt601", 6: "bt601", 9: "bt2020"}  # AVColorSpace
# AVColorTransferCharacteristic, ITU-T H.273 table 3; BT.601 and BT.2020 have the curve of BT.709
TRANSFERS = {1: "bt709", 4: "gamma22", 6: "bt709", 13: "srgb", 14: "bt709", 15: "bt709", 16: "pq", 18: "hlg"}
# AVFieldOrder by display: top coded and shown first, bottom so, and the two mixed cases named coded-shown.
FIELD_ORDERS = {2: "top", 3: "bottom", 4: "bottom", 5: "top"}
INTERLEAVED = ("nv12", "nv16", "nv24", "nv20le", "nv20be")  # luma plane, then Cb Cr pairs
HIGH_BITS = ("p010", "p012", "p016", "p210", "p212", "p216", "p410", "p412", "p416")
# Offsets of Y, Cb, Cr in the four bytes of two packed pixels.
PACKED = {"yuyv422": (0, 1, 3), "uyvy422": (1, 0, 2), "yvyu422": (0, 3, 1)}
# Full-range luma and chroma of 8-bit RGB, ITU-R BT.601-7 section 2.5.1, in 1/256.
RGB_LUMA = (77, 150, 29)
RGB_CB = (-43, -85, 128)
RGB_CR = (128, -107, -21)
# How far the unit vectors of a display matrix may be off whole quarter turns before it counts as nonsense.
MATRIX_TOLERANCE = 0.02


class UnknownFormatError(Exception):
    """A pixel format whose code values cannot be had exactly."""


@dataclass(frozen=True)
class Orientation:
    """How stored pictures are turned to be shown: rows and columns swapped first, then flipped."""

    swap: bool = False
    flip_columns: bool = False
    flip_rows: bool = False

    @property
    def mirrored(self) -> bool:
        """Whether it turns left into right beyond any rotation."""
        return (self.swap + self.flip_columns + self.flip_rows) % 2 == 1

    @property
    def rotation_deg(self) -> int:
        """Clockwise rotation, after the mirror (left and right) if there is one: 0, 90, 180 or 270."""
        if self.swap:
            return 90 if self.flip_columns else 270
        return 180 if self.flip_rows else 0

    def apply(self, plane: Plane) -> Plane:
        """The plane as shown, contiguous; the plane itself when nothing is to be done."""
        if not (self.swap or self.flip_columns or self.flip_rows):
            return plane
        turned = plane.T if self.swap else plane
        turned = turned[:: -1 if self.flip_rows else 1, :: -1 if self.flip_columns else 1]
        return _sealed(np.ascontiguousarray(turned))


@dataclass
class Samples:
    """Code values of one picture: luma, chroma (or None), bits a sample."""

    luma: Plane
    chroma: tuple[Plane, Plane] | None
    bits: int


def layout(frame: VideoFrame) -> tuple[int, int, str]:
    """(width, height, format name with the full-range spelling taken out): equal for pictures that go
    together.
    """
    return frame.width, frame.height, frame.format.name.replace("yuvj", "yuv")


def range_tag(frame: VideoFrame) -> str | None:
    """The range that the picture says it has: "narrow", "full" or None."""
    if frame.format.name.startswith("yuvj") or frame.format.is_rgb or frame.format.name == "pal8":
        return "full"
    return RANGES.get(int(frame.color_range))


def matrix_tag(frame: VideoFrame) -> str | None:
    """The matrix of luma and colour difference that the picture says it has: "bt601", "bt709", "bt2020" or None."""
    if frame.format.is_rgb or frame.format.has_palette:
        return "bt601"  # what `samples` makes of them
    return MATRICES.get(int(frame.colorspace))


def field_order(order: int, frame: VideoFrame) -> str | None:
    """Which field comes first, by the codec's AVFieldOrder or the first picture: "top", "bottom" or None."""
    return FIELD_ORDERS.get(order) or ("top" if frame.interlaced_frame else None)


def transfer_tag(frame: VideoFrame) -> str | None:
    """The tone curve that the picture says it has: "bt709", "gamma22", "srgb", "pq", "hlg" or None."""
    return TRANSFERS.get(int(frame.color_trc))


def depth(frame: VideoFrame) -> int:
    """Bits a sample as handed out by `samples`. UnknownFormatError for formats that are not read."""
    name = frame.format.name
    if frame.format.is_rgb or frame.format.has_palette:
        if name == "pal8" or max(c.bits for c in frame.format.components) == BYTE_BITS:
            return BYTE_BITS
        raise UnknownFormatError(name)
    if not (name.startswith(("yuv", "gray", "ya8", "ya16", *HIGH_BITS, *INTERLEAVED)) or name in PACKED):
        raise UnknownFormatError(name)
    bits = frame.format.components[0].bits  # never from the name: "nv12" has 8
    if bits < BYTE_BITS or "f" in name.removeprefix("yuv"):
        raise UnknownFormatError(name)
    return min(bits, MOST_BITS)


def samples(frame: VideoFrame) -> Samples:
    """The code values of a picture, as read-only views on the decoder's buffers where the format allows.

    UnknownFormatError for formats whose luma cannot be had exactly (float, 1 bit, deep or Bayer RGB).
    """
    bits = depth(frame)
    name = frame.format.name
    if frame.format.is_rgb or frame.format.has_palette:
        return _from_rgb(frame)
    if name in PACKED:
        at_y, at_cb, at_cr = PACKED[name]
        rows = _view(frame.planes[0], np.dtype(np.uint8), 2 * frame.width)
        return Samples(_sealed(rows[:, at_y::2]), (_sealed(rows[:, at_cb::4]), _sealed(rows[:, at_cr::4])), bits)
    stored = frame.format.components[0].bits
    order = ">" if frame.format.is_big_endian else "<"
    dtype = np.dtype(np.uint8) if stored == BYTE_BITS else np.dtype(f"{order}u2")
    shift = stored - bits
    if name.startswith(HIGH_BITS):
        shift += 16 - stored
    if name.startswith(("ya8", "ya16")):  # grey with alpha, interleaved
        return Samples(_finish(_view(frame.planes[0], dtype, 2 * frame.width)[:, ::2], shift), None, bits)
    luma = _finish(_view(frame.planes[0], dtype, frame.width), shift)
    if name.startswith("gray"):
        return Samples(luma, None, bits)
    width = frame.format.chroma_width(frame.width)
    if name.startswith((*INTERLEAVED, *HIGH_BITS)):
        pairs = _view(frame.planes[1], dtype, 2 * width)
        cb, cr = pairs[:, 0::2], pairs[:, 1::2]
    else:
        cb, cr = _view(frame.planes[1], dtype, width), _view(frame.planes[2], dtype, width)
    return Samples(luma, (_finish(cb, shift), _finish(cr, shift)), bits)


def field_rows(values: Samples, field: str) -> Samples:
    """Every second row of all planes, as views: the "top" field starts with the first row."""
    first = 0 if field == "top" else 1
    chroma = values.chroma and (values.chroma[0][first::2], values.chroma[1][first::2])
    return Samples(values.luma[first::2], chroma, values.bits)


def turned(values: Samples, turn: Orientation) -> Samples:
    """All planes as shown upright."""
    chroma = values.chroma and (turn.apply(values.chroma[0]), turn.apply(values.chroma[1]))
    return Samples(turn.apply(values.luma), chroma, values.bits)


def orientation(frame: VideoFrame) -> Orientation | None:
    """How the picture asks to be turned; None for a display matrix that is no quarter turn."""
    data = frame.side_data.get(SideDataType.DISPLAYMATRIX)  # type: ignore[call-overload]
    if data is None:
        return Orientation()
    a, b, _, c, d = (float(v) for v in np.frombuffer(bytes(data), dtype=np.int32)[:5])
    across, down = math.hypot(a, b), math.hypot(c, d)
    if not across or not down:
        return None
    a, b, c, d = a / across, b / across, c / down, d / down
    rounded = [round(v) for v in (a, b, c, d)]
    off = max(abs(v - r) for v, r in zip((a, b, c, d), rounded, strict=True))
    if off > MATRIX_TOLERANCE or abs(a * d - b * c) < 1 - MATRIX_TOLERANCE:
        return None
    a, b, c, d = rounded
    # The matrix sends stored (column, row) to shown (a column + c row, b column + d row).
    return Orientation(True, c < 0, b < 0) if b else Orientation(False, a < 0, d < 0)


def _view(plane: VideoPlane, dtype: np.dtype[Any], width: int) -> npt.NDArray[Any]:
    """Rows of a plane without the padding. The view keeps the picture alive."""
    data: npt.NDArray[Any] = np.frombuffer(memoryview(plane), dtype=dtype)
    rows = data.reshape(-1, abs(plane.line_size) // dtype.itemsize)[: plane.height, :width]
    # Bottom-up pictures: the library hands the buffer from its low end.
    return rows[::-1] if plane.line_size < 0 else rows


def _finish(rows: npt.NDArray[Any], shift: int) -> Plane:
    """Native byte order, value in the low bits, read-only."""
    if shift:
        rows = rows >> shift
    if not rows.dtype.isnative:
        rows = rows.astype(rows.dtype.newbyteorder("="))
    return _sealed(rows)


def _sealed(rows: npt.NDArray[Any]) -> Plane:
    """A read-only view: the buffer may be a reference picture of the decoder."""
    view = rows.view()
    view.flags.writeable = False
    return view


def _from_rgb(frame: VideoFrame) -> Samples:
    """Full-range luma and chroma of an RGB or palette picture, rounded to codes."""
    rgb = frame.to_ndarray(format="rgb24").astype(np.int32)

    def mix(weights: tuple[int, int, int], offset: int) -> Plane:
        mixed = (rgb @ np.array(weights, dtype=np.int32) + 128 >> 8) + offset
        return _sealed(np.clip(mixed, 0, 255).astype(np.uint8))

    return Samples(mix(RGB_LUMA, 0), (mix(RGB_CB, 128), mix(RGB_CR, 128)), BYTE_BITS)
