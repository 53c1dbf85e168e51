"""Whole figures for the page: the sheet of timeline plots and the map of readable tiles, wide and narrow."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fieldscore.plots import draw, rasters
from fieldscore.plots.svg import STYLE, UNITS_PER_INCH, new_figure, to_svg
from fieldscore.score import Score

Drawing = Callable[[Axes, Score, int], None]


@dataclass(frozen=True)
class Size:
    """A figure's measures in view-box units (a screen pixel at full size) and how much detail it can carry.

    `gap` is the room above each panel for its head; panels are `panels` times as high as on a wide page.
    """

    width: float
    left: float
    right: float
    gap: float
    max_points: int
    ticks: int
    histogram_columns: int
    map_width: float
    map_numbers: bool
    panels: float = 1.0


# The wide one fills the main column of a desktop page and of paper; the narrow one a telephone's 390 px.
WIDE = Size(960.0, 84.0, 18.0, 42.0, 900, 12, 450, 640.0, map_numbers=True)
NARROW = Size(358.0, 74.0, 18.0, 56.0, 320, 5, 280, 358.0, map_numbers=False)

_PANELS: tuple[tuple[Drawing, float], ...] = (
    (draw.draw_causes, 108.0),
    (draw.draw_readable, 92.0),
    (draw.draw_level, 104.0),
    (draw.draw_clipping, 80.0),
    (draw.draw_noise, 62.0),
)
_HISTOGRAM_HEIGHT = 128.0
_LEAST_LANES = 88.0  # seven lanes, each as high as its name
_FOOT = 42.0  # under the last panel: room for the time axis
_SCALE_WIDTH, _SCALE_HEIGHT = 96.0, 7.0
_MAP_FOOT = 40.0  # under the map: room for its colour scale


def timeline_figure(score: Score, size: Size = WIDE) -> Figure:
    """Every timeline plot on one time axis, under each other; call within `rc_context(STYLE)`."""
    panels = [(drawing, high * size.panels) for drawing, high in _PANELS]
    panels[0] = (panels[0][0], max(panels[0][1], _LEAST_LANES))
    histogram = _HISTOGRAM_HEIGHT * size.panels
    height = sum(panel_height + size.gap for _, panel_height in panels) + histogram + size.gap + _FOOT
    figure = new_figure(size.width, height)
    top = height
    shared: Axes | None = None
    for drawing, panel_height in panels:
        top -= size.gap
        axes = panel_axes(figure, size, top, panel_height, shared)
        shared = shared or axes
        drawing(axes, score, size.max_points)
        if drawing is not draw.draw_causes:
            draw.shade_lost(axes, score, size.max_points)
        axes.tick_params(labelbottom=False)
        top -= panel_height
    top -= size.gap
    axes = panel_axes(figure, size, top, histogram, shared)
    _histogram(figure, axes, score, size, top)
    draw.time_axis(axes, score, size.ticks)
    axes.set_xlabel("time from the start of the recording, min:s", fontsize=11.0)
    return figure


def map_figure(score: Score, size: Size = WIDE) -> Figure:
    """The map of readable tiles in the picture's shape, with its scale; call within `rc_context(STYLE)`."""
    clip, (top, right, bottom, left) = score.record.clip, score.record.picture.border_px
    wide, high = max(clip.width - left - right, 1), max(clip.height - top - bottom, 1)
    picture_height = min(size.map_width * high / wide, 1.5 * size.map_width)
    height = picture_height + _MAP_FOOT + 2.0
    figure = new_figure(size.map_width, height)
    axes = figure.add_axes((0.002, (_MAP_FOOT) / height, 0.996, picture_height / height))
    rasters.draw_readable_map(axes, score, numbers=size.map_numbers)
    scale_width = min(260.0, size.map_width / 2.2) / size.map_width
    edge = 6.0 / size.map_width  # half of the scale's first number
    strip = figure.add_axes((edge, 20.0 / height, scale_width, 9.0 / height))
    rasters.draw_readable_scale(strip)
    figure.text(
        edge + scale_width + 14.0 / size.map_width,
        20.0 / height,
        "% of the airtime",
        fontsize=11.0,
        va="bottom",
    )
    return figure


def timeline_svg(score: Score, size: Size, prefix: str) -> str:
    """The timeline plots as inline SVG; `prefix` makes its ids unique on the page."""
    with rc_context(STYLE):
        figure = timeline_figure(score, size)
    label = "Timeline plots: usable and lost stretches, readable share, level, clipping, noise, histogram"
    return to_svg(figure, prefix, label)


def map_svg(score: Score, size: Size, prefix: str) -> str:
    """The map of readable tiles as inline SVG; `prefix` makes its ids unique on the page."""
    with rc_context(STYLE):
        figure = map_figure(score, size)
    return to_svg(figure, prefix, "Map of the picture: share of the airtime each tile was readable, in percent")


def panel_axes(figure: Figure, size: Size, top: float, height: float, shared: Axes | None) -> Axes:
    """Axes of a panel whose upper edge is `top` view-box units above the figure\'s foot."""
    total = figure.get_figheight() * UNITS_PER_INCH
    width = (size.width - size.left - size.right) / size.width
    return figure.add_axes((size.left / size.width, (top - height) / total, width, height / total), sharex=shared)


def _histogram(figure: Figure, axes: Axes, score: Score, size: Size, top: float) -> None:
    """The histogram picture with floor and ceiling marked, and its colour scale in the head."""
    total = figure.get_figheight() * UNITS_PER_INCH
    axes.set_facecolor(rasters.lowest_colour())
    rasters.draw_histogram(axes, score, size.histogram_columns)
    draw.finish_panel(axes, "Histogram over time: level, %")
    narrow = draw.is_narrow(axes)
    left = size.left if narrow else size.width - size.right - _SCALE_WIDTH
    strip = figure.add_axes((left / size.width, (top + 6.0) / total, _SCALE_WIDTH / size.width, _SCALE_HEIGHT / total))
    rasters.draw_share_scale(strip)
    strip.xaxis.tick_top()
    strip.tick_params(length=0, labelsize=9.0, pad=1)
    beside = left + _SCALE_WIDTH + 8.0 if narrow else left - 8.0
    figure.text(
        beside / size.width,
        (top + 5.0) / total,
        "% of the picture",
        ha="left" if narrow else "right",
        va="bottom",
        fontsize=10.0,
    )
