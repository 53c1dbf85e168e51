"""flight.json: the agreed keys, strict JSON, a reason for everything that is missing."""

from __future__ import annotations

import html
import json
import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from builders import build_record, build_score, unmeasured

from fieldscore.report import dump_json, flight_json
from fieldscore.report.figures import tables
from fieldscore.report.html import render_html
from fieldscore.report.summary import terminal_summary
from fieldscore.score import Score

AGREED = {
    "schema": None,
    "version": None,
    "clip": {
        "files",
        "sha256",
        "codec",
        "width",
        "height",
        "frame_rate",
        "interlaced",
        "duration_s",
        "frames_measured",
        "frames_lost",
        "lost_s",
        "code_range",
        "code_range_from",
        "floor_code",
        "ceiling_code",
    },
    "picture": {"border_px", "overlay_percent"},
    "airtime": {"from_s", "to_s"},
    "usable": {
        "share",
        "ci95",
        "effective_samples",
        "longest_gap_s",
        "longest_gap_at_s",
        "gaps_per_minute",
        "lost_by_cause",
    },
    "measures": {"clipped_percent", "crushed_percent", "level_percent", "readable_percent"},
    "stability": {"level_jitter_percent", "hunting_stops", "hunting_period_s"},
    "lamps": None,
    "events": None,
    "criteria": None,
    "notes": None,
}


@pytest.fixture(scope="module")
def score() -> Score:
    """The default flight."""
    return build_score()


def leaves(data: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every value of nested data with its path."""
    if isinstance(data, dict):
        for key, value in data.items():
            yield from leaves(value, f"{path}.{key}" if path else key)
    elif isinstance(data, list):
        for value in data:
            yield from leaves(value, path)
    else:
        yield path, data


def test_agreed_keys_are_there(score: Score) -> None:
    """Every key that people's scripts read is present, each measure with its four entries."""
    flight = flight_json(score)
    for key, inner in AGREED.items():
        assert key in flight
        if inner is not None:
            assert inner <= set(flight[key])
    assert flight["schema"] == "fieldscore.flight/1"
    assert all(set(found) == {"median", "p5", "p95", "unit"} for found in flight["measures"].values())
    assert set(flight["usable"]["lost_by_cause"]) >= {"too_dark", "blown", "noisy", "recovering", "link_lost"}


def test_figures_are_the_score(score: Score) -> None:
    """The data holds the score's figures, rounded by less than a frame or a hundredth of a percent."""
    flight = flight_json(score)
    assert flight["usable"]["share"] == pytest.approx(score.usable.share, abs=5.1e-5)
    assert flight["usable"]["longest_gap_s"] == pytest.approx(8.0, abs=1e-3)
    assert flight["usable"]["longest_gap_at_s"] == pytest.approx(24.0, abs=1e-3)
    lost = sum(flight["usable"]["lost_by_cause"].values())
    assert lost + flight["usable"]["share"] == pytest.approx(1.0, abs=5e-4)
    for name, summary in score.measures.items():
        assert flight["measures"][name]["median"] == pytest.approx(summary.median, abs=5.1e-5)


@pytest.mark.parametrize("missing", [False, True], ids=["measured", "unmeasured"])
def test_strict_json(score: Score, missing: bool) -> None:
    """The text is standard JSON in ASCII: no NaN, no infinity, and reads back to the same data."""
    flight = flight_json(unmeasured(score) if missing else score)
    text = dump_json(flight)

    def refuse(name: str) -> float:
        raise AssertionError(f"{name} is not JSON")

    assert json.loads(text, parse_constant=refuse) == flight
    assert text.isascii()


def test_infinity_is_refused_before_it_is_written() -> None:
    """A value that JSON cannot hold never reaches a file."""
    with pytest.raises(ValueError, match="JSON compliant"):
        dump_json({"share": math.inf})


@pytest.mark.parametrize("missing", [False, True], ids=["measured", "unmeasured"])
def test_every_null_has_a_reason(score: Score, missing: bool) -> None:
    """Each figure that is null, and each empty list of events, has a note that begins with its place."""
    flight = flight_json(unmeasured(score) if missing else score)
    watched = {key: flight[key] for key in ("usable", "measures", "stability", "lamps")}
    empty = {path for path, value in leaves(watched) if value is None}
    assert empty
    for path in empty:
        place = ".".join(path.split(".")[:2]) if path.startswith("measures") else path
        assert any(note.startswith(f"{place}:") and len(note) > len(place) + 10 for note in flight["notes"]), path
    assert any(note.startswith("events:") for note in flight["notes"])


def test_no_zero_stands_for_missing(score: Score) -> None:
    """What was not measured is null, never 0."""
    flight = flight_json(unmeasured(score))
    assert flight["usable"]["share"] is None
    assert set(flight["usable"]["lost_by_cause"].values()) == {None}
    assert flight["measures"]["level_percent"]["median"] is None


def test_no_gap_is_not_the_same_as_unmeasured(score: Score) -> None:
    """A flight without a gap has length 0 and no time for it, and the note says that there was none."""
    usable = replace(score.usable, longest_gap_s=0.0, longest_gap_at_s=None)
    flight = flight_json(replace(score, usable=usable, gaps=()))
    assert flight["usable"]["longest_gap_s"] == 0.0
    assert any(note == "usable.longest_gap_at_s: there was no gap" for note in flight["notes"])


def test_notes_are_said_once(score: Score) -> None:
    """A note of the record that the score repeats is given once."""
    notes = flight_json(score)["notes"]
    assert len(notes) == len(set(notes))
    assert set(score.record.notes) <= set(notes)


def test_hostile_names_survive_as_data() -> None:
    """Quotes, line breaks and direction characters in a name come back exactly as they were."""
    name = 'a"\n\u202e</script>\udc80'
    flight = flight_json(build_score(build_record(name)))
    assert json.loads(dump_json(flight))["record"]["name"] == name


def test_stops_carry_what_other_curves_would_make_of_them(score: Score) -> None:
    """Hunting and pull-down stand with their least and most under the named curves, the lower first, also where negative."""
    told = replace(
        score,
        stop_range=(0.8, 1.25),
        by_curve={"usable_share": (0.5, 1.0), "zone_readable_percent": (61.0, 97.0)},
        stability=replace(score.stability, hunting_stops=0.4, hunting_period_s=1.2),
        lamps=replace(score.lamps, pulldown_stops=-1.0),
    )
    assert flight_json(told)["by_curve"] == {
        "assumed": "srgb", "one_stop": [0.8, 1.25], "hunting_stops": [0.32, 0.5], "pulldown_stops": [-1.25, -0.8],
        "readable_percent": None, "zone_readable_percent": [61.0, 97.0], "usable_share": [0.5, 1.0],
    }  # fmt: skip
    rows = {row.name: row.figures[0].text for table in tables(told, flight_json(told)) for row in table.rows}
    assert rows["hunting_stops"] == "0.40 (0.32 to 0.50) stops by curve"
    assert rows["pulldown_stops"] == "-1.00 (-1.25 to -0.80) stops by curve"
    span = "the camera's tone curve is not known (srgb is assumed): by another it may be 50 % to 100 %"
    assert any(span in line for line in terminal_summary(told))
    assert f"T{span[1:]}." in html.unescape(render_html(told, {}))
    same = replace(told, by_curve={"usable_share": (0.5, 0.5)})
    assert not any("tone curve" in line for line in terminal_summary(same))
    none = flight_json(replace(told, stop_range=None))
    assert none["by_curve"]["one_stop"] is None and any(
        note.startswith("by_curve.one_stop: ") for note in none["notes"]
    )
    assert none["by_curve"]["usable_share"] == [0.5, 1.0]
    tagged = replace(told, record=replace(told.record, clip=replace(told.record.clip, transfer_tag="hlg")))
    assert any(
        "says that its tone curve is HLG, srgb is assumed: between the two" in line for line in terminal_summary(tagged)
    )
