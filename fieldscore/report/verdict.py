"""What a comparison says, in plain words: which camera keeps more of what, for which flights, and with what reserve."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np

from fieldscore.compare_judge import SHARE_FROZEN, SLOW_MEASURES, ahead, judged
from fieldscore.comparison import USABLE, Comparison, Difference
from fieldscore.pairing import FEWEST_FLIGHTS
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
    "bloom_radius_percent": Wording("bloom", "blooms less around lamps or the sun", "of the picture's height"),
    "veil_percent": Wording("veil", "lays less veil over the picture", "of nominal white"),
}
# Named in the table only: they describe the recording and explain the others, but a pilot does not fly by them.
_EXPLAINING = frozenset({"occupied_range_stops", "frozen_percent", "level_percent"})
# To be told even where nothing differs
_FIRST = frozenset({USABLE, "zone_readable_percent", "crushed_percent", "clipped_percent"})
_LEADS = {"unsure": "Nothing is sure", "in part": "Not every pair of flights shows a sure difference"}
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
        f"{names[side]} {_does(better[side], found, result.criteria.confidence_percent)}"
        for side in _order(better)
        if better[side]
    ]
    known = [one.difference for one in found if math.isfinite(one.difference)]
    if known and not any(known):
        return f"No difference shown between {visible(first)} and {visible(second)}: they are the same at every place."
    pair = f"{visible(first)} and {visible(second)}"
    hints = _hints(result, pair, found)
    if told:
        return " ".join(["; ".join(told) + ".", *hints.values()])
    if not known and any(one.of == "flights" for one in found):
        return f"It could not be told which of {pair} is better: no place is shown by all of their flights."
    if "unsure" not in hints and all(one.interval is None for one in found if one.measure not in _EXPLAINING):
        apart = any(_would_matter(one) for one in found if one.measure not in _EXPLAINING)
        why = "too short. Fly longer, or more often" if apart else "too short or too even"
        return f"It could not be told which of {pair} is better: the route they share is {why}."
    if hints:
        lead = "" if next(iter(hints)) == "untold" else f"{_LEADS[next(iter(hints))]} between {pair}. "
        rest = " By the other measures that can be judged no difference is shown." if list(hints) == ["untold"] else ""
        return f"{lead}{' '.join(hints.values())}{rest}"
    explained = any(one.better is not None for one in agreed(found))
    where = " in what a pilot flies by" if explained else ""
    left = [
        wording(own[0].measure).title for own in _by_measure(found) if own[0].measure in _FIRST and not _any_told(own)
    ]
    but = f"; by {' and '.join(left)} it could not be told" if left else ""
    return f"No difference shown between {pair}{where}{but}."


def _by_measure(found: Sequence[Difference]) -> list[list[Difference]]:
    """What a pilot flies by, an entry a pair of flights, in the order in which a pilot cares.

    What no pair measured is left out, but for the headline, which nobody leaves out unsaid.
    """
    kept = [one for one in ranked(found) if one.measure not in _EXPLAINING]
    known = [one.measure for one in kept if one.measure == USABLE or math.isfinite(one.difference)]
    return [[one for one in kept if one.measure == name] for name in dict.fromkeys(known)]


def _measured(own: Sequence[Difference]) -> list[Difference]:
    """The pairs of flights that show a measure at places they share."""
    return [one for one in own if math.isfinite(one.difference)]


def _any_told(own: Sequence[Difference]) -> bool:
    """Whether any flights tell a measure: by an interval that may be judged, or as the same at every place."""
    return any((one.interval is not None and not one.withheld) or not one.difference for one in own)


def _by_noise(one: Difference) -> bool:
    """Whether a mistake in the noise of two single flights, which all places share, may be all of their difference."""
    return one.of == "places" and abs(one.difference) < SLOW_MEASURES.get(one.measure, 0.0)


def _hints(result: Comparison, pair: str, found: Sequence[Difference]) -> dict[str, str]:
    """Sentences on what falls short of a verdict, by their kind, what a pilot flies by first.

    One on the first measure by which a camera is ahead ("unsure", "in part": in part of the pairs of flights), one on the
    first that could not be told ("untold"). A few lamps or flashes are left out, whatever the flight.
    """
    hints: dict[str, str] = {}
    for own in _by_measure(found):
        sure, told = any(one.better is not None for one in own), ""
        if not {"unsure", "in part"} & set(hints):
            measured = _measured(own)
            told = _of_one(result, measured[0]) if len(measured) == 1 else _of_pairs(result, own)
            if told:
                hints["in part" if sure else "unsure"] = f"By {wording(own[0].measure).title} {told}"
        if sure and own[0].of == "places" and own[0].measure in SLOW_MEASURES:
            break  # of what can be read enough is told
        if not told and "untold" not in hints and (told := _untold(result, pair, own)):
            hints["untold"] = f"By {wording(own[0].measure).title} {told}"
    return hints


def _by(most: Difference, own: Sequence[Difference]) -> str:
    """By how much a side is ahead: shares against each other, of several pairs of flights the most."""
    if len(own) > 1:
        return f" by up to {amount(most)}"
    return f", {_shares(most)}" if most.unit == "share" else f" by {amount(most)}"


def _shares(one: Difference) -> str:
    """Two shares against each other, the higher first."""
    most, least = (share(mean) for mean in sorted((one.mean_a, one.mean_b), reverse=True))
    return f"{most} {wording(one.measure).amount} against {least}"


def _untold(result: Comparison, pair: str, own: Sequence[Difference]) -> str:
    """Why a measure could not be told; "" where it was, or where nobody misses it: but for the headline, what would not matter."""
    most = max(_measured(own) or own, key=lambda one: abs(one.difference))
    matters = most.worth is not None and abs(most.difference) >= most.worth
    if _any_told(own) or not (most.measure == USABLE or (matters and _by_noise(most) and not most.withheld)):
        return ""
    side = ahead(most)
    if most.withheld == SHARE_FROZEN and side and {ahead(one) for one in _measured(own)} <= {side, None}:
        name = _label(result, most, side)
        return f"{name} is ahead{_by(most, own)}, but that may be its coder, which freezes more of the picture."
    if most.withheld or not _by_noise(most):
        why = f"{most.withheld} differs" if most.withheld else most.reason or "no reason was given"
        return f"it could not be told which of {pair} is better: {why}."
    told = (
        f"single flights do not tell which of {pair} is better: this rests on the noise of each flight, and a mistake in that is "
        "the same at all places."
    )
    size = f"{'' if len(own) == 1 else 'up to '}{amount(most)}"
    return f"{told} Of the {size} between them, part or all may be such a mistake." if matters else told


def _of_one(result: Comparison, one: Difference) -> str:
    """Who is ahead by what would matter, were the flights not too short for an interval; "" where that cannot be said."""
    side = ahead(one)
    if one.of not in ("places", "flights") or one.interval is not None or _by_noise(one):
        return ""
    if side is None or one.withheld or not _would_matter(one):
        return ""
    held = f"{count(one.effective_samples)} independent samples{_places_won(result, one, side)}"
    return (
        f"{_label(result, one, side)} is ahead{_by(one, [one])}, but the flights are too short to be sure of that ({held}): "
        "fly longer, or more often."
    )


def _of_pairs(result: Comparison, own: Sequence[Difference]) -> str:
    """How many pairs of flights agree on a measure, and how many of them are sure; "" where too few are of one mind."""
    if agreed(own):
        return ""
    pairs = len(_measured(own))
    ahead_in = {side: [one for one in own if _counts_for(one) == side] for side in ("a", "b")}
    sure = {side: sum(one.better == side for one in ahead_in[side]) for side in ahead_in}
    side, other = sorted(ahead_in, key=lambda one: (sure[one], len(ahead_in[one])), reverse=True)
    same, against = ahead_in[side], len(ahead_in[other])
    if not sure[side] and 2 * len(same) <= pairs:
        return ""
    names = {one: _label(result, own[0], one) for one in ahead_in}
    of_pairs = " that measured it" if pairs < len(own) else ""
    if sure[side] and against:
        return (
            f"the pairs of flights contradict each other: {names[side]} is ahead in {len(same)} of {pairs}{of_pairs} (sure in "
            f"{sure[side]}), {names[other]} in {against} (sure in {sure[other] or 'none'})."
        )
    least, most = (amount(pick(same, key=lambda one: abs(one.difference))) for pick in (min, max))
    size = most if least == most else f"{least.split()[0]} to {most}"
    whole = "both" if pairs == 2 else f"all {pairs}"  # noqa: PLR2004 - the word for two
    among = f"{whole if len(same) == pairs else f'{len(same)} of {pairs}'} pairs of flights{of_pairs}"
    if not sure[side]:
        among += f" ({names[other]} in {against})" if against else ""
        end = ", but the flights are too short to be sure of that: fly longer, or more often."
    else:
        end = f"; {'that' if sure[side] == len(same) else f'in {sure[side]} of them that'} is sure and matters."
    return f"{names[side]} is ahead in {among}, by {size}{end}"


def _counts_for(one: Difference) -> str | None:
    """The side for which a pair of flights counts: the better one, or, without an interval, the one ahead by what would matter."""
    if one.better is not None:
        return one.better
    unsure = one.of == "places" and not _by_noise(one) and one.interval is None and not one.withheld
    return ahead(one) if unsure and _would_matter(one) else None


def _label(result: Comparison, one: Difference, side: str) -> str:
    return visible(result.labels[one.a if side == "a" else one.b])


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
    """One entry a measure on which all pairs of flights that measured it surely agree: the one that differs the least."""
    entries = []
    measured = _measured(found)
    for name in dict.fromkeys(one.measure for one in measured):
        own = [one for one in measured if one.measure == name]
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


def _does(entries: Sequence[Difference], found: Sequence[Difference], confidence: float) -> str:
    """What the better camera does, by the first of the `entries`, and which share of the pairs `found` measured it."""
    parts = []
    for entry in entries[:_MOST_NAMED]:
        what = wording(entry.measure)
        of = f" {what.amount}" if what.amount else ""
        own = [one for one in found if one.measure == entry.measure]
        pairs = len(_measured(own))
        part = f"; measured in {pairs} of {len(own)} pairs of flights" if pairs < len(own) else ""
        span = f"{confidence:g} % interval {interval_words(entry, size=True)}"
        if entry.unit == "share":
            parts.append(f"{what.does}: {_shares(entry)} ({span} points{part})")
        else:
            parts.append(f"{what.does}: {amount(entry)}{of} ({span}{part})")
    more = len(entries) - _MOST_NAMED
    return ", and ".join(parts) + (f", and is better in {more} more" if more > 0 else "")


def _scope(result: Comparison, compared: Sequence[tuple[str, str]]) -> list[str]:
    """For which flights it holds, and what to fly to know more."""
    few = [pair for pair in compared if all(one.of != "flights" for one in result.between(*pair))]
    left_out = [f"{visible(note[:1].upper() + note[1:])}." for note in result.notes if " is left out: " in note]
    if not few:
        counts = sorted({len(own) for pair in compared for own in result.groups[pair]})
        return [
            f"Each flight counts once, {' or '.join(map(str, counts))} of each camera: it holds for these cameras on this route.",
            *left_out,
        ]
    first, second = (visible(label) for label in few[0])
    sentences = [
        *left_out,
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
