"""Noise at the gain of the moment: what was measured over a second, moved as far as the flight shows that it goes with gain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from flight_material import write_flight
from frame_material import area_of

from fieldscore import measure_flight
from fieldscore.frame import Frame
from fieldscore.link_fit import ExposureLink
from fieldscore.measures.readability import NOISY, Sight, rose_k, sight
from fieldscore.noise import NOISE_EVERY_S, NoiseCurve, Pools
from fieldscore.noise_left import RECENT, LeftCurve, PairPools
from fieldscore.readable_rows import ReadableRows

Doubles = npt.NDArray[np.float64]
AREA = area_of()
SIGNAL, BLOCK_CODES, LEVEL = 12.0, 1.5, 0.3
ROWS = 300  # a minute, noise measured on each row
TIMES = NOISE_EVERY_S * np.arange(ROWS)
SWING = np.asarray(
    2.0 * np.sin(2.0 * np.pi * TIMES / 10.0), dtype=np.float64
)  # stops: two seconds from end to end are four
GAP = slice(100, 120)  # rows whose exposure is not known
DARK_STOPS = 2.0  # by which it opens in the second before


def _lagging(noise: Doubles) -> Doubles:
    """What is measured of a noise [n]: its geometric mean over the measurements pooled."""
    return np.exp(np.array([np.log(noise[max(row + 1 - RECENT, 0) : row + 1]).mean() for row in range(len(noise))]))


def _flight(measured: Doubles, pooled: Sequence[int] = ()) -> ReadableRows:
    """Rows of one level whose noise (codes of a block) was measured; `pooled`: over how many measurements, RECENT if not told."""
    rows, levels = ReadableRows(AREA), np.linspace(0.03, 0.9, 7)
    none = PairPools(*np.full((len(PairPools._fields), levels.size), math.nan))
    for row, (time_s, codes) in enumerate(zip(TIMES.tolist(), measured.tolist(), strict=False)):
        frame = Frame(np.zeros((480, 640), np.uint8), AREA, time_s)
        noise = np.full(levels.shape, codes)
        recent = (none,) * (pooled[row] if pooled else RECENT)
        curve = NoiseCurve(time_s, Pools(levels, noise**2), LeftCurve(levels, np.log(noise)), recent, np.ones(7))
        signal, why = np.full(AREA.tiles, SIGNAL, np.float32), np.full(AREA.tiles, NOISY, np.uint8)
        frame._held.values[sight] = Sight(signal, np.full(AREA.tiles, LEVEL), why, curve)
        rows.add(frame)
    return rows


def _links(known: npt.NDArray[np.bool_]) -> list[ExposureLink]:
    return [
        ExposureLink(row, row + 1, 0.0, 0.0, (1.0, 0.0, 1.0), 0.1)
        for row in range(len(known) - 1)
        if known[row] and known[row + 1]
    ]


def _told(measured: Doubles, stops: Doubles) -> Doubles:
    """Noise told of what was measured."""
    rows = _flight(measured)
    factor = rows.told(stops, _links(np.isfinite(stops)))
    rows.close()
    return measured * factor


def _in_the_dark(pooled: Sequence[int] = ()) -> Doubles:
    """Noise of a block by k, over time, where a camera flies into the dark, its trace breaks, and noise is measured late or not."""
    stops = np.interp(TIMES, [TIMES[GAP.start - 6], TIMES[GAP.start - 1]], [0.0, DARK_STOPS])
    measured = _lagging(BLOCK_CODES * 2.0 ** (0.7 * np.where(np.arange(ROWS) < GAP.start, stops, 0.0)))
    measured[GAP] = BLOCK_CODES
    stops[GAP] = np.nan
    rows = _flight(measured, pooled)
    tiles, _ = rows.finish(stops, _links(np.isfinite(stops)))
    rows.close()
    k = np.nanmedian(tiles.readable.reshape(len(tiles.time_s), -1), axis=1)
    return np.interp(TIMES, tiles.time_s, k)


def test_noise_told_does_not_lag_the_gain() -> None:
    """Where noise follows a gain that swings by four stops in five seconds, what is told is within 7 % of it, measured 30 % off."""
    true = BLOCK_CODES * 2.0 ** (0.7 * SWING)
    measured = _lagging(true)
    off, before = (np.abs(np.log2(one / true))[RECENT:] for one in (_told(measured, SWING), measured))
    assert np.median(before) > np.log2(1.3)
    assert off.max() < np.log2(1.07)


def test_noise_that_does_not_go_with_the_gain_is_told_as_measured() -> None:
    """A denoiser's noise wanders as it does: what is told is within 3 % of what was measured, whatever the exposure did."""
    measured = BLOCK_CODES * 2.0 ** (0.1 * np.random.default_rng(3).standard_normal(ROWS))
    assert _told(measured, SWING) == pytest.approx(measured, rel=0.03)
    assert _told(measured, np.full(ROWS, np.nan)) == pytest.approx(measured)


def test_a_flight_that_does_not_show_it_is_told_as_measured() -> None:
    """Ten seconds of rough noise show nothing of an exposure that moves by 0.4 stop: told is what was measured, within 2 %."""
    measured = BLOCK_CODES * 2.0 ** (0.6 * np.random.default_rng(5).standard_normal(50))
    assert _told(measured, 0.2 * SWING[:50]) == pytest.approx(measured, rel=0.02)


def test_noise_told_is_no_less_where_the_trace_breaks() -> None:
    """Where the trace breaks it stays what it last was while what is measured is less, for as long as that is pooled."""
    stops = SWING.copy()
    true = BLOCK_CODES * 2.0 ** (0.7 * stops)
    stops[GAP] = np.nan
    measured = _lagging(true)
    measured[GAP] = 0.5 * BLOCK_CODES
    told = _told(measured, stops)
    held, anew = slice(GAP.start, GAP.start + RECENT - 2), slice(GAP.start + RECENT, GAP.stop)
    assert told[held] == pytest.approx(told[GAP.start - 1])
    assert told[anew] == pytest.approx(measured[anew])


def test_noise_of_the_light_before_does_not_make_the_dark_readable() -> None:
    """Exposure opens by two stops and the trace breaks: k stays what it was last, till noise is all measured after the break."""
    k = _in_the_dark()
    pooled_until = GAP.start + RECENT - 1
    assert k[GAP.start + 1 : pooled_until - 3] == pytest.approx(k[GAP.start - 1], rel=0.07)
    as_measured = float(rose_k(np.float64(SIGNAL), np.float64(BLOCK_CODES * AREA.object_per_block), intra=AREA.intra))
    assert k[GAP.start - 1] < 0.7 * as_measured
    assert k[pooled_until + 3 : GAP.stop - 3] == pytest.approx(as_measured, rel=0.01)


def test_a_cut_into_other_light_is_readable_at_once() -> None:
    """Where the level changed and noise was measured anew, by itself, what was before the break says nothing."""
    pooled = [RECENT] * ROWS
    pooled[GAP.start : GAP.start + RECENT] = range(1, RECENT + 1)
    k = _in_the_dark(pooled)
    as_measured = float(rose_k(np.float64(SIGNAL), np.float64(BLOCK_CODES * AREA.object_per_block), intra=AREA.intra))
    assert k[GAP.start + 3 : GAP.stop - 3] == pytest.approx(as_measured, rel=0.01)


def test_the_column_is_noise_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A flight's noise is what its frames say times what its exposure says."""
    clip = write_flight(tmp_path / "a.mp4", 40)
    plain = measure_flight([clip]).timeline["noise_percent"]
    monkeypatch.setattr(ReadableRows, "told", lambda self, _stops, _links: np.full(len(self._times), 2.0))
    assert measure_flight([clip]).timeline["noise_percent"] == pytest.approx(2.0 * plain, rel=0.01, nan_ok=True)
    assert np.isfinite(plain).any()
