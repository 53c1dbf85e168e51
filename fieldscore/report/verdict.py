"""What a comparison says, in plain words: which camera keeps more of what, for which flights, and with what reserve."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np

from fieldscore.compare_judge import FEWEST_FLIGHTS, SHARE_FROZEN, SLOW_MEASURES, ahead, judged
from fieldscore.comparison import USABLE, Comparison, Difference
from fieldscore.report.words import count, number, plural, share, visible

_FULL_SHARE = 100.0


class Wording(NamedTuple):
    """How a measure reads: as a title, what the better camera does, and what less or more of it is."""

    title: str
    does: str
    amount: str


# In the order in which a verdict names them: what a pilot flies by first.
WORDINGS: dict[str, Wording] = {
    USABLE: Wording("usable places", "can be flown by over more of the route", "of the places"),
    "zone_readable_percent": Wording("flying zone readable", "shows more of the flying zone", "of the flying zone"),
    "crushed_percent": Wording("crushed", "keeps more of the unlit part", "of the picture"),
    "clipped_percent": Wording("clipped", "keeps more of the bright part", "of the picture"),
    "readable_percent": Wording("picture readable", "shows more of the picture", "of the picture"),
    "recovery_s": Wording("recovery, light off", "is back sooner after a light went out", ""),
    "recovery_on_s": Wording("recovery, light on", "is back sooner after a light came on", ""),
    "pulldown_stops": Wording("lamp pull-down", "dims less when lamps come into view", ""),
    "zone_dark_percent": Wording("zone too dark", "loses less of the flying zone to darkness", "of the flying zone"),
    "zone_blown_percent": Wording("zone blown out", "loses less of the flying zone to glare", "of the flying zone"),
    "zone_noisy_percent": Wording("zone too noisy", "loses less of the flying zone to noise", "of the flying zone"),
    "noise_percent": Wording("noise", "is less noisy", "of nominal white"),
    "occupied_range_stops": Wording("occupied range", "spreads the scene over more of its range", ""),
    "frozen_percent": Wording("frozen blocks", "freezes less of the picture", "of the picture"),
    "level_percent": Wording("level", "is brighter", "of nominal white"),
    "bloom_radius_percent": Wording("bloom of lamps", "blooms less around lamps", "of the picture's height"),
    "veil_percent": Wording("veil", "lays less veil over the picture", "of nominal white"),
}
# Named in the table only: they describe the recording and explain the others, but a pilot does not fly by them.
_EXPLAINING = frozenset({"occupied_range_stops", "frozen_percent", "level_percent"})
_MOST_NAMED = 3  # differences named in a sentence; the rest is in the table


def wording(name: str) -> Wording:
    """The words of a measure; one that has none of its own is named as it is."""
    plain = name.rsplit("_percent", 1)[0].replace("_", " ")
    return WORDINGS.get(name) or Wording(plain, f"is better in {plain}", "")


def ranked(found: Sequence[Difference]) -> list[Difference]:
    """Differences in the order in which a pilot cares; unknown measures last, as they came."""
    order = {name: rank for rank, name in enumerate(WORDINGS)}
    return sorted(found, key=lambda one: order.get(one.measure, len(order)))


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
        if any(one.found.doubtful for one in result.alignments):
            return "No comparison: it is not sure that the flights show the same route.", " ".join(why)
        return "No comparison: the flights do not show the same route.", " ".join(why)
    return " ".join(sentences), " ".join([*_scope(result, compared), *_reserve(result, compared)])


def between(result: Comparison, first: str, second: str, found: Sequence[Difference]) -> str:
    """One plain sentence on two cameras."""
    better: dict[str, list[Difference]] = {"a": [], "b": []}
    for entry in agreed(found):
        if entry.better is not None and entry.measure not in _EXPLAINING:
            better[entry.better].append(entry)
    names = {"a": f"Camera {visible(first)}", "b": f"Camera {visible(second)}"}
    told = [
        f"{names[side]} {_does(better[side], result.criteria.confidence_percent)}"
        for side in _order(better)
        if better[side]
    ]
    if all(one.difference == 0.0 for one in found if math.isfinite(one.difference)):
        return f"No difference shown between {visible(first)} and {visible(second)}: they are the same at every place."
    unsure = _unsure(result, found)
    if told:
        return " ".join(["; ".join(told) + ".", *unsure])
    pair = f"{visible(first)} and {visible(second)}"
    if any(one.interval is not None for one in found if one.measure not in _EXPLAINING):
        if unsure:
            return f"Nothing is sure between {pair}. {unsure[0]}"
        explained = any(one.better is not None for one in agreed(found))
        where = " in what a pilot flies by" if explained else ""
        return f"No difference shown between {pair}{where}."
    why = "too short to tell: fly longer, or more often" if unsure else "too short or too even to tell"
    return f"No difference shown between {pair}: the route they share is {why}."


def _unsure(result: Comparison, found: Sequence[Difference]) -> list[str]:
    """A sentence on the first measure that differs by what matters, but for which the flights are too short.

    A few lamps or flashes are left out, whatever the flight.
    """
    for one in ranked(found):
        side = ahead(one)
        if one.measure in _EXPLAINING or one.of not in ("places", "flights") or one.interval is not None:
            continue
        if side is None or one.withheld or not _would_matter(one):
            continue
        label = visible(result.labels[one.a if side == "a" else one.b])
        held = f"{count(one.effective_samples)} independent samples{_places_won(result, one, side)}"
        return [
            f"By {wording(one.measure).title} {label} is ahead by {amount(one)}, but the flights are too short to be sure of "
            f"that ({held}): fly longer, or more often."
        ]
    return []


def _would_matter(entry: Difference) -> bool:
    """Whether a difference is worth a word, were it not withheld: sure and worth caring about, or too large to be left unsaid.

    What rests on noise must differ by more than a mistake in that makes, where no interval holds it.
    """
    if entry.interval is None and entry.worth:
        return abs(entry.difference) >= max(entry.worth, SLOW_MEASURES.get(entry.measure, 0.0))
    return judged(entry.difference, entry.interval, entry.direction, entry.worth) is not None


def _places_won(result: Comparison, entry: Difference, side: str) -> str:
    """At how many shared places of two flights a side is ahead by what matters: how plain it is without an interval."""
    own = next((one for one in result.places if entry.of == "places" and (one.a, one.b) == (entry.a, entry.b)), None)
    if own is None or entry.worth is None:
        return ""
    first, second = own.values[entry.measure]
    apart = second - first if (side == "b") is (entry.direction == "higher") else first - second
    known = np.isfinite(apart)
    won, lost = int((apart[known] >= entry.worth).sum()), int((apart[known] <= -entry.worth).sum())
    return f"; ahead at {won} of {int(known.sum())} places, behind at {lost}"


def agreed(found: Sequence[Difference]) -> list[Difference]:
    """One entry a measure: of several pairs of flights the smallest difference, and no better side where they disagree."""
    entries = []
    for name in dict.fromkeys(one.measure for one in found):
        own = [one for one in found if one.measure == name]
        sides = {one.better for one in own}
        if len(sides) == 1 and None not in sides:
            entries.append(min(own, key=lambda one: abs(one.difference)))
    return ranked(entries)


def amount(entry: Difference, *, signed: bool = False) -> str:
    """The size of a difference with its unit: shares and percentages in points."""
    value = entry.difference * (_FULL_SHARE if entry.unit == "share" else 1.0)
    return with_unit(value if signed else abs(value), entry.unit, signed=signed)


def with_unit(value: float, unit: str, *, signed: bool = False) -> str:
    """A difference (shares already in percent) with its unit, in points where it is of percentages."""
    text = number(value, {"share": "points", "%": "points"}.get(unit, unit))
    return f"+{text}" if signed and value > 0.0 and text[:1].isdigit() and float(text.split()[0]) != 0.0 else text


def interval_words(entry: Difference, *, size: bool = False) -> str:
    """The interval of a difference, signed or as a size; "" where there is none."""
    if entry.interval is None:
        return ""
    scale = _FULL_SHARE if entry.unit == "share" else 1.0
    ends = [scale * end for end in entry.interval]
    if size and entry.difference < 0.0:
        ends = [-ends[1], -ends[0]]
    return f"{number(ends[0])} to {number(ends[1])}"


def _order(better: dict[str, list[Difference]]) -> list[str]:
    """The side whose first difference ranks higher goes first."""
    order = {name: rank for rank, name in enumerate(WORDINGS)}
    return sorted(
        better, key=lambda side: min((order.get(one.measure, len(order)) for one in better[side]), default=999)
    )


def _does(entries: Sequence[Difference], confidence: float) -> str:
    parts = []
    for entry in entries[:_MOST_NAMED]:
        what = wording(entry.measure)
        of = f" {what.amount}" if what.amount else ""
        span = f"{confidence:g} % interval {interval_words(entry, size=True)}"
        if entry.unit == "share":
            most, least = (share(mean) for mean in sorted((entry.mean_a, entry.mean_b), reverse=True))
            parts.append(f"{what.does}: {most}{of} against {least} ({span} points)")
        else:
            parts.append(f"{what.does}: {amount(entry)}{of} ({span})")
    more = len(entries) - _MOST_NAMED
    return ", and ".join(parts) + (f", and is better in {more} more" if more > 0 else "")


def _scope(result: Comparison, compared: Sequence[tuple[str, str]]) -> list[str]:
    """For which flights it holds, and what to fly to know more."""
    few = [pair for pair in compared if all(one.of != "flights" for one in result.between(*pair))]
    if not few:
        counts = sorted({len(result.flights_of(label)) for pair in compared for label in pair})
        return [
            f"Each flight counts once, {' or '.join(map(str, counts))} of each camera: it holds for these cameras on this route."
        ]
    first, second = (visible(label) for label in few[0])
    sentences = [
        "This holds for these flights only.",
        f"To say it of the cameras, fly {first}, {second}, {second}, {first} and on in that way, until each has flown the route "
        f"{plural(FEWEST_FLIGHTS, 'time', 'times')} or more.",
    ]
    own = [
        one
        for one in ranked(result.differences)
        if one.of == "places" and result.labels[one.a] == result.labels[one.b] and one.measure == USABLE
    ]
    if own:
        most = max(own, key=lambda one: abs(one.difference))
        sentences.append(f"Two flights of one camera differed by up to {amount(most)} of usable places.")
    return sentences


def _reserve(result: Comparison, compared: Sequence[tuple[str, str]]) -> list[str]:
    """What the audit takes from it, and who freezes too much of the picture to be judged by what can be read."""
    frozen = {
        visible(result.labels[one.a if ahead(one) == "a" else one.b])
        for pair in compared
        for one in result.between(*pair)
        if one.withheld == SHARE_FROZEN and _would_matter(one)
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
