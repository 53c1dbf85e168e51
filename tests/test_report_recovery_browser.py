"""The recovery report in a real browser: one timeline a clip, cameras together at the same time from the edge."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import build_score
from test_report_timeline import (
    AA_TEXT,
    AXE_RULES,
    BROWSER,
    CONTRAST,
    DESKTOP,
    HOSTILE,
    PHONE,
    Opened,
    _grey,
    sync_api,
    watched,
)

from fieldscore.record import Evidence
from fieldscore.recovery import FlashEvent
from fieldscore.report import recovery as recovery_report
from fieldscore.score import Score

pytestmark = pytest.mark.skipif(BROWSER is None, reason="chromium is not installed")

EDGES_S = (12.0, 20.0)  # when the light goes out in each clip


def flash(at_s: float) -> FlashEvent:
    """A light that went out at that time."""
    return FlashEvent(
        "flash_off", at_s, at_s - 1 / 30, at_s, False, 0.4, 0.38, 0.43, 24.0, 0, 0, 0.1, 0.0, 0.0, 1.0, 0.2, True, None
    )


def clip(at_s: float, grey: float) -> Score:
    """A clip with one flash, and pictures of `grey` before it and half of that after."""
    score = build_score()
    times = np.arange(0.0, 60.0, 0.25)
    pictures = tuple(_grey(grey if time < at_s else grey / 2) for time in times)
    evidence = Evidence(times, pictures, score.record.evidence.histogram)
    return replace(score, record=replace(score.record, evidence=evidence), events=(flash(at_s),))


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One browser for all."""
    with sync_api.sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox", "--disable-gpu"])
        yield found
        found.close()


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of two cameras, one with a hostile name."""
    tests = [
        recovery_report.Tested("north", "north.mp4", clip(EDGES_S[0], 200.0), {12.1: _grey(33.0)}),
        recovery_report.Tested(HOSTILE, "south.mp4", clip(EDGES_S[1], 120.0), {}),
    ]
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(recovery_report.render_recovery(tests), encoding="utf-8")
    return path


@pytest.fixture
def opened(browser: Any, file: Path) -> Iterator[Opened]:
    """The report; whatever a test does, the console stays empty and nothing but the file is asked for."""
    with watched(browser, file) as found:
        yield found


def shown_times(page: Any, root: str) -> list[float]:
    """Times of the rows that a timeline shows, one a track."""
    return [float(text.split()[2]) for text in page.locator(f"{root} .view .exact").all_inner_texts()]


def test_cameras_stand_together_at_the_same_time_from_the_edge(opened: Opened) -> None:
    """Wherever the slider stands, both cameras show the same time from their own edge, and their own figures of it."""
    page = opened.page
    root = "#together-flash_off"
    assert shown_times(page, root) == pytest.approx(list(EDGES_S), abs=1 / 60)
    strip = page.locator(f"{root} .slide")
    strip.scroll_into_view_if_needed()
    box = strip.bounding_box()
    page.mouse.move(box["x"] + 0.75 * box["width"], box["y"] + 30)  # -1 to 3 s: three quarters are 2 s after
    assert shown_times(page, root) == pytest.approx([at + 2.0 for at in EDGES_S], abs=1 / 30)
    assert "+2.00 s from the edge" in strip.get_attribute("aria-valuetext")
    strip.focus()
    page.keyboard.press("ArrowRight")
    assert shown_times(page, root) == pytest.approx([at + 2.05 for at in EDGES_S], abs=1 / 30)
    greys = page.evaluate(
        """root => [...document.querySelectorAll(root + ' canvas')].map(one =>
            one.getContext('2d').getImageData(5, 5, 1, 1).data[0])""",
        root,
    )
    assert greys == pytest.approx([100, 60], abs=2)
    values = page.locator(f"{root} label[data-column=level_percent] .value").all_inner_texts()
    assert [text[:2] for text in values] == ["A ", "B "]


def test_a_clips_timeline_begins_at_its_first_event(opened: Opened) -> None:
    """Not at the start of the recording, of which there is no picture."""
    assert [shown_times(opened.page, f"#clip-{number}")[0] for number in (0, 1)] == pytest.approx(
        list(EDGES_S), abs=1 / 30
    )


def test_an_event_leads_to_its_clips_timeline(opened: Opened) -> None:
    """The time of an event in the table moves the timeline of its own clip, and shows the picture taken there."""
    page = opened.page
    link = page.locator('a.jump[href="#clip-1"]').first
    link.click()
    assert shown_times(page, "#clip-1") == pytest.approx([EDGES_S[1]], abs=1 / 30)
    page.locator('a.jump[href="#clip-0"]').first.click()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    assert page.evaluate("document.activeElement.closest('.instrument').id") == "clip-0"
    assert "picture of 12.100 s" in page.locator("#clip-0 .exact").inner_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [PHONE, DESKTOP])
def test_it_fits_and_can_be_read(browser: Any, file: Path, width: int, scheme: str) -> None:
    """At telephone and desktop width, light and dark: no sideways scrolling, and all text in WCAG AA contrast."""
    opened = Opened(browser, file, width, color_scheme=scheme)
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
    assert opened.page.evaluate(CONTRAST, AA_TEXT) == []
    assert opened.said == []
    opened.page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(browser: Any, file: Path, scheme: str) -> None:
    """The axe checker, where it is installed, finds no breach of WCAG 2.2 A and AA."""
    package = pytest.importorskip("axe_playwright_python")
    opened = Opened(browser, file, color_scheme=scheme, bypass_csp=True)
    opened.page.evaluate((Path(package.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
    found = opened.page.evaluate("rules => axe.run(document, rules)", AXE_RULES)
    assert [(one["id"], [node["target"] for node in one["nodes"]][:3]) for one in found["violations"]] == []
    opened.page.close()
