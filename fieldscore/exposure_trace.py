"""The camera's own exposure over a flight, in stops, from links between frames; and how it hunts. Pure.

Links give changes of exposure and of veil. Adding them up lets both drift; veil, though, is a state of what is in view
and returns to what it was. So exposure and veil of all linked frames are found together by least squares in which the
veil is held near zero and its changes are followed. Where the recording's true black lies is fitted once a flight: with
a wrong one, dark and bright surfaces would disagree on every change of exposure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fieldscore.links import ExposureLink

Doubles = npt.NDArray[np.float64]

# Veil of linked frames about their mean, in units of the light of the flight's median patch. Loose enough for a lamp that
# comes into view and is gone after a second, tight enough that contrast growing on approach does not pass for veil leaving
# (docs/decisions/exposure_trace.py).
VEIL_SPREAD = 0.06
# Level fraction that black is set down by: how far it is believed to be off, and the least and most. Lifted blacks are
# mostly found as the floor; blacks set further down leave hardly any dark to measure.
_FLOOR_SPREAD, _FLOOR_LEAST, _FLOOR_MOST = 0.1, -0.05, 0.12
_ALIKE_LINKS = 4.0  # links in a row share their errors: so many count as one
_ROUNDS = 3  # the weight of veil depends on the exposure found: so many times to and fro
_ANCHOR = 1e-6  # holds the first exposure, which links do not fix
_SWIFT = 0.5  # stops between two linked rows from which on the coarse shape between them says more than a straight line
_NATURAL = 1.4427  # stops of a small relative change: 1 / ln 2


@dataclass(frozen=True)
class ExposureTrace:
    """`stops` [n]: exposure of each row against the first linked one; `veil` [n]: light that the lens adds, in linear
    light at that row's exposure, 1 = nominal white. NaN where nothing could be linked.
    """

    stops: Doubles
    veil: Doubles


def exposure_trace(links: Sequence[ExposureLink], steps: Doubles) -> ExposureTrace:
    """Find the exposure and veil of n rows from `links` in order and `steps` [n], the coarse change a row in stops.

    Where the links break (a cut, a lost picture) the trace stops and goes on from the same exposure.
    """
    stops, veil = np.full(len(steps), np.nan), np.full(len(steps), np.nan)
    if not links:
        return ExposureTrace(stops, veil)
    level = 0.0
    for chain in _chains(_with_floor(links)):
        rows = np.array([chain[0].before, *(link.after for link in chain)])
        exposure, light = _states(chain)
        exposure += level - exposure[0]
        level = float(exposure[-1])
        part = slice(int(rows[0]), int(rows[-1]) + 1)
        stops[part] = _between(rows, exposure, steps)
        veil[part] = np.interp(np.arange(rows[0], rows[-1] + 1), rows, light) * np.exp2(stops[part])
    return ExposureTrace(stops, veil)


def black_set_down(links: Sequence[ExposureLink]) -> float:
    """Level fraction by which black seems to be set down (negative: lifted), drawn to 0 where the links say little."""
    score = sum(link.floor.score for link in links) / _ALIKE_LINKS
    information = sum(link.floor.information for link in links) / _ALIKE_LINKS
    return float(np.clip(score / (information + _FLOOR_SPREAD**-2), _FLOOR_LEAST, _FLOOR_MOST))


def _with_floor(links: Sequence[ExposureLink]) -> list[ExposureLink]:
    """The links as they would be with black where the flight says that it is."""
    floor = black_set_down(links)
    return [
        replace(one, change=one.change + floor * one.floor.change, veil=one.veil + floor * one.floor.veil)
        for one in links
    ]


def _chains(links: Sequence[ExposureLink]) -> list[list[ExposureLink]]:
    """Split links where one does not begin at the row that the last one ends at."""
    chains: list[list[ExposureLink]] = []
    for link in links:
        if chains and chains[-1][-1].after == link.before:
            chains[-1].append(link)
        else:
            chains.append([link])
    return chains


def _states(chain: Sequence[ExposureLink]) -> tuple[Doubles, Doubles]:
    """Exposure (stops) and veil (linear light at the first row's exposure) of the k + 1 rows that k links join."""
    import scipy.linalg

    count = len(chain) + 1
    change, veil = (np.array([getattr(link, name) for link in chain]) for name in ("change", "veil"))
    p11, p12, p22 = np.array([link.precision for link in chain]).T
    light = np.array([link.light for link in chain])
    exposure = np.zeros(count)
    scene = np.zeros(count)
    middle = 1.0
    for _ in range(_ROUNDS):
        surface = light * np.exp2(-exposure[:-1])  # light of the median patch at the first row's exposure
        middle = float(np.median(surface))
        weight = _NATURAL * middle / surface  # stops that one unit of veil adds to the median patch
        band, right = np.zeros((4, 2 * count)), np.zeros(2 * count)
        _add(band, right, change, veil, weight, p11, p12, p22)
        band[0, 0::2] += _ANCHOR
        band[0, 1::2] += VEIL_SPREAD**-2
        found = scipy.linalg.solveh_banded(band, right, lower=True)
        exposure, scene = found[0::2] - found[0], found[1::2]
    return exposure, (scene - scene.min()) * middle


def _add(  # noqa: PLR0913 - the terms of one normal equation
    band: Doubles,
    right: Doubles,
    change: Doubles,
    veil: Doubles,
    weight: Doubles,
    p11: Doubles,
    p12: Doubles,
    p22: Doubles,
) -> None:
    """Add the links to a banded normal equation in the order exposure, veil, exposure, veil ...

    A link between states i and i + 1 says that their exposures differ by `change` and their veils, times `weight`,
    by `veil`, with the precision p.
    """
    cross, square = p12 * weight, p22 * weight**2
    pull = (p11 * change + p12 * veil, (p12 * change + p22 * veil) * weight)
    for state, sign in ((0, -1.0), (1, 1.0)):
        here = slice(2 * state, 2 * state + 2 * len(change), 2)
        veil_here = slice(here.start + 1, here.stop + 1, 2)
        band[0, here] += p11
        band[0, veil_here] += square
        band[1, here] += cross
        right[here] += sign * pull[0]
        right[veil_here] += sign * pull[1]
    first = slice(0, 2 * len(change), 2)
    band[2, first] -= p11  # exposure with the next exposure
    band[3, first] -= cross  # exposure with the next veil
    band[1, 1 : 2 * len(change) : 2] -= cross  # veil with the next exposure
    band[2, 1 : 2 * len(change) : 2] -= square  # veil with the next veil


def _between(rows: npt.NDArray[np.int64], exposure: Doubles, steps: Doubles) -> Doubles:
    """Exposure of every row from the first to the last linked one: straight, or the shape of `steps` where it moves fast."""
    first = int(rows[0])
    shape = np.nan_to_num(steps[first : int(rows[-1]) + 1].copy())
    shape[0] = 0.0
    swift = np.abs(np.diff(exposure)) >= _SWIFT
    shape[1:][~np.repeat(swift, np.diff(rows))] = 0.0
    path = np.cumsum(shape)
    every = np.arange(len(path)) + first
    return np.asarray(path + np.interp(every, rows, exposure - path[rows - first]))
