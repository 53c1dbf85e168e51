"""The reports on paper: the same facts and words as the pages, laid out on A4, without a browser."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from fieldscore import __version__
from fieldscore.plots import SHEET, Paper, light_figure, light_measured, map_figure, recoveries_figure, timeline_figure
from fieldscore.report import context, words
from fieldscore.report.assumed import assumed
from fieldscore.report.explain import explain_place
from fieldscore.report.figures import Row, tables, told
from fieldscore.report.flight import flight_json
from fieldscore.report.light import READING, WORDS, reading
from fieldscore.report.pdf_parts import cautions, decoded, mast
from fieldscore.report.recovery import (
    KINDS,
    STRIP_AFTER_S,
    STRIP_BEFORE_S,
    Tested,
    clip_facts,
    compared,
    event_cells,
    lead,
    recovery_json,
)
from fieldscore.report.summary import airtime_of, curve_text, gaps_text, interval_text, ordered_causes, verdict_of
from fieldscore.score import Score

_HATCHES = {"plain": "", "cross": "xxxx", "upright": "||||", "rising": "////", "falling": "\\\\\\\\", "level": "----"}
_MOST_STRIP = 6  # pictures of a recovery in a row


def flight_pdf(score: Score, pictures: Mapping[float, bytes]) -> bytes:
    """The report of one flight as a PDF file; `pictures` are JPEG files by time of flight in seconds."""
    flight = flight_json(score)
    name = words.visible(score.record.name)
    paper = Paper(name, f"fieldscore {__version__}")
    mast(paper, name, _facts(score, flight))
    usable = flight["usable"]
    paper.big(words.share(usable["share"]), "of the airtime usable", verdict_of(flight, score.usable.reason))
    paper.text(words.sentence(interval_text(flight, score.usable.reason)), colour="soft")
    if curve := curve_text(flight):
        paper.text(words.sentence(curve), colour="soft")
    paper.text(f"Gaps: {gaps_text(flight)}.", colour="soft")
    paper.heading("Why it was lost")
    paper.bars(
        [
            (one.name, one.width / 100, f"{one.share.text}   {one.seconds}", one.colour, _HATCHES[one.hatch])
            for one in context.causes(score, flight)
        ]
    )
    _told(paper, told(explain_place("usable.share")))
    _moments(paper, score, flight, pictures)
    paper.titled_drawing(
        "Over the flight",
        "One time axis for all. Grey stripes are the moments that were not usable; the top rows say why.",
        lambda: timeline_figure(score, SHEET),
    )
    _light(paper, score)
    paper.titled_drawing(
        "Where in the picture",
        "How much of the airtime each part of the picture would have shown an obstacle, in %. The outline is the flying zone.",
        lambda: map_figure(score, SHEET),
        most=380.0,
    )
    paper.heading("How to read the drawings over the flight")
    for head, text in READING:
        paper.text(f"{head}: {text}", 8.0, "soft")
    _gaps(paper, flight)
    if flight["events"]:
        paper.heading("Flashes")
        flashes = [
            (words.event_name(one["kind"]), words.moment(one["at_s"]), words.event_text(one))
            for one in flight["events"]
        ]
        paper.table(("what", "at, min:s", "what came of it"), flashes, (1, 1, 4))
    for table in tables(score, flight):
        paper.heading(f"Figures: {table.title[:1].lower()}{table.title[1:]}")
        numbers = len(table.heads)
        rows = [
            (_row(row, before), *(one.text for one in row.figures))
            for row, before in zip(table.rows, (None, *table.rows), strict=False)
        ]
        paper.table(("", *table.heads), rows, (5.2, *(1.1 for _ in range(numbers))), right=numbers)
    paper.heading("What was assumed")
    paper.table(("", ""), [(key, words.visible(text)) for key, text in assumed(score, flight)], (1, 4))
    paper.heading("How it was judged")
    paper.table(("threshold", "value", "why"), context.criteria(score), (1.4, 1.4, 3.2))
    paper.heading("The recording")
    paper.table(("", ""), [(key, "\n".join(lines)) for key, lines in context.recording(score, flight)], (1, 4))
    paper.heading("Notes")
    paper.bullets([words.visible(note) for note in flight["notes"]] or ["None."])
    cautions(paper)
    return paper.pdf()


def recovery_pdf(tests: Sequence[Tested]) -> bytes:
    """The recovery report as a PDF file."""
    data = recovery_json(tests)
    name = ", ".join(dict.fromkeys(words.visible(test.label) for test in tests))
    paper = Paper(name, f"fieldscore {__version__}")
    mast(paper, name, "how long the picture takes to come back after a light changes")
    for line in lead(data):
        paper.text(line, 12.0)
    for one in data["differences"]:
        paper.text(words.sentence(compared(one)))
    paper.space(6.0)
    _told(paper, told(explain_place("events.recovery_s")))
    for test in tests:
        paper.heading(words.visible(test.label))
        paper.text(clip_facts(test), colour="soft")
        paper.space(6.0)
        if not test.score.events:
            paper.text("No flash edge was found.")
            continue
        cells = [event_cells(event) for event in test.score.events]
        heads = ("what", "at", "back after", "between", "black", "first usable", "over", "under", "settles at")
        keys = ("what", "at", "recovery", "bounds", "black", "readable", "over", "under", "settled")
        paper.table(
            heads, [[str(row[key]) for key in keys] for row in cells], (1, 0.8, 1.1, 2.1, 0.7, 1.3, 0.9, 0.9, 1)
        )
        _strips(paper, test)
    for kind, title in KINDS:
        group = [(words.visible(test.label), test.score, test.events(kind)) for test in tests if test.events(kind)]
        if group:
            paper.titled_drawing(
                title,
                "Every recovery, aligned at its edge, in % of the level where it settles. The band is 10 %.",
                lambda group=group: recoveries_figure(group, SHEET),  # type: ignore[misc]
            )
    paper.heading("Notes")
    paper.bullets([words.sentence(words.visible(note)) for note in data["notes"]])
    cautions(paper)
    return paper.pdf()


def _light(paper: Paper, score: Score) -> None:
    measured = light_measured(score)
    if measured:
        told = "The same time axis as before; grey stripes are the moments that were not usable."
        paper.titled_drawing("What light did to it", told, lambda: light_figure(score, SHEET, measured))
    else:
        paper.heading("What light did to it")
        paper.text("Not measured in this flight.")
    for name in measured:
        paper.text(f"{WORDS[name][0]}: {reading(score, name)}", 8.0, "soft")


def _facts(score: Score, flight: Mapping[str, Any]) -> str:
    clip = score.record.clip
    parts = (
        f"{words.seconds(clip.duration_s)} recorded",
        f"{words.seconds(airtime_of(flight))} airtime",
        f"{clip.width} x {clip.height} px",
        f"{clip.frame_rate:.4g} frames/s",
        clip.codec,
    )
    return ", ".join(parts)


def _told(paper: Paper, parts: Sequence[tuple[str, str]]) -> None:
    for head, text in parts:
        paper.text(f"{head}: {text[:1].lower()}{text[1:]}" if head != "What" else text, 8.0, "soft")
    paper.space(4.0)


def _row(row: Row, before: Row | None) -> str:
    """A row's first cell: its title, what it means, and the rest in a line each, where it is not that of the row before."""
    reason = [words.sentence(row.reason)] if row.reason else []
    more = [f"{head}: {text}" for head, text in row.more]
    if before is not None and row.more and row.more == before.more:
        more = ["How sure, and what would change it: as above."]
    return "\n".join([row.title, *filter(None, [row.meaning]), *reason, *more])


def _moments(paper: Paper, score: Score, flight: Mapping[str, Any], pictures: Mapping[float, bytes]) -> None:
    shown = []
    for index, one in enumerate(flight["moments"]):
        taken_s, data = context.picture_at(score, pictures, score.moments[index].time_s)
        picture = decoded(data)
        if picture is None or taken_s is None:
            continue
        known = one["readable_percent"] is not None  # a lost link has none
        seen = f"{words.number(one['readable_percent'], '%')} of the flying zone readable, " if known else ""
        figures = f"{seen}level {words.number(one['level_percent'], '%')}"
        title = f"{words.moment(one['time_s'])}  {context.state_at(score, index)}"
        shown.append((picture, title, figures))
    if shown:
        paper.heading("Moments to look at")
        paper.pictures(shown)


def _gaps(paper: Paper, flight: Mapping[str, Any]) -> None:
    gaps = context.gaps(flight)
    if gaps and sum(1 for _, part in ordered_causes(flight) if part):
        paper.heading("Every stretch without a usable picture")
        paper.table(("from, min:s", "for", "lost to"), [one[1:] for one in gaps], (1, 1, 4))


def _strips(paper: Paper, test: Tested) -> None:
    for event in test.score.events:
        times = sorted(one for one in test.pictures if event.at_s - STRIP_BEFORE_S <= one <= event.at_s + STRIP_AFTER_S)
        places = np.unique(np.linspace(0, len(times) - 1, min(len(times), _MOST_STRIP)).astype(int)).tolist()
        found = [(decoded(test.pictures[times[at]]), f"{times[at] - event.at_s:+.2f} s") for at in places]
        shown = [(picture, when, "") for picture, when in found if picture is not None]
        if shown:
            paper.keep(100.0)
            paper.text(f"{words.event_name(event.kind)}, {words.moment(event.at_s)}", weight="bold")
            paper.pictures(shown, across=_MOST_STRIP)
