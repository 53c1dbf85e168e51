"""Places that flights share: the way along the route, and what each flight showed at each place of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fieldscore.align import Alignment
from fieldscore.comparison import USABLE, PairAlignment, PairedPlaces, Series
from fieldscore.score import BY_CURVE, Score

FEWEST_FLIGHTS = 3  # of each camera for the flight to be the unit: two tell next to nothing of a spread
USABLE_AT_ENDS = ("usable_least", "usable_most")
AT_ENDS: Mapping[str, tuple[str, ...]] = {USABLE: USABLE_AT_ENDS, **BY_CURVE}
"""Measures that rest on the tone curve, and the names of what they are where least and most is readable."""
HOLE_S = 0.5  # matched places further apart than that in either flight have something unmatched between them
_KNOT_S = 1.0  # an alignment goes in small stairs; over a second of flight they are even


@dataclass(frozen=True)
class Way:
    """The way along the shared route of two flights.

    `time_a_s`, `time_b_s` [p]: matched times, going forward. `place_s` [p]: the way up to each, in seconds of
    flight at the geometric mean of the two speeds, so that standing still is no way and swapping the flights
    changes nothing. `hole` [p - 1]: whether what lies between two of them is unmatched.
    """

    time_a_s: Series
    time_b_s: Series
    place_s: Series
    hole: npt.NDArray[np.bool_]

    @property
    def length_s(self) -> float:
        """The whole way in seconds of flight, 0 where nothing is matched."""
        return float(self.place_s[-1]) if len(self.place_s) else 0.0

    @property
    def speed_ratio(self) -> float:
        """Median speed of b along the way in units of a's speed at the same place; NaN where nothing moved."""
        forward = np.arange(0.0, self.length_s, _KNOT_S)
        steps_a, steps_b = (np.diff(np.interp(forward, self.place_s, one)) for one in (self.time_a_s, self.time_b_s))
        moved = (steps_a > 0.0) & (steps_b > 0.0)
        return float(np.exp(np.median(np.log(steps_a[moved] / steps_b[moved])))) if moved.any() else math.nan


def swapped(found: Alignment) -> Alignment:
    """The same alignment with the flights the other way about."""
    return replace(found, time_a_s=found.time_b_s, time_b_s=found.time_a_s)


def both_ways(pairs: Sequence[PairAlignment]) -> dict[tuple[int, int], Alignment]:
    """The alignments by the numbers of their flights, in either order."""
    return {(one.a, one.b): one.found for one in pairs} | {(one.b, one.a): swapped(one.found) for one in pairs}


def leading(scores: Sequence[Score], flights: Sequence[int], pairs: Sequence[PairAlignment]) -> int:
    """The one of these flights that matches most of the others; of several the one that shares most with them."""
    return best_matched(scores, flights, pairs)[0]


def best_matched(scores: Sequence[Score], flights: Sequence[int], pairs: Sequence[PairAlignment]) -> list[int]:
    """These flights, first the one that matches most of the others and, of several, shares most of the route with them.

    The same in whatever order they are given. Of flights that all match one, the first matches them all.
    """
    found = both_ways(pairs)

    def shared(number: int) -> tuple[int, float, str]:
        others = [found[number, other] for other in flights if other != number]
        matched = [one.overlap_share for one in others if one.same_route]
        hashes = scores[number].record.clip.sha256
        return len(matched), sum(matched), hashes[0] if hashes else ""

    return sorted(flights, key=shared, reverse=True)


def going_together(
    scores: Sequence[Score], cameras: tuple[Sequence[int], Sequence[int]], pairs: Sequence[PairAlignment]
) -> tuple[tuple[tuple[int, ...], tuple[int, ...]], bool]:
    """Which flights of two cameras can be compared, and whether the flight is the unit.

    It is where one flight, along which all places are, matches enough of both cameras: then they are those that match it.
    Else they are those that match any flight of the other camera, however many, and each pair of them stands for itself.
    """
    found = both_ways(pairs)
    for lead in best_matched(scores, (*cameras[0], *cameras[1]), pairs):
        first, second = (tuple(n for n in own if n == lead or found[lead, n].same_route) for own in cameras)
        if min(len(first), len(second)) >= FEWEST_FLIGHTS:
            return (first, second), True
    first, second = (
        tuple(n for n in own if any(found[n, one].same_route for one in others))
        for own, others in (cameras, cameras[::-1])
    )
    return (first, second), False


def way_of(found: Alignment) -> Way:
    """The way along the route of an alignment; times that go back are left out."""
    time_a, time_b = np.asarray(found.time_a_s, dtype=np.float64), np.asarray(found.time_b_s, dtype=np.float64)
    forward = np.ones(len(time_a), dtype=np.bool_)
    if len(time_a) > 1:
        highest_a, highest_b = np.maximum.accumulate(time_a), np.maximum.accumulate(time_b)
        forward[1:] = (time_a[1:] >= highest_a[:-1]) & (time_b[1:] >= highest_b[:-1])
        forward[1:] &= time_a[1:] + time_b[1:] > highest_a[:-1] + highest_b[:-1]
    time_a, time_b = time_a[forward], time_b[forward]
    if not len(time_a):
        return Way(time_a, time_b, np.empty(0), np.empty(0, dtype=np.bool_))
    both = (time_a + time_b) / 2.0
    knots = np.append(np.arange(both[0], both[-1], _KNOT_S), both[-1])
    steps = [np.diff(np.interp(knots, both, one)) for one in (time_a, time_b)]
    way = np.concatenate(([0.0], np.cumsum(np.sqrt(steps[0] * steps[1]))))
    hole = (np.diff(time_a) > HOLE_S) | (np.diff(time_b) > HOLE_S)
    return Way(time_a, time_b, np.interp(both, knots, way), hole)


def measured_names(scores: Sequence[Score], also: Sequence[str]) -> tuple[str, ...]:
    """Measures that every flight has and that have a better direction, and those of `also`; the headline first."""
    columns = {column.name: column for column in scores[0].record.timeline.columns}
    shared = [name for name in scores[0].measures if all(name in one.measures for one in scores)]
    return (USABLE, *(name for name in shared if name in also or columns[name].better != "neither"))


def rows_of(score: Score, name: str) -> Series:
    """A measure of a flight [n]: NaN on the ground and where the link was lost, which is not the camera's fault."""
    timeline = score.record.timeline
    counted = score.in_airtime & (timeline["link"] > 0.0)
    if name in USABLE_AT_ENDS:
        if score.usable_at_ends is None:
            return np.full(len(timeline), np.nan)
        judged = counted & (score.usable_mask | (score.cause >= 0))
        return np.where(judged, score.usable_at_ends[USABLE_AT_ENDS.index(name)].astype(np.float64), np.nan)
    if name == USABLE:
        judged = counted & (score.usable_mask | (score.cause >= 0))
        return np.where(judged, score.usable_mask.astype(np.float64), np.nan)
    return np.where(counted, timeline[name], np.nan)


def binned(time_s: Series, place: npt.NDArray[np.int64], values: Series, count: int) -> Series:
    """Mean of `values` [n] at each of `count` places; `place` [n] is -1 for frames outside. NaN without a value."""
    known = (place >= 0) & np.isfinite(values)
    held = np.bincount(place[known], minlength=count)
    total = np.bincount(place[known], weights=values[known], minlength=count)
    return np.asarray(np.where(held > 0, total / np.maximum(held, 1), np.nan))


def places_of(time_s: Series, matched_s: Series, way: Way, width_s: float) -> npt.NDArray[np.int64]:
    """The place [n] of each frame of one flight, whose matched times are `matched_s`; -1 off the shared route."""
    both = alongside(time_s, matched_s, way.place_s, way.hole)
    outside = ~np.isfinite(both)
    return np.where(outside, -1, np.floor(np.where(outside, 0.0, both) / width_s).astype(np.int64))


def alongside(time_s: Series, matched_s: Series, place_s: Series, hole: npt.NDArray[np.bool_]) -> Series:
    """Where each time [n] of a flight is on the way, from its matched times [p] and their places; NaN off the shared route."""
    if len(matched_s) < 2:  # noqa: PLR2004 - a stretch needs two ends
        return np.full(len(time_s), np.nan)
    after = np.clip(np.searchsorted(matched_s, time_s, side="right"), 1, len(matched_s) - 1)
    outside = (time_s < matched_s[0]) | (time_s > matched_s[-1]) | hole[after - 1]
    return np.where(outside, np.nan, np.interp(time_s, matched_s, place_s))


def pair_places(  # noqa: PLR0913 - two flights and how to go along them
    a: int, b: int, first: Score, second: Score, found: Alignment, names: Sequence[str], width_s: float
) -> PairedPlaces:
    """The places that two flights share, each `width_s` of the way long, with the mean of every measure there."""
    way = way_of(found)
    count = int(way.length_s / width_s) + 1 if len(way.place_s) else 0
    times: list[Series] = []
    values: list[Mapping[str, Series]] = []
    for score, matched in ((first, way.time_a_s), (second, way.time_b_s)):
        time_s = score.record.timeline.time_s
        place = places_of(time_s, matched, way, width_s)
        times.append(binned(time_s, place, time_s, count))
        values.append({name: binned(time_s, place, rows_of(score, name), count) for name in names})
    both = {name: (values[0][name], values[1][name]) for name in names}
    return PairedPlaces(a, b, (np.arange(count, dtype=np.float64) + 0.5) * width_s, times[0], times[1], both)
