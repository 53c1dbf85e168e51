"""Every command in the documents is run as a reader would run it, in a folder with the files that they have."""

from __future__ import annotations

import re
import shlex
import sys
from pathlib import Path

import pytest
from reader_material import short_demos, write_readers_files
from test_docs import PAGES

from fieldscore import cli
from fieldscore.simulate import demo

# Lines that are not run here: what they begin with, and why.
NOT_RUN = {
    "python3 -m venv": "makes the environment that these tests run in",
    ". .venv/bin/activate": "enters it",
    "pip install": "installs the program: the whole check does so, in a fresh environment",
    "python -m pytest": "runs these tests, this one among them",
    "python -m benchmarks.": "takes minutes to an hour; the benchmarks' own tests run each on a small case",
    "python docs/gallery.py": "takes the pictures anew, over the kept ones",
    "bash .ci/run": "is the whole check, this test among it",
    "ruff check": "is a step of the whole check",
    "mypy": "is a step of the whole check",
}
# What the tables of commands leave open, and what a reader may put there; a word that is not here stands as it is.
READERS = {
    "score": {"CLIP...": ["clip.mp4"]},
    "inspect": {"CLIP...": ["clip.mp4", "camera-a.mp4"]},
    "recovery": {"CLIP...": ["camera-b.mp4"]},
    "compare": {"CLIP": ["a-1.mp4"], "CLIP...": ["b-1.mp4"]},
    "demo": {"DIR": ["made"], "[DIR]": []},
}
WRITTEN = {
    "score": "fieldscore-results/*/flight.json",
    "recovery": "fieldscore-results/recovery.json",
    "compare": "fieldscore-results/comparison.json",
    "demo": "*/night-lap-camera-b.truth.json",
}


def command_lines() -> list[tuple[str, str]]:
    """Every command line in the documents (page, line): each line of a shell block, and each code span that begins with one."""
    found = []
    programs = r"fieldscore|python|pip|bash|ruff|mypy|pytest"
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        blocks = re.findall(r"```(?:sh|bash|console|shell)\n(.*?)```", text, re.DOTALL)
        lines = [re.sub(r"\s+#.*", "", line) for block in blocks for line in block.splitlines()]
        spans = re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL))
        lines += [span for span in spans if re.match(rf"(?:{programs}) [\w.\"\[-]", span)]
        found += [(page.name, part.strip()) for line in lines for part in line.split("&&") if part.strip()]
    return found


def to_run() -> list[tuple[str, str]]:
    """Those that are run."""
    return [(page, line) for page, line in command_lines() if not line.startswith(tuple(NOT_RUN))]


@pytest.fixture(scope="session")
def readers_files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The reader's files, made once."""
    folder = tmp_path_factory.mktemp("reader")
    write_readers_files(folder)
    return folder


def test_nothing_is_left_out_but_what_is_listed() -> None:
    """What is run is this program alone, all of its commands; and every exception is one that a document needs."""
    lines = to_run()
    assert {line.split()[0] for _, line in lines} == {"fieldscore"}
    assert {line.split()[1] for _, line in lines} == set(cli.commands.commands)
    assert {page for page, _ in lines} >= {"README.md", "guide.md"}
    for start in NOT_RUN:
        assert any(line.startswith(start) for _, line in command_lines()), start


@pytest.mark.parametrize(("page", "line"), to_run())
def test_command_runs(
    page: str,
    line: str,
    readers_files: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A command in a document ends with exit code 0 in the reader's folder, says something, and writes what it promises."""
    words = shlex.split(line)
    for path in readers_files.iterdir():
        (tmp_path / path.name).symlink_to(path)
    given = [one for word in words[1:] for one in READERS.get(words[1], {}).get(word, [word])]
    assert not [one for one in given if re.fullmatch(r"\[?[A-Z]{2,}\]?(\.\.\.)?", one)], f"{page}: {line}"
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(demo, "DEMOS", short_demos())
    monkeypatch.setattr(sys, "argv", ["fieldscore", *given])
    try:
        cli.main()
        code = 0
    except SystemExit as stop:
        code = int(stop.code or 0)
    said = capsys.readouterr()
    assert code == 0, f"{page}: {line}\n{said.err}"
    assert said.out.strip(), f"{page}: {line}"
    assert words[1] not in WRITTEN or list(tmp_path.glob(WRITTEN[words[1]])), f"{page}: {line}"
    assert "--pdf" not in words or list(tmp_path.glob("fieldscore-results/**/report.pdf")), f"{page}: {line}"
