"""Opening anything: hostile names, things that are no clips, playlists, sizes that no recorder makes."""

from __future__ import annotations

import os
import socket
import struct
import threading
from pathlib import Path

import av
import numpy as np
import pytest
from video_material import read_all, write_clip

from fieldscore.errors import ClipError
from fieldscore.video import Encoding, Flight, probe
from fieldscore.video.opening import SEEK_REFUSED, SafeFile

NAMES = [
    "12:30:05.mp4",
    "-x.mp4",
    "new\nline.mp4",
    "http:127.0.0.1.mp4",
    "concat:a.ts|b.ts.mp4",
    "pipe:0.mp4",
    "data:video,x.mp4",
    "file:x.mp4",
    "subfile,,start,0,end,0,,:x.mp4",
    "clip%03d.mp4",
    "*[a-z]?.mp4",
    "\x1b[2J red.mp4",
    "evil\u202e4pm.mp4",
    "no suffix",
    " .mp4",
    "L" * 240 + ".mp4",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_only_a_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Names that look like options, addresses, patterns or commands are read as plain files, relative ones
    too.
    """
    source = write_clip(tmp_path / "source.mp4", 5)
    (tmp_path / "in").mkdir()
    monkeypatch.chdir(tmp_path / "in")
    source.rename(Path(name))
    assert len(read_all(Path(name))[1]) == 5


def test_a_name_that_is_not_utf8(tmp_path: Path) -> None:
    """Old cards carry names in other alphabets; their bytes are kept."""
    path = tmp_path / os.fsdecode(b"caf\xe9_\xff.mp4")
    try:
        path.write_bytes(write_clip(tmp_path / "a.mp4", 5).read_bytes())
    except OSError:
        pytest.skip("this file system takes only UTF-8 names")
    assert len(read_all(path)[1]) == 5


def _refused(path: Path, match: str) -> None:
    """Refused by probe and by Flight, in one line that names the file."""
    for attempt in (lambda: probe(path), lambda: Flight([path])):
        with pytest.raises(ClipError, match=match) as caught:
            attempt()
        text = str(caught.value)
        assert text.startswith(f"{path.name}: ")
        assert len(text.splitlines()) == 1
        assert len(text) <= 200


def test_what_is_no_file_is_refused_at_once(tmp_path: Path) -> None:
    """Folders, missing and empty files, FIFOs (whose opening would wait for ever), devices, sockets, link
    loops.
    """
    (tmp_path / "folder.mp4").mkdir()
    _refused(tmp_path / "folder.mp4", "is a folder")
    _refused(tmp_path / "missing.mp4", "no such file")
    (tmp_path / "empty.mp4").touch()
    _refused(tmp_path / "empty.mp4", "empty")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.mp4")
        _refused(tmp_path / "pipe.mp4", "not a regular file")
        (tmp_path / "zero.mp4").symlink_to("/dev/zero")
        _refused(tmp_path / "zero.mp4", "not a regular file")
        (tmp_path / "loop.mp4").symlink_to("loop.mp4")
        _refused(tmp_path / "loop.mp4", "cannot be opened")
    with pytest.raises(ClipError, match="not a possible file name"):
        probe(Path("a\0b.mp4"))


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"dear diary\n" * 40, "text file or playlist"),
        (b"<html><body>404</body></html>\n" * 9, "text file or playlist"),
        (bytes(65536), "only zeros"),
        (bytes(range(256)) * 256, "not a video recording"),
        (b"PK\x03\x04" + b"\x14\0\0\0\x08\0" * 900, "an archive, not a recording; unpack it first"),
        (b"RIFF\x24\1\0\0WAVEfmt " + bytes(range(1, 200)) * 9, "a sound file"),
        (
            b"\xff\xd8\xff\xe0\0\x10JFIF\0\1\1\0\0\1\0\1\0\0" + bytes(range(1, 200)) * 9,
            "a still picture",
        ),
        (struct.pack(">I4s4sI4s", 20, b"ftyp", b"isom", 0, b"isom"), "not a video recording"),
    ],
)
@pytest.mark.parametrize("suffix", [".mp4", ".ts"])
def test_what_is_no_video_is_refused(tmp_path: Path, content: bytes, reason: str, suffix: str) -> None:
    """Text, zeros, archives, stills and noise under the name of a clip: one line with the reason."""
    path = tmp_path / f"not{suffix}"
    path.write_bytes(content)
    _refused(path, reason)


PLAYLISTS = {
    "hls": "#EXTM3U\n#EXT-X-VERSION:3\n#EXT-X-TARGETDURATION:5\n#EXTINF:4.0,\n{target}\n#EXT-X-ENDLIST\n",
    "ffconcat": "ffconcat version 1.0\nfile '{target}'\n",
    "sdp": "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=video 19556 RTP/AVP 96\n"
    "a=rtpmap:96 H264/90000\n",
    "dash": '<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011" type="static"><Period>'
    '<AdaptationSet><Representation id="1" bandwidth="1"><BaseURL>{target}</BaseURL></Representation>'
    "</AdaptationSet></Period></MPD>",
}


@pytest.mark.parametrize("suffix", [".mp4", ".m3u8", ".ts", ".ffconcat", ".sdp", ".mpd"])
@pytest.mark.parametrize("kind", sorted(PLAYLISTS))
def test_playlists_are_refused_and_open_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, suffix: str
) -> None:
    """A playlist is no recording: no file it names is opened and no connection is made."""
    secret = write_clip(tmp_path / "secret.ts", 5)
    opened: list[str] = []
    real_open, here = os.open, threading.get_ident()

    def watched(path: str | os.PathLike[str], *args: int, **keywords: int) -> int:
        if threading.get_ident() == here:
            opened.append(os.path.basename(os.fspath(path)))
        return real_open(path, *args, **keywords)

    def no_socket(*_: object, **__: object) -> None:
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(os, "open", watched)
    monkeypatch.setattr(socket, "socket", no_socket)
    for target in (secret.name, f"file://{secret}", "http://127.0.0.1:9/x.ts"):
        path = tmp_path / f"list{suffix}"
        path.write_text(PLAYLISTS[kind].format(target=target))
        access = secret.stat().st_atime_ns
        with pytest.raises(ClipError, match="text file or playlist"):
            probe(path)
        assert secret.stat().st_atime_ns == access
    assert set(opened) <= {f"list{suffix}"}


def test_a_stream_hidden_behind_a_playlist_is_refused_by_the_library(tmp_path: Path) -> None:
    """Not only by its text: a playlist with bytes that are no text is refused too."""
    write_clip(tmp_path / "secret.ts", 5)
    path = tmp_path / "list.m3u8"
    path.write_bytes(b"#EXTM3U\n#\x80\x81\n#EXT-X-TARGETDURATION:5\n#EXTINF:4.0,\nsecret.ts\n#EXT-X-ENDLIST\n")
    _refused(path, "not a video recording")


def test_an_index_of_millions_of_pictures_is_refused_unread(tmp_path: Path) -> None:
    """An index that claims more pictures than the file has bytes never reaches the library, which would set
    memory aside for each of them.
    """
    path = write_clip(tmp_path / "a.mp4", 5)
    data = bytearray(path.read_bytes())
    at = data.find(b"stsz")
    data[at + 8 : at + 16] = struct.pack(">II", 1, 268_435_455)
    path.write_bytes(data)
    _refused(path, "claims 268435455 pictures")


def test_a_video_without_decoder_and_a_file_without_video(tmp_path: Path) -> None:
    """An unknown codec, and a file with sound only, are named as such."""
    path = write_clip(tmp_path / "a.avi", 5, Encoding(codec="mjpeg"))
    path.write_bytes(path.read_bytes().replace(b"MJPG", b"QQZZ").replace(b"mjpg", b"qqzz"))
    _refused(path, "no decoder")
    sound = tmp_path / "sound.mp4"
    with av.open(str(sound), "w") as container:
        stream = container.add_stream("aac", rate=44100, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), dtype=np.float32), format="fltp", layout="mono")
        frame.sample_rate = 44100
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    _refused(sound, "no video stream")


def test_metadata_in_any_alphabet_does_no_harm(tmp_path: Path) -> None:
    """Tags that are not UTF-8 (old firmware) do not stop a clip from being read."""
    path = tmp_path / "a.mp4"
    write_clip(tmp_path / "b.mp4", 5)
    with av.open(str(tmp_path / "b.mp4")) as source, av.open(str(path), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        target.metadata["title"] = "TITLETAG"
        for packet in source.demux():
            if packet.dts is not None:
                packet.stream = stream
                target.mux(packet)
    data = path.read_bytes()
    assert b"TITLETAG" in data
    path.write_bytes(data.replace(b"TITLETAG", b"\xe9\xff\xfe\x80LTAG"))
    assert len(read_all(path)[1]) == 5


def test_reading_never_raises_into_the_library(tmp_path: Path) -> None:
    """Impossible seeks give a refusal number, a failing disk looks like an end and is remembered."""
    path = write_clip(tmp_path / "a.mp4", 5)
    file = SafeFile(path)
    assert file.seek(-5) == SEEK_REFUSED
    assert file.seek(10) == 10
    assert len(file.read(4)) == 4
    assert file.tell() == 14
    assert not file.changed()

    class Broken:
        def read(self, _: int) -> bytes:
            raise OSError(5, "Input/output error")

    file.close()
    file._file = Broken()  # type: ignore[assignment]
    assert file.read(4) == b""
    assert file.error is not None


def test_a_failing_card_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A read error in mid-file ends the pictures and is said."""
    path = write_clip(tmp_path / "a.ts", 200, Encoding(bit_rate=3_000_000))
    flight = Flight([path])
    real = SafeFile.read

    def failing(self: SafeFile, count: int = -1) -> bytes:
        if self.tell() > self.size // 2:
            self.error = OSError(5, "Input/output error")
            return b""
        return real(self, count)

    monkeypatch.setattr(SafeFile, "read", failing)
    count = sum(1 for _ in flight.frames())
    assert 50 < count < 150
    assert "read_error" in {problem.kind for problem in flight.losses.problems}
