"""The thresholds: each with its reason, read from TOML, refused in plain words."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldscore import units
from fieldscore.criteria import MOST_TILES, Criteria, load_criteria
from fieldscore.errors import CriteriaError

FIELDS = dataclasses.fields(Criteria)


def written(folder: Path, text: str) -> Path:
    """A criteria file with this text."""
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("entry", FIELDS, ids=lambda entry: entry.name)
def test_every_threshold_says_why(entry: dataclasses.Field[object]) -> None:
    """Every threshold carries a unit and a reason, and its default lies in its own range."""
    assert entry.metadata["reason"]
    assert isinstance(entry.metadata["unit"], str)
    if "choices" in entry.metadata:
        assert entry.default in entry.metadata["choices"]
    else:
        assert entry.metadata["unit"]
        assert entry.metadata["low"] <= entry.default <= entry.metadata["high"]  # type: ignore[operator]


@pytest.mark.parametrize("entry", FIELDS, ids=lambda entry: entry.name)
def test_annotation_is_the_type_of_the_default(entry: dataclasses.Field[object]) -> None:
    """What the type checker believes of a threshold is what the loader enforces."""
    assert entry.type == type(entry.default).__name__
    assert type(getattr(Criteria(), entry.name)) is type(entry.default)


def test_defaults_named_in_the_meaning_of_the_figures() -> None:
    """The defaults that the definitions of the figures fix are the ones in force."""
    criteria = Criteria()
    assert (criteria.tile_rows, criteria.tile_columns, criteria.flying_zone) == (12, 16, 0.6)
    assert (criteria.rose_k, criteria.object_contrast, criteria.object_size_px) == (5.0, 0.2, 8.0)
    assert (criteria.clip_margin_codes, criteria.black_level_percent) == (2.0, 5.0)
    assert (criteria.min_effective_samples, criteria.confidence_percent) == (30.0, 95.0)


def test_grey_range_is_under_one_object_step() -> None:
    """The range under which a bright picture is greyed out is just under the reference object's step."""
    criteria = Criteria()
    level = criteria.grey_level_percent / 100
    step = float(units.contrast_step(level, criteria.object_contrast, criteria.transfer_curve)) * 100
    assert criteria.grey_range_percent < step < criteria.grey_range_percent + 0.5


def test_black_level_leaves_under_two_codes() -> None:
    """At the black level the reference object stands out by less than two 8-bit codes of narrow range."""
    criteria = Criteria()
    step = units.contrast_step(criteria.black_level_percent / 100, criteria.object_contrast)
    assert 1.0 < float(step) * units.CodeRange.NARROW.span < 2.0
    assert float(units.stops(units.to_linear(criteria.black_level_percent / 100))) == pytest.approx(-8, abs=0.1)


def test_file_overrides_only_what_it_names(tmp_path: Path) -> None:
    """A file changes what it names and nothing else."""
    criteria = load_criteria(written(tmp_path, 'rose_k = 3\ntransfer_curve = "bt709"\ntile_rows = 9\n'))
    assert criteria == dataclasses.replace(Criteria(), rose_k=3.0, transfer_curve="bt709", tile_rows=9)
    assert type(criteria.rose_k) is float
    assert criteria.changed() == {"tile_rows": 9, "rose_k": 3.0, "transfer_curve": "bt709"}


def test_empty_file_is_the_defaults(tmp_path: Path) -> None:
    """An empty file is no change."""
    assert load_criteria(written(tmp_path, "# nothing\n")) == Criteria()
    assert Criteria().changed() == {}


@pytest.mark.parametrize(
    ("key", "nearest"),
    [
        ("rose", "rose_k"),
        ("tile_colums", "tile_columns"),
        ("usable_zone_readable", "usable_zone_readable_percent"),
    ],
)
def test_unknown_key_names_the_nearest(tmp_path: Path, key: str, nearest: str) -> None:
    """A misspelt entry is refused with the entry it is nearest to."""
    with pytest.raises(CriteriaError, match=f"unknown key '{key}'; nearest is '{nearest}'") as caught:
        load_criteria(written(tmp_path, f"{key} = 5\n"))
    assert caught.value.key == key


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("tile_rows = 1", r"tile_rows is 1: expected a whole number from 2 to 64 \(tiles\)"),
        ("tile_rows = 12.0", r"tile_rows is 12\.0: expected a whole number"),
        ("tile_rows = true", r"tile_rows is True: expected a whole number"),
        (
            "flying_zone = 60",
            r"flying_zone is 60: expected a number from 0\.1 to 1 \(share of width and height\)",
        ),
        ("rose_k = nan", r"rose_k is nan: expected a number from 1 to 20"),
        ("rose_k = inf", r"rose_k is inf: expected a number from 1 to 20"),
        ("rose_k = '5'", r"rose_k is '5': expected a number from 1 to 20"),
        ("rose_k = [5]", r"rose_k is \[5\]: expected a number"),
        (
            "confidence_percent = 0.95",
            r"confidence_percent is 0\.95: expected a number from 50 to 99\.9 \(%\)",
        ),
        (
            "transfer_curve = 'gamma'",
            r"transfer_curve is 'gamma': expected one of srgb, bt709, bt1886, gamma22",
        ),
        ("transfer_curve = 2.2", r"transfer_curve is 2\.2: expected one of srgb"),
        ("[rose_k]\nvalue = 5", r"rose_k is \{'value': 5\}: expected a number"),
    ],
)
def test_wrong_value_says_what_was_expected(tmp_path: Path, line: str, message: str) -> None:
    """A value of the wrong type or out of range is refused with the value and what was expected."""
    with pytest.raises(CriteriaError, match=message) as caught:
        load_criteria(written(tmp_path, line))
    assert caught.value.key in line


def test_construction_checks_too() -> None:
    """Criteria made in code are held to the same ranges as those of a file."""
    with pytest.raises(CriteriaError, match="evidence_count is -1: expected a whole number from 0"):
        Criteria(evidence_count=-1)
    with pytest.raises(CriteriaError, match="airtime_hold_s is nan"):
        dataclasses.replace(Criteria(), airtime_hold_s=math.nan)


def test_broken_file_is_one_plain_line(tmp_path: Path) -> None:
    """A file that is missing, a folder, not text or not TOML is refused in one line that names it."""
    with pytest.raises(CriteriaError, match=r"cannot read gone\.toml: No such file"):
        load_criteria(tmp_path / "gone.toml")
    with pytest.raises(CriteriaError, match="cannot read .*: Is a directory"):
        load_criteria(tmp_path)
    with pytest.raises(CriteriaError, match=r"mine\.toml is not valid TOML: .* \(at line 1, column 10\)"):
        load_criteria(written(tmp_path, "rose_k = \n"))
    binary = tmp_path / "clip.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CriteriaError, match=r"clip\.toml is not valid TOML") as caught:
        load_criteria(binary)
    assert "\n" not in str(caught.value)


@given(st.data())
def test_saved_and_read_back_is_the_same(data: st.DataObject) -> None:
    """Criteria saved as JSON in a result and read back are equal, whatever their values."""
    values = {}
    for entry in FIELDS:
        meta = entry.metadata
        if "choices" in meta:
            values[entry.name] = data.draw(st.sampled_from(meta["choices"]))
        elif isinstance(entry.default, int):
            values[entry.name] = data.draw(st.integers(meta["low"], meta["high"]))
        else:
            values[entry.name] = data.draw(st.floats(meta["low"], meta["high"]))
    values["tile_columns"] = min(values["tile_columns"], MOST_TILES // values["tile_rows"])
    criteria = Criteria.from_mapping(values)
    assert Criteria.from_mapping(json.loads(json.dumps(criteria.to_dict()))) == criteria


def test_description_follows_the_fields() -> None:
    """The description lists each threshold once, with the value in force."""
    criteria = Criteria(rose_k=4.0)
    rows = criteria.describe()
    assert [row.name for row in rows] == [entry.name for entry in FIELDS]
    name, value, unit, reason = next(row for row in rows if row.name == "rose_k")
    assert (name, value, unit) == ("rose_k", 4.0, "noise sigma")
    assert "Rose" in reason
    assert list(criteria.to_dict()) == [row.name for row in rows]


def test_frozen() -> None:
    """Criteria cannot change under a result made with them."""
    with pytest.raises(dataclasses.FrozenInstanceError):
        Criteria().rose_k = 3.0  # type: ignore[misc]
