"""Two flights compared, drawn: the differences on one scale, both flights along the route, how their times go together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fieldscore.comparison import USABLE, Difference, PairedPlaces
from fieldscore.plots.decimate import envelope
from fieldscore.plots.look import COLOURS
from fieldscore.plots.sheets import Size
from fieldscore.plots.svg import STYLE, new_figure, to_svg
from fieldscore.timeline import Series

FIRST, SECOND = "dark", "noise"  # the colours of the two flights; the second is drawn dashed as well
_ROW = 34.0  # view-box units a measure
_PANEL, _PANEL_GAP = 92.0, 38.0
_TICKS = (1, 3, 10, 30, 100)  # multiples of what is worth caring about
_EDGE_TICKS = 3.0  # the scale reaches at least so far
_NARROW = 560.0  # view-box units: under this a row's words stand above its mark
# Measures drawn along the route, with the top of the axis where it is fixed.
ALONG: tuple[tuple[str, str, float | None], ...] = (
    ("zone_readable_percent", "Flying zone readable, %", 100.0),
    ("level_percent", "Level, %", None),
    ("crushed_percent", "Crushed, %", None),
    ("clipped_percent", "Clipped, %", None),
)


def scaled(value: float) -> float:
    """Where a multiple of the smallest difference that matters stands: linear about zero, then ever closer."""
    return math.asinh(value)


def draw_forest(ax: Axes, rows: Sequence[tuple[str, str, Sequence[Difference]]], *, narrow: bool) -> None:
    """One row a measure (title, figures in words, its differences), second camera better to the right.

    In units of the smallest difference worth caring about; the band of one unit either way is shaded. Filled: a
    side is better; hollow: no difference shown; a cross: withheld by the audit.
    """
    reach = _EDGE_TICKS
    for _, _, found in rows:
        for one in found:
            ends = [end for end in _advantage(one) if math.isfinite(end)]
            reach = max([reach, *map(abs, ends)])
    ax.axvspan(scaled(-1.0), scaled(1.0), color=COLOURS["tint"], linewidth=0)
    ax.axvline(0.0, color=COLOURS["soft"], linewidth=0.8)
    for row, (_, _, found) in enumerate(rows):
        for number, one in enumerate(found):
            at = (
                row
                + (number - (len(found) - 1) / 2.0) * min(0.2, (0.4 if narrow else 0.6) / len(found))
                + (0.16 if narrow else 0.0)
            )
            _mark(ax, at, one)
    ticks = [tick for tick in _TICKS if tick <= 1.2 * reach]
    places = [*(-tick for tick in reversed(ticks)), 0, *ticks]
    ax.set_xticks([scaled(float(one)) for one in places], [f"{abs(one)}" for one in places])
    ax.set_xlim(-scaled(1.3 * reach), scaled(1.3 * reach))
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_yticks([])
    for side in ("left", "right", "top"):
        ax.spines[side].set_visible(False)
    ax.set_xlabel("difference, in units of the smallest that matters")
    for row, (title, told, _) in enumerate(rows):
        if row:
            ax.axhline(row - 0.5, color=COLOURS["hair"], linewidth=0.5, zorder=0)
        _words(ax, row, title, told, narrow=narrow)


def _words(ax: Axes, row: int, title: str, told: str, *, narrow: bool) -> None:
    low, high = ax.get_xlim()
    if narrow:
        ax.text(low, row - 0.26, title, ha="left", va="center", color=COLOURS["ink"], fontsize=10.5)
        ax.text(high, row - 0.26, told, ha="right", va="center", color=COLOURS["soft"], fontsize=10.5)
        return
    side: dict[str, Any] = {"va": "center", "fontsize": 12.0, "clip_on": False}
    ax.annotate(
        title, (0, row), (-10, 0), ("axes fraction", "data"), "offset points", ha="right", color=COLOURS["ink"], **side
    )
    ax.annotate(
        told, (1, row), (10, 0), ("axes fraction", "data"), "offset points", ha="left", color=COLOURS["soft"], **side
    )


def _mark(ax: Axes, at: float, one: Difference) -> None:
    centre, low, high = _advantage(one)
    if not math.isfinite(centre):
        return
    colour = COLOURS[{"a": FIRST, "b": SECOND, None: "soft"}[one.better]]
    if math.isfinite(low):
        ax.plot([scaled(low), scaled(high)], [at, at], color=colour, linewidth=2.0, solid_capstyle="butt")
    marker = "X" if one.withheld else "o"
    fill = colour if one.better or one.withheld else COLOURS["paper"]
    ax.plot([scaled(centre)], [at], marker, color=colour, markerfacecolor=fill, markersize=7.0, markeredgewidth=1.4)


def _advantage(one: Difference) -> tuple[float, float, float]:
    """The second side's advantage and its interval, in units of what is worth caring about; NaN where there is none."""
    unit = (one.worth or math.nan) * (1.0 if one.direction == "higher" else -1.0)
    ends = one.interval or (math.nan, math.nan)
    low, high = sorted(end / unit for end in ends) if one.interval else (math.nan, math.nan)
    return one.difference / unit, low, high


def draw_along(ax: Axes, places: PairedPlaces, panel: tuple[str, str, float | None], max_points: int) -> None:
    """One measure of both flights against the way along the route; a gap where a place is not in both."""
    name, title, top = panel
    pair = places.values[name]
    both = np.isfinite(pair[0]) & np.isfinite(pair[1])
    highest = 1.0
    for values, colour, dash in ((pair[0], FIRST, "-"), (pair[1], SECOND, (0, (4.0, 1.6)))):
        shown = envelope(places.place_s, np.where(both, values, np.nan), max_points)
        if shown.decimated:
            ax.fill_between(shown.time_s, shown.low, shown.high, color=COLOURS[colour], alpha=0.25, linewidth=0)
        ax.plot(shown.time_s, shown.middle, color=COLOURS[colour], linestyle=dash, linewidth=1.4)
        highest = max(highest, float(np.nanmax(values, initial=0.0)) if np.isfinite(values).any() else 0.0)
    ax.set_ylim(0.0, 1.03 * top if top else 1.1 * highest)
    ax.set_title(title, loc="left", fontsize=12.5, color=COLOURS["ink"], pad=6)
    for side in ("right", "top"):
        ax.spines[side].set_visible(False)
    ax.grid(visible=True, axis="y")
    ax.tick_params(length=0)


def draw_path(ax: Axes, time_a_s: Series, time_b_s: Series, shown: Sequence[tuple[float, float]]) -> None:
    """How the times of two flights go together: one dot a matched place, rings where pictures are shown."""
    ax.plot(time_a_s, time_b_s, ".", color=COLOURS["accent"], markersize=2.6)
    for a, b in shown:
        ax.plot([a], [b], "o", color=COLOURS["ink"], markerfacecolor="none", markersize=7.0, markeredgewidth=1.1)
    ax.set_xlabel("first flight, s")
    ax.set_ylabel("second flight, s")
    ax.grid(visible=True)
    ax.tick_params(length=0)
    for side in ("right", "top"):
        ax.spines[side].set_visible(False)


def forest_figure(rows: Sequence[tuple[str, str, Sequence[Difference]]], size: Size) -> Figure:
    """The differences as a figure; call within `rc_context(STYLE)`."""
    narrow = size.width < _NARROW
    left, right = (size.right, size.right) if narrow else (170.0, 250.0)
    row = _ROW * (1.35 if narrow else 1.0)
    foot, top = 42.0, 6.0
    height = row * len(rows) + foot + top
    figure = new_figure(size.width, height)
    ax = figure.add_axes(
        (left / size.width, foot / height, 1.0 - (left + right) / size.width, row * len(rows) / height)
    )
    draw_forest(ax, rows, narrow=narrow)
    return figure


def forest_svg(rows: Sequence[tuple[str, str, Sequence[Difference]]], size: Size, prefix: str, label: str) -> str:
    """The differences as inline SVG; `label` is read out."""
    with rc_context(STYLE):
        return to_svg(forest_figure(rows, size), prefix, label)


def along_figure(places: PairedPlaces, size: Size) -> Figure:
    """Both flights along the route, a panel a measure; call within `rc_context(STYLE)`."""
    panels = [one for one in ALONG if one[0] in places.values and _drawn(places, one[0])]
    foot, left = 40.0, 48.0
    height = len(panels) * (_PANEL + _PANEL_GAP) + foot
    figure = new_figure(size.width, height)
    shared: Axes | None = None
    for number, panel in enumerate(panels):
        bottom = height - (number + 1) * (_PANEL + _PANEL_GAP)
        box = (left / size.width, bottom / height, 1.0 - (left + size.right) / size.width, _PANEL / height)
        ax = figure.add_axes(box, sharex=shared)
        shared = shared or ax
        draw_along(ax, places, panel, size.max_points)
        ax.tick_params(labelbottom=number == len(panels) - 1)
    if shared is not None:
        shared.set_xlim(0.0, max(float(places.place_s[-1]), 0.1))
        ax.set_xlabel("way along the route, in seconds of flight")
    return figure


def along_svg(places: PairedPlaces, size: Size, prefix: str, label: str) -> str:
    """Both flights along the route as inline SVG, a panel a measure."""
    with rc_context(STYLE):
        return to_svg(along_figure(places, size), prefix, label)


def path_figure(time_a_s: Series, time_b_s: Series, shown: Sequence[tuple[float, float]], size: Size) -> Figure:
    """The alignment path as a figure; call within `rc_context(STYLE)`."""
    width, height = min(size.width, 460.0), 320.0
    figure = new_figure(width, height)
    ax = figure.add_axes((56.0 / width, 46.0 / height, 1.0 - 72.0 / width, 1.0 - 60.0 / height))
    draw_path(ax, time_a_s, time_b_s, shown)
    return figure


def path_svg(  # noqa: PLR0913 - what is drawn, and how it goes into the page
    time_a_s: Series, time_b_s: Series, shown: Sequence[tuple[float, float]], size: Size, prefix: str, label: str
) -> str:
    """The alignment path as inline SVG."""
    with rc_context(STYLE):
        return to_svg(path_figure(time_a_s, time_b_s, shown, size), prefix, label)


def _drawn(places: PairedPlaces, name: str) -> bool:
    return name != USABLE and all(bool(np.isfinite(values).any()) for values in places.values[name])
