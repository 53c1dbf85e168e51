"""The pass itself: which frames know which, facts of the clip, progress, several files, odd clips."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from flight_material import HEIGHT, WIDTH, pictures, scene, write_flight
from frame_material import area_of

from fieldscore.analyse import measure_flight, plan_flight
from fieldscore.criteria import Criteria
from fieldscore.errors import ClipError, FieldscoreError
from fieldscore.pulsed import PULSES
from fieldscore.readable_rows import ReadableRows
from fieldscore.record import FlightRecord
from fieldscore.score import score_flight
from fieldscore.sequence import chained
from fieldscore.units import from_linear, to_linear
from fieldscore.video import Encoding

MJPEG = Encoding(codec="mjpeg", quality=3, pixel_format="yuvj420p", full_range=True)


def _same(one: FlightRecord, two: FlightRecord) -> bool:
    """Every figure, picture and fact of two passes is equal, NaN included."""
    columns = all(
        np.array_equal(one.timeline[column.name], two.timeline[column.name], equal_nan=True)
        for column in one.timeline.columns
    )
    return (
        columns
        and np.array_equal(one.timeline.time_s, two.timeline.time_s)
        and np.array_equal(one.tiles.readable, two.tiles.readable, equal_nan=True)
        and np.array_equal(one.evidence.histogram, two.evidence.histogram)
        and tuple(one.evidence.thumbs) == tuple(two.evidence.thumbs)
        and one.clip == two.clip
    )


def test_the_same_clip_gives_the_same_record(tmp_path: Path) -> None:
    """Measuring is repeatable bit for bit, and depends on neither the file's name nor its folder."""
    path = write_flight(tmp_path / "a.mp4", 40)
    other = tmp_path / "elsewhere" / "b.mp4"
    other.parent.mkdir()
    other.write_bytes(path.read_bytes())
    first, second, third = measure_flight([path]), measure_flight([path]), measure_flight([other])
    assert _same(first, second)
    assert _same(first, replace(third, clip=replace(third.clip, files=("a.mp4",))))
    assert (first.name, third.name) == ("a", "b")


@pytest.mark.parametrize("lag", [1, 2])
def test_a_frame_knows_the_one_of_its_parity(lag: int) -> None:
    """Frames know the one before, fields the one before of the same parity; that one knows none any more."""
    shown = [
        SimpleNamespace(luma=np.full((48, 64), 60 + number, np.uint8), time_s=number / 50, bits=8, chroma=None, damaged=False)
        for number in range(7)
    ]  # fmt: skip
    seen = []
    for number, frame in enumerate(chained(shown, area_of(48, 64), lag=lag)):  # type: ignore[arg-type]
        before = frame.previous
        seen.append(None if before is None else round(before.time_s * 50))
        assert before is None or before.previous is None
        assert frame.time_s == number / 50
    assert seen == [None] * lag + list(range(7 - lag))


def test_facts_of_a_clip(tmp_path: Path) -> None:
    """Size, depth, rate, length, counts, hash and code ends are the file's own, in its own depth."""
    path = write_flight(tmp_path / "a.mov", 40, Encoding(crf=18, pixel_format="yuv420p10le"))
    clip = measure_flight([path]).clip
    assert clip.files == ("a.mov",)
    assert clip.sha256 == (hashlib.sha256(path.read_bytes()).hexdigest(),)
    assert (clip.codec, clip.pixel_format, clip.bits) == ("h264", "yuv420p10le", 10)
    assert (clip.width, clip.height, clip.frame_rate) == (WIDTH, HEIGHT, 30.0)
    assert (clip.frames_measured, clip.frames_lost, clip.frames_damaged, clip.lost_s) == (40, 0, 0, 0.0)
    assert clip.duration_s == pytest.approx(40 / 30, abs=1e-3)
    assert (clip.code_range, clip.floor_code, clip.ceiling_code) == ("narrow", 64.0, 940.0)
    assert clip.problems == ()


@pytest.mark.parametrize(("encoding", "intra"), [(MJPEG, True), (Encoding(crf=18), False)])
def test_noise_knows_whether_pictures_are_coded_by_themselves(tmp_path: Path, encoding: Encoding, intra: bool) -> None:
    """JPEG codes each picture by itself, H.264 does not: the area says so, for fields, too."""
    path = write_flight(tmp_path / "a.mov", 5, encoding)
    area = plan_flight([path]).area()
    assert area.intra is intra
    assert area.for_fields().intra is intra


def test_noise_knows_what_the_codec_spends_on_a_pixel(tmp_path: Path) -> None:
    """The area carries the bits a pixel, by the packets: in any container, cut off or not, and for several files together."""
    size = 8.0 / (40 * WIDTH * HEIGHT)
    path = write_flight(tmp_path / "a.mov", 40, MJPEG)
    whole = path.stat().st_size * size
    spent = plan_flight([path]).area().bits_a_pixel
    assert spent == pytest.approx(whole, rel=0.1)
    matroska = write_flight(tmp_path / "a.mkv", 40, MJPEG)
    cut = tmp_path / "cut.mkv"
    cut.write_bytes(matroska.read_bytes()[: matroska.stat().st_size // 2])
    raw = write_flight(tmp_path / "a.mjpeg", 40, MJPEG)
    for other in (matroska, cut, raw):
        assert plan_flight([other]).area().bits_a_pixel == pytest.approx(spent, rel=0.1)
    fewer = write_flight(tmp_path / "b.mov", 40, replace(MJPEG, quality=25))
    least = plan_flight([fewer]).area().bits_a_pixel
    assert spent is not None and least is not None and least < 0.7 * spent
    both = [plan_flight(paths).area().bits_a_pixel for paths in ([path, fewer], [fewer, path])]
    assert both == [pytest.approx((spent + least) / 2.0)] * 2


def test_what_a_codec_spends_is_told_of_all_of_a_file(tmp_path: Path) -> None:
    """A drone that stands first, and then flies: where a file cannot be jumped in, and in a short one, all pictures count."""
    shown = pictures(560, width=96, height=64, still=(0, 500))
    standing, moving, both, stream = (
        plan_flight([write_flight(tmp_path / name, planes=planes, rate=60.0)]).area().bits_a_pixel
        for name, planes in (("a.mp4", shown[:500]), ("b.mp4", shown[500:]), ("c.mp4", shown), ("d.ts", shown))
    )
    assert standing is not None and moving is not None and standing < 0.8 * moving
    assert both == pytest.approx((500 * standing + 60 * moving) / 560, rel=0.1)
    assert stream == pytest.approx(both, rel=0.2)  # of so small pictures a tenth is parameter sets


def test_a_long_file_is_told_by_as_many_key_pictures_as_it_has(tmp_path: Path) -> None:
    """A key picture every second of sixty: after each jump one of them counts, not the next one, too."""
    path = write_flight(
        tmp_path / "a.mp4", planes=pictures(1020, width=96, height=64), encoding=Encoding(gop=60, crf=5), rate=60.0
    )
    spent = plan_flight([path]).area().bits_a_pixel
    assert spent == pytest.approx(8.0 * path.stat().st_size / (1020 * 96 * 64), rel=0.004)


def test_small_pictures_with_a_border_are_measured(tmp_path: Path) -> None:
    """Sixteen by eight pixels, black above and below: only levels are measured, and what is spent on a pixel divides by no zero."""
    planes = [np.full((8, 16), 120, np.uint8) for _ in range(12)]
    for plane in planes:
        plane[[0, -1]] = 16
    record = measure_flight([write_flight(tmp_path / "a.mkv", planes=planes, encoding=Encoding(codec="ffv1"))])
    assert len(record.timeline) == 12


def test_pictures_shown_again_cost_the_codec_nothing(tmp_path: Path) -> None:
    """Pictures recorded twice are coded once: what is spent is told of those that are new."""
    shown = pictures(40)
    once, twice = (
        plan_flight([write_flight(tmp_path / name, planes=planes, encoding=Encoding(crf=12))]).area().bits_a_pixel
        for name, planes in (("a.mp4", shown), ("b.mp4", [one for one in shown for _ in range(2)]))
    )
    assert once is not None
    assert twice == pytest.approx(once, rel=0.2)


def test_provenance_says_where_the_rows_came_from(tmp_path: Path) -> None:
    """The table itself names the file, its hash, the picture, the code range and what was lost."""
    record = measure_flight([write_flight(tmp_path / "a.avi", 40, MJPEG)])
    said = record.timeline.provenance
    assert said["files"] == "a.avi"
    assert said["sha256"] == record.clip.sha256[0]
    assert said["picture"].startswith(f"{WIDTH}x{HEIGHT}, mjpeg")
    assert said["code range"].startswith("full (")
    assert said["frames"] == "40 measured, 0 lost (0 s), 0 damaged"


def test_settings_of_the_pass_are_kept(tmp_path: Path) -> None:
    """The criteria that a pass was made with are in its record, and its grid follows them."""
    criteria = replace(Criteria(), tile_rows=6, tile_columns=8, tile_interval_s=0.2)
    record = measure_flight([write_flight(tmp_path / "a.mp4", 40)], criteria=criteria)
    assert record.settings == criteria.to_dict()
    assert record.tiles.readable.shape == (7, 6, 8)  # 1.33 s in stretches of a fifth of a second
    assert len(record.evidence.thumbs) == 6  # every quarter second, whatever the map


def test_doubt_of_readability_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What speaks against the readable shares of a flight stands among its notes; without it nothing does."""
    path = write_flight(tmp_path / "a.mp4", 20)
    before = measure_flight([path]).notes
    monkeypatch.setattr(ReadableRows, "doubt", lambda *_: "may be too high")
    assert measure_flight([path]).notes == (*before, "may be too high")


def test_pulses_of_light_leave_nothing_to_be_told(tmp_path: Path) -> None:
    """Lamps that blow one picture in three: neither noise, shares nor the map tell of these seconds, and none of them is lost."""
    ground, rng = scene(WIDTH + 620, HEIGHT, 1), np.random.default_rng(3)
    planes = []
    for index in range(180):
        light = (4.5, 0.45, 0.9)[index % 3] if 60 <= index < 120 else 1.0
        plane = 16.0 + (ground[:, 2 * index : 2 * index + WIDTH] - 16.0) * light
        planes.append(np.clip(np.rint(plane + rng.normal(0.0, 1.5, plane.shape)), 16, 235).astype(np.uint8))
    record = measure_flight([write_flight(tmp_path / "a.mp4", planes=planes)])
    assert any(PULSES in note for note in record.notes)
    time_s, tiles = record.timeline.time_s, record.tiles
    for name in ("noise_percent", "zone_readable_percent", "readable_least_percent"):
        assert np.isnan(record.timeline[name][(time_s > 2.0) & (time_s < 4.0)]).all()
        assert np.isfinite(record.timeline[name][time_s > 5.0]).any()
    assert np.isnan(tiles.readable[(tiles.time_s > 2.0) & (tiles.time_s < 4.0)]).all()
    score = score_flight(record, Criteria())
    assert score.usable.share == 1.0 and not any(score.usable.lost_by_cause.values())


def test_progress_rises_to_the_length(tmp_path: Path) -> None:
    """While measuring, the time reached is told, rising, with the length that the container states."""
    told: list[tuple[float, float | None]] = []
    measure_flight([write_flight(tmp_path / "a.mp4", 100)], progress=lambda at, of: told.append((at, of)))
    times = [at for at, _ in told]
    assert len(times) >= 3
    assert times == sorted(set(times))
    assert all(of == pytest.approx(100 / 30, abs=0.05) for _, of in told)
    assert times[-1] <= 100 / 30


def test_uneven_times_are_kept(tmp_path: Path) -> None:
    """A clip of varying rate has its own times in the table, to a millisecond, and no frame counts as lost."""
    steps = np.random.default_rng(4).uniform(0.028, 0.038, 59)
    times = np.concatenate([[0.0], np.cumsum(steps)])
    record = measure_flight([write_flight(tmp_path / "a.mp4", planes=pictures(60), times=list(times))])
    assert np.abs(record.timeline.time_s - times).max() < 1e-3
    assert record.clip.frames_lost == 0


def test_two_files_are_one_flight(tmp_path: Path) -> None:
    """Files of one flight follow on in one table; both are named and hashed, in order."""
    planes = pictures(80)
    first = write_flight(tmp_path / "a1.mp4", planes=planes[:40])
    second = write_flight(tmp_path / "a2.mp4", planes=planes[40:])
    record = measure_flight([first, second], name="lap")
    whole = measure_flight([write_flight(tmp_path / "whole.mp4", planes=planes)])
    assert record.name == "lap"
    assert record.clip.files == ("a1.mp4", "a2.mp4")
    assert [hashlib.sha256(path.read_bytes()).hexdigest() for path in (first, second)] == list(record.clip.sha256)
    assert record.timeline.time_s == pytest.approx(whole.timeline.time_s, abs=2e-3)
    assert np.abs(record.timeline["level_percent"] - whole.timeline["level_percent"]).max() < 0.5


@pytest.mark.parametrize("count", [1, 2])
def test_one_or_two_pictures_are_a_flight(count: int, tmp_path: Path) -> None:
    """A clip of a single picture has exposure and no motion: NaN, not 0, and no warning on the way."""
    record = measure_flight([write_flight(tmp_path / "a.mp4", count)])
    timeline = record.timeline
    assert len(timeline) == count
    assert np.isfinite(timeline["level_percent"]).all()
    for name in ("motion_percent", "likeness"):
        assert np.isnan(timeline[name][0])
    assert record.clip.duration_s >= timeline.time_s[-1]


@pytest.mark.parametrize("code", [16, 60, 235])
def test_an_even_picture_is_measured(code: int, tmp_path: Path) -> None:
    """Nothing but black, grey or white: level to 0.5 %, shares at the ends all or nothing, and nothing breaks."""
    planes = [np.full((HEIGHT, WIDTH), code, np.uint8)] * 20
    timeline = measure_flight([write_flight(tmp_path / "a.mp4", planes=planes)]).timeline
    assert timeline["level_percent"] == pytest.approx([(code - 16) / 2.19] * 20, abs=0.5)
    assert set(timeline["crushed_percent"]) == {100.0 if code == 16 else 0.0}
    assert set(timeline["clipped_percent"]) == {100.0 if code == 235 else 0.0}


@pytest.mark.parametrize("content", [b"", b"\x00" * 4096, b"RIFF\x00\x00\x00\x00AVI LIST"])
def test_a_file_without_a_picture_is_refused(content: bytes, tmp_path: Path) -> None:
    """Empty, zeroed or cut off after its first bytes: a failure of the input in one line that names the file."""
    path = tmp_path / "a.avi"
    path.write_bytes(content)
    with pytest.raises(FieldscoreError, match=r"a\.avi") as caught:
        measure_flight([path])
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    """A file that is not there is a ClipError with its name."""
    with pytest.raises(ClipError, match=r"gone\.mp4"):
        measure_flight([tmp_path / "gone.mp4"])


def test_a_lost_link_has_no_exposure_and_leaves_that_after_it_as_it_was(tmp_path: Path) -> None:
    """Snow in mid-flight has no exposure, and the exposure after it goes on from what it was before."""
    rng = np.random.default_rng(4)
    flown = pictures(90)
    for number in range(40, 55):
        flown[number] = rng.integers(16, 236, flown[number].shape).astype(np.uint8)
    exposure = measure_flight([write_flight(tmp_path / "snow.mp4", planes=flown)]).timeline["exposure_stops"]
    assert np.isnan(exposure[42:53]).all()
    assert np.isfinite(exposure[:37]).all() and np.isfinite(exposure[60:]).all()
    assert exposure[60:] == pytest.approx(np.full(30, exposure[36]), abs=0.05)


def test_what_is_not_the_cameras_for_long_has_no_exposure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What `spoilt` names for half a second or more is linked to nothing, though it may look like the scene; less of it is."""
    monkeypatch.setattr(
        "fieldscore.analyse.spoilt",
        lambda timeline: np.isin(np.arange(len(timeline)), [10, 11, 12, *range(25, 45)]),
    )
    exposure = measure_flight([write_flight(tmp_path / "a.mp4", 60)]).timeline["exposure_stops"]
    assert np.isnan(exposure[26:44]).all() and np.isfinite(exposure[:23]).all() and np.isfinite(exposure[48:]).all()


def test_a_torn_picture_hides_no_change_of_exposure(tmp_path: Path) -> None:
    """Exposure that moves by a stop while one picture in a few is torn is known to a quarter of a stop."""
    rng = np.random.default_rng(5)
    flown = [one.astype(np.float64) for one in pictures(90)]
    true = np.clip((np.arange(90) - 40) / 10.0, 0.0, 1.0)
    for number, picture in enumerate(flown):
        picture[:] = 16.0 + 219.0 * from_linear(to_linear((picture - 16.0) / 219.0 * 0.5) * 2.0 ** true[number])
        if number in (42, 45, 48):
            for band in range(0, len(picture), 24):
                picture[band : band + 24] = np.roll(picture[band : band + 24], rng.integers(20, 170), axis=1)
    planes = [np.clip(np.rint(one), 16, 235).astype(np.uint8) for one in flown]
    exposure = measure_flight([write_flight(tmp_path / "torn.mp4", planes=planes)]).timeline["exposure_stops"]
    assert exposure[80] - exposure[30] == pytest.approx(1.0, abs=0.25)
