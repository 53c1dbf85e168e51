"""Put a table into a page of docs/ between its markers."""

from __future__ import annotations

import re
from pathlib import Path

DOCS = Path(__file__).parent.parent / "docs"
START, END = "<!-- table -->", "<!-- end of table -->"
DARK_START, DARK_END = "<!-- dark table -->", "<!-- end of dark table -->"  # a second table on a page


def put(name: str, text: str, start: str = START, end: str = END) -> None:
    """Replace what stands between the markers of a page; ValueError where it has none."""
    path = DOCS / name
    page = path.read_text(encoding="utf-8")
    if start not in page or end not in page:
        raise ValueError(f"{name}: no markers {start} and {end} to put the table between")
    page = re.sub(f"{start}.*{end}", lambda _: f"{start}\n{text}\n{end}", page, flags=re.DOTALL)
    path.write_text(page, encoding="utf-8")
