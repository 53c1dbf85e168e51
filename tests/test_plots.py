"""Plots, judged by their artists and their SVG text, not by pixels."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from builders import FRAME_RATE, STRETCHES, TILE_COLUMNS, build_record, build_score, unmeasured
from hypothesis import given
from hypothesis import strategies as st
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline

from fieldscore import plots
from fieldscore.plots.decimate import MAX_POINTS
from fieldscore.plots.draw import FIRST_CAUSE, OUTSIDE, USABLE, frame_states, state_of
from fieldscore.plots.look import COLOURS
from fieldscore.plots.rasters import histogram_picture, zone_box
from fieldscore.plots.svg import new_figure
from fieldscore.score import CAUSES, Score

FRAME_S = 1.0 / FRAME_RATE


def corners(path: Outline) -> npt.NDArray[np.float64]:
    """The points [k, 2] of a drawn outline."""
    return np.asarray(path.vertices, dtype=np.float64)


def frame_times(count: int) -> npt.NDArray[np.float64]:
    """Times of so many frames in seconds."""
    return np.arange(count, dtype=np.float64) * FRAME_S


@pytest.fixture(scope="module")
def score() -> Score:
    """The default flight."""
    return build_score()


@pytest.fixture
def axes() -> Axes:
    """Empty axes of the wide page's width."""
    return new_figure(plots.WIDE.width, 200.0).add_axes((0.1, 0.1, 0.8, 0.8))


@given(st.integers(1, 5000), st.integers(0, 10**6))
def test_envelope_keeps_every_extreme(count: int, seed: int) -> None:
    """However long the flight, the highest and the lowest value stay in the drawn curve, in few points."""
    rng = np.random.default_rng(seed)
    time_s, values = frame_times(count), rng.normal(size=count)
    values[rng.integers(count)] = 50.0
    curve = plots.envelope(time_s, values)
    assert np.nanmax(curve.high) == 50.0
    assert np.nanmin(curve.low) == values.min()
    assert len(curve.time_s) <= MAX_POINTS
    known = ~np.isnan(curve.middle)
    assert np.all(curve.low[known] <= curve.middle[known])
    assert np.all(curve.middle[known] <= curve.high[known])


def test_envelope_middle_is_the_median_of_its_bin() -> None:
    """A decimated curve's line is the median of the frames a point stands for."""
    time_s = np.arange(4000) / 100.0
    values = np.random.default_rng(3).normal(size=4000)
    curve = plots.envelope(time_s, values, max_points=400)
    expected = [np.median(part) for part in values.reshape(400, 10)]
    # bins are equal in time: frames on an edge may fall to either side, so most bins must agree, not all
    assert np.mean(np.isclose(curve.middle, expected)) > 0.8
    assert curve.decimated


def test_envelope_breaks_where_frames_are_missing() -> None:
    """No line is drawn across lost frames."""
    time_s = np.concatenate([frame_times(10), 5.0 + frame_times(10)])
    curve = plots.envelope(time_s, np.ones(20))
    assert np.isnan(curve.middle[10])
    assert curve.time_s[9] < curve.time_s[10] < curve.time_s[11]
    assert not curve.decimated


def test_envelope_of_nothing_known_is_nan() -> None:
    """A bin without any value stays empty instead of zero."""
    values = np.full(3000, np.nan)
    values[:300] = 1.0
    curve = plots.envelope(frame_times(3000), values, max_points=300)
    assert np.all(curve.middle[:29] == 1.0)
    assert np.isnan(curve.middle[31:]).all()


@given(st.integers(2, 20_000), st.integers(0, 10**6))
def test_stripes_show_the_shortest_loss(count: int, seed: int) -> None:
    """One lost frame in a flight of any length still gets a stripe, over the time it happened."""
    lost = int(np.random.default_rng(seed).integers(count))
    state = np.full(count, USABLE)
    state[lost] = FIRST_CAUSE
    time_s = frame_times(count)
    spans = plots.stripes(time_s, state, FRAME_S).of(FIRST_CAUSE)
    assert len(spans) == 1
    assert spans[0][0] - 1e-9 <= time_s[lost] <= spans[0][1] + 1e-9


def test_states_put_the_first_cause_highest(score: Score) -> None:
    """Where several states share a stripe, lost link comes first, and any cause before usable."""
    order = [OUTSIDE, USABLE, *(state_of(cause) for cause in reversed(CAUSES))]
    assert order == sorted(order)
    states = frame_states(score)
    at = {cause: round(STRETCHES[cause][0][0] * FRAME_RATE) + 1 for cause in STRETCHES if cause != "link_lost"}
    assert {cause: int(states[row]) for cause, row in at.items()} == {cause: state_of(cause) for cause in at}
    assert states[0] == OUTSIDE


def test_cause_lanes_cover_the_stretches(score: Score, axes: Axes) -> None:
    """Each cause has a lane with blocks exactly over its stretches, told apart by colour and hatch."""
    plots.draw_causes(axes, score)
    blocks = {patch.get_label(): patch for patch in axes.patches if isinstance(patch, PathPatch)}
    assert set(blocks) == {"usable", *(plots.cause_look(cause).label for cause in STRETCHES)}
    dark = corners(blocks["too dark"].get_path())
    assert (dark[:, 0].min(), dark[:, 0].max()) == pytest.approx((24.0, 32.0), abs=1.5 * 60.0 / MAX_POINTS)
    looks = {(patch.get_hatch(), tuple(patch.get_facecolor())) for patch in blocks.values()}
    assert len(looks) == len(blocks)
    lanes = {round(float(np.mean(corners(patch.get_path())[:, 1]))) for patch in blocks.values()}
    assert len(lanes) == len(blocks)
    assert [text.get_text() for text in axes.get_yticklabels()][0] == "usable"


def test_an_unknown_cause_is_drawn_under_its_own_name() -> None:
    """A cause without a look of its own keeps its plain name, in grey."""
    look = plots.cause_look("lamp_pulldown")
    assert look.label == "lamp pulldown"
    assert look.colour == "other"


def test_readable_plot_has_the_criterion_line(score: Score, axes: Axes) -> None:
    """The share a usable frame must reach is a line at its value, and both shares are drawn."""
    plots.draw_readable(axes, score)
    lines = {str(line.get_label()): line for line in axes.lines}
    assert {"whole picture", "flying zone"} <= set(lines)
    needed = score.criteria.usable_zone_readable_percent
    assert np.asarray(lines["needed 60 %"].get_ydata()).tolist() == [needed, needed]
    drawn = np.asarray(lines["flying zone"].get_ydata(), dtype=float)
    assert np.nanmin(drawn) == pytest.approx(np.nanmin(score.record.timeline["zone_readable_percent"]))


def test_one_frame_of_clipping_stays_in_sight(axes: Axes) -> None:
    """A single clipped frame in ten minutes reaches its full height in the plot."""
    record = build_record(duration_s=600.0)
    values = dict(record.timeline.values)
    values["clipped_percent"] = np.zeros(len(record.timeline))
    values["clipped_percent"][9001] = 88.0
    score = build_score(replace(record, timeline=replace(record.timeline, values=values)))
    plots.draw_clipping(axes, score)
    top = max(float(corners(band.get_paths()[0])[:, 1].max()) for band in axes.collections)
    assert top == 88.0
    assert axes.get_ylim()[1] >= 88.0


def test_level_plot_spans_percentiles(score: Score, axes: Axes) -> None:
    """The band of the level plot reaches the 95th percentile and the axis shows it whole."""
    plots.draw_level(axes, score)
    high = float(np.nanmax(score.record.timeline["p95_percent"]))
    top = max(float(corners(band.get_paths()[0])[:, 1].max()) for band in axes.collections)
    assert top == pytest.approx(high)
    assert axes.get_ylim()[1] >= high


def test_noise_that_was_not_measured_says_so(score: Score, axes: Axes) -> None:
    """A column without any value is called not measured instead of drawn at zero."""
    values = {**score.record.timeline.values, "noise_percent": np.full(len(score.record.timeline), np.nan)}
    timeline = replace(score.record.timeline, values=values)
    plots.draw_noise(axes, replace(score, record=replace(score.record, timeline=timeline)))
    assert any("not measured" in text.get_text() for text in axes.texts)
    assert not axes.lines


def test_histogram_picture_keeps_shares(score: Score) -> None:
    """Each column of the histogram picture adds up to the share of the picture that its frames hold."""
    picture = histogram_picture(score.record, columns=60)
    rows = score.record.evidence.histogram.sum(axis=1) / 65535.0
    # 1 s of frames a column; an edge frame may fall to the column beside it
    assert picture.shape == (128, 60)
    assert picture.sum(axis=0)[5] == pytest.approx(rows[160:170].mean(), abs=0.02)


def test_histogram_of_a_short_clip_has_no_holes() -> None:
    """A clip with fewer frames than columns fills every column."""
    picture = histogram_picture(build_record(duration_s=5.0), columns=450)
    assert np.isfinite(picture).all()


def test_map_numbers_and_zone(score: Score, axes: Axes) -> None:
    """The map prints each measured tile's share and outlines the tiles of the flying zone."""
    plots.draw_readable_map(axes, score)
    measured = np.isfinite(score.readable_map)
    assert len(axes.texts) == int(measured.sum())
    assert axes.texts[0].get_text() == f"{100 * score.readable_map[measured][0]:.0f}"
    outline = next(patch for patch in axes.patches if isinstance(patch, Rectangle))
    assert outline.get_bbox().bounds == (3.0, 2.0, 10.0, 8.0)


@given(st.integers(2, 64), st.integers(2, 64), st.floats(0.1, 1.0))
def test_zone_box_is_the_tiles_measured_as_zone(rows: int, columns: int, zone: float) -> None:
    """The outline holds exactly the tiles whose centre lies in the central share of the picture."""
    left, top, width, height = zone_box(rows, columns, zone)
    for start, length, count in ((left, width, columns), (top, height, rows)):
        centres = (np.arange(count) + 0.5) / count
        inside = np.abs(centres - 0.5) <= zone / 2
        assert inside.sum() == length
        assert inside[start : start + length].all()


@pytest.mark.parametrize("size", [plots.WIDE, plots.NARROW], ids=["wide", "narrow"])
def test_panels_share_one_time_axis(score: Score, size: plots.Size) -> None:
    """Every timeline panel has the same time limits: the whole recording."""
    with rc_context(plots.STYLE):
        figure = plots.timeline_figure(score, size)
    panels = [one for one in figure.axes if one.get_shared_x_axes().joined(one, figure.axes[0])]
    assert len(panels) == 6
    assert len({one.get_xlim() for one in panels}) == 1
    assert panels[0].get_xlim() == pytest.approx((0.0, 60.0), abs=1e-3)


def test_svg_takes_colours_from_the_page(score: Score) -> None:
    """The SVG names the page's colours, carries no stand-in, no font, and nothing that points outside."""
    text = plots.timeline_svg(score, plots.WIDE, "a")
    assert "var(--usable)" in text
    assert not any(stand_in in text for stand_in in COLOURS.values())
    assert "font-family" not in text
    assert not re.search(r"https?:|<script|<style|@import|<!DOCTYPE|xmlns", text)
    targets = re.findall(r'href="([^"]+)', text)
    assert all(target.startswith(("#a-", "data:image/png;")) for target in targets)


def test_two_svgs_share_no_id(score: Score) -> None:
    """Ids of two figures on one page never clash, and every reference has its target."""
    texts = [plots.timeline_svg(score, plots.WIDE, "a"), plots.timeline_svg(score, plots.NARROW, "b")]
    ids = [re.findall(r' id="([^"]+)"', text) for text in texts]
    assert not set(ids[0]) & set(ids[1])
    for text, own in zip(texts, ids, strict=True):
        assert len(own) == len(set(own))
        assert set(re.findall(r'(?:url\(#|href="#)([^)"]+)', text)) == set(own)


def test_svg_is_the_same_every_time_and_small() -> None:
    """The same flight gives the same bytes, and a ten-minute one costs no more than 300 kB of plots."""
    score = build_score(build_record(duration_s=600.0))
    text = plots.timeline_svg(score, plots.WIDE, "a")
    assert text == plots.timeline_svg(score, plots.WIDE, "a")
    assert len(text) < 300_000


def test_nothing_measured_still_draws(score: Score) -> None:
    """A flight without a single figure gives a page of empty plots, not an error."""
    empty = unmeasured(score)
    assert "<svg" in plots.timeline_svg(empty, plots.WIDE, "a")
    text = plots.map_svg(empty, plots.WIDE, "b")
    assert text.count("<path") >= TILE_COLUMNS


@pytest.mark.parametrize(
    ("time_s", "text"), [(0, "0:00"), (7.5, "0:07.5"), (65, "1:05"), (3600, "60:00"), (-1, "-0:01")]
)
def test_clock(time_s: float, text: str) -> None:
    """Times on the axis read as minutes and seconds."""
    assert plots.clock(time_s) == text
