"""The comparison report in a real browser, where one is installed: quiet, self-contained, fits, and its switch works."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from compare_material import alignment_of, flight, rough, steady
from playwright.sync_api import Page, sync_playwright
from test_report_timeline import AXE_RULES

from fieldscore.compare import compare_flights
from fieldscore.criteria import Criteria
from fieldscore.report import render_comparison

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
# Widths of a common telephone's, tablet's and desk's screen; common practice, no source
PHONE_PX, TABLET_PX, DESK_PX = 390, 820, 1440
LEAST_CONTRAST = 4.5  # WCAG 2.2, success criterion 1.4.3, text of usual size
LABELS = ("<img src=x onerror=alert(1)>" + "x" * 60, "lit")

pytestmark = pytest.mark.skipif(BROWSER is None, reason="chromium is not installed")

# Ratio of contrast of every text against the colour behind it (WCAG 2.2, definition of relative luminance); texts on
# pictures and in drawings are left out: what is behind them is not one colour.
CONTRASTS = """() => {
  const part = c => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4 };
  const numbers = text => text.match(/[\\d.]+/g).map(Number);
  const light = c => 0.2126 * part(c[0]) + 0.7152 * part(c[1]) + 0.0722 * part(c[2]);
  const behind = e => { for (; e; e = e.parentElement) { const c = numbers(getComputedStyle(e).backgroundColor);
    if (c.length < 4 || c[3] > 0.99) return c } return [255, 255, 255] };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || e.closest('svg, .frame, style') || !e.getClientRects().length) continue;
    const a = light(numbers(getComputedStyle(e).color)), b = light(behind(e));
    found.push([(Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), walker.currentNode.data.trim().slice(0, 40)]);
  }
  return found;
}"""


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of two cameras with two flights each, one of a long hostile name."""
    way = steady(40.0)
    scores = [flight(way, {"crushed_percent": lambda m, n=n: 20 - 9 * (n % 2) + rough(n)(m)}) for n in range(4)]
    pairs = {pair: alignment_of(way, way) for pair in combinations(range(4), 2)}
    result = compare_flights(scores, (*LABELS, *LABELS), pairs, Criteria())
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(render_comparison(result, {}), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A browser without a window."""
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox", "--disable-gpu"])
        yield found
        found.close()


def opened(browser: Any, report: Path, width: int, scheme: str, said: list[str], asked: list[str]) -> Page:
    """The page at a width in a colour scheme; what it logs and asks for is noted."""
    page: Page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(report.as_uri())
    return page


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [PHONE_PX, TABLET_PX, DESK_PX])
def test_page_is_quiet_fits_and_can_be_read(browser: Any, report: Path, width: int, scheme: str) -> None:
    """Nothing is logged or asked for, nothing sticks out sideways, and every text stands out from what is behind it."""
    said: list[str] = []
    asked: list[str] = []
    page = opened(browser, report, width, scheme, said, asked)
    assert said == []
    assert [url for url in asked if not url.startswith("data:")] == [report.as_uri()]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    contrasts = page.evaluate(CONTRASTS)
    assert len(contrasts) > 60
    assert [text for ratio, text in contrasts if ratio < LEAST_CONTRAST] == []
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(browser: Any, report: Path, scheme: str) -> None:
    """With repeats, a hostile label and failed checks the axe checker finds no breach of WCAG 2.2 A and AA."""
    package = pytest.importorskip("axe_playwright_python")
    page = browser.new_page(viewport={"width": DESK_PX, "height": 900}, color_scheme=scheme, bypass_csp=True)
    page.goto(report.as_uri())
    page.evaluate((Path(package.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
    found = page.evaluate("rules => axe.run(document, rules)", AXE_RULES)
    assert [(one["id"], [node["target"] for node in one["nodes"]][:3]) for one in found["violations"]] == []
    page.close()


def test_marks_can_be_switched_off_by_keyboard(browser: Any, report: Path) -> None:
    """The hatching of unreadable tiles is there, goes away with the space bar on its switch, and comes back."""
    page = opened(browser, report, DESK_PX, "light", [], [])
    marks = page.locator(".unreadable")
    assert marks.count() > 0
    assert marks.first.is_visible()
    page.get_by_label("hatch what could not be read there").focus()
    page.keyboard.press("Space")
    assert not marks.first.is_visible()
    page.keyboard.press("Space")
    assert marks.first.is_visible()
    page.close()


def test_hatching_lies_on_the_unreadable_half(browser: Any, report: Path) -> None:
    """The marked tiles cover the lower half of the picture, where the made flight cannot be read, and not the upper."""
    page = opened(browser, report, DESK_PX, "light", [], [])
    boxes = page.evaluate(
        """() => [...document.querySelectorAll('.frame')].filter(f => f.querySelector('.unreadable')).map(f => {
          const p = f.querySelector('.unreadable path').getBoundingClientRect(), i = f.querySelector('img').getBoundingClientRect();
          const down = y => (y - i.top) / i.height, across = x => (x - i.left) / i.width;
          return [down(p.top), down(p.bottom), across(p.left), across(p.right)];
        })"""
    )
    assert boxes
    for top, bottom, left, right in boxes:
        assert top == pytest.approx(0.5, abs=0.02)
        assert bottom == pytest.approx(1.0, abs=0.02)
        assert (left, right) == pytest.approx((0.0, 1.0), abs=0.02)
    page.close()
