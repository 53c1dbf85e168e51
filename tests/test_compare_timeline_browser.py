"""The comparison's shared timeline in a real browser: both cameras at the same place, right pictures, checked by axe."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from compare_material import Series, alignment_of, flight, rough, steady
from flight_material import RATE
from test_report_timeline import AXE_RULES, BROWSER, DESKTOP, PHONE, Opened, _grey, sync_api, watched

from fieldscore.compare import compare_flights
from fieldscore.criteria import Criteria
from fieldscore.record import Evidence
from fieldscore.report import render_comparison
from fieldscore.score import Score

pytestmark = pytest.mark.skipif(BROWSER is None, reason="chromium is not installed")

ROUTE_M = 40.0
SPEEDS_M_S = (1.0, 1.25)
STARTS_M = (0.0, 4.0)  # the second recording begins farther along
GREY_OF = (30.0, 45.0)  # of a picture at the start of the route; it brightens with the way, so that it tells its place
GREY_A_METRE = 4.0
PICTURE_EVERY_S = 0.25
ROOT = "#c01route"
# Mean grey of each camera's picture, once both are drawn; read from a copy, which leaves the page's own canvas as it is.
GREYS = """async root => {
    const found = [];
    for (const canvas of document.querySelectorAll(root + ' .view canvas')) {
        const copy = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
        for (let wait = 0; wait < 50; wait += 1) {
            Object.assign(copy.canvas, {width: canvas.width, height: canvas.height});
            copy.drawImage(canvas, 0, 0);
            const data = copy.getImageData(0, 0, canvas.width, canvas.height).data;
            if (data[3]) {
                found.push(data.reduce((sum, one, at) => sum + (at % 4 === 0 ? one : 0), 0) * 4 / data.length);
                break;
            }
            await new Promise(done => setTimeout(done, 20));
        }
    }
    return found;
}"""


def telling(way: Series, camera: int) -> Score:
    """A flight whose pictures tell by their grey which camera's they are and where on the route they were taken."""
    score = flight(way, {"crushed_percent": lambda m: 20.0 - 9.0 * camera + rough(camera)(m)}, name=f"flight {camera}")
    times = np.arange(0.0, len(way) / RATE, PICTURE_EVERY_S)
    metres = np.interp(times, np.arange(len(way)) / RATE, way)
    pictures = tuple(_grey(GREY_OF[camera] + GREY_A_METRE * metre) for metre in metres)
    evidence = Evidence(times, pictures, score.record.evidence.histogram)
    return replace(score, record=replace(score.record, evidence=evidence))


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One browser for all."""
    with sync_api.sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox", "--disable-gpu"])
        yield found
        found.close()


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of two cameras over one route, at different speeds from different places."""
    ways = [steady((ROUTE_M - start) / speed, speed, start) for speed, start in zip(SPEEDS_M_S, STARTS_M, strict=True)]
    scores = [telling(way, camera) for camera, way in enumerate(ways)]
    result = compare_flights(scores, ("dim", "lit"), {(0, 1): alignment_of(*ways)}, Criteria())
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(render_comparison(result, {}), encoding="utf-8")
    return path


@pytest.fixture
def opened(browser: Any, file: Path) -> Iterator[Opened]:
    """The report; whatever a test does, the console stays empty and nothing but the file is asked for."""
    with watched(browser, file) as found:
        yield found


def metres_shown(page: Any, what: str) -> list[float]:
    """Where on the route each camera's `what` ("figures" or "picture") is of."""
    texts = page.locator(f"{ROOT} .view .exact").all_inner_texts()
    times = [float(re.findall(rf"{what} of (\d+\.\d+) s", text)[0]) for text in texts]
    return [start + speed * time for start, speed, time in zip(STARTS_M, SPEEDS_M_S, times, strict=True)]


def assert_same_place(page: Any, metre: float, apart_s: float = PICTURE_EVERY_S / 2) -> None:
    """Both cameras' figures are of this place, their pictures the nearest to it, and these are what is drawn."""
    assert metres_shown(page, "figures") == pytest.approx([metre, metre], abs=2 * max(SPEEDS_M_S) / RATE)
    pictured = metres_shown(page, "picture")
    assert pictured == pytest.approx([metre, metre], abs=max(SPEEDS_M_S) * (2 / RATE + apart_s))
    wanted = [start + GREY_A_METRE * place for start, place in zip(GREY_OF, pictured, strict=True)]
    assert page.evaluate(GREYS, ROOT) == pytest.approx(wanted, abs=1.5)


@pytest.mark.parametrize("share", [0.05, 0.35, 0.62, 0.98])
def test_pointing_shows_both_cameras_at_the_place(opened: Opened, share: float) -> None:
    """Wherever one points along the route, both cameras show the picture and the figures of that place, not of that time."""
    page = opened.page
    strip = page.locator(f"{ROOT} .slide")
    strip.scroll_into_view_if_needed()
    box = strip.bounding_box()
    page.mouse.move(box["x"] + share * box["width"], box["y"] + 20)
    assert_same_place(page, STARTS_M[1] + share * (ROUTE_M - STARTS_M[1]))


def test_keys_move_both_cameras(opened: Opened) -> None:
    """Home, end, arrows and page keys move both cameras together; the slider says where both are."""
    page = opened.page
    strip = page.locator(f"{ROOT} .slide")
    strip.focus()
    for key, metre in (("Home", STARTS_M[1]), ("End", ROUTE_M)):
        page.keyboard.press(key)
        assert_same_place(page, metre, PICTURE_EVERY_S)  # at an end there are pictures on one side only
    page.keyboard.press("Home")
    page.keyboard.press("PageUp")
    page.keyboard.press("ArrowRight")
    first, second = metres_shown(page, "figures")
    assert first > STARTS_M[1] + 1.0
    assert_same_place(page, (first + second) / 2)
    told = strip.get_attribute("aria-valuetext")
    assert "A " in told
    assert "B " in told


@pytest.mark.parametrize(
    ("labels", "shown", "marks"),
    [
        (("dim", "lit"), ["A dim", "B lit"], ["A", "B"]),
        (("A", "X"), ["A", "X"], ["A", "X"]),
        (("B", "longer"), ["B", "longer"], ["B", "longer"]),
        (("1", "AB"), ["A 1", "B AB"], ["A", "B"]),
    ],
)
def test_flights_go_by_their_labels(
    browser: Any, tmp_path: Path, labels: tuple[str, str], shown: list[str], marks: list[str]
) -> None:
    """Each picture, line and figure goes by the given label: with a letter before it, unless one is itself a letter."""
    way = steady(20.0)
    result = compare_flights(
        [telling(way, camera) for camera in (0, 1)], labels, {(0, 1): alignment_of(way, way)}, Criteria()
    )
    path = tmp_path / "report.html"
    path.write_text(render_comparison(result, {}), encoding="utf-8")
    with watched(browser, path) as found:
        views = found.page.locator(f"{ROOT} .view strong").all_inner_texts()
        assert [views, found.page.locator(f"{ROOT} .whose").all_inner_texts()] == [shown, shown]
        told = found.page.locator(f"{ROOT} .slide").get_attribute("aria-valuetext")
        assert [re.search(rf"(^|\W){mark} ", told) is not None for mark in marks] == [True, True]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [PHONE, DESKTOP])
def test_axe_finds_nothing_and_it_fits(browser: Any, file: Path, width: int, scheme: str) -> None:
    """The axe checker, where it is installed, finds no breach of WCAG 2.2 A and AA; nothing sticks out sideways."""
    package = pytest.importorskip("axe_playwright_python")
    opened = Opened(browser, file, width, color_scheme=scheme, bypass_csp=True)
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
    opened.page.evaluate((Path(package.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
    found = opened.page.evaluate("rules => axe.run(document, rules)", AXE_RULES)
    assert [(one["id"], [node["target"] for node in one["nodes"]][:3]) for one in found["violations"]] == []
    opened.page.close()
