"""Sentences of a comparison: shares against each other, what is in neither flight, who is ahead without being sure."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from compare_material import Series, alignment_of, flight, rough, steady
from test_compare import compared, of

from fieldscore.comparison import Comparison
from fieldscore.report.compare_page import render_comparison
from fieldscore.report.comparison import comparison_lines
from fieldscore.report.verdict import verdict

WAY = steady(60.0)


def apart(measure: str, first: float, second: float, size_m: float = 1.0, way: Series = WAY) -> Comparison:
    """Two flights that differ in one measure and have another in common; a large `size_m` leaves few independent samples."""
    scores = [
        flight(
            way,
            {
                measure: lambda m, v=value, n=number: v + rough(n, 0.5, size_m)(m),
                "clipped_percent": lambda m, n=number: 5.0 + rough(n + 2)(m),  # alike, and sure to be
            },
            bit_rate=4e6,
            name=f"file {number}",
        )
        for number, value in enumerate((first, second))
    ]
    return compared(scores[0], scores[1], alignment_of(way, way))


def test_a_share_is_told_against_the_other() -> None:
    """The shares of usable places of both flights are told, not points of places."""
    result = apart("crushed_percent", 20.0, 10.0)
    (one,) = [entry for entry in result.differences if entry.measure == "usable"]
    told = replace(one, difference=-0.981, interval=(-1.0, -0.932), mean_a=0.981, mean_b=0.0, better="a")
    text = verdict(replace(result, differences=(told,)))
    assert text.startswith(
        "Camera first can be flown by over more of the route: 98 % of the places against 0 % (95 % interval 93.2 to 100 points)."
    )


def test_what_is_in_neither_flight_is_said_so() -> None:
    """A measure that is zero all along both flights is said to be in neither; one that is even but there has the reason."""
    way = steady(60.0)
    same = {"zone_dark_percent": 0.0, "zone_blown_percent": 3.0}
    lines = comparison_lines(compared(flight(way, same), flight(way, same), alignment_of(way, way)))
    (dark,), (blown,) = (
        [line for line in lines if line.startswith(f"  {name} ")] for name in ("zone too dark", "zone blown out")
    )
    assert dark.endswith("none in either")
    assert "the same at every place" in blown


@pytest.mark.parametrize(
    ("measure", "first", "second", "told"),
    [
        ("crushed_percent", 30.0, 24.0, True),
        ("readable_percent", 60.0, 66.0, False),
        ("readable_percent", 60.0, 90.0, True),
    ],
)
def test_who_is_ahead_is_one_sentence(measure: str, first: float, second: float, *, told: bool) -> None:
    """What is not sure is told without saying that nothing differs, at how many places, and only above what noise may fake."""
    result = apart(measure, first, second, 60.0)
    assert of(result, measure).interval is None
    text = verdict(result)
    assert text.startswith("Nothing is sure between first and second." if told else "No difference shown")
    assert ("No difference shown" in text) is not told
    assert ("second is ahead by" in text) is told
    count = int(np.isfinite(result.places[0].values[measure][0]).sum())
    assert (f"independent samples; ahead at {count} of {count} places, behind at 0)" in text) is told


def test_the_player_names_flights_by_their_labels() -> None:
    """Labels of one letter are shown as they are given: no letter of our own and no file name in their place."""
    result = apart("crushed_percent", 20.0, 10.0)
    page = render_comparison(replace(result, labels=("A", "X")), {})
    data = [json.loads(one) for one in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.S)]
    labels = [
        track["label"] for one in data for track in one.get("tracks", [one]) if "label" in track and "film" in track
    ]
    assert labels == ["A", "X"]
