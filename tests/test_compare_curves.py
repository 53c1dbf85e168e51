"""Differences that rest on the tone curve: what is left of them under another, what that forbids, what is said of it."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from compare_material import alignment_of, flight, rough, steady

from fieldscore.compare import compare_flights
from fieldscore.compare_judge import CURVE_TAKES, CURVE_TURNS, withheld_by_others
from fieldscore.comparison import USABLE, Comparison, Difference
from fieldscore.criteria import Criteria
from fieldscore.report.comparison import comparison_json, judgement
from fieldscore.report.verdict import verdict
from fieldscore.score import Score

CRITERIA = Criteria()
WAY = steady(60.0)
AT = CRITERIA.usable_zone_readable_percent


def zoned(zone: float, least: float, most: float, seed: int) -> Score:
    """A flight with a mean readable share of the zone, also under the curves by which it is least and most."""
    wander = rough(seed)
    return flight(
        WAY,
        {
            "zone_readable_percent": lambda m: zone + wander(m),
            "zone_readable_least_percent": lambda m: least + wander(m),
            "zone_readable_most_percent": lambda m: most + wander(m),
        },
    )


def compared(first: Score, second: Score) -> Comparison:
    return compare_flights([first, second], ("dusk", "dawn"), {(0, 1): alignment_of(WAY, WAY)}, CRITERIA)


def of(result: Comparison, measure: str, kind: str = "places") -> Difference:
    (found,) = [one for one in result.differences if one.measure == measure and one.of == kind]
    return found


def test_a_lead_that_another_curve_turns_is_not_judged() -> None:
    """One camera shows more of the zone by the curve assumed, the other by another: nobody is better."""
    result = compared(zoned(70.0, 62.0, 80.0, 1), zoned(80.0, 50.0, 95.0, 2))
    one = of(result, "zone_readable_percent")
    assert one.at_ends is not None
    assert np.array(one.at_ends) == pytest.approx(np.array([[62.0, 50.0], [80.0, 95.0]]), abs=0.5)
    assert one.interval is not None and one.interval[0] > 0.0
    assert one.better is None and one.withheld == CURVE_TURNS
    assert judgement(result, one).endswith("not judged: another tone curve turns it")
    (entry,) = [e for e in comparison_json(result)["differences"] if e["measure"] == one.measure]
    assert entry["by_curve"] == [pytest.approx(pair, abs=1e-4) for pair in one.at_ends]


def test_a_lead_that_another_curve_takes_away_is_not_judged() -> None:
    """By the curve assumed one camera is usable at half of the places, the other at all; by another both are: nobody is better."""

    def lost(metres: np.ndarray) -> np.ndarray:
        return np.where(rough(7, size_m=0.5)(metres) > 0.0, AT - 10.0, AT + 20.0)

    first = flight(
        WAY,
        {
            "zone_readable_percent": lost,
            "zone_readable_least_percent": lambda m: lost(m) - 5.0,
            "zone_readable_most_percent": lambda m: lost(m) + 15.0,
        },
    )
    second = zoned(AT + 20.0, AT + 15.0, AT + 30.0, 3)
    for result, sign in ((compared(first, second), 1.0), (compared(second, first), -1.0)):
        one = of(result, USABLE)
        assert sign * one.difference == pytest.approx(0.5, abs=0.15)
        assert one.at_ends is not None and one.at_ends[1] == (1.0, 1.0)
        assert one.interval is not None and one.better is None and one.withheld == CURVE_TAKES
        assert judgement(result, one).endswith(f"not judged: {CURVE_TAKES} (100 % against 100 %)")
        text = verdict(unsure(result))
        assert text.startswith(
            f"By usable places it could not be told which of {result.labels[0]} and {result.labels[1]} is better: under another "
            "tone curve too little of the difference is left (100 % against 100 %)."
        )
        assert "ahead" not in text and "no difference is shown" not in text


def unsure(result: Comparison) -> Comparison:
    """The comparison with no interval anywhere, judged anew."""
    bare = [replace(one, interval=None, better=None, reason="short", withheld=None) for one in result.differences]
    return replace(result, differences=tuple(withheld_by_others(bare, result.scores, (), CRITERIA)))


@pytest.mark.parametrize(
    ("least", "withheld"),
    [(30.0, CURVE_TURNS), (51.0, CURVE_TAKES), (62.0, CURVE_TAKES), (68.0, CURVE_TAKES), (72.0, None)],
)
def test_a_lead_without_an_interval_must_stand_under_every_curve(least: float, withheld: str | None) -> None:
    """Where another curve leaves less than a mistake in the noise, nobody is ahead by what can be read or is noisy."""
    first, second = zoned(50.0, 50.0, 70.0, 1), zoned(90.0, least, 100.0, 2)
    result = unsure(compared(first, second))
    noisy = replace(
        of(result, "zone_readable_percent"), measure="zone_noisy_percent", direction="lower", difference=-40.0, at_ends=None,
        withheld=None,
    )  # fmt: skip
    result = unsure(replace(result, differences=(of(result, "zone_readable_percent"), noisy)))
    assert [one.withheld for one in result.differences] == [withheld, withheld]
    text = verdict(result)
    if withheld is None:
        assert "By flying zone readable dawn is ahead by" in text
    else:
        assert f"By flying zone readable it could not be told which of dusk and dawn is better: {withheld}" in text
        assert "ahead" not in text
        assert judgement(result, result.differences[0]).startswith(f"not judged: {withheld}")


def test_pairs_of_flights_tell_what_another_curve_leaves() -> None:
    """Of several pairs ahead, of which not all are sure, the figures of the pair of which least is left are told."""
    result = compared(zoned(50.0, 45.0, 70.0, 1), zoned(90.0, 85.0, 99.0, 2))
    one = replace(of(result, "zone_readable_percent"), better="b", withheld=None)
    whole = replace(one, interval=None, better=None)
    less = replace(one, at_ends=((45.0, 46.0), (70.0, 99.0)))
    least = replace(one, at_ends=((45.0, 45.5), (70.0, 99.0)))
    assert (
        "is ahead in all 4 pairs of flights, by 40.0 points; in 3 of them that is sure and matters, but under another tone curve "
        "45.5 % against 45.0 %."
    ) in verdict(replace(result, differences=(whole, less, least, one)))
    assert "under another tone curve" not in verdict(replace(result, differences=(whole, one)))


@pytest.mark.parametrize(("least", "withheld"), [(61.0, CURVE_TAKES), (66.0, CURVE_TAKES), (68.5, None)])
def test_half_of_a_sure_lead_must_stand_under_every_curve(least: float, withheld: str | None) -> None:
    """Ten points of the zone, sure under the curve assumed: where another leaves -1 or 4, nobody is better; by 6.5 one is."""
    result = compared(zoned(70.0, 62.0, 80.0, 1), zoned(80.0, least, 95.0, 2))
    one = of(result, "zone_readable_percent")
    assert one.interval is not None
    assert (one.better, one.withheld) == (None if withheld else "b", withheld)


def test_usable_places_that_are_all_usable_under_a_kind_curve_stay_a_verdict() -> None:
    """Of 80 points of usable places 20 may be left where a curve makes nearly all usable: the lead stands, told with that."""
    result = compared(zoned(50.0, 45.0, 70.0, 1), zoned(90.0, 85.0, 99.0, 2))
    lead = replace(
        of(result, USABLE), difference=0.8, interval=(0.6, 0.9), mean_a=0.1, mean_b=0.9, at_ends=((0.0, 0.6), (0.8, 1.0)),
        better="b", withheld=None,
    )  # fmt: skip
    (one,) = withheld_by_others([lead], result.scores, (), CRITERIA)
    assert one.better == "b" and one.withheld is None
    assert judgement(result, one).endswith("dawn is better, but under another tone curve 100 % against 80 %")


@pytest.mark.parametrize(("spread", "told"), [(1.0, False), (9.0, True)])
def test_curves_unlike_each_other_are_named_where_they_could_make_up_for_it(spread: float, told: bool) -> None:
    """Ten points of the zone stand between curves alike; curves that are worth nine points each way could be all of it."""
    result = compared(zoned(70.0, 70.0 - spread, 70.0 + spread, 1), zoned(80.0, 80.0 - spread, 80.0 + spread, 2))
    assert of(result, "zone_readable_percent").better == "b"
    assert any("as if they were alike" in note for note in result.notes) is told
    assert "under another tone curve" not in verdict(result)


def test_flights_saved_before_the_ends_were_known_are_judged_without() -> None:
    """Where one flight does not say what another curve would do, the difference stands as it is."""
    old = flight(WAY, {"zone_readable_percent": lambda m: 70.0 + rough(1)(m)})
    one = of(compared(old, zoned(80.0, 50.0, 95.0, 2)), "zone_readable_percent")
    assert one.at_ends is None and one.better == "b"


def test_cameras_flown_three_times_are_held_to_it_too() -> None:
    """The ends of a camera are the means of its flights, and a lead of flights that turns is no verdict either."""
    scores = [zoned(70.0 + n / 4.0, 62.0, 80.0, n) for n in range(3)]
    scores += [zoned(80.0 + n / 4.0, 50.0 + n, 95.0, n + 3) for n in range(3)]
    pairs = {(i, j): alignment_of(WAY, WAY) for i, j in combinations(range(6), 2)}
    result = compare_flights(scores, ("dusk",) * 3 + ("dawn",) * 3, pairs, CRITERIA)
    one = of(result, "zone_readable_percent", "flights")
    assert one.at_ends is not None
    assert np.array(one.at_ends) == pytest.approx(np.array([[62.0, 51.0], [80.0, 95.0]]), abs=0.5)
    assert one.withheld == CURVE_TURNS
