"""Times of pictures: holes, variable rates, broken timestamps, lying headers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from video_material import RATE, kinds, read_all, write_clip

from fieldscore.intervals import usual_interval
from fieldscore.video import Encoding, Flight, probe
from fieldscore.video.clock import Clock


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
def test_a_hole_is_lost_time(tmp_path: Path, name: str) -> None:
    """Ten pictures missing in the timestamps are ten lost pictures and 0.4 s; the rest keep their times."""
    times = [i / RATE for i in range(100) if not 40 <= i < 50]
    path = write_clip(tmp_path / name, 90, Encoding(gop=10), times=times)
    flight, got, _, _ = read_all(path)
    np.testing.assert_allclose(got, times, atol=1e-3)
    assert flight.losses.frames_lost == 10
    assert flight.losses.lost_s == pytest.approx(0.4, abs=2e-3)
    assert flight.losses.interval_s == pytest.approx(0.04, abs=1e-4)
    gap = next(p for p in flight.losses.problems if p.kind == "gap")
    assert "10 pictures" in gap.detail
    assert "at 1.56 s" in gap.detail


def test_empty_avi_slots_are_a_hole(tmp_path: Path) -> None:
    """A recorder that skips slots of an AVI loses time there; later pictures keep their places."""
    times = [i / RATE for i in range(60) if not 20 <= i < 25]
    path = write_clip(tmp_path / "a.avi", 55, Encoding(codec="mjpeg"), times=times)
    flight, got, _, _ = read_all(path)
    np.testing.assert_allclose(got, times, atol=1e-9)
    assert (flight.losses.frames_lost, flight.losses.lost_s) == (5, pytest.approx(0.2))


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
def test_a_variable_rate_is_no_loss(tmp_path: Path, name: str) -> None:
    """Phones and screen recorders stretch intervals at will (here 30 to 70 ms): called so, nothing lost."""
    steps = np.random.default_rng(5).uniform(0.03, 0.07, 99)
    times = [0.0, *np.cumsum(steps)]
    flight, got, _, _ = read_all(write_clip(tmp_path / name, 100, times=times))
    np.testing.assert_allclose(got, times, atol=1.1e-3)
    assert (flight.losses.frames_lost, flight.losses.lost_s) == (0, 0.0)
    assert kinds(flight) & {"variable_rate", "gap"} == {"variable_rate"}


def test_alternating_intervals_are_a_variable_rate(tmp_path: Path) -> None:
    """20 ms and 60 ms in turn is the recorder's own rhythm, although 60 is a multiple of 20."""
    times = [0.04 * i + 0.02 * (i % 2) for i in range(100)]
    flight, _, _, _ = read_all(write_clip(tmp_path / "a.mp4", 100, times=times))
    assert flight.losses.frames_lost == 0
    assert "variable_rate" in kinds(flight)


def test_a_long_stop_of_a_variable_rate_is_a_hole() -> None:
    """With a variable rate only a stop of half a second and more, well above its slow intervals, is lost."""
    clock = Clock(0.05)
    steps = np.random.default_rng(1).uniform(0.03, 0.07, 200)
    steps[100] = 2.0
    for time in np.cumsum(steps):
        clock.stamp(float(time))
    account = clock.account()
    assert account.variable
    assert account.lost_s == pytest.approx(1.95, abs=0.03)


def test_a_pause_is_not_lost_pictures() -> None:
    """An hour between two pictures is a pause: said, with its length, and not 90 000 lost pictures."""
    clock = Clock(0.04)
    for i in range(50):
        clock.stamp(i * 0.04)
    for i in range(50):
        clock.stamp(3600 + i * 0.04)
    account = clock.account()
    assert (account.frames_lost, account.lost_s) == (0, 0.0)
    assert [p.kind for p in account.problems] == ["pause"]
    assert "3598 s" in account.problems[0].detail


def test_jitter_and_coarse_clocks_are_a_constant_rate() -> None:
    """33 and 34 ms in turn (29.97 Hz in a clock of 1 ms) and 10 % jitter: no loss, no variable rate."""
    coarse, shaky = Clock(1 / 29.97), Clock(1 / 30)
    noise = np.random.default_rng(2).uniform(-0.1, 0.1, 300) / 30
    for i in range(300):
        coarse.stamp(round(i * 1001 / 30) / 1000)
        shaky.stamp(i / 30 + noise[i] / 2)
    account = coarse.account(0.001)
    assert account.interval_s == pytest.approx(1001 / 30000, rel=1e-3)
    for result in (account, shaky.account()):
        assert (result.frames_lost, result.variable, result.problems) == (0, False, ())


def test_usual_interval_is_exact_behind_a_coarse_clock() -> None:
    """60 Hz in ms: 17, 17, 16 ms; the median alone would say 58.8 Hz."""
    ms = np.diff(np.round(np.arange(0, 301) * 1000 / 60))
    assert 1000 / usual_interval(ms) == pytest.approx(60, rel=1e-3)
    assert usual_interval(np.array([40.0, 40.0, 400.0])) == 40.0


@pytest.mark.parametrize("rate", [24.0, 30000 / 1001, 30.0, 50.0, 60000 / 1001, 60.0])
def test_the_rate_is_not_rounded_as_its_clock(tmp_path: Path, rate: float) -> None:
    """Matroska keeps milliseconds; the rate is its header's where the timestamps agree with it, to 1 in 100 000."""
    path = write_clip(tmp_path / "a.mkv", 40, Encoding(gop=10), rate=rate)
    assert Flight([path]).frame_rate == pytest.approx(rate, rel=1e-5)


@pytest.mark.parametrize("rate", [30.0, 60.0])
def test_milliseconds_kept_in_a_finer_clock_are_seen_through(tmp_path: Path, rate: float) -> None:
    """Millisecond times copied into MP4, whose clock is finer, are no more exact there: the rate is that of them all."""
    times = [round(i / rate, 3) for i in range(60)]
    path = write_clip(tmp_path / "a.mp4", 60, Encoding(gop=10), times=times)
    flight = read_all(path)[0]
    assert flight.frame_rate == pytest.approx(rate, rel=1e-3)
    assert flight.losses.interval_s == pytest.approx(1 / rate, rel=1e-3)


def test_times_always_go_forward() -> None:
    """Pictures out of order, standing still, going back or without a time: times rise, and it is said."""
    clock = Clock(0.04)
    raws = [
        0.0,
        0.04,
        0.08,
        0.28,
        0.12,
        0.16,
        0.20,
        0.24,
        0.32,
        0.36,
        None,
        0.44,
        0.44,
        0.44,
        0.56,
        0.6,
        0.64,
    ]
    times = [clock.stamp(raw) for raw in raws]
    assert np.all(np.diff(times) > 0)
    assert times[-1] == pytest.approx(0.64)
    account = clock.account()
    assert {p.kind for p in account.problems} == {"bad_timestamps"}
    assert account.frames_lost == 0


def test_a_clock_that_starts_anew_goes_on() -> None:
    """A recorder restart sets the clock to 0: time goes on by one interval, and it is said."""
    clock = Clock(0.04)
    times = [clock.stamp((i % 100) * 0.04) for i in range(200)]
    np.testing.assert_allclose(times, np.arange(200) * 0.04)
    assert [p.kind for p in clock.account().problems] == ["clock_restart"]
    assert clock.account().frames_lost == 0


def test_an_undecodable_picture_and_its_hole_count_once() -> None:
    """A picture that could not be decoded leaves a hole in the times too: one loss. Before the first it
    counts.
    """
    clock = Clock(0.04)
    for i in range(50):
        if i != 20:
            clock.stamp(i * 0.04, lost_before=1 if i == 21 else 0)
    account = clock.account()
    assert (account.frames_lost, account.lost_s) == (1, pytest.approx(0.04))
    late = Clock(0.04)
    late.stamp(0.08, lost_before=2)
    late.stamp(0.12)
    assert late.account().frames_lost == 2


def test_a_wrong_declared_rate_is_said_and_not_used(tmp_path: Path) -> None:
    """A header of 25 frames a second over timestamps of 50: the timestamps count, the header is named."""
    path = write_clip(tmp_path / "a.mkv", 60, rate=25, times=[i / 50 for i in range(60)])
    info = probe(path)
    assert info.frame_rate == pytest.approx(50, rel=1e-3)
    assert info.declared_rate == pytest.approx(25, rel=1e-3)
    assert "wrong_rate" in {problem.kind for problem in info.problems}


def test_an_avi_of_1000_frames_a_second_is_not_believed(tmp_path: Path) -> None:
    """A rate that no camera has is said and replaced by 25; --frame-rate is the way out and gives the true times."""
    path = write_clip(tmp_path / "a.avi", 50, Encoding(codec="mjpeg"))
    data = bytearray(path.read_bytes())
    header = data.find(b"strh") + 28  # dwScale, dwRate
    data[header : header + 8] = (1).to_bytes(4, "little") + (1000).to_bytes(4, "little")
    path.write_bytes(data)
    flight, times, _, _ = read_all(path)
    assert times[-1] == pytest.approx(49 / 25)
    assert kinds(flight) == {"rate_unbelievable"}
    flight, times, _, _ = read_all(path, frame_rate=RATE)
    assert times[-1] == pytest.approx(49 / RATE)
    assert "rate_unbelievable" not in kinds(flight)


@pytest.mark.parametrize("rate", [None, RATE])
def test_an_avi_of_every_second_slot_counts_its_pictures(tmp_path: Path, rate: float | None) -> None:
    """A header of 50 slots a second of which every second one holds a picture claims half as many: only what is cut off is lost."""
    path = write_clip(
        tmp_path / "a.avi", 50, Encoding(codec="mjpeg"), rate=2 * RATE, times=[i / RATE for i in range(50)]
    )
    given = {} if rate is None else {"frame_rate": rate}
    flight, times, _, _ = read_all(path, **given)
    assert (len(times), flight.losses.frames_lost) == (50, 0)
    assert times[-1] == pytest.approx(49 / RATE)
    assert "header_mismatch" not in kinds(flight)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 7 // 10])
    flight, times, _, _ = read_all(path, **given)
    assert len(times) < 45
    assert len(times) + flight.losses.frames_lost == pytest.approx(50, abs=1)
    assert flight.losses.lost_s == pytest.approx(flight.losses.frames_lost / RATE)


def test_an_avi_header_that_lies_about_its_count(tmp_path: Path) -> None:
    """10000 pictures claimed, 50 there and the file whole: said, nothing lost."""
    path = write_clip(tmp_path / "a.avi", 50, Encoding(codec="mjpeg"))
    data = bytearray(path.read_bytes())
    for name, offset in ((b"avih", 24), (b"strh", 40)):
        at = data.find(name) + offset
        data[at : at + 4] = (10_000).to_bytes(4, "little")
    path.write_bytes(data)
    flight, times, _, _ = read_all(path)
    assert (len(times), flight.losses.frames_lost) == (50, 0)
    assert "header_mismatch" in kinds(flight)


@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize("name", ["a.mp4", "a.avi"])
def test_one_and_two_pictures(tmp_path: Path, name: str, count: int) -> None:
    """The shortest clips are read; with one picture there is no interval (NaN, not 0)."""
    codec = "mjpeg" if name.endswith("avi") else "h264"
    flight, times, _, _ = read_all(write_clip(tmp_path / name, count, Encoding(codec=codec)))
    assert len(times) == count
    assert flight.losses.frames_lost == 0
    assert np.isnan(flight.losses.interval_s) == (count == 1)
    assert len(Flight([tmp_path / name]).look()) == count


def test_a_bare_jpeg_stream_gets_a_usual_rate_and_says_so(tmp_path: Path) -> None:
    """Where nothing says the rate the clip is measured all the same, at 25 a second, and told that its times are a guess."""
    path = write_clip(tmp_path / "a.mjpeg", 20, Encoding(codec="mjpeg"))
    flight, times, _, _ = read_all(path)
    assert times[-1] == pytest.approx(19 / 25)
    (problem,) = flight.losses.problems
    assert (problem.kind, problem.advice) == ("no_timestamps", "give --frame-rate")
    assert read_all(path, frame_rate=50.0)[1][-1] == pytest.approx(19 / 50)


@pytest.mark.parametrize("count", [3, 8, 9])
def test_intervals_long_and_short_in_turn(tmp_path: Path, count: int) -> None:
    """Of two intervals in turn the median lies between, near neither; the account is in numbers all the same."""
    times = np.cumsum([0.0, *(0.02 if n % 2 else 0.06 for n in range(1, count))]).tolist()
    flight, found, _, _ = read_all(write_clip(tmp_path / "a.mp4", count, times=times))
    assert found == pytest.approx(times, abs=1e-3)
    assert flight.losses.frames_lost == 0
    assert 0.02 <= flight.losses.interval_s <= 0.06


def test_a_step_smaller_than_a_saved_time_is_no_step() -> None:
    """Half steps that meet a timestamp but for rounding go on to the next: no two times of a table are the same."""
    clock = Clock(0.04)
    times = [clock.stamp(raw) for raw in (0.0, 0.04, 0.08, 0.02, 0.06, 0.12 + 1e-15, 0.16)]
    # a time is saved to the microsecond
    assert np.diff(np.round(times, 6)).min() > 1e-3
