"""Paired differences of flights: closed forms, honest intervals, antisymmetry, what withholds a verdict, repeats."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pytest
from compare_material import alignment_of, flight, foreign, rough, steady
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fieldscore.align import Alignment
from fieldscore.compare import compare_flights, mean_difference
from fieldscore.compare_judge import judged, welch, worth_of
from fieldscore.comparison import Comparison, Difference
from fieldscore.criteria import Criteria
from fieldscore.score import Score

CRITERIA = Criteria()
LABELS = ("first", "second")


def compared(first: Score, second: Score, found: Alignment) -> Comparison:
    return compare_flights([first, second], LABELS, {(0, 1): found}, CRITERIA)


def of(result: Comparison, measure: str, kind: str = "places") -> Difference:
    (found,) = [one for one in result.differences if one.measure == measure and one.of == kind]
    return found


def test_difference_of_known_curves() -> None:
    """At half the speed, with a constant 7 % more crushed at each place, the difference is 7 % and b is worse."""
    slow, quick = steady(80.0, 1.0), steady(40.0, 2.0)
    curve = rough(3, 2.0)
    first = flight(slow, {"crushed_percent": lambda m: 20.0 + curve(m)})
    second = flight(quick, {"crushed_percent": lambda m: 27.0 + curve(m) + rough(8, 0.5)(m)})
    result = compared(first, second, alignment_of(slow, quick))
    found = of(result, "crushed_percent")
    assert found.difference == pytest.approx(7.0, abs=0.15)
    assert found.interval is not None
    assert found.interval[0] <= 7.0 <= found.interval[1]
    assert found.interval[1] - found.interval[0] < 0.6
    assert found.better == "a"
    # mean speeds 1 and 2: the way is 80 / sqrt(2) s long
    assert result.places[0].place_s[-1] == pytest.approx(80 / math.sqrt(2), abs=0.6)


def test_pairing_takes_out_what_both_see() -> None:
    """What differs along the route but not between the flights leaves the interval narrow: the point of pairing."""
    way = steady(60.0)
    hills = rough(1, 10.0)
    first = flight(way, {"crushed_percent": lambda m: 40 + hills(m)})
    second = flight(way, {"crushed_percent": lambda m: 43 + hills(m) + rough(2, 1.0)(m)})
    found = of(compared(first, second, alignment_of(way, way)), "crushed_percent")
    assert found.interval is not None
    assert found.interval[1] - found.interval[0] < 1.2
    assert found.difference == pytest.approx(3.0, abs=0.5)


def test_a_pause_counts_as_one_place() -> None:
    """Ten seconds of hovering over a dark spot weigh no more than the moment that the other flight spends there."""
    there = steady(60.0)
    wait = np.concatenate([there[:600], np.full(300, there[600]), there[600:]])
    dark = lambda m: np.where(np.abs(m - there[600]) < 1.0, 60.0, 0.0)  # noqa: E731 - a curve
    first = flight(there, {"crushed_percent": dark})
    second = flight(wait, {"crushed_percent": lambda m: dark(m) + 4.0})
    step = 0.1
    times = np.arange(0.0, 60.0, step)
    paused = np.arange(20.0, 30.0, step)
    time_a = np.concatenate([times[times < 20], np.full(len(paused), 20.0), times[times >= 20]])
    time_b = np.concatenate([times[times < 20], paused, times[times >= 20] + 10.0])
    found = Alignment(True, 0.9, 1.0, time_a, time_b, np.ones(len(time_a)), None)
    result = compared(first, second, found)
    assert of(result, "crushed_percent").difference == pytest.approx(4.0, abs=0.4)
    assert result.places[0].place_s[-1] == pytest.approx(60.0, abs=1.2)


def test_unmatched_places_are_left_out() -> None:
    """A stretch that the alignment leaves out counts for nothing, however different it is."""
    way = steady(60.0)
    first = flight(way, {"crushed_percent": 1.0})
    second = flight(way, {"crushed_percent": lambda m: np.where((m > 20) & (m < 30), 90.0, 3.0)})
    full = alignment_of(way, way)
    keep = (full.time_a_s < 19.8) | (full.time_a_s > 30.2)
    cut = replace(
        full, time_a_s=full.time_a_s[keep], time_b_s=full.time_b_s[keep], place_confidence=full.place_confidence[keep]
    )
    assert of(compared(first, second, full), "crushed_percent").difference > 10.0
    assert of(compared(first, second, cut), "crushed_percent").difference == pytest.approx(2.0, abs=1e-6)


def test_lost_link_is_left_out() -> None:
    """Where the link of one flight was lost its figures do not count, and the audit says how often."""
    from flight_material import SNOW, record_of, timeline_of

    from fieldscore.score import score_flight

    way = steady(60.0)
    snow = {**SNOW, "crushed_percent": 80.0}
    lossy = score_flight(record_of(timeline_of(1800, (600, 900, snow), crushed_percent=2.0)), CRITERIA)
    result = compared(flight(way, {"crushed_percent": 2.0}), lossy, alignment_of(way, way))
    assert of(result, "crushed_percent").difference == pytest.approx(0.0, abs=1e-9)
    (link,) = [one for one in result.checks if one.check == "link"]
    assert not link.ok
    assert "16.7" in link.detail


def test_casts_apart_are_told_in_words() -> None:
    """Two darks of clearly different colour are told once, with which is bluer and by how much; like ones are not."""
    way = steady(60.0)
    grey, blue = ({"cast_lab_a": 1.0, "cast_lab_b": b} for b in (0.0, -12.0))
    apart = compared(flight(way, grey), flight(way, blue, name="other"), alignment_of(way, way))
    alike = compared(flight(way, grey), flight(way, grey, name="other"), alignment_of(way, way))
    (told,) = [note for note in apart.notes if "CIEDE2000" in note]
    assert told.startswith(
        "the dark is bluer in second than in first (CIEDE2000 9.6 "
    )  # colour-science: 9.604 between L*a*b* (20, 1, 0) and (20, 1, -12)
    assert not [note for note in alike.notes if "CIEDE2000" in note]


@pytest.mark.parametrize(
    ("a", "b", "hue"), [(1.0, 12.0, "yellower"), (13.0, 4.0, "redder"), (-11.0, 4.0, "greener"), (1.0, -12.0, "bluer")]
)
def test_a_cast_is_named_once_for_two_cameras(a: float, b: float, hue: str) -> None:
    """Four flights of two cameras have one sentence, which names the way in which the colours are furthest apart."""
    way = steady(20.0)
    scores = [
        flight(way, {"cast_lab_a": red, "cast_lab_b": yellow}, sha256=(f"{n:064d}",))
        for n, (red, yellow) in enumerate([(1.0, 0.0), (a, b)] * 2)
    ]
    pairs = {(i, j): alignment_of(way, way) for i, j in combinations(range(4), 2)}
    (told,) = [one for one in compare_flights(scores, LABELS * 2, pairs, CRITERIA).notes if "CIEDE2000" in one]
    assert told.startswith(f"the dark is {hue} in second than in first")


def test_a_flight_compared_with_itself() -> None:
    """A flight and itself: every difference is exactly zero, nothing is better, and the sameness is said."""
    way = steady(60.0)
    one = flight(way, {"crushed_percent": rough(1, 3.0), "level_percent": lambda m: 40 + rough(2)(m)})
    result = compared(one, one, alignment_of(way, way))
    assert {entry.difference for entry in result.differences if not math.isnan(entry.difference)} == {0.0}
    assert {entry.better for entry in result.differences} == {None}
    assert any("same recording" in note for note in result.notes)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.6, 1.7), st.floats(0.0, 15.0))
def test_swapping_the_flights_turns_the_sign(seed: int, speed: float, start: float) -> None:
    """compare(b, a) is compare(a, b) with every sign turned, intervals and verdicts too."""
    from fieldscore.pairing import swapped

    ways = steady(50.0), steady(50.0, speed, start)
    curves = rough(seed, 8.0), rough(seed + 1, 8.0)
    scores = []
    for way, curve in zip(ways, curves, strict=True):
        values = 30.0 + curve(way)
        scores.append(
            flight(way, {"crushed_percent": lambda _, v=values: v, "zone_readable_percent": lambda _, v=values: 3 * v})
        )  # type: ignore[misc]
    found = alignment_of(*ways)
    there = compared(scores[0], scores[1], found)
    back = compared(scores[1], scores[0], swapped(found))
    assert len(there.differences) == len(back.differences)
    for one, other in zip(there.differences, back.differences, strict=True):
        assert one.measure == other.measure
        assert one.difference == pytest.approx(-other.difference, abs=1e-9, nan_ok=True)
        assert one.effective_samples == pytest.approx(other.effective_samples, rel=1e-6, nan_ok=True)
        assert one.better == {"a": "b", "b": "a", None: None}[other.better]
        assert (one.interval is None) == (other.interval is None)
        if one.interval and other.interval:
            assert one.interval == pytest.approx((-other.interval[1], -other.interval[0]), abs=1e-9)


def ar1(rho: float, n: int, seed: int) -> npt.NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    values = np.empty(n)
    values[0] = rng.normal()
    steps = rng.normal(0, math.sqrt(1 - rho * rho), n)
    for i in range(1, n):
        values[i] = rho * values[i - 1] + steps[i]
    return values


def test_interval_covers_the_true_difference() -> None:
    """Over 200 pairs of correlated series the 95 % interval of the mean difference holds the truth at least 90 % of the time."""
    # AR(1) with rho: n_eff = n (1 - rho) / (1 + rho) (Bayley & Hammersley 1946); rho 0.6, 400 places: 100
    held, samples = 0, []
    for seed in range(200):
        found = mean_difference(10 + ar1(0.6, 400, 2 * seed), 13 + ar1(0.6, 400, 2 * seed + 1), CRITERIA)
        assert found.low is not None
        assert found.high is not None
        held += found.low <= 3.0 <= found.high
        samples.append(found.effective_samples)
    assert held >= 180
    assert float(np.median(samples)) == pytest.approx(100, rel=0.15)


def test_no_interval_under_thirty_samples() -> None:
    """A short common stretch gives a difference, no interval, no verdict, and the reason."""
    way = steady(6.0)
    first = flight(way, {"crushed_percent": 1.0})
    second = flight(way, {"crushed_percent": lambda m: 40.0 + rough(1)(m)})
    found = of(compared(first, second, alignment_of(way, way)), "crushed_percent")
    assert (found.interval, found.better) == (None, None)
    assert found.reason is not None
    assert "30 or more" in found.reason


def test_few_stretches_tell_little_of_the_headline() -> None:
    """Two flights that differ in three stretches have no interval of the usable share, however many frames those hold."""
    series = np.zeros(400)
    series[50:70] = series[150:180] = series[300:310] = 1.0
    found = mean_difference(np.zeros(400), series, CRITERIA, rare=True)
    assert found.low is None
    assert found.estimate == pytest.approx(0.15)
    assert found.reason is not None


@pytest.mark.parametrize(
    ("change", "interval", "direction", "worth", "better"),
    [
        (-7.1, (-9.0, -5.3), "lower", 2.0, "b"),
        (7.1, (5.3, 9.0), "lower", 2.0, "a"),
        (7.1, (5.3, 9.0), "higher", 2.0, "b"),
        (7.1, (-0.1, 15.0), "higher", 2.0, None),
        (1.9, (1.8, 2.0), "higher", 2.0, None),
        (7.1, None, "higher", 2.0, None),
        (7.1, (5.3, 9.0), "neither", 2.0, None),
        (7.1, (5.3, 9.0), "higher", None, None),
    ],
)
def test_better_needs_an_interval_without_zero_and_a_difference_that_matters(
    change: float, interval: tuple[float, float] | None, direction: str, worth: float | None, better: str | None
) -> None:
    """A measure names a better side only where the interval leaves zero out and the change is worth caring about."""
    assert judged(change, interval, direction, worth) == better  # type: ignore[arg-type]


def test_every_compared_measure_has_a_smallest_difference() -> None:
    """No measure with a better direction is left without a threshold."""
    way = steady(40.0)
    result = compared(flight(way, {}), flight(way, {}), alignment_of(way, way))
    assert "usable" in {one.measure for one in result.differences}
    for one in result.differences:
        assert worth_of(one.measure, one.unit, CRITERIA) is not None, one.measure
        assert one.direction != "neither" or one.measure == "level_percent"


def test_noise_is_not_compared_across_recorders() -> None:
    """Another codec, size or bit rate withholds the verdict on noise and names the check; the rest keeps its own."""
    way = steady(60.0)
    quiet = {"noise_percent": lambda m: 1.0 + rough(1, 0.1)(m), "crushed_percent": lambda m: 5.0 + rough(3)(m)}
    loud = {"noise_percent": lambda m: 3.0 + rough(2, 0.1)(m), "crushed_percent": lambda m: 15.0 + rough(4)(m)}
    found = alignment_of(way, way)
    fair = compared(flight(way, quiet, bit_rate=4e6), flight(way, loud, bit_rate=4e6), found)
    assert of(fair, "noise_percent").better == "a"
    for changes, check in (
        ({"codec": "mjpeg", "bit_rate": 4e6}, "codec"),
        ({"width": 720, "bit_rate": 4.2e6}, "picture size"),
        ({"bit_rate": 9e6}, "bit rate"),
        ({}, "bit rate"),
    ):
        unfair = compared(flight(way, quiet, bit_rate=4e6), flight(way, loud, **changes), found)
        assert (of(unfair, "noise_percent").better, of(unfair, "noise_percent").withheld) == (None, check)
        assert of(unfair, "crushed_percent").better == "a"
        assert check in {one.check for one in unfair.checks if not one.ok}


def test_welch_against_reference() -> None:
    """Welch's interval is that of another implementation, and there is none where nothing differs."""
    first, second = [2.0, 3.0, 4.0], [5.0, 7.0, 9.0, 7.5]
    shift, interval = welch(first, second, 0.95)
    # reference: scipy.stats, which computes the same from the test's statistic
    reference = stats.ttest_ind(second, first, equal_var=False).confidence_interval(0.95)
    assert shift == pytest.approx(7.125 - 3.0)
    assert interval == pytest.approx((reference.low, reference.high), abs=1e-9)
    assert welch([1.0, 1.0], [1.0, 1.0], 0.95) == (0.0, None)
    with pytest.raises(ValueError, match="two values"):
        welch([1.0], [1.0, 2.0], 0.95)


def repeats_of(offsets: dict[str, list[float]]) -> tuple[list[Score], list[str], dict[tuple[int, int], Alignment]]:
    """Flights of several cameras, each with its own crushed share, flown in turns at different speeds."""
    scores, labels, ways = [], [], []
    for round_, _ in enumerate(next(iter(offsets.values()))):
        for number, (label, values) in enumerate(offsets.items()):
            speed = 0.9 + 0.1 * ((round_ + number) % 3)
            way = steady(40.0 / speed, speed)
            curve = rough(17 * round_ + number, 0.3)
            scores.append(
                flight(
                    way,
                    {"crushed_percent": lambda m, v=values[round_], c=curve: v + c(m)},
                    sha256=(f"{len(scores):064d}",),
                )  # type: ignore[misc]
            )
            labels.append(label)
            ways.append(way)
    pairs = {(i, j): alignment_of(ways[i], ways[j]) for i, j in combinations(range(len(ways)), 2)}
    return scores, labels, pairs


def test_with_three_flights_each_the_flight_is_the_unit() -> None:
    """Three flights of each camera: difference of means with Welch's interval over the flights, spread between them beside it."""
    scores, labels, pairs = repeats_of({"dim": [20.0, 22.0, 24.0], "lit": [10.0, 11.0, 12.0]})
    result = compare_flights(scores, labels, pairs, CRITERIA)
    found = of(result, "crushed_percent", "flights")
    shift, interval = welch([20.0, 22.0, 24.0], [10.0, 11.0, 12.0], 0.95)
    assert interval is not None
    assert found.difference == pytest.approx(shift, abs=0.3)
    assert found.interval == pytest.approx(interval, abs=0.6)
    assert found.spread == pytest.approx((2.0, 1.0), abs=0.3)
    assert (found.n, found.better) == ((3, 3), "b")
    assert {one.of for one in result.between("dim", "lit")} == {"flights"}


def test_with_two_flights_each_the_places_are_the_unit() -> None:
    """Two flights of each camera are not enough: each pair of flights stands for itself, the camera named first is always a."""
    scores, labels, pairs = repeats_of({"dim": [20.0, 22.0], "lit": [10.0, 11.0]})
    result = compare_flights(scores, labels, pairs, CRITERIA)
    assert not [one for one in result.differences if one.of == "flights"]
    crushed = [one for one in result.between("dim", "lit") if one.measure == "crushed_percent"]
    assert sorted((one.a, one.b) for one in crushed) == [(0, 1), (0, 3), (2, 1), (2, 3)]
    assert all(one.difference < -8.0 for one in crushed)


def test_a_pair_flown_in_the_other_order_is_matched_as_well() -> None:
    """Flown A-B-B-A at different speeds over steep hills, each pair still meets the same places: the difference is the offset."""
    hills = rough(5, 10.0)
    ways = [steady(60.0 / speed, speed) for speed in (1.0, 1.3, 0.8, 1.2)]
    offsets = (40.0, 36.0, 36.0, 40.0)
    scores = [
        flight(way, {"crushed_percent": lambda m, v=value: v + hills(m)}, sha256=(f"{n:064d}",))  # type: ignore[misc]
        for n, (way, value) in enumerate(zip(ways, offsets, strict=True))
    ]
    pairs = {(i, j): alignment_of(ways[i], ways[j]) for i, j in combinations(range(4), 2)}
    result = compare_flights(scores, ("A", "B", "B", "A"), pairs, CRITERIA)
    (turned,) = [one for one in result.places if (one.a, one.b) == (3, 1)]
    first, second = turned.values["crushed_percent"]
    assert np.nanmax(np.abs(second - first + 4.0)) < 2.5  # frames on either side of a place; strangers differ by 30
    np.testing.assert_allclose(turned.time_a_s * 1.2, turned.time_b_s * 1.3, atol=0.15)
    for one in result.between("A", "B"):
        if one.measure == "crushed_percent":
            assert one.difference == pytest.approx(-4.0, abs=0.1)


def test_flights_count_over_the_places_that_all_show() -> None:
    """Where one of six flights shows only half of a route that gets darker, the means are over that half."""
    full, half = steady(60.0), steady(30.0)
    ways = [full, full, full, full, full, half]
    scores = [
        flight(way, {"crushed_percent": lambda m, n=n: 10.0 + m + 0.1 * n - 5.0 * (n % 2)}, sha256=(f"{9 - n:064d}",))  # type: ignore[misc]
        for n, way in enumerate(ways)
    ]
    pairs = {(i, j): alignment_of(ways[i], ways[j]) for i, j in combinations(range(6), 2)}
    found = of(compare_flights(scores, ("A", "B") * 3, pairs, CRITERIA), "crushed_percent", "flights")
    # metres 0 to 30: 10 + 15 on average, and 0.2 for A, 0.3 - 5 for B
    assert found.mean_a == pytest.approx(25.2, abs=0.3)
    assert found.mean_b == pytest.approx(20.3, abs=0.3)


def test_a_foreign_flight_takes_no_part() -> None:
    """A flight of another route is named with the reason; the others are compared without it."""
    way = steady(50.0)
    scores = [flight(way, {"crushed_percent": value}) for value in (1.0, 9.0, 50.0)]
    pairs = {(0, 1): alignment_of(way, way), (0, 2): foreign(), (1, 2): foreign()}
    result = compare_flights(scores, ("one", "two", "other"), pairs, CRITERIA)
    assert result.strangers == (2,)
    assert not result.same_route
    assert {(one.a, one.b) for one in result.differences} == {(0, 1)}
    assert sum("no stretch of them looks alike" in note for note in result.notes) == 2


def test_wrong_number_of_labels_is_refused() -> None:
    """Labels of another number than the flights, or a single flight, are a mistake of the caller."""
    way = steady(10.0)
    with pytest.raises(ValueError, match="expected two flights or more"):
        compare_flights([flight(way, {})], ("one",), {}, CRITERIA)
