"""The report opened in a real browser, where one is installed: no error, no sideways scrolling."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from builders import build_record, build_score, jpeg

from fieldscore.report import render_html

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
PHONE_PX = 390  # width of a common telephone's screen; common practice, no source

pytestmark = pytest.mark.skipif(BROWSER is None, reason="chromium is not installed")


def browse(folder: Path, page: Path, width: int, *options: str) -> tuple[str, str]:
    """Load a page without a window; give the document it became and what the browser logged."""
    assert BROWSER is not None
    done = subprocess.run(
        [
            BROWSER,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-background-networking",
            f"--user-data-dir={folder / 'profile'}",
            f"--window-size={width},900",
            "--enable-logging=stderr",
            "--v=0",
            "--hide-scrollbars",
            *options,
            "--dump-dom",
            page.as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return done.stdout, "\n".join(line for line in done.stderr.splitlines() if ":CONSOLE" in line)


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of a flight with a long hostile name and pictures."""
    score = build_score(build_record("<script>alert(1)</script>" + "x" * 80))
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(render_html(score, {score.moments[0].time_s: jpeg(20.0)}), encoding="utf-8")
    return path


def test_page_loads_without_an_error(report: Path, tmp_path: Path) -> None:
    """The page loads with nothing on the browser's console: no blocked resource, no script, no bad policy."""
    document, console = browse(tmp_path, report, 1440)
    assert "of the airtime usable" in document
    assert console == ""


def test_page_fits_a_telephone(report: Path, tmp_path: Path) -> None:
    """At 390 px nothing sticks out sideways, hostile name included.

    The page itself runs no script, so a copy without its policy, and with a measuring script, is loaded in a
    frame of that width (a browser window cannot be made so narrow).
    """
    text = report.read_text(encoding="utf-8")
    policy = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')
    assert policy.search(text)
    measure = (
        "<script>addEventListener('load', () => parent.postMessage("
        "document.documentElement.scrollWidth + '/' + innerWidth, '*'))</script></body>"
    )
    (tmp_path / "copy.html").write_text(policy.sub("", text).replace("</body>", measure), encoding="utf-8")
    frame = tmp_path / "frame.html"
    frame.write_text(
        "<!DOCTYPE html><body><p id=out>none</p>"
        "<script>onmessage = e => out.textContent = 'width ' + e.data</script>"
        f'<iframe src="copy.html" style="width:{PHONE_PX}px;height:800px;border:0"></iframe></body>',
        encoding="utf-8",
    )
    document, _ = browse(tmp_path, frame, 800, "--virtual-time-budget=5000")
    found = re.search(r"width (\d+)/(\d+)", document)
    assert found is not None
    assert int(found.group(2)) == PHONE_PX
    assert int(found.group(1)) <= PHONE_PX
