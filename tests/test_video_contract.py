"""One contract for every codec, container, depth and pixel format that the reader takes."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from av.filter import Graph
from flight_material import write_flight
from video_material import HEIGHT, RATE, WIDTH, kinds, picture, read_all, write_clip

from fieldscore.analyse import measure_flight, plan_flight
from fieldscore.video import ClipWriter, Encoding, Flight, probe

# name, encoding, bits, chroma subsampling, whether the codec keeps every code value
CASES = [
    ("plain.mp4", Encoding(), 8, (2, 2), False),
    ("reordered.mp4", Encoding(b_frames=2), 8, (2, 2), False),
    ("plain.mov", Encoding(codec="hevc"), 8, (2, 2), False),
    ("jpeg.avi", Encoding(codec="mjpeg", quality=2), 8, (2, 2), False),
    ("jpeg422.avi", Encoding(codec="mjpeg", quality=2, pixel_format="yuv422p"), 8, (2, 1), False),
    ("mpeg4.avi", Encoding(codec="mpeg4", quality=2), 8, (2, 2), False),
    ("mpeg4b.avi", Encoding(codec="mpeg4", quality=2, b_frames=2), 8, (2, 2), False),
    ("plain.ts", Encoding(b_frames=2), 8, (2, 2), False),
    ("plain.mkv", Encoding(), 8, (2, 2), False),
    ("lossless.mkv", Encoding(codec="ffv1"), 8, (2, 2), True),
    ("lossless444.mkv", Encoding(codec="ffv1", pixel_format="yuv444p"), 8, (1, 1), True),
    ("lossless10.mkv", Encoding(codec="ffv1", pixel_format="yuv420p10le"), 10, (2, 2), True),
    ("lossless12.mkv", Encoding(codec="ffv1", pixel_format="yuv422p12le"), 12, (2, 1), True),
    ("grey.mkv", Encoding(codec="ffv1", pixel_format="gray"), 8, None, True),
    ("grey10.mkv", Encoding(codec="ffv1", pixel_format="gray10le"), 10, None, True),
    ("raw.avi", Encoding(codec="rawvideo"), 8, (2, 2), True),
    ("raw_nv12.avi", Encoding(codec="rawvideo", pixel_format="nv12"), 8, (2, 2), True),
    ("ten.mp4", Encoding(codec="hevc", pixel_format="yuv420p10le", crf=12), 10, (2, 2), False),
    ("twelve.mp4", Encoding(codec="hevc", pixel_format="yuv422p12le", crf=12), 12, (2, 1), False),
    ("ten.mkv", Encoding(pixel_format="yuv422p10le", crf=12), 10, (2, 1), False),
    ("bare.h264", Encoding(), 8, (2, 2), False),
    ("bare.h265", Encoding(codec="hevc"), 8, (2, 2), False),
    ("bare.mjpeg", Encoding(codec="mjpeg", quality=2), 8, (2, 2), False),
]
BARE = (".h264", ".h265", ".mjpeg")
COUNT = 34


def _write(path: Path, encoding: Encoding, bits: int, subsampling: tuple[int, int] | None) -> None:
    with ClipWriter(path, WIDTH, HEIGHT, RATE, encoding) as writer:
        for i in range(COUNT):
            writer.write(picture(i, bits=bits, subsampling=subsampling))


@pytest.mark.parametrize(("name", "encoding", "bits", "subsampling", "exact"), CASES, ids=[c[0] for c in CASES])
def test_every_picture_comes_back(
    tmp_path: Path,
    name: str,
    encoding: Encoding,
    bits: int,
    subsampling: tuple[int, int] | None,
    exact: bool,
) -> None:
    """Count, times, size, depth, range tag, luma and chroma of a whole clip come back; nothing is lost."""
    path = tmp_path / name
    _write(path, encoding, bits, subsampling)
    flight = Flight([path], frame_rate=RATE if path.suffix in BARE else None)
    info = flight.clips[0]
    assert (info.width, info.height, info.bits) == (WIDTH, HEIGHT, bits)
    # Matroska counts in ms: a median of 34 intervals of 40 ms is exact all the same.
    assert info.frame_rate == pytest.approx(RATE, rel=1e-6)
    untagged = encoding.codec in ("mpeg4", "rawvideo")
    assert info.range_tag == (None if untagged else "narrow")
    number = 0
    for number, frame in enumerate(flight.frames(), 1):
        truth = picture(number - 1, bits=bits, subsampling=subsampling)
        assert frame.time_s == pytest.approx((number - 1) / RATE, abs=1e-6)
        assert not frame.damaged
        assert frame.bits == bits
        assert frame.luma.dtype == (np.uint8 if bits == 8 else np.uint16)
        assert not frame.luma.flags.writeable
        got = [frame.luma, *(frame.chroma or ())]
        assert len(got) == len(truth)
        for plane, known in zip(got, truth, strict=True):
            assert plane.shape == known.shape
            if exact:
                np.testing.assert_array_equal(plane, known)
            else:
                # Lossy: 2 codes (of 8 bits) in the mean leave no room for a shifted, scaled or mixed-up
                # plane.
                off = np.abs(plane.astype(float) - known).mean() / (1 << (bits - 8))
                assert off < 2.0
    assert number == COUNT
    losses = flight.losses
    assert (losses.frames_read, losses.frames_lost, losses.frames_damaged) == (COUNT, 0, 0), losses.problems
    assert losses.lost_s == 0.0
    assert losses.interval_s == pytest.approx(1 / RATE, rel=1e-6)
    assert kinds(flight) <= {"no_timestamps"}


@pytest.mark.parametrize("full", [True, False, None])
@pytest.mark.parametrize("name", ["a.mp4", "a.mkv"])
def test_range_tags_survive(tmp_path: Path, name: str, full: bool | None) -> None:
    """Full, narrow and no range tag are told apart."""
    path = write_clip(tmp_path / name, 3, Encoding(full_range=full))
    assert probe(path).range_tag == {True: "full", False: "narrow", None: None}[full]


@pytest.mark.parametrize(("number", "tag"), [(1, "bt709"), (5, "bt601"), (6, "bt601"), (9, "bt2020"), (2, None)])
def test_matrix_tags_are_read(tmp_path: Path, number: int, tag: str | None) -> None:
    """The numbers of ITU-T H.273 table 4: 1, 5, 6 and 9; 2 says nothing. It reaches what is measured."""
    path = tmp_path / "a.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.codec_context.colorspace = number
        for _ in range(3):
            container.mux(
                stream.encode(av.VideoFrame.from_ndarray(np.full((HEIGHT * 3 // 2, WIDTH), 90, np.uint8), "yuv420p"))
            )
        container.mux(stream.encode())
    assert probe(path).matrix_tag == tag
    assert plan_flight([path]).area().matrix == tag


@pytest.mark.parametrize(
    ("number", "tag"),
    [(1, "bt709"), (4, "gamma22"), (6, "bt709"), (13, "srgb"), (14, "bt709"), (16, "pq"), (18, "hlg"), (2, None)],
)
@pytest.mark.parametrize("name", ["a.mp4", "a.mkv"])
def test_transfer_tags_are_read(tmp_path: Path, name: str, number: int, tag: str | None) -> None:
    """The numbers of ITU-T H.273 table 3, 18 being ARIB STD-B67; 2 says nothing. It reaches the facts of what is measured."""
    path = tmp_path / name
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.codec_context.color_trc = number
        for _ in range(3):
            container.mux(
                stream.encode(av.VideoFrame.from_ndarray(np.full((HEIGHT * 3 // 2, WIDTH), 90, np.uint8), "yuv420p"))
            )
        container.mux(stream.encode())
    assert probe(path).transfer_tag == tag
    if name == "a.mp4":
        assert measure_flight([path]).clip.transfer_tag == tag


def test_jpeg_has_the_matrix_of_its_standard(tmp_path: Path) -> None:
    """JFIF (ITU-T T.871 section 7) is BT.601, however many lines."""
    assert probe(write_clip(tmp_path / "a.avi", 3, Encoding(codec="mjpeg"))).matrix_tag == "bt601"


def test_jpeg_is_full_range_unless_it_says_narrow(tmp_path: Path) -> None:
    """JFIF (ITU-T T.871 section 7) is full range; the note for narrow range is honoured."""
    full = write_clip(tmp_path / "full.avi", 3, Encoding(codec="mjpeg", full_range=None))
    narrow = write_clip(tmp_path / "narrow.avi", 3, Encoding(codec="mjpeg", full_range=False))
    assert (probe(full).range_tag, probe(narrow).range_tag) == ("full", "narrow")


def test_luma_statistics_agree_with_an_independent_reader(tmp_path: Path) -> None:
    """Mean, least and greatest luma equal those of libavfilter's signalstats, to its printed precision
    (0.001).
    """
    path = write_clip(tmp_path / "clip.mp4", 12, Encoding(b_frames=2))
    reference = []
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        graph = Graph()
        ends = graph.add_buffer(template=stream), graph.add("signalstats"), graph.add("buffersink")
        graph.link_nodes(*ends).configure()
        for frame in container.decode(stream):
            graph.push(frame)
            tags = graph.pull().metadata
            reference.append([float(tags[f"lavfi.signalstats.Y{key}"]) for key in ("AVG", "MIN", "MAX")])
    _, _, lumas, _ = read_all(path)
    measured = [[float(y.mean()), float(y.min()), float(y.max())] for y in lumas]
    # signalstats truncates the mean to three or more digits.
    np.testing.assert_allclose(measured, reference, atol=2e-3)


@pytest.mark.parametrize("name", ["a.mp4", "a.avi", "a.mkv", "a.ts"])
def test_threads_do_not_change_the_result(tmp_path: Path, name: str) -> None:
    """One thread and several give the same pictures, times and losses."""
    codec = "mjpeg" if name.endswith("avi") else "h264"
    path = write_clip(tmp_path / name, 40, Encoding(codec=codec, b_frames=2 if codec == "h264" else 0))
    one, many = read_all(path, threads=1), read_all(path, threads=3)
    assert one[1] == many[1]
    assert one[0].losses == many[0].losses
    assert all(np.array_equal(a, b) for a, b in zip(one[2], many[2], strict=True))


@pytest.mark.parametrize("rate", [Fraction(30000, 1001), Fraction(60), Fraction(50), Fraction(24000, 1001)])
@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts", "a.avi"])
def test_usual_frame_rates_are_found(tmp_path: Path, rate: Fraction, name: str) -> None:
    """The rate from the timestamps is the rate written, to 0.1 % even with a clock of 1 ms (mkv)."""
    path = write_clip(tmp_path / name, 80, rate=rate)
    info = probe(path)
    assert info.frame_rate == pytest.approx(float(rate), rel=1e-3)
    flight, times, _, _ = read_all(path)
    assert len(times) == 80
    assert flight.losses.frames_lost == 0
    assert kinds(flight) == set()


def test_bare_streams_use_the_rate_given_or_their_own(tmp_path: Path) -> None:
    """A given rate wins, else the stream's header; without either it is 25, with the way out."""
    path = write_clip(tmp_path / "bare.h264", 20, rate=50)
    assert probe(path, frame_rate=30).frame_rate == 30
    assert probe(path).frame_rate == 50
    assert "no_timestamps" in {problem.kind for problem in probe(path).problems}
    jpeg = write_clip(tmp_path / "bare.mjpeg", 5, Encoding(codec="mjpeg"))
    (problem,) = probe(jpeg).problems
    assert (probe(jpeg).frame_rate, problem.advice) == (25.0, "give --frame-rate")


def test_a_given_rate_scales_avi_and_leaves_timestamps_alone(tmp_path: Path) -> None:
    """An AVI's times come from one number in its header, which may be overruled; MP4 timestamps are not."""
    avi = write_clip(tmp_path / "a.avi", 31, Encoding(codec="mjpeg"), rate=30)
    flight, times, _, _ = read_all(avi, frame_rate=25.0)
    assert times[-1] == pytest.approx(30 / 25)
    assert flight.frame_rate == 25
    mp4 = write_clip(tmp_path / "a.mp4", 31, rate=30)
    flight, times, _, _ = read_all(mp4, frame_rate=25.0)
    assert times[-1] == pytest.approx(1.0)
    assert "frame_rate_unused" in kinds(flight)


def test_parts_of_a_flight_by_time(tmp_path: Path) -> None:
    """from_s and to_s hand out exactly the pictures of that stretch, with the times of the whole."""
    path = write_clip(tmp_path / "a.mp4", 250, Encoding(b_frames=2, gop=25))
    flight = Flight([path])
    whole = {round(f.time_s * RATE): f.copy().luma for f in flight.frames()}
    part = [(round(f.time_s * RATE), f.copy().luma) for f in flight.frames(from_s=7.0, to_s=8.0)]
    assert [number for number, _ in part] == list(range(175, 200))
    assert all(np.array_equal(luma, whole[number]) for number, luma in part)
    assert flight.losses.frames_lost == 0


@pytest.mark.parametrize("name", ["a.mp4", "a.avi", "a.ts", "a.h264"])
def test_evidence_pictures_are_the_nearest_ones(tmp_path: Path, name: str) -> None:
    """frames_at gives the picture nearest each time in the order asked for, None beyond the ends."""
    codec = "mjpeg" if name.endswith("avi") else "h264"
    path = write_clip(tmp_path / name, 250, Encoding(codec=codec))
    flight = Flight([path], frame_rate=RATE if name.endswith("h264") else None)
    lumas = [frame.copy().luma for frame in flight.frames()]
    before = flight.losses
    wanted = [9.0, 0.013, 40.0, 5.03]
    found = flight.frames_at(wanted)
    assert found[2] is None
    for frame, number in ((found[0], 225), (found[1], 0), (found[3], 126)):
        assert frame is not None
        assert frame.time_s == pytest.approx(number / RATE)
        np.testing.assert_array_equal(frame.luma, lumas[number])
    assert flight.losses is before


@pytest.mark.parametrize("name", ["a.mp4", "a.avi", "a.mkv", "a.ts", "a.h264", "a.h265", "a.mjpeg"])
def test_a_look_is_spread_over_the_flight(tmp_path: Path, name: str) -> None:
    """look() gives distinct pictures over the whole length, sorted, equal to those of the full pass, and not
    many.
    """
    codec = {".avi": "mjpeg", ".mjpeg": "mjpeg", ".h265": "hevc"}.get(Path(name).suffix, "h264")
    path = write_clip(tmp_path / name, 500, Encoding(codec=codec, gop=12))
    flight = Flight([path], frame_rate=RATE if path.suffix in BARE else None)
    looked = flight.look(16)
    times = [frame.time_s for frame in looked]
    assert 8 <= len(times) <= 16
    assert times == sorted(set(times))
    assert times[0] < 2.0
    assert times[-1] > 17.0
    assert max(np.diff(times)) < 3.5
    lumas = {round(f.time_s * RATE): f.copy().luma for f in flight.frames()}
    assert all(np.array_equal(f.luma, lumas[round(f.time_s * RATE)]) for f in looked)


def test_a_look_at_a_clip_with_one_key_frame(tmp_path: Path) -> None:
    """Where key frames are too few to judge by, pictures between them are taken."""
    path = write_clip(tmp_path / "a.mp4", 100, Encoding(gop=1000))
    times = [frame.time_s for frame in Flight([path]).look(8)]
    assert len(times) == 8
    assert times[-1] > 3.0


def test_two_flights_read_side_by_side(tmp_path: Path) -> None:
    """Reading two clips in turn, one on each way through, changes neither."""
    first = write_clip(tmp_path / "a.avi", 40, Encoding(codec="mpeg4", b_frames=2, quality=3))
    second = write_clip(tmp_path / "b.mp4", 40, Encoding(b_frames=2))
    alone = [[frame.copy().luma for frame in Flight([path]).frames()] for path in (first, second)]
    one, two = Flight([first]), Flight([second])
    for a, b, known_a, known_b in zip(one.frames(), two.frames(), *alone, strict=True):
        np.testing.assert_array_equal(a.luma, known_a)
        np.testing.assert_array_equal(b.luma, known_b)
    assert (one.losses.frames_lost, two.losses.frames_lost) == (0, 0)


def test_frames_keep_no_more_than_they_need(tmp_path: Path) -> None:
    """A kept picture stays whole while others are decoded: no buffer is used again under it."""
    path = write_clip(tmp_path / "a.mkv", 12, Encoding(codec="ffv1"))
    kept = list(Flight([path]).frames())
    for number, frame in enumerate(kept):
        np.testing.assert_array_equal(frame.luma, picture(number)[0])


def test_a_look_at_every_picture_has_as_many_as_asked_for(tmp_path: Path) -> None:
    """A short clip with two key frames is decoded as a whole for a look, and gives twelve pictures spread over it; an unreadable
    one none.
    """
    path = write_flight(tmp_path / "short.mp4", 60)
    flight = Flight([path])
    for at_least in (0, 12):
        times = [frame.time_s for frame in flight.look(12, at_least=at_least)]
        assert len(times) == 12
        assert times == sorted(times)
        assert times[-1] > 1.5
    path.write_bytes(b"")
    assert flight.look(12, at_least=12) == []
