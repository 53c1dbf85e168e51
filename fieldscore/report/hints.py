"""What falls short of a verdict: who is ahead without being sure of it, and by what it could not be told."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fieldscore.compare_judge import (
    BY_CURVE,
    SHARE_FROZEN,
    SLOW_MEASURES,
    ahead,
    least_by_curve,
    would_matter,
)
from fieldscore.comparison import USABLE, Comparison, Difference
from fieldscore.report.differences import (
    EXPLAINING,
    agreed,
    amount,
    label_of,
    measured_in,
    ranked,
    shares,
    under_another_curve,
    why_withheld,
    wording,
)
from fieldscore.report.words import count

_EVEN = "so how sure that is does not show, and a longer flight would not tell either. Fly each camera more often."


def by_measure(found: Sequence[Difference]) -> list[list[Difference]]:
    """What a pilot flies by, an entry a pair of flights, in the order in which a pilot cares.

    What no pair measured is left out, but for the headline, which nobody leaves out unsaid.
    """
    kept = [one for one in ranked(found) if one.measure not in EXPLAINING]
    known = [one.measure for one in kept if one.measure == USABLE or math.isfinite(one.difference)]
    return [[one for one in kept if one.measure == name] for name in dict.fromkeys(known)]


def any_told(own: Sequence[Difference]) -> bool:
    """Whether any flights tell a measure: by an interval that may be judged, or as the same at every place."""
    return any(not one.withheld and (one.interval is not None or not one.difference) for one in own)


def by_noise(one: Difference) -> bool:
    """Whether a mistake in the noise of two single flights, which all places share, may be all of their difference."""
    return one.of == "places" and abs(one.difference) < SLOW_MEASURES.get(one.measure, 0.0)


def shortfalls(result: Comparison, pair: str, found: Sequence[Difference]) -> dict[str, str]:
    """Sentences on what falls short of a verdict, by their kind, what a pilot flies by first.

    Every measure by which a camera is surely ahead in part of the pairs of flights ("in part"), else the first by which one is
    ahead at all ("unsure"), and the first that could not be told ("untold"). A few lamps or flashes are left out, whatever the
    flight.
    """
    hints: dict[str, str] = {}
    in_part: list[tuple[list[Difference], str]] = []
    enough = False  # is told of what can be read
    for own in by_measure(found):
        sure, told = any(one.better is not None for one in own), ""
        if sure or not (enough or in_part or "unsure" in hints):
            measured = measured_in(own)
            told = _of_one(result, measured[0]) if len(measured) == 1 else _of_pairs(result, own)
            if told and sure:
                in_part.append((own, told))
            elif told:
                hints["unsure"] = f"By {wording(own[0].measure).title} {told}"
        enough = enough or (sure and own[0].of == "places" and own[0].measure in {*SLOW_MEASURES} - {"noise_percent"})
        if not (told or enough) and "untold" not in hints and (told := _untold(result, pair, own)):
            hints["untold"] = f"By {wording(own[0].measure).title} {told}"
    return {"in part": _all_in_part(result, in_part), **hints} if in_part else hints


def _all_in_part(result: Comparison, in_part: Sequence[tuple[list[Difference], str]]) -> str:
    """What is sure in part of the pairs of flights: of each camera the first measure in full, the others by name."""
    full: list[str] = []
    others: dict[str, list[str]] = {}
    for own, told in in_part:
        title, sides = wording(own[0].measure).title, {side for one in own if (side := _counts_for(one))}
        side = next(iter(sides)) if len(sides) == 1 else None
        if side is None or side not in others:
            full.append(f"By {title} {told}")
        else:
            others[side].append(title)
        if side:
            others.setdefault(side, [])
    named = [f"{label_of(result, in_part[0][0][0], side)} by {', '.join(own)}" for side, own in others.items() if own]
    return " ".join([*full, *([f"Sure in part of the pairs, too: {'; '.join(named)}."] if named else [])])


def _by(most: Difference, own: Sequence[Difference]) -> str:
    """By how much a side is ahead: shares against each other, of several pairs of flights the most."""
    if len(own) > 1:
        return f" by up to {amount(most)}"
    return f", {shares(most)}" if most.unit == "share" else f" by {amount(most)}"


def _untold(result: Comparison, pair: str, own: Sequence[Difference]) -> str:
    """Why a measure could not be told; "" where it was, or where nobody misses it: but for the headline, what would not matter."""
    most = max(measured_in(own) or own, key=lambda one: abs(one.difference))
    matters = most.worth is not None and abs(most.difference) >= most.worth
    missed = most.measure == USABLE or most.withheld in BY_CURVE or (matters and by_noise(most) and not most.withheld)
    if any_told(own) or not missed:
        return ""
    side = ahead(most)
    if most.withheld == SHARE_FROZEN and side and {ahead(one) for one in measured_in(own)} <= {side, None}:
        name = label_of(result, most, side)
        return f"{name} is ahead{_by(most, own)}, but that may be its coder, which freezes more of the picture."
    if most.withheld or not by_noise(most):
        why = why_withheld(most) if most.withheld else most.reason or "no reason was given"
        return f"it could not be told which of {pair} is better: {why}."
    told = f"single flights do not tell which of {pair} is better: "
    if most.measure == "noise_percent":
        return f"{told}two flights of one camera may differ by as much."
    told += (
        "what can be read is worked out from how noisy each flight is, and where that is a little off, it is off all along the "
        "flight."
    )
    size = f"{'' if len(own) == 1 else 'up to '}{amount(most)}"
    return f"{told} The {size} between them may be nothing else." if matters else told


def _of_one(result: Comparison, one: Difference) -> str:
    """Who is ahead by what would matter, were the flights not too short for an interval; "" where that cannot be said."""
    side = ahead(one)
    if one.of not in ("places", "flights") or one.interval is not None or by_noise(one):
        return ""
    if side is None or one.withheld or not would_matter(one):
        return ""
    leads = f"{label_of(result, one, side)} is ahead{_by(one, [one])}"
    if _even(one):
        return f"{leads}, by the same at all {one.n[0]} places: {_EVEN}"
    if math.isnan(one.effective_samples):
        return f"{leads}, but one place says too little to be sure of that: fly longer, or more often."
    held = f"{count(one.effective_samples)} independent samples{_places_won(result, one, side)}"
    return f"{leads}, but the flights are too short to be sure of that ({held}): fly longer, or more often."


def _even(one: Difference) -> bool:
    """Whether there is no interval since the difference is the same at every place."""
    return one.of == "places" and math.isnan(one.effective_samples) and one.n[0] > 1


def _of_pairs(result: Comparison, own: Sequence[Difference]) -> str:
    """How many pairs of flights agree on a measure, and how many of them are sure; "" where too few are of one mind."""
    if agreed(own):
        return ""
    pairs = len(measured_in(own))
    ahead_in = {side: [one for one in own if _counts_for(one) == side] for side in ("a", "b")}
    sure = {side: sum(one.better == side for one in ahead_in[side]) for side in ahead_in}
    side, other = sorted(ahead_in, key=lambda one: (sure[one], len(ahead_in[one])), reverse=True)
    same, against = ahead_in[side], len(ahead_in[other])
    if not sure[side] and 2 * len(same) <= pairs:
        return ""
    names = {one: label_of(result, own[0], one) for one in ahead_in}
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
        short = "but the flights are too short to be sure of that: fly longer, or more often."
        end = f", in each by the same at all places: {_EVEN}" if all(map(_even, same)) else f", {short}"
    else:
        end = f"; {'that' if sure[side] == len(same) else f'in {sure[side]} of them that'} is sure and matters"
        rests = under_another_curve(min(same, key=least_by_curve))
        end += f", but {rests}." if rests else "."
    return f"{names[side]} is ahead in {among}, by {size}{end}"


def _counts_for(one: Difference) -> str | None:
    """The side for which a pair of flights counts: the better one, or, without an interval, the one ahead by what would matter."""
    if one.better is not None:
        return one.better
    unsure = one.of == "places" and not by_noise(one) and one.interval is None and not one.withheld
    return ahead(one) if unsure and would_matter(one) else None


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
