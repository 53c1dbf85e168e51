"""Sentences of a comparison: shares against each other, what is in neither flight, who is ahead without being sure."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from compare_material import Series, alignment_of, flight, rough, steady
from test_compare import compared, of

from fieldscore.compare import compare_flights
from fieldscore.comparison import Comparison
from fieldscore.criteria import Criteria
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


@pytest.mark.parametrize(("second", "told"), [(24.0, True), (29.0, False)])
def test_who_is_ahead_is_one_sentence(second: float, *, told: bool) -> None:
    """What is not sure is told without saying that nothing differs, at how many places, where it would matter."""
    result = apart("crushed_percent", 30.0, second, 60.0)
    assert of(result, "crushed_percent").interval is None
    text = verdict(result)
    assert text.startswith(
        "Nothing is sure between first and second. By crushed second is ahead by"
        if told
        else "No difference shown between first and second; by crushed it could not be told."
    )
    assert ("No difference shown" in text) is not told
    count = int(np.isfinite(result.places[0].values["crushed_percent"][0]).sum())
    assert (f"independent samples; ahead at {count} of {count} places, behind at 0)" in text) is told


def test_single_flights_do_not_tell_what_rests_on_noise() -> None:
    """Nobody is ahead without an interval by what a mistake in the noise may be, alike at all places; by more, one is."""
    more = verdict(apart("readable_percent", 60.0, 90.0, 60.0))
    assert more.startswith("Nothing is sure between first and second. By picture readable second is ahead by 30")
    assert "could not be told" not in more and "do not tell" not in more
    text = verdict(apart("readable_percent", 60.0, 72.0, 60.0))
    assert text.startswith(
        "By picture readable single flights do not tell which of first and second is better: what can be read is worked out from "
        "how noisy each flight is"
    )
    assert re.search(r"The 1[12]\.\d points between them may be nothing else\.", text)
    assert "By the other measures that can be judged no difference is shown." in text
    for word in ("ahead", "No difference shown", "Nothing is sure"):
        assert word not in text


@pytest.mark.parametrize("size", [0.005, 0.31])
def test_a_headline_without_an_interval_is_no_equality(size: float) -> None:
    """Where usable places have no interval the lead says that they could not be told, and speaks of a size only if it matters."""
    result = apart("crushed_percent", 20.0, 20.0)
    found = [
        replace(one, difference=size, interval=None, better=None, reason="short") if one.measure == "usable" else one
        for one in result.differences
    ]
    text = verdict(replace(result, differences=tuple(found)))
    assert text.startswith("By usable places single flights do not tell")
    assert ("The 31.0 points between them" in text) is (size > 0.05)
    assert "No difference shown" not in text
    withheld = [replace(one, withheld="criteria") if one.measure == "usable" else one for one in found]
    text = verdict(replace(result, differences=tuple(withheld)))
    assert text.startswith(
        "By usable places it could not be told which of first and second is better: criteria differs."
    )


@pytest.mark.parametrize("better", [None, "b"])
def test_a_headline_that_no_pair_measured_is_told(better: Literal["b"] | None) -> None:
    """Where no flights give usable places it is said that they could not be told, beside a verdict by something else, too."""
    result = apart("crushed_percent", 20.0, 20.0)
    none = replace(of(result, "usable"), difference=math.nan, interval=None, better=None, reason="no place is shared")
    crushed = replace(of(result, "crushed_percent"), difference=-5.0, interval=(-6.0, -4.0), better=better)
    text = verdict(replace(result, differences=(none, none, crushed, of(result, "clipped_percent"))))
    told = "By usable places it could not be told which of first and second is better: no place is shared."
    assert told in text
    assert text.startswith("Camera second keeps" if better else told)
    assert "No difference shown" not in text


def test_a_lead_that_may_be_the_coders_is_told_as_that() -> None:
    """Usable places withheld since the camera ahead freezes more say who is ahead, by which shares, and why that may be nothing."""
    result = apart("crushed_percent", 20.0, 20.0)
    usable = replace(
        of(result, "usable"),
        difference=0.167,
        interval=(0.123, 0.21),
        mean_a=0.833,
        mean_b=1.0,
        withheld="share frozen",
    )
    others = tuple(one for one in result.differences if one.measure != "usable")
    text = verdict(replace(result, differences=(usable, *others)))
    assert text.startswith(
        "By usable places second is ahead, 100 % of the places against 83 %, but that may be its coder, which freezes more of the "
        "picture. By the other measures that can be judged no difference is shown."
    )
    larger = replace(usable, difference=0.2)
    text = verdict(replace(result, differences=(usable, larger, *others)))
    assert text.startswith("By usable places second is ahead by up to 20.0 points, but that may be its coder")
    turned = replace(usable, difference=-0.2)
    assert "ahead" not in verdict(replace(result, differences=(usable, turned, *others)))


def test_a_single_pair_without_any_interval_tells_a_large_lead() -> None:
    """Where nothing has an interval, a difference too large to be left unsaid is told with its size; a small one is not."""
    result = apart("crushed_percent", 20.0, 20.0)
    unsure = [replace(one, interval=None, better=None, reason="short") for one in result.differences]
    told = [
        replace(one, difference=-0.845, mean_a=0.845, mean_b=0.0) if one.measure == "usable" else one for one in unsure
    ]
    text = verdict(replace(result, differences=tuple(told)))
    assert text.startswith(
        "Nothing is sure between first and second. By usable places first is ahead, 84 % of the places against 0 %, by the same at "
        "all 240 places: so how sure that is does not show, and a longer flight would not tell either. Fly each camera more often."
    )
    uneven = [replace(one, effective_samples=9.0) for one in told]
    assert "but the flights are too short to be sure of that (9.0 independent samples" in verdict(
        replace(result, differences=tuple(uneven))
    )
    assert "By the other measures" not in text
    text = verdict(replace(result, differences=tuple(unsure)))
    assert text.startswith("It could not be told which of first and second is better: the route they share is too")


def test_flights_that_share_no_place_all_together_are_told_so() -> None:
    """Cameras of whose flights no place is shown by all are not said to have flown too short a route."""
    result = apart("crushed_percent", 20.0, 20.0)
    none = [replace(one, of="flights", difference=math.nan, interval=None) for one in result.differences]
    text = verdict(replace(result, differences=tuple(none)))
    assert text.startswith(
        "It could not be told which of first and second is better: no place is shown by all of their flights."
    )


def of_pairs(*sides: str | None) -> Comparison:
    """Pairs of flights whose crushed differs by 4, 5, 6 ... points, surely for a side.

    Without an interval for b ("-") or a ("+"); with one that holds zero (None); not measured ("?").
    """
    result = apart("crushed_percent", 20.0, 20.0)
    one = of(result, "crushed_percent")
    found = []
    for number, side in enumerate(sides):
        size = math.nan if side == "?" else (4.0 + number) * (1.0 if side in ("a", "+") else -1.0)
        span = None if side in ("-", "+", "?") else (size - 1.0, size + 1.0) if side else (-9.0, 9.0)
        sure: Literal["a", "b"] | None = "a" if side == "a" else "b" if side == "b" else None
        found.append(replace(one, difference=size, interval=span, better=sure, worth=2.0, reason="short"))
    return replace(result, differences=(*found, of(result, "clipped_percent")))


@pytest.mark.parametrize(
    ("sides", "told"),
    [
        (
            ("b", "-", "b", "-", "-"),
            "Not every pair of flights shows a sure difference between first and second. By crushed second is ahead in all 5 pairs "
            "of flights, by 4.00 to 8.00 points; in 2 of them that is sure and matters. This holds",
        ),
        (
            ("-", "-", "-"),
            "Nothing is sure between first and second. By crushed second is ahead in all 3 pairs of flights, by 4.00 to 6.00 "
            "points, but the flights are too short",
        ),
        (("-", None, None), "No difference shown between first and second. This holds"),
        (
            ("a", "b", "b"),
            "Not every pair of flights shows a sure difference between first and second. By crushed the pairs of flights "
            "contradict each other: second is ahead in 2 of 3 (sure in 2), first in 1 (sure in 1). This holds",
        ),
        (
            ("b", "+", "+", "+"),
            "Not every pair of flights shows a sure difference between first and second. By crushed the pairs of flights "
            "contradict each other: second is ahead in 1 of 4 (sure in 1), first in 3 (sure in none). This holds",
        ),
        (
            ("-", "+", "+"),
            "Nothing is sure between first and second. By crushed first is ahead in 2 of 3 pairs of flights (second in 1), by "
            "5.00 to 6.00 points, but",
        ),
        (
            ("b", None),
            "Not every pair of flights shows a sure difference between first and second. By crushed second is ahead in 1 of 2 "
            "pairs of flights, by 4.00 points; that is sure and matters. This holds",
        ),
        (
            ("-", "b", "?"),
            "Not every pair of flights shows a sure difference between first and second. By crushed second is ahead in both pairs "
            "of flights that measured it, by 4.00 to 5.00 points; in 1 of them that is sure and matters. This holds",
        ),
        (
            ("?", "b"),
            "Camera second keeps more of the unlit part: 5.00 points of the picture (95 % interval 4.00 to 6.00; measured in "
            "1 of 2 pairs of flights). This holds",
        ),
        (("?", "?"), "No difference shown between first and second. This holds"),
    ],
)
def test_pairs_of_flights_are_counted(sides: tuple[str | None, ...], told: str) -> None:
    """Of several pairs of flights without one verdict it is told how many agree and how many are sure."""
    assert verdict(of_pairs(*sides)).startswith(told)


def test_what_was_not_measured_is_not_the_same_everywhere() -> None:
    """Figures that no flight shows are not called equal."""
    result = apart("crushed_percent", 20.0, 20.0)
    gone = [replace(one, difference=math.nan, interval=None, better=None) for one in result.differences]
    assert "the same at every place" not in verdict(replace(result, differences=tuple(gone)))


def test_the_player_names_flights_by_their_labels() -> None:
    """Labels of one letter are shown as they are given: no letter of our own and no file name in their place."""
    result = apart("crushed_percent", 20.0, 10.0)
    page = render_comparison(replace(result, labels=("A", "X")), {})
    data = [json.loads(one) for one in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.S)]
    labels = [
        track["label"] for one in data for track in one.get("tracks", [one]) if "label" in track and "film" in track
    ]
    assert labels == ["A", "X"]


def test_blooms_are_not_of_lamps_alone() -> None:
    """A verdict by blooms does not speak of lamps on a course that may have had none but the sun."""
    result = apart("bloom_radius_percent", 20.0, 10.0)
    assert "Camera second blooms less around lamps or the sun: " in verdict(result)


@pytest.mark.parametrize(
    ("first", "second", "told"),
    [
        ([0.0], [0.97], "first does not hunt; second swings by 0.97 stops every 1.5 s."),
        ([None], [0.97], "first: not known whether it hunts; second swings by 0.97 stops every 1.5 s."),
        (
            [0.0, None],
            [0.97, 0.3],
            "first does not hunt in 1 of 2 flights, not known in 1; second swings by up to 0.97 stops",
        ),
        (
            [0.0, 0.0],
            [0.97, 0.0],
            "first does not hunt in 2 of 2 flights; second swings by 0.97 stops every 1.5 s in 1 of 2",
        ),
        ([0.0], [None], None),
    ],
)
def test_hunting_is_told_by_the_flight(first: list[float | None], second: list[float | None], told: str | None) -> None:
    """Whose exposure hunts stands in the verdict, though it is not compared by the place; nothing where nobody's does."""
    result = apart("crushed_percent", 20.0, 10.0)
    stops, labels = [*first, *second], ["first"] * len(first) + ["second"] * len(second)
    plain = result.scores[0]
    scores = [
        replace(plain, stability=replace(plain.stability, hunting_stops=one, hunting_period_s=1.48)) for one in stops
    ]
    pairs = {(a, b): alignment_of(WAY, WAY) for b in range(len(scores)) for a in range(b)}
    text = verdict(compare_flights(scores, labels, pairs, Criteria()))
    assert ("Hunting is told by the flight, not by the place: " in text) == (told is not None)
    assert told is None or told in text


@pytest.mark.parametrize(
    ("stops", "told"),
    [((0.35, 0.0), " by the place"), ((0.35, None), " by the place"), ((0.35, 0.2), ""), ((0.0, 0.0), "")],
)
def test_hunting_of_one_alone_is_a_difference(stops: tuple[float | None, float | None], told: str) -> None:
    """Where one camera hunts and the other does not, no difference is shown by the place only."""
    result = of_pairs(None, None)
    scores = tuple(
        replace(score, stability=replace(score.stability, hunting_stops=one, hunting_period_s=1.2))
        for score, one in zip(result.scores, stops, strict=True)
    )
    assert verdict(replace(result, scores=scores)).startswith(f"No difference shown between first and second{told}. ")


@pytest.mark.parametrize(("apart", "told"), [(0.0, "did not differ by"), (0.4, "differed by up to 40.0 points of")])
def test_flights_of_one_camera_that_agree_are_said_to(apart: float, told: str) -> None:
    """Two flights of one camera whose usable places are the same do not differ "by up to 0 points"."""
    plain = apart_of(apart)
    assert f"Two flights of one camera {told} usable places." in verdict(plain)


def apart_of(usable: float) -> Comparison:
    """Two flights of the first camera and one of the second; the first two differ by this share of usable places."""
    score = flight(WAY, {})
    pairs = {pair: alignment_of(WAY, WAY) for pair in ((0, 1), (0, 2), (1, 2))}
    result = compare_flights([score] * 3, ("first", "first", "second"), pairs, Criteria())
    changed = [
        replace(one, difference=usable) if one.measure == "usable" and (one.a, one.b) == (0, 1) else one
        for one in result.differences
    ]
    return replace(result, differences=tuple(changed))
