"""The page's timeline as data: every column, exact figures, maps and pictures, small."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from builders import build_record, build_score, jpeg

from fieldscore.measure import Column
from fieldscore.measures import COLUMNS
from fieldscore.record import Evidence, TileSeries
from fieldscore.report import film, render_html
from fieldscore.report.instrument import instrument, script_safe
from fieldscore.report.together import at_places
from fieldscore.report.track import (
    EVERY_ROW_UNTIL,
    FIRST_CAUSE,
    MAP_STEPS,
    ROWS_A_SECOND,
    axis_data,
    decimals_for,
    kept_rows,
    row_states,
    track_data,
)
from fieldscore.score import CAUSES, Score

KINDS = {"short": (np.int16, -32768), "long": (np.int32, -2147483648)}


def unpacked(text: str, dtype: Any) -> npt.NDArray[Any]:
    """An array out of the page's data."""
    return np.frombuffer(base64.b64decode(text), dtype=dtype)


def times(text: str) -> npt.NDArray[np.float64]:
    """Times in seconds out of the page's data."""
    return unpacked(text, np.int32) / 10_000


def column_values(column: dict[str, Any]) -> npt.NDArray[np.float64]:
    """A column's figures as the page shows them, NaN where it says not measured."""
    dtype, none = KINDS[column["kind"]]
    whole = unpacked(column["data"], dtype)
    return np.where(whole == none, np.nan, whole / 10.0 ** column["decimals"])


def long_score(seconds: float = 200.0) -> Score:
    """A flight too long for the page to keep every row."""
    return build_score(build_record(duration_s=seconds))


@pytest.mark.parametrize("score", [build_score(), long_score()], ids=["short", "long"])
def test_every_column_is_timeline_csv_rounded(score: Score) -> None:
    """Every column of the Timeline is there, and each kept row's figure is its own to half of the last decimal shown."""
    data, timeline = track_data(score), score.record.timeline
    rows = np.searchsorted(timeline.time_s, times(data["time"]) - 1e-3)
    assert [one["name"] for one in data["columns"]] == [column.name for column in timeline.columns]
    for column in data["columns"]:
        expected = timeline[column["name"]][rows]
        shown = column_values(column)
        assert np.array_equal(np.isnan(shown), np.isnan(expected)), column["name"]
        assert np.nanmax(np.abs(shown - expected)) <= 0.5 * 10.0 ** -column["decimals"] + 1e-9, column["name"]


def test_an_unknown_column_needs_no_line_of_code(score_with_novel: Score) -> None:
    """A column that this program has never seen is on the page with its unit, its words and its figures, however large."""
    columns = {one["name"]: one for one in track_data(score_with_novel)["columns"]}
    novel = columns["novel_thing_stops"]
    assert (novel["title"], novel["unit"]) == ("Novel thing", "stops")
    assert novel["what"] == "Something new. Lower is better."
    assert column_values(novel)[:3].tolist() == [123456.25, 123457.25, 123458.25]
    assert columns["never_px"]["kind"] == "none"


@pytest.fixture
def score_with_novel() -> Score:
    """The default flight with a column of large figures and one without any."""
    score = build_score()
    count = len(score.record.timeline)
    added = [
        (Column("novel_thing_stops", "stop", "lower", "Something new."), 123456.25 + np.arange(count)),
        (Column("never_px", "px", "neither", "Nothing."), np.full(count, np.nan)),
    ]
    return replace(score, record=replace(score.record, timeline=score.record.timeline.with_columns(added)))


def test_rows_are_dense_and_keep_what_was_lost() -> None:
    """A long flight keeps ten rows a second or more, and a single lost frame among them."""
    score = long_score()
    timeline = score.record.timeline
    assert len(timeline) > EVERY_ROW_UNTIL
    lost = row_states(score) >= FIRST_CAUSE
    rows = kept_rows(timeline, lost, score.record.evidence.thumb_time_s)
    assert np.diff(timeline.time_s[rows]).max() < 2.0 / ROWS_A_SECOND
    assert len(rows) == pytest.approx(200.0 * ROWS_A_SECOND, abs=2)
    single = int(np.flatnonzero(score.cause == CAUSES.index("link_lost"))[0])
    assert single in rows
    tenths = np.floor(timeline.time_s * ROWS_A_SECOND + 1e-6)
    assert np.array_equal(np.unique(tenths[lost]), np.unique(tenths[rows[lost[rows]]]))


@pytest.mark.parametrize(
    ("values", "decimals"),
    [([0.0, 1.0, np.nan], 0), ([0.5, 2.9], 3), ([0.5, 109.0], 2), ([np.nan], 0)],
)
def test_decimals_fit_the_figures(values: list[float], decimals: int) -> None:
    """Whole figures have no decimals, small ones three, others two."""
    assert decimals_for(np.array(values)) == decimals


def test_maps_keep_the_verdict_of_every_tile() -> None:
    """A tile reads as readable on the page exactly where its k reaches the criterion, and unknown where it has none."""
    score = build_score()
    k = np.array([[[4.999, 5.0], [5.001, np.nan]], [[0.0, 400.0], [np.inf, 2.5]]], dtype=np.float32)
    tiles = TileSeries(np.array([0.125, 0.375]), k)
    found = track_data(replace(score, record=replace(score.record, tiles=tiles)))["map"]
    cells = unpacked(found["data"], np.uint8).reshape(2, 2, 2)
    assert ((cells >= MAP_STEPS) & (cells < 255)).tolist() == (np.nan_to_num(k) >= 5.0).tolist()
    assert (cells == 255).tolist() == np.isnan(k).tolist()
    assert cells[1, 1, 1] == MAP_STEPS // 2


def test_pictures_are_found_again() -> None:
    """Each picture lies at its place on its sheet, four a second."""
    seconds = 40.0
    at = np.arange(0.0, seconds, 0.125)
    thumbs = [jpeg_of(int(20 + 200 * time / seconds)) for time in at]
    found = film.pack(at, thumbs)
    assert found.time_s.tolist() == np.arange(0.0, seconds, 0.25).tolist()
    width, height = found.size
    sheets = [sheet_of(uri) for uri in found.sheets]
    for index, time in enumerate(found.time_s):
        sheet, place = sheets[index // film.PER_SHEET], index % film.PER_SHEET
        top, left = place // film.ACROSS * height, place % film.ACROSS * width
        grey = float(sheet[top : top + height, left : left + width].mean())
        assert grey == pytest.approx(int(20 + 200 * time / seconds), abs=2.0)


def test_pictures_that_must_not_be_missed_are_all_there() -> None:
    """Extra pictures are on the film at their own times, however dense, among those of the record and in order."""
    at = np.arange(0.0, 4.0, 0.25)
    extra = {1.0 + 0.01 * index: jpeg_of(200) for index in range(5)}
    found = film.pack(at, [jpeg_of(60)] * len(at), extra)
    assert set(extra) <= set(found.time_s.tolist())
    assert len(found.time_s) == len(at) + 4  # one of them replaces the picture at 1 s
    assert (np.diff(found.time_s) > 0).all()
    width, height = found.size
    sheet = sheet_of(found.sheets[0])
    place = int(np.searchsorted(found.time_s, 1.0))
    cell = sheet[place // 8 * height :, place % 8 * width :][:height, :width]
    assert cell.mean() == pytest.approx(200, abs=2)


def test_what_is_no_picture_is_left_out() -> None:
    """Bytes that are no JPEG picture, or a broken one, are not on the film; a flight without any has none."""
    good = jpeg_of(90)
    found = film.pack(np.array([0.0, 1.0, 2.0]), [b"<svg>", good, good[:30]])
    assert found.time_s.tolist() == [1.0]
    assert film.pack(np.zeros(0), []).sheets == ()
    assert film.pack(np.array([0.0]), [b"GIF89a"]).sheets == ()


def full_score(seconds: float) -> Score:
    """A flight whose every picture is full of noise, with as many columns as a measured one has, full of noise too."""
    score = build_score(build_record(duration_s=seconds))
    rng = np.random.default_rng(4)
    noisy = [jpeg_of(60, rng.normal(0, 12, (180, 240))) for _ in range(64)]
    at = np.arange(0.0, seconds, 0.25)
    timeline = score.record.timeline
    known = {column.name for column in timeline.columns}
    missing = [column for column in COLUMNS if column.name not in known]
    timeline = timeline.with_columns([(column, rng.normal(50, 20, len(timeline))) for column in missing])
    evidence = Evidence(at, tuple(noisy[index % 64] for index in range(len(at))), score.record.evidence.histogram)
    return replace(score, record=replace(score.record, timeline=timeline, evidence=evidence))


@pytest.mark.parametrize("seconds", [300.0, 1200.0])
def test_the_page_stays_under_5_mb(seconds: float) -> None:
    """The page of a flight, every picture full of noise, is under 5 MB: four pictures a second up to five minutes.

    A longer one has fewer of everything a second, and says so.
    """
    score = full_score(seconds)
    text = render_html(score, {one.time_s: jpeg(40.0, 3, (480, 640)) for one in score.moments})
    assert len(text.encode()) < 5_000_000
    track = track_data(score)
    assert track["film"]["sheets"][0].startswith("data:image/webp;")  # room is short
    shown = times(track["film"]["time"])
    assert np.diff(shown).max() <= 0.25 * max(1.0, seconds / 300.0) + 1e-3
    if seconds <= 300.0:
        assert track["held"] == ""
        return
    told = re.search(r"holds ([\d.]+) pictures and ([\d.]+) rows of figures a second", text)
    assert told is not None
    assert float(told[1]) == pytest.approx(len(shown) / seconds, abs=0.01)
    assert float(told[2]) == pytest.approx(len(times(track["time"])) / seconds, abs=0.01)
    lost = row_states(score) >= FIRST_CAUSE
    for gap in score.gaps:
        inside = np.isin(np.round(score.record.timeline.time_s, 4), np.round(times(track["time"]), 4)) & lost
        assert inside[score.record.timeline.between(gap.from_s, gap.to_s)].any()


def test_tracks_on_one_page_share_its_room() -> None:
    """Two flights of five minutes on one page take no more than one would, in pictures, figures and maps."""
    score = full_score(300.0)
    alone, among = (len(json.dumps(track_data(score, among=number))) for number in (1, 2))
    assert 2 * among <= 1.1 * alone


def test_too_much_for_the_room_thins_the_film() -> None:
    """Where even the plainest look does not fit, every second picture is dropped, and the times say so."""
    at = np.arange(0.0, 10.0, 0.25)
    rng = np.random.default_rng(5)
    thumbs = [jpeg_of(60, rng.normal(0, 30, (120, 160))) for _ in at]
    whole = sum(len(base64.b64decode(uri.partition(",")[2])) for uri in film.pack(at, thumbs).sheets)
    found = film.pack(at, thumbs, room=whole // 12)
    assert 0 < len(found.time_s) < len(at)
    assert set(found.time_s) <= set(at)
    assert sum(len(base64.b64decode(uri.partition(",")[2])) for uri in found.sheets) <= whole // 12


def test_data_cannot_leave_its_element() -> None:
    """Text that would end the script element, or begin a comment in it, is written harmlessly and reads back the same."""
    data = {"label": "</script><!--<script>&\u2028"}
    text = script_safe(data)
    assert not set(text) & set("<>&\u2028")
    assert json.loads(text) == data
    assert 'id="&#34;&gt;"' in instrument('">', [])


def test_a_shared_axis_carries_the_times_of_each_track() -> None:
    """An axis of places holds when each track was there; one place is no axis."""
    axis = axis_data("place", {0: "start", 2: "gate"}, np.array([[1.0, 2.0, 4.0], [1.5, 2.5, 3.0]]))
    assert axis["ticks"] == [[0, "start"], [2, "gate"]]
    assert [times(one).tolist() for one in axis["times"]] == [[1.0, 2.0, 4.0], [1.5, 2.5, 3.0]]
    with pytest.raises(ValueError, match="expected"):
        axis_data("place", {}, np.array([[1.0]]))


def test_flights_stand_together_at_a_place() -> None:
    """The axis of places holds when each flight was where, never going back, and marks the first flight's times."""
    times_s = np.array([[0.0, 10.0, 9.0, 30.0], [1.0, 11.0, 12.0, 40.0]])
    text = at_places("same", ["one", "two"], times_s)
    data = json.loads(text.partition(">")[2].partition(">")[2].partition("<")[0])
    assert data["tracks"] == ["one", "two"]
    assert [times(one).tolist() for one in data["axis"]["times"]] == [[0.0, 10.0, 10.0, 30.0], [1.0, 11.0, 12.0, 40.0]]
    assert data["axis"]["ticks"] == [[0.0, "0:00.0"], [1.0, "0:10.0"], [2.0, "0:10.0"], [3.0, "0:30.0"]]
    with pytest.raises(ValueError, match="2 flights for 1 tracks"):
        at_places("same", ["one"], times_s)


def jpeg_of(grey: int, noise: npt.NDArray[np.float64] | None = None) -> bytes:
    """A JPEG picture of one grey, with noise if any."""
    picture = np.full((60, 80), float(grey)) if noise is None else grey + noise
    done, data = cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 60])
    assert done
    return data.tobytes()


def sheet_of(uri: str) -> npt.NDArray[np.uint8]:
    """The picture in a data URI, grey."""
    assert re.match("data:image/(jpeg|webp);base64,", uri)
    data = np.frombuffer(base64.b64decode(uri.partition(",")[2]), dtype=np.uint8)
    picture = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    return np.asarray(picture, dtype=np.uint8)
