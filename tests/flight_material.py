"""Timelines made by hand and small clips of a moving scene, for the tests from the Timeline to the command line."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.measures import COLUMNS
from fieldscore.record import ClipFacts, Evidence, FlightRecord, PictureFacts, TileSeries
from fieldscore.timeline import Timeline
from fieldscore.video import ClipWriter, Encoding

RATE = 30.0  # rows a second
WIDTH, HEIGHT = 192, 144
# A frame of a good flight; columns not named here are not measurable.
GOOD = {
    "level_percent": 40.0,
    "p1_percent": 2.0,
    "p5_percent": 10.0,
    "p50_percent": 38.0,
    "p95_percent": 80.0,
    "p99_percent": 90.0,
    "clipped_percent": 0.5,
    "crushed_percent": 1.0,
    "occupied_range_stops": 6.0,
    "readable_percent": 92.0,
    "zone_readable_percent": 95.0,
    "zone_dark_percent": 2.0,
    "zone_blown_percent": 1.0,
    "zone_noisy_percent": 2.0,
    "noise_percent": 1.0,
    "frozen_percent": 5.0,
    "motion_percent": 20.0,
    "motion_change_percent": 40.0,
    "spread_codes": 40.0,
    "patch_spread_codes": 25.0,
    "colour_codes": 3.0,
    "likeness": 0.95,
    "repeated": 0.0,
    "damaged": 0.0,
}
# What a stretch of frames lost to each cause looks like.
DARK = {"zone_readable_percent": 20.0, "zone_dark_percent": 70.0, "zone_noisy_percent": 9.0}
NOISY = {"zone_readable_percent": 30.0, "zone_noisy_percent": 65.0}
ZONE_BLOWN = {"zone_readable_percent": 30.0, "zone_blown_percent": 65.0}
WASHED_OUT = {"level_percent": 75.0, "p5_percent": 74.0, "p95_percent": 77.0}
SNOW = {"spread_codes": 45.0, "patch_spread_codes": 2.0, "likeness": 0.02, "zone_readable_percent": 10.0}
BLUE = {"spread_codes": 0.5, "patch_spread_codes": 0.2, "colour_codes": 70.0, "level_percent": 15.0}
BLACK = {
    "spread_codes": 0.3, "patch_spread_codes": 0.1, "colour_codes": 1.0, "level_percent": 0.0,
    "p5_percent": 0.0, "p95_percent": 0.0, "zone_readable_percent": 0.0, "zone_dark_percent": 100.0,
    "zone_blown_percent": 0.0, "zone_noisy_percent": 0.0, "motion_percent": np.nan, "likeness": np.nan,
}  # fmt: skip
GROUND = {"motion_percent": 0.4}

Stretch = tuple[int, int, dict[str, float]]


def timeline_of(rows: int, *stretches: Stretch, rate: float = RATE, **columns: Any) -> Timeline:
    """A good flight of that many rows; each stretch (first row, row after the last, values) changes some of them."""
    values = {column.name: np.full(rows, GOOD.get(column.name, np.nan)) for column in COLUMNS}
    for name, data in columns.items():
        values[name] = np.array(np.broadcast_to(np.asarray(data, dtype=np.float64), rows))
    for start, stop, changes in stretches:
        for name, value in changes.items():
            values[name][start:stop] = value
    return Timeline(np.round(np.arange(rows) / rate, 6), values, COLUMNS, {"files": "made.mp4"})


def record_of(timeline: Timeline, tiles: TileSeries | None = None, **clip: Any) -> FlightRecord:
    """A record around a timeline: an 8-bit narrow-range clip unless `clip` says otherwise."""
    rows = len(timeline)
    facts: dict[str, Any] = {
        "files": ("made.mp4",), "sha256": ("0" * 64,), "codec": "h264", "container": "mov", "pixel_format": "yuv420p",
        "width": 640, "height": 480, "bits": 8, "frame_rate": RATE, "interlaced": False, "duration_s": rows / RATE,
        "frames_measured": rows, "frames_lost": 0, "frames_damaged": 0, "lost_s": 0.0, "code_range": "narrow",
        "code_range_from": "tag", "floor_code": 16.0, "floor_from": "nominal", "ceiling_code": 235.0,
        "ceiling_from": "nominal",
    }  # fmt: skip
    facts.update(clip)
    no_tiles = TileSeries(np.zeros(0), np.zeros((0, 12, 16), dtype=np.float32))
    evidence = Evidence(np.zeros(0), (), np.zeros((rows, 256), dtype=np.uint16))
    return FlightRecord(
        "made", timeline, tiles or no_tiles, evidence, ClipFacts(**facts), PictureFacts((0, 0, 0, 0), 0.0)
    )


def scene(width: int, height: int, seed: int = 1) -> npt.NDArray[np.float64]:
    """A textured picture in luma codes, larger than a frame, to be flown over."""
    rng = np.random.default_rng(seed)
    coarse = cv2.resize(rng.uniform(-1, 1, (height // 8, width // 8)), (width, height), interpolation=cv2.INTER_CUBIC)
    fine = cv2.GaussianBlur(rng.normal(0, 1, (height, width)), (0, 0), 1.5)
    return np.asarray(np.clip(110 + 45 * coarse + 40 * fine, 30, 220))


def pictures(
    count: int, *, width: int = WIDTH, height: int = HEIGHT, still: tuple[int, int] = (0, 0), seed: int = 1
) -> list[npt.NDArray[np.uint8]]:
    """Luma planes of a flight over the scene, two pixels a frame, with camera noise; rows `still` do not move."""
    ground = scene(width + 2 * count + 8, height, seed)
    rng = np.random.default_rng(seed + 100)
    at, found = 0, []
    for number in range(count):
        at += 0 if still[0] <= number < still[1] else 2
        picture = ground[:, at : at + width] + rng.normal(0, 1.5, (height, width))
        found.append(np.clip(np.rint(picture), 16, 235).astype(np.uint8))
    return found


def write_flight(
    path: Path,
    count: int = 45,
    encoding: Encoding | None = None,
    *,
    rate: float = RATE,
    times: Sequence[float] | None = None,
    planes: Sequence[npt.NDArray[np.uint8]] | None = None,
    seed: int = 1,
) -> Path:
    """Write a clip of the moving scene (or of these luma planes), grey but for a touch of colour."""
    encoding = encoding or Encoding(crf=18)
    planes = pictures(count, seed=seed) if planes is None else planes
    height, width = planes[0].shape
    scale, dtype = (4, np.uint16) if "10" in encoding.pixel_format else (1, np.uint8)
    blue = np.full((height // 2, width // 2), 120 * scale, dtype=dtype)
    red = np.full((height // 2, width // 2), 134 * scale, dtype=dtype)
    with ClipWriter(path, width, height, rate, encoding) as writer:
        for number, luma in enumerate(planes):
            plane = luma.astype(dtype) * dtype(scale)
            writer.write((plane, blue, red), None if times is None else times[number])
    return path
