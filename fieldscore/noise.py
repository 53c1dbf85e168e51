"""Temporal noise left in the recording, at the size of the reference object, as it depends on level.

What registration leaves in a tile is noise plus whatever the fit could not follow; the second only ever adds.
So tiles of like level are pooled, and a low quartile of their residuals is taken, corrected for
what a quartile of a chi-square distribution is. Block means survive a codec where pixel noise does not (docs/decisions).

Two curves come of it: what changes between two frames, and what is left in the recording, which is more where a codec carries noise
on from frame to frame, and is found from several pairs together (noise_left.py). Readability rests on both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldscore import bands
from fieldscore.frame import Frame, PictureArea
from fieldscore.motion import registration
from fieldscore.noise_left import (
    POOL_MINIMUM,
    RECENT,
    LeftCurve,
    PairPools,
    carried_on,
    farther_apart,
    left_curve,
    pair_pools,
)
from fieldscore.residual import far_variance, residual
from fieldscore.signs import block_edges, is_snow, says_nothing_of_noise, spreads
from fieldscore.units import QUANTISATION_VARIANCE

Doubles = npt.NDArray[np.float64]

# shot noise in codes is all but level under a gamma of 2.2, read noise rises toward the dark as level**-1.2; where dark
# parts are too rough to measure it is daylight, and shot noise rules: sigma rises by no more than level**-0.8
STEEPEST = 1.6
_FOLLOW = 0.2  # share of the way that a pool's low quartile follows one measurement: a memory of about a second
_ALIKE = 0.8  # likeness to the frame before under which a cut, snow or motion lost track of lies between the two
_CRUSHED_AT_MOST = 0.2  # share of a tile at the floor: crushing hides noise
_CLIPPED_AT_MOST = 0.02  # the same at the ceiling
_MOST_NOISE = 0.25  # of black to white, a pixel: that of snow all over the picture is 0.3 (even over all codes)


_GOLDEN = (5.0**0.5 - 1.0) / 2.0  # its multiples fill an interval evenly, whatever their number
# s, on average, between two frame pairs that are measured: gain hardly changes faster, and it bounds the cost
NOISE_EVERY_S = 0.2
_FAR_EVERY = 3  # of these measurements, on one of so many frames twice as far apart are compared, too
# Of those that are averaged, about: 2.4 s, which a part's run-up all but settles; the share that a codec or a denoiser carries on
# changes little.
_FAR_MEMORY = 4
# What hides an object lies so far from what changes between two frames, the least of it, to all that is left, as logarithms: of
# what is carried on part is one pattern, and where a tone curve or a floor quiets the dark the least says too little
# (docs/decisions/smear_floor.py).
_TO_ALL = 2.0 / 3.0
# s between the frames of a pair, unless they follow one another (docs/decisions/paced_motion.py)
_LONGEST_PAIR_S = 0.05
# Times that the middle level changes between two measurements: of a lamp lit or put out, or of a gain that stepped, and noise is
# another.
_OTHER_LIGHT = 1.6
_LEAST_LEVEL = 0.02  # of black to white: below, all is dark alike
# Steps at block edges from which on some blocks may be from elsewhere: a sound picture's go up to 1.5 (events.py), those of a codec
# short of bits a little over what is usual.
_IN_BLOCKS, _IN_BLOCKS_RATIO = 1.6, 1.5
# s after which a picture in blocks is taken as it is: a link breaks up for less, a codec out of bits steps at every block for good
_BLOCKS_AT_MOST_S = 2.0
# s in which each picture must be alike to the one before it until noise counts again: snow or torn lines of a lost link are alike
# by chance up to three times in a row, at 25 pictures of one parity a second (0.12 s). Where they have not for _OTHER_TIME_S and
# none is snow, as under a lamp that flashes, those that are alike are taken as they are.
_SETTLED_S = 0.15
# s without a measurement after which what was measured is of another time: all that is pooled then spans less
_OTHER_TIME_S = RECENT * NOISE_EVERY_S
_SLACK_S = 2e-3  # s: times are rounded, to milliseconds in some containers


@dataclass(frozen=True)
class Pools:
    """Variance of block means [pools] in squared codes at `levels` [pools] (fractions above the floor), between frames.

    NaN where a pool has too few tiles.
    """

    levels: Doubles
    variances: Doubles


@dataclass(frozen=True)
class NoiseCurve:
    """How noise depends on level, and when it was last measured.

    `between` is the running mean of low quartiles, `counts` [pools] how many. `left` is of the
    last measurements together, `recent`; `farther` is by how much more frames twice as far apart differ (log of sigma), the running
    mean of `farther_count` measurements. `level` is the middle one of the tiles, `edges` what steps at
    block edges (signs.py) are usual: down at once, up as a running mean. `bands`: those of mains light that were seen (bands.py).
    """

    time_s: float
    between: Pools
    left: LeftCurve
    recent: tuple[PairPools, ...]
    counts: Doubles
    farther: float = 0.0
    farther_count: int = 0
    level: float = math.nan
    edges: float = math.nan
    bands: Doubles | None = None


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
    left_codes = curve.left.codes_at(levels) * side
    return Noise(pixel_codes, object_noise(curve, area, levels), left_codes, _shows_noise(frame))


def object_noise(curve: NoiseCurve, area: PictureArea, levels: Doubles) -> Doubles:
    """Noise (one sigma, codes) of the mean over the reference object at level fractions above the floor, rounding included."""
    least, most = np.sqrt(_variances_at(curve.between, levels)), curve.left.codes_at(levels)
    block_codes = least ** (1.0 - _TO_ALL) * most**_TO_ALL
    return np.hypot(block_codes * area.object_per_block, undithered_rounding(block_codes * np.sqrt(area.block_pixels)))


def noise_curve(frame: Frame) -> NoiseCurve | None:
    """The noise curve in force: the frame before's while it is fresh or nothing better can be measured, else a new one."""
    last = None if frame.previous is None else frame.previous.view(noise_curve)
    unlike_s, since_s = frame.view(_unsettled)  # goes from frame to frame: each asks the one before
    if last is not None and not _is_due(last, frame.time_s):
        return last
    if frame.reference is None or _in_blocks(frame, last) or (last is not None and says_nothing_of_noise(frame)):
        return last
    if 0.0 <= frame.time_s - unlike_s < _SETTLED_S and frame.time_s - since_s <= _OTHER_TIME_S:  # or time went back
        return last
    now = _of_pair(frame, far=_turn(frame.time_s) % _FAR_EVERY == 0 and not frame.area.intra)
    known = np.zeros(0) if now is None else np.isfinite(now.plainer)
    if now is None or not known.any():
        return last
    between, counts = Pools(now.plainer_levels, now.plainer), known.astype(np.float64)
    recent: tuple[PairPools, ...] = (now,)
    farther, count = (0.0, 0) if last is None else (last.farther, last.farther_count)
    if math.isfinite(more := farther_apart(now)):
        count += 1
        farther += (more - farther) / min(count, _FAR_MEMORY)
    level = max(float(np.nanmedian(tile_levels(frame))), _LEAST_LEVEL)
    edges = frame.view(block_edges)
    fell = last is not None and last.edges > _steps(edges)  # all that is known is of blocks
    if last is not None and edges > last.edges:  # what is usual is seen where they are few, at once
        edges = last.edges + _FOLLOW * (edges - last.edges)
    anew = last is None or fell or frame.time_s - last.time_s > _OTHER_TIME_S
    if last is not None and not (anew or max(level / last.level, last.level / level) > _OTHER_LIGHT):
        counts += last.counts
        between = _followed(last.between, between, counts)
        recent = (*last.recent[1 - RECENT :], now)
    left = left_curve(
        recent,
        carried=carried_on(farther) if count else None,
        intra=frame.area.intra,
        bits_a_pixel=frame.area.bits_a_pixel,
    )
    rest = frame.view(residual)
    banded = bands.followed(None if last is None else last.bands, None if rest is None else rest.bands)
    return NoiseCurve(frame.time_s, between, left, recent, counts, farther, count, level, edges, banded)


def _in_blocks(frame: Frame, last: NoiseCurve | None) -> bool:
    """Say whether a frame, or one that it is compared with, is in blocks and the other is not, or fell into them since `last`."""
    edges = [one.view(block_edges) for one in (frame, frame.reference, frame.earlier) if one is not None]
    since_s = (
        0.0 if last is None else last.time_s
    )  # a part of a flight has its run-up to forget a bad first measurement
    usual = min(edges) if last is None else min(last.edges, *edges)
    return frame.time_s - since_s <= _BLOCKS_AT_MOST_S and max(edges) > _steps(usual)


def _unsettled(frame: Frame) -> tuple[float, float]:
    """When a picture was last unlike the one that its motion is measured from, as in a lost link.

    And since when none had settled, and none of the unlike ones was snow. Both in seconds, -inf if never.
    """
    unlike_s, since_s = (-math.inf, -math.inf) if frame.previous is None else frame.previous.view(_unsettled)
    found = frame.view(registration) if frame.is_paced else None
    if found is None or found.likeness >= _ALIKE:
        return unlike_s, since_s
    goes_on = 0.0 <= frame.time_s - unlike_s < _SETTLED_S and not is_snow(*spreads(frame), found.likeness)
    return frame.time_s, since_s if goes_on else frame.time_s


def _steps(usual: float) -> float:
    """Steps at block edges from which on a picture has fallen into blocks, where so much is usual."""
    return max(_IN_BLOCKS, _IN_BLOCKS_RATIO * usual)


def _of_pair(frame: Frame, *, far: bool) -> PairPools | None:
    """What the frame and the one that its motion is measured from say; None where they say too little, or nothing.

    `far`: and frames twice as far apart.
    """
    found = frame.view(registration)
    if found is None or found.likeness < _ALIKE or _is_far(frame):
        return None
    rest = frame.view(residual)
    if rest is None:
        return None
    measured = _might_be_noise(frame.area, rest.variance) & _shows_noise(frame)
    if np.count_nonzero(measured) < POOL_MINIMUM:
        return None
    over_two = frame.view(far_variance) if far else None
    tiles = np.full((5, len(measured)), np.nan)
    tiles[:4] = tile_levels(frame), rest.variance, rest.structure, rest.whole
    if over_two is not None:
        tiles[4] = over_two
    return pair_pools(tiles[:, measured], fields=frame.area.lines_a_row > 1)


def _might_be_noise(area: PictureArea, variance: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Tiles [tiles] of no more noise than a picture can hold: more is detail finer than a block that moved."""
    return np.asarray(variance * area.block_pixels <= (_MOST_NOISE * area.code_range.span) ** 2)


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
    return not last.time_s <= time_s or _turn(time_s) > _turn(last.time_s)  # or time went back


def _turn(time_s: float) -> int:
    """How many times it was due by a time: unevenly, so that it does not keep step with a codec's pattern of pictures.

    By the flight's time alone, so that a part of a flight (parts.py) keeps step with the whole. Where motion is not measured
    on every frame it falls on a beat or right after one (sequence.py): patterns of a tenth of a second are met at two phases.
    """
    place = (time_s + _SLACK_S) / NOISE_EVERY_S
    turn = math.floor(place)
    return turn if place - turn >= turn * _GOLDEN % 1.0 else turn - 1


def _followed(last: Pools, now: Pools, counts: Doubles) -> Pools:
    """Running mean of each pool, a plain mean at first: a codec spends its noise unevenly over frames."""
    share = np.maximum(_FOLLOW, 1.0 / np.maximum(counts, 1.0))
    pairs = ((last.levels, now.levels), (last.variances, now.variances))
    return Pools(*(np.where(np.isnan(a), b, np.where(np.isnan(b), a, a + share * (b - a))) for a, b in pairs))


def _variances_at(pools: Pools, levels: Doubles) -> Doubles:
    """Variance of block means between frames at level fractions above the floor.

    Motion that was not followed passes for noise and only adds, so that pools bound each other. Under a camera's
    curve noise falls, in codes, as the level rises, but only so fast (STEEPEST, of the variance).
    """
    known = np.isfinite(pools.variances)
    centres, variances = pools.levels[known], pools.variances[known]
    falling = np.minimum.accumulate(variances)
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
