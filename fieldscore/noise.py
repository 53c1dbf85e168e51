"""Temporal noise left in the recording, at the size of the reference object, as it depends on level.

What registration leaves in a tile is noise plus whatever the fit could not follow; the second only ever adds.
So tiles of like level are pooled over the last measurements, and a low quartile of their residuals is taken, corrected for
what a quartile of a chi-square distribution is. Where enough of them are so plain that motion can leave next to nothing there,
their median is taken instead: a codec spends its bits unevenly, and a quartile would tell of the tiles it starved.
Block means survive a codec where pixel noise does not (docs/decisions).

A codec carries part of the noise of plain, dark ground on from frame to frame, where no pair of frames shows it. In plain
tiles the two frames' mean shows that part as well. A codec that does so keeps the noise of rough ground and starves that of
plain ground, so that plain ground then says nothing of brighter, rougher one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldscore.frame import Frame, PictureArea
from fieldscore.motion import registration
from fieldscore.residual import residual
from fieldscore.signs import says_nothing_of_noise
from fieldscore.units import QUANTISATION_VARIANCE

Doubles = npt.NDArray[np.float64]

LEVEL_EDGES = np.array(
    [-1.0, 0.06, 0.12, 0.2, 0.3, 0.45, 0.65, 2.0]
)  # level fractions above the floor that bound the pools
# shot noise in codes is all but level under a gamma of 2.2, read noise rises toward the dark as level**-1.2; where dark
# parts are too rough to measure it is daylight, and shot noise rules: sigma rises by no more than level**-0.8
STEEPEST = 1.6
LOW_PERCENT = 25.0
LOW_OF_CHI_SQUARE = 0.7836  # 25 % point of chi-square over its 22 degrees of freedom (scipy.stats.chi2.ppf)
MIDDLE_OF_CHI_SQUARE = 0.9699  # its median (the same)
_PLAIN = 3.0  # times the noise between frames: where a pool's tiles vary by more, it is the scene (docs/decisions/carried_noise.py)
# times the noise between frames from which on a plain pool's noise is carried on, not the camera's (docs/decisions/plain_noise.py)
_CARRIED = 1.15
_FOLLOW = 0.2  # share of the way that a pool's low quartile follows one measurement: a memory of about a second
_RECENT = 8  # measurements, about 1.6 s, that are pooled: motion differs between them, gain less (the same)
_PLAIN_TILE = 5.0  # times the pool's variance: mean square gradient of a plain tile; 0.2 blocks of motion leave 10 %
_PLAIN_AT_LEAST = 0.3  # squared codes a block: plain whatever the noise; rounding and the ridge leave 0.1 to 0.2
_PLAIN_TILES = 30  # tiles of the pooled measurements whose median stands for the pool
_ALIKE = 0.8  # likeness to the frame before under which a cut, snow or motion lost track of lies between the two
_POOL_MINIMUM = 8  # tiles; a quartile of fewer says little
_CRUSHED_AT_MOST = 0.2  # share of a tile at the floor: crushing hides noise
_CLIPPED_AT_MOST = 0.02  # the same at the ceiling


_GOLDEN = (5.0**0.5 - 1.0) / 2.0  # its multiples fill an interval evenly, whatever their number
_UNEVEN = 0.6  # share of the interval by which it varies
NOISE_EVERY_S = (
    0.2  # s, on average, between two frame pairs that are measured: gain hardly changes faster, and it bounds the cost
)
_LONGEST_PAIR_S = (
    0.05  # s between the frames of a pair, unless they follow one another (docs/decisions/paced_motion.py)
)
_SLACK_S = 2e-3  # s: times are rounded, to milliseconds in some containers


@dataclass(frozen=True)
class Pools:
    """Variance of block means [pools] in squared codes at `levels` [pools] (fractions above the floor), between frames.

    `wholes` [pools] are the variances with what a codec carried on, if the pool is plain. NaN where a pool has too few tiles.
    """

    levels: Doubles
    variances: Doubles
    wholes: Doubles


@dataclass(frozen=True)
class NoiseCurve:
    """How noise depends on level, and when it was last measured.

    `between` is the running mean of low quartiles, `counts` [pools] how many: what readability rests on. `left` is of the
    tiles of the last measurements together, `recent`, each [4, tiles]: level, variance, structure and whole variance.
    `taken` says how often anything was measured.
    """

    time_s: float
    between: Pools
    left: Pools
    recent: tuple[Doubles, ...]
    counts: Doubles
    taken: int


@dataclass(frozen=True)
class Noise:
    """Noise of one frame: `pixel_codes` [tiles] as for white noise a pixel, `object_codes` [tiles] of the mean over
    the reference object, both one sigma in codes at the tile's level; `measured` [tiles] marks the tiles at whose
    level noise shows: neither crushed nor clipped. `left_codes` [tiles] is that a pixel with what a codec carries on.
    """

    pixel_codes: Doubles
    object_codes: Doubles
    left_codes: Doubles
    measured: npt.NDArray[np.bool_]


def noise(frame: Frame) -> Noise | None:
    """Noise of a frame by tile; None where none was measured yet (first frame, everything crushed or clipped)."""
    curve = frame.view(noise_curve)
    if curve is None:
        return None
    area, levels = frame.area, tile_levels(frame)
    side = np.sqrt(area.block_pixels)
    pixel_codes = np.sqrt(_variances_at(curve.between, levels)) * side
    left_codes = np.sqrt(_variances_at(curve.left, levels, with_carried=True)) * side
    return Noise(pixel_codes, object_noise(curve, area, levels), left_codes, _shows_noise(frame))


def object_noise(curve: NoiseCurve, area: PictureArea, levels: Doubles) -> Doubles:
    """Noise (one sigma, codes) of the mean over the reference object at level fractions above the floor, rounding included."""
    block_codes = np.sqrt(_variances_at(curve.between, levels))
    return np.hypot(block_codes * area.object_per_block, undithered_rounding(block_codes * np.sqrt(area.block_pixels)))


def noise_curve(frame: Frame) -> NoiseCurve | None:
    """The noise curve in force: the frame before's while it is fresh or nothing better can be measured, else a new one."""
    last = None if frame.previous is None else frame.previous.view(noise_curve)
    if last is not None and not _is_due(last, frame.time_s):
        return last
    found = frame.view(registration)
    if found is None or found.likeness < _ALIKE or _is_far(frame):
        return last
    if last is not None and says_nothing_of_noise(frame):
        return last
    rest = frame.view(residual)
    measured = _shows_noise(frame) & (False if rest is None else np.isfinite(rest.variance))
    if rest is None or np.count_nonzero(measured) < _POOL_MINIMUM:
        return last
    tiles = np.stack([tile_levels(frame), rest.variance, rest.structure, rest.whole])[:, measured]
    recent = (*(() if last is None else last.recent[1 - _RECENT :]), tiles)
    between = _quartiles(tiles)
    counts = np.isfinite(between.variances).astype(np.float64)
    if last is not None:
        counts += last.counts
        between = _followed(last.between, between, counts)
    if not np.isfinite(between.variances).any():
        return last
    left = _left(np.concatenate(recent, axis=1))
    return NoiseCurve(frame.time_s, between, left, recent, counts, 1 if last is None else last.taken + 1)


def _of_pools(tiles: Doubles) -> Iterator[tuple[int, Doubles]]:
    """Each pool that has enough of the tiles [4, n], and which they are."""
    place = np.searchsorted(LEVEL_EDGES, tiles[0], side="right") - 1
    for pool in range(len(LEVEL_EDGES) - 1):
        members = tiles[:, place == pool]
        if members.shape[1] >= _POOL_MINIMUM:
            yield pool, members


def _quartiles(tiles: Doubles) -> Pools:
    """Low quartiles of the plainer half of each pool."""
    pools = np.full((3, len(LEVEL_EDGES) - 1), np.nan)
    for pool, (level, variance, structure, whole) in _of_pools(tiles):
        plainer = structure <= _point(structure, 50.0)
        low, low_whole = _point(variance[plainer], LOW_PERCENT), _point(whole, LOW_PERCENT)
        pools[:, pool] = level[plainer].mean(), low / LOW_OF_CHI_SQUARE, low_whole / LOW_OF_CHI_SQUARE
    return Pools(*pools)


def _left(tiles: Doubles) -> Pools:
    """The same, but where enough tiles are plain beside that, it is their medians."""
    found = _quartiles(tiles)
    pools = np.stack([found.levels, found.variances, found.wholes])
    for pool, members in _of_pools(tiles):
        plain = members[2] <= _PLAIN_TILE * pools[1, pool] + _PLAIN_AT_LEAST
        if np.count_nonzero(plain) >= _PLAIN_TILES:
            level, variance, _, whole = members[:, plain]
            middle, middle_whole = _point(variance, 50.0), _point(whole, 50.0)
            pools[:, pool] = level.mean(), middle / MIDDLE_OF_CHI_SQUARE, middle_whole / MIDDLE_OF_CHI_SQUARE
    return Pools(*pools)


def _point(values: Doubles, percent: float) -> float:
    """The value below which so many per cent of the values are, as numpy.percentile but several times as fast on few."""
    rank, part = divmod((len(values) - 1) * percent / 100.0, 1.0)
    low, high = int(rank), min(int(rank) + 1, len(values) - 1)
    ordered = np.partition(values, (low, high))
    return float(ordered[low] + part * (ordered[high] - ordered[low]))


def _is_far(frame: Frame) -> bool:
    """Say whether a frame lies so far from the one that its motion is measured from that motion would add to its noise."""
    before = frame.reference
    return before is not None and before is not frame.previous and frame.time_s - before.time_s > _LONGEST_PAIR_S


def is_due(frame: Frame | None, time_s: float) -> bool:
    """Say whether noise is to be measured again at a time, after a frame."""
    last = None if frame is None else frame.view(noise_curve)
    return last is None or _is_due(last, time_s)


def _is_due(last: NoiseCurve, time_s: float) -> bool:
    """Say whether noise is to be measured again at a time."""
    return time_s - last.time_s >= _wait(last.taken) - _SLACK_S


def _wait(taken: int) -> float:
    """Seconds to the next measurement: uneven, so that it never keeps step with a codec's pattern of pictures."""
    return NOISE_EVERY_S * (1.0 + _UNEVEN * (taken * _GOLDEN % 1.0 - 0.5))


def _followed(last: Pools, now: Pools, counts: Doubles) -> Pools:
    """Running mean of each pool, a plain mean at first: a codec spends its noise unevenly over frames."""
    share = np.maximum(_FOLLOW, 1.0 / np.maximum(counts, 1.0))
    pairs = ((last.levels, now.levels), (last.variances, now.variances), (last.wholes, now.wholes))
    return Pools(*(np.where(np.isnan(a), b, np.where(np.isnan(b), a, a + share * (b - a))) for a, b in pairs))


def _variances_at(pools: Pools, levels: Doubles, with_carried: bool = False) -> Doubles:
    """Variance of block means at level fractions above the floor: between frames, or `with_carried` that and the rest.

    Motion that was not followed passes for noise and only adds, so that pools bound each other. Under a camera's
    curve noise falls, in codes, as the level rises, but only so fast (STEEPEST, of the variance). With what is
    carried on, where a codec does so no plain pool bounds the brighter ones: its noise is no longer the camera's.
    """
    known = np.isfinite(pools.variances)
    centres, between, wholes = pools.levels[known], pools.variances[known], pools.wholes[known]
    plain = wholes < _PLAIN * between
    carried = with_carried & plain & (wholes > _CARRIED * between)
    variances = np.where(carried, wholes, between)
    starved = plain & carried.any()
    falling = np.minimum(np.minimum.accumulate(np.where(starved, np.inf, variances)), variances)
    steepest = np.minimum.accumulate((variances * centres**STEEPEST)[::-1])[::-1] / centres**STEEPEST
    return np.interp(levels, centres, np.minimum(falling, steepest))


def tile_levels(frame: Frame) -> Doubles:
    """Mean level [tiles] above the floor, as a fraction of black to white."""
    area = frame.area
    return (frame.tile_sums[:, 0].astype(np.float64) - area.floor) / area.code_range.span


def _shows_noise(frame: Frame) -> npt.NDArray[np.bool_]:
    """Tiles [tiles] that are neither crushed nor clipped so far that their noise is hidden."""
    _, _, crushed, clipped, _ = frame.tile_sums.T
    return np.asarray((crushed < _CRUSHED_AT_MOST) & (clipped < _CLIPPED_AT_MOST))


def undithered_rounding(pixel_codes: Doubles) -> Doubles:
    """Rounding error (sigma, codes) that averaging over an object does not remove, for pixel noise of that sigma.

    Rounding of a value with Gaussian noise leaves a bias whose first Fourier term has the amplitude
    exp(-2 pi^2 sigma^2)/pi (Widrow's quantisation theorem); without noise it is the whole 1/12.
    """
    return np.asarray(np.sqrt(QUANTISATION_VARIANCE) * np.exp(-2.0 * np.pi**2 * np.square(pixel_codes)))
