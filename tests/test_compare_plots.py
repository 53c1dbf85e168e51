"""The comparison's drawings, by their artists: sides, fills, scale, gaps, rings."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from compare_material import alignment_of, flight, rough, steady
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fieldscore.compare import compare_flights
from fieldscore.comparison import Difference
from fieldscore.criteria import Criteria
from fieldscore.plots import NARROW, WIDE, along_svg, draw_along, draw_forest, draw_path, forest_svg, path_svg
from fieldscore.plots.comparison import ALONG, FIRST, SECOND
from fieldscore.plots.look import COLOURS

LESS = Difference(
    "crushed_percent", "%", "lower", 0, 1, "places", -6.0, (-8.0, -4.0), 50.0, "b", 10.0, 4.0, (200, 200), worth=2.0
)


def axes() -> Axes:
    return Figure().add_subplot()


def marks(ax: Axes) -> list[tuple[float, float, str, bool]]:
    """x, y, marker and whether it is filled, of every mark."""
    found = []
    for line in ax.lines:
        if line.get_marker() not in ("None", "", None):
            (x,), (y,) = line.get_xdata(), line.get_ydata()
            filled = line.get_markerfacecolor() == line.get_color()
            found.append((float(x), float(y), str(line.get_marker()), filled))
    return found


@pytest.mark.parametrize(
    ("entry", "at", "marker", "filled"),
    [
        (LESS, 3.0, "o", True),
        (replace(LESS, direction="higher", better="a"), -3.0, "o", True),
        (replace(LESS, better=None), 3.0, "o", False),
        (replace(LESS, better=None, withheld="codec"), 3.0, "X", True),
        (replace(LESS, worth=6.0, better=None, interval=None), 1.0, "o", False),
    ],
)
def test_second_camera_better_is_to_the_right(entry: Difference, at: float, marker: str, filled: bool) -> None:
    """A mark stands at its multiple of what matters, right where the second is better; filled only where it is judged."""
    ax = axes()
    draw_forest(ax, [("crushed", "-6 points", [entry])], narrow=False)
    ((x, y, shape, full),) = marks(ax)
    assert (math.sinh(x), y, shape, full) == (pytest.approx(at), 0.0, marker, filled)


def test_interval_spans_its_ends() -> None:
    """The line of a difference spans its interval on the same scale, whichever end is the better one."""
    ax = axes()
    draw_forest(ax, [("crushed", "", [LESS])], narrow=False)
    spans = [line.get_xdata() for line in ax.lines if len(line.get_xdata()) == 2 and line.get_linewidth() == 2.0]
    ((low, high),) = spans
    assert (math.sinh(low), math.sinh(high)) == pytest.approx((2.0, 4.0))
    assert ax.get_xlim()[0] < low < high < ax.get_xlim()[1]


def test_rows_of_several_pairs_do_not_hide_each_other() -> None:
    """Marks of several pairs of flights stand above each other within their row."""
    ax = axes()
    draw_forest(ax, [("crushed", "", [LESS] * 4), ("clipped", "", [LESS] * 4)], narrow=False)
    heights = [y for _, y, _, _ in marks(ax)]
    assert len(set(heights)) == 8
    assert all(abs(y) < 0.5 for y in heights[:4])
    assert all(abs(y - 1.0) < 0.5 for y in heights[4:])


def test_unmatched_places_are_gaps() -> None:
    """Both flights are drawn over the way, in their own colour, and not where one of them shows nothing."""
    way = steady(40.0)
    found = alignment_of(way, way)
    keep = (found.time_a_s < 15.0) | (found.time_a_s > 20.0)
    cut = replace(
        found,
        time_a_s=found.time_a_s[keep],
        time_b_s=found.time_b_s[keep],
        place_confidence=found.place_confidence[keep],
    )
    scores = [flight(way, {"crushed_percent": lambda m, n=n: 10.0 + n + rough(n)(m)}) for n in range(2)]
    (places,) = compare_flights(scores, ("a", "b"), {(0, 1): cut}, Criteria()).places
    ax = axes()
    (panel,) = [one for one in ALONG if one[0] == "crushed_percent"]
    draw_along(ax, places, panel, 900)
    assert [line.get_color() for line in ax.lines] == [COLOURS[FIRST], COLOURS[SECOND]]
    assert ax.lines[0].get_linestyle() != ax.lines[1].get_linestyle()
    for line in ax.lines:
        x, y = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
        assert np.isnan(y[(x > 15.5) & (x < 19.5)]).all()
        assert np.isfinite(y[x < 14.5]).all()
    assert np.nanmean(np.asarray(ax.lines[1].get_ydata()) - np.asarray(ax.lines[0].get_ydata())) == pytest.approx(
        1.0, abs=0.4
    )


def test_rings_stand_on_the_places_shown() -> None:
    """The alignment path has a dot a matched place and a ring at each place pictured."""
    ax = axes()
    times = np.arange(20.0)
    draw_path(ax, times, times / 2, [(4.0, 2.0), (10.0, 5.0)])
    assert len(ax.lines[0].get_xdata()) == 20
    assert [(float(line.get_xdata()[0]), float(line.get_ydata()[0])) for line in ax.lines[1:]] == [
        (4.0, 2.0),
        (10.0, 5.0),
    ]


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_drawings_are_themed_and_told(size: object) -> None:
    """Each drawing is one svg in the page's colours, with words for those who cannot see it, and repeats to the byte."""
    way = steady(30.0)
    scores = [flight(way, {"crushed_percent": lambda m, n=n: 5.0 + rough(n)(m)}) for n in range(2)]
    (places,) = compare_flights(scores, ("a", "b"), {(0, 1): alignment_of(way, way)}, Criteria()).places
    for make in (
        lambda: forest_svg([("crushed", "-6", [LESS])], size, "p", "told <so>"),  # type: ignore[arg-type]
        lambda: along_svg(places, size, "p", "told <so>"),  # type: ignore[arg-type]
        lambda: path_svg(way, way, [(1.0, 1.0)], size, "p", "told <so>"),  # type: ignore[arg-type]
    ):
        svg = make()
        assert svg == make()
        assert svg.startswith("<svg")
        assert svg.count("<svg") == 1
        assert 'aria-label="told &lt;so&gt;"' in svg
        assert "var(--" in svg
        assert not [stand_in for stand_in in COLOURS.values() if stand_in in svg]
