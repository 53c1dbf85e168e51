"""Recovery times and lamp pull-downs of two cameras: lamps are compared at the places of the route that both passed. Pure.

Places of lamps are in seconds: of the way of both flights (`pairing.Way`) for two flights, of the flight that leads for cameras.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import numpy.typing as npt

from fieldscore.compare_judge import over_flights, with_verdict
from fieldscore.compare_times import FEWEST_PAIRS, difference, paired_difference, row_means
from fieldscore.comparison import Difference, PairAlignment, Series
from fieldscore.criteria import Criteria
from fieldscore.measure import Better
from fieldscore.pairing import FEWEST_FLIGHTS, alongside, best_matched, both_ways, way_of
from fieldscore.score import Score

# A lamp is largest just before it leaves the picture, at nearly the same place in every flight: places are matched to 0.3 s, and
# a lamp's radius is a median over 0.2 s. Further apart it is another lamp, which pulls down as it likes. Seconds as the
# places are in: of the way, or of the leading flight.
SAME_LAMP_S = 0.5
# Negative where the picture dimmed: nearer to zero is better
_PULLDOWN: tuple[str, str, Better] = ("pulldown_stops", "stop", "higher")
FEWEST_LAMPS = 3  # of those that both cameras counted, for a flight to count: one or two may be odd ones


def events_of_cameras(
    scores: Sequence[Score],
    groups: Sequence[Sequence[int]],
    pairs: Sequence[PairAlignment],
    criteria: Criteria,
    *,
    by_flight: bool,
) -> list[Difference]:
    """Recovery times and lamp pull-downs of two cameras (`groups`: their flights); `by_flight`: the flight is the unit."""
    lamps = _lamps_of_flights if by_flight else _lamps_of_pairs
    return [
        *_recoveries(scores, groups, "recovery_s", "flash_off", criteria, by_flight=by_flight),
        *_recoveries(scores, groups, "recovery_on_s", "flash_on", criteria, by_flight=by_flight),
        *lamps(scores, groups, pairs, criteria),
    ]


def same_lamps(first: Series, second: Series) -> list[tuple[int, int]]:
    """Which lamps of two flights are the same, from their places [p], [q] in seconds (NaN: off the shared route).

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


def _recoveries(  # noqa: PLR0913 - which flights, which edges, and how to judge
    scores: Sequence[Score],
    groups: Sequence[Sequence[int]],
    name: str,
    kind: str,
    criteria: Criteria,
    *,
    by_flight: bool,
) -> list[Difference]:
    """Recovery times after one kind of edge: `by_flight` medians of flights if enough show one, else a camera's events together."""
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
    if by_flight and min(map(len, medians)) >= FEWEST_FLIGHTS:
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
    """Pull-down of two cameras, the flight as the unit: the mean of each flight, as if it had counted every lamp compared.

    These are the lamps that both cameras counted. A flight counts that has `FEWEST_LAMPS` of them.
    """
    if not all(any(scores[n].lamps.passes for n in group) for group in groups):
        return []
    flights = best_matched(scores, [*groups[0], *groups[1]], pairs)
    table = _by_lamp(scores, flights, pairs)
    known = _comparable(np.isfinite(table), np.isin(flights, groups[1]))
    counted, lamps = known.any(axis=1), known.any(axis=0)
    means = row_means(np.where(known, table, np.nan)[np.ix_(counted, lamps)]) if known.any() else np.empty(0)
    if means is None:
        own, reason = {}, "no lamp links all flights to each other"
    else:
        own = dict(zip(np.array(flights)[counted].tolist(), means.tolist(), strict=True))
        reason = f"{FEWEST_LAMPS} lamps that both cameras counted are needed in {FEWEST_FLIGHTS} flights of each"
    entry = Difference(
        *_PULLDOWN, groups[0][0], groups[1][0], "flights", math.nan, None, math.nan, None,
        math.nan, math.nan, (0, 0), reason=reason,
    )  # fmt: skip
    entry = over_flights(entry, [[own[n] for n in group if n in own] for group in groups], criteria)
    return [with_verdict(entry, criteria, ())]


def _by_lamp(scores: Sequence[Score], flights: Sequence[int], pairs: Sequence[PairAlignment]) -> Series:
    """Pull-downs [flights, lamps] of every lamp that any of these counted, NaN where a flight did not; the first leads."""
    found, lead = both_ways(pairs), flights[0]
    places: Series = np.empty(0)
    rows: list[dict[int, float]] = []
    for number in flights:
        at = _largest(scores[number])
        if number != lead:
            way = way_of(found[lead, number])
            at = alongside(at, way.time_b_s, way.time_a_s, way.hole)
        own = {mine: lamp for lamp, mine in same_lamps(places, at)}
        for new in np.flatnonzero(np.isfinite(at)).tolist():
            if new not in own:
                own[new] = len(places)
                places = np.append(places, at[new])
        rows.append({lamp: scores[number].lamps.passes[mine].pulldown_stops for mine, lamp in own.items()})
    return np.array([[row.get(lamp, math.nan) for lamp in range(len(places))] for row in rows])


def _comparable(known: npt.NDArray[np.bool_], second: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Which of the `known` figures [flights, lamps] count: lamps of both cameras, in flights that have enough of them.

    `second` [flights]: those of the second camera.
    """
    kept = known & known[second].any(axis=0) & known[~second].any(axis=0)
    kept[kept.sum(axis=1) < FEWEST_LAMPS] = False
    return known if np.array_equal(kept, known) else _comparable(kept, second)


def _largest(score: Score) -> Series:
    """The times (s) [p] at which the lamps of a flight were at their largest."""
    return np.array([one.largest_s for one in score.lamps.passes], dtype=np.float64)
