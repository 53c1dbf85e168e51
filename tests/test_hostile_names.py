"""Names that attack: terminal, table, page and paths of one run stay harmless whatever the files are called."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest
from flight_material import write_flight

from benchmarks.bad_input import command
from fieldscore.report import load_record

NAMES = (
    b"\x1b[2J\x1b[31mred.mp4", b"evil\xe2\x80\xae4pm.exe.mp4", b"two\nlines: cannot.mp4", b"=cmd|' C calc'!A0.mp4",
    b"<img src=x onerror=alert(1)>.mp4", b"{{7*7}}${7*7}.mp4", b"caf\xe9_\xff.mp4", b"L" * 251 + b".mp4", b"CON.mp4",
    b"a\\..\\b.mp4", b"LAP.mp4", b"lap.mp4", b"$(touch pwned);.mp4",
)  # fmt: skip


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
def test_hostile_names_through_a_whole_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder of clips with such names: all scored; every output is harmless, inside its folder, and tells the name again."""
    card, out = tmp_path / "card", tmp_path / "out"
    card.mkdir()
    monkeypatch.chdir(tmp_path)
    whole = write_flight(tmp_path / "whole.mp4", 20)
    for name in NAMES:
        shutil.copy(whole, card / os.fsdecode(name))
    (card / "\x1b]0;title\x07.txt").write_text("left out, and named")
    before = {path.name for path in tmp_path.iterdir()}
    done = command("score", "--json", "-o", out, card)
    assert (done.code, done.strange, len(done.results)) == (0, (), len(NAMES))
    assert all(line.isprintable() for line in done.lines)
    assert {path.name for path in tmp_path.iterdir()} == before | {"out"}
    folders = list(out.iterdir())
    assert (
        len({folder.name.casefold().rstrip(". ") for folder in folders}) >= len(NAMES) - 1
    )  # LAP and lap are two here
    stems = {Path(os.fsdecode(name)).stem for name in NAMES}
    assert {load_record(folder).name for folder in folders} == stems
    for folder in folders:
        assert folder.name.isprintable()
        assert len(folder.name.encode()) <= 120
        table = (folder / "timeline.csv").read_text(encoding="utf-8")
        assert all(one.isprintable() or one in "\r\n" for one in table)
        assert all(not re.match(r"[=+@\t]", cell) for line in table.splitlines() for cell in line.split(","))
        page = (folder / "report.html").read_bytes().decode("utf-8")
        assert "<img src=x" not in page
        assert "\u202e" not in page
        assert "\x1b" not in page


def test_a_name_that_is_not_there_is_told_harmlessly(tmp_path: Path) -> None:
    """Also what cannot be read is named without its control characters, by score and by inspect."""
    for word in ("score", "inspect"):
        done = command(
            word, *(["-o", tmp_path / "out"] if word == "score" else []), tmp_path / "\x1b[2Jno\u202esuch.mp4"
        )
        assert done.code == 1
        assert all(line.isprintable() for line in done.lines)
        assert not (tmp_path / "out").exists()
