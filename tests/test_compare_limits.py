"""Measures of which no camera is called better, however sure the places seem: what the places cannot tell."""

from __future__ import annotations

import pytest
from compare_material import alignment_of, flight, rough, steady
from test_compare import compared, of


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
    flat = {"occupied_range_stops": lambda m: 4.0 + rough(1, 0.1)(m), "crushed_percent": lambda m: 10.0 + rough(3)(m)}
    deep = {
        "occupied_range_stops": lambda m: range_stops + rough(2, 0.1)(m),
        "crushed_percent": lambda m: crushed + rough(4)(m),
    }
    result = compared(flight(way, flat, bit_rate=4e6), flight(way, deep, bit_rate=4e6), alignment_of(way, way))
    found = of(result, "occupied_range_stops")
    assert found.interval is not None
    assert (found.better, found.withheld) == (better, withheld)
