"""The report page, parsed: figures are those of flight.json, nothing else is needed, names are text."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest
from builders import build_record, build_score, jpeg, unmeasured

from fieldscore.report import dump_json, flight_json, plain_verdict, render_html, terminal_summary, words
from fieldscore.report.cautions import CAUTIONS
from fieldscore.report.instrument import script
from fieldscore.score import Score

VOID = {"meta", "link", "br", "img", "image", "input", "use", "path", "rect"}
HOSTILE = (
    "<script>alert(1)</script>.mp4",
    '"><img src=x onerror=alert(1)>',
    "{{ 7 * 7 }}{% raw %}",
    "evil\u202egpj.4pm",
    "two\nlines",
    "'; --</style></title>",
    "javascript:alert(1)",
    "\udc80\ud800",
)


class Page(HTMLParser):
    """What a page holds: elements with attributes, text, figures, and whether every element is closed."""

    def __init__(self, text: str) -> None:
        """Read the whole page."""
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.text = ""
        self.spaced = ""  # the same with a space between elements
        self.figures: dict[str, tuple[str, str]] = {}
        self.open: list[str] = []
        self._figure: dict[str, str] | None = None
        self._words = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        found = {key: value or "" for key, value in attrs}
        self.elements.append((tag, found))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "data":
            self._figure, self._words = found, ""

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element that closes itself."""
        self.elements.append((tag, {key: value or "" for key, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        """Close an element; a page out of order fails here."""
        if tag in VOID:
            return
        assert self.open.pop() == tag
        if tag == "data" and self._figure is not None:
            self.figures[self._figure["data-key"]] = (self._figure["value"], self._words.strip())
            self._figure = None

    def handle_data(self, data: str) -> None:
        """Collect text outside of style sheet and scripts."""
        if self.open and self.open[-1] not in {"style", "script"}:
            self.text += data
            self.spaced += f" {data}"
        if self._figure is not None:
            self._words += data


@pytest.fixture(scope="module")
def score() -> Score:
    """The default flight."""
    return build_score()


@pytest.fixture(scope="module")
def page(score: Score) -> Page:
    """Its report."""
    return Page(render_html(score, {}))


def found_at(data: Any, path: str) -> Any:
    """The value at a dotted path."""
    for key in path.split("."):
        data = data[int(key)] if isinstance(data, list) else data[key]
    return data


def test_every_figure_is_that_of_flight_json(score: Score, page: Page) -> None:
    """Each figure on the page equals the one at its place in flight.json, and reads as that figure."""
    flight = json.loads(dump_json(flight_json(score)))
    assert len(page.figures) >= 25
    for key, (value, text) in page.figures.items():
        expected = found_at(flight, key)
        if expected is None:
            assert (value, text) == ("", "not measured")
            continue
        assert float(value) == expected
        shown = re.match(r"-?[\d.]+", text)
        assert shown is not None
        if ":" in text:
            assert text == words.moment(expected)
            continue
        if key == "usable.effective_samples":
            assert text == f"{expected:.1f}"
            continue
        scale = 100.0 if key == "usable.share" or key.startswith("usable.lost_by_cause") else 1.0
        # a share within half a percentage point, another figure within half of its last of three digits
        assert float(shown.group()) == pytest.approx(scale * expected, rel=0.006, abs=0.51 if scale > 1 else 0.051)


def test_main_figures_are_on_the_page(score: Score, page: Page) -> None:
    """Share, every cause, gaps, samples, every measure and stability figure are shown."""
    flight = flight_json(score)
    wanted = {f"usable.{key}" for key in ("share", "effective_samples", "longest_gap_s", "gaps_per_minute")}
    wanted |= {f"usable.lost_by_cause.{cause}" for cause in flight["usable"]["lost_by_cause"]}
    wanted |= {f"measures.{name}.{key}" for name in flight["measures"] for key in ("median", "p5", "p95")}
    wanted |= {f"stability.{name}" for name in flight["stability"]}
    assert wanted <= set(page.figures)


def test_page_says_it_in_words(score: Score, page: Page) -> None:
    """The verdict, every caution, every note and every threshold with its reason are on the page."""
    text = " ".join(page.text.split())
    assert plain_verdict(score) in text
    for wanted in (
        *CAUTIONS,
        *flight_json(score)["notes"],
        *(one.reason for one in score.criteria.describe()),
    ):
        assert " ".join(wanted.split()) in text
    assert "95 % interval 67 % to 85 %, from 41.3 effective samples" in text


def test_terminal_and_page_agree_to_the_digit(score: Score, page: Page) -> None:
    """Every figure of the terminal's summary stands on the page with the same digits and unit."""
    text = " ".join(page.spaced.split())
    told = [line.split(None, 1)[1] for line in terminal_summary(score)[1:] if line.split()[0] != "note"]
    figures = [one for line in told for one in re.findall(r"-?\d+(?:[.:]\d+)* ?(?:%|s\b)?", line)]
    assert len(figures) >= 20
    for figure in figures:
        assert re.search(rf"(?<![\d.]){re.escape(figure.strip())}(?!\d)", text), figure


def test_page_tells_where_it_came_from(score: Score, page: Page) -> None:
    """File, hash, codec, size, range and how it is known, losses, overlay, version are on the page."""
    clip = score.record.clip
    for wanted in (
        clip.files[0],
        clip.sha256[0],
        "h264, 8 bit",
        "640 x 480 px, 30 frames/s",
        "narrow, as the file says",
        "code 16, measured from the flight's histogram",
        "3 lost (0.10 s), 2 damaged",
        "1.90 % of the picture",
        "fieldscore 0.",
        clip.problems[0],
    ):
        assert wanted in page.text


def test_page_needs_nothing_else(page: Page) -> None:
    """One script, of our own, no reference outside the file, and a policy that forbids every other script and request."""
    tags = {tag for tag, _ in page.elements}
    scripts = [attributes for tag, attributes in page.elements if tag == "script"]
    assert [one.get("type", "") for one in scripts] == ["application/json", ""]
    assert not tags & {"iframe", "object", "embed", "base", "form", "audio", "video"}
    for tag, attributes in page.elements:
        assert not any(name.startswith("on") for name in attributes)
        for name in ("src", "href"):
            target = attributes.get(name, "#")
            assert target.startswith(("#", "data:")), (tag, target)
    policy = next(
        attributes["content"]
        for tag, attributes in page.elements
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    )
    digest = base64.b64encode(hashlib.sha256(str(script()).encode()).digest()).decode()
    assert policy == f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"


def test_page_has_no_address(score: Score) -> None:
    """Nothing on the page looks like a network address but the names of XML, style sheet and script included."""
    text = re.sub(r'<script type="application/json"[^>]*>.*?</script>', "", render_html(score, {}))
    text = re.sub(r"sha256-[A-Za-z0-9+/=]+", "", text.replace('"http://www.w3.org/2000/svg"', ""))
    assert not re.search(r"https?:|//[a-z]|@import|url\((?!#)", re.sub(r"data:image/[^\"]+", "", text))


def test_page_is_well_formed(page: Page) -> None:
    """Every element is closed and every id is there once."""
    assert page.open == []
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_only_text(page: Page, name: str) -> None:
    """A name that tries to be markup, template or a trick of direction adds no element and is readable."""
    text = render_html(build_score(build_record(name)), {})
    hostile = Page(text)
    assert [tag for tag, _ in hostile.elements] == [tag for tag, _ in page.elements]
    assert words.visible(name) in hostile.text
    assert "49" not in hostile.text[:200]
    text.encode("utf-8")
    assert "\u202e" not in text


def test_moments_show_their_picture(score: Score) -> None:
    """A moment shows the picture given for it, else the nearest small one with that picture's own time."""
    given = jpeg(30.0, 5)
    page = Page(render_html(score, {score.moments[0].time_s: given}))
    pictures = [attributes["src"] for tag, attributes in page.elements if tag == "img"]
    assert len(pictures) == len(score.moments)
    assert pictures[0] == f"data:image/jpeg;base64,{base64.b64encode(given).decode()}"
    assert score.record.evidence.thumbs[13] != given
    # moment 1 is at 12.5 s, where evidence holds a picture; moment 3 at 20 s has its nearest at 20.5 s
    evidence = {base64.b64encode(thumb).decode() for thumb in score.record.evidence.thumbs}
    assert all(uri.partition("base64,")[2] in evidence for uri in pictures[1:])
    assert "nearest saved picture, 0:20.5" in page.text


def test_a_moment_without_a_readable_zone_says_nothing_of_it(score: Score) -> None:
    """A picture of a lost link is shown with its level alone."""
    lost = replace(score.moments[0], cause="link_lost", readable_percent=float("nan"))
    page = Page(render_html(replace(score, moments=(lost,)), {}))
    assert "of the flying zone readable, level" not in page.text
    assert "of the flying zone readable, level" in Page(render_html(score, {})).text


def test_a_typical_moment_is_called_what_it_was(score: Score) -> None:
    """A typical moment that was not usable is not called usable."""
    row = int(np.argmin(np.abs(score.record.timeline.time_s - 28.0)))
    typical = replace(score.moments[0], kind="typical", cause=None)
    page = Page(render_html(replace(score, moments=(typical,)), {}))
    assert score.cause[row] >= 0
    alts = [attributes["alt"] for tag, attributes in page.elements if tag == "img"]
    assert alts == ["Picture at 0:28.0 min:s, too dark"]


def test_what_is_no_jpeg_is_not_embedded(score: Score) -> None:
    """Bytes that are no JPEG picture are not put on the page as one."""
    page = Page(render_html(score, {score.moments[0].time_s: b"<svg onload=alert(1)>"}))
    pictures = [attributes["src"] for tag, attributes in page.elements if tag == "img"]
    assert all(base64.b64decode(uri.partition("base64,")[2]).startswith(b"\xff\xd8\xff") for uri in pictures)


def test_unmeasured_flight_says_so(score: Score) -> None:
    """A flight without figures gives a page that says not measured and why, and shows no scale."""
    page = Page(render_html(unmeasured(score), {}))
    assert page.figures["usable.share"] == ("", "not measured")
    assert "no sustained motion was found" in page.text
    assert not any(attributes.get("class") == "track" for _, attributes in page.elements)


def test_report_is_deterministic_and_small(score: Score) -> None:
    """The same score gives the same page, under 650 kB beside its pictures."""
    text = render_html(score, {})
    assert text == render_html(score, {})
    assert len(text) < 650_000
