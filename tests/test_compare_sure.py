"""What a verdict must not leave out, sure leads of either camera, and what it must not claim: of two shapes, of noise."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from compare_material import alignment_of, flight, rough, steady
from test_compare import compared, of

from fieldscore.comparison import USABLE, Comparison, Difference
from fieldscore.report.verdict import verdict
from fieldscore.score import Score

WAY = steady(60.0)


def plain(**measures: float) -> Score:
    """A flight of noisy even measures."""
    return flight(WAY, {name: value + 0.0 for name, value in measures.items()}, bit_rate=4e6)


def pairs_of(result: Comparison, measure: str, sides: str, size: float) -> list[Difference]:
    """A pair of flights a letter: surely ahead for "a" or "b", "-" for b ahead without an interval."""
    found = []
    for side in sides:
        difference = size if side == "a" else -size
        better: Literal["a", "b"] | None = "a" if side == "a" else "b" if side == "b" else None
        interval = (difference - 0.5, difference + 0.5) if better else None
        one = of(result, "crushed_percent")
        found.append(
            replace(one, measure=measure, difference=difference, interval=interval, better=better, worth=2.0, reason="short",
                    effective_samples=9.0, withheld=None)
        )  # fmt: skip
    return found


def two() -> Comparison:
    return compared(plain(crushed_percent=20.0), plain(crushed_percent=20.0), alignment_of(WAY, WAY))


def test_a_lead_that_is_not_sure_hides_no_sure_one() -> None:
    """Of four pairs one camera is ahead in all, without being sure; the other surely in two by another measure: both are told."""
    result = two()
    found = [*pairs_of(result, "crushed_percent", "----", 5.0), *pairs_of(result, "clipped_percent", "aa", 4.0)]
    found += [replace(one, interval=None, better=None) for one in pairs_of(result, "clipped_percent", "aa", 4.0)]
    text = verdict(replace(result, differences=tuple(found)))
    assert text.startswith(
        "Not every pair of flights shows a sure difference between first and second. By clipped first is ahead in all 4 pairs of "
        "flights, by 4.00 points; in 2 of them that is sure and matters. By crushed second is ahead in all 4 pairs"
    )
    assert "Nothing is sure" not in text


def test_every_sure_lead_is_named() -> None:
    """Sure in part of the pairs: of each camera the first measure in full and the others by name, whatever was told before."""
    result = two()
    found = [*pairs_of(result, "zone_readable_percent", "b-", 5.0), *pairs_of(result, "crushed_percent", "b-", 5.0)]
    found += [*pairs_of(result, "clipped_percent", "a-", 4.0), *pairs_of(result, "zone_dark_percent", "b-", 5.0)]
    found += [
        *pairs_of(result, "bloom_radius_percent", "a-", 4.0)[:1],
        *pairs_of(result, "bloom_radius_percent", "b", 4.0),
    ]
    # in what can be read more is better, which turns who is ahead
    found = [
        replace(one, difference=-one.difference) if one.measure == "zone_readable_percent" else one for one in found
    ]
    text = verdict(replace(result, differences=tuple(found)))
    assert "By flying zone readable second is ahead in 1 of 2 pairs" in text
    assert "By clipped the pairs of flights contradict each other: first is ahead in 1 of 2 (sure in 1)" in text
    assert "By bloom the pairs of flights contradict each other" in text
    assert "Sure in part of the pairs, too: second by crushed, zone too dark." in text


def test_pictures_of_two_shapes_lose_what_can_be_read_and_nothing_else() -> None:
    """A wide picture against 4:3: crushed is judged, what can be read and usable places are not, and the verdict says why."""
    scores = [
        flight(
            WAY,
            {
                "zone_readable_percent": lambda m, v=zone: v + rough(int(v))(m),
                "crushed_percent": lambda m, v=crushed: v + rough(int(v) + 1)(m),
            },
            bit_rate=4e6,
            width=640,
            height=height,
        )
        for zone, crushed, height in ((60.0, 30.0, 360), (90.0, 20.0, 480))
    ]
    result = compared(scores[0], scores[1], alignment_of(WAY, WAY))
    assert {of(result, name).withheld for name in ("zone_readable_percent", USABLE)} == {"picture shape"}
    assert of(result, "crushed_percent").better == "b"
    text = verdict(result)
    assert text.startswith("Camera second keeps more of the unlit part")
    assert (
        "By usable places it could not be told which of first and second is better: their pictures are not of one shape."
        in text
    )
    assert "picture shape (one sees more above and below, or beside: " in text
    bare = [replace(one, interval=None, better=None) for one in result.differences]
    assert verdict(replace(result, differences=tuple(bare))).startswith("By usable places it could not be told")


@pytest.mark.parametrize(
    ("length_s", "apart", "better", "ahead"),
    [(12.0, 0.54, None, False), (12.0, 0.8, None, True), (60.0, 0.4, "a", False)],
)
def test_flights_of_one_camera_differ_in_noise(length_s: float, apart: float, better: str | None, ahead: bool) -> None:
    """By noise that two flights of one camera may differ by, nobody is ahead in short flights; by more, or in long ones, one is."""
    way = steady(length_s)
    scores = [
        flight(way, {"noise_percent": lambda m, v=value, s=seed: v + rough(s, 0.1, 0.4)(m)}, bit_rate=4e6)
        for seed, value in ((1, 2.0), (2, 2.0 + apart))
    ]
    result = compared(scores[0], scores[1], alignment_of(way, way))
    one = of(result, "noise_percent")
    assert one.better == better
    bare = result
    if better is None:
        bare = replace(result, differences=tuple(replace(o, interval=None, better=None) for o in result.differences))
    assert ("By noise first is ahead" in verdict(bare)) is ahead


@pytest.mark.parametrize(("other", "told"), [(None, True), ((0.5, 1.4), False)])
def test_a_swing_that_is_not_sure_is_told_of_one_camera(other: tuple[float, float] | None, told: bool) -> None:
    """Where the exposure of one camera alone nearly stands out by a swing, the verdict says that it may hunt."""
    result = two()
    scores = [
        replace(score, stability=replace(score.stability, hunting_stops=None, hunting_unsure=swing))
        for score, swing in zip(result.scores, ((0.6, 1.2), other), strict=True)
    ]
    text = verdict(replace(result, scores=tuple(scores)))
    assert (
        "Hunting is told by the flight, not by the place: first may hunt by 0.60 stops every 1.2 s (not sure: that stands out by "
        "too little); second: not known whether it hunts." in text
    ) is told
    assert ("may hunt" in text) is told


@pytest.mark.parametrize(("mean", "told"), [(0.01, False), (4.0, True)])
def test_what_neither_flight_shows_is_no_likeness(mean: float, told: bool) -> None:
    """That no difference is shown is said of what flights show, not of 0.01 % against none."""
    result = two()
    usable = replace(of(result, USABLE), difference=0.3, interval=None, better=None, reason="short")
    crushed = replace(
        of(result, "crushed_percent"),
        difference=-0.01,
        interval=(-0.02, 0.01),
        mean_a=mean,
        mean_b=mean - 0.01,
        better=None,
    )
    text = verdict(replace(result, differences=(usable, crushed)))
    assert ("By the other measures that can be judged no difference is shown." in text) is told


def test_of_two_laps_the_stretch_compared_is_told() -> None:
    """A flight of one lap matches part of one of two: which part is noted; where nearly all of both is, nothing is."""
    twice, once = steady(60.0), steady(30.0)
    measures = {"crushed_percent": 20.0}
    result = compared(flight(twice, measures), flight(once, measures), alignment_of(twice, once))
    assert [note for note in result.notes if "compared are" in note] == [
        "flights 1 (first) and 2 (second): compared are 0.0 to 30.0 s of flight 1 and 0.0 to 30.0 s of flight 2; the rest is not "
        "(another lap, or what only one of them flew)"
    ]
    assert not any("compared are" in note for note in two().notes)
    assert np.isfinite(result.alignments[0].found.time_a_s).all()


def test_pairs_that_contradict_each_other_are_told_as_that_after_a_sure_one() -> None:
    """Of a camera named already a measure with pairs the other way round is told in full, never by name alone."""
    result = two()
    found = pairs_of(result, "crushed_percent", "b-", 5.0)
    found += [*pairs_of(result, "zone_dark_percent", "b", 5.0), *pairs_of(result, "zone_dark_percent", "--", -5.0)]
    text = verdict(replace(result, differences=tuple(found)))
    assert (
        "By zone too dark the pairs of flights contradict each other: second is ahead in 1 of 3 (sure in 1), first in 2"
        in text
    )


def test_one_place_is_not_the_same_everywhere() -> None:
    """A difference of a single shared place has no interval for want of places, and a longer flight would tell more."""
    result = two()
    one = replace(
        of(result, "crushed_percent"), difference=-20.0, interval=None, better=None, effective_samples=math.nan,
        reason="short", withheld=None, n=(1, 1),
    )  # fmt: skip
    text = verdict(replace(result, differences=(one,)))
    assert "one place says too little to be sure of that: fly longer" in text and "same at all" not in text
    even = verdict(replace(result, differences=(replace(one, n=(40, 40)),)))
    assert "by the same at all 40 places" in even


def test_what_is_withheld_is_no_sameness() -> None:
    """Usable places of pictures of two shapes that are alike tell nothing: no verdict calls that no difference."""
    result = two()
    one = replace(
        of(result, "crushed_percent"), measure=USABLE, difference=0.0, interval=None, better=None, reason="short",
        withheld="picture shape",
    )  # fmt: skip
    other = replace(
        of(result, "clipped_percent"), difference=0.5, interval=None, better=None, reason="short", withheld=None
    )
    text = verdict(replace(result, differences=(one, other)))
    assert "No difference" not in text and "could not be told" in text
