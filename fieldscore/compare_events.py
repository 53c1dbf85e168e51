"""Recovery times and lamp pull-downs of two cameras: lamps are compared at the places of the route that both passed. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import product

import numpy as np

from fieldscore.align import Alignment
from fieldscore.compare_judge import FEWEST_FLIGHTS, over_flights, with_verdict
from fieldscore.compare_times import FEWEST_PAIRS, difference, paired_difference
from fieldscore.comparison import Difference, PairAlignment, Series
from fieldscore.criteria import Criteria
from fieldscore.measure import Better
from fieldscore.pairing import alongside, both_ways, leading, way_of
from fieldscore.score import Score

# A lamp is largest just before it leaves the picture, at nearly the same place in every flight: places are matched to 0.3 s, and
# a lamp's radius is a median over 0.2 s. Further apart it is another lamp, which pulls down as it likes.
SAME_LAMP_S = 0.5
# Negative where the picture dimmed: nearer to zero is better
_PULLDOWN: tuple[str, str, Better] = ("pulldown_stops", "stop", "higher")
FEWEST_LAMPS = 3  # that all flights count, for a word on the cameras: one or two may be odd ones


def events_of_cameras(
    scores: Sequence[Score],
    groups: Sequence[Sequence[int]],
    pairs: Sequence[PairAlignment],
    criteria: Criteria,
) -> list[Difference]:
    """Recovery times and lamp pull-downs of two cameras (`groups`: their flights); the flight is the unit if there are enough."""
    enough = min(map(len, groups)) >= FEWEST_FLIGHTS
    lamps = _lamps_of_flights if enough else _lamps_of_pairs
    return [
        *_recoveries(scores, groups, "recovery_s", "flash_off", criteria),
        *_recoveries(scores, groups, "recovery_on_s", "flash_on", criteria),
        *lamps(scores, groups, pairs, criteria),
    ]


def same_lamps(first: Series, second: Series) -> list[tuple[int, int]]:
    """Which lamps of two flights are the same, from their places [p], [q] in seconds of the way (NaN: off the shared route).

    Those that are nearest to each other, and nearer than `SAME_LAMP_S`.
    """
    apart = np.abs(np.subtract.outer(first, second))
    apart[~np.isfinite(apart)] = math.inf
    if not apart.size:
        return []
    nearest, back = apart.argmin(axis=1), apart.argmin(axis=0)
    return [
        (one, other)
        for one, other in enumerate(nearest.tolist())
        if back[other] == one and apart[one, other] <= SAME_LAMP_S
    ]


def _recoveries(
    scores: Sequence[Score], groups: Sequence[Sequence[int]], name: str, kind: str, criteria: Criteria
) -> list[Difference]:
    """Recovery times after one kind of edge: medians of flights where enough show one, else all events of a camera together."""
    own = [
        [[one.recovery_s for one in scores[n].events if one.kind == kind and one.recovery_s is not None] for n in group]
        for group in groups
    ]
    pools = [[value for values in flights for value in values] for flights in own]
    shift = difference(*pools)
    if shift is None:
        return []
    reason = None if shift.ci95 else "four events of each camera are the fewest that give an interval"
    entry = Difference(
        name, "s", "lower", groups[0][0], groups[1][0], "events", shift.shift, shift.ci95, float(sum(shift.n)), None,
        float(np.median(pools[0])), float(np.median(pools[1])), shift.n, reason=reason,
    )  # fmt: skip
    medians = [[float(np.median(values)) for values in flights if values] for flights in own]
    if min(map(len, medians)) >= FEWEST_FLIGHTS:
        entry = over_flights(replace(entry, of="flights"), medians, criteria)
    return [with_verdict(entry, criteria, ())]


def _lamps_of_pairs(
    scores: Sequence[Score], groups: Sequence[Sequence[int]], pairs: Sequence[PairAlignment], criteria: Criteria
) -> list[Difference]:
    """Pull-down of each pair of flights at the lamps that both counted, lamp by lamp."""
    found, entries = both_ways(pairs), []
    for a, b in product(*groups):
        if not found[a, b].same_route:
            continue
        way = way_of(found[a, b])
        places = [
            alongside(_largest(scores[n]), times, way.place_s, way.hole)
            for n, times in ((a, way.time_a_s), (b, way.time_b_s))
        ]
        same = same_lamps(*places)
        first, second = (
            np.array([scores[n].lamps.passes[pair[side]].pulldown_stops for pair in same])
            for side, n in enumerate((a, b))
        )
        shift = paired_difference(second - first)
        if shift is None:
            continue
        reason = (
            None if shift.ci95 else f"both flights counted {len(same)} of the same lamps: {FEWEST_PAIRS} are needed"
        )
        entry = Difference(
            *_PULLDOWN, a, b, "lamps", shift.shift, shift.ci95, float(len(same)), None,
            float(np.median(first)), float(np.median(second)), shift.n, reason=reason,
        )  # fmt: skip
        entries.append(with_verdict(entry, criteria, ()))
    return entries


def _lamps_of_flights(
    scores: Sequence[Score], groups: Sequence[Sequence[int]], pairs: Sequence[PairAlignment], criteria: Criteria
) -> list[Difference]:
    """Pull-down of two cameras, the flight as the unit: the mean of each flight over the lamps that all of them counted."""
    flights = [*groups[0], *groups[1]]
    if not all(any(scores[n].lamps.passes for n in group) for group in groups):
        return []
    lead = leading(scores, flights, pairs)
    own = _counted_by_all(scores, lead, [n for n in flights if n != lead], both_ways(pairs))
    reason = f"all flights counted {len(own[lead])} of the same lamps: {FEWEST_LAMPS} are needed"
    entry = Difference(
        *_PULLDOWN, groups[0][0], groups[1][0], "flights", math.nan, None, math.nan, None,
        math.nan, math.nan, (len(groups[0]), len(groups[1])), reason=reason,
    )  # fmt: skip
    if len(own[lead]) >= FEWEST_LAMPS:
        means = [[float(np.mean(own[n])) for n in group] for group in groups]
        entry = over_flights(entry, means, criteria)
    return [with_verdict(entry, criteria, ())]


def _counted_by_all(
    scores: Sequence[Score], lead: int, others: Sequence[int], found: Mapping[tuple[int, int], Alignment]
) -> dict[int, list[float]]:
    """Pull-downs of each flight at the lamps that every one of them counted, in the order in which `lead` passed them."""
    partners: dict[int, dict[int, int]] = {lead: {number: number for number in range(len(scores[lead].lamps.passes))}}
    for other in others:
        way = way_of(found[lead, other])
        at = alongside(_largest(scores[other]), way.time_b_s, way.time_a_s, way.hole)
        partners[other] = dict(same_lamps(_largest(scores[lead]), at))
    shared = [lamp for lamp in partners[lead] if all(lamp in own for own in partners.values())]
    return {
        number: [scores[number].lamps.passes[own[lamp]].pulldown_stops for lamp in shared]
        for number, own in partners.items()
    }


def _largest(score: Score) -> Series:
    """The times (s) [p] at which the lamps of a flight were at their largest."""
    return np.array([one.largest_s for one in score.lamps.passes], dtype=np.float64)
