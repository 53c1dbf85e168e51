"""The report used in a real browser: pointing, keys, jumps, pictures, colours, names; nothing leaves the file."""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from builders import build_record, build_score, jpeg

from fieldscore.plots import WIDE
from fieldscore.record import Evidence
from fieldscore.report import flight_json, render_html
from fieldscore.report.files import write_timeline
from fieldscore.score import Score

sync_api = pytest.importorskip("playwright.sync_api")

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(BROWSER is None, reason="chromium is not installed")

HOSTILE = "<img src=x onerror=alert(1)></script><script>alert(2)</script>\u202egpj"
PHONE, DESKTOP = 390, 1440  # px: a common telephone, a common desktop; common practice, no source
DURATION_S = 60.0
GREY_A_SECOND = 3.0  # the made pictures brighten so much a second: a picture tells its time
AA_TEXT = 4.5  # WCAG 2.2, 1.4.3: contrast of text
AXE_RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}


def telling_score(name: str = "plain") -> Score:
    """The default flight with pictures whose grey tells their time."""
    score = build_score(build_record(name))
    times = np.arange(0.0, DURATION_S, 0.25)
    pictures = tuple(_grey(20 + GREY_A_SECOND * time) for time in times)
    evidence = Evidence(times, pictures, score.record.evidence.histogram)
    return replace(score, record=replace(score.record, evidence=evidence))


def _grey(value: float) -> bytes:
    done, data = cv2.imencode(".jpg", np.full((90, 120), round(value), dtype=np.uint8))
    assert done
    return data.tobytes()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One browser for all."""
    with sync_api.sync_playwright() as playwright:
        options = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        found = playwright.chromium.launch(executable_path=BROWSER, args=options)
        yield found
        found.close()


@pytest.fixture(scope="module")
def score() -> Score:
    """The flight that is reported."""
    return telling_score(HOSTILE)


@pytest.fixture(scope="module")
def file(score: Score, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its report on disk."""
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(render_html(score, {score.moments[0].time_s: jpeg(20.0)}), encoding="utf-8")
    return path


class Opened:
    """A page in the browser with what it said on its console and what it asked for."""

    def __init__(self, browser: Any, file: Path, width: int = DESKTOP, **options: Any) -> None:
        """Open the file."""
        self.page = browser.new_page(viewport={"width": width, "height": 900}, **options)
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.said.append(dialog.message), dialog.dismiss()))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(file.as_uri())

    def point(self, share: float) -> None:
        """Put the mouse over the strip."""
        strip = self.page.locator(".slide")
        strip.scroll_into_view_if_needed()
        box = strip.bounding_box()
        self.page.mouse.move(box["x"] + share * box["width"], box["y"] + 40)

    def seconds(self) -> tuple[float, float]:
        """Times of the row and of the picture that the page says it shows."""
        found = re.findall(r"([\d.]+) s", self.page.locator(".view .exact").inner_text())
        return float(found[0]), float(found[1])

    def grey(self) -> float:
        """Mean grey of the picture in view."""
        script = """async () => {
            const canvas = document.querySelector('.screen canvas');
            for (let wait = 0; wait < 50; wait += 1) {
                const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
                if (data[3]) return data.reduce((sum, one, at) => sum + (at % 4 === 0 ? one : 0), 0) * 4 / data.length;
                await new Promise(done => setTimeout(done, 20));
            }
            return -1;
        }"""
        return float(self.page.evaluate(script))


@contextmanager
def watched(browser: Any, file: Path) -> Iterator[Opened]:
    """A report on a desktop; in the end its console has to be empty, and nothing but the file asked for."""
    found = Opened(browser, file)
    yield found
    assert found.said == []
    assert {url for url in found.asked if not url.startswith("data:")} == {file.as_uri()}
    found.page.close()


@pytest.fixture
def opened(browser: Any, file: Path) -> Iterator[Opened]:
    """The report on a desktop; whatever a test does, the console stays empty and nothing but the file is asked for."""
    with watched(browser, file) as found:
        yield found


def csv_rows(score: Score) -> tuple[list[str], list[list[str]]]:
    """Header and rows of the flight's timeline.csv."""
    stream = io.BytesIO()
    write_timeline(score, stream)
    text = stream.getvalue().decode("utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    rows = list(csv.reader(io.StringIO("\n".join(lines))))
    return rows[0], rows[2:]


@pytest.mark.parametrize("share", [0.02, 0.21, 0.47, 0.8])
def test_pointing_shows_the_frame_and_the_figures_of_that_moment(opened: Opened, score: Score, share: float) -> None:
    """Over a place of the strip stand the picture of that time and every figure of that row of timeline.csv."""
    opened.point(share)
    row_s, picture_s = opened.seconds()
    assert row_s == pytest.approx(share * DURATION_S, abs=0.1)
    assert picture_s == pytest.approx(row_s, abs=0.126)  # pictures are a quarter second apart
    assert opened.grey() == pytest.approx(20 + GREY_A_SECOND * picture_s, abs=1.5)
    names, rows = csv_rows(score)
    row = min(rows, key=lambda one: abs(float(one[0]) - row_s))
    shown = opened.page.eval_on_selector_all(
        ".figs label", "all => all.map(one => [one.dataset.column, one.querySelector('.value').textContent])"
    )
    assert [name for name, _ in shown] == names[1:]
    for (name, text), cell in zip(shown, row[1:], strict=True):
        if cell == "":
            assert text == "not measured", name
            continue
        if text in {"yes", "no"}:
            assert float(cell) == (text == "yes"), name
            continue
        number = text.split()[0]
        decimals = len(number.partition(".")[2])
        assert abs(float(number) - float(cell)) <= 0.5 * 10.0**-decimals + 1e-9, name


def test_keys_move_along_the_flight(opened: Opened) -> None:
    """The slider is reached by the tabulator key and moved by arrows, page keys, home and end; it tells where it is."""
    page = opened.page
    page.evaluate("document.querySelector('.slide').focus()")
    assert page.evaluate("document.activeElement.getAttribute('role')") == "slider"
    page.keyboard.press("Home")
    assert opened.seconds()[0] == 0.0
    for key, expected in (("ArrowRight", 1 / 30), ("PageUp", 1 + 1 / 30), ("PageDown", 1 / 30), ("ArrowLeft", 0.0)):
        page.keyboard.press(key)
        assert opened.seconds()[0] == pytest.approx(expected, abs=1e-3), key
    page.keyboard.press("End")
    assert opened.seconds()[0] == pytest.approx(DURATION_S - 1 / 30, abs=1e-3)
    strip = page.locator(".slide")
    assert strip.get_attribute("aria-valuetext").startswith("1:00.0 min:s; outside the airtime, Zone readable ")
    assert float(strip.get_attribute("aria-valuenow")) == pytest.approx(DURATION_S, abs=0.1)


def test_jumps_lead_there(opened: Opened, score: Score) -> None:
    """A cause, a gap and an evidence picture lead to their moment, and the keyboard is on the slider afterwards."""
    page = opened.page
    gap = flight_json(score)["gaps"][1]
    for link, expected in (
        (page.locator(".causes a", has_text="too dark"), 24.0),
        (page.locator(".gaps a").nth(1), gap["from_s"]),
        (page.locator(".frame a").first, score.moments[0].time_s),
    ):
        link.click()
        assert opened.seconds()[0] == pytest.approx(expected, abs=1 / 30)
        assert page.evaluate("document.activeElement.className") == "slide"
    page.get_by_role("button", name="loss before").click()
    assert opened.seconds()[0] == pytest.approx(24.0, abs=1 / 30)
    page.get_by_role("button", name="next loss").click()
    assert opened.seconds()[0] == pytest.approx(38.0, abs=1 / 30)


def test_the_plots_follow(opened: Opened) -> None:
    """Over a place of the plots the timeline moves there, with a small picture beside the pointer."""
    page = opened.page
    drawing = page.locator("figure.wide-only.live svg").first
    drawing.scroll_into_view_if_needed()
    box = drawing.bounding_box()
    left = box["x"] + box["width"] * WIDE.left / WIDE.width
    width = box["width"] * (1 - (WIDE.left + WIDE.right) / WIDE.width)
    page.mouse.move(left + 0.5 * width, box["y"] + 60)
    assert opened.seconds()[0] == pytest.approx(30.0, abs=0.1)
    assert "too dark" in page.locator(".peek:visible").inner_text()


def test_the_map_lies_over_the_picture(opened: Opened) -> None:
    """The readability map counts the same tiles as the record at that moment, and can be taken away."""
    page = opened.page
    opened.point(28.0 / DURATION_S)
    tiles = page.locator(".tiles")
    assert tiles.is_visible()
    told = page.locator(".view .read").inner_text()
    seen, known = map(int, re.findall(r"(\d+) of (\d+) tiles", told)[0])
    lost = len(re.findall("M", page.locator(".tiles > path").first.get_attribute("d")))
    assert known - seen == lost > 0
    page.get_by_label("readability map over the picture").uncheck()
    assert not tiles.is_visible()


def test_a_figure_chosen_is_drawn_and_explained(opened: Opened) -> None:
    """Choosing a figure draws its curve and says what it is; one without values cannot be chosen."""
    page = opened.page
    before = page.locator(".graph path").get_attribute("d")
    page.locator("label[data-column=noise_percent]").click()
    assert page.locator(".graph path").get_attribute("d") != before
    assert page.locator(".told").inner_text().startswith("Noise: How strong the grain is that the codec left")


def test_touch_drags_along(browser: Any, file: Path) -> None:
    """A finger on the strip moves along the flight."""
    context = browser.new_context(viewport={"width": PHONE, "height": 800}, has_touch=True, is_mobile=True)
    page = context.new_page()
    page.goto(file.as_uri())
    strip = page.locator(".slide")
    strip.scroll_into_view_if_needed()
    box = strip.bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] * 0.5, box["y"] + 30)
    assert "30." in page.locator(".view .exact").inner_text()
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [PHONE, DESKTOP])
def test_it_fits_and_can_be_read(browser: Any, file: Path, width: int, scheme: str) -> None:
    """At telephone and desktop width, light and dark: no sideways scrolling, and all text in WCAG AA contrast."""
    opened = Opened(browser, file, width, color_scheme=scheme)
    page = opened.page
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(CONTRAST, AA_TEXT) == []
    assert opened.said == []
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(browser: Any, file: Path, scheme: str) -> None:
    """The axe checker, where it is installed, finds no breach of WCAG 2.2 A and AA."""
    package = pytest.importorskip("axe_playwright_python")
    checker = (Path(package.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    opened = Opened(browser, file, color_scheme=scheme, bypass_csp=True)
    opened.page.evaluate(checker)
    found = opened.page.evaluate("rules => axe.run(document, rules)", AXE_RULES)
    assert [(one["id"], [node["target"] for node in one["nodes"]][:3]) for one in found["violations"]] == []
    assert len(found["passes"]) > 10  # it has looked
    opened.page.close()


def test_without_scripts_the_drawings_stay(browser: Any, file: Path) -> None:
    """With scripts off the page says so, and plots, map and pictures are there."""
    page = browser.new_page(java_script_enabled=False)
    page.goto(file.as_uri())
    assert page.get_by_text("Scripts do not run here").is_visible()
    assert page.locator("figure.wide-only svg").first.is_visible()
    assert page.locator(".shots img").count() == len(build_score().moments)
    page.close()


def test_hostile_names_stay_text(opened: Opened) -> None:
    """A name full of markup is shown, not run: no element of it exists (the console is checked on leaving)."""
    assert opened.page.locator("h1").inner_text().startswith("<img src=x onerror=alert(1)></script>")
    assert opened.page.locator("img[src=x]").count() == 0


# Every visible piece of text against the first opaque background behind it, WCAG 2 relative luminance.
CONTRAST = """least => {
  const rgb = text => (text.match(/[\\d.]+/g) || []).map(Number);
  const straight = one => one <= 0.04045 ? one / 12.92 : ((one + 0.055) / 1.055) ** 2.4;
  const light = ([r, g, b]) => [r, g, b].map(one => straight(one / 255))
    .reduce((sum, one, at) => sum + one * [0.2126, 0.7152, 0.0722][at], 0);
  const behind = node => {
    for (let one = node; one; one = one.parentElement) {
      const [r, g, b, a = 1] = rgb(getComputedStyle(one).backgroundColor);
      if (a > 0.7) return [r, g, b];
    }
    return rgb(getComputedStyle(document.documentElement).backgroundColor);
  };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || node.closest('script,style,svg,noscript') || !node.checkVisibility()) continue;
    if (node.closest('label')?.querySelector('input:disabled')) continue;
    const [one, two] = [light(rgb(getComputedStyle(node).color)), light(behind(node))];
    const ratio = (Math.max(one, two) + 0.05) / (Math.min(one, two) + 0.05);
    if (ratio < least) found.push(`${node.className || node.tagName}: ${ratio.toFixed(2)}`);
  }
  return found;
}"""
