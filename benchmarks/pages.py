"""Put a table into a page of docs/ between its markers."""

from __future__ import annotations

import re
from pathlib import Path

DOCS = Path(__file__).parent.parent / "docs"
START, END = "<!-- table -->", "<!-- end of table -->"


def put(name: str, text: str) -> None:
    """Replace what stands between the markers of a page; ValueError where it has none."""
    path = DOCS / name
    page = path.read_text(encoding="utf-8")
    if START not in page or END not in page:
        raise ValueError(f"{name}: no markers {START} and {END} to put the table between")
    page = re.sub(f"{START}.*{END}", lambda _: f"{START}\n{text}\n{END}", page, flags=re.DOTALL)
    path.write_text(page, encoding="utf-8")
