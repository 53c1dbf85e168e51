"""Temporal noise left in the recording, at the size of the reference object, as it depends on level.

What registration leaves in a tile is noise plus whatever the fit could not follow; the second only ever adds.
So tiles of like level are pooled and a low quartile of their residuals is taken, corrected for what a quartile
of a chi-square distribution is. Block means survive a codec where pixel noise does not (docs/decisions).

A codec carries part of the noise of plain, dark ground on from frame to frame, where no pair of frames shows it. In plain
tiles the two frames' mean shows that part as well; such a pool then says little of brighter ones.
"""

from __future__ import annotations

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
_PLAIN = 3.0  # times the noise between frames: where a pool's tiles vary by more, it is the scene (docs/decisions/carried_noise.py)
_CARRIED = (
    1.3  # times the noise between frames from which on a plain pool's noise is carried on, not the camera's (the same)
)
_FOLLOW = 0.2  # share of the way that a pool follows one measurement: a memory of about a second
_ALIKE = 0.8  # likeness to the frame before under which a cut, snow or motion lost track of lies between the two
_POOL_MINIMUM = 8  # tiles; a quartile of fewer says little
_CRUSHED_AT_MOST = 0.2  # share of a tile at the floor: crushing hides noise
_CLIPPED_AT_MOST = 0.02  # the same at the ceiling


_GOLDEN = (5.0**0.5 - 1.0) / 2.0  # its multiples fill an interval evenly, whatever their number
_UNEVEN = 0.6  # share of the interval by which it varies
NOISE_EVERY_S = (
    0.2  # s, on average, between two frame pairs that are measured: gain hardly changes faster, and it bounds the cost
)
_SLACK_S = 2e-3  # s: times are rounded, to milliseconds in some containers


@dataclass(frozen=True)
class NoiseCurve:
    """Variance of block means [pools] in squared codes at `levels` [pools], and when it was last measured.

    Levels are fractions above the floor; `wholes` [pools] are the variances with what a codec carried on, if the pool is
    plain. All are NaN where a pool was never measured; `counts` [pools] says how often,
    `taken` how often anything was.
    """

    time_s: float
    levels: Doubles
    variances: Doubles
    wholes: Doubles
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
    pixel_codes = np.sqrt(_variances_at(curve, levels)) * side
    left_codes = np.sqrt(_variances_at(curve, levels, with_carried=True)) * side
    return Noise(pixel_codes, object_noise(curve, area, levels), left_codes, _shows_noise(frame))


def object_noise(curve: NoiseCurve, area: PictureArea, levels: Doubles) -> Doubles:
    """Noise (one sigma, codes) of the mean over the reference object at level fractions above the floor, rounding included."""
    block_codes = np.sqrt(_variances_at(curve, levels))
    return np.hypot(block_codes * area.object_per_block, undithered_rounding(block_codes * np.sqrt(area.block_pixels)))


def noise_curve(frame: Frame) -> NoiseCurve | None:
    """The noise curve in force: the frame before's while it is fresh or nothing better can be measured, else a new one."""
    last = None if frame.previous is None else frame.previous.view(noise_curve)
    if last is not None and not is_due(last, frame.time_s):
        return last
    found = frame.view(registration)
    if found is None or found.likeness < _ALIKE or (last is not None and says_nothing_of_noise(frame)):
        return last
    left = frame.view(residual)
    if left is None:
        return last
    measured = np.isfinite(left.variance) & _shows_noise(frame)
    level = tile_levels(frame)
    levels, variances, wholes = np.full((3, len(LEVEL_EDGES) - 1), np.nan)
    for pool in range(len(variances)):
        members = measured & (level >= LEVEL_EDGES[pool]) & (level < LEVEL_EDGES[pool + 1])
        if np.count_nonzero(members) < _POOL_MINIMUM:
            continue
        plain = left.structure <= np.median(left.structure[members])
        variances[pool] = np.percentile(left.variance[members & plain], LOW_PERCENT) / LOW_OF_CHI_SQUARE
        wholes[pool] = np.percentile(left.whole[members], LOW_PERCENT) / LOW_OF_CHI_SQUARE
        levels[pool] = level[members & plain].mean()
    counts = np.isfinite(variances).astype(np.float64)
    if last is not None:
        counts += last.counts
        levels, variances, wholes = (
            _followed(old, new, counts)
            for old, new in ((last.levels, levels), (last.variances, variances), (last.wholes, wholes))
        )
    if not np.isfinite(variances).any():
        return last
    return NoiseCurve(frame.time_s, levels, variances, wholes, counts, 1 if last is None else last.taken + 1)


def is_due(last: NoiseCurve | None, time_s: float) -> bool:
    """Say whether noise is to be measured again at a time."""
    return last is None or time_s - last.time_s >= _wait(last.taken) - _SLACK_S


def _wait(taken: int) -> float:
    """Seconds to the next measurement: uneven, so that it never keeps step with a codec's pattern of pictures."""
    return NOISE_EVERY_S * (1.0 + _UNEVEN * (taken * _GOLDEN % 1.0 - 0.5))


def _followed(old: Doubles, new: Doubles, counts: Doubles) -> Doubles:
    """Running mean of each pool, a plain mean at first: a codec spends its noise unevenly over frames."""
    share = np.maximum(_FOLLOW, 1.0 / np.maximum(counts, 1.0))
    return np.where(np.isnan(old), new, np.where(np.isnan(new), old, old + share * (new - old)))


def _variances_at(curve: NoiseCurve, levels: Doubles, with_carried: bool = False) -> Doubles:
    """Variance of block means at level fractions above the floor: between frames, or `with_carried` that and the rest.

    Motion that was not followed passes for noise and only adds, so that pools bound each other. Under a camera's
    curve noise falls, in codes, as the level rises, but only so fast (STEEPEST, of the variance). With what is
    carried on, a pool in which a codec does so does not bound the brighter ones: its noise is no longer the camera's.
    """
    known = np.isfinite(curve.variances)
    centres, between, wholes = curve.levels[known], curve.variances[known], curve.wholes[known]
    carried = with_carried & (wholes > _CARRIED * between) & (wholes < _PLAIN * between)
    variances = np.where(carried, wholes, between)
    falling = np.minimum(np.minimum.accumulate(np.where(carried, np.inf, variances)), variances)
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
