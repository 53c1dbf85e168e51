"""Two flights over one route, place by place: which moment of one shows what which moment of the other shows.

Alignment is by what was seen (places.py), never by time or brightness. The stretch in which the two are most alike is
found on thinned flights over the whole matrix, then again on all places in a band around it, then between the places.
Whether it is one route is judged apart from that: on what passes by along the path, against chance pairs. A match too weak
for that is taken where a third flight matches both and leads to the same places.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from fieldscore.likeness import Likeness, find_size, likeness
from fieldscore.record import Places
from fieldscore.warping import around, best_path, whole

Doubles = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Score = Callable[[slice, slice], npt.NDArray[np.floating]]

COARSE_PLACES = 2500  # of each flight in the whole matrix: 6 million cells, 4 minutes of flight without thinning
BAND_PLACES = 48  # to each side of the coarse path
ALIKE = 1.5  # spreads of chance pairs from which on two places count as alike
LEAST_SCORE = -0.4  # a place without a match (link lost in the other flight) costs no more than this
STEP_COST = 2.0  # spreads, for a step in one flight alone (docs/decisions/route_threshold.py)
# Seconds before and after whose mean is taken out where the route is judged: what stays is what passes by.
PASSING_S = 1.5
SAME_ROUTE = 3.45  # spreads, mean over the path (docs/decisions/route_threshold.py)
SAME_ROUTE_WIDTH = 0.3  # spreads over which the confidence goes from a half to 0.73
# Confidence from which on a refusal is no more than a doubt, a likeness of 2: two flights of 12 s by night, 0.8 m aside, have 2.05.
DOUBT = 0.0079
# Of the matches of a third flight that bears out a weak one: foreign routes reach 0.86 (docs/decisions/route_threshold.py).
SURE_LINK = 0.9
BORNE_OUT_S, BORNE_OUT = 0.3, 0.9  # within so much of a place matched (its truth bound), over so much of a weak match
BORNE_OUT_OVERLAP = 0.5  # of the shorter flight: a weak match over less shows too little to be borne out
LEAST_OVERLAP_S = 4.0  # of both flights; a shorter stretch is alike by chance
# In a shorter flight too few seconds alike deny no route: a start elsewhere and a lost link can be the rest. On another simulator
# of 7 to 10 s of one route 2.0 to 3.9 s were found; of 9 s of foreign ones under 1.5 s in all but three of some eighty pairs.
LEAST_DENIED_S, BY_CHANCE_S = 3 * LEAST_OVERLAP_S, 1.5
_NONE_SURE, _ALL_SURE = 1.0, 4.0  # spreads at which the confidence of a place is 0 and 1
_LEAST_CONFIDENCE = 0.25  # a place below is left out
_CONFIDENCE_OVER = (0.4, 0.1)  # s, sigmas over which likeness along the path is averaged for it; the lower counts
_SMOOTH_OVER = 0.35  # s, sigma over which the path is straightened
_LONGEST_STEP_S = 0.5  # between two places of the path; longer is a gap
_SHIFT_MOST = 1.0  # places that the path is moved between the places


@dataclass(frozen=True)
class Alignment:
    """Pairs of moments at one place, in order, and how sure they are.

    `time_a_s`, `time_b_s` [p] never fall; `place_confidence` [p] is 0 to 1. Places without a match are left out.
    `confidence` says how sure it is that the routes are one (0 to 1; under a half they are not), `overlap_share` how
    much of the shorter flight is matched. Where `same_route` is False the arrays are empty and `reason` says why; where it
    is True a `reason` says why a weak match was taken. `too_short`: a flight shows too little for any route to be told.
    """

    same_route: bool
    confidence: float
    overlap_share: float
    time_a_s: Doubles
    time_b_s: Doubles
    place_confidence: Doubles
    reason: str | None = None
    too_short: bool = False

    @property
    def doubtful(self) -> bool:
        """Whether the routes are refused for want of likeness alone, with more of it than chance makes: they may be one."""
        return not self.same_route and self.confidence >= DOUBT


@dataclass(frozen=True)
class Match:
    """The stretch in which two flights are most alike, whether or not it is one route.

    `strength` is the mean likeness of what passes by along it, in spreads of chance pairs. `time_a_s`, `time_b_s` and
    `place_confidence` [p] as in an alignment; `matched_s` is the shorter of both sides' seconds, `overlap_share` how
    much of the shorter flight that is.
    """

    strength: float
    time_a_s: Doubles
    time_b_s: Doubles
    place_confidence: Doubles
    matched_s: float
    overlap_share: float


def align(a: Places, b: Places) -> Alignment:
    """Align two flights by what was seen. Swapping the flights swaps the times."""
    return _judged(a, b)[0]


def align_all(flights: Sequence[Places]) -> dict[tuple[int, int], Alignment]:
    """Align every two flights, (i, j) with i < j; a weak match is taken where a third flight bears it out.

    A third flight counts by what it shows with each of the two by itself, so that the order of the flights changes nothing.
    """
    judged = {(i, j): _judged(flights[i], flights[j]) for i, j in combinations(range(len(flights)), 2)}
    links = {pair: found for pair, (found, _) in judged.items() if found.same_route and found.confidence >= SURE_LINK}
    links |= {(j, i): replace(one, time_a_s=one.time_b_s, time_b_s=one.time_a_s) for (i, j), one in links.items()}
    return {
        (i, j): found if weak is None else borne_out(found, weak, links, (i, j))
        for (i, j), (found, weak) in judged.items()
    }


def borne_out(
    refused: Alignment, weak: Match, links: Mapping[tuple[int, int], Alignment], pair: tuple[int, int]
) -> Alignment:
    """The weak match of a pair of flights as an alignment, if the way through a third flight leads to the same places.

    `links`: the sure alignments, either way about. As sure as the weaker link and the share of the places that agree.
    """
    first, second = pair
    best, through = 0.0, -1
    for third in sorted({j for i, j in links if i == first} & {i for i, j in links if j == second}):
        link = links[first, third], links[third, second]
        agreeing = _agreeing(weak, *link)
        sure = min(one.confidence for one in link) * agreeing
        if agreeing >= BORNE_OUT and sure > best:
            best, through = sure, third
    if through < 0 or weak.overlap_share < BORNE_OUT_OVERLAP:
        return refused
    told = f"alike too little by themselves, but flight {through + 1} matches both and leads to the same places"
    return Alignment(True, best, weak.overlap_share, weak.time_a_s, weak.time_b_s, weak.place_confidence, told)


def _agreeing(match: Match, there: Alignment, back: Alignment) -> float:
    """The share of a match's places that the way over two alignments leads to as well, from either side."""
    reverse = [replace(one, time_a_s=one.time_b_s, time_b_s=one.time_a_s) for one in (back, there)]
    ways = ((match.time_a_s, match.time_b_s, (there, back)), (match.time_b_s, match.time_a_s, reverse))
    led = [np.abs(_along(start, links) - end) <= BORNE_OUT_S for start, end, links in ways]
    return float(np.mean(led[0] & led[1]))


def _along(at: Doubles, links: Sequence[Alignment]) -> Doubles:
    """Where alignments, one after the other, lead from moments [p]; NaN where one has no match."""
    for link in links:
        after = np.clip(np.searchsorted(link.time_a_s, at), 1, len(link.time_a_s) - 1)
        there = (at >= link.time_a_s[0]) & (at <= link.time_a_s[-1])
        there &= np.diff(link.time_a_s)[after - 1] <= _LONGEST_STEP_S
        at = np.where(there, np.interp(at, link.time_a_s, link.time_b_s), np.nan)
    return at


def _judged(a: Places, b: Places) -> tuple[Alignment, Match | None]:
    """The alignment of two flights; where it is refused for want of likeness alone, their best match as well."""
    seen = min(_length_s(places.time_s) for places in (a, b))
    if seen < LEAST_OVERLAP_S:
        told = f"one of the two shows only {_under(seen, 1)} s of picture; {LEAST_OVERLAP_S:g} s are needed"
        return replace(_refused(told), too_short=True), None
    match = best_match(a, b)
    if match is None:
        return _refused("nothing in the two flights looks alike"), None
    confidence = float(1.0 / (1.0 + np.exp(-(match.strength - SAME_ROUTE) / SAME_ROUTE_WIDTH)))
    if match.matched_s < LEAST_OVERLAP_S:
        share = match.matched_s / LEAST_OVERLAP_S
        short = seen < LEAST_DENIED_S and match.matched_s >= BY_CHANCE_S
        of = f" of the {_under(seen, 1)} s that one of the two shows" if short else ""
        told = f"only {_under(match.matched_s, 1)} s{of} look alike; {LEAST_OVERLAP_S:g} s are needed"
        return replace(_refused(told, confidence * share * DOUBT), too_short=short), None
    if match.strength < SAME_ROUTE:
        told = (
            f"what passes by is not alike enough: a likeness of {_under(match.strength, 2)} at best, where one route is from "
            f"{SAME_ROUTE:g} on and chance is 0"
        )
        return _refused(told, confidence), match
    return Alignment(
        True, confidence, match.overlap_share, match.time_a_s, match.time_b_s, match.place_confidence
    ), None


def best_match(a: Places, b: Places) -> Match | None:
    """Give the stretch in which two flights are most alike; None where nothing is. ValueError without places."""
    size = find_size(a, b)
    path = _path(likeness(a, b, size))
    passing = likeness(a, b, size, PASSING_S)
    path = path[_unforced(path, passing.at(path[:, 0], path[:, 1]), (a.time_s, b.time_s))]
    if not len(path):
        return None
    alike = passing.at(path[:, 0], path[:, 1])
    time_a, time_b, sure = _places(path, alike, passing, a, b)
    kept = sure >= _LEAST_CONFIDENCE
    time_a, time_b, sure = time_a[kept], time_b[kept], sure[kept]
    matched = _length_s(time_a), _length_s(time_b)
    lengths = _length_s(a.time_s), _length_s(b.time_s)
    shorter = int(lengths[1] < lengths[0]) if lengths[0] != lengths[1] else int(matched[1] < matched[0])
    share = min(1.0, matched[shorter] / lengths[shorter])
    return Match(_strength(path, alike, a, b), time_a, time_b, sure, min(matched), share)


def _under(value: float, places: int) -> str:
    """A value with so many decimals, rounded down: one under a limit is not printed as the limit."""
    return f"{math.floor(value * 10**places) / 10**places:.{places}f}"


def _refused(reason: str, confidence: float = 0.0) -> Alignment:
    nothing = np.zeros(0)
    return Alignment(False, confidence, 0.0, nothing, nothing, nothing, reason)


def _path(alike: Likeness) -> Whole:
    """The cells [p, 2] of the best path: on thinned flights over the whole matrix, then on all places in a band."""
    rows, columns = alike.a.shape[1], alike.b.shape[1]
    every = -(-max(rows, columns) // COARSE_PLACES)
    thin = alike.coarser(every)
    _, path = best_path(_scores(thin), whole(thin.a.shape[1], thin.b.shape[1]), STEP_COST)
    if every == 1 or not len(path):
        return path
    cells = np.minimum(path * every + every // 2, (rows - 1, columns - 1))
    return best_path(_scores(alike), around(cells, rows, columns, BAND_PLACES), STEP_COST)[1]


def _unforced(path: Whole, alike: Doubles, times: tuple[Doubles, Doubles]) -> npt.NDArray[np.bool_]:
    """Cells [p] of the path that are not there for want of others.

    Where one flight begins, ends or lost its link, the path may stand at its last place while the other flight flies on:
    of such a stretch only the cell most alike is kept.
    """
    kept = np.ones(len(path), dtype=np.bool_)
    for side, time_s in enumerate(times):
        steps = np.diff(time_s, prepend=-np.inf, append=np.inf)
        edge = (steps[:-1] > _LONGEST_STEP_S) | (steps[1:] > _LONGEST_STEP_S)
        begins = np.flatnonzero(np.diff(path[:, side], prepend=-1))
        ends = np.append(begins[1:], len(path))[: len(begins)]
        for begin, end in zip(begins, ends, strict=True):
            if end - begin > 1 and edge[path[begin, side]]:
                kept[begin:end] &= np.arange(begin, end) == begin + int(np.argmax(alike[begin:end]))
    return kept


def _scores(alike: Likeness) -> Score:
    """What a cell adds to a path."""

    def score(rows: slice, columns: slice) -> npt.NDArray[np.floating]:
        return np.asarray(np.maximum(alike.of(rows, columns) - ALIKE, LEAST_SCORE))

    return score


def _strength(path: Whole, alike: Doubles, a: Places, b: Places) -> float:
    """Mean likeness over the path, weighted by the time that each of its cells stands for in both flights."""
    weight = np.gradient(a.time_s[path[:, 0]] + b.time_s[path[:, 1]]) if len(path) > 1 else np.ones(1)
    return float(np.average(alike, weights=np.minimum(weight, _LONGEST_STEP_S)))


def _places(path: Whole, alike: Doubles, passing: Likeness, a: Places, b: Places) -> tuple[Doubles, Doubles, Doubles]:
    """Times in a and in b, between the places and straightened, and the confidence of each."""
    time_a, time_b = a.time_s[path[:, 0]], b.time_s[path[:, 1]]
    along, apart = time_a + time_b, time_b - time_a + _between(path, alike, passing, a.time_s, b.time_s)
    even = np.ones(len(path))
    level = np.minimum(*(_smooth(along, alike, even, 2 * over, straight=False) for over in _CONFIDENCE_OVER))
    sure = np.clip((level - _NONE_SURE) / (_ALL_SURE - _NONE_SURE), 0.0, 1.0)
    apart = _smooth(along, apart, np.maximum(alike, 0.1), 2 * _SMOOTH_OVER, straight=True)
    time_a, time_b = (along - apart) / 2, (along + apart) / 2
    return (
        np.clip(np.maximum.accumulate(time_a), a.time_s[0], a.time_s[-1]),
        np.clip(np.maximum.accumulate(time_b), b.time_s[0], b.time_s[-1]),
        sure,
    )


def _between(path: Whole, alike: Doubles, passing: Likeness, time_a: Doubles, time_b: Doubles) -> Doubles:
    """How much later than the cell (s) the best match lies: the top of a parabola over its neighbours, both ways."""
    later = np.zeros(len(path))
    for side, times, sign in ((1, time_b, 1.0), (0, time_a, -1.0)):
        at = path[:, side]
        inner = (at > 0) & (at < len(times) - 1)
        cells = path[inner]
        step = np.zeros_like(cells)
        step[:, side] = 1
        before, after = (passing.at(*(cells + way * step).T) for way in (-1, 1))
        bend = before - 2 * alike[inner] + after
        with np.errstate(divide="ignore", invalid="ignore"):
            shift = np.where(bend < 0, (before - after) / (2 * bend), 0.0)
        pace = (times[cells[:, side] + 1] - times[cells[:, side] - 1]) / 2
        later[inner] += sign * np.clip(shift, -_SHIFT_MOST, _SHIFT_MOST) * np.minimum(pace, _LONGEST_STEP_S) / 2
    return later


def _smooth(at: Doubles, values: Doubles, weights: Doubles, sigma: float, *, straight: bool) -> Doubles:
    """Values [p] at rising places, replaced by the local mean or straight line under a Gaussian window."""
    sums = np.zeros((5, len(at)))
    step = float(np.median(np.diff(at))) if len(at) > 1 else 1.0
    reach = min(len(at) - 1, int(np.ceil(3 * sigma / max(step, 1e-6))))
    for lag in range(-reach, reach + 1):
        here, there = slice(max(0, -lag), len(at) - max(0, lag)), slice(max(0, lag), len(at) + min(0, lag))
        away = at[there] - at[here]
        weight = weights[there] * np.exp(-0.5 * (away / sigma) ** 2)
        moments = (weight, weight * away, weight * away**2, weight * values[there], weight * away * values[there])
        sums[:, here] += moments
    mass, first, second, value, slanted = sums
    mean = value / mass
    if not straight:
        return np.asarray(mean)
    spread = mass * second - first**2
    line = np.divide(second * value - first * slanted, spread, out=mean.copy(), where=spread > 1e-9 * mass**2)
    return np.asarray(line)


def _length_s(time_s: Doubles) -> float:
    """Seconds of picture: the gaps of a lost link left out."""
    steps = np.diff(time_s)
    return float(steps[steps <= _LONGEST_STEP_S].sum())
