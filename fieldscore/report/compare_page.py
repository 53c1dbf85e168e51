"""The comparison report: one HTML file that shows what differs, where, how sure, and whether it was fair."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from fieldscore.comparison import Comparison, PairedPlaces
from fieldscore.plots import NARROW, WIDE, along_svg, forest_svg, path_svg
from fieldscore.report import compare_facts as facts
from fieldscore.report.cautions import CAUTIONS
from fieldscore.report.compare_facts import Pictures
from fieldscore.report.differences import ranked
from fieldscore.report.html import environment
from fieldscore.report.instrument import policy, script
from fieldscore.report.together import at_places
from fieldscore.report.track import track_data
from fieldscore.report.words import moment, visible
from fieldscore.score import Score
from fieldscore.showing import Shown, main_pair, shown_places

_FEWEST_PLACES = 2  # a timeline goes from one place to another
_MOST_OPEN = 2  # pairs of flights whose table stands open: of four it has 60 rows and more
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
    for first, second in facts.camera_pairs(result):
        places = main_pair(result, first, second)
        if places is None:
            continue
        for one in shown_places(places, facts.own_differences(result, places)):
            wanted.setdefault(places.a, set()).add(one.time_a_s)
            wanted.setdefault(places.b, set()).add(one.time_b_s)
    return {number: sorted(times) for number, times in wanted.items()}


def render_comparison(result: Comparison, pictures: Pictures) -> str:
    """The report; `pictures` are larger ones where the video is there, else the small ones saved with the flights do."""
    return (
        environment()
        .get_template("compare.html.j2")
        .render(
            **facts.whole(result),
            hatch_scale=f"{max(score.record.clip.height for score in result.scores) / _HATCH_LINES:.2f}",
            pairs=[_pair(result, first, second, pictures) for first, second in facts.camera_pairs(result)],
            how_along=facts.HOW_ALONG,
            how_repeated=facts.HOW_REPEATED,
            untold=facts.UNTOLD,
            cautions=CAUTIONS,
            policy=policy(),
            script=script(),
        )
    )


def _pair(result: Comparison, first: str, second: str, pictures: Pictures) -> dict[str, Any]:
    """Everything the page shows of two cameras."""
    found = ranked(result.between(first, second))
    number_of = len(result.alignments)
    prefix = f"c{result.cameras.index(first)}{result.cameras.index(second)}"
    context: dict[str, Any] = {
        "first": visible(first),
        "second": visible(second),
        "told": facts.counted(result, (first, second)),
        "many": any(one.of == "places" for one in found) and number_of > 1,
        "spread": any(one.spread for one in found),
        "folded": len({(one.a, one.b) for one in found if one.of == "places"}) > _MOST_OPEN,
        "rows": [facts.row_of(result, one) for one in found],
        "along_wide": "",
        "together": "",
        "held": "",
        "path": "",
        "groups": [],
    }
    rows = facts.forest_rows(found)
    label = "Differences of every measure with their intervals; the table below has the same figures"
    for size, place in ((WIDE, "wide"), (NARROW, "narrow")):
        # Markup here and below: drawn by this program from numbers and its own words; no name from outside is in it.
        context[f"forest_{place}"] = Markup(forest_svg(rows, size, f"{prefix}f{place[0]}", label))  # noqa: S704
    places = main_pair(result, first, second)
    if places is None:
        return context
    shown = shown_places(places, facts.own_differences(result, places))
    for size, place in ((WIDE, "wide"), (NARROW, "narrow")):
        drawing = along_svg(places, size, f"{prefix}a{place[0]}", "Measures of both flights along the route")
        context[f"along_{place}"] = Markup(drawing)  # noqa: S704
    found_path, turned = facts.alignment_of(result, places)
    times = (found_path.time_b_s, found_path.time_a_s) if turned else (found_path.time_a_s, found_path.time_b_s)
    rings = [(one.time_a_s, one.time_b_s) for one in shown]
    together, held = _together(result, places, times, prefix, pictures)
    context |= {
        "together": together,
        "held": held,
        "file_a": facts.file_of(result.scores[places.a]),
        "file_b": facts.file_of(result.scores[places.b]),
        "path": Markup(
            path_svg(*times, rings, WIDE, f"{prefix}p", "Time in the second flight against time in the first")
        ),  # noqa: S704
        "matched": facts.matched(found_path),
        "groups": _groups(result, places, shown, pictures),
    }
    return context


def _together(
    result: Comparison,
    places: PairedPlaces,
    times: tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]],
    prefix: str,
    pictures: Pictures,
) -> tuple[Markup, str]:
    """Both flights on one timeline, at the same place together, and what it holds of long flights; "" for neither.

    There is none where too few places were matched.
    """
    among = 2 * len(facts.camera_pairs(result))
    if len(times[0]) < _FEWEST_PLACES:
        return Markup(""), ""
    tracks = []
    for number_of in (places.a, places.b):
        own = {time_s: data for (flight, time_s), data in pictures.items() if flight == number_of}
        label, score = result.labels[number_of], result.scores[number_of]
        tracks.append(track_data(score, label, own, among=among))
    held = next((one["held"] for one in tracks if one["held"]), "")
    return at_places(f"{prefix}route", tracks, np.vstack(times)), held


def _groups(
    result: Comparison, places: PairedPlaces, shown: Sequence[Shown], pictures: Pictures
) -> list[tuple[str, str, list[dict[str, Any]]]]:
    groups = []
    for kind, (heading, how) in facts.GROUPS.items():
        shots = [_shot(result, places, one, pictures) for one in shown if one.kind == kind]
        if shots:
            groups.append((heading, how, shots))
    return groups


def _shot(result: Comparison, places: PairedPlaces, one: Shown, pictures: Pictures) -> dict[str, Any]:
    """Both pictures of a place, and what they differ in."""
    title, told = facts.place_words(places, one)
    return {
        "a": _side("a", result, places.a, one.time_a_s, pictures),
        "b": _side("b", result, places.b, one.time_b_s, pictures),
        "title": title,
        "told": told,
    }


def _side(side: str, result: Comparison, flight: int, time_s: float, pictures: Pictures) -> Side:
    score = result.scores[flight]
    data, taken_s = facts.picture_of(score, flight, time_s, pictures)
    uri = f"data:image/jpeg;base64,{base64.b64encode(data).decode('ascii')}" if data else ""
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
