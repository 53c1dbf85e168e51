"""Two flights in one video: the same place on both sides whatever the speeds, unmatched stretches cut, labels drawn."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from flight_material import write_flight

from fieldscore.align import Alignment
from fieldscore.errors import ResultsError
from fieldscore.pairing import Way, way_of
from fieldscore.plots import lettering
from fieldscore.sidebyside import moments, write_side_by_side
from fieldscore.units import CodeRange
from fieldscore.video import Encoding, Flight

WIDTH, HEIGHT = 96, 80
RANGES = (CodeRange.NARROW, CodeRange.NARROW)


def way(length_a: float, length_b: float, hole: tuple[float, float] | None = None) -> Way:
    """The way of two flights at constant speeds, with a stretch of shares (from, to) unmatched."""
    share = np.linspace(0.0, 1.0, 41)
    if hole is not None:
        share = share[(share <= hole[0]) | (share >= hole[1])]
    return way_of(Alignment(True, 0.9, 1.0, share * length_a, share * length_b, np.ones(len(share)), None))


def ramp(path: Path, count: int, *, full: bool = False) -> Path:
    """A clip that gets evenly brighter from 40 to 200 over its length: its place on the route can be read from it."""
    planes = [
        np.full((HEIGHT, WIDTH), round(40 + 160 * number / (count - 1)), dtype=np.uint8) for number in range(count)
    ]
    return write_flight(path, planes=planes, encoding=Encoding(crf=10, full_range=full))


def test_both_sides_are_at_the_same_place(tmp_path: Path) -> None:
    """A flight of 2 s and one of 4 s at half the speed: in every frame both sides are as bright, that is at the same place."""
    clips = [ramp(tmp_path / "quick.mp4", 60), ramp(tmp_path / "slow.mp4", 120)]
    out = tmp_path / "both.mp4"
    count = write_side_by_side(out, (Flight([clips[0]]), Flight([clips[1]])), RANGES, way(2.0, 4.0), ("quick", "slow"))
    frames = list(Flight([out]).frames())
    # at the geometric mean of the speeds 2 s and 4 s take sqrt(8) = 2.83 s, 85 frames at 30 a second
    assert count == len(frames)
    assert count == pytest.approx(85, abs=2)
    for frame in frames:
        left, right = frame.luma[:HEIGHT, :WIDTH].mean(), frame.luma[:HEIGHT, WIDTH + 4 :].mean()
        # a frame of the quick one is 160 / 59 = 2.7 codes
        assert left == pytest.approx(right, abs=4.5)
    assert frames[-1].luma[:HEIGHT, :WIDTH].mean() > frames[0].luma[:HEIGHT, :WIDTH].mean() + 140


def test_labels_stand_under_their_picture(tmp_path: Path) -> None:
    """The strip under each picture holds bright letters; without a label and with one it differs."""
    clips = [ramp(tmp_path / "a.mp4", 30), ramp(tmp_path / "b.mp4", 30)]
    strips = []
    for labels in (("lit", "dim"), ("", "")):
        out = tmp_path / f"{len(labels[0])}.mp4"
        write_side_by_side(out, (Flight([clips[0]]), Flight([clips[1]])), RANGES, way(1.0, 1.0), labels)
        frame = next(Flight([out]).frames())
        strips.append(frame.luma[HEIGHT:].astype(int))
    for side in (slice(0, WIDTH), slice(WIDTH + 4, None)):
        assert strips[0][:, side].max() > 150
        assert np.abs(strips[0][:, side] - strips[1][:, side]).max() > 80


def test_full_range_is_brought_to_the_narrow_one(tmp_path: Path) -> None:
    """A full-range clip beside a narrow one: its codes are mapped, 255 to 235 and 0 to 16."""
    clips = [ramp(tmp_path / "n.mp4", 30), ramp(tmp_path / "f.mp4", 30, full=True)]
    out = tmp_path / "both.mp4"
    ranges = (CodeRange.NARROW, CodeRange.FULL)
    write_side_by_side(out, (Flight([clips[0]]), Flight([clips[1]])), ranges, way(1.0, 1.0), ("n", "f"))
    for frame in Flight([out]).frames():
        left, right = (float(part.mean()) for part in (frame.luma[:HEIGHT, :WIDTH], frame.luma[:HEIGHT, WIDTH + 4 :]))
        assert right == pytest.approx(16 + left * 219 / 255, abs=6.5)


def test_unmatched_stretches_are_cut_out() -> None:
    """No frame of the video falls into a stretch that only one of the flights shows, and times only go forward."""
    found = list(moments(way(10.0, 10.0, hole=(0.4, 0.6)), 30.0))
    first = np.array([one[0] for one in found])
    assert not ((first > 4.05) & (first < 5.95)).any()
    assert np.all(np.diff(first) >= 0.0)
    assert len(found) == pytest.approx(240, abs=4)


def test_nothing_shared_is_said_and_leaves_no_file(tmp_path: Path) -> None:
    """Flights without a shared place give no video, no left-over file, and the reason."""
    clip = ramp(tmp_path / "a.mp4", 30)
    empty = np.empty(0)
    none = way_of(Alignment(True, 0.9, 0.0, empty, empty, empty, None))
    with pytest.raises(ResultsError, match="no place of the route"):
        write_side_by_side(tmp_path / "out.mp4", (Flight([clip]), Flight([clip])), RANGES, none, ("a", "b"))
    assert [path.name for path in tmp_path.iterdir()] == ["a.mp4"]


@pytest.mark.parametrize("text", ["A", "café 夜 \u202e$x^2$", "", "\x00\n"])
def test_any_text_can_be_drawn(text: str) -> None:
    """Letters of any kind, formulas, control signs and nothing at all are drawn without failing, in the height asked for."""
    grey = lettering(text, 22)
    assert grey.shape[0] == 22
    assert (grey.max() > 100) == bool(text)
    with pytest.raises(ValueError, match="8 or more"):
        lettering(text, 3)
