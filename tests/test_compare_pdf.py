"""The comparison on paper: the words and figures of its page, harmless labels, real colours, written on demand."""

from __future__ import annotations

import re
from functools import partial
from pathlib import Path

import pytest
from builders import jpeg
from matplotlib import rc_context
from matplotlib.colors import to_hex, to_rgba_array
from test_compare_report import foreign, made
from test_report_pdf import A4, pages_of, text_of

from fieldscore.comparison import Comparison
from fieldscore.plots import SHEET, along_figure, forest_figure, path_figure
from fieldscore.plots.ink import drawable, fitted, recolour, width_of
from fieldscore.plots.look import COLOURS
from fieldscore.plots.svg import STYLE
from fieldscore.report import compare_facts as facts
from fieldscore.report import comparison_json, evidence_moments, verdict, write_comparison
from fieldscore.report.cautions import CAUTIONS
from fieldscore.report.compare_pdf import comparison_pdf
from fieldscore.report.words import visible
from fieldscore.showing import main_pair, shown_places


@pytest.fixture(scope="module")
def result() -> Comparison:
    """Two cameras, one flight each, with another size of picture so that a check fails."""
    return made(width=1280, height=960)


@pytest.fixture(scope="module")
def paper(result: Comparison) -> bytes:
    """Its report on paper, with the pictures that the page would have."""
    wanted = evidence_moments(result)
    return comparison_pdf(result, {(n, t): jpeg(20.0, n + 1, (60, 80)) for n, times in wanted.items() for t in times})


def test_paper_says_what_the_page_says(result: Comparison, paper: bytes) -> None:
    """Verdict, every difference with its interval, every check, caution and note are on paper in the page's words."""
    text = text_of(paper)
    assert verdict(result) in text
    for one in result.differences:
        row = facts.row_of(result, one)
        for key in ("title", "of_a", "of_b", "difference", "interval", "samples"):
            assert row[key] in text, (one.measure, key)
        assert " ".join(row["judgement"].split()[:2]) in text
    data = comparison_json(result)
    assert any(not check["ok"] for check in data["fairness"])
    for check in data["fairness"]:
        assert check["check"] in text
        assert check["ok"] or check["then"] in text
    heads = ("What differs: dim and lit", "Along the route", "How they were matched", "The same places", "Was it fair")
    for wanted in (*CAUTIONS, *data["notes"], *heads, f"page 1 of {len(pages_of(paper))}"):
        assert wanted in text


def test_every_place_of_the_page_is_on_paper(result: Comparison, paper: bytes) -> None:
    """Each place that the page pictures has both cameras' pictures on paper, with where and when they are."""
    places = main_pair(result, "dim", "lit")
    assert places is not None
    shown = shown_places(places, facts.own_differences(result, places))
    drawn = [name for page in pages_of(paper) for name in re.findall(rb"/I\d+ Do", page.get_contents().get_data())]
    assert len(drawn) == 2 * len(shown) > 0
    text = text_of(paper)
    for one in shown:
        for words in facts.place_words(places, one):
            assert words in text


def test_pages_are_a4_and_the_same_each_time(result: Comparison, paper: bytes) -> None:
    """Every page is A4, there is no date, and the same comparison gives the same bytes."""
    for page in pages_of(paper):
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(A4, abs=0.5)
    assert b"CreationDate" not in paper
    assert comparison_pdf(result, {}) == comparison_pdf(result, {})


@pytest.mark.parametrize("label", ["$\\frac{1}{", "<b>&amp;", "飛行\u202e", "x" * 300, "\udc80"])
def test_hostile_labels_are_only_text(label: str) -> None:
    """A label with formulas, markup, unknown letters or endless length shows harmlessly."""
    text = text_of(comparison_pdf(made(labels=(label, "lit")), {})).replace(" ", "")
    assert drawable(visible(label))[:12].replace(" ", "") in text


def test_repeats_and_strangers_print() -> None:
    """Repeats of a camera are on paper as a table; flights of different routes print the refusal and draw nothing."""
    repeated = text_of(comparison_pdf(made(labels=("dim", "lit", "dim"), crushed=(17.1, 10.0, 16.0)), {}))
    assert "Flight to flight" in repeated
    assert facts.HOW_REPEATED in repeated
    refused = text_of(comparison_pdf(made(found=foreign()), {}))
    assert "do not show the same route" in refused
    assert "Along the route" not in refused


def test_no_stand_in_colour_is_left(result: Comparison) -> None:
    """After recolouring no artist of the drawings has a stand-in colour, fillings of marks included."""
    places = main_pair(result, "dim", "lit")
    assert places is not None
    rows = facts.forest_rows(result.between("dim", "lit"))
    path = partial(path_figure, places.time_a_s, places.time_b_s, [(1.0, 1.0)], SHEET)
    for draw in (partial(forest_figure, rows, SHEET), partial(along_figure, places, SHEET), path):
        with rc_context(STYLE):
            figure = draw()
        recolour(figure)
        getters = ("get_color", "get_facecolor", "get_edgecolor", "get_markerfacecolor", "get_markeredgecolor")
        for artist in figure.findobj():
            for name in getters:
                if hasattr(artist, name):
                    found = {to_hex(one) for one in to_rgba_array(getattr(artist, name)())}
                    assert not found & set(COLOURS.values()), (artist, name)


def test_written_on_demand_and_never_stale(result: Comparison, tmp_path: Path) -> None:
    """report.pdf is written with `pdf` only, and a later run without it takes the old one away."""
    write_comparison(result, tmp_path, {}, pdf=True)
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF-")
    write_comparison(result, tmp_path, {})
    assert not (tmp_path / "report.pdf").exists()


def test_a_long_head_is_cut_to_its_column() -> None:
    """A text that is too wide for its column ends in an ellipsis and fits; a short one stays whole."""
    assert fitted("camera", 8.0, 60.0) == "camera"
    cut = fitted("a camera with a very long name", 8.0, 60.0)
    assert cut.endswith("…")
    assert width_of(cut, 8.0) <= 60.0
