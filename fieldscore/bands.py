"""Bands of mains light over a picture whose rows are exposed one after another: how many there are, and what surfaces see of them.

A surface that moves down the picture from one linked frame to another goes from one place in the bands to another. Where lamps
beat in a tenth of a second bands stand in the same rows of all linked frames, while the ground streams through them: what a link is
off by is then the same in each, and adds up to a stop in four seconds. Pure.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]

# Bands in a picture's height that are told, in steps as fine as a picture tells them. Fewer pass for a change of exposure, or for
# what goes with the height like a parabola: 1.1 bands fitted where there are none add half a stop and more in five seconds.
_COUNTS = np.arange(1.4, 5.05, 0.1)
_FOLLOW = 0.2  # of the running mean over pairs of frames, five a second
# Share of the last pairs that must show bands: of flights without them hardly one pair in a hundred does (residual.py)
_MOSTLY = 0.5
# Lamps on the mains pulse at 100 or 120 Hz. Over times that are whole turns of 20 Hz, but for such a share (1 ms), bands stand.
_BOTH_HZ, _STANDS = 20.0, 0.02
_LEAST_FACTOR = 0.01  # of light in a row
_HARMONIC = 0.5  # of the swing: a lamp that swings between a third and all of its light has 0.2 of it in stops, one in pulses more


def followed(last: Doubles | None, factors: Doubles | None) -> Doubles | None:
    """Running mean [1 + counts] over pairs of frames of whether bands changed their light, and how well each count tells it.

    `last`: that before; `factors` [rows]: by which light changed in each row, None where bands did not change it. None as long as
    none did.
    """
    if factors is None:
        return None if last is None else (1.0 - _FOLLOW) * last
    now = np.append(1.0, _told(np.log(np.maximum(factors, _LEAST_FACTOR))))
    if last is None:
        return _MOSTLY * now  # a single pair is not enough
    return (1.0 - _FOLLOW) * last + _FOLLOW * now


def count(seen: Doubles | None) -> float | None:
    """How many bands the picture's height holds, of a running mean [1 + counts]; None where it shows none, or too few to tell."""
    if seen is None or seen[0] <= _MOSTLY:
        return None
    best = int(np.argmax(seen[1:]))
    return float(_COUNTS[best]) if best > 0 else None


def of_surfaces(bands: float, was: Doubles, now: Doubles, over_s: float) -> Doubles:
    """What so many bands may do to the change of light of surfaces [4 or 6, patches] at places in the picture's height.

    `was` and `now` [patches]: the places, so many seconds apart. A sinusoid of one phase where bands stand over that time, else one
    of each picture, which explains more than bands did where few of them are seen. And half as much of the first harmonic between
    the places: in stops light that swings is no sinusoid.
    """
    swing = _waves(bands, now), _waves(bands, was)
    harmonic = _HARMONIC * (_waves(2.0 * bands, now) - _waves(2.0 * bands, was))
    turns = _BOTH_HZ * over_s
    if abs(turns - round(turns)) < _STANDS:
        return np.concatenate([swing[0] - swing[1], harmonic])
    return np.concatenate([*swing, harmonic])


def _waves(bands: float, places: Doubles) -> Doubles:
    """Sinusoids [2, n] of so many bands at places [n] in the picture's height: with them one of any phase."""
    turns = 2.0 * np.pi * bands * places
    return np.array([np.cos(turns), np.sin(turns)])


def _told(change: Doubles) -> Doubles:
    """Share [counts] of the change of rows [n], a parabola apart, that a sinusoid of each count of bands is."""
    trends, sinusoids = _shapes(len(change))
    apart = change - trends @ (trends.T @ change)
    whole = float(apart @ apart)
    return (
        np.square(np.einsum("kni,n->ki", sinusoids, apart)).sum(axis=1) / whole
        if whole > 0.0
        else np.zeros(len(_COUNTS))
    )


@lru_cache(maxsize=4)
def _shapes(rows: int) -> tuple[Doubles, Doubles]:
    """Parabolas [rows, 3], and sinusoids [counts, rows, 2] of each count with no parabola in them, orthonormal each."""
    places = (np.arange(rows) + 0.5) / rows
    trends = np.linalg.qr(np.vander(places, 3))[0]
    pairs = np.array([_waves(one, places).T for one in _COUNTS])
    return trends, np.linalg.qr(pairs - trends @ (trends.T @ pairs))[0]
