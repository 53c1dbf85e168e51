"""Opening files that may be anything: regular files only, no second file, no network, no runaway sizes.

libavformat takes a name for a URL and follows what playlists say. So it never sees a name here: it gets a
file object, a short list of recording formats, no protocols, and a refusal for every further open.
"""

from __future__ import annotations

import io
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import av.error
from av.codec.context import Flags
from av.container import InputContainer
from av.video.codeccontext import VideoCodecContext
from av.video.stream import VideoStream

from fieldscore.errors import ClipError
from fieldscore.workers import alive

# Formats that recorders write. Everything else (playlists, stills, text, subtitles) is refused by libavformat
# itself.
FORMATS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,h264,hevc,mjpeg,flv,asf"
RAW_FORMATS = ("h264", "hevc", "mjpeg")
# 8192 x 4352 pixels: room for 8K; more is a damaged header or an attack on memory.
MAX_PIXELS = 8192 * 4352
# Bytes and microseconds that libavformat may read to find the streams.
PROBE_BYTES = 5_000_000
PROBE_US = 10_000_000
# The same for transport streams whose video goes on under another number later in the file.
PROBE_BYTES_ALL = 1 << 30
PROBE_US_ALL = 10**9
# Where a file is opened once more, for packets or single key pictures alone: its header says the rest. Without a look
# at coded pictures, an opening costs 2 ms of 27 (H.264, 1080 lines).
PROBE_BYTES_AGAIN = 1 << 12
KNOWN_BY_HEADER = ("mov", "matroska")  # containers that state sizes, times and the decoder's set-up
OPEN_TIMEOUT_S = 30
BUFFER_BYTES = 1 << 16
MAX_STREAMS = 64
ALIVE_BYTES = 1 << 22  # of new territory in a file before it counts as progress
# libavutil's EINVAL for a seek to a negative place; an exception would print a traceback from inside the
# library.
SEEK_REFUSED = -22
NO_RECORDING = "not a video recording, or its header is damaged"
ATTACHED_PICTURE = 0x400  # AV_DISPOSITION_ATTACHED_PIC: cover art, not a recording
AV_MAJOR = int(av.__version__.split(".", maxsplit=1)[0])
NAMELESS_METADATA_MAJOR = 19  # from here on av.open decodes metadata by itself and knows no metadata_errors


class SafeFile:
    """A regular file for libavformat: reads and seeks that never raise.

    `error` keeps the first read error (then the file looks as if it ended there). `state` at opening and
    `changed` afterwards tell whether another program writes to the file.
    """

    def __init__(self, path: Path) -> None:
        """Open `path`; ClipError when it is missing, empty or not a regular file."""
        try:
            found = os.stat(path)
        except OSError as error:
            raise ClipError(path, _os_reason(error)) from error
        except ValueError as error:  # a zero byte in the name
            raise ClipError(path, "not a possible file name") from error
        if stat.S_ISDIR(found.st_mode):
            raise ClipError(path, "is a folder, not a clip")
        if not stat.S_ISREG(found.st_mode):
            raise ClipError(path, "not a regular file", "copy the recording to disk first")
        if found.st_size == 0:
            raise ClipError(path, "the file is empty (0 bytes)")
        flags = os.O_RDONLY
        for name in ("O_CLOEXEC", "O_NONBLOCK", "O_BINARY"):
            flags |= getattr(os, name, 0)
        try:
            self._file = io.FileIO(os.open(path, flags), "rb")
        except OSError as error:
            raise ClipError(path, _os_reason(error)) from error
        self.state = os.fstat(self._file.fileno())
        if not os.path.samestat(self.state, found):
            self._file.close()
            raise ClipError(path, "was replaced while it was being opened", "try again")
        self.size = self.state.st_size
        self.error: OSError | None = None
        self._reached = 0  # bytes; what lies before has been read already

    def read(self, count: int = -1) -> bytes:
        """Up to `count` bytes, b"" at the end and after an error."""
        try:
            data = self._file.read(count) or b""
            if self._file.tell() - self._reached >= ALIVE_BYTES:
                self._reached = self._file.tell()
                alive()
            return data
        except OSError as error:
            self.error = self.error or error
            return b""

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Go to `offset`; the new place in bytes, or a negative number when that is impossible."""
        try:
            return self._file.seek(offset, whence)
        except (OSError, ValueError):
            return SEEK_REFUSED

    def tell(self) -> int:
        """Place in bytes."""
        return self._file.tell()

    def seekable(self) -> bool:
        """Always True: only regular files come here."""
        return True

    def readable(self) -> bool:
        """Always True."""
        return True

    def changed(self) -> bool:
        """Whether size or time of the last change differ from those at opening."""
        now = os.fstat(self._file.fileno())
        return (now.st_size, now.st_mtime_ns) != (self.state.st_size, self.state.st_mtime_ns)

    def close(self) -> None:
        """Close the file; libavformat's own close does not."""
        self._file.close()


@dataclass
class Opened:
    """An open container with its video stream(s). `streams` has several entries only for a stream that
    changes its number in mid-file; the first one is the picture to measure.
    """

    path: Path
    file: SafeFile
    container: InputContainer
    streams: tuple[VideoStream, ...]
    video_streams: int
    owns_file: bool = True

    @property
    def stream(self) -> VideoStream:
        """The video stream to read."""
        return self.streams[0]

    @property
    def codec(self) -> VideoCodecContext:
        """Its decoder."""
        return self.streams[0].codec_context

    @property
    def format(self) -> str:
        """libavformat's short name, the first of several."""
        return self.container.format.name.split(",")[0]

    @property
    def raw(self) -> bool:
        """Whether the file is a bare stream without timestamps."""
        return self.format in RAW_FORMATS

    def close(self) -> None:
        """Free everything."""
        self.container.close()
        if self.owns_file:
            self.file.close()

    def __enter__(self) -> Opened:
        """Itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close."""
        self.close()


def refuse_open(*_: object) -> Any:
    """Called by libavformat for every file beyond the first: there is none."""
    raise PermissionError("a clip may not open another file")


def open_clip(
    path: Path, *, every_stream: bool = False, by_header: bool = False, file: SafeFile | None = None
) -> Opened:
    """Open a clip for reading.

    `every_stream`: look through the whole file for video streams (transport streams that change in mid-file).
    `by_header`: go by the container's header alone, of those `KNOWN_BY_HEADER`: enough for packets and for single key
    pictures, not for decoding pictures in their order, of which the library finds out by decoding some.
    `file`: an open file to read `path` from once more; it stays open when the container is closed.
    ClipError, in one line, when the file is not a readable recording.
    """
    own = file is None
    file = file or SafeFile(path)
    probing = {"max_pixels": str(MAX_PIXELS), "threads": "1", **({"skip_frame": "all"} if by_header else {})}
    size = PROBE_BYTES_ALL if every_stream else PROBE_BYTES_AGAIN if by_header else PROBE_BYTES
    keywords: dict[str, Any] = {} if AV_MAJOR >= NAMELESS_METADATA_MAJOR else {"metadata_errors": "replace"}
    try:
        container = av.open(
            file,
            "r",
            io_open=refuse_open,
            timeout=(OPEN_TIMEOUT_S, OPEN_TIMEOUT_S),
            buffer_size=BUFFER_BYTES,
            options=probing,
            container_options={
                "format_whitelist": FORMATS,
                "protocol_whitelist": "",
                "enable_drefs": "0",
                "max_streams": str(MAX_STREAMS),
                "probesize": str(size),
                "analyzeduration": str(PROBE_US_ALL if every_stream else PROBE_US),
                **({"scan_all_pmts": "1"} if every_stream else {}),
            },
            **keywords,
        )
    except (av.error.FFmpegError, OSError, ValueError, MemoryError) as error:
        if own:
            file.close()
        raise ClipError(path, _open_reason(error)) from error
    try:
        streams, number = _video_streams(path, container, every_stream)
        opened = Opened(path, file, container, streams, number, own)
        _check(opened)
    except BaseException:
        container.close()
        if own:
            file.close()
        raise
    return opened


def _video_streams(path: Path, container: InputContainer, every_stream: bool) -> tuple[tuple[VideoStream, ...], int]:
    """The stream to measure (and its continuations), and how many video streams there are."""
    found = [s for s in container.streams.video if not int(s.disposition) & ATTACHED_PICTURE]
    if not found:
        raise ClipError(path, "no video stream in this file")
    best = container.streams.best("video")
    chosen = best if isinstance(best, VideoStream) and best in found else found[0]
    if chosen.codec_context is None:
        usable = [s for s in found if s.codec_context is not None]
        if not usable:
            raise ClipError(path, "no decoder for its video stream", "convert it to H.264 or MJPEG")
        chosen = usable[0]
    if not every_stream:
        return (chosen,), len(found)
    rest = [s for s in found if s is not chosen and s.codec_context is not None]
    return (chosen, *(s for s in rest if s.codec_context.name == chosen.codec_context.name)), len(found)


def _check(opened: Opened) -> None:
    """Refuse sizes that no recorder makes, before anything is decoded."""
    codec = opened.codec
    if codec.width * codec.height > MAX_PIXELS and opened.format != "avi":
        # An AVI header may lie while the pictures themselves are small; there the decoder's own limit
        # decides.
        raise too_large(opened)


def too_large(opened: Opened) -> ClipError:
    """The refusal of a size that no recorder makes."""
    size = f"{opened.codec.width} x {opened.codec.height}"
    return ClipError(
        opened.path, f"says its pictures are {size}, larger than any recorder makes", "its header is damaged"
    )


def set_up_decoder(codec: VideoCodecContext, *, threads: int, explode: bool) -> None:
    """Decoder options; `av.open` hands its own to a probing decoder that is thrown away.

    `explode`: turn every error the decoder notices into an exception instead of concealing it.
    """
    checks = "crccheck+bitstream+buffer" + ("+explode" if explode else "")
    codec.options = {"max_pixels": str(MAX_PIXELS), "err_detect": checks}
    codec.thread_count = threads
    codec.thread_type = "FRAME" if threads > 1 else "NONE"
    # Output of damaged pictures: without it pictures before the first key frame vanish and cannot be counted.
    codec.flags |= Flags.output_corrupt
    if threads == 1:
        codec.flags |= Flags.copy_opaque


def _os_reason(error: OSError) -> str:
    """A system error in plain words."""
    known = {FileNotFoundError: "no such file", PermissionError: "no permission to read it"}
    return known.get(type(error), f"cannot be opened ({error.strerror or error})")


def _open_reason(error: BaseException) -> str:
    """A refusal of libavformat in plain words; its own text may hold bytes of the file."""
    if isinstance(error, MemoryError):
        return "its headers ask for more memory than a clip can need"
    if isinstance(error, av.error.TimeoutError):
        return f"could not be opened within {OPEN_TIMEOUT_S} s"
    return NO_RECORDING
