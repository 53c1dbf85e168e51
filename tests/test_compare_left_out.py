"""Flights that are not matched with the others: who takes part, what is said of those left out, what the audit counts."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pytest
from compare_material import alignment_of, flight, foreign, rough, steady
from test_compare import CRITERIA, of

from fieldscore import run_compare
from fieldscore.compare import compare_flights
from fieldscore.comparison import Comparison
from fieldscore.criteria import Criteria
from fieldscore.report.compare_facts import counted, whole
from fieldscore.report.verdict import verdict

WAY = steady(60.0)


def flown(labels: str, refused: set[tuple[int, int]], overlap: dict[int, float] | None = None) -> Comparison:
    """Flights of one route by these cameras; B has ten percent more crushed, and the `refused` pairs are not matched.

    `overlap`: the share of the route that a flight is said to have in common with any other, if not all.
    """
    scores = [
        flight(
            WAY,
            {"crushed_percent": lambda m, n=n, v=30.0 if own == "B" else 20.0: v + 0.1 * n + rough(n)(m)},  # type: ignore[misc]
            sha256=(f"{n:064d}",),
        )
        for n, own in enumerate(labels)
    ]
    pairs = {
        pair: foreign()
        if pair in refused
        else alignment_of(WAY, WAY, overlap_share=min((overlap or {}).get(n, 1.0) for n in pair))
        for pair in combinations(range(len(labels)), 2)
    }
    return compare_flights(scores, labels, pairs, CRITERIA)


# Flight 5 of the page matches none but the last one, of its own camera, which does not match all of the first camera's
LOST = {(n, 4) for n in range(4)}


def test_a_flight_that_does_not_match_the_leading_one_takes_nothing_from_the_others() -> None:
    """Of three and four flights one is matched with its own camera alone: the other six have the figures of six, and say so."""
    result = flown("AAABBBB", LOST | {(4, 5), (0, 6)})
    found = of(result, "crushed_percent", "flights")
    assert (found.n, found.better) == ((3, 3), "a")
    assert found.difference == pytest.approx(10.4, abs=0.3)
    assert result.groups == {("A", "B"): ((0, 1, 2), (3, 5, 6))}
    assert result.strangers == (4,)
    assert "Means of 3 and 3 flights" in counted(result, ("A", "B"))
    assert whole(result)["facts"] == "7 flights, 6 of them of one route and compared place by place"
    told = "light 5 (B) is left out: of the others it matches only flight 7 (B)"
    assert f"f{told}" in result.notes
    assert f"3 of each camera: it holds for these cameras on this route. F{told}." in verdict(result)
    (line,) = run_compare._strangers(result)
    assert line == "made: is left out, of the other flights it matches only 7: no stretch of them looks alike"


def test_too_few_that_go_together_are_compared_pair_by_pair() -> None:
    """Where a camera has under three flights left, each pair of flights stands for itself, and the verdict says who is left out."""
    result = flown("AAABBB", LOST | {(0, 5)})
    assert {one.of for one in result.between("A", "B")} == {"places"}
    assert result.groups == {("A", "B"): ((0, 1, 2), (3, 5))}
    assert "could not be matched" in result.checks[0].detail
    text = verdict(result)
    assert text.startswith("Camera A keeps more of the unlit part: ")
    assert (
        "Flight 5 (B) is left out: of the others it matches only flight 6 (B). This holds for these flights only."
        in text
    )
    assert "too short" not in text


# Each flight is matched with all but one of the other camera
CROSSED = {(0, 3), (1, 4), (2, 5)}


def test_flights_that_none_of_them_leads_are_compared_pair_by_pair() -> None:
    """Three flights of each that match, but no one of which matches three of each: the pairs that match say what they show."""
    result = flown("AAABBB", CROSSED)
    assert result.groups == {("A", "B"): ((0, 1, 2), (3, 4, 5))}
    assert {one.of for one in result.between("A", "B")} == {"places"}
    assert [one.better for one in result.between("A", "B") if one.measure == "crushed_percent"] == ["a"] * 6
    assert "6 pairs of flights" in counted(result, ("A", "B"))
    text = verdict(result)
    assert text.startswith("Camera A keeps more of the unlit part: ")
    assert "counts once" not in text
    assert (
        "This holds for these flights only. To say it of A and B, one flight must match 3 of each, itself counted, and none does: "
        "fly A, B, B, A and on in that way, all along one line." in text
    )


def test_a_flight_that_matches_enough_of_both_leads() -> None:
    """Of flights that match as many others the one leads that matches three of each; who does not match it is told so."""
    # Flight 4 of A matches six of the others as flight 8 of B does, but not the fourth of B
    result = flown("AAAABBBB", {(0, 4), (0, 5), (1, 5), (2, 6), (3, 7)})
    assert result.groups == {("A", "B"): ((0, 1, 2), (4, 5, 6, 7))}
    found = of(result, "crushed_percent", "flights")
    assert (found.n, found.better) == ((3, 4), "a")
    told = "light 4 (A) is left out: it does not match flight 8 (B), along which the others are compared"
    assert f"f{told}" in result.notes
    assert f"F{told}. " in verdict(result)


def test_one_that_matches_most_but_too_few_of_a_camera_does_not_lead() -> None:
    """A flight with many matches in its own camera gives way to one with three of each, though that has fewer."""
    strange = {(n, m) for n in (3, 4, 5) for m in (6, 7, 8)}
    result = flown("AAAAAABBB", strange | {(0, 8), (1, 8), (2, 7), (2, 8)})
    assert [len(result.matches_of(n)) for n in (0, 6)] == [7, 5]
    assert result.groups == {("A", "B"): ((0, 1, 2), (6, 7, 8))}
    found = of(result, "crushed_percent", "flights")
    assert (found.n, found.better) == ((3, 3), "a")


def test_the_flight_that_all_match_leads_however_little_it_shares() -> None:
    """The one flight that is matched with all leads, though others share more of the route with the few that match them."""
    result = flown("AAABBB", {(1, 3), (2, 4), (1, 5)}, {0: 0.5})
    found = of(result, "crushed_percent", "flights")
    assert (found.n, found.better) == ((3, 3), "a")


@pytest.mark.parametrize(
    ("labels", "refused", "groups"),
    [
        ("AABBBBB", {(0, 2)}, {("A", "B"): ((0, 1), (2, 3, 4, 5, 6))}),
        ("ABBBB", {(0, n) for n in (1, 2, 3)}, {("A", "B"): ((0,), (4,))}),
        ("AAABBB", {(a, b) for a in range(3) for b in range(3, 6)}, {}),
        ("AAA", {(0, 1), (0, 2)}, {}),
    ],
)
def test_odd_groups_are_compared_by_what_matches(
    labels: str, refused: set[tuple[int, int]], groups: dict[tuple[str, str], object]
) -> None:
    """Cameras of unlike number, of one flight, of no flight that matches, or alone: each has its verdict, none is of no figure."""
    result = flown(labels, refused)
    assert result.groups == groups
    text = verdict(result)
    assert "counts once" not in text
    if groups:
        assert text.startswith("Camera A keeps more of the unlit part: ")
        assert "until each has flown the route 3 times or more" in text
    else:
        assert text.startswith("No comparison: " if "B" in labels else "All flights carry one label: ")


def test_of_three_cameras_two_match() -> None:
    """A camera none of whose flights matches the others' is said not to be compared; the other two have their verdict."""
    result = flown("AAABBBCCC", {(a, b) for a in range(6) for b in range(6, 9)})
    assert set(result.groups) == {("A", "B")}
    assert result.strangers == (6, 7, 8)
    text = verdict(result)
    assert (
        "3 of each camera: it holds for these cameras on this route. Cameras A and C are not compared: no flight of"
        in text
    )
    assert "Cameras B and C are not compared: no flight of one matches a flight of the other." in text


def test_two_halves_that_meet_in_one_pair_are_compared_by_it() -> None:
    """Flights of each camera that match each other say nothing across cameras; those that match the other camera's do."""
    result = flown("AAABBB", {(a, b) for a in range(3) for b in range(3, 6)} - {(0, 3)})
    assert result.groups == {("A", "B"): ((0,), (3,))}
    assert {(one.a, one.b) for one in result.between("A", "B")} == {(0, 3)}
    assert result.strangers == (1, 2, 4, 5)


def test_refused_pairs_are_no_overlap() -> None:
    """Pairs of flights that take part and are not matched fail the check of the overlap; those of a flight left out do not."""
    for refused, told in (
        (LOST | {(4, 5), (4, 6)}, None),
        (LOST | {(4, 5), (4, 6), (1, 5)}, "matched, but 1 of 9 pairs of flights could not be matched; 60"),
    ):
        (check,) = [one for one in flown("AAABBBB", refused).checks if one.check == "overlap of the routes"]
        assert check.ok is (told is None)
        assert told is None or told in check.detail


def test_one_too_short_flight_among_others_is_not_called_another_route() -> None:
    """Beside a flight of another route one too short to be matched leaves it open whether the flights show one route."""
    short = replace(foreign(), reason="only 3.3 s look alike; 4 s are needed", too_short=True)
    score = flight(WAY, {})
    pairs = {(0, 1): foreign(), (0, 2): short, (1, 2): short}
    result = compare_flights([score] * 3, ("dim", "lit", "dim"), pairs, Criteria())
    assert verdict(result).startswith("No comparison: it is not sure that the flights show the same route.")
    assert "Flights 1 (dim) and 3 (dim) cannot be matched: only 3.3 s look alike" in verdict(result)
    assert ["is not sure to show" in line for line in run_compare._strangers(result)] == [True, True, False]
    assert "cannot be matched with any other" in run_compare._strangers(result)[2]
