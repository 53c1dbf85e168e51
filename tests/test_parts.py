"""A long flight is measured in parts: where they are depends on the file alone, and together they are as one pass."""

from __future__ import annotations

import math
import pickle
from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import numpy.typing as npt
import pytest
from flight_material import pictures, write_flight

from fieldscore import analyse, parts
from fieldscore.analyse import Plan, joined_parts, measure_part, measure_whole, plan_flight
from fieldscore.record import FlightRecord
from fieldscore.video import Encoding, Key, UnfitError
from fieldscore.video.clock import Clock

RATE = 30.0
PART_S = 2.0
COUNT = 190  # pictures: three parts
GOP = Encoding(crf=18, gop=10)
MJPEG = Encoding(codec="mjpeg", quality=3, pixel_format="yuvj420p", full_range=True)
# Columns that slow measures fill (held for a tenth of a second, or carried on from frame to frame), or that come of the
# whole flight: near a joint they may differ by what another sample of the same would.
SLOW = {
    "readable_percent", "zone_readable_percent", "zone_dark_percent", "zone_blown_percent", "zone_noisy_percent",
    "noise_percent", "cast_red_stops", "cast_blue_stops", "cast_lab_a", "cast_lab_b", "lamps", "bloom_radius_percent",
    "lamp_number", "colour_codes", "exposure_stops", "veil_percent", "smear_percent",
}  # fmt: skip


@pytest.fixture(autouse=True)
def short_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts of two seconds in place of a minute, so that a short clip has several."""
    monkeypatch.setattr(analyse, "PART_S", PART_S)
    monkeypatch.setattr(parts, "RUN_UP_S", 0.6)


@pytest.fixture(scope="module")
def planes() -> list[npt.NDArray[np.uint8]]:
    """Pictures of the clips here."""
    return pictures(COUNT)


def _in_parts(plan: Plan) -> FlightRecord:
    return joined_parts(plan, (measure_part(plan, number) for number in range(len(plan.parts))))


def _both(path: Path) -> tuple[Plan, FlightRecord, FlightRecord]:
    """The plan of a clip that is long enough, its record in parts and in one go."""
    plan = plan_flight([path])
    assert len(plan.parts) == 3
    return plan, _in_parts(plan), measure_whole(plan)


def _check_alike(plan: Plan, cut: FlightRecord, whole: FlightRecord) -> None:
    """All that does not come of slow measures is the same, bit for bit; these are within the spread of measuring again."""
    assert np.array_equal(cut.timeline.time_s, whole.timeline.time_s)
    assert np.array_equal(cut.evidence.histogram, whole.evidence.histogram)
    assert list(cut.evidence.thumb_time_s) == list(whole.evidence.thumb_time_s)
    assert list(cut.evidence.thumbs) == list(whole.evidence.thumbs)
    # slow measures may fall on the frame before or after one at a joint, and a map is told at the time of its own
    assert cut.tiles.time_s == pytest.approx(whole.tiles.time_s, abs=cut.timeline.interval_s)
    assert cut.places is not None
    assert whole.places is not None
    assert np.array_equal(cut.places.time_s, whole.places.time_s)
    assert np.array_equal(cut.places.descriptors, whole.places.descriptors)
    assert cut.clip == whole.clip
    assert cut.timeline.provenance == whole.timeline.provenance
    others = [column.name for column in whole.timeline.columns if column.name not in SLOW]
    assert len(others) > 20
    for name in others:
        assert np.array_equal(cut.timeline[name], whole.timeline[name], equal_nan=True), name
    # a picture that slides as a whole leaves open whether the camera turns or goes sideways, and each part settles that by itself:
    # what is not ground is then followed otherwise (simulated flights agree far better)
    for name, most in (("exposure_stops", 0.04), ("noise_percent", 0.1), ("zone_readable_percent", 5.0)):
        apart = np.abs(cut.timeline[name] - whole.timeline[name])
        assert np.array_equal(np.isnan(cut.timeline[name]), np.isnan(whole.timeline[name])), name
        assert np.nanmax(apart, initial=0.0) <= most, name


@pytest.mark.parametrize(
    ("name", "encoding"),
    [
        ("a.avi", MJPEG),
        ("a.mp4", GOP),
        ("b-pictures.mkv", Encoding(crf=18, gop=12, b_frames=2)),
        ("b-pictures.mp4", Encoding(crf=18, gop=12, b_frames=2)),
        ("a.mkv", Encoding(codec="hevc", crf=18, gop=10, preset="ultrafast")),
        ("a.avi", Encoding(codec="mpeg4", quality=3, gop=10)),
    ],
)
def test_parts_are_as_one_pass(
    name: str, encoding: Encoding, tmp_path: Path, planes: list[npt.NDArray[np.uint8]]
) -> None:
    """Rows, histograms, small pictures, places and losses of a cut flight are those of one pass; the exposure within 0.04 stop."""
    _check_alike(*_both(write_flight(tmp_path / name, planes=planes, encoding=encoding)))


def test_open_groups_of_pictures_are_no_damage(tmp_path: Path, planes: list[npt.NDArray[np.uint8]]) -> None:
    """Pictures that are shown before a key frame and predicted from what lies before that spoil nothing after it."""
    path = tmp_path / "open.mp4"
    with av.open(path, "w") as container:
        stream = container.add_stream("libx264", rate=30, options={"x264-params": "open-gop=1:keyint=40:bframes=3"})
        stream.height, stream.width = planes[0].shape
        stream.pix_fmt = "yuv420p"
        for plane in planes:
            grey = np.full((plane.shape[0] // 2, plane.shape[1]), 128, np.uint8)
            frame = av.VideoFrame.from_ndarray(np.concatenate([plane, grey]), format="yuv420p")
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    plan = plan_flight([path])
    assert len(plan.parts) == 2
    cut, whole = _in_parts(plan), measure_whole(plan)
    assert whole.clip.frames_damaged == 0
    assert cut.clip == whole.clip
    assert np.array_equal(cut.evidence.histogram, whole.evidence.histogram)


def test_fields_in_parts_are_as_in_one_pass(tmp_path: Path, planes: list[npt.NDArray[np.uint8]]) -> None:
    """A flight of fields is cut between the two of a picture, and no field is lost or measured twice."""
    woven = [one.copy() for one in planes]
    for number, picture in enumerate(woven):  # the later field is the next picture's
        picture[1::2] = planes[min(number + 1, COUNT - 1)][1::2]
    path = write_flight(tmp_path / "a.mp4", planes=woven, encoding=replace(GOP, interlaced=True))
    plan, cut, whole = _both(path)
    assert whole.clip.interlaced
    assert len(cut.timeline) == 2 * COUNT
    _check_alike(plan, cut, whole)


@pytest.mark.parametrize("interlaced", [False, True])
def test_lamps_are_followed_over_the_joints(
    interlaced: bool, tmp_path: Path, planes: list[npt.NDArray[np.uint8]]
) -> None:
    """Lamps in view over both joints are the same ones before and after, counted and sized as in one pass."""
    lit = []
    for number, plane in enumerate(planes):
        picture = plane.copy()
        picture[: plane.shape[0] // 2] = 40
        for across, along, radius in ((0.1, 0.3, 4), (0.9, -0.4, 6), (0.5, 0.05, 9)):
            place = int(plane.shape[1] * (across + along * number / COUNT)), plane.shape[0] // 5
            cv2.circle(picture, place, round(radius * (1.0 + 0.4 * np.sin(number / 20.0 + radius))), 235, -1)
        lit.append(picture)
    path = write_flight(tmp_path / "a.mp4", planes=lit, encoding=replace(GOP, interlaced=interlaced))
    plan, cut, whole = _both(path)
    for name in ("lamps", "lamp_number", "bloom_radius_percent"):
        assert np.array_equal(cut.timeline[name], whole.timeline[name], equal_nan=True), name
    assert set(cut.timeline["lamps"]) <= {2.0, 3.0, 4.0}
    for part in plan.parts[1:]:
        around = cut.timeline["lamp_number"][cut.timeline.between(part.from_s - 0.3, part.from_s + 0.3)]
        assert len(set(around)) == 1


def test_frames_that_come_fast_keep_step(tmp_path: Path, planes: list[npt.NDArray[np.uint8]]) -> None:
    """At 60 frames a second motion is measured on the same frames on both sides of a joint as in one pass."""
    path = write_flight(tmp_path / "a.mp4", planes=[*planes, *planes[::-1]], encoding=GOP, rate=60.0)
    _check_alike(*_both(path))


def test_measuring_a_flight_measures_its_parts(tmp_path: Path, planes: list[npt.NDArray[np.uint8]]) -> None:
    """`measure_flight` of a long clip is its parts put together, bit for bit, and tells how far it is without going back."""
    path = write_flight(tmp_path / "a.mp4", planes=planes, encoding=GOP)
    told: list[float] = []
    record = analyse.measure_flight([path], progress=lambda at, of: told.append(at))
    cut = _in_parts(plan_flight([path]))
    for column in record.timeline.columns:
        assert np.array_equal(record.timeline[column.name], cut.timeline[column.name], equal_nan=True), column.name
    assert np.array_equal(record.tiles.readable, cut.tiles.readable, equal_nan=True)
    assert told == sorted(told)


def test_a_short_flight_is_one_part(tmp_path: Path) -> None:
    """Under two parts' length nothing is cut, nor a stream without an index, nor several files, nor what opening finds odd."""
    short = write_flight(tmp_path / "short.mp4", planes=pictures(100), encoding=GOP)
    bare = write_flight(tmp_path / "bare.h264", planes=pictures(COUNT), encoding=GOP)
    long = write_flight(tmp_path / "long.mp4", planes=pictures(COUNT), encoding=GOP)
    assert len(plan_flight([long]).parts) == 3
    for files in ([short], [bare], [long, short]):
        (part,) = plan_flight(files).parts
        assert (part.from_s, part.to_s, part.key) == (-math.inf, math.inf, None)


def test_a_flight_of_one_key_frame_is_one_part(tmp_path: Path, planes: list[npt.NDArray[np.uint8]]) -> None:
    """Where there is no key frame to begin at, nothing is cut."""
    path = write_flight(tmp_path / "a.mp4", planes=planes, encoding=Encoding(crf=18, gop=1000))
    assert len(plan_flight([path]).parts) == 1


def test_starts_lie_beside_frames_in_step_with_the_flight() -> None:
    """A part starts a quarter of an interval behind a frame, whole steps of a tenth of a second from the flight's start."""
    keys = [Key(0, 1.0), None, Key(0, 1.9), Key(0, 4.5)]
    starts = parts._starts(keys, 50.0, 8.0, 1.0)
    assert [key.time_s for _, key, _ in starts] == [1.0, 4.5]  # a second between parts at least, here
    for start_s, key, run_up_s in starts:
        first = run_up_s * 50.0 + 0.25
        assert first == pytest.approx(round(first / 5) * 5)
        assert 0.0 <= first / 50.0 - key.time_s < 0.1
        steps = (start_s * 50.0 - 0.25 - first) / 5
        assert steps == pytest.approx(round(steps))
        assert steps >= 6.0 - 1e-9


@pytest.mark.parametrize("gone", [range(60, 68), range(70, 72), range(40, 44), range(120, 121)])
def test_holes_in_the_recording_count_once(gone: range, tmp_path: Path, planes: list[npt.NDArray[np.uint8]]) -> None:
    """Frames that the recorder lost, in a part or across the seam of two, are counted as in one pass."""
    kept = [number for number in range(COUNT) if number not in gone]
    path = write_flight(
        tmp_path / "a.mp4",
        planes=[planes[number] for number in kept],
        times=[number / RATE for number in kept],
        encoding=Encoding(codec="mjpeg", quality=3, pixel_format="yuvj420p", full_range=True),
    )
    plan = plan_flight([path])
    assert len(plan.parts) == 3
    cut, whole = _in_parts(plan), measure_whole(plan)
    assert (cut.clip.frames_lost, cut.clip.lost_s) == (len(gone), pytest.approx(len(gone) / RATE, abs=1e-3))
    assert cut.clip == whole.clip
    assert np.array_equal(cut.timeline.time_s, whole.timeline.time_s)


@pytest.mark.parametrize("share", [0.2, 0.32, 0.36, 0.63, 0.8])
def test_damage_counts_once(share: float, tmp_path: Path, planes: list[npt.NDArray[np.uint8]]) -> None:
    """A damaged spot, wherever it lies, is marked and counted as in one pass, whether the parts can be used or not."""
    path = write_flight(tmp_path / "a.mp4", planes=planes, encoding=GOP)
    data = bytearray(path.read_bytes())
    at = int(data.rfind(b"moov") * share)
    data[at : at + 1500] = bytes(1500)
    path.write_bytes(data)
    whole = measure_whole(plan_flight([path]))
    assert whole.clip.frames_damaged + whole.clip.frames_lost > 0
    cut = analyse.measure_flight([path])
    assert cut.clip == whole.clip
    assert np.array_equal(cut.timeline["damaged"], whole.timeline["damaged"], equal_nan=True)
    assert np.array_equal(cut.evidence.histogram, whole.evidence.histogram)


def test_parts_that_lie_wrong_are_refused(tmp_path: Path, planes: list[npt.NDArray[np.uint8]]) -> None:
    """A part whose jump lands late, that lies beyond the end, or that ends before it should is not taken."""
    times = [number / RATE for number in range(COUNT)]
    path = write_flight(tmp_path / "a.avi", planes=planes, times=times, encoding=MJPEG)
    plan = plan_flight([path])
    assert len(plan.parts) == 3
    late = replace(plan.parts[1], key=Key(plan.parts[1].key.pts + 5, plan.parts[1].key.time_s))  # type: ignore[union-attr]
    with pytest.raises(UnfitError, match="lands late"):
        measure_part(replace(plan, parts=(plan.parts[0], late, plan.parts[2])), 1)
    beyond = replace(plan.parts[2], from_s=100.0)
    with pytest.raises(UnfitError, match="shows no picture"):
        measure_part(replace(plan, parts=(*plan.parts[:2], beyond)), 2)
    early = replace(plan.parts[1], to_s=100.0)
    with pytest.raises(UnfitError, match="ends where it should not"):
        measure_part(replace(plan, parts=(plan.parts[0], early, plan.parts[2])), 1)


def test_what_a_pass_over_all_might_see_otherwise_is_refused(
    tmp_path: Path, planes: list[npt.NDArray[np.uint8]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A part that begins on a damaged key frame, or whose clock had to be mended, is not taken."""
    plan = plan_flight([write_flight(tmp_path / "a.avi", planes=planes, encoding=MJPEG)])
    part = plan.parts[1]
    assert part.key is not None
    part.check_start(part.shape, part.key.time_s, sound=True)
    with pytest.raises(UnfitError, match="key frame is damaged"):
        part.check_start(part.shape, part.key.time_s, sound=False)
    with pytest.raises(UnfitError, match="change their size"):
        part.check_start((1, 1, "gray"), part.key.time_s, sound=True)
    measure_part(plan, 1)
    monkeypatch.setattr(Clock, "plain", False)
    with pytest.raises(UnfitError, match="evenly"):
        measure_part(plan, 1)


def test_parts_that_do_not_meet_are_not_joined(tmp_path: Path, planes: list[npt.NDArray[np.uint8]]) -> None:
    """A part whose run-up ends on another picture than the part before it is refused."""
    plan = plan_flight([write_flight(tmp_path / "a.mp4", planes=planes, encoding=GOP)])
    with pytest.raises(UnfitError, match="another picture"):
        joined_parts(plan, (measure_part(plan, number) for number in (0, 2)))


def test_unfit_parts_fall_back(
    tmp_path: Path, planes: list[npt.NDArray[np.uint8]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a part is of no use the flight is measured in one go, with every figure as if it had never been cut."""
    path = write_flight(tmp_path / "a.mp4", planes=planes, encoding=GOP)
    whole = measure_whole(plan_flight([path]))

    def unfit(plan: Plan, number: int, *rest: object) -> None:
        raise UnfitError("no")

    monkeypatch.setattr(analyse, "measure_part", unfit)
    record = analyse.measure_flight([path])
    assert record.clip == whole.clip
    for column in whole.timeline.columns:
        assert np.array_equal(record.timeline[column.name], whole.timeline[column.name], equal_nan=True)


def test_files_of_a_part_are_let_go_of(tmp_path: Path, planes: list[npt.NDArray[np.uint8]]) -> None:
    """What a part gathered holds no file open: it goes to another process whole."""
    plan = plan_flight([write_flight(tmp_path / "a.mp4", planes=planes, encoding=GOP)])
    part = measure_part(plan, 1)
    again = pickle.loads(pickle.dumps(part))
    assert np.array_equal(part.rows.histogram, again.rows.histogram)
    assert not isinstance(part.rows.histogram, np.memmap)
    assert not isinstance(part.places.descriptors, np.memmap)
