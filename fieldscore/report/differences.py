"""How a difference between two cameras reads: the words of its measure, its size, its unit, its interval."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from fieldscore.compare_judge import (
    BY_CURVE,
    CURVE_LEAVES,
    CURVE_TAKES,
    IN_NOISE,
    MORE_NOISE,
    NOISE_UNKNOWN,
    least_by_curve,
)
from fieldscore.comparison import USABLE, Comparison, Difference
from fieldscore.fairness import PICTURE_SHAPE
from fieldscore.report.words import number, share, visible

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
EXPLAINING = frozenset({"occupied_range_stops", "frozen_percent", "level_percent"})
# To be told even where nothing differs
FIRST = frozenset({USABLE, "zone_readable_percent", "crushed_percent", "clipped_percent"})


def wording(name: str) -> Wording:
    """The words of a measure; one that has none of its own is named as it is."""
    plain = name.rsplit("_percent", 1)[0].replace("_", " ")
    return WORDINGS.get(name) or Wording(plain, f"is better in {plain}", "")


def ranked(found: Sequence[Difference]) -> list[Difference]:
    """Differences in the order in which a pilot cares; unknown measures last, as they came."""
    order = {name: rank for rank, name in enumerate(WORDINGS)}
    return sorted(found, key=lambda one: order.get(one.measure, len(order)))


def agreed(found: Sequence[Difference]) -> list[Difference]:
    """One entry a measure on which all pairs of flights that measured it surely agree: the one that differs the least."""
    entries = []
    measured = measured_in(found)
    for name in dict.fromkeys(one.measure for one in measured):
        own = [one for one in measured if one.measure == name]
        sides = {one.better for one in own}
        if len(sides) == 1 and None not in sides:
            entries.append(min(own, key=lambda one: abs(one.difference)))
    return ranked(entries)


def measured_in(own: Sequence[Difference]) -> list[Difference]:
    """The pairs of flights that show a measure at places they share."""
    return [one for one in own if math.isfinite(one.difference)]


def label_of(result: Comparison, one: Difference, side: str) -> str:
    """The label of the side "a" or "b" of a difference, fit to be shown."""
    return visible(result.labels[one.a if side == "a" else one.b])


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


def under_another_curve(one: Difference) -> str:
    """What is left of a difference under the tone curve that leaves least of it; "" where that is most of it, or is not known."""
    return f"under another tone curve {told}" if (told := _left_by_curve(one)) else ""


def _left_by_curve(one: Difference) -> str:
    """Both figures, the one ahead first, under the tone curve that leaves least of the difference; "" where that is most of it."""
    if one.at_ends is None or least_by_curve(one) >= CURVE_LEAVES * abs(one.difference):
        return ""
    sign = math.copysign(1.0, one.difference)
    first, second = min(one.at_ends, key=lambda ends: sign * (ends[1] - ends[0]))
    ahead, behind = (second, first) if sign > 0.0 else (first, second)
    told = [share(mean) if one.unit == "share" else number(mean, one.unit) for mean in (ahead, behind)]
    return f"{told[0]} against {told[1]}"


def why_withheld(one: Difference) -> str:
    """What forbids to judge a difference: a reason, or what the flights differ in."""
    if one.withheld == CURVE_TAKES and (left := _left_by_curve(one)):
        return f"{one.withheld} ({left})"
    if one.withheld == PICTURE_SHAPE:
        return "their pictures are not of one shape"
    reasons = (IN_NOISE, MORE_NOISE, NOISE_UNKNOWN, *BY_CURVE)
    return f"{one.withheld}{'' if one.withheld in reasons else ' differs'}"


def shares(one: Difference) -> str:
    """Two shares against each other, the higher first."""
    most, least = (share(mean) for mean in sorted((one.mean_a, one.mean_b), reverse=True))
    return f"{most} {wording(one.measure).amount} against {least}"
