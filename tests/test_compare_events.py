"""Recovery times and lamp pull-downs of two cameras: lamps at the same place, lamp by lamp, and the flight as the unit."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from compare_material import Series, alignment_of, flight, foreign, rough, steady
from scipy import stats
from test_compare import CRITERIA, LABELS, of

from fieldscore.align import Alignment
from fieldscore.compare import compare_flights
from fieldscore.compare_events import same_lamps
from fieldscore.compare_judge import welch
from fieldscore.compare_times import difference, paired_difference, row_means
from fieldscore.comparison import Comparison
from fieldscore.lamp_passes import LampPass
from fieldscore.recovery import FlashEvent
from fieldscore.report.compare_facts import counted, row_of
from fieldscore.report.verdict import verdict
from fieldscore.score import Score
from fieldscore.scorecard import Lamps


def passing(way: Series, lamps: dict[float, float], **clip: object) -> Score:
    """A flight that passes lamps: metre of the route at which each is largest, and its pull-down in stops."""
    at = np.interp(list(lamps), way, np.arange(len(way)) / 30.0)
    passes = tuple(
        LampPass(s - 1.0, s + 1.0, s, 2.0, stops, 0.1, s - 1.0, 0.0)
        for s, stops in zip(at.tolist(), lamps.values(), strict=True)
    )
    alike = {"clipped_percent": lambda m: 5.0 + rough(len(way))(m)}  # a measure with an interval, so that more is said
    return replace(flight(way, alike, **clip), lamps=Lamps(passes, float(np.median(list(lamps.values()))), 0.1, None))  # type: ignore[arg-type]


def two(first: dict[float, float], second: dict[float, float]) -> Comparison:
    """Two flights of one route at different speeds, and the lamps each counted."""
    ways = steady(60.0), steady(75.0, 0.8)
    scores = [passing(way, lamps) for way, lamps in zip(ways, (first, second), strict=True)]
    return compare_flights(scores, LABELS, {(0, 1): alignment_of(*ways)}, CRITERIA)


def six(lamps: list[dict[float, float]]) -> Comparison:
    """Six flights of one route in turns by two cameras at different speeds, and the lamps each counted."""
    ways = [steady(60.0 / speed, speed) for speed in (1.0, 1.1, 0.9, 1.0, 1.2, 0.8)]
    scores = [passing(way, own, sha256=(f"{n:064d}",)) for n, (way, own) in enumerate(zip(ways, lamps, strict=True))]
    pairs: dict[tuple[int, int], Alignment] = {
        (i, j): alignment_of(ways[i], ways[j]) for i, j in combinations(range(6), 2)
    }
    return compare_flights(scores, LABELS * 3, pairs, CRITERIA)


def test_lamps_are_compared_lamp_by_lamp() -> None:
    """Where lamps differ more from each other than the cameras do, the shift at the same lamps is found and judged."""
    lamps = {6.0: -0.1, 14.0: -1.5, 22.0: -0.4, 30.0: -1.0, 38.0: -0.7, 46.0: -0.2}
    result = two(lamps, {metre: stops - 0.5 - 0.01 * n for n, (metre, stops) in enumerate(lamps.items())})
    found = of(result, "pulldown_stops", "lamps")
    assert found.difference == pytest.approx(-0.525)
    assert found.interval == pytest.approx((-0.55, -0.5))
    assert (found.better, found.n) == ("a", (6, 6))
    assert found.mean_a == pytest.approx(-0.55)
    assert "dims less when lamps come into view: 0.53 stops" in verdict(result)


def test_other_lamps_are_not_compared() -> None:
    """Lamps that the flights counted at other places tell nothing of the cameras, however many and different they are."""
    first = {4.0 * n: -0.1 for n in range(1, 10)}
    second = {4.0 * n + 2.0: -1.1 for n in range(1, 10)}
    result = two(first, second)
    assert not [one for one in result.differences if one.measure == "pulldown_stops"]
    assert "pull" not in verdict(result)
    assert not [one for one in result.notes if "tone curves" in one]


def test_few_lamps_name_nobody() -> None:
    """Five of the same lamps have no interval, and no word says who is ahead by them; the table keeps the figure."""
    lamps = {8.0 * n: -0.1 for n in range(1, 6)}
    result = two(lamps, dict.fromkeys(lamps, -1.1))
    found = of(result, "pulldown_stops", "lamps")
    assert (found.difference, found.interval, found.better) == (pytest.approx(-1.0), None, None)
    assert found.reason == "both flights counted 5 of the same lamps: 6 are needed"
    assert "Lamps are compared one by one: the figures of lamp pull-down are medians" in counted(
        result, ("first", "second")
    )
    without = replace(result, differences=tuple(one for one in result.differences if one.of != "lamps"))
    assert "Lamps" not in counted(without, ("first", "second"))
    assert row_of(result, found)["judgement"].endswith(
        "needed; the difference is taken lamp by lamp, the figures are medians"
    )
    assert "ahead" not in verdict(result)
    assert "pull" not in verdict(result)


def test_curves_are_told_of_the_lamps_compared() -> None:
    """The note on tone curves gives the pull-down at the lamps that were compared, not at others."""
    lamps = {8.0 * n: -0.3 for n in range(1, 7)}
    ways = steady(60.0), steady(60.0)
    scores = [
        replace(passing(ways[0], {**lamps, 56.0: -3.0, 58.0: -3.0}), stop_range=(0.8, 1.2)),
        replace(passing(ways[1], dict.fromkeys(lamps, -0.5)), stop_range=(0.8, 1.2)),
    ]
    told = compare_flights(scores, LABELS, {(0, 1): alignment_of(*ways)}, CRITERIA)
    (note,) = [one for one in told.notes if "tone curves" in one]
    # worked by hand: the stops times 1.2 and 0.8
    assert "-0.30 (-0.36 to -0.24) stops by curve in flight 1 (first)" in note
    assert "-0.50 (-0.60 to -0.40) stops by curve in flight 2 (second)" in note
    assert "HLG" not in note
    clip = replace(scores[1].record.clip, transfer_tag="hlg")
    scores[1] = replace(scores[1], record=replace(scores[1].record, clip=clip))
    told = compare_flights(scores, LABELS, {(0, 1): alignment_of(*ways)}, CRITERIA)
    assert any("tone curves are not known (the files of second say HLG);" in one for one in told.notes)


def test_with_three_flights_each_a_flight_counts_once() -> None:
    """Six flights: Welch over the mean of each at the lamps that both cameras counted; other lamps count for nothing."""
    metres, offsets = (10.0, 20.0, 30.0, 40.0), (0.0, -0.6, 0.1, -0.8, -0.1, -0.7)
    lamps = [{metre: -0.02 * metre + offset for metre in metres} | {50.0 + n: -9.0} for n, offset in enumerate(offsets)]
    result = six(lamps)
    found = of(result, "pulldown_stops", "flights")
    shift, interval = welch(offsets[::2], offsets[1::2], 0.95)
    assert interval is not None
    assert found.difference == pytest.approx(shift)
    assert found.interval == pytest.approx(interval)
    assert (found.better, found.n) == ("a", (3, 3))
    assert found.mean_a == pytest.approx(-0.5)  # -0.02 x 25, and no offset on average


def test_flights_of_many_lamps_are_no_more_than_flights() -> None:
    """Where flights of one camera differ as much as the cameras do, many lamps in each do not make it sure."""
    metres = [3.0 * n for n in range(1, 19)]
    result = six([dict.fromkeys(metres, offset) for offset in (0.0, -0.4, -0.5, -1.0, -0.2, -0.3)])
    found = of(result, "pulldown_stops", "flights")
    assert found.difference == pytest.approx(-1.0 / 3.0)
    assert found.better is None
    assert found.interval is not None
    assert found.interval[0] < 0.0 < found.interval[1]


def test_flights_that_each_miss_a_lamp_are_compared_as_if_they_had_counted_it() -> None:
    """Of known offsets of flights and lamps the exact differences are found, though each flight misses another lamp.

    Lamps far apart in strength: plain means over what each counted would tell of the lamps.
    """
    lamps = {6.0 * n: -0.2 * n for n in range(1, 9)}
    offsets = (0.0, -0.6, 0.1, -0.8, -0.1, -0.7)
    flights = [
        {metre: stops + offset for k, (metre, stops) in enumerate(lamps.items()) if k != n} | {53.0 + n: -9.0}
        for n, offset in enumerate(offsets)
    ]
    found = of(six(flights), "pulldown_stops", "flights")
    shift, interval = welch(offsets[::2], offsets[1::2], 0.95)
    assert interval is not None
    assert found.difference == pytest.approx(shift)
    assert found.interval == pytest.approx(interval)
    assert (found.better, found.n) == ("a", (3, 3))
    assert found.mean_a == pytest.approx(-0.9)  # of all eight lamps


@pytest.mark.parametrize(("missing", "n"), [(range(6), (0, 0)), ([0], (2, 3)), ([3], (3, 2)), ([], (3, 3))])
def test_a_flight_with_few_of_the_lamps_does_not_count(missing: Sequence[int], n: tuple[int, int]) -> None:
    """A flight needs three lamps that both cameras counted, and each camera three such flights; else there is but the reason."""
    common = {10.0: -0.2, 20.0: -0.2}
    lamps = [common | ({51.0 + number: -0.2} if number in missing else {30.0: -0.1 * number}) for number in range(6)]
    found = of(six(lamps), "pulldown_stops", "flights")
    assert found.n == n
    assert math.isfinite(found.difference) is (not missing)
    if missing:
        reason = "3 lamps that both cameras counted are needed in 3 flights of each"
        assert (found.interval, found.reason) == (None, reason)


def test_a_lamp_goes_with_the_last_flight_that_counts_it() -> None:
    """A lamp that only a flight with too few of them counted for its camera is none of both; flights that lived by it go, too."""
    metres = [{10, 20, 30, 40}, {10, 40}, {10, 20, 40}, {10, 20, 30}, {10, 20, 40}, {10, 20, 30}]
    found = of(six([{float(metre): -0.2 for metre in own} for own in metres]), "pulldown_stops", "flights")
    assert found.n == (1, 2)


def test_flights_that_no_lamp_links_are_not_compared() -> None:
    """Where some flights counted one set of lamps and the others another, nobody knows which set pulls down more."""
    sets = {8.0 * n: -0.1 for n in (1, 2, 3)}, {8.0 * n: -1.1 for n in (4, 5, 6)}
    found = of(six([sets[n in (0, 1, 3)] for n in range(6)]), "pulldown_stops", "flights")
    assert (found.interval, found.n, found.reason) == (None, (0, 0), "no lamp links all flights to each other")


def test_means_of_a_table_with_holes() -> None:
    """Without holes the plain means of rows; with them those of the whole table, where rows and columns only add up."""
    generator = np.random.default_rng(1)
    whole = generator.normal(size=(5, 7))
    assert row_means(whole) == pytest.approx(whole.mean(axis=1))
    added = generator.normal(size=(5, 1)) + generator.normal(size=7)
    holes = np.where(generator.random((5, 7)) < 0.4, np.nan, added)
    assert np.isnan(holes).any(axis=1).all()
    assert row_means(holes) == pytest.approx(added.mean(axis=1))
    assert row_means(np.array([[1.0, np.nan], [np.nan, 2.0]])) is None


def test_the_same_lamp_is_the_nearest_both_ways() -> None:
    """A lamp has one partner at most, the nearest; none further away than half a second or off the route."""
    first = np.array([1.0, 5.0, 9.0, math.nan, 20.0])
    second = np.array([1.3, 5.4, 5.1, 9.6, math.nan])
    assert same_lamps(first, second) == [(0, 0), (1, 2)]
    assert same_lamps(np.empty(0), second) == []
    # two of one flight beside one of the other: that one is the nearer's
    assert same_lamps(np.array([1.0, 1.3]), np.array([1.4])) == [(1, 0)]
    assert same_lamps(np.array([1.4]), np.array([1.0, 1.3])) == [(0, 1)]


def test_lamps_of_another_route_are_not_compared() -> None:
    """Flights that may not show the same route share no lamp, however well their places would match."""
    lamps = {8.0 * n: -0.1 for n in range(1, 7)}
    way = steady(60.0)
    scores = [passing(way, own) for own in (lamps, dict.fromkeys(lamps, -1.1), dict.fromkeys(lamps, -2.1))]
    pairs = {pair: alignment_of(way, way, same_route=pair != (0, 2)) for pair in combinations(range(3), 2)}
    result = compare_flights(scores, ("first", "second", "second"), pairs, CRITERIA)
    found = of(result, "pulldown_stops", "lamps")
    assert (found.a, found.b, found.difference) == (0, 1, pytest.approx(-1.0))


def test_paired_shift_against_reference() -> None:
    """The paired interval leaves out zero just where Wilcoxon's exact test of another implementation does, from six pairs on."""
    generator = np.random.default_rng(3)
    told = set()
    for n in (5, 6, 7, 9, 12):
        for shift in (0.0, 0.7, 1.5):
            values = generator.normal(shift, 1.0, n)
            found = paired_difference(values)
            assert found is not None
            if found.ci95 is None:
                assert n == 5
                continue
            rejected = stats.wilcoxon(values, method="exact").pvalue <= 0.05
            assert (found.ci95[0] > 0.0 or found.ci95[1] < 0.0) == rejected
            told.add(bool(rejected))
    assert told == {True, False}
    assert paired_difference([]) is None


@pytest.mark.parametrize(
    ("n", "method"), [(150, "exact"), (200, "exact"), (201, "approx"), (1024, "approx"), (2000, "approx")]
)
def test_many_pairs_have_wilcoxons_interval(n: int, method: str) -> None:
    """Of hundreds and thousands of pairs, too, the interval ends where another implementation's test begins to refuse a shift."""
    values = np.random.default_rng(n).normal(0.3, 1.0, n)
    found = paired_difference(values)
    assert found is not None
    assert found.ci95 is not None
    for end, outward in zip(found.ci95, (-1.0, 1.0), strict=True):
        inside, outside = (
            stats.wilcoxon(values - end - away, method=method, correction=True).pvalue
            for away in (-0.002 * outward, 0.002 * outward)
        )
        assert outside <= 0.05 < inside


def test_recovery_times_of_cameras() -> None:
    """Recovery times of all flights of each camera are compared by their Hodges-Lehmann shift."""
    # worked by hand: pairwise differences of (0.2 0.25 0.3 0.35) and (0.6 0.7 0.8 0.9): median 0.475
    way = steady(50.0)
    scores = []
    for times in ([0.2, 0.25, 0.3, 0.35], [0.6, 0.7, 0.8, 0.9]):
        one = flight(way, {})
        events = tuple(replace(_event(), at_s=5.0 * k, recovery_s=value) for k, value in enumerate(times))
        scores.append(replace(one, events=events))
    result = compare_flights(scores, LABELS, {(0, 1): alignment_of(way, way)}, CRITERIA)
    found = of(result, "recovery_s", "events")
    assert found.difference == pytest.approx(0.475)
    shift = difference([0.2, 0.25, 0.3, 0.35], [0.6, 0.7, 0.8, 0.9])
    assert shift is not None
    assert (found.interval, found.better, found.n) == (shift.ci95, "a", (4, 4))


def test_recovery_counts_flights_where_there_are_enough() -> None:
    """With three flights each the median of each flight counts once, however many edges it saw.

    Not where no flight matches three of each: then all events of a camera count, and the lamps of each pair of flights.
    """
    way = steady(50.0)
    medians, scores = (0.2, 0.6, 0.3, 0.9, 0.25, 0.7), []
    for number, middle in enumerate(medians):
        times = [middle] if number % 2 else [middle - 0.1, middle, middle + 0.1]
        events = tuple(replace(_event(), at_s=5.0 * k, recovery_s=value) for k, value in enumerate(times))
        scores.append(replace(flight(way, {}, sha256=(f"{number:064d}",)), events=events))
    pairs = {(i, j): alignment_of(way, way) for i, j in combinations(range(6), 2)}
    found = of(compare_flights(scores, LABELS * 3, pairs, CRITERIA), "recovery_s", "flights")
    shift, interval = welch(medians[::2], medians[1::2], 0.95)
    assert interval is not None
    assert (found.difference, found.n) == (pytest.approx(shift), (3, 3))
    assert found.interval == pytest.approx(interval)
    crossed = pairs | {pair: foreign() for pair in ((0, 1), (2, 3), (4, 5))}
    lamps = passing(way, {8.0 * n: -0.1 for n in range(1, 6)}).lamps
    result = compare_flights([replace(one, lamps=lamps) for one in scores], LABELS * 3, crossed, CRITERIA)
    assert of(result, "recovery_s", "events").n == (9, 3)
    assert not [one for one in result.differences if one.of == "flights"]
    across = [(one.a, one.b) for one in result.between(*LABELS) if one.of == "lamps"]
    assert sorted(across) == [(0, 3), (0, 5), (2, 1), (2, 5), (4, 1), (4, 3)]


def _event() -> FlashEvent:
    values = {entry.name: None for entry in dataclasses.fields(FlashEvent)}
    return FlashEvent(**{**values, "kind": "flash_off", "at_s": 0.0, "resolvable": True})  # type: ignore[arg-type]
