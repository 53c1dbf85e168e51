"""Make the pictures of README and docs: python docs/gallery.py (needs Chromium and the test extras)."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
CLIPS = HERE.parent / "clips"
WIDTH, HEIGHT = 1200, 1500  # px of the page's upper part
PHONE_WIDTH, PHONE_HEIGHT = 390, 844  # px: a common telephone; common practice, no source


@dataclass(frozen=True)
class Shot:
    """A picture of a report: its file, what is run, where the report then is, and how it is looked at."""

    name: str
    command: tuple[str, ...]
    report: str
    width: int = WIDTH
    height: int = HEIGHT
    scheme: str = "light"
    at: str = ""  # what to scroll to, "" for the top


NIGHT = ("score", str(CLIPS / "night-lap-camera-b.mp4"))
PAIR = ("compare", *(str(CLIPS / f"night-lap-camera-{name}.mp4") for name in "ab"), "--label", "A", "--label", "B")
TORCH = ("recovery", str(CLIPS / "torch-test-camera-a.mp4"))
SHOTS = (
    Shot("report.png", NIGHT, "night-lap-camera-b/report.html"),
    Shot("timeline.png", NIGHT, "night-lap-camera-b/report.html", height=900, scheme="dark", at="#timeline"),
    Shot("telephone.png", NIGHT, "night-lap-camera-b/report.html", PHONE_WIDTH, PHONE_HEIGHT, at="#timeline"),
    Shot("recovery.png", TORCH, "report.html"),
    Shot("comparison.png", PAIR, "report.html"),
)


def main() -> None:
    """Run each command once on the demo clips and take the pictures of its report."""
    browser_path = shutil.which("chromium")
    if browser_path is None:
        sys.exit("no chromium on this machine; install it and run again")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=browser_path, args=["--no-sandbox", "--disable-gpu"])
        for number, command in enumerate(dict.fromkeys(shot.command for shot in SHOTS)):
            output = Path(folder) / str(number)
            subprocess.run([sys.executable, "-m", "fieldscore", *command, "-o", str(output), "--quiet"], check=True)
            for shot in SHOTS:
                if shot.command == command:
                    take(browser, shot, output)
        browser.close()


def take(browser: Any, shot: Shot, output: Path) -> None:
    """Take one picture."""
    page = browser.new_page(viewport={"width": shot.width, "height": shot.height}, color_scheme=shot.scheme)
    page.goto((output / shot.report).as_uri())
    if shot.at:
        page.evaluate("place => document.querySelector(place).scrollIntoView()", shot.at)
    page.wait_for_timeout(300)  # ms: the film's first sheet is decoded
    page.screenshot(path=str(HERE / "pictures" / shot.name))
    page.close()


if __name__ == "__main__":
    main()
