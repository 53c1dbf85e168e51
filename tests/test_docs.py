"""What the documents say is so: commands, options, columns, links."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from fieldscore import cli
from fieldscore.criteria import Criteria

ROOT = Path(__file__).parent.parent
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "clips" / "README.md",
    *sorted((ROOT / "docs").glob("*.md")),
]


def _commands() -> list[tuple[str, list[str]]]:
    """Every `fieldscore ...` command line in the documents, from code spans and blocks."""
    found = []
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        lines = re.findall(r"(?:`|&& )(fieldscore [a-z][^`\n#&|]*)", text)
        for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL):
            lines += re.findall(r"^(fieldscore [a-z][^\n#&|]*)", block, re.MULTILINE)
        found += [(page.name, shlex.split(line.strip())) for line in lines]
    return found


@pytest.mark.parametrize(("page", "words"), _commands())
def test_every_command_and_option_exists(page: str, words: list[str]) -> None:
    """A command line in a document names a real command and real options."""
    command = cli.commands.get_command(click.Context(cli.commands), words[1])
    assert command is not None, f"{page}: {' '.join(words)}"
    options = {name for parameter in command.params for name in parameter.opts}
    assert {word for word in words[2:] if word.startswith("--")} <= options, f"{page}: {' '.join(words)}"


@pytest.mark.parametrize(("page", "words"), _commands())
def test_every_command_line_is_understood(page: str, words: list[str]) -> None:
    """A command line in a document is taken by the command as it stands, with a number where the page says N."""
    command = cli.commands.get_command(click.Context(cli.commands), words[1])
    assert command is not None
    given = [re.sub("^N$", "30", word) for word in words[2:]]
    if any(parameter.required for parameter in command.params) and not [one for one in given if one[:1] != "-"]:
        given.append("CLIP")  # the page names the command with an option only
    assert command.make_context(words[1], given).params, f"{page}: {' '.join(words)}"


def test_the_guide_has_commands_and_cautions() -> None:
    """The pilots' guide shows the two tests as commands, and every caution's subject is in it."""
    text = (ROOT / "docs" / "guide.md").read_text(encoding="utf-8")
    shown = {words[1] for page, words in _commands() if page == "guide.md"}
    assert {"score", "recovery", "inspect"} <= shown
    for subject in ("observer", "permission", "sun", "flashing", "Propellers off", "Batteries", "no clearance"):
        assert subject in text


def test_every_report_has_its_picture() -> None:
    """Each picture that the gallery script takes is there, is a PNG, and a document shows it; none is left over."""
    script = (ROOT / "docs" / "gallery.py").read_text(encoding="utf-8")
    named = set(re.findall(r'Shot\("([\w-]+\.png)"', script))
    kept = {path.name for path in (ROOT / "docs" / "pictures").glob("*")}
    assert {"report.png", "recovery.png", "timeline.png"} <= named == kept
    for name in named:
        assert (ROOT / "docs" / "pictures" / name).read_bytes().startswith(b"\x89PNG")
    shown = {name for page in PAGES for name in re.findall(r"pictures/([\w-]+\.png)", page.read_text(encoding="utf-8"))}
    assert named == shown


def test_readme_names_every_command() -> None:
    """The table of commands in README is the list of commands."""
    table = re.findall(r"^\| `fieldscore (\w+)", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert sorted(table) == sorted(cli.commands.commands)


def test_options_in_prose_exist() -> None:
    """Every option that a page names in passing belongs to a command, or to a script that the page names."""
    known = {
        name for command in cli.commands.commands.values() for parameter in command.params for name in parameter.opts
    }
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        scripts = [ROOT / "benchmarks" / f"{name}.py" for name in re.findall(r"python -m benchmarks\.(\w+)", text)]
        own = {one for script in scripts for one in _options_of(script)}
        assert set(re.findall(r"`[^`\n]*?(--[a-z][a-z-]*)", text)) <= known | own, page.name


def _options_of(script: Path) -> set[str]:
    """The options that a script of ours declares."""
    return set(re.findall(r"add_argument\(\s*\"(--[a-z-]+)\"", script.read_text(encoding="utf-8")))


def _scripts() -> list[tuple[str, str]]:
    """Every line in the documents that runs a file of this project."""
    pattern = r"(?:python -m benchmarks\.|python (?=docs/)|bash (?=\.ci/))[^`\n#]*"
    return [
        (page.name, line.strip()) for page in PAGES for line in re.findall(pattern, page.read_text(encoding="utf-8"))
    ]


def test_scripts_are_found_in_the_documents() -> None:
    """The check below has lines to look at, each kind of them."""
    lines = {line.split(" DIR")[0] for _, line in _scripts()}
    assert {"python -m benchmarks.accuracy", "python docs/gallery.py", "bash .ci/run"} <= lines


@pytest.mark.parametrize(("page", "line"), _scripts())
def test_every_script_and_option_exists(page: str, line: str) -> None:
    """A line that runs a script names a file of the project and options that it declares."""
    words = shlex.split(line)
    place = f"{words[2].replace('.', '/')}.py" if words[1] == "-m" else words[1]
    assert (ROOT / place).is_file(), f"{page}: {line}"
    assert {word for word in words if re.match("--[a-z]", word)} <= _options_of(ROOT / place), f"{page}: {line}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    """Every relative link and picture of a document is a file of the project."""
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
        if not target.startswith("http"):
            assert (page.parent / target).exists(), target


def test_scripts_named_as_reasons_exist() -> None:
    """A decision named in code or documents is a script that is there, and it ends in the sentence that it settles."""
    named = set()
    for path in [*ROOT.glob("fieldscore/**/*.py"), *PAGES]:
        named |= set(re.findall(r"docs/decisions/(\w+\.py)", path.read_text(encoding="utf-8")))
    assert named
    for name in named:
        text = (ROOT / "docs" / "decisions" / name).read_text(encoding="utf-8")
        assert re.search(r"[Ss]ets[: ]", text), name


def test_thresholds_in_the_documents_are_the_defaults() -> None:
    """Numbers quoted in the method page are those in force."""
    text = (ROOT / "docs" / "method.md").read_text(encoding="utf-8")
    criteria = Criteria()
    assert f"at least {criteria.usable_zone_readable_percent:g} % of the flying zone" in text
    assert f"over {criteria.airtime_motion_percent_per_s:g} % of the picture's height a second" in text
    assert f"k = {criteria.rose_k:g} times the noise" in text
    assert f"Under {criteria.min_effective_samples:g} effective samples" in text


def test_readmes_example_is_what_the_tool_prints(tmp_path: Path) -> None:
    """The summary shown in README is the one that the tool prints for that demo clip."""
    from fieldscore import Criteria
    from fieldscore.run import Job, run_job

    shown = re.search(r"```text\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    assert shown is not None
    name = shown[1].splitlines()[0]
    outcome = run_job(Job((ROOT / "clips" / f"{name}.mp4",), None, tmp_path, Criteria(), name=name))
    assert list(outcome.summary) == shown[1].splitlines()
