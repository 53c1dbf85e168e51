"""The one pass on small clips: what is kept, what a link measure sees, how results come about from files."""

from __future__ import annotations

import gc
import math
import weakref
from contextlib import closing
from pathlib import Path

import cv2
import numpy as np
import pytest
from flight_material import HEIGHT, WIDTH, pictures, record_of, timeline_of, write_flight
from frame_material import area_of, chain, coded, frame_of, middle, noisy, texture

import fieldscore.sequence as sequence
from fieldscore import Criteria, measure_flight, score_flight
from fieldscore.collect import Rows, Thumbs, TileBins, jpeg
from fieldscore.errors import ClipError, NotMeasurableError
from fieldscore.events import link_lost
from fieldscore.frame import Frame
from fieldscore.inspection import inspect
from fieldscore.measures.link import link_signs
from fieldscore.units import CodeRange
from fieldscore.video import Encoding

NAMES = [column.name for column in link_signs.columns]


@pytest.mark.parametrize(
    ("suffix", "encoding"),
    [
        (".mp4", Encoding(codec="h264", crf=20)),
        (".mkv", Encoding(codec="hevc", crf=20)),
        (".avi", Encoding(codec="mjpeg", quality=3, pixel_format="yuvj420p", full_range=True)),
        (".avi", Encoding(codec="mpeg4", quality=3)),
        (".mov", Encoding(codec="h264", crf=20, pixel_format="yuv420p10le")),
        (".ts", Encoding(codec="h264", crf=20)),
    ],
)
def test_level_survives_every_codec(suffix: str, encoding: Encoding, tmp_path: Path) -> None:
    """Level within 0.2 points of the picture before coding, clipped and crushed within 0.5, in every container and codec."""
    planes = pictures(40)
    record = measure_flight([write_flight(tmp_path / f"a{suffix}", encoding=encoding, planes=planes)])
    low, span = (0.0, 255.0) if encoding.full_range and encoding.codec == "mjpeg" else (16.0, 219.0)
    truth = [100 * (plane.mean() - low) / span for plane in planes]
    assert len(record.timeline) == 40
    assert np.median(np.abs(record.timeline["level_percent"] - truth)) < 0.2
    ends = np.array([[np.mean(plane <= low + 2), np.mean(plane >= low + span - 2)] for plane in planes]) * 100
    assert np.median(np.abs(record.timeline["crushed_percent"] - ends[:, 0])) < 0.5
    assert np.median(np.abs(record.timeline["clipped_percent"] - ends[:, 1])) < 0.5


def test_luma_statistics_against_an_independent_graph(tmp_path: Path) -> None:
    """Mean and 10 % and 90 % points agree with libavfilter's own luma statistics within a code."""
    import av
    from av.filter import Graph

    path = write_flight(tmp_path / "a.mp4", 20)
    record = measure_flight([path])
    reference = []
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        graph = Graph()
        source, statistics, sink = graph.add_buffer(template=stream), graph.add("signalstats"), graph.add("buffersink")
        graph.link_nodes(source, statistics, sink).configure()
        for frame in container.decode(stream):
            graph.push(frame)
            found = graph.pull().metadata
            reference.append([float(found[f"lavfi.signalstats.{name}"]) for name in ("YAVG", "YLOW", "YHIGH")])
    codes = np.array(reference)
    level = record.timeline["level_percent"] * 2.19 + 16
    assert np.max(np.abs(level - codes[:, 0])) < 0.05
    histogram = np.cumsum(record.evidence.histogram.astype(float), axis=1)
    for share, column in ((0.1, 1), (0.9, 2)):
        found = np.argmax(histogram >= share * histogram[:, -1:], axis=1)
        assert np.max(np.abs(found - codes[:, column])) <= 1


def test_two_frames_are_alive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a flight is measured no more than the frame, the one before and the next are kept."""
    alive: list[int] = []
    known: list[weakref.ref[Frame]] = []

    class Watched(Frame):
        def __init__(self, *arguments: object, **options: object) -> None:
            super().__init__(*arguments, **options)  # type: ignore[arg-type]
            known.append(weakref.ref(self))
            gc.collect()
            alive.append(sum(one() is not None for one in known))

    monkeypatch.setattr(sequence, "Frame", Watched)
    measure_flight([write_flight(tmp_path / "a.mp4", 30)])
    assert len(alive) == 30
    assert max(alive) <= 3


def test_interlaced_clips_are_measured_by_field(tmp_path: Path) -> None:
    """A clip of 20 woven frames gives 40 rows, half a frame apart, and says so."""
    fields = pictures(40, height=HEIGHT)
    woven = []
    for first, second in zip(fields[::2], fields[1::2], strict=True):
        frame = first.copy()
        frame[1::2] = second[1::2]
        woven.append(frame)
    path = write_flight(tmp_path / "a.mp4", encoding=Encoding(crf=14, interlaced=True), planes=woven, rate=25)
    record = measure_flight([path])
    assert record.clip.interlaced
    assert len(record.timeline) == 40
    assert record.timeline.interval_s == pytest.approx(0.02, abs=1e-6)


def test_a_truncated_file_is_measured_as_far_as_it_goes(tmp_path: Path) -> None:
    """Of a file cut at two thirds the rest is measured, and what is missing is stated in seconds."""
    path = write_flight(
        tmp_path / "a.avi", 60, Encoding(codec="mjpeg", quality=3, pixel_format="yuvj420p", full_range=True)
    )
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])
    record = measure_flight([path])
    assert 30 <= len(record.timeline) < 60
    assert record.clip.problems
    assert record.clip.lost_s == pytest.approx((60 - len(record.timeline)) / 30, abs=0.07)


def test_holes_in_time_are_lost_and_said(tmp_path: Path) -> None:
    """Ten frames missing from the middle are ten lost frames; the table's times keep the hole."""
    times = [number / 30 for number in range(50) if not 20 <= number < 30]
    record = measure_flight([write_flight(tmp_path / "a.mp4", planes=pictures(40), times=times)])
    assert record.clip.frames_lost == 10
    assert record.clip.lost_s == pytest.approx(10 / 30, abs=0.02)
    assert record.timeline.time_s[-1] == pytest.approx(49 / 30, abs=1e-3)


def test_a_file_that_is_no_video_is_refused(tmp_path: Path) -> None:
    """A text file is a ClipError, in one line."""
    path = tmp_path / "a.mp4"
    path.write_text("nothing to see")
    with pytest.raises(ClipError) as caught:
        measure_flight([path])
    assert "\n" not in str(caught.value)


def test_scoring_needs_a_frame() -> None:
    """A stretch without frames is not measurable, not a share of 0."""
    with pytest.raises(NotMeasurableError, match="no frame to judge"):
        score_flight(record_of(timeline_of(90)), Criteria(), from_s=500.0, to_s=600.0)


def _signs(frame: Frame) -> dict[str, float]:
    return dict(zip(NAMES, link_signs(frame), strict=True))


def test_link_signs_of_snow_blue_and_scene() -> None:
    """Snow varies without patches, a blue screen is flat and far from grey, a scene is neither."""
    generator = np.random.default_rng(1)
    snow = _signs(chain([generator.integers(16, 235, (480, 640)).astype(np.uint8) for _ in range(2)])[1])
    assert snow["spread_codes"] > 50
    assert snow["patch_spread_codes"] < 0.1 * snow["spread_codes"]
    assert abs(snow["likeness"]) < 0.6
    # blue of a "no signal" screen: R'G'B' 0, 0, 255 is Y' 41, Cb 240, Cr 110 (ITU-R BT.601)
    chroma = (np.full((240, 320), 240, np.uint8), np.full((240, 320), 110, np.uint8))
    blue = _signs(frame_of(np.full((480, 640), 41, np.uint8), chroma=chroma))
    assert blue["spread_codes"] == pytest.approx(0.0, abs=1e-6)
    assert blue["colour_codes"] == pytest.approx(math.hypot(112, 18), abs=0.01)
    scene = _signs(chain([noisy(middle(texture(720, 960)), 2.0, generator) for _ in range(2)])[1])
    assert scene["patch_spread_codes"] > 0.4 * scene["spread_codes"]
    assert scene["likeness"] > 0.95


def test_lost_link_in_a_clip_is_found(tmp_path: Path) -> None:
    """Of a second of snow and half a second of frozen picture in a coded clip nine tenths are found, and little else."""
    generator = np.random.default_rng(3)
    planes = pictures(150)
    planes[60:90] = [generator.integers(16, 235, (HEIGHT, WIDTH)).astype(np.uint8) for _ in range(30)]
    planes[120:135] = [planes[119]] * 15
    timeline = measure_flight([write_flight(tmp_path / "a.mp4", encoding=Encoding(crf=20), planes=planes)]).timeline
    lost = link_lost(timeline, Criteria())
    truth = np.zeros(150, dtype=np.bool_)
    truth[60:90] = truth[120:135] = True
    assert (lost & truth).sum() >= 0.9 * truth.sum()
    assert (lost & ~truth).sum() <= 2


def test_rows_keep_times_values_and_histograms() -> None:
    """Every row comes back, values to 0.0001, histograms in 1/65535, over more rows than a chunk."""
    rows = Rows()
    share = np.full(256, 1 / 256)
    for number in range(2500):
        rows.add(number / 30, [number + 0.123456, math.nan], share)
    time_s, values, histogram = rows.arrays()
    rows.close()
    assert time_s[-1] == pytest.approx(2499 / 30, abs=1e-6)
    assert values[2499, 0] == pytest.approx(2499.1235, abs=1e-9)
    assert np.isnan(values[:, 1]).all()
    assert histogram.shape == (2500, 256)
    assert int(histogram[7, 9]) == 256


def test_tile_bins_are_means_at_the_mean_time_of_their_stretch() -> None:
    """Values of a quarter second become their mean, NaN left out, at the mean of their times."""
    bins = TileBins(1, 2, 0.25)
    for time_s, values in ((0.0, (1.0, np.nan)), (0.1, (3.0, np.nan)), (0.3, (5.0, 7.0))):
        bins.add(time_s, np.array(values, dtype=np.float32))
    series = bins.series()
    assert series.time_s == pytest.approx([0.05, 0.3])
    assert series.readable[0, 0, 0] == 2.0
    assert np.isnan(series.readable[0, 0, 1])
    assert series.readable[1].tolist() == [[5.0, 7.0]]


@pytest.mark.parametrize(("code_range", "white"), [(CodeRange.NARROW, 235), (CodeRange.FULL, 255)])
def test_pictures_show_levels_as_displayed(code_range: CodeRange, white: int) -> None:
    """Nominal white becomes 255 and red stays red, whatever the range, within JPEG's error."""
    grey = np.full((120, 160), 128, np.uint8)
    data = jpeg(np.full((240, 320), white, np.uint8), (grey, grey), 8, code_range, 1, 160, 90)
    shown = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert shown.shape == (120, 160, 3)
    assert shown.min() >= 253
    # R'G'B' 255, 0, 0 is Y' 81, Cb 90, Cr 240 in narrow range (ITU-R BT.601)
    red = jpeg(
        np.full((240, 320), 81, np.uint8),
        (np.full_like(grey, 90), np.full_like(grey, 240)),
        8,
        CodeRange.NARROW,
        1,
        160,
        90,
    )
    assert cv2.imdecode(np.frombuffer(red, np.uint8), cv2.IMREAD_COLOR)[60, 80] == pytest.approx([0, 0, 255], abs=6)


def test_thumbs_every_quarter_second() -> None:
    """A second at 30 frames has four small pictures, 240 pixels wide."""
    area = area_of()
    with closing(Thumbs(0.25)) as thumbs:
        for number in range(30):
            thumbs.add(Frame(coded(middle(texture(720, 960))), area, number / 30))
        times, files = thumbs.pictures()
    assert len(times) == len(files) == 4
    assert cv2.imdecode(np.frombuffer(files[0], np.uint8), cv2.IMREAD_COLOR).shape == (180, 240, 3)


def test_inspection_of_good_and_bad_files(tmp_path: Path) -> None:
    """A good clip is described, a cut one says what is missing, a text file is refused; every line is for a pilot."""
    good = write_flight(tmp_path / "good.mp4", 40)
    cut = write_flight(
        tmp_path / "cut.avi", 60, Encoding(codec="mjpeg", quality=3, pixel_format="yuvj420p", full_range=True)
    )
    cut.write_bytes(cut.read_bytes()[:-20000])
    text = tmp_path / "text.mp4"
    text.write_text("nothing")
    found = {one.title: one for one in inspect([good, cut, text])}
    assert found["good.mp4"].readable
    assert found["cut.avi"].problems
    assert not found["text.mp4"].readable
    for one in found.values():
        assert all(line.strip() for line in one.lines())
        assert one.to_dict()["readable"] == one.readable
    (tmp_path / "notes.json").write_text("{}")
    folder = {one.title: one for one in inspect([tmp_path])}
    assert not folder["notes.json"].to_dict()["readable"]
    assert folder["notes.json"].readable, "a bystander that nobody named is no failure"
