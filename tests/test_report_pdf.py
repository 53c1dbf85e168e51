"""The reports on paper: the words and figures of the page, clean pages, harmless names, no browser."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import build_record, build_score, jpeg, unmeasured

from fieldscore.plots import Paper, sheets
from fieldscore.plots.ink import PAPER, drawable, recolour, width_of, wrapped
from fieldscore.plots.look import COLOURS
from fieldscore.plots.paper import HEIGHT, INNER, MARGIN, SHEET
from fieldscore.plots.svg import STYLE
from fieldscore.report import flight_json, plain_verdict, words, write_flight, write_recovery
from fieldscore.report import recovery as recovery_report
from fieldscore.report.cautions import CAUTIONS
from fieldscore.report.pdf import flight_pdf, recovery_pdf
from fieldscore.score import Score

ROOT = Path(__file__).parent.parent
A4 = (595.3, 841.9)  # points, ISO 216


@pytest.fixture(scope="module")
def score() -> Score:
    """The default flight."""
    return build_score()


@pytest.fixture(scope="module")
def paper(score: Score) -> bytes:
    """Its report on paper, with a picture."""
    return flight_pdf(score, {score.moments[0].time_s: jpeg(20.0, 1, (480, 640))})


def pages_of(data: bytes) -> list[Any]:
    """The pages of a PDF file."""
    pypdf = pytest.importorskip("pypdf")
    return list(pypdf.PdfReader(io.BytesIO(data)).pages)


def text_of(data: bytes) -> str:
    """All text of a PDF file with single spaces."""
    return " ".join(" ".join(page.extract_text() for page in pages_of(data)).split())


def test_paper_says_what_the_page_says(score: Score, paper: bytes) -> None:
    """Verdict, every share, every median, every caution and note are on paper in the same words and digits."""
    text, flight = text_of(paper), flight_json(score)
    assert plain_verdict(score) in text
    for cause, share in flight["usable"]["lost_by_cause"].items():
        assert words.cause_name(cause) in text
        assert words.share(share) in text
    for found in flight["measures"].values():
        assert words.number(found["median"], found["unit"]) in text
    for wanted in (*CAUTIONS, *flight["notes"], "What was assumed", "How sure", f"page 1 of {len(pages_of(paper))}"):
        assert " ".join(wanted.split()) in text


def test_pages_are_a4(paper: bytes) -> None:
    """Every page is A4, and the file holds no date that would make two runs differ."""
    for page in pages_of(paper):
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(A4, abs=0.5)
    assert b"CreationDate" not in paper


def test_same_flight_same_bytes(score: Score) -> None:
    """The same score gives the same file."""
    assert flight_pdf(score, {}) == flight_pdf(score, {})


@pytest.mark.parametrize("name", ["$\\frac{1}{", "<b>&amp;", "飛行\u202e", "x" * 300, "\udc80"])
def test_hostile_names_are_only_text(name: str) -> None:
    """A name with formulas, markup, unknown letters or endless length makes a file whose text shows it harmlessly."""
    data = flight_pdf(build_score(build_record(name)), {})
    assert data.startswith(b"%PDF-")
    text = text_of(data).replace(" ", "")
    assert drawable(words.visible(name))[:20].replace(" ", "") in text


def test_unmeasured_flight_prints(score: Score) -> None:
    """A flight without figures prints, and says not measured and why."""
    text = text_of(flight_pdf(unmeasured(score), {}))
    assert "not measured" in text
    assert "no sustained motion was found" in text


def test_recovery_prints() -> None:
    """A recovery test prints; a clip without an edge says so."""
    score = replace(build_score(), events=())
    data = recovery_pdf([recovery_report.Tested("north", "north.mp4", score, {})])
    assert "No flash edge was found." in text_of(data)


def test_written_on_demand_and_never_stale(score: Score, tmp_path: Path) -> None:
    """report.pdf is written with `pdf` only, and a later run without it does not leave the old one beside new figures."""
    folder = write_flight(score, tmp_path, {}, pdf=True)
    assert (folder / "report.pdf").read_bytes().startswith(b"%PDF-")
    assert write_flight(score, tmp_path, {}) == folder
    assert not (folder / "report.pdf").exists()
    tests = [recovery_report.Tested("north", "north.mp4", score, {})]
    write_recovery(tests, tmp_path / "recovery", pdf=True)
    assert (tmp_path / "recovery" / "report.pdf").is_file()


def test_no_stand_in_colour_is_left(score: Score) -> None:
    """After recolouring no artist of the drawings has a stand-in colour."""
    from matplotlib import rc_context
    from matplotlib.colors import to_hex, to_rgba_array

    for draw in (sheets.timeline_figure, sheets.map_figure):
        with rc_context(STYLE):
            figure = draw(score, SHEET)
        recolour(figure)
        for artist in figure.findobj():
            for name in ("get_color", "get_facecolor", "get_edgecolor"):
                if hasattr(artist, name):
                    found = {to_hex(one) for one in to_rgba_array(getattr(artist, name)())}
                    assert not found & set(COLOURS.values()), (artist, name)


def test_paper_has_the_pages_light_colours() -> None:
    """Colours on paper are the page's light ones; paper itself is white."""
    style = (ROOT / "fieldscore" / "report" / "templates" / "style.css").read_text(encoding="utf-8")
    light = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style.partition("}")[0]))
    assert set(PAPER) == set(COLOURS)
    assert {name: light[name] for name in PAPER if name != "paper"} == {
        name: colour for name, colour in PAPER.items() if name != "paper"
    }


def test_lines_fit() -> None:
    """Wrapped lines hold every word in order and none is wider than asked; a long word is cut."""
    text = "The quick brown fox jumps over " + "y" * 200 + " the lazy dog"
    lines = wrapped(text, 9.0, 150.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert max(width_of(line, 9.0) for line in lines) <= 150.0 * 1.01
    assert wrapped("", 9.0, 150.0) == []


def test_text_stays_on_the_page() -> None:
    """Long tables and lists turn the page: nothing is written into the margins or past the foot."""
    paper = Paper("long", "maker")
    paper.table(("a", "b"), [(f"row {number} " * 9, "1") for number in range(120)], (4, 1), right=1)
    paper.bullets(["word " * 60] * 30)
    paper.pictures([(np.zeros((40, 60, 3), dtype=np.uint8), "t", "u" * 20)] * 7)
    assert paper.pages > 4
    for page in paper._pages:
        for text in page.texts:
            x, y = text.get_position()
            assert MARGIN - 0.5 <= x * A4[0] <= MARGIN + INNER + 0.5
            assert MARGIN - 12.0 <= y * HEIGHT <= HEIGHT - MARGIN + 0.5
