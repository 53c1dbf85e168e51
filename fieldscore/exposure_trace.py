"""The camera's own exposure over a flight, in stops, from links between frames; and how it hunts. Pure.

Links give changes of exposure and of veil. Adding them up lets both drift; veil, though, is a state of what is in view
and returns to what it was. So exposure and veil of all linked frames are found together by least squares in which the
veil is held near zero and its changes are followed. What stays the same through a flight is found with them, once: where the
recording's true black lies and how flat its curve is at the top (else dark and bright surfaces would disagree on every change
of exposure), how strongly the lens spreads the light of clipped sources (else ground that moves away from a lamp would pass for
exposure closing), and how much less it leaves away from the middle (else so would all that streams outward in forward flight).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from fieldscore.link_fit import (
    BLACK,
    BLACK_OF_SHADING,
    EFFECTS,
    GLOW,
    GLOW_SPREAD,
    HALFWAY_SPREAD,
    OUTER_SPREAD,
    SHADING,
    SHADING_SPREAD,
    SHARED,
    SHOULDER,
    SHOULDER_OF_SHADING,
    SHOULDER_SPREAD,
    ExposureLink,
    effects_of,
)

Doubles = npt.NDArray[np.float64]

# Veil of linked frames about their mean, in units of the light of the flight's median patch. Loose enough for a lamp that
# comes into view and is gone after a second, tight enough that contrast growing on approach does not pass for veil leaving
# (docs/decisions/exposure_trace.py).
VEIL_SPREAD = 0.06
# Toward the sun or near a lamp veil is large, and goes where a post hides the source. The glow found is only what of the
# spread light differs over the picture; what is alike everywhere is several times as much (docs/decisions/glow.py).
VEIL_OF_GLOW = 15.0
# Level fraction that black is set down by: how far it is believed to be off, and the most; blacks set further down leave hardly
# any dark to measure. None is lifted: that is found as the floor, and what else passed for it was shading, and curves steeper than
# the one that is named (docs/decisions/shading.py).
_FLOOR_SPREAD, _BLACK_MOST = 0.1, 0.12
_GLOW_MOST = 3.0  # strength of glow; no lens takes light away, and under so strong a glow nothing could be seen
# Stops in the corners: those of a fisheye may be black; no lens leaves more there than in the middle
_SHADING_MOST = 12.0
# Quarters of a stop beside the square law, halfway: a lens may keep its light up to the rim, or fall as a cosine does, the wider
# the flatter toward the corners
_HALFWAY_LEAST, _HALFWAY_MOST = -4.0, 20.0
_OUTER_MOST = 0.5  # veil missing in the corners; what lights the middle more than the rim does not light the rim more
# No less of a change at white than is seen in the dark: what passes for more is what bright patches lose by other ways
_SHOULDER_MOST = 1.0
_SPREADS = _FLOOR_SPREAD, GLOW_SPREAD, SHADING_SPREAD, HALFWAY_SPREAD, OUTER_SPREAD, SHOULDER_SPREAD
_LEAST = 0.0, 0.0, 0.0, _HALFWAY_LEAST, 0.0, 0.0
_MOST = _BLACK_MOST, _GLOW_MOST, _SHADING_MOST, _HALFWAY_MOST, _OUTER_MOST, _SHOULDER_MOST
_ALIKE_LINKS = 4.0  # links in a row share their errors: so many count as one
_ROUNDS = 3  # to and fro: the weight of veil depends on the exposure found, the effect of black on shading
_ANCHOR = 1e-6  # holds the first exposure, which links do not fix
# Stops from the flight's middle exposure over which the weight of veil follows it: an hour of links adds up to more by drift than
# a camera's exposure can move, and with it the equations would have no solution.
_FARTHEST = 8.0
_MOST_VEIL = 1.0  # linear light: no lens adds more than white
# Between two linked rows the brightness of the picture says when the exposure moved, where it moved by so many stops and
# brightness by as much but for such a share, with no more than another on the way there and back; else the scene moved it (a lit
# gate that is flown through), and a smooth line is safer (docs/decisions/swift_steps.py).
_SWIFT, _AGREE, _BACK = 0.2, 0.3, 0.8
# Many cameras move their gain by steps, an eighth of a stop to a third at a time: of a change of so many stops, at least and at
# most, one row of brightness must show all but such a share, or more by that, and the others together no more than such a share;
# then it was all there. What is larger is as often a lamp that leaves the picture, and of what is swift the others must not go the
# same way by more than another share: then the gain does not step, it moves.
_STEP, _LARGEST_STEP, _ONE_ROW, _OTHERS, _ALONG = 0.06, 0.4, 0.3, 0.5, 0.15
_NATURAL = 1.4427  # stops of a small relative change: 1 / ln 2


@dataclass(frozen=True)
class ExposureTrace:
    """`stops` [n]: exposure of each row against the first linked one; `veil` [n]: all light that the lens adds, what
    is alike over the picture and the mean of the glow that was found, in linear light at that row's exposure, 1 = nominal white.
    NaN where nothing could be linked.

    What the flight's links agree on, drawn to 0 where they say little: `black_set_down`, the level fraction by which black seems
    to be set down, 0 where that is more than any camera does (a knee, or another curve than the named one, looks like that; `stops`
    are as with the most all the same);
    `glow`, how strongly clipped sources shine around themselves (glow.py); `shading`, by how many stops less light the lens
    leaves in the corners (shading.py).
    `summed`: the equations of some links could not be solved, and what they say of exposure was added up, without veil.
    """

    stops: Doubles
    veil: Doubles
    black_set_down: float = 0.0
    glow: float = 0.0
    shading: float = 0.0
    summed: bool = False


def exposure_trace(links: Sequence[ExposureLink], steps: Doubles) -> ExposureTrace:
    """Find the exposure and veil of n rows from `links` in order and `steps` [n], the coarse change a row in stops.

    Where the links break (a cut, a lost picture) the trace stops and goes on from the same exposure.
    """
    stops, veil = np.full(len(steps), np.nan), np.full(len(steps), np.nan)
    if not links:
        return ExposureTrace(stops, veil)
    chains = [_Chain(links[start:end]) for start, end in _unbroken(links)]
    shared = _solve(chains)
    black, glow, shading = shared[[BLACK, GLOW, SHADING]].tolist()
    level = 0.0
    for chain in chains:
        rows, exposure = chain.rows, chain.exposure + level
        level = float(exposure[-1])
        part = slice(int(rows[0]), int(rows[-1]) + 1)
        stops[part] = _between(rows, exposure, steps)
        every = np.arange(rows[0], rows[-1] + 1)
        alike = np.interp(every, rows, chain.veil) * np.exp2(stops[part])
        veil[part] = np.minimum(alike + glow * np.interp(every, rows, chain.shining), _MOST_VEIL)
    if black >= _BLACK_MOST:
        black = 0.0
    return ExposureTrace(stops, veil, black, glow, shading, any(chain.summed for chain in chains))


class _Chain:
    """Links each of which begins at the row that the last one ends at, and what they say of their k + 1 rows."""

    def __init__(self, links: Sequence[ExposureLink]) -> None:
        self.rows = np.array([links[0].before, *(link.after for link in links)])
        self.shine = np.array([links[0].shine, *(link.shine for link in links)])
        # the same as light at its row's exposure, 1 = nominal white
        shining = [link.shine * link.light * 2.0 ** ((link.change + link.veil) / 2.0) for link in links]
        self.shining = np.array([shining[0], *shining])
        self.light = np.array([link.light for link in links])
        self.precision = np.array([link.precision for link in links]).T
        effects = effects_of(links)
        self._effects = effects[:, :, :2].swapaxes(1, 2).copy()  # so that the rest is let go of
        # [links, exposure or veil, what was found or what a unit of each shared thing takes from it]
        self.terms = np.empty((len(links), 2, 1 + SHARED))
        self.terms[:, :, 0] = [(link.change, link.veil) for link in links]
        self._score, self._information = effects[:, :, 2].sum(axis=0), effects[:, :, 3:].sum(axis=0)
        self.exposure, self.veil = (np.zeros(len(links) + 1) for _ in range(2))
        self._states, self._middle = np.zeros((2 * len(links) + 2, self.terms.shape[2])), 1.0
        self.summed = False

    def solve(self, shared: Doubles) -> tuple[Doubles, Doubles]:
        """Find the states from what was found, and by what a unit of each shared thing would move them.

        `shared` [6] is what is known of them so far. Gives their least-squares terms [6] and [6, 6].
        Exposure counts in stops, veil in units of the median patch's light at the first row's exposure.
        """
        import scipy.linalg

        glow = float(shared[GLOW])
        turn = np.eye(SHARED, EFFECTS)
        # Black and shoulder bend what exposure does, and what shading does.
        turn[BLACK, BLACK_OF_SHADING] = turn[SHOULDER, SHOULDER_OF_SHADING] = shared[SHADING]
        self.terms[:, :, 1:] = -self._effects @ turn.T
        middle = float(np.median(self.exposure))
        surface = self.light * np.exp2(-np.clip(self.exposure[:-1], middle - _FARTHEST, middle + _FARTHEST))
        self._middle = float(np.median(surface))
        weight = _NATURAL * self._middle / surface  # stops that one unit of veil adds to the median patch
        band = _band(self.precision, weight)
        band[0, 0::2] += _ANCHOR
        band[0, 1::2] += 1.0 / (VEIL_SPREAD**2 + np.square(VEIL_OF_GLOW * glow * self.shine))
        right = _right(self.terms, self.precision, weight)
        try:
            self._states, self.summed = scipy.linalg.solveh_banded(band, right, lower=True), False
        except np.linalg.LinAlgError:  # rounding spoils them: what links say adds up, without veil
            self._states, self.summed = np.zeros_like(right), True
            self._states[2::2] = np.cumsum(self.terms[:, 0], axis=0)
        moved = np.stack(
            [np.diff(self._states[0::2], axis=0), np.diff(self._states[1::2], axis=0) * weight[:, None]], 1
        )
        p11, p12, p22 = self.precision
        precision = np.array([[p11, p12], [p12, p22]])
        gain = np.einsum("lim,ijl,ljk->mk", self.terms[:, :, 1:], precision, self.terms - moved)
        return gain[:, 0] + turn @ self._score, gain[:, 1:] + turn @ self._information @ turn.T

    def settle(self, shared: Doubles) -> None:
        """Take the shared things [6] as they were found."""
        states = self._states[:, 0] - self._states[:, 1:] @ shared
        self.exposure = states[0::2] - states[0]
        self.veil = (states[1::2] - states[1::2].min()) * self._middle


def _unbroken(links: Sequence[ExposureLink]) -> list[tuple[int, int]]:
    """First and last-but-one index of every run of links without a break."""
    breaks = [number for number in range(1, len(links)) if links[number - 1].after != links[number].before]
    return list(zip([0, *breaks], [*breaks, len(links)], strict=True))


def _solve(chains: Sequence[_Chain]) -> Doubles:
    """What the flight shares [6], and with it the states of all chains."""
    shared = np.zeros(SHARED)
    for _ in range(_ROUNDS):
        right, normal = np.zeros(SHARED), np.diag(np.array(_SPREADS) ** -2.0)
        for chain in chains:
            score, information = chain.solve(shared)
            right, normal = right + score / _ALIKE_LINKS, normal + information / _ALIKE_LINKS
        shared = _bounded(normal, right)
        for chain in chains:
            chain.settle(shared)
    return shared


def _bounded(normal: Doubles, right: Doubles) -> Doubles:
    """Least-squares solution between `_LEAST` and `_MOST`: the best with some at a bound and the others found beside them."""
    best, least = np.zeros(len(right)), 0.0
    for held in product(*((None, *ends) for ends in zip(_LEAST, _MOST, strict=True))):
        free = np.array([one is None for one in held])
        found = np.array([one or 0.0 for one in held])
        if free.any():
            beside = right[free] - normal[np.ix_(free, ~free)] @ found[~free]
            found[free] = np.linalg.solve(normal[np.ix_(free, free)], beside)
        cost = float(found @ normal @ found / 2.0 - right @ found)
        if cost < least and (found >= _LEAST).all() and (found <= _MOST).all():
            best, least = found, cost
    return best


def _band(precision: Doubles, weight: Doubles) -> Doubles:
    """The banded normal matrix of links in the order exposure, veil, exposure, veil ...

    A link between states i and i + 1 says by how much their exposures and, times `weight`, their veils differ, with the
    precision [3, links].
    """
    p11, cross, square = precision[0], precision[1] * weight, precision[2] * weight**2
    count = len(weight)
    band = np.zeros((4, 2 * count + 2))
    for state in (0, 1):
        here = slice(2 * state, 2 * state + 2 * count, 2)
        veil_here = slice(here.start + 1, here.stop + 1, 2)
        band[0, here] += p11
        band[0, veil_here] += square
        band[1, here] += cross
    first = slice(0, 2 * count, 2)
    band[2, first] -= p11  # exposure with the next exposure
    band[3, first] -= cross  # exposure with the next veil
    band[1, 1 : 2 * count : 2] -= cross  # veil with the next exposure
    band[2, 1 : 2 * count : 2] -= square  # veil with the next veil
    return band


def _right(terms: Doubles, precision: Doubles, weight: Doubles) -> Doubles:
    """The right sides [states, k] that go with `_band`, for k differences `terms` [links, exposure or veil, k]."""
    p11, p12, p22 = precision[:, :, None]
    change, veil = terms[:, 0], terms[:, 1]
    count = len(weight)
    right = np.zeros((2 * count + 2, terms.shape[2]))
    for state, sign in ((0, -1.0), (1, 1.0)):
        right[2 * state : 2 * state + 2 * count : 2] += sign * (p11 * change + p12 * veil)
        right[2 * state + 1 : 2 * state + 1 + 2 * count : 2] += sign * (p12 * change + p22 * veil) * weight[:, None]
    return right


def _between(rows: npt.NDArray[np.int64], exposure: Doubles, steps: Doubles) -> Doubles:
    """Exposure of every row from the first to the last linked one: smooth, or the shape of `steps` where both move fast."""
    first, starts, counts = int(rows[0]), rows[:-1] - rows[0], np.diff(rows)
    shape = np.nan_to_num(steps[first + 1 : int(rows[-1]) + 1])
    change = np.diff(exposure)
    size = np.abs(change)
    net, way = (np.add.reduceat(one, starts) for one in (shape, np.abs(shape)))
    swift = (size >= _SWIFT) & (np.abs(net - change) <= _AGREE * size) & (way - np.abs(net) <= _BACK * size)
    largest = np.abs(shape) == np.repeat(np.maximum.reduceat(np.abs(shape), starts), counts)
    step = np.add.reduceat(np.where(largest, shape, 0.0), starts)
    at_once = (
        (size >= _STEP)
        & (size < _LARGEST_STEP)
        & (np.abs(step - change) <= _ONE_ROW * size)
        & (way - np.abs(step) <= _OTHERS * size)
        & ((size < _SWIFT) | ((way + np.sign(change) * net) / 2.0 - np.abs(step) <= _ALONG * size))
    )
    taken = np.repeat(swift & ~at_once, counts) | (np.repeat(at_once, counts) & largest)
    path = np.concatenate([[0.0], np.cumsum(np.where(taken, shape, 0.0))])
    return path + _smooth(rows, exposure - path[rows - first])


def _smooth(rows: npt.NDArray[np.int64], values: Doubles) -> Doubles:
    """Values at every row from the first to the last of `rows`: cubics that meet at these with the slope of their neighbours.

    A straight line would take a fifth off a swing of 2.5 Hz. Beside a swift change slopes are such that nothing overshoots
    (monotonized central ones, van Leer, J. Comput. Phys. 23:276, 1977).
    """
    slopes, change = np.gradient(values, rows), np.diff(values)
    before, after = change[:-1] / np.diff(rows[:-1]), change[1:] / np.diff(rows[1:])
    swift = np.maximum(np.abs(change[:-1]), np.abs(change[1:])) >= _SWIFT
    most = np.where(before * after > 0.0, 2.0 * np.minimum(np.abs(before), np.abs(after)), 0.0)
    slopes[1:-1] = np.where(swift, np.clip(slopes[1:-1], -most, most), slopes[1:-1])
    every = np.arange(rows[0], rows[-1] + 1)
    left = np.minimum(np.searchsorted(rows, every, side="right") - 1, len(rows) - 2)
    width = (rows[left + 1] - rows[left]).astype(np.float64)
    part = (every - rows[left]) / width
    rest = 1.0 - part
    here = rest**2 * ((1.0 + 2.0 * part) * values[left] + part * width * slopes[left])
    there = part**2 * ((1.0 + 2.0 * rest) * values[left + 1] - rest * width * slopes[left + 1])
    return np.asarray(here + there)
