"""Twins: a simulated flight once more with other noise, which shows how much noise its recording really holds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchmarks.flights import Case
from fieldscore import Criteria
from fieldscore.analyse import look_at
from fieldscore.frame import BLOCKS_A_TILE, Frame, PictureArea
from fieldscore.record import FlightRecord
from fieldscore.simulate import simulate
from fieldscore.video import Flight

_MOST_HIDDEN = 0.02  # share of a tile at an end from which on its noise is not what the camera left
SETTLED_S = 1.5  # s, on the ground and until noise has been measured some times


def twin_of(case: Case, clip: Path) -> Path:
    """Write a flight's twin beside it, unless it is there; gives its path."""
    twin = clip.with_name(f"{case.name}-twin{case.suffix}")
    if not twin.exists():
        simulate(replace(case.plan, noise_seed=1), case.camera, case.chain, twin, tile_every=1000)
    return twin


def noise_left(clip: Path, twin: Path, record: FlightRecord) -> tuple[float, float]:
    """Noise really left in the recording (%), from its twin with another noise, and what was measured over the same frames."""
    times, found = noise_over_time(clip, twin)
    rows = np.searchsorted(record.timeline.time_s, times - 1e-3)
    measured = record.timeline["noise_percent"][np.minimum(rows, len(record.timeline) - 1)]
    flown = times > SETTLED_S
    return float(np.nanmedian(found[flown])), float(np.nanmedian(measured[flown]))


def noise_over_time(clip: Path, twin: Path) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Times [n] of a flight's pictures, in seconds, and the noise (%) [n] really left in each, from its twin."""
    flight = Flight([clip])
    look = look_at(flight, Criteria(), clip.stem)
    area = look.area.for_fields() if look.interlaced else look.area
    fields = (flight.clips[0].field_order or "top") if look.interlaced else None
    found = []
    frames = [Flight([path]).frames(fields=fields) if fields else Flight([path]).frames() for path in (clip, twin)]
    times = []
    for one, two in zip(*frames, strict=False):
        a, b = (Frame(each.luma, area, each.time_s, bits=each.bits) for each in (one, two))
        found.append(_tile_noise(a, b, area))
        times.append(one.time_s)
    return np.array(times), np.array(found)


def _tile_noise(one: Frame, two: Frame, area: PictureArea) -> float:
    """Noise (% of white, a pixel) of the median tile that neither end hides, from two pictures that differ in noise alone."""
    change = np.square(one.blocks - two.blocks) / 2.0
    tiles = change.reshape(area.rows, BLOCKS_A_TILE, area.columns, BLOCKS_A_TILE).mean(axis=(1, 3)).ravel()
    hidden = (one.tile_sums[:, 2] >= 0.2) | (one.tile_sums[:, 3] >= _MOST_HIDDEN) | ~area.tile_valid
    covered = ~area.block_ok.reshape(area.rows, BLOCKS_A_TILE, area.columns, BLOCKS_A_TILE).all(axis=(1, 3)).ravel()
    shown = tiles[~hidden & ~covered]
    return float(100.0 * np.sqrt(np.median(shown) * area.block_pixels) / area.code_range.span) if shown.size else np.nan
