"""What a comparison says, in plain words: which camera keeps more of what, for which flights, and with what reserve."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

from fieldscore.compare_judge import BY_CURVE, SHARE_FROZEN, ahead, would_matter
from fieldscore.comparison import USABLE, Comparison, Difference
from fieldscore.fairness import PICTURE_SHAPE
from fieldscore.pairing import FEWEST_FLIGHTS
from fieldscore.report.differences import (
    EXPLAINING,
    FIRST,
    WORDINGS,
    agreed,
    amount,
    interval_words,
    measured_in,
    ranked,
    shares,
    under_another_curve,
    wording,
)
from fieldscore.report.hints import any_told, by_measure, shortfalls
from fieldscore.report.words import number, plural, seconds, visible
from fieldscore.score import Stability

_LEADS = {"unsure": "Nothing is sure", "in part": "Not every pair of flights shows a sure difference"}
_MOST_NAMED = 3  # differences named in a sentence; the rest is in the table


def verdict(result: Comparison) -> str:
    """The verdict: a sentence for each two cameras, then for which flights it holds and with what reserve."""
    return " ".join(part for part in verdict_parts(result) if part)


def verdict_parts(result: Comparison) -> tuple[str, str]:
    """The verdict in two parts: what differs, and for which flights and with what reserve that holds ("" for none)."""
    sentences = []
    compared: list[tuple[str, str]] = []
    for first, second in combinations(result.cameras, 2):
        found = result.between(first, second)
        if found:
            sentences.append(between(result, first, second, found))
            compared.append((first, second))
    if not compared:
        if len(result.cameras) == 1 and result.differences:
            return "All flights carry one label: there is nothing to compare them with.", ""
        why = [
            f"{visible(note[:1].upper() + note[1:])}."
            for note in result.notes
            if "show the same route" in note or "cannot be matched" in note
        ]
        if result.alignments and all(one.found.too_short for one in result.alignments):
            return "No comparison: too short to be matched.", " ".join(why)
        why.append(
            "If they do, fly nearer to one line, or for longer; a picture that is mirrored in one of them matches nothing."
        )
        if any(one.found.doubtful or one.found.too_short for one in result.alignments):
            return "No comparison: it is not sure that the flights show the same route.", " ".join(why)
        return "No comparison: the flights do not show the same route.", " ".join(why)
    return " ".join(sentences), " ".join(
        [*_hunting(result, compared), *_scope(result, compared), *_reserve(result, compared)]
    )


def between(result: Comparison, first: str, second: str, found: Sequence[Difference]) -> str:
    """One plain sentence on two cameras."""
    better: dict[str, list[Difference]] = {"a": [], "b": []}
    for entry in agreed(found):
        if entry.better is not None and entry.measure not in EXPLAINING:
            better[entry.better].append(entry)
    names = {"a": f"Camera {visible(first)}", "b": f"Camera {visible(second)}"}
    told = [
        f"{names[side]} {_does(better[side], found, result.criteria.confidence_percent)}"
        for side in _order(better)
        if better[side]
    ]
    known = [one.difference for one in found if math.isfinite(one.difference)]
    by_place = " by the place" if _one_hunts(result, first, second) else ""
    if known and not any(known):
        return f"No difference shown between {visible(first)} and {visible(second)}{by_place}: they are the same at every place."
    pair = f"{visible(first)} and {visible(second)}"
    hints = shortfalls(result, pair, found)
    if told:
        return " ".join(["; ".join(told) + ".", *hints.values()])
    if not known and any(one.of == "flights" for one in found):
        return f"It could not be told which of {pair} is better: no place is shown by all of their flights."
    flown_by = [one for one in found if one.measure not in EXPLAINING]
    none = all(one.interval is None for one in flown_by)
    if none and "unsure" not in hints and not any(one.withheld in (*BY_CURVE, PICTURE_SHAPE) for one in found):
        apart = any(would_matter(one) for one in flown_by)
        why = "too short. Fly longer, or more often" if apart else "too short or too even"
        return f"It could not be told which of {pair} is better: the route they share is {why}."
    if hints:
        lead = "" if next(iter(hints)) == "untold" else f"{_LEADS[next(iter(hints))]} between {pair}. "
        rest = (
            f" By the other measures that can be judged no difference is shown{by_place}."
            if list(hints) == ["untold"] and any(map(_judged, flown_by))
            else ""
        )
        return f"{lead}{' '.join(hints.values())}{rest}"
    explained = any(one.better is not None for one in agreed(found))
    where = " in what a pilot flies by" if explained else ""
    left = [wording(own[0].measure).title for own in by_measure(found) if own[0].measure in FIRST and not any_told(own)]
    but = f"; by {' and '.join(left)} it could not be told" if left else ""
    return f"No difference shown between {pair}{by_place}{where}{but}."


def _judged(one: Difference) -> bool:
    """Whether a difference may be judged, and is of what matters: 0.01 % against none is no likeness of cameras."""
    return one.interval is not None and not one.withheld and max(abs(one.mean_a), abs(one.mean_b)) >= (one.worth or 0.0)


def _order(better: dict[str, list[Difference]]) -> list[str]:
    """The side whose first difference ranks higher goes first."""
    order = {name: rank for rank, name in enumerate(WORDINGS)}
    return sorted(
        better, key=lambda side: min((order.get(one.measure, len(order)) for one in better[side]), default=999)
    )


def _does(entries: Sequence[Difference], found: Sequence[Difference], confidence: float) -> str:
    """What the better camera does, by the first of the `entries`, and which share of the pairs `found` measured it."""
    parts = []
    for entry in entries[:_MOST_NAMED]:
        what = wording(entry.measure)
        of = f" {what.amount}" if what.amount else ""
        own = [one for one in found if one.measure == entry.measure]
        pairs = len(measured_in(own))
        part = f"; measured in {pairs} of {len(own)} pairs of flights" if pairs < len(own) else ""
        part += f"; {rests}" if (rests := under_another_curve(entry)) else ""
        span = f"{confidence:g} % interval {interval_words(entry, size=True)}"
        if entry.unit == "share":
            parts.append(f"{what.does}: {shares(entry)} ({span} points{part})")
        else:
            parts.append(f"{what.does}: {amount(entry)}{of} ({span}{part})")
    more = len(entries) - _MOST_NAMED
    return ", and ".join(parts) + (f", and is better in {more} more" if more > 0 else "")


def _hunting(result: Comparison, compared: Sequence[tuple[str, str]]) -> list[str]:
    """Whose exposure hunts or may, where any does: that is told by the flight, and has no place among what differs by the place."""
    known = {label: _stability(result, label) for label in dict.fromkeys(label for pair in compared for label in pair)}
    # What both may do, or neither, tells nothing of the two
    one_may = len({any(one.hunting_unsure for one in own) for own in known.values()}) > 1
    if not one_may and not any(one.hunting_stops for own in known.values() for one in own):
        return []
    told = "; ".join(f"{visible(label)}{_swings(own)}" for label, own in known.items())
    return [f"Hunting is told by the flight, not by the place: {told}."]


def _stability(result: Comparison, label: str) -> list[Stability]:
    """How level the exposure of a camera is in each of its flights that take part."""
    taking_part = {number for own in result.groups.values() for side in own for number in side}
    return [result.scores[n].stability for n in result.flights_of(label) if n in taking_part]


def _one_hunts(result: Comparison, first: str, second: str) -> bool:
    """Whether one of two cameras is told to hunt and the other is not: a difference, though none by the place."""
    hunts = [any(one.hunting_stops for one in _stability(result, label)) for label in (first, second)]
    return hunts[0] is not hunts[1]


def _swings(own: Sequence[Stability]) -> str:
    """What the exposure of a camera does in its flights, after its name: by how much it swings at most, and in how many of them."""
    swings = [one for one in own if one.hunting_stops]
    unknown = sum(one.hunting_stops is None for one in own)
    rest = f" in {len(swings) or len(own) - unknown} of {len(own)} flights" if len(own) > 1 else ""
    rest += f", not known in {unknown}" if 0 < unknown < len(own) else ""
    if not swings:
        maybe = [one.hunting_unsure for one in own if one.hunting_unsure]
        if maybe:
            stops, period_s = max(maybe)
            of = f" in {len(maybe)} of {len(own)} flights" if len(own) > 1 else ""
            return f" may hunt by {number(stops, 'stop')} every {seconds(period_s)}{of} (not sure: that stands out by too little)"
        return ": not known whether it hunts" if unknown == len(own) else f" does not hunt{rest}"
    most = max(swings, key=lambda one: one.hunting_stops or 0.0)
    paces = list(dict.fromkeys(seconds(one.hunting_period_s) for one in sorted(swings, key=_period)))
    pace = f" every {paces[0]}" if len(paces) == 1 else f", every {paces[0]} to {paces[-1]},"
    return f" swings by {'up to ' if len(swings) > 1 else ''}{number(most.hunting_stops, 'stop')}{pace}{rest}"


def _period(one: Stability) -> float:
    return one.hunting_period_s or 0.0


def _scope(result: Comparison, compared: Sequence[tuple[str, str]]) -> list[str]:
    """For which flights it holds, and what to fly to know more."""
    few = [pair for pair in compared if all(one.of != "flights" for one in result.between(*pair))]
    left_out = [
        f"{visible(note[:1].upper() + note[1:])}."
        for note in result.notes
        if " is left out: " in note or " are not compared: " in note
    ]
    if not few:
        counts = sorted({len(own) for pair in compared for own in result.groups[pair]})
        return [
            f"Each flight counts once, {' or '.join(map(str, counts))} of each camera: it holds for these cameras on this route.",
            *left_out,
        ]
    first, second = (visible(label) for label in few[0])
    in_turns = f"fly {first}, {second}, {second}, {first} and on in that way"
    enough = min(len(result.flights_of(label)) for label in few[0]) >= FEWEST_FLIGHTS
    sentences = [
        *left_out,
        "This holds for these flights only.",
        f"To say it of {first} and {second}, one flight must match {FEWEST_FLIGHTS} of each, itself counted, and none does: "
        f"{in_turns}, all along one line."
        if enough
        else f"To say it of the cameras, {in_turns}, until each has flown the route "
        f"{plural(FEWEST_FLIGHTS, 'time', 'times')} or more.",
    ]
    own = [
        one
        for one in ranked(result.differences)
        if one.of == "places" and result.labels[one.a] == result.labels[one.b] and one.measure == USABLE
    ]
    if own:
        most = max(own, key=lambda one: abs(one.difference))
        shown = f"differed by up to {amount(most)} of" if most.difference else "did not differ by"
        sentences.append(f"Two flights of one camera {shown} usable places.")
    return sentences


def _reserve(result: Comparison, compared: Sequence[tuple[str, str]]) -> list[str]:
    """What the audit takes from it, and who freezes too much of the picture to be judged by what can be read."""
    frozen = {
        visible(result.labels[one.a if ahead(one) == "a" else one.b])
        for pair in compared
        for one in result.between(*pair)
        if one.withheld == SHARE_FROZEN and one.measure != "noise_percent" and would_matter(one)
    }
    sentences = [
        f"By what can be read {label} is not judged: it freezes more of the picture, and a coder that does so smooths away what "
        "was to be seen."
        for label in sorted(frozen)
    ]
    failed = [one for one in result.checks if not one.ok]
    if failed:
        what = "; ".join(f"{one.check} ({one.then})" for one in failed)
        sentences.append(f"Take it with reserve, the flights differ in more than the camera: {what}.")
    return sentences
