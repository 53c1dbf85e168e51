"""What light does to the picture over a flight, drawn: the camera's exposure, veil, the colour of the dark, lamps in view."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from fieldscore.plots.decimate import MAX_POINTS
from fieldscore.plots.draw import bare_axes, blocks, curve, head, not_measured, shade_lost, time_axis
from fieldscore.plots.look import BLOOM, CAST_BLUE, CAST_RED, COLOURS, EXPOSURE, VEIL, column
from fieldscore.plots.sheets import Drawing, Size, panel_axes
from fieldscore.plots.svg import STYLE, new_figure, to_svg
from fieldscore.score import Score
from fieldscore.timeline import Series

_LEAST_STOPS = 0.5  # the axis shows at least half a stop either way, or a steady exposure looks wild
_LEAST_PERCENT = 1.0  # of white, or of the height: likewise
_ROOM = 1.12  # of the highest value, so that a curve does not touch the edge
_HEIGHT = 92.0  # view-box units
_FOOT = 28.0  # under a panel: room for the time axis
_HATCH = "//"


def draw_exposure(ax: Axes, score: Score, max_points: int = MAX_POINTS) -> None:
    """The camera's own exposure in stops against the first frame; lamp passes hatched, changes of light as lines."""
    values = column(score.record.timeline, EXPOSURE)
    handles = _passes(ax, score)
    curve(ax, score.record.timeline.time_s, values, "accent", "exposure", max_points)
    for event in score.events:
        ax.axvline(event.at_s, color=COLOURS["ink"], linewidth=0.8, dashes=(3, 2), label="light on or off")
    if score.events:
        handles.append(Line2D([], [], color=COLOURS["ink"], linewidth=0.8, dashes=(3, 2), label="light on or off"))
    ax.axhline(0.0, color=COLOURS["soft"], linewidth=0.6)
    _hunting(ax, score)
    ax.set_ylim(*_span(values, least=_LEAST_STOPS))
    head(ax, "Exposure, stops", handles)
    _finish(ax, values)


def draw_veil(ax: Axes, score: Score, max_points: int = MAX_POINTS) -> None:
    """Light that the lens spreads over the picture, in % of white; lamp passes hatched."""
    _draw_percent(ax, score, VEIL, ("Veil of light, % of white", "veil"), max_points)


def draw_cast(ax: Axes, score: Score, max_points: int = MAX_POINTS) -> None:
    """Red and blue of the dark parts against green, in stops; zero is grey."""
    timeline = score.record.timeline
    red, blue = column(timeline, CAST_RED), column(timeline, CAST_BLUE)
    handles = curve(ax, timeline.time_s, red, "noise", "red", max_points)
    handles += curve(ax, timeline.time_s, blue, "dark", "blue", max_points, dashes=(4, 1.5))
    ax.axhline(0.0, color=COLOURS["soft"], linewidth=0.6)
    known = [one for one in (red, blue) if one is not None]
    both = np.concatenate(known) if known else None
    ax.set_ylim(*_span(both, least=_LEAST_STOPS))
    head(ax, "Colour of the dark, stops", handles)
    _finish(ax, both)


def draw_lights(ax: Axes, score: Score, max_points: int = MAX_POINTS) -> None:
    """Radius of the largest lamp, or of the sun, in % of the picture's height; a gap where none is in view."""
    _draw_percent(ax, score, BLOOM, ("Sun and lamps, % of the height", "largest light"), max_points)


def _draw_percent(ax: Axes, score: Score, name: str, words: tuple[str, str], max_points: int) -> None:
    """A column in %, from zero up, lamp passes hatched; `words`: its heading and its name in the key."""
    values = column(score.record.timeline, name)
    handles = _passes(ax, score)
    curve(ax, score.record.timeline.time_s, values, "blown", words[1], max_points)
    ax.set_ylim(0.0, max(_LEAST_PERCENT, _ROOM * _most(values)))
    head(ax, words[0], handles)
    _finish(ax, values)


# By the name that the report has words for.
LIGHT: dict[str, Drawing] = {
    "exposure": draw_exposure,
    "veil": draw_veil,
    "cast": draw_cast,
    "lights": draw_lights,
}
_COLUMNS = {"exposure": (EXPOSURE,), "veil": (VEIL,), "cast": (CAST_RED, CAST_BLUE), "lights": (BLOOM,)}


def light_measured(score: Score) -> tuple[str, ...]:
    """The names of LIGHT of which this flight has a value."""
    timeline = score.record.timeline
    return tuple(name for name, own in _COLUMNS.items() if any(column(timeline, one) is not None for one in own))


def light_figure(score: Score, size: Size, names: Sequence[str]) -> Figure:
    """These panels of LIGHT under each other on one time axis; call within `rc_context(STYLE)`."""
    high = _HEIGHT * max(size.panels, 0.8)
    height = (high + size.gap) * len(names) + _FOOT
    figure = new_figure(size.width, height)
    top = height
    shared: Axes | None = None
    for name in names:
        top -= size.gap
        axes = panel_axes(figure, size, top, high, shared)
        shared = shared or axes
        LIGHT[name](axes, score, size.max_points)
        shade_lost(axes, score, size.max_points)
        axes.tick_params(labelbottom=name == names[-1])
        top -= high
    if shared is not None:
        time_axis(shared, score, size.ticks)
        axes.tick_params(axis="x", pad=6.0)  # clear of the lowest figure of the other axis
    return figure


def light_svg(score: Score, size: Size, name: str, prefix: str, label: str) -> str:
    """One panel as inline SVG; `prefix` makes its ids unique on the page, `label` is read out."""
    with rc_context(STYLE):
        figure = light_figure(score, size, (name,))
    return to_svg(figure, prefix, label)


def _passes(ax: Axes, score: Score) -> list[Line2D | Rectangle]:
    """Hatch the stretches in which a lamp is flown past; give their key."""
    spans = [(one.from_s, one.to_s) for one in score.lamps.passes]
    if not spans:
        return []
    look = {"facecolor": "none", "edgecolor": COLOURS["other"], "linewidth": 0.0, "hatch": _HATCH}
    patch = blocks(spans, 0.0, 1.0)
    patch.set(zorder=0, transform=ax.get_xaxis_transform(), label="near a lamp", **look)
    ax.add_patch(patch)
    return [Rectangle((0, 0), 1, 1, label="near a lamp", **look)]  # type: ignore[arg-type]  # names of one kind each


def _hunting(ax: Axes, score: Score) -> None:
    """A bar as high as the exposure swings, in the corner, with its period in words; nothing where it does not hunt."""
    stops, period = score.stability.hunting_stops, score.stability.hunting_period_s
    if not stops or not period:
        return
    middle = 0.5 * (score.airtime_from_s + score.airtime_to_s)
    ax.errorbar(
        [middle], [0.0], yerr=stops / 2, color=COLOURS["noise"], capsize=4.0, elinewidth=1.6, label="hunting", zorder=3
    )
    ax.annotate(
        f"hunts: swings by {stops:.2f} stops every {period:.1f} s",
        (0.995, 0.04),
        xycoords="axes fraction",
        ha="right",
        va="bottom",
        fontsize=10.5,
        color=COLOURS["ink"],
        bbox={"facecolor": COLOURS["paper"], "edgecolor": "none", "alpha": 0.75, "pad": 1.0},
    )


def _finish(ax: Axes, values: Series | None) -> None:
    if values is None:
        not_measured(ax)
    bare_axes(ax)


def _span(values: Series | None, *, least: float) -> tuple[float, float]:
    """Ends of an axis about zero that holds every value."""
    if values is None:
        return -least, least
    return min(-least, _ROOM * float(np.nanmin(values))), max(least, _ROOM * float(np.nanmax(values)))


def _most(values: Series | None) -> float:
    return 0.0 if values is None else float(np.nanmax(values))
