"""One function a picture: each draws a part of a Score on the axes it is given and returns nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.ticker import FuncFormatter, MultipleLocator

from fieldscore.plots.decimate import MAX_POINTS, Stripes, envelope, stripes
from fieldscore.plots.look import (
    CLIPPED,
    COLOURS,
    CRUSHED,
    LEVEL,
    LEVEL_HIGH,
    LEVEL_LOW,
    NOISE,
    READABLE,
    ZONE_READABLE,
    cause_look,
    column,
)
from fieldscore.plots.svg import UNITS_PER_INCH
from fieldscore.score import CAUSES, Score
from fieldscore.timeline import Series

OUTSIDE, USABLE, FIRST_CAUSE = 0, 1, 2  # states of a frame for the lanes; a cause is FIRST_CAUSE + its rank
# Steps of the time axis in seconds that read well as minutes and seconds.
_TICK_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
_LANE_FILL = 0.74  # share of a lane's height that is filled
_MIN_CEILING = 5.0  # %: a share axis never shows less than 0..5, or noise looks like a disaster
_LEVEL_TOP = 105.0  # %: room above nominal white, where many chains reach
_TITLE_SIZE, _LABEL_SIZE = 12.5, 11.0  # view-box units
_OVER_AXES, _OVER_KEY, _OVER_SCALE = 6.0, 23.0, 31.0  # view-box units from axes to title, by what is between
_ROOM_FOR_BOTH = 480.0  # view-box units of width: title and key side by side need so much


def frame_states(score: Score) -> npt.NDArray[np.int64]:
    """State [n] of each frame: OUTSIDE the airtime, USABLE, or FIRST_CAUSE + rank, first cause highest."""
    rank = len(CAUSES) - 1 - score.cause.astype(np.int64)
    states = np.where(score.cause >= 0, FIRST_CAUSE + rank, USABLE)
    return np.where(score.in_airtime, states, OUTSIDE)


def state_of(cause: str) -> int:
    """The state number of a cause's frames in `frame_states`."""
    return FIRST_CAUSE + len(CAUSES) - 1 - CAUSES.index(cause)


def draw_causes(ax: Axes, score: Score, max_points: int = MAX_POINTS) -> None:
    """A lane for usable stretches and one for each cause of loss, told apart by place, colour and hatch."""
    runs = _runs(score, max_points)
    lanes = [("usable", USABLE, "usable", "")]
    for cause in CAUSES:
        look = cause_look(cause)
        lanes.append((look.label, state_of(cause), look.colour, look.hatch))
    for row, (label, state, colour, hatch) in enumerate(lanes):
        ax.axhline(row, color=COLOURS["hair"], linewidth=0.5, zorder=0)
        spans = runs.of(state)
        if spans:
            patch = blocks(spans, row - _LANE_FILL / 2, row + _LANE_FILL / 2)
            patch.set(facecolor=COLOURS[colour], linewidth=0.0, hatch=hatch or None, label=label)
            patch.set_edgecolor(COLOURS["paper"])  # the hatch's colour; the edge itself has no width
            ax.add_patch(patch)
    ax.set_ylim(len(lanes) - 0.4, -0.6)
    ax.set_yticks(range(len(lanes)), [lane[0] for lane in lanes])
    head(ax, "Usable, and why not")
    bare_axes(ax)
    ax.grid(visible=False, axis="y")


def draw_level(ax: Axes, score: Score, max_points: int = MAX_POINTS) -> None:
    """Level in %: the mean of each frame, and its 5th to 95th percentile as a band."""
    timeline = score.record.timeline
    low, high = column(timeline, LEVEL_LOW), column(timeline, LEVEL_HIGH)
    handles: list[Line2D | Rectangle] = []
    if low is not None and high is not None:
        bottom, top = (envelope(timeline.time_s, values, max_points) for values in (low, high))
        ax.fill_between(bottom.time_s, bottom.low, top.high, color=COLOURS["accent"], alpha=0.2, linewidth=0)
        handles.append(
            Rectangle((0, 0), 1, 1, facecolor=COLOURS["accent"], alpha=0.2, label="5 to 95 % of the picture")
        )
    handles[:0] = curve(ax, timeline.time_s, column(timeline, LEVEL), "accent", "mean", max_points)
    black = score.criteria.black_level_percent
    _criterion(ax, black, f"black under {black:g} %")
    ax.set_ylim(-5.0, max(_LEVEL_TOP, _top(high), _top(column(timeline, LEVEL))))
    head(ax, "Level, % of nominal white", handles)
    bare_axes(ax)


def draw_clipping(ax: Axes, score: Score, max_points: int = MAX_POINTS) -> None:
    """Shares of the picture at the ceiling and at the floor, in %."""
    timeline = score.record.timeline
    clipped, crushed = column(timeline, CLIPPED), column(timeline, CRUSHED)
    handles = curve(ax, timeline.time_s, crushed, "dark", "at the floor", max_points)
    handles += curve(ax, timeline.time_s, clipped, "blown", "at the ceiling", max_points, dashes=(4, 1.5))
    ax.set_ylim(0.0, max(_MIN_CEILING, _top(clipped), _top(crushed)))
    head(ax, "Crushed and clipped, % of the picture", handles)
    bare_axes(ax)


def draw_readable(ax: Axes, score: Score, max_points: int = MAX_POINTS) -> None:
    """Share of readable tiles, whole picture and flying zone, with the line a usable frame must reach."""
    timeline = score.record.timeline
    handles = curve(
        ax, timeline.time_s, column(timeline, READABLE), "soft", "whole picture", max_points, dashes=(4, 1.5)
    )
    handles += curve(ax, timeline.time_s, column(timeline, ZONE_READABLE), "usable", "flying zone", max_points)
    needed = score.criteria.usable_zone_readable_percent
    _criterion(ax, needed, f"needed {needed:g} %")
    ax.set_ylim(0.0, 103.0)
    head(ax, "Readable, % of tiles", handles)
    bare_axes(ax)


def draw_noise(ax: Axes, score: Score, max_points: int = MAX_POINTS) -> None:
    """Temporal noise left in the recording, in % of nominal white."""
    timeline = score.record.timeline
    noise = column(timeline, NOISE)
    curve(ax, timeline.time_s, noise, "noise", "noise", max_points)
    ax.set_ylim(0.0, max(1.0, 1.1 * _top(noise)))
    head(ax, "Noise, % of nominal white")
    if noise is None:
        not_measured(ax)
    bare_axes(ax)


def shade_lost(ax: Axes, score: Score, max_points: int = MAX_POINTS) -> None:
    """Tint the stretches that were not usable, behind everything, over the full height of the axes."""
    runs = _runs(score, max_points)
    spans = [span for state in range(FIRST_CAUSE, FIRST_CAUSE + len(CAUSES)) for span in runs.of(state)]
    if spans:
        patch = blocks(spans, 0.0, 1.0)
        patch.set(
            facecolor=COLOURS["tint"],
            linewidth=0.0,
            zorder=-1,
            transform=ax.get_xaxis_transform(),
            label="lost",
        )
        ax.add_patch(patch)


def clock(time_s: float, _position: int | None = None) -> str:
    """A time of flight as minutes and seconds, tenths only where they are not zero: 0:05, 12:30, 0:07.5."""
    tenths = round(abs(time_s) * 10)
    minutes, rest = divmod(tenths, 600)
    seconds = f"{rest // 10:02d}" + (f".{rest % 10}" if rest % 10 else "")
    return f"{'-' if time_s < 0 and tenths else ''}{minutes}:{seconds}"


def time_axis(ax: Axes, score: Score, ticks: int) -> None:
    """Set the common time axis: the whole recording, marked in minutes and seconds."""
    time_s = score.record.timeline.time_s
    start, end = 0.0, 1.0
    if len(time_s):
        end = float(time_s[-1]) + (score.record.timeline.interval_s if len(time_s) > 1 else 1.0)
        start = float(time_s[0])
    ax.set_xlim(start, end)
    step = next((one for one in _TICK_STEPS_S if (end - start) / one <= ticks), _TICK_STEPS_S[-1])
    ax.xaxis.set_major_locator(MultipleLocator(step))
    ax.xaxis.set_major_formatter(FuncFormatter(clock))


def finish_panel(ax: Axes, title: str) -> None:
    """Give a panel that was drawn elsewhere, with a key of its own, the same title and hairlines."""
    _title(ax, title, _OVER_SCALE if is_narrow(ax) else _OVER_AXES)
    bare_axes(ax)
    ax.grid(visible=False)


def _runs(score: Score, max_points: int) -> Stripes:
    timeline = score.record.timeline
    interval = timeline.interval_s if len(timeline) > 1 else 1.0
    return stripes(timeline.time_s, frame_states(score), interval, max_points)


def curve(  # noqa: PLR0913, PLR0917 - what a curve on a panel is
    ax: Axes,
    time_s: Series,
    values: Series | None,
    colour: str,
    label: str,
    max_points: int,
    *,
    dashes: tuple[float, float] | None = None,
) -> list[Line2D | Rectangle]:
    """Draw a curve, with the band of its extremes when it was decimated; give its handle for the key."""
    if values is None:
        return []
    shown = envelope(time_s, values, max_points)
    if shown.decimated:
        ax.fill_between(shown.time_s, shown.low, shown.high, color=COLOURS[colour], alpha=0.35, linewidth=0)
    (line,) = ax.plot(shown.time_s, shown.middle, color=COLOURS[colour], linewidth=1.3, label=label)
    if dashes:
        line.set_dashes(dashes)
    return [line]


def _criterion(ax: Axes, value: float, text: str) -> None:
    ax.axhline(value, color=COLOURS["ink"], linewidth=0.8, dashes=(1, 2), label=text)
    ax.annotate(
        text,
        (1.0, value),
        xycoords=("axes fraction", "data"),
        xytext=(-3, 2.5),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=_LABEL_SIZE - 0.5,
        color=COLOURS["ink"],
        bbox={"facecolor": COLOURS["paper"], "edgecolor": "none", "alpha": 0.75, "pad": 1.0},
    )


def head(ax: Axes, title: str, handles: Sequence[Line2D | Rectangle] = ()) -> None:
    """Title above the axes at the left; the key at the right, or under the title where there is no room."""
    stacked = bool(handles) and is_narrow(ax)
    _title(ax, title, _OVER_KEY if stacked else _OVER_AXES)
    if handles:
        corner: Literal["lower left", "lower right"] = "lower left" if stacked else "lower right"
        ax.legend(
            handles=list(handles),
            loc=corner,
            bbox_to_anchor=(0.0 if stacked else 1.0, 1.0),
            ncols=len(handles),
            frameon=False,
            fontsize=_LABEL_SIZE,
            borderaxespad=0.1,
            borderpad=0.3,
            handlelength=1.6,
            columnspacing=1.2,
            labelcolor=COLOURS["soft"],
        )


def is_narrow(ax: Axes) -> bool:
    """Say whether there is no room for a title and a key side by side above the axes."""
    inches = ax.get_window_extent().width / ax.figure.dpi
    return bool(inches * UNITS_PER_INCH < _ROOM_FOR_BOTH)


def _title(ax: Axes, title: str, height: float) -> None:
    ax.annotate(
        title,
        (0.0, 1.0),
        xycoords="axes fraction",
        xytext=(0, height),
        textcoords="offset points",
        ha="left",
        va="baseline",
        fontsize=_TITLE_SIZE,
        fontweight="bold",
        color=COLOURS["ink"],
    )


def bare_axes(ax: Axes) -> None:
    """Only hairlines: no frame, no tick marks."""
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    ax.tick_params(length=0, labelsize=_LABEL_SIZE)
    ax.grid(visible=True, linewidth=0.5)
    ax.set_axisbelow(True)


def not_measured(ax: Axes) -> None:
    """Say so in the middle of the axes."""
    ax.annotate("not measured", (0.5, 0.5), xycoords="axes fraction", ha="center", va="center", color=COLOURS["soft"])


def blocks(spans: Sequence[tuple[float, float]], bottom: float, top: float) -> PathPatch:
    """All stretches as one path: one element in the file, however many there are."""
    vertices, codes = [], []
    for left, right in spans:
        vertices += [(left, bottom), (left, top), (right, top), (right, bottom), (left, bottom)]
        codes += [Outline.MOVETO, Outline.LINETO, Outline.LINETO, Outline.LINETO, Outline.CLOSEPOLY]
    return PathPatch(Outline(np.array(vertices), codes))


def _top(values: Series | None) -> float:
    return 0.0 if values is None else float(np.nanmax(values))
