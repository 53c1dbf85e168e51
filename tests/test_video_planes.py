"""From the library's pictures to code values: formats, orientation, fields."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
from av.video.frame import VideoFrame
from video_material import HEIGHT, RATE, WIDTH, picture, write_clip

from fieldscore.video import ClipWriter, Encoding, Flight, probe
from fieldscore.video.planes import Orientation, UnknownFormatError, depth, samples


def _filled(name: str, width: int, height: int, planes: list[np.ndarray]) -> VideoFrame:
    frame = VideoFrame(width, height, name)
    for target, plane in zip(frame.planes, planes, strict=True):
        rows = np.frombuffer(memoryview(target), dtype=plane.dtype)
        rows = rows.reshape(-1, target.line_size // plane.dtype.itemsize)
        rows[: plane.shape[0], : plane.shape[1]] = plane
    return frame


def test_p010_is_shifted_down() -> None:
    """p010 keeps its ten bits at the top of 16 and pairs Cb and Cr."""
    luma, cb, cr = picture(3, bits=10)
    pairs = np.stack([cb, cr], axis=-1).reshape(cb.shape[0], -1)
    got = samples(_filled("p010le", WIDTH, HEIGHT, [luma << 6, pairs << 6]))
    assert got.bits == 10
    assert got.chroma is not None
    for plane, known in zip((got.luma, *got.chroma), (luma, cb, cr), strict=True):
        np.testing.assert_array_equal(plane, known)


def test_packed_pixels_are_taken_apart() -> None:
    """YUYV and its relatives keep luma and chroma in one row; they come out exact, in any byte order."""
    luma, cb, cr = picture(3, subsampling=(2, 1))
    for name, order in (("yuyv422", "ybyr"), ("uyvy422", "byry"), ("yvyu422", "yryb")):
        packed = np.zeros((HEIGHT, 2 * WIDTH), dtype=np.uint8)
        packed[:, order.index("y") :: 2] = luma
        packed[:, order.index("b") :: 4] = cb
        packed[:, order.index("r") :: 4] = cr
        frame = VideoFrame(WIDTH, HEIGHT, name)
        rows = np.frombuffer(memoryview(frame.planes[0]), dtype=np.uint8).reshape(HEIGHT, -1)
        rows[:, : 2 * WIDTH] = packed
        got = samples(frame)
        assert got.chroma is not None
        for plane, known in zip((got.luma, *got.chroma), (luma, cb, cr), strict=True):
            np.testing.assert_array_equal(plane, known)


def test_big_endian_and_deep_grey() -> None:
    """16-bit samples of either byte order are cut to 12 bits."""
    values = (np.arange(HEIGHT * WIDTH, dtype=np.uint32) * 11 % 65536).astype(np.uint16).reshape(HEIGHT, WIDTH)
    for name, order in (("gray16le", "<u2"), ("gray16be", ">u2")):
        got = samples(_filled(name, WIDTH, HEIGHT, [values.astype(order)]))
        assert (got.bits, got.chroma, got.luma.dtype) == (12, None, np.uint16)
        np.testing.assert_array_equal(got.luma, values >> 4)


@pytest.mark.parametrize("name", ["rgb24", "bgr24", "gbrp", "bgra"])
def test_rgb_becomes_luma_of_bt601(name: str) -> None:
    """RGB gives full-range Y = 0.299 R + 0.587 G + 0.114 B (ITU-R BT.601-7 section 2.5.1), to 1 code."""
    rng = np.random.default_rng(0)
    rgb = rng.integers(0, 256, (HEIGHT, WIDTH, 3), dtype=np.uint8)
    frame = VideoFrame.from_ndarray(rgb, format="rgb24")
    frame = frame if name == "rgb24" else frame.reformat(format=name)
    got = samples(frame)
    r, g, b = (rgb[..., i].astype(float) for i in range(3))
    luma = 0.299 * r + 0.587 * g + 0.114 * b
    np.testing.assert_allclose(got.luma, luma, atol=1.01)
    assert got.chroma is not None
    np.testing.assert_allclose(got.chroma[0], 128 + 0.564 * (b - luma), atol=1.6)
    np.testing.assert_allclose(got.chroma[1], 128 + 0.713 * (r - luma), atol=1.6)


@pytest.mark.parametrize("name", ["monob", "grayf32le", "gbrpf32le", "rgb48le", "bayer_rggb8", "rgb565le"])
def test_formats_without_exact_codes_are_refused(name: str) -> None:
    """Float, 1-bit, Bayer and odd RGB formats raise instead of giving something near."""
    with pytest.raises(UnknownFormatError, match=name):
        depth(VideoFrame(WIDTH, HEIGHT, name))


def test_odd_sizes_keep_every_pixel(tmp_path: Path) -> None:
    """An odd width and height keep their last column, row and chroma sample."""
    path = tmp_path / "a.mkv"
    with ClipWriter(path, 33, 17, RATE, Encoding(codec="ffv1")) as writer:
        writer.write(picture(0, width=33, height=17))
    frame = next(Flight([path]).frames())
    assert frame.chroma is not None
    for plane, known in zip((frame.luma, *frame.chroma), picture(0, width=33, height=17), strict=True):
        np.testing.assert_array_equal(plane, known)


ALL_TURNS = [Orientation(s, c, r) for s in (False, True) for c in (False, True) for r in (False, True)]


@pytest.mark.parametrize("turn", ALL_TURNS)
def test_orientation_says_what_it_does(turn: Orientation) -> None:
    """Mirroring left-right if `mirrored`, then turning `rotation_deg` clockwise, is what apply() does."""
    plane = np.arange(12, dtype=np.uint8).reshape(3, 4)
    expected = plane[:, ::-1] if turn.mirrored else plane
    expected = np.rot90(expected, -turn.rotation_deg // 90)
    got = turn.apply(plane)
    np.testing.assert_array_equal(got, expected)
    assert got.flags.c_contiguous


def _rotated(tmp_path: Path, degrees: float, *, hflip: bool = False) -> Path:
    """A clip whose container asks for a turn (counterclockwise) and a mirror."""
    source = write_clip(tmp_path / "plain.mp4", 6)
    path = tmp_path / "turned.mp4"
    with av.open(str(source)) as reading, av.open(str(path), "w") as writing:
        stream = writing.add_stream_from_template(reading.streams.video[0])
        stream.set_display_rotation(degrees, hflip=hflip)
        for packet in reading.demux():
            if packet.dts is not None:
                packet.stream = stream
                writing.mux(packet)
    return path


@pytest.mark.parametrize(("degrees", "clockwise"), [(0, 0), (90, 270), (180, 180), (270, 90)])
def test_rotation_is_applied(tmp_path: Path, degrees: int, clockwise: int) -> None:
    """A phone held upright: the planes come as shown, sizes swapped with them, in the first look too."""
    path = _rotated(tmp_path, degrees)
    flight = Flight([path])
    info = flight.clips[0]
    assert (info.rotation_deg, info.mirrored) == (clockwise, False)
    stored = next(Flight([tmp_path / "plain.mp4"]).frames())
    expected = np.rot90(stored.luma, degrees // 90)
    frame = next(flight.frames())
    np.testing.assert_array_equal(frame.luma, expected)
    assert frame.luma.shape == (info.height, info.width)
    assert frame.chroma is not None
    assert stored.chroma is not None
    np.testing.assert_array_equal(frame.chroma[0], np.rot90(stored.chroma[0], degrees // 90))
    np.testing.assert_array_equal(flight.look()[0].luma, expected)


def test_a_mirror_is_applied(tmp_path: Path) -> None:
    """A front camera's mirror: left and right are exchanged, the clip is not turned upside down."""
    path = _rotated(tmp_path, 0, hflip=True)
    info = probe(path)
    assert (info.rotation_deg, info.mirrored) == (0, True)
    stored = next(Flight([tmp_path / "plain.mp4"]).frames()).luma
    np.testing.assert_array_equal(next(Flight([path]).frames()).luma, stored[:, ::-1])


def test_a_slanted_matrix_is_ignored_and_said(tmp_path: Path) -> None:
    """A turn by 30 degrees is no way to hold a camera: the picture stays as stored."""
    info = probe(_rotated(tmp_path, 30))
    assert info.rotation_deg == 0
    assert "bad_orientation" in {problem.kind for problem in info.problems}


@pytest.mark.parametrize("codec", ["h264", "mpeg4"])
def test_fields_are_pictures_of_their_own(tmp_path: Path, codec: str) -> None:
    """Two instants in one frame: fields come apart, in order, half an interval apart, each of its own
    brightness.
    """
    path = tmp_path / ("a.mp4" if codec == "h264" else "a.avi")
    encoding = Encoding(codec=codec, interlaced=True, crf=10, quality=2)
    with ClipWriter(path, WIDTH, HEIGHT, 25, encoding) as writer:
        for number in range(10):
            luma = np.empty((HEIGHT, WIDTH), dtype=np.uint8)
            luma[0::2], luma[1::2] = 60 + 10 * number, 65 + 10 * number
            grey = np.full((HEIGHT // 2, WIDTH // 2), 128, dtype=np.uint8)
            writer.write((luma, grey, grey))
    flight = Flight([path])
    assert flight.clips[0].interlaced_flag
    assert flight.clips[0].field_order == "top"
    fields = [(f.field, f.time_s, float(f.luma.mean()), f.luma.shape) for f in flight.frames(fields="top")]
    assert [f[0] for f in fields] == ["top", "bottom"] * 10
    np.testing.assert_allclose([f[1] for f in fields], np.arange(20) * 0.02, atol=1e-6)
    np.testing.assert_allclose([f[2] for f in fields], 60 + 5.0 * np.arange(20), atol=1.5)
    assert {f[3] for f in fields} == {(HEIGHT // 2, WIDTH)}
    swapped = [(f.field, float(f.luma.mean())) for f in flight.frames(fields="bottom")]
    assert [name for name, _ in swapped[:2]] == ["bottom", "top"]
    assert swapped[0][1] == pytest.approx(65, abs=1.5)
    assert flight.losses.frames_read == 10
    frame = next(flight.frames(fields="top"))
    assert frame.chroma is not None
    assert frame.chroma[0].shape == (HEIGHT // 4, WIDTH // 2)


def test_progressive_clips_are_not_called_interlaced(tmp_path: Path) -> None:
    """No field order is made up for a progressive clip."""
    info = probe(write_clip(tmp_path / "a.mp4", 5))
    assert (info.interlaced_flag, info.field_order) == (False, None)
    with pytest.raises(ValueError, match="expected 'top', 'bottom' or None"):
        next(Flight([tmp_path / "a.mp4"]).frames(fields="upper"))
