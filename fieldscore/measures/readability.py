"""Could the pilot make out an obstacle there? Per tile by the Rose criterion, then as shares of the picture.

The reference object stands out from a tile by the signal that its Weber contrast makes under the named curve;
it is seen when that signal is k times the noise of the mean over the object (A. Rose, JOSA 38:196, 1948).

Structure really there is the second witness: a codec that smears a tile flat takes its noise and its detail, and k
rises where nothing is left to see. What varies over a tile, detail or noise, is read from that one picture; where it
is less than the noise that was found between pictures at its level, k is taken for less.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.frame import Frame
from fieldscore.measure import Column, measure, tile_measure
from fieldscore.noise import noise

HIDES_NOISE = 0.2  # share of a tile at floor and ceiling together from which on noise cannot be read in it
_MOSTLY = 0.5  # share of a tile at the ceiling from which its loss counts as blown
_PERCEPTIBLE_CODES = 1.0  # an object that stands out by less than one code is lost to darkness, whatever the noise
_DOUBT = 0.3  # share of k that a tile keeps in which nothing varies (docs/decisions/structure_witness.py)
_FLAT = 0.7  # of the noise: a tile of 25 blocks that holds noise alone varies by less once in 200 (chi-square)
_LEAST_CODES = 1e-3  # added to both: without any noise there is nothing to doubt
_SMEAR_CODES = 0.5  # least noise of an object's mean that a codec's quantiser leaves (docs/decisions/smear_floor.py)


@tile_measure(
    Column("readable", "Rose k", "higher", "Contrast-to-noise of the reference object in each tile.", "Rose 1948")
)
def readability(frame: Frame) -> npt.NDArray[np.float32]:
    """Rose k of the reference object [tiles]; NaN where the tile is not picture or noise is not measurable."""
    found = frame.view(noise)
    _, _, crushed, clipped, signal = frame.tile_sums.T
    if found is None:
        # On a first frame nothing can be said, unless there is no signal at all. Later, nothing shows noise because
        # tiles are crushed or clipped, and those show no object.
        hopeless = np.full(signal.shape, not np.any(signal > 0))
        if frame.previous is not None:
            hopeless |= crushed + clipped > HIDES_NOISE
        return np.where(hopeless & np.isfinite(signal), np.float32(0.0), np.float32(np.nan))
    blur = np.hypot(found.object_codes, _SMEAR_CODES)
    least = _FLAT * found.object_codes
    witness = np.minimum((frame.view(structure) + _LEAST_CODES) / (least + _LEAST_CODES), 1.0)
    return np.asarray(signal / blur * (_DOUBT + (1.0 - _DOUBT) * witness), dtype=np.float32)


def structure(frame: Frame) -> npt.NDArray[np.float64]:
    """What varies over a tile [tiles] at the size of the object: standard deviation of its block means, in codes."""
    blocks, area = frame.blocks, frame.area
    size = (area.columns, area.rows)
    mean, square = (cv2.resize(one, size, interpolation=cv2.INTER_AREA) for one in (blocks, blocks * blocks))
    return np.asarray(np.sqrt(np.maximum(square - mean * mean, 0.0)), dtype=np.float64).ravel()


@dataclass(frozen=True)
class _Shares:
    readable: float
    dark: float
    blown: float
    noisy: float


def _shares(frame: Frame, tiles: npt.NDArray[np.bool_]) -> _Shares:
    """Shares (%) of the chosen tiles that are readable, or lost to darkness, clipping or noise."""
    k = readability(frame)[tiles]
    _, _, _, clipped, signal = frame.tile_sums[tiles].T
    known = np.isfinite(k)
    if not known.any():
        return _Shares(np.nan, np.nan, np.nan, np.nan)
    lost = k[known] < frame.area.criteria.rose_k
    blown = lost & (clipped[known] > _MOSTLY)
    dark = lost & ~blown & (signal[known] < _PERCEPTIBLE_CODES)
    percent = 100.0 / known.sum()
    return _Shares(
        readable=percent * float((~lost).sum()),
        dark=percent * float(dark.sum()),
        blown=percent * float(blown.sum()),
        noisy=percent * float((lost & ~blown & ~dark).sum()),
    )


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
    area = frame.area
    whole = _shares(frame, area.tile_valid)
    zone = _shares(frame, area.tile_valid & area.zone)
    return whole.readable, zone.readable, zone.dark, zone.blown, zone.noisy
