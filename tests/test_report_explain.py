"""Every figure is explained where it stands, with its reason where it is missing; what was assumed is in one place."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from builders import build_score, unmeasured

from fieldscore.criteria import Criteria
from fieldscore.measure import Column
from fieldscore.measures import COLUMNS
from fieldscore.report import explain, flight_json, render_html, words
from fieldscore.report.assumed import assumed
from fieldscore.report.explain import column_title, explain_column, explain_place, reason_for
from fieldscore.report.figures import tables, told
from fieldscore.report.light import WORDS
from fieldscore.score import DERIVED

DOCS = Path(__file__).parent.parent / "docs"
EXPLANATIONS = [*explain._COLUMNS.values(), *explain._PLACES.values(), explain._LEVEL]


@pytest.mark.parametrize("column", [*COLUMNS, *DERIVED], ids=lambda column: column.name)
def test_every_column_is_explained(column: Column) -> None:
    """Each column of the timeline says what it is in a sentence, and its title holds no unit."""
    assert len(explain_column(column).text) > 20
    assert explain_column(column).text.rstrip().endswith((".", "%"))
    assert not re.search(r"_|percent|stops$|codes$", column_title(column.name))


def test_methods_named_are_headings() -> None:
    """The heading of docs/method.md that an explanation names is there, and its anchor is that heading's."""
    headings = re.findall(r"^## (.*)$", (DOCS / "method.md").read_text(encoding="utf-8"), re.MULTILINE)
    named = {one.method for one in EXPLANATIONS}
    assert len(named) >= 5
    assert named <= set(headings)
    assert explain._LEVEL.anchor == "exposure-per-frame"


@pytest.mark.parametrize(
    ("name", "column", "most"),
    [("level_percent", "level", 0.25), ("clipped_percent", "clipped", 0.1), ("crushed_percent", "crushed", 10.0)],
)
def test_accuracy_quoted_is_that_of_the_document(name: str, column: str, most: float) -> None:
    """The error that an explanation quotes bounds every flight of the table in docs/accuracy.md."""
    table = (
        (DOCS / "accuracy.md").read_text(encoding="utf-8").split("<!-- end of table -->")[0]
    )  # the dark's comes after
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines() if line.startswith("|")
    ]
    place = rows[0].index(column)
    errors = [float(row[place]) for row in rows[2:]]
    assert len(errors) >= 10
    assert max(errors) <= most
    quoted = {0.25: "a quarter of a percentage point", 0.1: "0.1 percentage points", 10.0: "10 percentage points"}[most]
    assert quoted in explain_column(next(one for one in COLUMNS if one.name == name)).sure


def test_every_figure_on_the_page_says_how_sure_it_is() -> None:
    """Each row of the tables of figures has a meaning, how sure it is and what would change it, visible on demand."""
    score = build_score()
    for table in tables(score, flight_json(score))[:1]:
        for row in table.rows:
            heads = dict(row.told)
            assert {"What", "How sure", "What would change it", "How it is made"} <= set(heads), row.name
            assert "of the frames of the airtime" in heads["How sure"]
    page = render_html(score, {})
    assert page.count("How sure, and what would change it") >= len(score.measures)
    for place in ("usable.share", "usable.longest_gap_s", "usable.effective_samples", "usable.lost_by_cause"):
        explanation = explain_place(place)
        assert explanation is not None
        assert Text(page).has(explanation.text), place


def test_a_missing_figure_has_its_reason_beside_it() -> None:
    """What was not measured says why where it stands, not only in the notes."""
    score = unmeasured(build_score())
    flight = flight_json(score)
    assert reason_for(flight, "usable.ci95.0") == "not measurable, no sustained motion was found"
    assert reason_for(flight, "measures.noise_percent.median") == "not measurable, no frame of the airtime gave a value"
    assert reason_for(flight, "nothing.here") is None
    page = render_html(score, {})
    beside = re.findall(r'<small class="reason">(.*?)</small>', page)
    assert len(beside) >= 5 + len(score.measures)
    row = next(row for row in tables(score, flight)[1].rows if row.name == "level_jitter_percent")
    assert row.reason == "not measured"


def test_a_new_block_of_figures_is_shown_without_a_line_of_code() -> None:
    """A block that flight.json gains is a table on the page, with units by its names, and counts as they are."""
    score = build_score()
    flight = {**flight_json(score), "haze": {"veil_percent": 1.25, "passes": 5, "drop_stops": None, "of": ["a"]}}
    flight["notes"] = [*flight["notes"], "haze.drop_stops: not measurable, too little light"]
    table = tables(score, flight)[-1]
    assert table.title == "Haze"
    assert [(row.name, row.figures[0].text, row.reason) for row in table.rows] == [
        ("veil_percent", "1.25 %", ""),
        ("passes", "5", ""),
        ("drop_stops", "not measured", "not measurable, too little light"),
    ]


def test_what_was_assumed_is_in_one_place() -> None:
    """Range, curve, object, airtime, what was left out and changed thresholds are told together."""
    score = build_score()
    found = dict(assumed(score, flight_json(score)))
    assert found["Code range"].startswith("narrow, as the file says. Black at code 16 (measured")
    assert found["Curve"].startswith(score.criteria.transfer_curve)
    assert "The camera's own curve is not known" in found["Curve"]
    tagged = replace(score, record=replace(score.record, clip=replace(score.record.clip, transfer_tag="hlg")))
    assert "The file says that the camera's own curve is HLG" in dict(assumed(tagged, flight_json(tagged)))["Curve"]
    assert found["Thresholds"] == "All as delivered."
    changed = replace(score, criteria=Criteria(usable_zone_readable_percent=70.0))
    found = dict(assumed(changed, flight_json(changed)))
    assert found["Thresholds"] == "Changed by you: usable_zone_readable_percent = 70.0. The rest as delivered."
    assert "at least 70 % of the flying zone" in found["Usable frame"]


def test_exposure_says_that_it_drifts_and_is_lost_over_breaks() -> None:
    """Who reads the trace over minutes or over a lost link is told how far it holds, in its explanation and at its drawing."""
    column = next(one for one in COLUMNS if one.name == "exposure_stops")
    for text in (explain_column(column).sure.lower(), WORDS["exposure"][1].lower()):
        assert "over a minute" in text and "drift by a quarter of a stop to half a stop" in text
        assert "goes on from the exposure before it" in text


def test_sentences() -> None:
    """A phrase becomes a sentence; a path keeps its letters, nothing stays nothing."""
    assert words.sentence("the light") == "The light."
    assert words.sentence("docs/method.md") == "docs/method.md."
    assert words.sentence(" ") == ""
    assert told(None) == ()


class Text(HTMLParser):
    """The text of a page with its spaces made single."""

    def __init__(self, page: str) -> None:
        """Read the page."""
        super().__init__()
        self.parts: list[str] = []
        self.feed(page)

    def handle_data(self, data: str) -> None:
        """Collect."""
        self.parts.append(data)

    def has(self, text: str) -> bool:
        """Say whether the page says so."""
        return " ".join(text.split()) in " ".join(" ".join(self.parts).split())
