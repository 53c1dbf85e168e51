"""Make the pictures of README: python docs/gallery.py (needs Chromium and the test extras)."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
CLIP = HERE.parent / "clips" / "night-lap-camera-b.mp4"
WIDTH, HEIGHT = 1200, 1500  # px of the page's upper part


def main() -> None:
    """Score a demo clip and take a picture of the upper part of its report."""
    browser_path = shutil.which("chromium")
    if browser_path is None:
        sys.exit("no chromium on this machine; install it and run again")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        subprocess.run([sys.executable, "-m", "fieldscore", "score", str(CLIP), "-o", folder, "--quiet"], check=True)
        browser = playwright.chromium.launch(executable_path=browser_path, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light")
        page.goto((Path(folder) / CLIP.stem / "report.html").as_uri())
        page.screenshot(path=str(HERE / "pictures" / "report.png"))
        browser.close()


if __name__ == "__main__":
    main()
