"""What the reader hands out: plain records without any trace of the decoding library."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Plane: TypeAlias = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]


@dataclass(frozen=True)
class Problem:
    """Something wrong with a clip, in plain words.

    `kind` is a short machine key, `detail` one sentence with the value, `advice` what to do about it (may be
    empty).
    """

    kind: str
    detail: str
    advice: str = ""


@dataclass(frozen=True)
class ClipInfo:
    """What a file is, without measuring it.

    `width`, `height`: pixels of the picture as shown upright, after `rotation_deg` (clockwise) and `mirrored` are applied.
    `intra`: its codec codes each picture by itself, as JPEG does (libavcodec's word). `bits` a sample. `frame_rate`: frames a
    second, from the median timestamp difference of the first packets, or as given for streams without timestamps.
    `declared_rate`, `frames_declared`, `duration_s`: claims of the container, None when it makes none. `sample_aspect`: pixel
    width over height, 1.0 when unknown. `range_tag`: "narrow", "full" or None (untagged). `matrix_tag`: "bt601", "bt709",
    "bt2020" or None. `transfer_tag`: the tone curve, "bt709", "gamma22", "srgb", "pq", "hlg" or None. `field_order`: "top" or
    "bottom" first, None for progressive or unknown. `bit_rate`: bit/s of the file or None. `problems`: what is wrong with the
    file before reading it.
    """

    path: Path
    container: str
    codec: str
    intra: bool
    pixel_format: str
    width: int
    height: int
    bits: int
    frame_rate: float
    declared_rate: float | None
    duration_s: float | None
    frames_declared: int | None
    rotation_deg: int
    mirrored: bool
    sample_aspect: float
    range_tag: str | None
    matrix_tag: str | None
    transfer_tag: str | None
    interlaced_flag: bool
    field_order: str | None
    bit_rate: float | None
    problems: tuple[Problem, ...]


@dataclass
class CodedFrame:
    """One decoded picture, or one field of it.

    `luma`: code values (rows, columns) in the native depth (10 bits: 0..1023), a read-only view where
    possible. `chroma`: (Cb, Cr) in the native depth and subsampling, None for grey. `time_s`: seconds from
    the first picture of the flight. `damaged`: the decoder's own evidence says that this picture is wrong.
    `file_index`: which file of the flight. `field`: "top" or "bottom" where fields are split.
    """

    luma: Plane
    chroma: tuple[Plane, Plane] | None
    time_s: float
    bits: int
    damaged: bool
    file_index: int
    field: str | None = None

    def copy(self) -> CodedFrame:
        """The same with arrays of its own, which keep no buffer of the decoder alive."""
        chroma = None if self.chroma is None else (self.chroma[0].copy(), self.chroma[1].copy())
        return CodedFrame(self.luma.copy(), chroma, self.time_s, self.bits, self.damaged, self.file_index, self.field)


@dataclass(frozen=True)
class Losses:
    """What one pass over a flight could not read.

    `frames_lost`: pictures that should be there and are not (holes in the timestamps, undecodable data, a
    missing end where the container says its length). `lost_s`: their time in seconds. `frames_read`: pictures
    handed out. `frames_damaged`: those of them marked damaged. `interval_s`: the usual one between timestamps, NaN
    below two pictures. `problems`: each cause in words, those of opening included.
    """

    frames_lost: int
    lost_s: float
    frames_read: int
    frames_damaged: int
    interval_s: float
    problems: tuple[Problem, ...]
