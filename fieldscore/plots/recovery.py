"""Recoveries on one axis, aligned at the edge: how the level came back, the band, and when it stayed within it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fieldscore.plots.look import COLOURS
from fieldscore.plots.sheets import Size
from fieldscore.plots.svg import STYLE, new_figure, to_svg
from fieldscore.recovery import BAND_SHARE, FlashEvent
from fieldscore.score import Score

_BEFORE_S, _AFTER_S = 0.3, 3.0  # shown around an edge
_HEIGHT = 260.0  # view-box units
_DASHES = ("-", "--", ":", "-.")  # cameras are told apart by dash and colour
_TONES = ("accent", "second", "noise", "usable")


def draw_recoveries(ax: Axes, group: Sequence[tuple[str, Score, Sequence[FlashEvent]]]) -> None:
    """Draw every recovery as % of its settled level against seconds from the edge; one dash and colour a camera."""
    ax.axhspan(100 * (1 - BAND_SHARE), 100 * (1 + BAND_SHARE), color=COLOURS["tint"], linewidth=0)
    ax.axhline(100.0, color=COLOURS["soft"], linewidth=0.8)
    ax.axvline(0.0, color=COLOURS["ink"], linewidth=0.8)
    top = 120.0
    for number, (label, score, events) in enumerate(group):
        colour, dash = COLOURS[_TONES[number % len(_TONES)]], _DASHES[number % len(_DASHES)]
        timeline = score.record.timeline
        floor = score.record.clip.floor_level_percent
        for index, event in enumerate(events):
            if event.settled_percent is None or event.settled_percent <= 0:
                continue
            shown = timeline.between(event.at_s - _BEFORE_S, event.at_s + _AFTER_S)
            shown &= timeline.time_s < _until(score, event)
            level = 100.0 * (timeline["level_percent"][shown] - floor) / event.settled_percent
            top = max(top, min(float(np.nanmax(level, initial=0.0)), 250.0))
            seconds = timeline.time_s[shown] - event.at_s
            ax.plot(seconds, level, dash, color=colour, linewidth=1.3, label=label if index == 0 else None)
            if event.recovery_s is not None and event.recovery_low_s is not None and event.recovery_high_s is not None:
                ax.plot(
                    [event.recovery_low_s, event.recovery_high_s],
                    [100.0, 100.0],
                    color=colour,
                    linewidth=4.0,
                    solid_capstyle="butt",
                )
    ax.set_xlim(-_BEFORE_S, _AFTER_S)
    ax.set_ylim(0.0, 1.05 * top)
    ax.set_xlabel("seconds from the edge")
    ax.set_ylabel("level, % of settled")
    if len(group) > 1:
        ax.legend(loc="lower right", frameon=False)


def _until(score: Score, event: FlashEvent) -> float:
    """The first time (s) that belongs to an event no more: light changed, be it found, missed or another's. inf where none does."""
    ends = [one.after_s for one in score.events if one.at_s > event.at_s]
    return min([*ends, *(one for one in (event.missed_s, event.crossed_s) if one is not None)], default=math.inf)


def recoveries_figure(group: Sequence[tuple[str, Score, Sequence[FlashEvent]]], size: Size) -> Figure:
    """The drawing as a figure; call within `rc_context(STYLE)`."""
    figure = new_figure(size.width, _HEIGHT)
    left, foot, top = 60.0, 44.0, 12.0
    width = (size.width - left - size.right) / size.width
    ax = figure.add_axes((left / size.width, foot / _HEIGHT, width, (_HEIGHT - foot - top) / _HEIGHT))
    draw_recoveries(ax, group)
    return figure


def recoveries_svg(
    group: Sequence[tuple[str, Score, Sequence[FlashEvent]]], size: Size, prefix: str, label: str
) -> str:
    """The drawing as inline SVG in the page's colours; ids start with `prefix`, `label` is read out."""
    with rc_context(STYLE):
        return to_svg(recoveries_figure(group, size), prefix, label)
