"""The comparison on paper: the words, figures and pictures of its page on A4, without a browser."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from fieldscore import __version__
from fieldscore.comparison import Comparison, PairedPlaces
from fieldscore.plots import SHEET, Paper, along_figure, forest_figure, path_figure
from fieldscore.plots.paper import Picture
from fieldscore.report import compare_facts as facts
from fieldscore.report.differences import ranked
from fieldscore.report.pdf_parts import cautions, decoded, mast
from fieldscore.report.words import moment, visible
from fieldscore.showing import Shown, main_pair, shown_places

_ACROSS = 4  # pictures in a row: two places, each with both cameras


def comparison_pdf(result: Comparison, pictures: facts.Pictures) -> bytes:
    """The report of a comparison as a PDF file; `pictures` as for the page."""
    whole = facts.whole(result)
    paper = Paper(whole["title"], f"fieldscore {__version__}")
    mast(paper, whole["title"], whole["facts"])
    paper.text(whole["lead"], 12.0)
    paper.space(4.0)
    if whole["scope"]:
        paper.text(whole["scope"])
    _flights(paper, whole)
    _audit(paper, whole)
    for first, second in facts.camera_pairs(result):
        _pair(paper, result, (first, second), whole["how_judged"])
        places = main_pair(result, first, second)
        if places is not None:
            _route(paper, result, places, pictures)
    _repeats(paper, whole["repeats"])
    paper.heading("Notes")
    paper.bullets([*whole["notes"], *filter(None, [whole["many_measures"]])])
    cautions(paper)
    return paper.pdf()


def _flights(paper: Paper, whole: Mapping[str, Any]) -> None:
    paper.heading("The flights")
    keys = ("label", "file", "airtime", "usable", "recording")
    rows = [
        (str(number), *(str(flight[key]) for key in keys)) for number, flight in enumerate(whole["flights"], start=1)
    ]
    paper.table(("", "camera", "file", "airtime", "usable", "recording"), rows, (0.3, 1.2, 2.1, 0.8, 0.8, 2.4))
    pairs = [(one["pair"], one["same"], one["confidence"], one["overlap"]) for one in whole["alignments"]]
    paper.space(6.0)
    paper.table(("flights", "same route", "sure, 0 to 1", "of the shorter one matched"), pairs, (1, 3, 1, 2))


def _audit(paper: Paper, whole: Mapping[str, Any]) -> None:
    paper.heading("Was it fair")
    rows = [
        (
            one["check"],
            "yes" if one["ok"] else "no",
            one["detail"] if one["ok"] else f"{one['detail']}. So {one['then']}.",
        )
        for one in whole["checks"]
    ]
    if rows:
        paper.table(("the same?", "", "found"), rows, (1.4, 0.4, 4))
    paper.text(facts.UNTOLD, 8.0, "soft")


def _pair(paper: Paper, result: Comparison, cameras: tuple[str, str], how: str) -> None:
    """What two cameras differ by: drawn on one scale, then as a table."""
    found = ranked(result.between(*cameras))
    first, second = map(visible, cameras)
    rows = facts.forest_rows(found)
    title = f"What differs: {first} and {second}"
    sides = f"Marks left of the middle: {first} is better; right of it: {second}."
    if rows:
        paper.titled_drawing(
            title, f"{sides} {facts.counted(result, cameras)} {how}", partial(forest_figure, rows, SHEET)
        )
    else:
        paper.heading(title)
    many = len(result.alignments) > 1 and any(one.of == "places" for one in found)
    table = []
    for one in (facts.row_of(result, one) for one in found):
        flights = [f"flights {one['flights']}"] if many else []
        spread = [f"between flights {one['spread']}"] if one["spread"] else []
        name = "\n".join([one["title"], *flights, *spread])
        table.append(
            (name, *(one[key] for key in ("of_a", "of_b", "difference", "interval", "samples")), one["judgement"])
        )
    heads = ("measure", first, second, "difference", "interval", "samples", "so")
    paper.table(heads, table, (1.9, 1, 1, 1.2, 1.3, 0.8, 2.2))


def _route(paper: Paper, result: Comparison, places: PairedPlaces, pictures: facts.Pictures) -> None:
    """Both flights along the route, how they were matched, and pictures of the same places."""
    names = [f"{visible(result.labels[one])} ({facts.file_of(result.scores[one])})" for one in (places.a, places.b)]
    key = f"Drawn through: {names[0]}. Dashed: {names[1]}."
    paper.titled_drawing("Along the route", f"{facts.HOW_ALONG} {key}", partial(along_figure, places, SHEET))
    shown = shown_places(places, facts.own_differences(result, places))
    found, turned = facts.alignment_of(result, places)
    times = (found.time_b_s, found.time_a_s) if turned else (found.time_a_s, found.time_b_s)
    rings = [(one.time_a_s, one.time_b_s) for one in shown]
    paper.titled_drawing(
        "How they were matched",
        f"One dot a place that both flights show: when the first and when the second was there. A slope of one is equal speed. "
        f"Rings are the places pictured below. {facts.matched(found)}",
        partial(path_figure, *times, rings, SHEET),
    )
    for kind, (heading, how) in facts.GROUPS.items():
        _places(paper, result, places, [one for one in shown if one.kind == kind], (heading, how), pictures)


def _places(  # noqa: PLR0913, PLR0917 - what is shown, of what, under which head
    paper: Paper,
    result: Comparison,
    places: PairedPlaces,
    shown: Sequence[Shown],
    head: tuple[str, str],
    pictures: facts.Pictures,
) -> None:
    found: list[tuple[Picture, str, str]] = []
    for one in shown:
        way, told = facts.place_words(places, one)
        both = []
        for flight, time_s in ((places.a, one.time_a_s), (places.b, one.time_b_s)):
            data, taken_s = facts.picture_of(result.scores[flight], flight, time_s, pictures)
            picture = decoded(data)
            if picture is not None:
                both.append((picture, f"{visible(result.labels[flight])} {moment(taken_s)}"))
        if len(both) == 2:  # noqa: PLR2004 - a picture of one camera compares nothing
            found += [(picture, title, text) for (picture, title), text in zip(both, (way, told), strict=True)]
    if found:
        paper.keep(180.0)  # the head stays with the first row of pictures
        paper.heading(f"The same places: {head[0][:1].lower()}{head[0][1:]}")
        paper.text(f"{head[1]} Times are in min:s.", 8.0, "soft")
        paper.space(4.0)
        paper.pictures(found, across=_ACROSS)


def _repeats(paper: Paper, rows: Sequence[Mapping[str, Any]]) -> None:
    if not rows:
        return
    paper.heading("Flight to flight")
    paper.text(facts.HOW_REPEATED, 8.0, "soft")
    paper.space(4.0)
    names = rows[0]["names"]
    table = [(one["camera"], one["flights"], *one["texts"]) for one in rows]
    paper.table(("camera", "flights", *names), table, (1.4, 0.8, *(1.2 for _ in names)))
