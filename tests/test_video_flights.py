"""Which files are flights, and which files are one flight."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from video_material import RATE, kinds, read_all, write_clip

from fieldscore.errors import ClipError
from fieldscore.video import Encoding, Flight, find_flights

JPEG = Encoding(codec="mjpeg", quality=20)


def _slow_clip(path: Path, seconds: float, first: int = 0) -> Path:
    """A clip of a given length at 2 frames a second: long chunks in small files."""
    return write_clip(path, round(seconds * 2), JPEG, rate=2, first=first, width=48, height=32)


def _names(flights: list[list[Path]]) -> list[list[str]]:
    return [[path.name for path in flight] for flight in flights]


def test_a_folder_is_searched_in_natural_order(tmp_path: Path) -> None:
    """2 comes before 10; hidden files, companions and other files are left out with a reason; links end."""
    clip = write_clip(tmp_path / "fly 10.avi", 3, JPEG)
    inner = tmp_path / "DCIM" / "100"
    inner.mkdir(parents=True)
    for name in (
        "fly 2.AVI",
        ".hidden.avi",
        "._fly 2.avi",
        "fly 2.THM",
        "fly 2.LRV",
        "fly 2.srt",
        "notes.txt",
    ):
        target = (inner if name == "fly 2.AVI" else tmp_path) / name
        shutil.copy(clip, target)
    (tmp_path / ".Trashes").mkdir()
    shutil.copy(clip, tmp_path / ".Trashes" / "old.avi")
    shutil.copy(clip, tmp_path / "fly 9.avi")
    (inner / "loop").symlink_to(tmp_path, target_is_directory=True)
    flights, left_out = find_flights([tmp_path])
    assert _names(flights) == [["fly 9.avi"], ["fly 10.avi"], ["fly 2.AVI"]]
    reasons = {path.name: reason for path, reason in left_out}
    assert reasons == {
        ".hidden.avi": "a hidden file",
        "._fly 2.avi": "a hidden file",
        "fly 2.THM": "a thumbnail",
        "fly 2.LRV": "a small copy of another clip",
        "fly 2.srt": "subtitles",
        "notes.txt": "not a video file by its name",
        ".Trashes": "a hidden folder",
        "loop": "a link to a folder, not followed",
    }


def test_a_file_named_outright_is_taken(tmp_path: Path) -> None:
    """Named files are taken whatever their names, even missing ones (the reader says why), and only once."""
    hidden = write_clip(tmp_path / "a.avi", 3, JPEG).rename(tmp_path / ".hidden")
    (tmp_path / "link.avi").symlink_to(hidden)
    flights, left_out = find_flights([hidden, hidden, tmp_path / "link.avi", tmp_path / "missing.mp4"])
    assert _names(flights) == [[".hidden"], ["missing.mp4"]]
    assert [reason for _, reason in left_out] == ["the same file as one before"] * 2


def test_an_empty_folder_is_said(tmp_path: Path) -> None:
    """A folder without a clip gives no flight and a reason."""
    flights, left_out = find_flights([tmp_path])
    assert flights == []
    assert left_out == [(tmp_path, "no clip in this folder")]


def test_numbers_alone_join_nothing(tmp_path: Path) -> None:
    """Every recorder numbers its flights: without evidence each stays one, even in one folder and of one
    kind.
    """
    for number, seconds in ((1, 70), (2, 95), (3, 64)):
        path = _slow_clip(tmp_path / f"FLY{number:04}.avi", seconds)
        os.utime(path, (1e9 + 1000 * number, 1e9 + 1000 * number))
    flights, _ = find_flights([tmp_path])
    assert [len(flight) for flight in flights] == [1, 1, 1]


def test_equal_short_clips_are_not_chunks(tmp_path: Path) -> None:
    """Three test clips of ten seconds each are equal in length and size, and still three flights."""
    for number in (1, 2, 3):
        _slow_clip(tmp_path / f"FLY{number:04}.avi", 10)
    assert [len(flight) for flight in find_flights([tmp_path])[0]] == [1, 1, 1]


def test_equal_chunks_are_one_flight(tmp_path: Path) -> None:
    """A recorder that closes a file every 60 s leaves equal parts and a shorter last one."""
    for number, seconds in ((1, 60), (2, 60), (3, 60), (4, 22)):
        path = _slow_clip(tmp_path / f"FLY{number:04}.avi", seconds)
        os.utime(path, (1e9, 1e9))
    flights, _ = find_flights([tmp_path])
    assert _names(flights) == [[f"FLY000{n}.avi" for n in (1, 2, 3, 4)]]
    assert [len(f) for f in find_flights([tmp_path], separate=True)[0]] == [1, 1, 1, 1]
    # The same when the files are given one by one, in any order.
    given = [tmp_path / f"FLY000{n}.avi" for n in (3, 1, 4, 2)]
    assert _names(find_flights(given)[0]) == _names(flights)


def test_file_times_that_follow_on_join(tmp_path: Path) -> None:
    """Two parts of a minute or more: the second one's end less its length is the first one's end."""
    first, second = _slow_clip(tmp_path / "REC-7.avi", 75), _slow_clip(tmp_path / "REC-8.avi", 64)
    os.utime(first, (1e9, 1e9))
    os.utime(second, (1e9 + 65, 1e9 + 65))
    assert _names(find_flights([tmp_path])[0]) == [["REC-7.avi", "REC-8.avi"]]
    os.utime(second, (1e9 + 100, 1e9 + 100))  # half a minute on the ground between: another flight
    assert _names(find_flights([tmp_path])[0]) == [["REC-7.avi"], ["REC-8.avi"]]


def test_names_that_say_part_join(tmp_path: Path) -> None:
    """ "part1" and "p2" are somebody's word for it; "map1" is not."""
    for name in ("lap_part1", "lap_part2", "hill-p1", "hill-p2", "map1", "map2"):
        write_clip(tmp_path / f"{name}.avi", 5, JPEG)
    flights = _names(find_flights([tmp_path])[0])
    assert flights == [
        ["hill-p1.avi", "hill-p2.avi"],
        ["lap_part1.avi", "lap_part2.avi"],
        ["map1.avi"],
        ["map2.avi"],
    ]


def test_a_stream_cut_in_two_joins(tmp_path: Path) -> None:
    """A recorder cuts at a byte count: the second part starts between key frames and its clock goes on."""
    whole = write_clip(tmp_path / "x.ts", 100, Encoding(gop=20, bit_rate=400_000))
    data = whole.read_bytes()
    middle = len(data) // 188 // 2 * 188
    (tmp_path / "REC_001.ts").write_bytes(data[:middle])
    (tmp_path / "REC_002.ts").write_bytes(data[:376] + data[middle:])
    whole.unlink()
    flights, _ = find_flights([tmp_path])
    assert _names(flights) == [["REC_001.ts", "REC_002.ts"]]
    flight = Flight(flights[0])
    frames = [(f.time_s, f.file_index) for f in flight.frames()]
    assert len(frames) >= 97
    assert np.all(np.diff([time for time, _ in frames]) > 0)
    assert frames[-1][1] == 1
    assert "join" in kinds(flight)


def test_other_kinds_of_clip_do_not_join(tmp_path: Path) -> None:
    """Another size, codec or rate is another recording, whatever the names say."""
    write_clip(tmp_path / "lap_part1.avi", 5, JPEG)
    write_clip(tmp_path / "lap_part2.avi", 5, JPEG, width=48, height=32)
    write_clip(tmp_path / "lap_part3.avi", 5, Encoding(codec="mpeg4"), width=48, height=32)
    write_clip(tmp_path / "lap_part4.avi", 5, Encoding(codec="mpeg4"), rate=50, width=48, height=32)
    assert [len(flight) for flight in find_flights([tmp_path])[0]] == [1, 1, 1, 1]


def test_a_broken_part_stays_alone(tmp_path: Path) -> None:
    """A part that cannot be read ends a flight; its own turn to be refused comes later."""
    for number in (1, 2, 4):
        write_clip(tmp_path / f"lap_part{number}.avi", 5, JPEG)
    (tmp_path / "lap_part3.avi").write_bytes(b"nothing here")
    assert _names(find_flights([tmp_path])[0]) == [
        ["lap_part1.avi", "lap_part2.avi"],
        ["lap_part3.avi"],
        ["lap_part4.avi"],
    ]


def test_a_flight_of_several_files_has_one_time_axis(tmp_path: Path) -> None:
    """Files follow on by one interval, losses add up, look and evidence reach into every file."""
    parts = [write_clip(tmp_path / f"p{n}.avi", 50, Encoding(codec="mjpeg"), first=50 * n) for n in range(3)]
    flight = Flight(parts)
    times = [frame.time_s for frame in flight.frames()]
    np.testing.assert_allclose(times, np.arange(150) / RATE, atol=1e-9)
    assert flight.duration_s == pytest.approx(6.0)
    assert (flight.losses.frames_read, flight.losses.frames_lost) == (150, 0)
    assert "join" in kinds(flight)
    assert {frame.file_index for frame in flight.look(12)} == {0, 1, 2}
    found = flight.frames_at([0.5, 3.0, 5.9])
    assert [f is not None and f.file_index for f in found] == [0, 1, 2]
    whole = [frame.copy().luma for part in parts for frame in Flight([part]).frames()]
    assert found[1] is not None
    np.testing.assert_array_equal(found[1].luma, whole[75])


def test_files_that_do_not_fit_are_refused(tmp_path: Path) -> None:
    """A flight of two sizes cannot be measured as one; the line names both."""
    a = write_clip(tmp_path / "a.avi", 5, JPEG)
    b = write_clip(tmp_path / "b.avi", 5, JPEG, width=48, height=32)
    with pytest.raises(ClipError, match=r"b\.avi: 48 x 32 at 8 bits does not go on from a\.avi \(96 x 64"):
        Flight([a, b])
    with pytest.raises(ValueError, match="at least one file"):
        Flight([])


def test_one_clean_file_has_no_join(tmp_path: Path) -> None:
    """A single file is no join."""
    flight, _, _, _ = read_all(write_clip(tmp_path / "a.avi", 5, JPEG))
    assert kinds(flight) == set()
