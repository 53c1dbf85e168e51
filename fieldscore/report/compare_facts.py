"""What the comparison says, for the page and for paper: the same rows, words and pictures in both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import numpy as np

from fieldscore.align import Alignment
from fieldscore.comparison import Comparison, Difference, PairAlignment, PairedPlaces
from fieldscore.report.comparison import judgement
from fieldscore.report.differences import amount, interval_words, ranked, wording
from fieldscore.report.verdict import verdict_parts
from fieldscore.report.words import count, number, plural, seconds, share, visible
from fieldscore.score import Score
from fieldscore.showing import Shown

Pictures = Mapping[tuple[int, float], bytes]  # JPEG files by number of the flight and time in it
_MOST_PAIRS = 3  # pairs of cameras drawn in full; the others are in comparison.json
_MOST_REPEATED = 5  # measures in the table of repeats
_JPEG = b"\xff\xd8\xff"
GROUPS = {
    "different": ("Where they differ most", "Chosen by the largest difference, in units of the smallest that matters."),
    "random": ("Drawn at random", "So that nobody chose them."),
}
HOW_ALONG = (
    "Both flights against the way along the route, not against time: the same place stands above the same place, "
    "however fast it was passed. Gaps are places of one that were not found in the other."
)
HOW_REPEATED = (
    "The same camera flown again, place by place: what differs here is the flying, the light and chance, not the camera. "
    "A difference between cameras that is no larger than these tells nothing."
)
# Where the difference of a row is not that of the two figures beside it
_MIDDLES = {
    "lamps": "; the difference is taken lamp by lamp, the figures are medians",
    "events": "; the difference is taken of each with each, the figures are medians",
}
_LAMP_BY_LAMP = (
    "Lamps are compared one by one: the figures of lamp pull-down are medians over the lamps that both counted, its difference is "
    "the middle of theirs lamp by lamp, which need not be the difference of the medians."
)
UNTOLD = (
    "Nobody can tell from a recording whether the weather, the sun, the lamps, the battery and the distance to the receiver "
    "were the same: fly both within minutes, in turns."
)


def whole(result: Comparison) -> dict[str, Any]:
    """What is said of the comparison as a whole, by the names of the page's template."""
    lead, scope = verdict_parts(result)
    measures = len({one.measure for one in result.differences})
    confidence = result.criteria.confidence_percent
    return {
        "title": " and ".join(visible(label) for label in result.cameras),
        "facts": _facts(result),
        "lead": lead,
        "scope": scope,
        "failed": sum(not one.ok for one in result.checks),
        "checks": [
            {"check": visible(one.check), "ok": one.ok, "detail": visible(one.detail), "then": one.then}
            for one in result.checks
        ],
        "how_judged": f"Each line spans the {confidence:g} % interval. Filled: one camera is better, the interval leaves zero "
        "out and the difference matters. Hollow: no difference shown, or too small to matter. Hollow without a line: no interval. "
        "Crossed: not judged. The last column of the table says why. In the grey band a difference is too small to matter.",
        "repeats": repeats(result),
        "flights": [flight_row(label, score) for label, score in zip(result.labels, result.scores, strict=True)],
        "alignments": [alignment_row(one) for one in result.alignments],
        "notes": [visible(note) for note in result.notes],
        "many_measures": f"{plural(measures, 'measure was', 'measures were')} compared: by chance alone about one in "
        f"{round(100 / max(100 - confidence, 0.1))} would show a difference that is not there, so trust what several of them "
        "say together."
        if measures
        else None,
    }


def _facts(result: Comparison) -> str:
    """What was compared, and how."""
    count = plural(len(result.scores), "flight", "flights")
    together = len(result.scores) - len(result.strangers)
    if not together:
        return f"{count}, none of which could be compared with another"
    if result.strangers:
        return f"{count}, {together} of them of one route and compared place by place"
    return f"{count} of one route, compared place by place"


def picture_of(score: Score, flight: int, time_s: float, pictures: Pictures) -> tuple[bytes | None, float]:
    """The JPEG picture of flight number `flight` at a moment, else the nearest small one; None without, and its time (s)."""
    data, taken_s = pictures.get((flight, time_s)), time_s
    if data is None or not data.startswith(_JPEG):
        times = score.record.evidence.thumb_time_s
        data = None
        if len(times):
            nearest = int(np.argmin(np.abs(times - time_s)))
            data, taken_s = score.record.evidence.thumbs[nearest], float(times[nearest])
    return (data if data is not None and data.startswith(_JPEG) else None), taken_s


def place_words(places: PairedPlaces, one: Shown) -> tuple[str, str]:
    """Where along the route a shown place is, and what the flights differ in there."""
    way = f"{seconds(float(places.place_s[one.place]))} along the route"
    return way, f"{wording(one.measure or '').title}: {number(one.of_a, '%')} and {number(one.of_b, '%')}"


def matched(found: Alignment) -> str:
    """How much of two flights was matched, and how surely."""
    return f"{share(found.overlap_share)} of the shorter flight is matched, confidence {found.confidence:.2f}."


def camera_pairs(result: Comparison) -> list[tuple[str, str]]:
    """Every two cameras that were compared, as many as a report draws."""
    pairs = [pair for pair in combinations(result.cameras, 2) if result.between(*pair)]
    return pairs[:_MOST_PAIRS]


def own_differences(result: Comparison, places: PairedPlaces) -> list[Difference]:
    """The differences of one pair of flights."""
    return [one for one in result.differences if one.of == "places" and (one.a, one.b) == (places.a, places.b)]


def counted(result: Comparison, cameras: tuple[str, str]) -> str:
    """What a pair of cameras was judged from."""
    found = result.between(*cameras)
    if any(one.of == "flights" for one in found):
        n = [len(own) for own in result.groups[cameras]]
        return (
            f"Means of {n[0]} and {n[1]} flights over the places that all of them show; the flight is what is counted."
        )
    pairs = len({(one.a, one.b) for one in found if one.of == "places"})
    several = f" {pairs} pairs of flights: one mark each." if pairs > 1 else ""
    lamps = f" {_LAMP_BY_LAMP}" if any(one.of == "lamps" for one in found) else ""
    return f"Differences place by place of single flights.{several}{lamps}"


def forest_rows(found: Sequence[Difference]) -> list[tuple[str, str, Sequence[Difference]]]:
    """A row a measure that has a better direction: its title, the difference in words, its entries."""
    rows: list[tuple[str, str, Sequence[Difference]]] = []
    for name in dict.fromkeys(one.measure for one in found):
        own = [one for one in found if one.measure == name]
        if own[0].direction == "neither" or not own[0].worth:
            continue
        told = amount(own[0], signed=True) if len(own) == 1 else f"{plural(len(own), 'pair', 'pairs')} of flights"
        if len(own) == 1 and own[0].interval:
            told += f" ({interval_words(own[0])})"
        rows.append((wording(name).title, told, own))
    return rows


def row_of(result: Comparison, one: Difference) -> dict[str, Any]:
    """A difference as the cells of its row; of one that could not be told, the reason alone."""
    told = bool(np.isfinite(one.difference))
    scale, unit = (100.0, "%") if one.unit == "share" else (1.0, one.unit)
    judged = judgement(result, one).partition("; ")[2] if one.interval else judgement(result, one)
    spread = "" if one.spread is None else " and ".join(number(scale * value) for value in one.spread)
    return {
        "title": wording(one.measure).title,
        "name": one.measure,
        "key": f"differences.{result.differences.index(one)}.difference",
        "value": one.difference if told else "",
        "of_a": number(scale * one.mean_a, unit) if told else "–",
        "of_b": number(scale * one.mean_b, unit) if told else "–",
        "difference": amount(one, signed=True) if told else "–",
        "interval": interval_words(one) or "–",
        "samples": count(one.effective_samples) if told else "–",
        "flights": f"{one.a + 1} and {one.b + 1}" if one.of in ("places", "lamps") else "all",
        "spread": spread,
        "judgement": f"{judged}{_MIDDLES.get(one.of, '')}" if told else judged,
    }


def repeats(result: Comparison) -> list[dict[str, Any]]:
    """What flights of one camera differ by, a row a pair of flights, in the measures that a verdict names first."""
    rows = []
    for places in result.places:
        if result.labels[places.a] != result.labels[places.b]:
            continue
        found = ranked(own_differences(result, places))[:_MOST_REPEATED]
        rows.append(
            {
                "camera": visible(result.labels[places.a]),
                "flights": f"{places.a + 1} and {places.b + 1}",
                "names": [wording(one.measure).title for one in found],
                "texts": [amount(one, signed=True) for one in found],
            }
        )
    return rows


def alignment_of(result: Comparison, places: PairedPlaces) -> tuple[Alignment, bool]:
    """The alignment of a pair of flights, and whether its flights are the other way about there."""
    ends = (min(places.a, places.b), max(places.a, places.b))
    return next(one.found for one in result.alignments if (one.a, one.b) == ends), places.a > places.b


def alignment_row(one: PairAlignment) -> dict[str, str]:
    """How two flights go together, in words."""
    told = "too short" if one.found.too_short else "not sure" if one.found.doubtful else "no"
    told = "yes" if one.found.same_route else told
    reason = one.found.reason or ("" if one.found.same_route else "no reason was given")
    return {
        "pair": f"{one.a + 1} and {one.b + 1}",
        "same": f"{told}: {visible(reason)}" if reason else told,
        "confidence": f"{one.found.confidence:.2f}",
        "overlap": share(one.found.overlap_share),
    }


def file_of(score: Score) -> str:
    """The name of the first file of a flight."""
    return visible((score.record.clip.files or (score.record.name,))[0])


def flight_row(label: str, score: Score) -> dict[str, str]:
    """A flight as the cells of its row."""
    clip = score.record.clip
    return {
        "label": visible(label),
        "file": file_of(score),
        "airtime": seconds(score.airtime_s),
        "usable": share(score.usable.share),
        "recording": f"{clip.width} × {clip.height} px, {clip.frame_rate:.4g} frames/s, {visible(clip.codec)}",
    }
