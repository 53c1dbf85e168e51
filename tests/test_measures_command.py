"""`fieldscore measures`: the list of columns, for people and for scripts."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from flight_material import record_of, timeline_of

from fieldscore.cli import commands
from fieldscore.criteria import Criteria
from fieldscore.report import write_flight
from fieldscore.score import score_flight


def _said(*words: str) -> str:
    done = CliRunner().invoke(commands, ["measures", *words])
    assert done.exit_code == 0
    return done.stdout


def test_every_column_of_a_saved_table_is_listed(tmp_path: Path) -> None:
    """Each column of a timeline.csv that scoring writes is in the list, with the same unit, in the same order."""
    folder = write_flight(score_flight(record_of(timeline_of(300)), Criteria()), tmp_path, {})
    with (folder / "timeline.csv").open(encoding="utf-8", newline="") as stream:
        names, units = list(csv.reader(line for line in stream if not line.startswith("#")))[:2]
    listed = [(column["name"], column["unit"]) for column in json.loads(_said("--json"))]
    in_table = list(zip(names, units, strict=True))
    assert in_table[0] == ("time_s", "s")
    assert [one for one in listed if one in in_table] == in_table[1:]
    assert [name for name, _ in listed if name not in names] == ["readable"], "the tiles' figure, kept in tiles.npz"


def test_names_that_scripts_read_are_there() -> None:
    """The columns that were agreed with users have kept their names and units."""
    agreed = {
        "level_percent": "%", "clipped_percent": "%", "crushed_percent": "%", "readable_percent": "%",
        "noise_percent": "%", "usable": "0/1", "link": "0/1",
    }  # fmt: skip
    listed = {column["name"]: column["unit"] for column in json.loads(_said("--json"))}
    assert {name: listed.get(name) for name in agreed} == agreed


def test_the_json_says_all_of_a_column() -> None:
    """Each entry has name, unit, meaning, better and source, and nothing else; a meaning is a sentence, said once."""
    columns = json.loads(_said("--json"))
    assert all(set(column) == {"name", "unit", "better", "summary", "source"} for column in columns)
    assert {column["better"] for column in columns} <= {"lower", "higher", "neither"}
    assert all(column["summary"].endswith(".") and column["source"] for column in columns)
    summaries = [column["summary"] for column in columns]
    assert len(set(summaries)) == len(summaries)


def test_the_text_holds_what_the_json_holds() -> None:
    """A line a column: name, unit, meaning, which way is better where there is one, source."""
    lines = _said().splitlines()
    columns = json.loads(_said("--json"))
    for line, column in zip(lines, columns, strict=True):
        assert line.startswith(f"{column['name']} ")
        assert f" {column['unit']} " in line
        assert column["summary"] in line
        assert line.endswith(f"[{column['source']}]")
        assert (f"({column['better']} is better)" in line) is (column["better"] != "neither")


def test_units_stand_under_each_other() -> None:
    """Names and units are columns of the terminal: no name is so long that it pushes its unit aside."""
    widths = {
        len(line) - len(line.split(maxsplit=1)[1])
        for line, column in zip(_said().splitlines(), json.loads(_said("--json")), strict=True)
        if column["unit"]
    }  # fmt: skip
    assert len(widths) == 1


@pytest.mark.parametrize("words", [["everything"], ["--output", "x"]])
def test_it_takes_no_clips(words: list[str]) -> None:
    """An argument or option that the command does not have is wrong usage."""
    assert CliRunner().invoke(commands, ["measures", *words]).exit_code == 2
