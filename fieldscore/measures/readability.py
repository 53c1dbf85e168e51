"""Could the pilot make out an obstacle there? Per tile by the Rose criterion, then as shares of the picture.

The reference object stands out from a tile by the signal that its Weber contrast makes under the named curve;
it is seen when that signal is k times the noise of the mean over the object (A. Rose, JOSA 38:196, 1948).

Structure really there is the second witness: a codec that smears a tile flat takes its noise and its detail, and k
rises where nothing is left to see. What varies over a tile, detail or noise, is read from that one picture; where it
is less than the noise that was found between pictures at its level, k is taken for less.

What is found here knows the noise of the last second; over the flight it is found anew (readable_rows.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.frame import Floats, Frame, PictureArea
from fieldscore.measure import Column, Doubles, measure, tile_measure
from fieldscore.noise import NoiseCurve, noise, noise_curve, object_noise, tile_levels

HIDES_NOISE = 0.2  # share of a tile at floor and ceiling together from which on noise cannot be read in it
_MOSTLY = 0.5  # share of a tile at the ceiling from which its loss counts as blown
PERCEPTIBLE_CODES = 1.0  # an object that stands out by less than one code is lost to darkness, whatever the noise
_DOUBT = 0.3  # share of k that a tile keeps in which nothing varies (docs/decisions/structure_witness.py)
_FLAT = 0.7  # of the noise: a tile of 25 blocks that holds noise alone varies by less once in 200 (chi-square)
_LEAST_CODES = 1e-3  # added to both: without any noise there is nothing to doubt
# Least noise of an object's mean that a codec's quantiser leaves: of one that goes from picture to picture, which leaves out whole
# blocks, and of one that codes each by itself (docs/decisions/smear_floor.py).
_SMEAR_CODES, _SMEAR_INTRA = 0.4, 0.3
# Low end of the noise of tiles (noise_left.py) down to which a flight's codec smears nothing, and from where on all that is above:
# what noise alone scatters by, and what flights have whose verdicts are right with all of it (docs/decisions/smear_floor.py).
UNSMEARED = (-0.02, -0.04)


@dataclass(frozen=True)
class Sight:
    """What Rose's k of each tile is made of. `signal` [tiles]: codes by which the reference object stands out, times what the
    witness leaves of it, NaN where nothing can be said, 0 where nothing would be seen whatever the noise; `level`
    [tiles] above the floor as a fraction of black to white; `why` [tiles]: what it is lost to if it is lost, DARK, BLOWN
    or NOISY; `curve`: the noise in force, None where none is known yet.
    """

    signal: Floats
    level: Doubles
    why: npt.NDArray[np.uint8]
    curve: NoiseCurve | None


NOISY, DARK, BLOWN = 0, 1, 2


def sight(frame: Frame) -> Sight:
    """Give what the tiles' k is made of."""
    found = frame.view(noise)
    _, _, crushed, clipped, signal = frame.tile_sums.T
    why = np.where(clipped > _MOSTLY, BLOWN, np.where(signal < PERCEPTIBLE_CODES, DARK, NOISY)).astype(np.uint8)
    level = tile_levels(frame)
    if found is None:
        # On a first frame nothing can be said, unless there is no signal at all. Later, nothing shows noise because
        # tiles are crushed or clipped, and those show no object.
        hopeless = np.full(signal.shape, not np.any(signal > 0))
        if frame.previous is not None:
            hopeless |= crushed + clipped > HIDES_NOISE
        nothing = np.where(hopeless & np.isfinite(signal), np.float32(0.0), np.float32(np.nan))
        return Sight(nothing, level, why, None)
    least = _FLAT * found.object_codes
    witness = np.minimum((frame.view(structure) + _LEAST_CODES) / (least + _LEAST_CODES), 1.0)
    seen = np.asarray(signal * (_DOUBT + (1.0 - _DOUBT) * witness), dtype=np.float32)
    return Sight(seen, level, why, frame.view(noise_curve))


def rose_k(signal: npt.NDArray[np.floating], object_codes: npt.NDArray[np.floating], *, intra: bool) -> Floats:
    """Rose k of an object that stands out by `signal` codes from noise of its mean of `object_codes`, a codec's smear added.

    `intra`: the codec codes each picture by itself.
    """
    return np.asarray(signal / np.hypot(object_codes, _SMEAR_INTRA if intra else _SMEAR_CODES), dtype=np.float32)


def given_back(object_codes: float, end: float, *, intra: bool) -> float:
    """How much larger k is over a flight than `rose_k` says, as its codec smears less: 1 where it smears all, sqrt(2) at most.

    `object_codes` is the middle noise of an object's mean, and `end` the low end of the noise of tiles; either may be NaN, which
    gives 1. One factor for the whole flight: beside what a codec smears, the smear evens out how far noise is off at this level
    or that, and tiles are ranked the better for it.
    """
    if math.isnan(object_codes + end):
        return 1.0
    none, full = UNSMEARED
    share = min(max((none - end) / (none - full), 0.0), 1.0)
    smear = _SMEAR_INTRA if intra else _SMEAR_CODES
    noise = max(object_codes, smear)  # of less, a codec may have taken the rest
    return math.hypot(noise, smear) / math.hypot(noise, share * smear)


@tile_measure(
    Column("readable", "Rose k", "higher", "Contrast-to-noise of the reference object in each tile.", "Rose 1948")
)
def readability(frame: Frame) -> Floats:
    """Rose k of the reference object [tiles]; NaN where the tile is not picture or noise is not measurable."""
    found = frame.held(sight)
    if found.curve is None:
        return found.signal
    return rose_k(found.signal, object_noise(found.curve, frame.area, found.level), intra=frame.area.intra)


def structure(frame: Frame) -> npt.NDArray[np.float64]:
    """What varies over a tile [tiles] at the size of the object: standard deviation of its block means, in codes."""
    blocks, area = frame.blocks, frame.area
    size = (area.columns, area.rows)
    mean, square = (cv2.resize(one, size, interpolation=cv2.INTER_AREA) for one in (blocks, blocks * blocks))
    return np.asarray(np.sqrt(np.maximum(square - mean * mean, 0.0)), dtype=np.float64).ravel()


def shares(k: Floats, why: npt.NDArray[np.uint8], area: PictureArea) -> Doubles:
    """Readable share (%) of the picture and of the flying zone, and what the zone's rest was lost to, for k [n, tiles]: [n, 5]."""
    inside = area.zone & area.tile_valid
    known = np.isfinite(k)
    lost = known & (k < area.criteria.rose_k)
    zone_lost = lost[:, inside]
    counts = [known & ~lost & area.tile_valid, (known & ~lost)[:, inside]]
    counts += [zone_lost & (why[:, inside] == one) for one in (DARK, BLOWN, NOISY)]
    total = np.array([known[:, area.tile_valid].sum(axis=1)] + [known[:, inside].sum(axis=1)] * 4, dtype=np.float64)
    total[total == 0] = np.nan
    return np.asarray((100.0 * np.array([one.sum(axis=1) for one in counts]) / total).T)


@measure(
    Column("readable_percent", "%", "higher", "Share of the picture's tiles where the reference object would be seen."),
    Column("zone_readable_percent", "%", "higher", "The same in the flying zone, the centre of the picture."),
    Column("zone_dark_percent", "%", "lower", "Share of the flying zone lost because too little signal is left."),
    Column("zone_blown_percent", "%", "lower", "Share of the flying zone lost because it is clipped."),
    Column("zone_noisy_percent", "%", "lower", "Share of the flying zone lost to noise."),
    held=True,
)
def readable_shares(frame: Frame) -> tuple[float, ...]:
    """Readable share of the picture and of the flying zone, and what the zone's rest was lost to, in %."""
    return tuple(shares(readability(frame)[None], frame.held(sight).why[None], frame.area)[0].tolist())
