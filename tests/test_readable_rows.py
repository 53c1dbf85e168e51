"""Readability over a flight: noise measured at one time says what it is at another, through the camera's own exposure."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pytest
from frame_material import area_of
from scipy.optimize import brentq

from fieldscore.frame import Floats, Frame
from fieldscore.link_fit import ExposureLink
from fieldscore.measures.readability import DARK, NOISY, Sight, given_back, rose_k, sight
from fieldscore.noise import NoiseCurve, Pools
from fieldscore.noise_left import LEVEL_EDGES, LeftCurve, PairPools
from fieldscore.other_curves import curve_ends
from fieldscore.readable_rows import NOISE_OF_GAIN, ReadableRows

Doubles = npt.NDArray[np.float64]
RATE = 10.0  # measurements a second
AREA = area_of()
SIGNAL, LEVEL = 12.0, 0.3  # codes, fraction
LEVELS = np.linspace(0.03, 0.9, len(LEVEL_EDGES) - 1)


def _curve(time_s: float, block_codes: float, end: float = math.nan, farther: float = math.nan) -> NoiseCurve:
    """The same noise at every level; `end`: low end of the noise of tiles, `farther`: of frames, NaN where nothing says."""
    between = Pools(LEVELS, np.full(LEVELS.shape, block_codes**2))
    left = LeftCurve(LEVELS, np.full(LEVELS.shape, math.log(block_codes)))
    pools = np.full((len(PairPools._fields), len(LEVELS)), end)
    recent = () if math.isnan(end) else (PairPools(*pools)._replace(counts=np.ones(LEVELS.shape)),)
    known = 0 if math.isnan(farther) else 1
    return NoiseCurve(time_s, between, left, recent, np.ones(LEVELS.shape), farther if known else 0.0, known)


def _link(before: int, after: int) -> ExposureLink:
    return ExposureLink(before, after, 0.0, 0.0, (1.0, 0.0, 1.0), 0.1)


def _links(rows: int, broken: Sequence[int] = ()) -> list[ExposureLink]:
    return [_link(row, row + 1) for row in range(rows - 1) if row not in broken]


def _rows(
    noises: Sequence[float | None], signal: float = SIGNAL, ends: Sequence[float] = (), farther: float = math.nan
) -> ReadableRows:
    """Rows whose tiles all show one signal and level, and one noise (codes of a block; None before any was measured)."""
    rows = ReadableRows(AREA)
    for number, noise in enumerate(noises):
        frame = Frame(np.zeros((480, 640), np.uint8), AREA, number / RATE)
        seen = np.full(AREA.tiles, signal if noise is not None else np.nan, dtype=np.float32)
        why = np.full(AREA.tiles, NOISY, dtype=np.uint8)
        curve = None if noise is None else _curve(frame.time_s, noise, ends[number] if ends else math.nan, farther)
        frame._held.values[sight] = Sight(seen, np.full(AREA.tiles, LEVEL), why, curve)
        rows.add(frame)
    return rows


def _k(block_codes: Doubles | float) -> Doubles:
    """Rose's k of the signal in noise of a block; far over a code a pixel, rounding has no share."""
    return np.asarray(
        rose_k(np.float64(SIGNAL), np.asarray(block_codes) * AREA.object_per_block, intra=AREA.intra), dtype=np.float64
    )


def _found(rows: ReadableRows, stops: Doubles, links: Sequence[ExposureLink]) -> tuple[Doubles, Doubles]:
    """Median k of the tiles over time, and the readable share of each row."""
    tiles, shares = rows.finish(stops, links)
    rows.close()
    return np.array([_middle(one) for one in tiles.readable]), shares[:, 0]


def _middle(k: Floats) -> float:
    known = k[np.isfinite(k)]
    return float(np.median(known)) if known.size else math.nan


def test_noise_that_wanders_is_judged_by_the_flight() -> None:
    """Measurements that scatter by a factor of two at one exposure all give the k of their geometric mean."""
    noises = [1.5, 3.0] * 20
    k, shares = _found(_rows(noises), np.zeros(40), _links(40))
    assert k[2:-2] == pytest.approx(float(_k(1.5 * np.sqrt(2.0))), rel=0.02)
    assert set(shares.tolist()) == {100.0}


def test_what_no_codec_smeared_is_given_back_over_the_flight() -> None:
    """Where the middle measurement has the low end of noise, k of every row is larger by one factor: that of the flight's noise."""
    noises, links = [0.5] * 20 + [1.5] * 21, _links(41, broken=(19,))
    smeared, _ = _found(_rows(noises), np.zeros(41), links)
    sound, _ = _found(_rows(noises, ends=[-0.3] * 19 + [0.0] * 22), np.zeros(41), links)
    starved, _ = _found(_rows(noises, ends=[-0.3] * 22 + [0.0] * 19), np.zeros(41), links)
    factor = given_back(1.5 * AREA.object_per_block, 0.0, intra=AREA.intra)
    assert factor > 1.02
    assert sound == pytest.approx(factor * smeared, rel=1e-3)
    assert starved == pytest.approx(smeared)


def _noise_of(k: float) -> float:
    """Noise of a block (codes) in which the signal has that k."""
    return float(brentq(lambda codes: float(_k(codes)) - k, 0.1, 50.0))


def _doubt(k: float, end: float, farther: float, part: bool = False) -> str | None:
    """What is said of a flight whose tiles have one k and whose noise has that low end, and so much more over twice the time."""
    rows = _rows([_noise_of(k)] * 10, ends=[end] * 10, farther=farther)
    if part:
        joined = ReadableRows(AREA)
        joined.take(rows.part())
        rows.close()
        rows = joined
    tiles, _ = rows.finish(np.zeros(10), _links(10))
    said = rows.doubt(tiles)
    rows.close()
    return said


@pytest.mark.parametrize("part", [False, True])
def test_a_readable_share_that_uneven_noise_may_lower_is_doubted(part: bool) -> None:
    """k of 6 under a denoiser or a starved codec is said to be unsure, and what 1.4 times the noise would leave; no other is."""
    said = _doubt(6.0, -0.16, 0.16, part)
    assert said is not None
    assert "100 % of all tiles are readable by the noise measured, 0 % if it were 1.4 times as strong" in said
    assert _doubt(8.0, -0.16, 0.16, part) is None  # readable in either
    assert _doubt(4.0, -0.16, 0.16, part) is None  # in neither
    assert _doubt(6.0, -0.05, 0.16, part) is None
    assert _doubt(6.0, -0.16, 0.05, part) is None
    assert _doubt(6.0, -0.16, math.nan, part) is None


def test_parts_give_what_the_whole_gives() -> None:
    """Rows taken in from a part carry how far the codec starved them: k is that of the flight measured in one go."""
    noises, ends = [1.5] * 10, [0.0] * 10
    whole, _ = _found(_rows(noises, ends=ends), np.zeros(10), _links(10))
    joined, part = ReadableRows(AREA), _rows(noises, ends=ends)
    joined.take(part.part())
    part.close()
    found, _ = _found(joined, np.zeros(10), _links(10))
    assert found == pytest.approx(whole)
    smeared, _ = _found(_rows(noises), np.zeros(10), _links(10))
    assert np.all(found > 1.02 * smeared)


def test_black_set_down_lets_objects_stand_out_farther() -> None:
    """A tile whose black is coded 0.1 too low has more light than its level says, and a Weber contrast more codes.

    Half of what was found is believed: against the two steps by the sRGB curve, worked out by hand.
    """
    noises, links = [1.5] * 40, _links(40)
    rows = _rows(noises)
    tiles, _ = rows.finish(np.zeros(40), links, 0.1)
    rows.close()

    def step(level: float) -> float:
        light = ((level + 0.055) / 1.055) ** 2.4
        return float(1.055 * (1.2 * light) ** (1.0 / 2.4) - 0.055 - level)

    plain, _ = _found(_rows(noises), np.zeros(40), links)
    ratio = np.nanmedian(tiles.readable[2:-2]) / np.median(plain[2:-2])
    assert ratio == pytest.approx(step(LEVEL + 0.05) / step(LEVEL), rel=1e-3) and ratio > 1.1


@pytest.mark.parametrize(
    ("k", "shares"),
    [(3.8, [0, 0, 0]), (4.4, [0, 0, 100]), (5.4, [0, 100, 100]), (6.5, [100, 100, 100])],
)
def test_what_is_readable_has_its_least_and_most_by_curve(k: float, shares: list[int]) -> None:
    """At this level an object stands out 1.22 times as far under BT.709 and 0.85 times under BT.1886 as under sRGB."""
    rows = _rows([_noise_of(k)] * 10)
    _, figures = rows.finish(np.zeros(10), _links(10), 0.0, curve_ends(None, "srgb"))
    rows.close()
    least, own, most = ([5, 7], [0, 1], [6, 8])
    assert figures[5][least].tolist() == [shares[0]] * 2
    assert figures[5][own].tolist() == [shares[1]] * 2
    assert figures[5][most].tolist() == [shares[2]] * 2


def test_a_tile_that_black_makes_seen_is_not_lost_to_darkness() -> None:
    """An object of 0.9 code that stands out by 1.1 with black set down is lost to noise, if it is; one of 0.5 to darkness still."""
    lost = {}
    for signal in (0.9, 0.5):
        rows = ReadableRows(AREA)
        for number in range(10):
            frame = Frame(np.zeros((480, 640), np.uint8), AREA, number / RATE)
            seen, why = np.full(AREA.tiles, signal, dtype=np.float32), np.full(AREA.tiles, DARK, dtype=np.uint8)
            frame._held.values[sight] = Sight(seen, np.full(AREA.tiles, LEVEL), why, _curve(frame.time_s, 3.0))
            rows.add(frame)
        _, figures = rows.finish(np.zeros(10), _links(10), 0.1)
        rows.close()
        lost[signal] = figures[5, 2:5].tolist()
    assert lost == {0.9: [0.0, 0.0, 100.0], 0.5: [100.0, 0.0, 0.0]}


def test_the_map_tells_tiles_when_they_were_measured() -> None:
    """Every third frame is measured: the map has each at its own time, and goes on where one is held for long."""
    rows, signals = ReadableRows(AREA), np.linspace(6.0, 18.0, 20)
    for number in range(90):
        if number % 3 == 0 and number < 60:
            seen = np.full(AREA.tiles, signals[number // 3], dtype=np.float32)
            why = np.full(AREA.tiles, NOISY, dtype=np.uint8)
            found = Sight(seen, np.full(AREA.tiles, LEVEL), why, _curve(number / 30.0, 2.0))
        frame = Frame(np.zeros((480, 640), np.uint8), AREA, number / 30.0)
        frame._held.values[sight] = found
        rows.add(frame)
    tiles, _ = rows.finish(np.zeros(90), _links(90))
    rows.close()
    expected = rose_k(signals, np.asarray(2.0 * AREA.object_per_block), intra=AREA.intra)
    assert tiles.time_s[:20] == pytest.approx(np.arange(20) / 10.0, abs=1e-6)
    assert tiles.readable[:20, 3, 4] == pytest.approx(expected, rel=0.01)
    assert tiles.readable[20:, 3, 4] == pytest.approx(expected[-1], rel=0.01)
    assert np.diff(np.append(tiles.time_s, 90 / 30.0)).max() <= 0.25


def test_noise_goes_with_the_gain() -> None:
    """Where exposure opens by a stop and noise follows it, each time has its own noise, as it was measured."""
    stops = np.where(np.arange(80) < 40, 0.0, 1.0)
    noises = 1.5 * 2.0 ** (NOISE_OF_GAIN * stops)
    k, _ = _found(_rows(noises.tolist()), stops, _links(80))
    halves = _k(np.array([1.5, 1.5 * 2.0**NOISE_OF_GAIN]))
    assert k[:7] == pytest.approx(float(halves[0]), rel=0.02)
    assert k[-7:] == pytest.approx(float(halves[1]), rel=0.02)


def test_nothing_is_carried_over_a_break() -> None:
    """Where the trace breaks (a cut) the noise before and after have nothing to do with each other."""
    noises = [1.5] * 40 + [6.0] * 40
    broken, _ = _found(_rows(noises), np.zeros(80), _links(80, broken=(39,)))
    joined, _ = _found(_rows(noises), np.zeros(80), _links(80))
    assert broken[0] == pytest.approx(float(_k(1.5)), rel=0.02)
    assert broken[-1] == pytest.approx(float(_k(6.0)), rel=0.02)
    assert joined[0] < 0.75 * broken[0]


@pytest.mark.parametrize(("rows", "parted"), [(1, True), (8, False)])
def test_what_a_lamp_does_at_once_is_no_gain(rows: int, parted: bool) -> None:
    """Over three stops within a row (a lamp is lit) noise is not carried; over a quarter of a second it is, as gain."""
    noises = [6.0] * 40 + [1.5] * 40
    stops = np.interp(np.arange(80), [39, 39 + rows], [0.0, -3.0])
    k, _ = _found(_rows(noises), stops, _links(80))
    if parted:
        assert k[0] == pytest.approx(float(_k(6.0)), rel=0.02)
        assert k[-1] == pytest.approx(float(_k(1.5)), rel=0.02)
    else:
        assert k[0] != pytest.approx(float(_k(6.0)), rel=0.02)


def test_rows_that_no_link_reaches_keep_what_was_measured() -> None:
    """Between two chains and after the last, noise is as it was measured there, and leaves no mark elsewhere."""
    noises = [1.5] * 30 + [6.0] * 20 + [1.5] * 30 + [6.0] * 20
    links = [_link(row, row + 1) for row in (*range(29), *range(50, 79))]
    stops = np.zeros(100)
    k, _ = _found(_rows(noises), stops, links)
    for share, noise in ((0.1, 1.5), (0.4, 6.0), (0.65, 1.5), (0.9, 6.0)):
        assert k[int(share * len(k))] == pytest.approx(float(_k(noise)), rel=0.02)


def test_without_a_trace_noise_is_as_it_was_measured() -> None:
    """Where no exposure is known each row has the noise in force."""
    noises = [1.5] * 10 + [3.0] * 10
    k, _ = _found(_rows(noises), np.full(20, np.nan), [])
    assert k[0] == pytest.approx(float(_k(1.5)), rel=0.01)
    assert k[-1] == pytest.approx(float(_k(3.0)), rel=0.01)


def test_rows_before_any_noise_are_not_judged() -> None:
    """A first frame says nothing, whatever is measured later; a tile without signal has k 0 all the same."""
    rows = _rows([None, 2.0, 2.0, 2.0])
    _, shares = _found(rows, np.zeros(4), _links(4))
    assert np.isnan(shares[0])
    assert shares[1:].tolist() == [100.0] * 3
    dark = ReadableRows(AREA)
    frame = Frame(np.zeros((480, 640), np.uint8), AREA, 0.0)
    hopeless = np.zeros(AREA.tiles, dtype=np.float32)
    why = np.full(AREA.tiles, DARK, dtype=np.uint8)
    frame._held.values[sight] = Sight(hopeless, np.zeros(AREA.tiles), why, None)
    dark.add(frame)
    k, shares = _found(dark, np.full(1, np.nan), [])
    assert k.tolist() == [0.0]
    assert shares.tolist() == [0.0]
