"""How far noise follows the exposure is read from the flight: gain carries it, shutter time and a link do not."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pytest
from frame_material import area_of

from fieldscore import readable_rows
from fieldscore.frame import Frame
from fieldscore.link_fit import ExposureLink
from fieldscore.measures.readability import NOISY, Sight, rose_k, sight
from fieldscore.noise import NOISE_EVERY_S, NoiseCurve, Pools
from fieldscore.noise_left import RECENT, LeftCurve, PairPools
from fieldscore.readable_rows import GAIN_SPREAD, NOISE_OF_GAIN, ReadableRows, gain_exponent

Doubles = npt.NDArray[np.float64]
AREA = area_of()
SIGNAL, BLOCK_CODES = 12.0, 1.5
SURFACES = np.linspace(0.4, 1.6, AREA.tiles)  # level of each tile over the middle one's
ROWS, EACH_S = 300, NOISE_EVERY_S  # a minute, noise measured on each row
TIMES = EACH_S * np.arange(ROWS)
AMONG_CAMERAS = NOISE_OF_GAIN, GAIN_SPREAD
WANDERS = 0.1 * np.random.default_rng(3).standard_normal(ROWS)  # log2: by what is flown past


def _curve(time_s: float, levels: Doubles, codes: Doubles) -> NoiseCurve:
    """Noise (codes of a block) at levels, pooled from as many measurements as are in a flight that goes on."""
    pools = PairPools(*np.full((len(PairPools._fields), levels.size), math.nan))
    return NoiseCurve(
        time_s, Pools(levels, codes**2), LeftCurve(levels, np.log(codes)), (pools,) * RECENT, np.ones(levels.shape)
    )


def _flight(noises: Doubles, levels: Doubles | None = None, slope: float = 0.0) -> ReadableRows:
    """Rows whose tiles lie around a level (0.3, or `levels` [rows]), noise in codes of a block at 0.3.

    It falls as level**-slope, and is measured where the tiles are.
    """
    rows = ReadableRows(AREA)
    at = np.full(noises.shape, 0.3) if levels is None else levels
    for time_s, noise, level in zip(TIMES.tolist(), noises.tolist(), at.tolist(), strict=False):
        frame = Frame(np.zeros((480, 640), np.uint8), AREA, time_s)
        pools = level * np.linspace(SURFACES[0], SURFACES[-1], 7)
        curve = _curve(time_s, pools, noise * (pools / 0.3) ** -slope)
        signal, why = np.full(AREA.tiles, SIGNAL, np.float32), np.full(AREA.tiles, NOISY, np.uint8)
        frame._held.values[sight] = Sight(signal, level * SURFACES, why, curve)
        rows.add(frame)
    return rows


def _off(rows: ReadableRows, stops: Doubles, noises: Doubles, broken: Sequence[int] = ()) -> Doubles:
    """By how much (log2) k of each row differs from that of its true noise (codes of a block)."""
    links = [
        ExposureLink(row, row + 1, 0.0, 0.0, (1.0, 0.0, 1.0), 0.1) for row in range(len(stops) - 1) if row not in broken
    ]
    tiles, _ = rows.finish(stops, links)
    rows.close()
    true = rose_k(np.full(noises.shape, SIGNAL), noises * AREA.object_per_block, intra=AREA.intra).astype(np.float64)
    found = np.nanmedian(tiles.readable.reshape(len(tiles.time_s), -1), axis=1)
    return np.asarray(np.log2(found / np.interp(tiles.time_s, TIMES, true)), dtype=np.float64)


def _swing(period_s: float) -> Doubles:
    """Exposure (stops) that swings by two stops."""
    return np.asarray(np.sin(2.0 * np.pi * TIMES / period_s), dtype=np.float64)


@pytest.mark.parametrize("exponent", [0.0, 0.35, NOISE_OF_GAIN, 1.0])
def test_noise_follows_the_exposure_as_far_as_it_did_in_the_flight(exponent: float) -> None:
    """By day the shutter moves and noise stays, in the dark gain carries it: k of each row is within a seventh of a stop."""
    stops = _swing(20.0)
    true = BLOCK_CODES * 2.0 ** (exponent * stops)
    assert np.abs(_off(_flight(true * 2.0**WANDERS), stops, true)).max() < 0.15


def test_measurements_go_with_the_exposure_that_they_were_taken_over() -> None:
    """What is measured is the mean of 1.6 s: of gain that hunts within two it shows a little, and yet noise follows it whole.

    In a flight put together from two parts as in one.
    """
    stops = _swing(2.0)
    true = NOISE_OF_GAIN * stops
    pooled = np.array([true[max(row - RECENT + 1, 0) : row + 1].mean() for row in range(ROWS)])
    assert np.ptp(pooled[RECENT:]) < 0.3 * np.ptp(true)
    whole, joined = _flight(BLOCK_CODES * 2.0**pooled), ReadableRows(AREA)
    joined.take(whole.part())
    off = _off(whole, stops, BLOCK_CODES * 2.0**true)
    assert np.abs(off[5:-5]).max() < 0.2
    assert _off(joined, stops, BLOCK_CODES * 2.0**true) == pytest.approx(off)


def test_noise_is_compared_where_tiles_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """As exposure opens tiles pass to levels where noise is less: what a curve says beyond them falls, and says nothing of gain."""
    found = []

    def recorded(gain: Doubles, noise: Doubles, span_s: float, usual: float, spread: float) -> float:
        found.append(gain_exponent(gain, noise, span_s, usual, spread))
        return found[-1]

    monkeypatch.setattr(readable_rows, "gain_exponent", recorded)
    stops = _swing(20.0)
    at_one_level = BLOCK_CODES * 2.0 ** (NOISE_OF_GAIN * stops)
    levels = 0.3 * 2.0 ** (0.5 * stops)
    off = _off(_flight(at_one_level, levels, slope=0.5), stops, at_one_level * (levels / 0.3) ** -0.5)
    assert found == [pytest.approx(NOISE_OF_GAIN, abs=0.05)]
    assert np.abs(off).max() < 0.2


def test_what_lies_beyond_a_break_says_nothing_of_gain() -> None:
    """Noise follows the gain on both sides of a cut; that it is the same on both, two stops apart, changes nothing."""
    stops = 0.5 * _swing(20.0)
    true = BLOCK_CODES * 2.0 ** (NOISE_OF_GAIN * stops)
    apart = stops + np.where(np.arange(ROWS) < ROWS // 2, 0.0, 2.0)
    off = _off(_flight(true * 2.0**WANDERS), apart, true, broken=(ROWS // 2 - 1,))
    assert np.abs(off).max() < 0.1


def test_a_flight_that_says_little_keeps_what_is_known_of_cameras() -> None:
    """Without any change of exposure, or one far less than noise wanders, it is 0.7; nothing is divided by nothing."""
    assert gain_exponent(np.zeros(50), WANDERS[:50], 10.0, *AMONG_CAMERAS) == pytest.approx(NOISE_OF_GAIN)
    assert gain_exponent(np.zeros(50), np.zeros(50), 10.0, *AMONG_CAMERAS) == pytest.approx(NOISE_OF_GAIN)
    assert gain_exponent(0.01 * _swing(20.0), WANDERS, TIMES[-1], *AMONG_CAMERAS) == pytest.approx(
        NOISE_OF_GAIN, abs=0.05
    )


def test_the_slope_is_weighed_against_the_prior() -> None:
    """A minute is twelve independent measurements, however many there are: the mean of two normal distributions, by hand."""
    gain = 0.17 * _swing(20.0)
    noise = 0.1 * gain + WANDERS
    scatter = float(np.std(WANDERS))
    precision = TIMES[-1] / 5.0 * float(np.mean(gain**2)) / scatter**2
    slope = float(gain @ noise) / float(gain @ gain)
    mean = (precision * slope + NOISE_OF_GAIN / GAIN_SPREAD**2) / (precision + 1.0 / GAIN_SPREAD**2)
    assert slope + 0.1 < mean < NOISE_OF_GAIN - 0.2
    for each in (1, 4):
        found = gain_exponent(np.repeat(gain, each), np.repeat(noise, each), TIMES[-1], *AMONG_CAMERAS)
        assert found == pytest.approx(mean, abs=0.06)


def test_ten_seconds_of_noise_that_stays_are_believed() -> None:
    """Exposure drifts by a stop, as a trace of ten seconds does, and noise stays: a fifth of it is carried at most."""
    count = 50
    gain = np.linspace(-0.5, 0.5, count)
    assert gain_exponent(gain, WANDERS[:count], EACH_S * count, *AMONG_CAMERAS) < 0.2


def test_outliers_are_held_back() -> None:
    """A tenth of the measurements, two stops too high where the exposure is open, hardly moves what the others say."""
    gain = _swing(20.0)
    noise = NOISE_OF_GAIN * gain + WANDERS + np.where((gain > 0.8) & (np.arange(ROWS) % 2 == 0), 2.0, 0.0)
    plain = float(gain @ noise) / float(gain @ gain)
    assert plain > NOISE_OF_GAIN + 0.3
    assert gain_exponent(gain, noise, TIMES[-1], *AMONG_CAMERAS) == pytest.approx(NOISE_OF_GAIN, abs=0.1)


@pytest.mark.parametrize(("slope", "bound"), [(-1.0, 0.0), (2.0, 1.0)])
def test_no_more_than_read_noise_and_no_less_than_nothing(slope: float, bound: float) -> None:
    """Whatever a scene makes of it, noise follows by none to all of a stop."""
    gain = _swing(20.0)
    assert gain_exponent(gain, slope * gain + WANDERS, TIMES[-1], *AMONG_CAMERAS) == bound
