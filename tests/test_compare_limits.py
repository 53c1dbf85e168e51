"""Measures of which no camera is called better, however sure the places seem: what the places cannot tell."""

from __future__ import annotations

import pytest
from compare_material import alignment_of, flight, rough, steady
from test_compare import compared, of


@pytest.mark.parametrize(("length_s", "better"), [(60.0, "b"), (25.0, None)])
def test_a_short_flight_gives_no_verdict_on_readability(length_s: float, better: str | None) -> None:
    """What rests on noise averaged over 10 s needs 30 s shared, however many places there are; other measures do not."""
    way = steady(length_s)
    names = ("zone_readable_percent", "readable_percent", "noise_percent", "crushed_percent")
    first, second = (
        {name: lambda m, n=n, v=v: v + rough(10 * n + int(v), 1.0, 0.4)(m) for n, name in enumerate(names)}
        for v in (30.0, 45.0)
    )
    result = compared(flight(way, first, bit_rate=4e6), flight(way, second, bit_rate=4e6), alignment_of(way, way))
    assert of(result, "crushed_percent").better == "a"
    for name in names[:3]:
        found = of(result, name)
        assert found.difference == pytest.approx(15.0, abs=0.5)
        assert found.better == (better and {"noise_percent": "a"}.get(name, better))
        if better is None:
            assert (found.interval, found.effective_samples) == (None, pytest.approx(2.5, abs=0.1))
            assert found.reason is not None
            assert "noise averaged over 10 s" in found.reason
            assert "share 25 s: an interval needs 30 s" in found.reason


@pytest.mark.parametrize(("crushed", "better"), [(11.0, "b"), (16.0, None)])
def test_crushing_is_no_range(crushed: float, better: str | None) -> None:
    """A camera that crushes more by what matters is not better by its range, whose dark end is at the floor."""
    way = steady(60.0)
    flat = {"occupied_range_stops": lambda m: 4.0 + rough(1, 0.1)(m), "crushed_percent": lambda m: 10.0 + rough(3)(m)}
    deep = {
        "occupied_range_stops": lambda m: 6.0 + rough(2, 0.1)(m),
        "crushed_percent": lambda m: crushed + rough(4)(m),
    }
    result = compared(flight(way, flat, bit_rate=4e6), flight(way, deep, bit_rate=4e6), alignment_of(way, way))
    found = of(result, "occupied_range_stops")
    assert found.interval is not None
    assert (found.better, found.withheld) == (better, None if better else "share crushed")
