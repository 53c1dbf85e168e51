"""Measures of which no camera is called better, however sure the places seem: what the places cannot tell."""

from __future__ import annotations

import pytest
from compare_material import alignment_of, flight, rough, steady
from test_compare import compared, of

from fieldscore.compare_judge import IN_NOISE
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
            assert "noise averaged over 10 s" in found.reason
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
    ("noise", "floor_code", "better", "withheld"),
    [
        ((0.5, 1.2), 16.0, None, IN_NOISE),
        ((0.5, 0.8), 16.0, "b", None),
        ((1.2, 0.8), 16.0, "b", None),
        ((0.8, 0.8), 18.2, None, IN_NOISE),
    ],
)
def test_noise_is_no_range(
    noise: tuple[float, float], floor_code: float, better: str | None, withheld: str | None
) -> None:
    """A camera is not better by its range whose darkest percent is nearer to its floor than the first percentile of its noise.

    That percent is at 2 % here, 1 % above a floor at code 18.2; the noise's first percentile is 2.33 sigma under its mean.
    """
    way = steady(60.0)
    first, second = (
        {
            "p1_percent": 2.0,
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
    assert told.endswith("the dark end is within the noise" if withheld else "second is better")


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
    assert of(result, "crushed_percent").better == "b"
    assert ("shows more of the picture" in verdict(result)) is (better is not None)
    assert ("By what can be read second is not judged: it freezes more" in verdict(result)) is (withheld is not None)
    turned = compared(scores[1], scores[0], alignment_of(way, way))
    assert of(turned, "readable_percent").withheld == withheld
