"""Two or more flights of one route compared place by place: differences, how sure, whether it was fair. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations, product

import numpy as np
import numpy.typing as npt

from fieldscore.align import Alignment
from fieldscore.colour import colour_difference
from fieldscore.compare_events import events_of_cameras
from fieldscore.compare_judge import SLOW_MEASURES, over_flights, unlike_curves, with_verdict, withheld_by_others
from fieldscore.comparison import USABLE, AtEnds, Check, Comparison, Difference, PairAlignment, PairedPlaces, Series
from fieldscore.criteria import Criteria
from fieldscore.fairness import audit
from fieldscore.measure import Better
from fieldscore.pairing import (
    AT_ENDS,
    Way,
    binned,
    both_ways,
    going_together,
    leading,
    measured_names,
    pair_places,
    places_of,
    rows_of,
    swapped,
    way_of,
)
from fieldscore.readable_rows import MEMORY_S
from fieldscore.score import Score
from fieldscore.stats import Interval, block_bootstrap_mean
from fieldscore.units import HLG

FEWEST_MEMORIES = 3  # of that noise in the shared route for a verdict; in one or two all places share its mistake
ALSO = ("level_percent",)  # compared although neither way is better: it explains the others
_EVEN = "the difference is the same at every place, which does not tell how sure it is"
_ONE_PLACE = "one place alone does not tell how sure it is"
_CAST_LIGHTNESS = 20.0  # L* of dark picture parts: with the same on both sides only the cast differs
_SEEN = 2.0  # CIEDE2000 from which on two colours that are not side by side look different; common practice, no source
_NEARLY_ALL = 0.75  # share of a flight compared from which on nobody needs to be told which part it is
_CONFIDENT = 0.5  # confidence of an alignment under which the result is weakened


def compare_flights(
    scores: Sequence[Score],
    labels: Sequence[str],
    alignments: Mapping[tuple[int, int], Alignment],
    criteria: Criteria,
) -> Comparison:
    """Compare flights of one route. `alignments` holds that of flights i < j as (i, j), times in that order.

    Every pair of flights that shares the route is compared place by place; two cameras also by the means of their
    flights where one flight matches three of each or more (itself counted). `Comparison.groups` says which flights take
    part. Raises ValueError for fewer than two flights, or labels of another number.
    """
    if len(scores) < 2 or len(labels) != len(scores):  # noqa: PLR2004 - a comparison needs two
        raise ValueError(f"{len(scores)} flights and {len(labels)} labels: expected two flights or more, a label each")
    pairs = tuple(PairAlignment(i, j, alignments[i, j]) for i, j in combinations(range(len(scores)), 2))
    order = {label: number for number, label in enumerate(dict.fromkeys(labels))}
    names = measured_names(scores, ALSO)
    beside = tuple(end for name in names for end in AT_ENDS.get(name, ()))
    places, differences = [], []
    for one in pairs:
        if not one.found.same_route:
            continue
        turned = order[labels[one.b]] < order[labels[one.a]]  # the camera named first is always a
        a, b, found = (one.b, one.a, swapped(one.found)) if turned else (one.a, one.b, one.found)
        together = pair_places(a, b, scores[a], scores[b], found, (*names, *beside), criteria.place_s)
        checks = audit(scores, (a, b), [one], criteria) if labels[a] != labels[b] else ()
        places.append(together)
        differences += [_of_places(together, name, scores[a], criteria, checks) for name in names]
    differences = withheld_by_others(differences, scores, (), criteria)
    cameras = {label: [n for n, own in enumerate(labels) if own == label] for label in order}
    groups: dict[tuple[str, str], tuple[tuple[int, ...], tuple[int, ...]]] = {}
    across: list[PairAlignment] = []
    for first, second in combinations(order, 2):
        both, by_flight = going_together(scores, (cameras[first], cameras[second]), pairs)
        if both[0] and both[1]:
            groups[first, second] = both
            met = {frozenset(two) for two in product(*both)}
            own = [one for one in pairs if {one.a, one.b} in met]
            checks = audit(scores, (*both[0], *both[1]), own, criteria)
            of_cameras = _of_cameras(scores, both, pairs, names, criteria, checks) if by_flight else []
            of_cameras += events_of_cameras(scores, both, pairs, criteria, by_flight=by_flight)
            differences += withheld_by_others(of_cameras, scores, both, criteria)
            across += own
    if len(cameras) == 1:
        matched = {number for one in pairs if one.found.same_route for number in (one.a, one.b)}
        across = [one for one in pairs if {one.a, one.b} <= matched]
    taking_part = sorted({number for one in across for number in (one.a, one.b)})
    overall = audit(scores, taking_part, across, criteria) if taking_part else ()
    result = Comparison(
        tuple(scores), tuple(labels), criteria, pairs, tuple(places), tuple(differences), overall, groups,
    )  # fmt: skip
    return replace(result, notes=tuple(_notes(result, taking_part)))


def mean_difference(first: Series, second: Series, criteria: Criteria, *, rare: bool = False) -> Interval:
    """Mean of second - first over the places [k] that have both, with its block bootstrap interval.

    `rare`: the series are shares that differ at few places; then the number of stretches in which they do bounds
    the independent samples as well.
    """
    series = second - first
    confidence, least = criteria.confidence_percent / 100.0, criteria.min_effective_samples
    # Halved and doubled again, since differences of 0 and 1 alone would be taken for a share
    places = int(np.count_nonzero(np.isfinite(series)))
    half = block_bootstrap_mean(series / 2.0, confidence=confidence, min_effective=least)
    found = replace(
        half,
        reason=(_EVEN if places > 1 else _ONE_PLACE)
        if math.isnan(half.effective_samples) and math.isfinite(half.estimate)
        else half.reason,
        estimate=2.0 * half.estimate,
        low=None if half.low is None else 2.0 * half.low,
        high=None if half.high is None else 2.0 * half.high,
    )
    if not rare or found.low is None:
        return found
    apart = block_bootstrap_mean(
        np.where(np.isfinite(series), np.abs(series) > 0.0, np.nan), min_effective=least
    ).effective_samples
    if apart < least:
        reason = (
            f"the flights differ in few stretches, worth {apart:.1f} independent samples: an interval needs {least:g}"
        )
        return replace(found, low=None, high=None, effective_samples=apart, reason=reason)
    return found


def _of_places(
    places: PairedPlaces, name: str, score: Score, criteria: Criteria, checks: Sequence[Check]
) -> Difference:
    """One measure of two single flights, place by place."""
    first, second = places.values[name]
    found = mean_difference(first, second, criteria, rare=name == USABLE)
    interval = None if found.low is None or found.high is None else (found.low, found.high)
    both = np.isfinite(first) & np.isfinite(second)
    count = int(both.sum())
    means = [float(one[both].mean()) if count else math.nan for one in (first, second)]
    entry = Difference(
        name, *_meaning(name, score), places.a, places.b, "places", found.estimate, interval, found.effective_samples,
        None, means[0], means[1], (count, count), reason=found.reason, at_ends=_at_ends(places, name, both),
    )  # fmt: skip
    return with_verdict(slow_withheld(entry, count * criteria.place_s), criteria, checks)


def _at_ends(places: PairedPlaces, name: str, both: npt.NDArray[np.bool_]) -> AtEnds | None:
    """The means of two flights over the places that `both` [k] show, where least and most is readable; None if not known."""
    if name not in AT_ENDS or not both.any():
        return None
    found = [[float(one[both].mean()) for one in places.values[end]] for end in AT_ENDS[name]]
    return _pairs(found)


def slow_withheld(entry: Difference, shared_s: float) -> Difference:
    """The entry of two single flights, without an interval where a slow mistake may be the same at all its places.

    `shared_s`: seconds of flight at which both show the measure. The interval of places holds what differs from place to
    place; the noise that readability is held against is averaged over `MEMORY_S`, and no place tells of a mistake in it.
    """
    least = FEWEST_MEMORIES * MEMORY_S
    sure = abs(entry.difference) >= SLOW_MEASURES.get(entry.measure, 0.0)
    if sure or shared_s >= least or entry.interval is None:
        return entry
    shared = f"the flights share {math.floor(shared_s)} s: so small a difference needs {least:g} s"
    reason = f"a mistake in the noise lasts for {MEMORY_S:g} s; {shared}"
    samples = min(entry.effective_samples, shared_s / MEMORY_S)
    return replace(entry, interval=None, effective_samples=samples, reason=reason)


def _of_cameras(  # noqa: PLR0913 - two cameras, how their flights go together, and how to judge
    scores: Sequence[Score],
    groups: Sequence[Sequence[int]],
    pairs: Sequence[PairAlignment],
    names: Sequence[str],
    criteria: Criteria,
    checks: Sequence[Check],
) -> list[Difference]:
    """Every measure of two cameras, the flight as the unit."""
    found = []
    beside = [end for name in names for end in AT_ENDS.get(name, ())]
    means = flight_means(scores, [*groups[0], *groups[1]], pairs, [*names, *beside], criteria.place_s)
    for name in names:
        values = [[means[n][name] for n in group if math.isfinite(means[n][name])] for group in groups]
        entry = Difference(
            name, *_meaning(name, scores[0]), groups[0][0], groups[1][0], "flights", math.nan, None, math.nan, None,
            math.nan, math.nan, (len(values[0]), len(values[1])), reason="too few flights show this at shared places",
        )  # fmt: skip
        entry = replace(over_flights(entry, values, criteria), at_ends=_means_at_ends(means, groups, name))
        found.append(with_verdict(entry, criteria, checks))
    return found


def _means_at_ends(
    means: Mapping[int, Mapping[str, float]], groups: Sequence[Sequence[int]], name: str
) -> AtEnds | None:
    """The means of two cameras where least and most is readable, of the `means` of their flights; None if not known."""
    if name not in AT_ENDS:
        return None
    return _pairs([[float(np.mean([means[n][end] for n in group])) for group in groups] for end in AT_ENDS[name]])


def _pairs(found: Sequence[Sequence[float]]) -> AtEnds | None:
    (first, second), (third, fourth) = found
    return ((first, second), (third, fourth)) if np.isfinite(found).all() else None


def flight_means(
    scores: Sequence[Score],
    flights: Sequence[int],
    pairs: Sequence[PairAlignment],
    names: Sequence[str],
    width_s: float,
) -> dict[int, dict[str, float]]:
    """Mean of every measure of each flight over the places that all of them show, place by place along one flight.

    That one is the leading flight. NaN where no place is shared by all.
    """
    found = both_ways(pairs)
    lead = leading(scores, flights, pairs)
    time_s = scores[lead].record.timeline.time_s
    count = int(time_s[-1] / width_s) + 1
    at_places: dict[int, dict[str, Series]] = {}
    for number in flights:
        own = scores[number].record.timeline.time_s
        if number == lead:
            place = np.floor(own / width_s).astype(np.int64)
        else:
            way = way_of(found[lead, number])
            along = Way(way.time_a_s, way.time_b_s, way.time_a_s, way.hole)
            place = places_of(own, way.time_b_s, along, width_s)
        at_places[number] = {name: binned(own, place, rows_of(scores[number], name), count) for name in names}
    means: dict[int, dict[str, float]] = {number: {} for number in flights}
    for name in names:
        common = np.all([np.isfinite(at_places[number][name]) for number in flights], axis=0)
        for number in flights:
            means[number][name] = float(at_places[number][name][common].mean()) if common.any() else math.nan
    return means


def _meaning(name: str, score: Score) -> tuple[str, Better]:
    """Unit and better direction of a measure."""
    if name == USABLE:
        return "share", "higher"
    column = next(one for one in score.record.timeline.columns if one.name == name)
    return column.unit, column.better


def _notes(result: Comparison, taking_part: Sequence[int]) -> list[str]:
    """What a reader must know of the flights: who is left out, sure alignments or not, the same recording twice, the curves."""
    scores, labels = result.scores, result.labels
    notes = _left_out(result)
    for one in result.alignments:
        names = f"flights {one.a + 1} ({labels[one.a]}) and {one.b + 1} ({labels[one.b]})"
        if not one.found.same_route:
            told = "may or may not show the same route" if one.found.doubtful else "do not show the same route"
            told = "cannot be matched" if one.found.too_short else told
            notes.append(f"{names} {told}: {one.found.reason or 'no reason was given'}")
        elif one.found.reason:
            notes.append(f"{names} are taken to show the same route: {one.found.reason}")
        elif one.found.confidence < _CONFIDENT:
            notes.append(
                f"{names}: the alignment is not sure (confidence {one.found.confidence:.2f}); look at the pictures"
            )
        notes += _stretch_note(names, one, scores)
        hashes = scores[one.a].record.clip.sha256
        if hashes and hashes == scores[one.b].record.clip.sha256:
            notes.append(f"{names} are the same recording")
    return notes + _cast_notes(scores, labels, taking_part) + _curve_notes(scores, labels, result.differences)


def _stretch_note(names: str, one: PairAlignment, scores: Sequence[Score]) -> list[str]:
    """Which stretch of two flights is compared, where much of one is not: another lap, or a longer way."""
    times = (one.found.time_a_s, one.found.time_b_s)
    if not one.found.same_route or not len(times[0]):
        return []
    spans = [(float(own[0]), float(own[-1])) for own in times]
    flown_s = (scores[one.a].airtime_s, scores[one.b].airtime_s)
    if all(last - first >= _NEARLY_ALL * whole for (first, last), whole in zip(spans, flown_s, strict=True)):
        return []
    told = " and ".join(
        f"{first:.1f} to {last:.1f} s of flight {n + 1}" for (first, last), n in zip(spans, (one.a, one.b), strict=True)
    )
    return [f"{names}: compared are {told}; the rest is not (another lap, or what only one of them flew)"]


def _left_out(result: Comparison) -> list[str]:
    """Of each flight that a comparison of two cameras leaves out: that it does, and why; and which cameras are not compared."""
    notes = []
    for (first, second), (own, others) in result.groups.items():
        cameras = [n for n, label in enumerate(result.labels) if label in (first, second)]
        for number in sorted(set(cameras) - {*own, *others}):
            met = [f"flight {n + 1} ({result.labels[n]})" for n in result.matches_of(number) if n in cameras]
            why = f"of the others it matches only {' and '.join(met)}" if met else "it matches none of the others"
            if set(result.matches_of(number)) & {*own, *others} - set(result.flights_of(result.labels[number])):
                lead = leading(result.scores, (*own, *others), result.alignments)
                named = f"flight {lead + 1} ({result.labels[lead]})"
                why = f"it does not match {named}, along which the others are compared"
            notes.append(f"flight {number + 1} ({result.labels[number]}) is left out: {why}")
    if result.groups:
        notes += [
            f"cameras {first} and {second} are not compared: no flight of one matches a flight of the other"
            for first, second in combinations(result.cameras, 2)
            if (first, second) not in result.groups
        ]
    return list(dict.fromkeys(notes))


def _curve_notes(scores: Sequence[Score], labels: Sequence[str], differences: Sequence[Difference]) -> list[str]:
    """What the lamp pull-downs that were compared are under the named curves, and whether what can be read needs curves alike."""
    notes = []
    if any(one.better is not None and unlike_curves(one) < (one.worth or 0.0) for one in differences):
        notes.append(
            "the cameras' tone curves are not known; what can be read is compared as if they were alike: two curves as unlike as "
            "the standard ones could make up for the difference"
        )
    for one in differences:
        ends = [
            (mean, scores[number].under_curves(mean), number)
            for mean, number in ((one.mean_a, one.a), (one.mean_b, one.b))
        ]
        if one.measure != "pulldown_stops" or one.interval is None:
            continue
        told = [
            f"{mean:.2f} ({span[0]:.2f} to {span[1]:.2f}) stops by curve in "
            + (f"the flights of {labels[number]}" if one.of == "flights" else f"flight {number + 1} ({labels[number]})")
            for mean, span, number in ends
            if span is not None
        ]
        if len(told) == len(ends):
            tagged = dict.fromkeys(
                labels[number] for _, _, number in ends if scores[number].record.clip.transfer_tag == HLG
            )
            told_by_file = f" (the files of {' and '.join(tagged)} say HLG)" if tagged else ""
            notes.append(
                f"the cameras' tone curves are not known{told_by_file}; lamps pulled down by {', '.join(told)}: "
                "the difference in stops holds where the curves are alike"
            )
    return notes


def _cast_notes(scores: Sequence[Score], labels: Sequence[str], flights: Sequence[int]) -> list[str]:
    """Which of two cameras shows the dark bluer, yellower, redder or greener, where the eye sees it at equal lightness.

    A camera's cast is the median of these `flights`; nothing of one that shows no dark in colour.
    """
    casts = {}
    for label in dict.fromkeys(labels[number] for number in flights):
        own = [cast for number in flights if labels[number] == label and (cast := _cast(scores[number])) is not None]
        if own:
            casts[label] = np.median(own, axis=0)
    notes = []
    for (first, one), (second, other) in combinations(casts.items(), 2):
        apart = colour_difference(*(np.array([_CAST_LIGHTNESS, *cast]) for cast in (one, other)))
        if apart >= _SEEN:
            red, yellow = (other - one).tolist()
            hue = (
                ("yellower" if yellow > 0.0 else "bluer")
                if abs(yellow) >= abs(red)
                else "redder"
                if red > 0.0
                else "greener"
            )
            notes.append(
                f"the dark is {hue} in {second} than in {first} (CIEDE2000 {apart:.1f} at equal lightness; "
                "1 is just seen side by side)"
            )
    return notes


def _cast(score: Score) -> Series | None:
    """CIELAB a*, b* of the dark of a flight; None without any in colour."""
    colour = np.array([score.record.timeline[f"cast_lab_{axis}"][score.in_airtime] for axis in "ab"])
    known = np.isfinite(colour).all(axis=0)
    return np.asarray(np.median(colour[:, known], axis=1)) if known.any() else None
