"""Clips with known planes for the tests of the reader."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fieldscore.video import ClipWriter, Encoding, Flight

WIDTH, HEIGHT = 96, 64
RATE = 25.0

Array = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]


def picture(
    number: int,
    *,
    width: int = WIDTH,
    height: int = HEIGHT,
    bits: int = 8,
    subsampling: tuple[int, int] | None = (2, 2),
) -> tuple[Array, ...]:
    """A smooth moving picture inside the narrow range, with a disc that tells frames apart."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    luma = 60 + 100 * x / width + 30 * np.sin((y + number) / 9)
    luma[np.hypot(x - (10 + 3 * number) % width, y - height / 2) < height / 8] = 200
    scale = 1 << (bits - 8)
    dtype = np.uint8 if bits == 8 else np.uint16
    planes = [np.rint(luma * scale).astype(dtype)]
    if subsampling is not None:
        across, down = subsampling
        rows, columns = -(-height // down), -(-width // across)
        ramp = np.linspace(90, 160, columns)[None, :].repeat(rows, 0)
        planes += [np.rint(ramp * scale).astype(dtype), np.rint((250 - ramp) * scale).astype(dtype)]
    return tuple(planes)


def write_clip(
    path: Path,
    count: int = 50,
    encoding: Encoding | None = None,
    *,
    rate: float | Fraction = RATE,
    times: Sequence[float] | None = None,
    width: int = WIDTH,
    height: int = HEIGHT,
    first: int = 0,
) -> Path:
    """Write `count` pictures (numbers from `first` on) and return the path."""
    with ClipWriter(path, width, height, rate, encoding or Encoding()) as writer:
        for i in range(count):
            time = None if times is None else times[i]
            writer.write(picture(first + i, width=width, height=height), time)
    return path


def read_all(path: Path, **options: float | int) -> tuple[Flight, list[float], list[Array], list[bool]]:
    """The flight after a full pass, with times, luma and damage marks."""
    flight = Flight([path], **options)  # type: ignore[arg-type]
    times, lumas, marks = [], [], []
    for frame in flight.frames():
        times.append(frame.time_s)
        lumas.append(frame.luma.copy())
        marks.append(frame.damaged)
    return flight, times, lumas, marks


def kinds(flight: Flight) -> set[str]:
    """Keys of the problems met."""
    return {problem.kind for problem in flight.losses.problems}


def annex_b(path: Path) -> Iterator[tuple[int, int, int]]:
    """(start, end, type) of the units of a bare H.264 stream (H.264 annex B)."""
    data = path.read_bytes()
    starts = []
    at = data.find(b"\0\0\1")
    while at >= 0:
        starts.append(at)
        at = data.find(b"\0\0\1", at + 3)
    for start, end in zip(starts, [*starts[1:], len(data)], strict=True):
        yield start, end, data[start + 3] & 31
