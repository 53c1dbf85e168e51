"""Writing clips: same planes, same bytes; wrong use is an error."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
from video_material import picture, write_clip

from fieldscore.video import ClipWriter, Encoding, Flight, probe


@pytest.mark.parametrize(
    ("name", "encoding"),
    [
        ("a.mp4", Encoding()),
        ("a.mp4", Encoding(bit_rate=500_000)),
        ("a.mp4", Encoding(b_frames=2)),
        ("a.mov", Encoding(codec="hevc")),
        ("a.avi", Encoding(codec="mjpeg", quality=5)),
        ("a.avi", Encoding(codec="mpeg4", bit_rate=300_000)),
        ("a.ts", Encoding()),
        ("a.mkv", Encoding(codec="ffv1")),
    ],
)
def test_the_same_planes_give_the_same_bytes(tmp_path: Path, name: str, encoding: Encoding) -> None:
    """Several runs write bit-identical files."""
    files = {write_clip(tmp_path / name, 25, encoding, width=160, height=120).read_bytes() for _ in range(4)}
    assert len(files) == 1


def test_rate_and_quality_are_obeyed(tmp_path: Path) -> None:
    """The bit rate is within 25 %, a coarser quantiser gives a smaller file, a lower crf a larger one."""
    noise = np.random.default_rng(0)
    path = tmp_path / "rate.mp4"
    with ClipWriter(path, 96, 64, 25, Encoding(bit_rate=400_000)) as writer:
        for number in range(100):
            luma, cb, cr = picture(number)
            writer.write((np.clip(luma + noise.normal(0, 8, luma.shape), 0, 255).astype(np.uint8), cb, cr))
    assert path.stat().st_size * 8 / 4 == pytest.approx(400_000, rel=0.25)
    sizes = [
        write_clip(tmp_path / f"{n}{suffix}", 10, encoding).stat().st_size
        for n, (suffix, encoding) in enumerate(
            [
                (".avi", Encoding(codec="mjpeg", quality=2)),
                (".avi", Encoding(codec="mjpeg", quality=20)),
                (".mp4", Encoding(crf=10)),
                (".mp4", Encoding(crf=40)),
            ]
        )
    ]
    assert sizes[0] > sizes[1]
    assert sizes[2] > sizes[3]


def test_key_frames_come_as_asked(tmp_path: Path) -> None:
    """A key frame every `gop` pictures and nowhere else, as hardware recorders do."""
    path = write_clip(tmp_path / "a.mp4", 40, Encoding(gop=8))
    with av.open(str(path)) as container:
        keys = [i for i, packet in enumerate(container.demux(video=0)) if packet.size and packet.is_keyframe]
    assert keys == list(range(0, 40, 8))


def test_wrong_use_is_an_error(tmp_path: Path) -> None:
    """Unknown suffix, codec, shapes, planes, times: each says what was given and what was expected."""
    with pytest.raises(ValueError, match=r"cannot write '.gif' files"):
        ClipWriter(tmp_path / "a.gif", 96, 64, 25)
    with pytest.raises(ValueError, match="unknown codec 'vp9'"):
        ClipWriter(tmp_path / "a.mp4", 96, 64, 25, Encoding(codec="vp9"))
    with pytest.raises(ValueError, match="mjpeg cannot be written interlaced"):
        ClipWriter(tmp_path / "a.avi", 96, 64, 25, Encoding(codec="mjpeg", interlaced=True))
    with pytest.raises(ValueError, match="hevc is not written below 64 pixels, asked for 48 x 32"):
        ClipWriter(tmp_path / "a.mp4", 48, 32, 25, Encoding(codec="hevc"))
    with ClipWriter(tmp_path / "a.mp4", 96, 64, 25) as writer:
        luma, cb, cr = picture(0)
        with pytest.raises(ValueError, match="takes 3 planes, 1 were given"):
            writer.write((luma,))
        with pytest.raises(ValueError, match="plane 1 of yuv420p is 32 x 48, the array given is 64 x 96"):
            writer.write((luma, luma, cr))
        writer.write((luma, cb, cr), 0.0)
        with pytest.raises(ValueError, match="has no time"):
            writer.write((luma, cb, cr))
        with pytest.raises(ValueError, match="does not come after"):
            writer.write((luma, cb, cr), 0.0)
        writer.write((luma, cb, cr), 0.5)
    writer.close()
    assert writer.frames_written == 2
    assert sum(1 for _ in Flight([tmp_path / "a.mp4"]).frames()) == 2


def test_depth_of_the_arrays_must_fit(tmp_path: Path) -> None:
    """Ten-bit formats take 16-bit arrays and eight-bit ones 8-bit arrays: anything else is an error, not
    noise.
    """
    with ClipWriter(tmp_path / "a.mkv", 96, 64, 25, Encoding(codec="ffv1", pixel_format="yuv420p10le")) as writer:
        with pytest.raises(ValueError, match="holds uint16, the array given is uint8"):
            writer.write(picture(0))
        writer.write(picture(0, bits=10))
    assert probe(tmp_path / "a.mkv").bits == 10
