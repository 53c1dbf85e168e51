"""Measures of which no camera is called better, however sure the places seem: what the places cannot tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from compare_material import Curve, alignment_of, flight, foreign, rough, steady
from test_compare import CRITERIA, LABELS, compared, of

from fieldscore.compare import compare_flights
from fieldscore.compare_judge import IN_NOISE, MORE_NOISE, NOISE_UNKNOWN
from fieldscore.comparison import Comparison
from fieldscore.report.comparison import judgement
from fieldscore.report.verdict import verdict


@pytest.mark.parametrize(("length_s", "apart", "better"), [(60.0, 10.0, "b"), (25.0, 10.0, None), (25.0, 20.0, "b")])
def test_a_short_flight_gives_no_verdict_on_readability(length_s: float, apart: float, better: str | None) -> None:
    """A small difference of what rests on noise averaged over 10 s needs 30 s shared; a large one does not, nor other measures."""
    way = steady(length_s)
    names = ("zone_readable_percent", "readable_percent", "crushed_percent")
    first, second = (
        {name: lambda m, n=n, v=v: v + rough(10 * n + int(v), 1.0, 0.4)(m) for n, name in enumerate(names)}
        for v in (30.0, 30.0 + apart)
    )
    result = compared(flight(way, first, bit_rate=4e6), flight(way, second, bit_rate=4e6), alignment_of(way, way))
    assert of(result, "crushed_percent").better == "a"
    for name in names[:2]:
        found = of(result, name)
        assert found.difference == pytest.approx(apart, abs=0.5)
        assert found.better == better
        if better is None:
            assert (found.interval, found.effective_samples) == (None, pytest.approx(2.5, abs=0.1))
            assert found.reason is not None
            assert "a mistake in the noise lasts for 10 s" in found.reason
            assert "share 25 s: so small a difference needs 30 s" in found.reason


@pytest.mark.parametrize(
    ("range_stops", "crushed", "better", "withheld"),
    [(6.0, 11.0, "b", None), (6.0, 16.0, None, "share crushed"), (2.0, 16.0, "a", None), (4.0, 16.0, None, None)],
)
def test_crushing_is_no_range(range_stops: float, crushed: float, better: str | None, withheld: str | None) -> None:
    """A camera that crushes more by what matters is not better by its range, whose dark end is at the floor; it may be worse."""
    way = steady(60.0)
    flat = {
        "noise_percent": 0.5,
        "occupied_range_stops": lambda m: 4.0 + rough(1, 0.1)(m),
        "crushed_percent": lambda m: 10.0 + rough(3)(m),
    }
    deep = {
        "noise_percent": 0.5,
        "occupied_range_stops": lambda m: range_stops + rough(2, 0.1)(m),
        "crushed_percent": lambda m: crushed + rough(4)(m),
    }
    result = compared(flight(way, flat, bit_rate=4e6), flight(way, deep, bit_rate=4e6), alignment_of(way, way))
    found = of(result, "occupied_range_stops")
    assert found.interval is not None
    assert (found.better, found.withheld) == (better, withheld)


@pytest.mark.parametrize(
    ("crushed", "noise", "withheld"),
    [(10.0, 0.5, None), (16.0, 0.5, "share crushed"), (10.0, 1.2, IN_NOISE)],
)
def test_a_range_without_an_interval_is_withheld_as_well(crushed: float, noise: float, withheld: str | None) -> None:
    """What stands at the floor or in the noise shows no lead by the range, even one that is not sure; a small one needs no word."""
    flat, deep = (
        flight(
            steady(60.0),
            {
                "noise_percent": own,
                "occupied_range_stops": lambda m, n=n, v=stops: v + rough(n, 0.1, 60.0)(m),
                "crushed_percent": lambda m, v=share: v + rough(3)(m),
            },
            bit_rate=4e6,
        )
        for n, (stops, own, share) in enumerate(((4.0, 0.5, 10.0), (6.0, noise, crushed)))
    )
    found = of(compared(flat, deep, alignment_of(steady(60.0), steady(60.0))), "occupied_range_stops")
    assert found.interval is None and found.difference > 1.0
    assert (found.better, found.withheld) == (None, withheld)


@pytest.mark.parametrize(
    ("noise", "floor_code", "better", "withheld"),
    [
        ((0.5, 1.2), 16.0, None, IN_NOISE),
        ((0.5, 0.8), 16.0, "b", None),
        ((1.2, 0.8), 16.0, "b", None),
        ((0.8, 0.8), 18.2, None, IN_NOISE),
        ((0.5, math.nan), 16.0, None, NOISE_UNKNOWN),
        ((math.nan, 0.5), 16.0, "b", None),
    ],
)
def test_noise_is_no_range(
    noise: tuple[float, float], floor_code: float, better: str | None, withheld: str | None
) -> None:
    """A camera is not better by its range whose darkest percent is nearer to its floor than the first percentile of its noise, or
    whose noise is not known.

    That percent is at 2 % here, 1 % above a floor at code 18.2; the noise's first percentile is 2.33 sigma under its mean.
    """
    way = steady(60.0)
    first, second = (
        {
            "p1_percent": 2.0,
            "p50_percent": 10.0,
            "noise_percent": sigma,
            "occupied_range_stops": lambda m, v=stops: v + rough(int(v), 0.1)(m),
        }
        for sigma, stops in zip(noise, (4.0, 6.0), strict=True)
    )
    scores = [flight(way, one, bit_rate=4e6, floor_code=floor_code) for one in (first, second)]
    result = compared(scores[0], scores[1], alignment_of(way, way))
    found = of(result, "occupied_range_stops")
    assert found.interval is not None
    assert (found.better, found.withheld) == (better, withheld)
    told = judgement(result, found)
    assert told.endswith(withheld or "second is better")


@pytest.mark.parametrize(
    ("noise", "range_stops", "better", "withheld"),
    [
        ((1.5, 2.3), 4.7, None, MORE_NOISE),
        ((1.5, 2.3), 5.5, "b", None),
        ((2.3, 2.3), 4.7, "b", None),
        ((2.3, 1.5), 4.7, "b", None),
        ((math.nan, 2.3), 4.7, None, NOISE_UNKNOWN),
        ((math.nan, 2.3), 6.1, "b", None),
    ],
)
@pytest.mark.parametrize("flights", [1, 3])
def test_more_noise_is_no_range(
    noise: tuple[float, float], range_stops: float, better: str | None, withheld: str | None, flights: int
) -> None:
    """A camera is not better by its range where the noise that it has more may be all of it but what does not matter.

    sRGB: the darkest percent at 10 % is 0.0100 of white, at the middle of 25 % a percent of noise is 0.00406: 0.8 % and 2.33 sigma
    widen by log2(1 + 2.33 x 0.8 x 0.00406 / 0.0100) = 0.81 stops. Where the other's noise is not known it may be none, and 2.3 %
    widen by 1.66: less than 2.1 by what matters.
    """
    result = in_turns(
        [
            {
                "p1_percent": 10.0,
                "p50_percent": 25.0,
                "noise_percent": noise[n % 2],
                "occupied_range_stops": lambda m, n=n, v=(4.0, range_stops)[n % 2]: v + 0.01 * n + rough(n, 0.1)(m),
            }
            for n in range(2 * flights)
        ]
    )
    found = of(result, "occupied_range_stops", "places" if flights == 1 else "flights")
    assert found.interval is not None
    assert (found.better, found.withheld) == (better, withheld)
    if withheld:
        assert judgement(result, found).endswith(f"not judged: {withheld}")


@pytest.mark.parametrize(("range_stops", "better"), [(5.12, None), (5.18, "b")])
@pytest.mark.parametrize("floor_code", [16.0, 27.0, 38.0])
def test_a_lifted_floor_is_no_noise(floor_code: float, range_stops: float, better: str | None) -> None:
    """The same picture over another floor, all levels lifted by as much, is judged the same: noise may widen it by 0.81 stops."""
    lift = 100.0 * (floor_code - 16.0) / 219.0
    way = steady(60.0)
    scores = [
        flight(
            way,
            {
                "p1_percent": 10.0 + lift,
                "p50_percent": 25.0 + lift,
                "noise_percent": noise,
                "occupied_range_stops": lambda m, v=stops: v + rough(int(v), 0.01)(m),
            },
            bit_rate=4e6,
            floor_code=floor_code,
        )
        for noise, stops in ((1.5, 4.0), (2.3, range_stops))
    ]
    assert of(compared(*scores, alignment_of(way, way)), "occupied_range_stops").better == better


@pytest.mark.parametrize(("unknown", "withheld"), [((), MORE_NOISE), ((0, 2), MORE_NOISE), ((0, 2, 4), NOISE_UNKNOWN)])
def test_flights_of_known_noise_stand_for_their_camera(unknown: Sequence[int], withheld: str) -> None:
    """Flights of the other camera whose noise is not known do not switch off the comparison with those whose noise is."""
    result = in_turns(
        [
            {
                "p1_percent": 10.0,
                "p50_percent": 25.0,
                "noise_percent": math.nan if n in unknown else (1.5, 2.3)[n % 2],
                "occupied_range_stops": lambda m, n=n: (4.0, 4.7)[n % 2] + 0.01 * n + rough(n, 0.1)(m),
            }
            for n in range(6)
        ]
    )
    found = of(result, "occupied_range_stops", "flights")
    assert (found.better, found.withheld) == (None, withheld)


@pytest.mark.parametrize(
    ("frozen", "better", "withheld"), [(25.0, None, "share frozen"), (6.0, "b", None), (0.0, "b", None)]
)
def test_what_is_frozen_is_not_readable(frozen: float, better: str | None, withheld: str | None) -> None:
    """A camera that freezes more of the picture is not ahead by what rests on noise, sure or not; by what is crushed it may be."""
    way = steady(60.0)
    clear, smeared = (
        {
            "readable_percent": lambda m, v=readable: v + rough(int(v), 1.0, 0.4)(m),
            "zone_readable_percent": lambda m, v=readable: v + rough(7, 1.0, 60.0)(m),
            "crushed_percent": lambda m, v=readable: 60.0 - v / 2.0 + rough(int(v) + 1)(m),
            "frozen_percent": lambda m, v=ice: v + rough(5, 0.1)(m),
        }
        for readable, ice in ((40.0, 5.0), (70.0, frozen))
    )
    scores = flight(way, clear, bit_rate=4e6), flight(way, smeared, bit_rate=4e6)
    result = compared(*scores, alignment_of(way, way))
    assert (of(result, "readable_percent").better, of(result, "readable_percent").withheld) == (better, withheld)
    assert of(result, "zone_readable_percent").withheld == withheld
    short = replace(of(result, "zone_readable_percent"), interval=None, reason="short")
    told = "not judged: share frozen differs; " if withheld else ""  # crossed in the drawing, so in words as well
    assert judgement(result, short) == f"{told}no interval: short"
    assert of(result, "crushed_percent").better == "b"
    assert ("shows more of the picture" in verdict(result)) is (better is not None)
    assert ("By what can be read second is not judged: it freezes more" in verdict(result)) is (withheld is not None)
    turned = compared(scores[1], scores[0], alignment_of(way, way))
    assert of(turned, "readable_percent").withheld == withheld


@pytest.mark.parametrize(("known_m", "withheld"), [(29.0, NOISE_UNKNOWN), (31.0, None)])
def test_noise_known_in_most_of_the_flight_is_known(known_m: float, withheld: str | None) -> None:
    """Noise that is measured in less than half of a flight, its brighter part, does not clear the rest."""
    way = steady(60.0)
    first, second = (
        {
            "noise_percent": lambda m: np.where(m < known_m, 0.5, np.nan),
            "occupied_range_stops": lambda m, v=stops: v + rough(int(v), 0.1)(m),
        }
        for stops in (4.0, 6.0)
    )
    found = of(compared(flight(way, first), flight(way, second), alignment_of(way, way)), "occupied_range_stops")
    assert found.withheld == withheld


def in_turns(measures: Sequence[dict[str, Curve | float]], strangers: Sequence[int] = ()) -> Comparison:
    """Flights of one route by two cameras in turns; `strangers` show another route."""
    way = steady(60.0)
    scores = [flight(way, one, bit_rate=4e6, sha256=(f"{n:064d}",)) for n, one in enumerate(measures)]
    pairs = {
        pair: foreign() if set(pair) & set(strangers) else alignment_of(way, way)
        for pair in combinations(range(len(scores)), 2)
    }
    return compare_flights(scores, LABELS * (len(scores) // 2), pairs, CRITERIA)


@pytest.mark.parametrize(
    ("noisy", "strangers", "withheld"), [(1, (), IN_NOISE), (5, (), IN_NOISE), (0, (), None), (7, (7,), None)]
)
def test_one_flight_in_noise_withholds_the_range_of_its_camera(
    noisy: int, strangers: tuple[int, ...], withheld: str | None
) -> None:
    """Whichever flight of the camera ahead is stretched by noise; not one of the other camera, nor one of another route."""
    result = in_turns(
        [
            {
                "noise_percent": 1.2 if n == noisy else 0.5,
                "occupied_range_stops": lambda m, n=n: 4.0 + 2.0 * (n % 2) + 0.01 * n + rough(n, 0.1)(m),
            }
            for n in range(8)
        ],
        strangers,
    )
    found = of(result, "occupied_range_stops", "flights")
    assert (found.better, found.withheld) == (None if withheld else "b", withheld)


FROZEN = "By what can be read second is not judged: it freezes more"


@pytest.mark.parametrize(
    ("frozen", "gain", "shows", "reserve"),
    [(8.0, 30.0, True, False), (14.0, 30.0, False, True), (14.0, 0.2, False, False)],
)
def test_the_verdict_speaks_of_what_it_is_of(frozen: float, gain: float, shows: bool, reserve: bool) -> None:
    """Of cameras told by their flights, one pair of flights whose verdict is withheld says nothing; nor does what nobody cares for.

    The last flight alone freezes more.
    """
    result = in_turns(
        [
            {
                "readable_percent": lambda m, n=n: 40.0 + gain * (n % 2) + 0.1 * n + rough(n, 1.0, 0.4)(m),
                "frozen_percent": lambda m, ice=frozen if n == 5 else 5.0, n=n: ice + rough(20 + n, 0.1)(m),
            }
            for n in range(6)
        ]
    )
    alone = [one.withheld for one in result.differences if (one.measure, one.of) == ("readable_percent", "places")]
    assert "share frozen" in alone
    told = verdict(result)
    assert ("Camera second shows more of the picture" in told, FROZEN in told) == (shows, reserve)


def test_flights_of_one_camera_are_no_verdict() -> None:
    """What is withheld between two flights of one camera is not said of it."""
    result = in_turns(
        [
            {
                "readable_percent": lambda m, v=readable, n=n: v + rough(n, 1.0, 0.4)(m),
                "frozen_percent": lambda m, v=ice: v + rough(9, 0.1)(m),
            }
            for n, (readable, ice) in enumerate(((60.0, 5.0), (30.0, 25.0), (90.0, 14.0), (30.0, 25.0)))
        ]
    )
    withheld = [(one.a, one.b) for one in result.differences if one.withheld == "share frozen"]
    assert withheld == [(0, 2)]
    told = verdict(result)
    assert "Camera first shows more of the picture" in told
    assert "not judged" not in told
