"""The comparison report: one HTML file that shows what differs, where, how sure, and whether it was fair."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from fieldscore.comparison import Comparison, Difference, PairAlignment, PairedPlaces
from fieldscore.plots import NARROW, WIDE, along_svg, forest_svg, path_svg
from fieldscore.report.cautions import CAUTIONS
from fieldscore.report.comparison import judgement
from fieldscore.report.html import environment
from fieldscore.report.instrument import policy, script
from fieldscore.report.together import at_places
from fieldscore.report.track import track_data
from fieldscore.report.verdict import amount, interval_words, ranked, verdict_parts, wording
from fieldscore.report.words import count, moment, number, plural, seconds, share, visible
from fieldscore.score import Score
from fieldscore.showing import Shown, main_pair, shown_places

Pictures = Mapping[tuple[int, float], bytes]  # JPEG files by number of the flight and time in it
_MOST_PAIRS = 3  # pairs of cameras drawn in full; the others are in comparison.json
_MOST_REPEATED = 5  # measures in the table of repeats
_JPEG = b"\xff\xd8\xff"
_GROUPS = {
    "different": ("Where they differ most", "Chosen by the largest difference, in units of the smallest that matters."),
    "random": ("Drawn at random", "So that nobody chose them."),
}
_FEWEST_PLACES = 2  # a timeline goes from one place to another
_HATCH_LINES = 480.0  # lines of a picture at which the hatch has its own size


class Side(NamedTuple):
    """One of two pictures: whose, when, the picture as a data URI ("" without one), and its unreadable tiles as a path."""

    side: str
    label: str
    at: str
    uri: str
    tiles: str
    width: int
    height: int


def evidence_moments(result: Comparison) -> dict[int, list[float]]:
    """The moments (s) of each flight, by its number, of which the report shows pictures."""
    wanted: dict[int, set[float]] = {}
    for first, second in _camera_pairs(result):
        places = main_pair(result, first, second)
        if places is None:
            continue
        for one in shown_places(places, _own(result, places)):
            wanted.setdefault(places.a, set()).add(one.time_a_s)
            wanted.setdefault(places.b, set()).add(one.time_b_s)
    return {number: sorted(times) for number, times in wanted.items()}


def render_comparison(result: Comparison, pictures: Pictures) -> str:
    """The report; `pictures` are larger ones where the video is there, else the small ones saved with the flights do."""
    checks = [
        {"check": visible(one.check), "ok": one.ok, "detail": visible(one.detail), "then": one.then}
        for one in result.checks
    ]
    lead, scope = verdict_parts(result)
    measures = len({one.measure for one in result.differences})
    return (
        environment()
        .get_template("compare.html.j2")
        .render(
            title=" and ".join(visible(label) for label in result.cameras),
            facts=f"{plural(len(result.scores), 'flight', 'flights')} of one route, compared place by place",
            lead=lead,
            scope=scope,
            failed=sum(not one.ok for one in result.checks),
            checks=checks,
            confidence=f"{result.criteria.confidence_percent:g}",
            hatch_scale=f"{max(score.record.clip.height for score in result.scores) / _HATCH_LINES:.2f}",
            pairs=[_pair(result, first, second, pictures) for first, second in _camera_pairs(result)],
            repeats=_repeats(result),
            flights=[_flight(label, score) for label, score in zip(result.labels, result.scores, strict=True)],
            alignments=[_alignment(one) for one in result.alignments],
            notes=[visible(note) for note in result.notes],
            many_measures=f"{plural(measures, 'measure was', 'measures were')} compared: by chance alone about one in "
            f"{round(100 / max(100 - result.criteria.confidence_percent, 0.1))} would show a difference that is not there, so "
            "trust what several of them say together.",
            cautions=CAUTIONS,
            policy=policy(),
            script=script(),
        )
    )


def _camera_pairs(result: Comparison) -> list[tuple[str, str]]:
    pairs = [pair for pair in combinations(result.cameras, 2) if result.between(*pair)]
    return pairs[:_MOST_PAIRS]


def _own(result: Comparison, places: PairedPlaces) -> list[Difference]:
    return [one for one in result.differences if one.of == "places" and (one.a, one.b) == (places.a, places.b)]


def _pair(result: Comparison, first: str, second: str, pictures: Pictures) -> dict[str, Any]:
    """Everything the page shows of two cameras."""
    found = ranked(result.between(first, second))
    number_of = len(result.alignments)
    prefix = f"c{result.cameras.index(first)}{result.cameras.index(second)}"
    context: dict[str, Any] = {
        "first": visible(first),
        "second": visible(second),
        "told": _told(found),
        "many": any(one.of == "places" for one in found) and number_of > 1,
        "spread": any(one.spread for one in found),
        "rows": [_row(result, one) for one in found],
        "along_wide": "",
        "together": "",
        "path": "",
        "groups": [],
    }
    rows = _forest_rows(found)
    label = "Differences of every measure with their intervals; the table below has the same figures"
    for size, place in ((WIDE, "wide"), (NARROW, "narrow")):
        # Markup here and below: drawn by this program from numbers and its own words; no name from outside is in it.
        context[f"forest_{place}"] = Markup(forest_svg(rows, size, f"{prefix}f{place[0]}", label))  # noqa: S704
    places = main_pair(result, first, second)
    if places is None:
        return context
    shown = shown_places(places, _own(result, places))
    for size, place in ((WIDE, "wide"), (NARROW, "narrow")):
        drawing = along_svg(places, size, f"{prefix}a{place[0]}", "Measures of both flights along the route")
        context[f"along_{place}"] = Markup(drawing)  # noqa: S704
    found_path, turned = _alignment_of(result, places)
    times = (found_path.time_b_s, found_path.time_a_s) if turned else (found_path.time_a_s, found_path.time_b_s)
    rings = [(one.time_a_s, one.time_b_s) for one in shown]
    context |= {
        "together": _together(result, places, times, prefix, pictures),
        "file_a": _file(result.scores[places.a]),
        "file_b": _file(result.scores[places.b]),
        "path": Markup(
            path_svg(*times, rings, WIDE, f"{prefix}p", "Time in the second flight against time in the first")
        ),  # noqa: S704
        "matched": f"{share(found_path.overlap_share)} of the shorter flight is matched, confidence {found_path.confidence:.2f}.",
        "groups": _groups(result, places, shown, pictures),
    }
    return context


def _together(
    result: Comparison,
    places: PairedPlaces,
    times: tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]],
    prefix: str,
    pictures: Pictures,
) -> Markup:
    """Both flights on one timeline, at the same place together; "" where too few places were matched."""
    if len(times[0]) < _FEWEST_PLACES:
        return Markup("")
    tracks = []
    for number_of in (places.a, places.b):
        own = {time_s: data for (flight, time_s), data in pictures.items() if flight == number_of}
        label, score = result.labels[number_of], result.scores[number_of]
        # tracks are lettered; a label that is but a letter would say the same twice, or another
        tracks.append(track_data(score, score.record.name if len(label) == 1 else label, own))
    return at_places(f"{prefix}route", tracks, np.vstack(times))


def _repeats(result: Comparison) -> list[dict[str, Any]]:
    """What flights of one camera differ by, a row a pair of flights, in the measures that a verdict names first."""
    rows = []
    for places in result.places:
        if result.labels[places.a] != result.labels[places.b]:
            continue
        found = ranked(_own(result, places))[:_MOST_REPEATED]
        rows.append(
            {
                "camera": visible(result.labels[places.a]),
                "flights": f"{places.a + 1} and {places.b + 1}",
                "names": [wording(one.measure).title for one in found],
                "texts": [amount(one, signed=True) for one in found],
            }
        )
    return rows


def _told(found: Sequence[Difference]) -> str:
    if any(one.of == "flights" for one in found):
        n = next(one.n for one in found if one.of == "flights")
        return (
            f"Means of {n[0]} and {n[1]} flights over the places that all of them show; the flight is what is counted."
        )
    pairs = len({(one.a, one.b) for one in found if one.of == "places"})
    several = f" {pairs} pairs of flights: one mark each." if pairs > 1 else ""
    return f"Differences place by place of single flights.{several}"


def _forest_rows(found: Sequence[Difference]) -> list[tuple[str, str, list[Difference]]]:
    """A row a measure that has a better direction: its title, the difference in words, its entries."""
    rows = []
    for name in dict.fromkeys(one.measure for one in found):
        own = [one for one in found if one.measure == name]
        if own[0].direction == "neither" or not own[0].worth:
            continue
        told = amount(own[0], signed=True) if len(own) == 1 else f"{plural(len(own), 'pair', 'pairs')} of flights"
        if len(own) == 1 and own[0].interval:
            told += f" ({interval_words(own[0])})"
        rows.append((wording(name).title, told, own))
    return rows


def _row(result: Comparison, one: Difference) -> dict[str, Any]:
    scale, unit = (100.0, "%") if one.unit == "share" else (1.0, one.unit)
    spread = "" if one.spread is None else " and ".join(number(scale * value) for value in one.spread)
    return {
        "title": wording(one.measure).title,
        "name": one.measure,
        "key": f"differences.{result.differences.index(one)}.difference",
        "value": "" if not np.isfinite(one.difference) else one.difference,
        "of_a": number(scale * one.mean_a, unit),
        "of_b": number(scale * one.mean_b, unit),
        "difference": amount(one, signed=True),
        "interval": interval_words(one) or "–",
        "samples": count(one.effective_samples),
        "flights": f"{one.a + 1} and {one.b + 1}" if one.of == "places" else "all",
        "spread": spread,
        "judgement": judgement(result, one).partition("; ")[2] if one.interval else judgement(result, one),
    }


def _groups(
    result: Comparison, places: PairedPlaces, shown: Sequence[Shown], pictures: Pictures
) -> list[tuple[str, str, list[dict[str, Any]]]]:
    groups = []
    for kind, (heading, how) in _GROUPS.items():
        shots = [_shot(result, places, one, pictures) for one in shown if one.kind == kind]
        if shots:
            groups.append((heading, how, shots))
    return groups


def _shot(result: Comparison, places: PairedPlaces, one: Shown, pictures: Pictures) -> dict[str, Any]:
    """Both pictures of a place, and what they differ in."""
    title = wording(one.measure or "").title
    way = f"{seconds(float(places.place_s[one.place]))} along the route"
    return {
        "a": _side("a", result, places.a, one.time_a_s, pictures),
        "b": _side("b", result, places.b, one.time_b_s, pictures),
        "title": way,
        "told": f"{title}: {number(one.of_a, '%')} and {number(one.of_b, '%')}",
    }


def _side(side: str, result: Comparison, flight: int, time_s: float, pictures: Pictures) -> Side:
    score = result.scores[flight]
    data, taken_s = pictures.get((flight, time_s)), time_s
    if data is None or not data.startswith(_JPEG):
        times = score.record.evidence.thumb_time_s
        data = None
        if len(times):
            nearest = int(np.argmin(np.abs(times - time_s)))
            data, taken_s = score.record.evidence.thumbs[nearest], float(times[nearest])
    usable = data is not None and data.startswith(_JPEG)
    uri = f"data:image/jpeg;base64,{base64.b64encode(data).decode('ascii')}" if data and usable else ""
    clip = score.record.clip
    return Side(
        side,
        visible(result.labels[flight]),
        moment(taken_s),
        uri,
        unreadable_path(score, taken_s),
        clip.width,
        clip.height,
    )


def unreadable_path(score: Score, time_s: float) -> str:
    """The tiles that could not be read at a moment, as SVG path data in pixels of the picture; "" where all could."""
    tiles = score.record.tiles
    if not len(tiles.time_s):
        return ""
    readable = tiles.readable[int(np.argmin(np.abs(tiles.time_s - time_s)))]
    top, right, bottom, left = score.record.picture.border_px
    height = (score.record.clip.height - top - bottom) / readable.shape[0]
    width = (score.record.clip.width - left - right) / readable.shape[1]
    pieces = []
    with np.errstate(invalid="ignore"):
        lost = readable < score.criteria.rose_k  # NaN is not picture: left alone
    for row, column in np.argwhere(lost).tolist():
        pieces.append(f"M{left + column * width:.1f} {top + row * height:.1f}h{width:.1f}v{height:.1f}h{-width:.1f}z")
    return "".join(pieces)


def _alignment_of(result: Comparison, places: PairedPlaces) -> tuple[Any, bool]:
    """The alignment of a pair of flights, and whether its flights are the other way about there."""
    ends = (min(places.a, places.b), max(places.a, places.b))
    return next(one.found for one in result.alignments if (one.a, one.b) == ends), places.a > places.b


def _alignment(one: PairAlignment) -> dict[str, str]:
    return {
        "pair": f"{one.a + 1} and {one.b + 1}",
        "same": "yes" if one.found.same_route else f"no: {visible(one.found.reason or 'no reason was given')}",
        "confidence": f"{one.found.confidence:.2f}",
        "overlap": share(one.found.overlap_share),
    }


def _file(score: Score) -> str:
    return visible((score.record.clip.files or (score.record.name,))[0])


def _flight(label: str, score: Score) -> dict[str, str]:
    clip = score.record.clip
    return {
        "label": visible(label),
        "file": _file(score),
        "airtime": seconds(score.airtime_to_s - score.airtime_from_s),
        "usable": share(score.usable.share),
        "recording": f"{clip.width} × {clip.height} px, {clip.frame_rate:.4g} frames/s, {visible(clip.codec)}",
    }
