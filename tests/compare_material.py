"""Flights of one route made by hand, and their alignment worked out from the route: what tests of the comparison start from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from flight_material import RATE, record_of, timeline_of

from fieldscore.align import Alignment
from fieldscore.criteria import Criteria
from fieldscore.record import Evidence, TileSeries
from fieldscore.score import Score, score_flight

Series = npt.NDArray[np.float64]
PATH_STEP_S = 0.1  # between matched places
Curve = Callable[[Series], Series]


def alignment_of(way_a: Series, way_b: Series, **changes: Any) -> Alignment:
    """The alignment of two flights whose metres along the route [rows] at RATE are known: equal metres are the same place."""
    time_a, time_b = (np.arange(len(way)) / RATE for way in (way_a, way_b))
    start, stop = max(way_a[0], way_b[0]), min(way_a[-1], way_b[-1])
    steps = max(2, int((stop - start) / max(way_a[-1] - way_a[0], 1e-9) * time_a[-1] / PATH_STEP_S))
    metres = np.linspace(start, stop, steps)
    matched_a, matched_b = (np.interp(metres, way, t) for way, t in ((way_a, time_a), (way_b, time_b)))
    share = (stop - start) / min(way_a[-1] - way_a[0], way_b[-1] - way_b[0])
    found = Alignment(True, 0.9, share, matched_a, matched_b, np.full(steps, 0.9), None)
    return replace(found, **changes)


def foreign() -> Alignment:
    """What the alignment of two different routes is."""
    empty = np.empty(0)
    return Alignment(False, 0.001, 0.0, empty, empty, empty, "no stretch of them looks alike")


def flight(way: Series, measures: dict[str, Curve | float], *, name: str = "made", **clip: Any) -> Score:
    """The score of a flight that is at `way` [rows] metres; each measure is a curve over the metres, or constant."""
    columns = {key: curve(way) if callable(curve) else curve for key, curve in measures.items()}
    record = record_of(timeline_of(len(way), **columns), tiles=tiles_of(way), **clip)
    record = replace(record, name=name, evidence=_evidence(len(way)))
    return score_flight(record, Criteria())


def steady(length_s: float, speed: float = 1.0, start_m: float = 0.0) -> Series:
    """Metres along the route of a flight at constant speed (m/s)."""
    return np.asarray(start_m + speed * np.arange(int(length_s * RATE)) / RATE)


def rough(seed: int, scale: float = 1.0, size_m: float = 1.0, length_m: float = 400.0) -> Curve:
    """A random curve along the route: white noise smoothed over `size_m` metres, of standard deviation `scale`."""
    step = 0.05
    rng = np.random.default_rng(seed)
    width = max(1, int(size_m / step))
    values = np.convolve(rng.normal(0, 1, int(length_m / step) + width), np.ones(width) / width**0.5, mode="valid")
    place = np.arange(len(values)) * step
    return lambda metres: np.asarray(scale * np.interp(metres, place, values))


def tiles_of(way: Series) -> TileSeries:
    """Readability of a flight's tiles every quarter second: the lower half unreadable on every second metre."""
    times = np.arange(0.125, len(way) / RATE, 0.25)
    readable = np.full((len(times), 12, 16), 9.0, dtype=np.float32)
    metres = np.interp(times, np.arange(len(way)) / RATE, way)
    readable[metres % 2 < 1, 6:] = 1.0
    readable[:, 0, :3] = np.nan
    return TileSeries(times, readable)


def _evidence(rows: int) -> Evidence:
    """Small pictures every half second."""
    times = np.arange(0.0, rows / RATE, 0.5)
    thumbs = []
    for number in range(len(times)):
        picture = np.full((60, 80), 40 + 3 * (number % 50), dtype=np.uint8)
        picture[20:40, 30:50] = 200
        thumbs.append(cv2.imencode(".jpg", picture)[1].tobytes())
    return Evidence(times, tuple(thumbs), np.zeros((rows, 256), dtype=np.uint16))
