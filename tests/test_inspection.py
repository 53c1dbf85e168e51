"""`inspect` without the terminal: what a clip is, how its levels are known, what is wrong, in words and as data."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from flight_material import HEIGHT, WIDTH, pictures, write_flight
from hypothesis import given
from hypothesis import strategies as st

from fieldscore.analyse import measure_flight
from fieldscore.inspection import Inspection, inspect
from fieldscore.video import Encoding

MJPEG = Encoding(codec="mjpeg", quality=3, pixel_format="yuvj420p", full_range=True)


def _one(path: Path, **options: float) -> Inspection:
    (found,) = inspect([path], **options)  # type: ignore[arg-type]
    return found


@pytest.mark.parametrize(
    ("suffix", "encoding"),
    [
        (".mp4", Encoding(crf=18)),
        (".mov", Encoding(crf=18, pixel_format="yuv420p10le")),
        (".avi", MJPEG),
    ],
)
def test_a_look_says_what_a_pass_says(suffix: str, encoding: Encoding, tmp_path: Path) -> None:
    """Range, floor, ceiling, border, overlay and rate that inspect names are those that scoring then works with."""
    path = write_flight(tmp_path / f"a{suffix}", 40, encoding)
    found, record = _one(path).to_dict(), measure_flight([path])
    clip = record.clip
    for key in ("codec", "container", "pixel_format", "width", "height", "bits", "frame_rate", "interlaced", "code_range",
                "code_range_from", "floor_code", "floor_from", "ceiling_code", "ceiling_from"):  # fmt: skip
        assert found[key] == getattr(clip, key), key
    assert found["border_px"] == list(record.picture.border_px)
    assert found["overlay_percent"] == pytest.approx(record.picture.overlay_percent, abs=0.005)
    assert found["duration_s"] == pytest.approx(clip.duration_s, abs=1 / 30)


def test_codes_of_ten_bit_are_told_in_ten_bit(tmp_path: Path) -> None:
    """Nominal black and white of a 10-bit narrow clip are 64 and 940, in the lines and in the data."""
    # ITU-R BT.2100, table 9: narrow range 10 bit, black 64, nominal peak 940
    found = _one(write_flight(tmp_path / "a.mov", 40, Encoding(crf=18, pixel_format="yuv420p10le")))
    assert (found.to_dict()["floor_code"], found.to_dict()["ceiling_code"]) == (64.0, 940.0)
    assert any("10 bit" in line and "floor 64" in line and "ceiling 940" in line for line in found.lines())


def test_fields_are_counted_as_fields(tmp_path: Path) -> None:
    """A woven clip of 25 frames is told as 50 fields a second."""
    fields = pictures(60, height=HEIGHT)
    woven = []
    for first, second in zip(fields[::2], fields[1::2], strict=True):
        frame = first.copy()
        frame[1::2] = second[1::2]
        woven.append(frame)
    path = write_flight(tmp_path / "a.mp4", encoding=Encoding(crf=14, interlaced=True), planes=woven, rate=25)
    found = _one(path)
    assert found.to_dict()["interlaced"]
    assert any("50 fields a second" in line for line in found.lines())


def test_borders_and_ten_seconds(tmp_path: Path) -> None:
    """Black bars above and below are told in pixels, top first, and a moment as people write it."""
    planes = []
    for picture in pictures(300):
        framed = np.full((HEIGHT, WIDTH), 16, np.uint8)
        framed[16:-18] = picture[16:-18]
        planes.append(framed)
    found = _one(write_flight(tmp_path / "a.mp4", encoding=Encoding(crf=14), planes=planes))
    top, right, bottom, left = found.to_dict()["border_px"]
    assert (right, left) == (0, 0)
    assert top == pytest.approx(16, abs=1)
    assert bottom == pytest.approx(18, abs=1)
    assert any(f"border top {top} right 0 bottom {bottom} left 0 px" in line for line in found.lines())
    assert any("0:10" in line for line in found.lines())


def test_a_raw_stream_takes_the_rate_it_is_given(tmp_path: Path) -> None:
    """A stream without times has the rate named by the user, else its header's; either way the lines say whose word it is."""
    path = write_flight(tmp_path / "a.h264", 40)
    found = _one(path, frame_rate=50.0)
    assert found.to_dict()["frame_rate"] == 50.0
    unnamed = next(iter(inspect([path])))
    for one in (found, unnamed):
        json.dumps(one.to_dict(), allow_nan=False)
    assert any("50 frames a second, as given" in line for line in found.lines())
    assert unnamed.to_dict()["frame_rate"] == 30.0
    assert any("30 frames a second, as its header says" in line for line in unnamed.lines())


def test_one_broken_file_does_not_hide_the_next(tmp_path: Path) -> None:
    """Each file gets its report, a broken or missing one in a single line that names it."""
    empty, missing = tmp_path / "empty.mp4", tmp_path / "missing.mp4"
    empty.write_bytes(b"")
    good = write_flight(tmp_path / "good.mp4", 30)
    found = {one.title: one for one in inspect([empty, missing, good])}
    assert set(found) == {"empty.mp4", "missing.mp4", "good.mp4"}
    for name in ("empty.mp4", "missing.mp4"):
        assert not found[name].readable
        (line,) = found[name].lines()
        assert line.startswith("cannot read: ")
        assert name in line
        assert "\n" not in line
        assert found[name].to_dict()["error"]
    assert found["good.mp4"].readable


def test_parts_of_one_recording_are_one_report(tmp_path: Path) -> None:
    """Two files that say part 1 and 2 are told as two files of one recording; kept apart on request."""
    files = [write_flight(tmp_path / f"lap_part{number}.mp4", 30, seed=number) for number in (1, 2)]
    (joined,) = inspect(files)
    assert "2 files of one recording" in joined.lines()[0]
    assert joined.to_dict()["files"] == [path.name for path in files]
    assert joined.duration_s == pytest.approx(2.0, abs=0.1)
    assert len(list(inspect(files, separate=True))) == 2


@given(st.text(max_size=40), st.booleans())
def test_what_cannot_be_read_is_one_entry(error: str, named: bool) -> None:
    """Whatever the message, a failure is one entry, standard JSON, and a failure only of what was named."""
    one = Inspection("a.mp4", error=error, named=named)
    assert len(one.lines()) == 1
    assert one.readable is not named
    data = json.loads(json.dumps(one.to_dict(), allow_nan=False))
    assert (data["readable"], data["named"], data["error"]) == (False, named, error)
