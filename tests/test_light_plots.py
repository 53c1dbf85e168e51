"""The drawings of what light did, by their artists and their words: marks at their times, units, sentences, not measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import build_record, build_score
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.colors import to_hex, to_rgba_array
from matplotlib.patches import PathPatch
from test_report_html import Page
from test_report_pdf import text_of

from fieldscore import plots
from fieldscore.lamp_passes import LampPass
from fieldscore.measures import COLUMNS
from fieldscore.plots.ink import recolour
from fieldscore.plots.look import COLOURS
from fieldscore.plots.svg import new_figure
from fieldscore.recovery import FlashEvent
from fieldscore.report import render_html
from fieldscore.report.light import READING, WORDS, hunting_words, lamp_words, light_panels
from fieldscore.report.pdf import flight_pdf
from fieldscore.score import Lamps, Score, Stability

PASSES = (LampPass(10.0, 12.0, 11.5, 4.0, -0.8, 1.1, 10.0, 0.0), LampPass(40.0, 41.0, 40.5, 3.0, -0.4, 0.9, 40.0, 0.0))
NAMES = ("exposure_stops", "veil_percent", "cast_red_stops", "cast_blue_stops", "bloom_radius_percent")
FLASH_S = 20.0


def lit_score(duration_s: float = 60.0) -> Score:
    """A flight with every column of light, two lamps passed, a hunting exposure and a flash."""
    score = build_score(build_record(duration_s=duration_s))
    timeline = score.record.timeline
    own = {column.name: column for column in COLUMNS}
    time_s = timeline.time_s
    values = {
        "exposure_stops": 0.1 * np.sin(2 * np.pi * time_s / 0.9) - 1.5 * (np.abs(time_s - 11.0) < 1.0),
        "veil_percent": 0.3 + 0.2 * np.sin(time_s),
        "cast_red_stops": np.full(len(time_s), 0.28),
        "cast_blue_stops": np.full(len(time_s), -0.7),
        "bloom_radius_percent": np.where(time_s % 10 < 5, 3.0, np.nan),
    }
    record = replace(score.record, timeline=timeline.with_columns([(own[name], values[name]) for name in NAMES]))
    at = FLASH_S
    event = FlashEvent(
        "flash_off", at, at - 1 / 30, at, False, 0.4, 0.38, 0.43, 24.0, 0, 0, 0.1, 0.0, 0.0, 1.0, 0.2, True, None
    )
    stability = Stability(0.4, 3.7, hunting_stops=0.2, hunting_period_s=0.9)
    return replace(score, record=record, lamps=Lamps(PASSES, -0.6, 1.0, None), stability=stability, events=(event,))


@pytest.fixture(scope="module")
def score() -> Score:
    """That flight."""
    return lit_score()


@pytest.fixture
def axes() -> Axes:
    """Empty axes of the wide page's width."""
    return new_figure(plots.WIDE.width, 200.0).add_axes((0.1, 0.1, 0.8, 0.8))


@pytest.mark.parametrize("name", ["exposure", "veil", "lights"])
def test_lamp_passes_are_marked_at_their_times(score: Score, axes: Axes, name: str) -> None:
    """Each lamp that is flown past is hatched from where it begins to where it ends, and the key says what that is."""
    plots.LIGHT[name](axes, score, 900)
    (marks,) = [one for one in axes.patches if isinstance(one, PathPatch) and one.get_label() == "near a lamp"]
    assert marks.get_hatch()
    times = np.asarray(marks.get_path().vertices, dtype=float)[:, 0].reshape(len(PASSES), 5)
    assert [(row.min(), row.max()) for row in times] == [(one.from_s, one.to_s) for one in PASSES]
    legend = axes.get_legend()
    assert legend is not None
    assert "near a lamp" in [text.get_text() for text in legend.get_texts()]


def test_exposure_shows_its_swing_and_the_flash(score: Score, axes: Axes) -> None:
    """The exposure is drawn in stops with its lowest point in sight, a bar as high as it swings, and a line at the flash."""
    plots.LIGHT["exposure"](axes, score, 900)
    lowest = float(np.nanmin(score.record.timeline["exposure_stops"]))
    assert axes.get_ylim()[0] <= lowest
    (swing,) = axes.containers
    assert swing.get_label() == "hunting"
    ends = np.asarray(swing.lines[2][0].get_segments()[0])[:, 1]  # type: ignore[index]
    assert ends[1] - ends[0] == pytest.approx(0.2)
    assert any("swings by 0.20 stops every 0.9 s" in text.get_text() for text in axes.texts)
    assert any(list(np.asarray(line.get_xdata())) == [FLASH_S, FLASH_S] for line in axes.lines)


@pytest.mark.parametrize("size", [plots.WIDE, plots.NARROW, plots.SHEET], ids=["wide", "narrow", "paper"])
def test_words_stay_inside_the_drawing(score: Score, size: plots.Size) -> None:
    """At every width no word of these drawings is cut off at the side."""
    with rc_context(plots.STYLE):
        figure = plots.light_figure(score, size, tuple(WORDS))
        figure.draw_without_rendering()
    whole = figure.bbox
    for axes in figure.axes:
        legend = axes.get_legend()
        for text in [*axes.texts, *(legend.get_texts() if legend else [])]:
            box = text.get_window_extent()
            assert whole.x0 <= box.x0, text.get_text()
            assert box.x1 <= whole.x1, text.get_text()


def test_a_steady_flight_has_no_marks(score: Score, axes: Axes) -> None:
    """Without lamps, hunting or flashes nothing is marked."""
    calm = replace(score, lamps=Lamps((), None, None, None), stability=Stability(0.4, 3.7, 0.0, None), events=())
    plots.LIGHT["exposure"](axes, calm, 900)
    assert not axes.patches
    assert not axes.containers
    assert [text.get_text() for text in axes.texts] == ["Exposure, stops"]


def test_colours_of_the_dark_stand_on_their_sides(score: Score, axes: Axes) -> None:
    """Red and blue are drawn at their own values about the line of grey, and the axis holds both."""
    plots.LIGHT["cast"](axes, score, 900)
    lines = {str(line.get_label()): np.asarray(line.get_ydata(), dtype=float) for line in axes.lines}
    assert np.nanmedian(lines["red"]) == pytest.approx(0.28)
    assert np.nanmedian(lines["blue"]) == pytest.approx(-0.7)
    low, high = axes.get_ylim()
    assert low < -0.7 < 0.28 < high


def test_a_gap_where_no_light_is_in_view(score: Score, axes: Axes) -> None:
    """The radius of the largest light is not drawn while none is in view."""
    plots.LIGHT["lights"](axes, score, 100_000)
    (line,) = [one for one in axes.lines if one.get_label() == "largest light"]
    time_s, drawn = (np.asarray(one, dtype=float) for one in (line.get_xdata(), line.get_ydata()))
    away = (time_s % 10 > 5.1) & (time_s % 10 < 9.9)
    assert away.any()
    assert np.isnan(drawn[away]).all()


def test_every_drawing_has_a_plain_title_a_unit_and_a_sentence(score: Score) -> None:
    """Each drawing has words of its own; its title names a unit that the sentence names, too."""
    assert set(WORDS) == set(plots.LIGHT) == set(plots.light_measured(score))
    for name, (title, how) in WORDS.items():
        axes = new_figure(plots.WIDE.width, 200.0).add_axes((0.1, 0.1, 0.8, 0.8))
        plots.LIGHT[name](axes, score, 900)
        unit = "stop" if name in {"exposure", "cast"} else "%"
        assert any(f", {unit}" in text.get_text() for text in axes.texts), name
        assert unit in how
        assert title
        assert how.endswith(".")


def test_sentences_tell_of_this_flight(score: Score) -> None:
    """Hunting and lamps are told with their figures; one lamp is singular; what could not be told is left unsaid."""
    assert hunting_words(score) == "The exposure hunts: it swings by 0.20 stops every 0.90 s by itself."
    ranged = hunting_words(replace(score, stop_range=(0.8, 1.2)))
    assert ranged == "The exposure hunts: it swings by 0.20 (0.16 to 0.24) stops by curve every 0.90 s by itself."
    one = replace(score, lamps=Lamps(PASSES[:1], -1.0, 1.0, None), stop_range=(0.8, 1.2))
    assert lamp_words(one) == "A lamp came near once; the exposure changed by -1.00 (-1.20 to -0.80) stops by curve."
    assert hunting_words(replace(score, stability=Stability(0.4, 3.7, 0.0))).startswith("The exposure does not hunt")
    assert hunting_words(replace(score, stability=Stability(0.4, 3.7))) == ""
    assert lamp_words(score).startswith("A lamp came near 2 times")
    assert lamp_words(replace(score, lamps=Lamps(PASSES[:1], -1.0, 1.0, None))).startswith("A lamp came near once")
    assert lamp_words(replace(score, lamps=Lamps((), None, None, None))) == ""


def test_page_and_paper_have_them(score: Score) -> None:
    """The page draws each for both widths and says how to read every drawing; paper has the same words."""
    text = render_html(score, {})
    page = Page(text)
    for title, how in WORDS.values():
        assert title in page.text
        assert how in page.text
        assert text.count(f'aria-label="{title}"') == 2
    for head, how in READING:
        assert head in page.text
        assert how[1:] in page.text
    on_paper = text_of(flight_pdf(score, {}))
    for wanted in (*(how for _, how in WORDS.values()), *(how for _, how in READING)):
        assert wanted in on_paper


def test_what_was_not_measured_says_so() -> None:
    """A flight without these columns has the headings, and under each that it was not measured, instead of an empty drawing."""
    panels = light_panels(build_score())
    assert [bool(one.wide) for one in panels] == [False] * len(WORDS)
    assert Page(render_html(build_score(), {})).text.count("Not measured in this flight.") == len(WORDS)
    assert "Not measured in this flight." in text_of(flight_pdf(build_score(), {}))


def test_long_flights_stay_small_and_repeat() -> None:
    """Ten minutes of all drawings take under 400 kB for both widths, the same bytes each time, ids apart."""
    score = lit_score(600.0)
    parts = [one for panel in light_panels(score) for one in (panel.wide, panel.narrow)]
    assert sum(map(len, parts)) < 400_000
    assert parts[0] == light_panels(score)[0].wide
    assert not any(stand_in in part for stand_in in COLOURS.values() for part in parts)


def test_no_stand_in_colour_is_left_on_paper(score: Score) -> None:
    """After recolouring no artist of these drawings has a stand-in colour."""
    with rc_context(plots.STYLE):
        figure = plots.light_figure(score, plots.SHEET, tuple(WORDS))
    recolour(figure)
    for artist in figure.findobj():
        for name in ("get_color", "get_facecolor", "get_edgecolor", "get_markerfacecolor", "get_markeredgecolor"):
            if hasattr(artist, name):
                found = {to_hex(one) for one in to_rgba_array(getattr(artist, name)())}
                assert not found & set(COLOURS.values()), (artist, name)
