"""The two pictures made of cells: the histogram over time and the map of readable tiles."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from fieldscore.plots.decimate import time_bins
from fieldscore.plots.look import COLOURS
from fieldscore.record import FlightRecord
from fieldscore.score import Score
from fieldscore.spool import let_go
from fieldscore.units import CodeRange, code_to_level

# cividis: perceptually uniform, and nearly the same to people with any colour vision (Nunez, Anderton,
# Renslow, PLoS ONE 13(7), 2018; from memory)
COLOUR_MAP = "cividis"
SHARE_UNIT = 1.0 / 65535.0  # Evidence.histogram counts shares in these
SHARE_LOW, SHARE_HIGH = 1e-4, 0.3  # share of the picture a level bin: the ends of the colour scale
_CODES_A_ROW = 2  # codes drawn together: 128 rows are more than the plot is high
_SHADES = 20  # steps of the colour scale: more cannot be told apart and only add bytes
_HISTOGRAM_COLUMNS = 450  # time bins: two screen pixels each on a wide page
_MAX_NUMBERED = 320  # tiles: more are too small for a number
_DARK_UNTIL = 55.0  # %: under this the colour map is dark enough for white figures
_FLYING_ZONE_CASING = 3.2  # view-box units


def histogram_picture(record: FlightRecord, columns: int = _HISTOGRAM_COLUMNS) -> npt.NDArray[np.float64]:
    """Mean share of the picture per level bin over time, [128, columns], lowest first; NaN without frames."""
    histogram = record.evidence.histogram
    picture = np.full((columns, 256 // _CODES_A_ROW), np.nan)
    rows = min(len(histogram), len(record.timeline))
    if rows:
        bins, _ = time_bins(record.timeline.time_s[:rows], columns)
        filled, first, count = np.unique(bins, return_index=True, return_counts=True)
        # a column at a time: of an hour's flight, all rows at once would be a quarter of a gigabyte
        sums = np.empty((len(filled), 256), dtype=np.uint64)
        for number, (start, frames) in enumerate(zip(first, count, strict=True)):
            sums[number] = histogram[start : start + frames].sum(axis=0, dtype=np.uint64)
            let_go(histogram)
        pairs = sums.reshape(len(filled), -1, _CODES_A_ROW).sum(axis=2)
        picture[filled] = pairs * SHARE_UNIT / count[:, None]
        # A short flight has fewer frames than columns: each empty column repeats the frame before it.
        source = np.maximum.accumulate(np.where(np.isin(np.arange(columns), filled), np.arange(columns), 0))
        if rows < columns:
            picture = picture[source]
    return picture.T


def draw_histogram(ax: Axes, score: Score, columns: int = _HISTOGRAM_COLUMNS) -> None:
    """The flight's histogram over time: share of the picture at each level, on a logarithmic colour scale."""
    record = score.record
    picture = histogram_picture(record, columns)
    with np.errstate(invalid="ignore", divide="ignore"):
        position = np.log(picture / SHARE_LOW) / np.log(SHARE_HIGH / SHARE_LOW)
    shade = np.where(np.isfinite(position), np.clip(np.ceil(position * _SHADES), 0, _SHADES), 0) / _SHADES
    time_s = record.timeline.time_s
    first, last = (float(time_s[0]), float(time_s[-1])) if len(time_s) else (0.0, 1.0)
    code_range = code_range_of(record)
    bottom, top = (float(code_to_level(code, code_range)) for code in (-0.5, 255.5))
    ax.imshow(
        shade,
        origin="lower",
        aspect="auto",
        extent=(first, max(last, first + 1e-3), bottom, top),
        cmap=COLOUR_MAP,
        vmin=0.0,
        vmax=1.0,
        interpolation="none",
    )
    ax.set_ylim(bottom, top)


def draw_share_scale(ax: Axes) -> None:
    """The colour scale of the histogram picture, as a strip with shares in %."""
    ax.imshow(np.linspace(0.0, 1.0, _SHADES + 1)[None, :], aspect="auto", cmap=COLOUR_MAP, extent=(0, 1, 0, 1))
    marks = [1e-4, 1e-3, 1e-2, 1e-1]
    places = np.log(np.array(marks) / SHARE_LOW) / np.log(SHARE_HIGH / SHARE_LOW)
    ax.set_xticks(places.tolist(), [f"{mark * 100:g}" for mark in marks])
    _strip(ax)


def draw_readable_scale(ax: Axes) -> None:
    """The colour scale of the map of readable tiles, in % of the airtime."""
    ax.imshow(np.linspace(0.0, 1.0, _SHADES + 1)[None, :], aspect="auto", cmap=COLOUR_MAP, extent=(0, 100, 0, 1))
    ax.set_xticks([0, 25, 50, 75, 100])
    _strip(ax)


def draw_readable_map(ax: Axes, score: Score, *, numbers: bool = True) -> None:
    """Share of the airtime each tile was readable, in %, the flying zone outlined; not measured: crossed."""
    shares = np.asarray(score.readable_map, dtype=np.float64) * 100.0
    rows, columns = shares.shape
    ax.imshow(
        np.ma.masked_invalid(shares),
        cmap=COLOUR_MAP,
        vmin=0.0,
        vmax=100.0,
        interpolation="none",
        aspect="auto",
        extent=(0, columns, rows, 0),
    )
    if numbers and shares.size <= _MAX_NUMBERED:
        for row, column in np.argwhere(np.isfinite(shares)).tolist():
            value = float(shares[row, column])
            ax.text(
                column + 0.5,
                row + 0.5,
                f"{value:.0f}",
                ha="center",
                va="center_baseline",
                fontsize=9.0,
                color="#ffffff" if value < _DARK_UNTIL else "#101418",
            )
    for row, column in np.argwhere(~np.isfinite(shares)).tolist():
        ax.plot([column + 0.2, column + 0.8], [row + 0.8, row + 0.2], color=COLOURS["soft"], linewidth=0.8)
    left, top, width, height = zone_box(rows, columns, score.criteria.flying_zone)
    for colour, line in (("#ffffff", _FLYING_ZONE_CASING), ("#101418", 1.2)):
        ax.add_patch(
            Rectangle(
                (left, top),
                width,
                height,
                fill=False,
                edgecolor=colour,
                linewidth=line,
                joinstyle="miter",
                label="flying zone",
            )
        )
    ax.set_xlim(0, columns)
    ax.set_ylim(rows, 0)
    ax.set_axis_off()


def zone_box(rows: int, columns: int, zone: float) -> tuple[int, int, int, int]:
    """Left, top, width and height, in tiles, of the tiles whose centre lies in the flying zone."""
    inside = [np.flatnonzero(np.abs((np.arange(count) + 0.5) / count - 0.5) <= zone / 2) for count in (columns, rows)]
    (left, width), (top, height) = ((int(found[0]) if len(found) else 0, len(found)) for found in inside)
    return left, top, width, height


def code_range_of(record: FlightRecord) -> CodeRange:
    """The code range in force; anything but "full" is taken as narrow, as levels are."""
    return CodeRange.FULL if record.clip.code_range == "full" else CodeRange.NARROW


def lowest_colour() -> str:
    """The colour of "nothing there", for the background of the histogram picture."""
    red, green, blue, _ = colormaps[COLOUR_MAP](0.0, bytes=True)
    return f"#{red:02x}{green:02x}{blue:02x}"


def _strip(ax: Axes) -> None:
    ax.set_yticks([])
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.tick_params(length=0, labelsize=9.0, pad=2)
