"""What makes one of two cameras better by a difference, and what forbids to say so. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from fieldscore.comparison import USABLE, Check, Difference
from fieldscore.criteria import Criteria
from fieldscore.fairness import RANGE_MEASURES
from fieldscore.measure import Better
from fieldscore.pairing import FEWEST_FLIGHTS
from fieldscore.score import Score
from fieldscore.units import CodeRange, code_to_level, to_linear

# Measures that rest on the camera's noise over the flight: a mistake in it lasts, and the places of a short flight share it. Of
# their difference so much may be such a mistake (shares are off by 8 points in the mean, usable time by up to 35: of two pairs of
# another simulator that differ by nothing). Noise itself: of such flights by up to 0.54 % (docs/decisions/noise_of_one_camera.py).
SLOW_MEASURES = {
    "readable_percent": 15.0, "zone_readable_percent": 15.0, "zone_noisy_percent": 15.0, "noise_percent": 0.6, USABLE: 0.4,
}  # fmt: skip
# Of a difference of shares so much must be left under every tone curve: a lead that is mostly the curve's is not the camera's. Not
# of usable places, each of which is one or is not: under a kind curve nearly all are, whatever the lead.
CURVE_LEAVES = 0.5
# Standard deviations that the first percentile of noise lies under its mean: normal distribution
FIRST_PERCENTILE = 2.33
SHARE_FROZEN = "share frozen"
IN_NOISE = "the dark end is within the noise"
MORE_NOISE = "more noise may be all that widens it"
NOISE_UNKNOWN = "noise at the dark end is not known"
CURVE_TURNS = "another tone curve turns it"
CURVE_TAKES = "under another tone curve too little of the difference is left"
BY_CURVE = (CURVE_TURNS, CURVE_TAKES)


def worth_of(name: str, unit: str, criteria: Criteria) -> float | None:
    """The smallest difference worth caring about, in the measure's unit; None where nobody said."""
    if name == USABLE:
        return criteria.worth_usable_percent / 100.0
    if name == "noise_percent":
        return criteria.worth_noise_percent
    return {"%": criteria.worth_picture_percent, "stop": criteria.worth_stops, "s": criteria.worth_seconds}.get(unit)


def welch(
    first: Sequence[float], second: Sequence[float], confidence: float
) -> tuple[float, tuple[float, float] | None]:
    """Difference of the means of two sets and its interval, spreads not taken as equal; None where none differs.

    Welch, Biometrika 34:28 (1947), with the degrees of freedom of Satterthwaite (1946). ValueError under two values.
    """
    if min(len(first), len(second)) < 2:  # noqa: PLR2004 - one value has no spread
        raise ValueError("Welch's interval needs two values on each side")
    shift = float(np.mean(second) - np.mean(first))
    parts = [float(np.var(one, ddof=1)) / len(one) for one in (first, second)]
    total = sum(parts)
    if not total > 0.0:
        return shift, None
    degrees = total**2 / sum(part**2 / (len(one) - 1) for part, one in zip(parts, (first, second), strict=True))
    half = float(stdtrit(degrees, 0.5 + confidence / 2.0)) * math.sqrt(total)
    return shift, (shift - half, shift + half)


def judged(
    change: float, interval: tuple[float, float] | None, direction: Better, worth: float | None
) -> Literal["a", "b"] | None:
    """Which of the two is better: only where the interval excludes zero and the change is worth caring about."""
    if interval is None or worth is None or direction == "neither" or interval[0] <= 0.0 <= interval[1]:
        return None
    if abs(change) < worth:
        return None
    return "b" if (change > 0.0) is (direction == "higher") else "a"


def would_matter(entry: Difference) -> bool:
    """Whether a difference is worth a word, were it not withheld: sure and worth caring about, or too large to be left unsaid.

    What rests on noise must differ by more than a mistake in that makes, where no interval holds it.
    """
    if entry.interval is None and entry.worth:
        return abs(entry.difference) >= _matters_from(entry)
    return judged(entry.difference, entry.interval, entry.direction, entry.worth) is not None


def _matters_from(entry: Difference) -> float:
    """The smallest difference without an interval that is worth a word."""
    return max(entry.worth or 0.0, SLOW_MEASURES.get(entry.measure, 0.0))


def over_flights(entry: Difference, values: Sequence[Sequence[float]], criteria: Criteria) -> Difference:
    """The entry with what a figure a flight of each camera says: difference of the means, Welch's interval, spreads.

    As it is but for its `n` where one camera has fewer than `FEWEST_FLIGHTS` figures.
    """
    first, second = values
    if min(len(first), len(second)) < FEWEST_FLIGHTS:
        return replace(entry, n=(len(first), len(second)))
    shift, interval = welch(first, second, criteria.confidence_percent / 100.0)
    return replace(
        entry,
        difference=shift,
        interval=interval,
        effective_samples=float(len(first) + len(second)),
        mean_a=float(np.mean(first)),
        mean_b=float(np.mean(second)),
        n=(len(first), len(second)),
        spread=(float(np.std(first, ddof=1)), float(np.std(second, ddof=1))),
        reason=None if interval else "no flight differs from another of its camera",
    )


def with_verdict(entry: Difference, criteria: Criteria, checks: Sequence[Check]) -> Difference:
    """The entry with what is worth caring about, which is better, and what forbids to say so."""
    worth = worth_of(entry.measure, entry.unit, criteria)
    withheld = next((one.check for one in checks if not one.ok and entry.measure in one.withholds), None)
    better = None if withheld else judged(entry.difference, entry.interval, entry.direction, worth)
    return replace(entry, worth=worth, better=better, withheld=withheld)


def withheld_by_others(
    found: Sequence[Difference], scores: Sequence[Score], cameras: Sequence[Sequence[int]], criteria: Criteria
) -> list[Difference]:
    """The differences, with none judged that another measure of the same flights may have brought about.

    `cameras`: the flights of each of the two that take part; none where only single flights were compared.

    The range: what is crushed stands at the floor, whatever its light, and noise about the dark end goes further down than any
    light there; both stretch it for the camera that is ahead by it, and show nothing: what is left of its lead without the noise
    that it has more must matter. What rests on noise: a coder that freezes blocks fakes silence, and smooths away with it what
    was to be read. What rests on the tone curve, which nobody knows: the other camera may be ahead under another, or too little is
    left of the lead. Withheld is what would matter, with an interval or without.
    """
    other = {(one.measure, one.a, one.b, one.of): one for one in found}
    worth = criteria.worth_picture_percent

    def beside(one: Difference, name: str) -> Difference | None:
        return other.get((name, one.a, one.b, one.of))

    def dark_end(one: Difference, side: str) -> str | None:
        first, second = cameras if one.of == "flights" else ([one.a], [one.b])
        own, others = (first, second) if side == "a" else (second, first)
        # One flight that noise stretched moves the mean of its camera, and with it the verdict
        unsure = next((reason for n in own if (reason := _dark_end_unsure(scores[n]))), None)
        return unsure or _noise_widens(one, [scores[n] for n in own], [scores[n] for n in others])

    def why(one: Difference) -> str | None:
        side = ahead(one)
        if side is None or one.withheld:
            return one.withheld
        crushed, frozen = (
            (entry.difference if (entry := beside(one, name)) else 0.0) * (1.0 if side == "b" else -1.0)
            for name in ("crushed_percent", "frozen_percent")
        )
        if one.measure in SLOW_MEASURES and frozen > worth:
            return SHARE_FROZEN
        if not would_matter(one):
            return None
        # What is lost to noise is what cannot be read: the curve moves both alike, and is known of what can be read
        rests_on = beside(one, "zone_readable_percent") if one.measure == "zone_noisy_percent" else one
        if rests_on and ahead(rests_on) == side and (reason := _curve_forbids(one, least_by_curve(rests_on))):
            return reason
        if one.measure not in RANGE_MEASURES:
            return None
        return "share crushed" if crushed > worth else dark_end(one, side)

    return [replace(one, better=None, withheld=reason) if (reason := why(one)) else one for one in found]


def ahead(one: Difference) -> Literal["a", "b"] | None:
    """Which side has the better figure, sure or not; None where they are equal, not known, or neither way is better."""
    if one.direction == "neither" or not abs(one.difference) > 0.0:
        return None
    return "b" if (one.difference > 0.0) is (one.direction == "higher") else "a"


def least_by_curve(one: Difference) -> float:
    """What is left of a difference under the tone curve that leaves the least of it; negative where it turns, inf if not known."""
    if one.at_ends is None:
        return math.inf
    return min(math.copysign(1.0, one.difference) * (second - first) for first, second in one.at_ends)


def unlike_curves(one: Difference) -> float:
    """What is left of a difference were the curve the kindest for the camera behind and the harshest for the one ahead."""
    if one.at_ends is None:
        return math.inf
    (first_least, second_least), (first_most, second_most) = one.at_ends
    return second_least - first_most if one.difference > 0.0 else first_least - second_most


def _curve_forbids(one: Difference, left: float) -> str | None:
    """What another tone curve, under which `left` is left of a difference, forbids to say of it."""
    if left <= -(one.worth or 0.0):
        return CURVE_TURNS
    least = _matters_from(one) if one.interval is None else one.worth or 0.0
    if one.measure != USABLE:
        least = max(least, CURVE_LEAVES * abs(one.difference))
    return CURVE_TAKES if left < least else None


def _noise_widens(one: Difference, ahead_by_it: Sequence[Score], others: Sequence[Score]) -> str | None:
    """Why what is left of a lead by range, without the noise that some flights have more than others, may not matter.

    Noise of the sensor is the same in light wherever the picture is dark, and the tone curve lifts it there: measured at the middle
    of the picture, in light, it swings `FIRST_PERCENTILE` times as far down from the darkest. Flights of the
    `others` whose noise is not known do not count, and without any that is, the lead must stand even if they have none. One ahead
    has withheld the verdict before.
    """
    known, theirs = (
        [_in_light(*found, score.criteria.transfer_curve) for score in flights if (found := _dark_end(score))]
        for flights in (ahead_by_it, others)
    )
    dark, noise = np.mean(known, axis=0)
    more = FIRST_PERCENTILE * (noise - (np.mean(theirs, axis=0)[1] if theirs else 0.0))
    if not more > 0.0 or abs(one.difference) - math.log2(1.0 + more / dark) >= (one.worth or 0.0):
        return None
    return MORE_NOISE if theirs else NOISE_UNKNOWN


def _in_light(dark: float, middle: float, noise: float, curve: str) -> tuple[float, float]:
    """The light of the darkest percent, and noise in light at the middle (white is 1), of levels in % over the floor."""
    lifted = to_linear(np.array([dark, middle + noise / 2.0, middle - noise / 2.0]) / 100.0, curve)
    return float(lifted[0]), float(lifted[1] - lifted[2])


def _dark_end(score: Score) -> tuple[float, float, float] | None:
    """A flight's darkest percent and middle over its floor, and its noise, in % of nominal; None if mostly not known."""
    timeline, clip = score.record.timeline, score.record.clip
    levels = np.array([timeline[name][score.in_airtime] for name in ("p1_percent", "p50_percent", "noise_percent")])
    known = np.isfinite(levels).all(axis=0)
    if 2 * np.count_nonzero(known) <= known.size:
        return None
    dark, middle, noise = np.median(levels[:, known], axis=1).tolist()
    floor = float(code_to_level(clip.floor_code, CodeRange(clip.code_range), clip.bits))
    return dark - floor, middle - floor, noise


def _dark_end_unsure(score: Score) -> str | None:
    """Why a flight's darkest percent may be noise: nearer to the floor than noise alone swings, or with noise mostly not known."""
    found = _dark_end(score)
    if found is None:
        return NOISE_UNKNOWN
    dark, _, noise = found
    return IN_NOISE if dark < FIRST_PERCENTILE * noise else None
