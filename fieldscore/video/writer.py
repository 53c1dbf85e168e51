"""Writing clips: the way the simulator, the demo and the tests make video files whose planes are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

import av
import numpy as np
import numpy.typing as npt
from av.codec.context import Flags
from av.filter import Graph
from av.video.format import VideoFormat
from av.video.frame import VideoFrame

from fieldscore.video.records import Plane

# libavformat's muxer for each file suffix.
MUXERS = {
    ".mp4": "mp4", ".mov": "mov", ".mkv": "matroska", ".avi": "avi", ".ts": "mpegts",
    ".h264": "h264", ".264": "h264", ".h265": "hevc", ".265": "hevc", ".mjpeg": "mjpeg",
}  # fmt: skip
ENCODERS = {
    "h264": "libx264", "hevc": "libx265", "mjpeg": "mjpeg",
    "mpeg4": "mpeg4", "ffv1": "ffv1", "rawvideo": "rawvideo",
}  # fmt: skip
BYTE_BITS = 8
# Ticks a second for frames that bring their own times. MPEG-4 part 2 stores the tick rate in 16 bits, hence
# 60000 there; 90000 is the clock of transport streams and divides evenly by 24, 25, 30, 50 and 60.
TICKS_PER_S = 90_000
TICKS_PER_S_MPEG4 = 60_000
# Buffer of the rate control in seconds of the mean rate: about what hardware recorders hold to.
RATE_BUFFER_S = 0.5
# One coding tree unit of x265: for smaller pictures its look-ahead writes beyond its memory (seen at 48 x
# 32).
LEAST_HEVC_PIXELS = 64
RANGE_NARROW, RANGE_FULL, RANGE_UNKNOWN = 1, 2, 0  # AVColorRange


@dataclass(frozen=True)
class Encoding:
    """How a clip is encoded.

    `codec`: h264, hevc, mjpeg, mpeg4, ffv1 (lossless) or rawvideo. `crf` counts for h264 and hevc only;
    `bit_rate` (bit/s) wins over it. `quality` is the quantiser 2 (best) to 31 of mjpeg and mpeg4.
    `full_range`: True or False tags the stream, None leaves it untagged (JPEG has no untagged form: None
    means full there, and MPEG-4 part 2 carries the tag only where the container does). `gop`: pictures from
    key frame to key frame. `interlaced`: h264 and mpeg4 (both fields coded in one frame); top field first.
    """

    codec: str = "h264"
    crf: float | None = 23
    bit_rate: int | None = None
    quality: int | None = None
    pixel_format: str = "yuv420p"
    full_range: bool | None = False
    gop: int = 30
    b_frames: int = 0
    interlaced: bool = False
    preset: str = "veryfast"


class ClipWriter:
    """Writes planes of code values to a video file; the container follows from the file suffix.

    The same planes give the same bytes as long as the libraries stay the same: one encoder thread, no dates,
    no version strings. Use it as a context manager, or call `close`; without it the file has no index.
    """

    def __init__(
        self,
        path: Path,
        width: int,
        height: int,
        frame_rate: Fraction | float,
        encoding: Encoding | None = None,
    ) -> None:
        """`width` and `height` in pixels, `frame_rate` in frames a second. ValueError for a format not
        written.
        """
        self.encoding = encoding or Encoding()
        self.width, self.height = width, height
        self.frame_rate = Fraction(frame_rate).limit_denominator(1001)
        self.frames_written = 0
        self._own_times: bool | None = None
        self._last_pts: int | None = None
        if path.suffix.lower() not in MUXERS:
            raise ValueError(f"cannot write '{path.suffix}' files; known are {', '.join(sorted(MUXERS))}")
        if self.encoding.codec not in ENCODERS:
            raise ValueError(f"unknown codec '{self.encoding.codec}'; known are {', '.join(ENCODERS)}")
        if self.encoding.interlaced and self.encoding.codec not in ("h264", "mpeg4"):
            raise ValueError(f"{self.encoding.codec} cannot be written interlaced; use h264 or mpeg4")
        if self.encoding.codec == "hevc" and min(width, height) < LEAST_HEVC_PIXELS:
            raise ValueError(f"hevc is not written below {LEAST_HEVC_PIXELS} pixels, asked for {width} x {height}")
        self._muxer = MUXERS[path.suffix.lower()]
        self._tagger = self._field_tagger() if self.encoding.interlaced else None
        # A file object, not the name: to libavformat a name is a URL, and "12:30.mp4" would be a protocol.
        self._file: IO[bytes] = path.open("wb")
        try:
            self._container = av.open(self._file, "w", format=self._muxer, options={"fflags": "+bitexact"})
            self._stream: Any = self._container.add_stream(ENCODERS[self.encoding.codec], rate=self.frame_rate)
            self._set_up(self._stream.codec_context)
        except Exception:
            self._file.close()
            raise

    def _set_up(self, codec: Any) -> None:
        """Every encoder setting that does not depend on the first frame."""
        encoding = self.encoding
        codec.width, codec.height = self.width, self.height
        codec.pix_fmt = self._coded_format()
        codec.thread_count = 1
        codec.flags |= Flags.bitexact
        codec.gop_size = encoding.gop
        if encoding.full_range is not None:
            codec.color_range = RANGE_FULL if encoding.full_range else RANGE_NARROW
        options: dict[str, str] = {}
        if encoding.codec in ("h264", "hevc", "mpeg4"):
            options["bf"] = str(encoding.b_frames)
        if encoding.codec in ("h264", "hevc"):
            options["preset"] = encoding.preset
            if encoding.bit_rate is None and encoding.crf is not None:
                options["crf"] = str(encoding.crf)
        if encoding.codec == "h264":
            options["sc_threshold"] = "0"  # key frames by count only, as hardware recorders do
            special = []
            if encoding.full_range is False:
                # x264 leaves the narrow tag out unless something else is said in the same header.
                special.append("videoformat=component")
            if encoding.b_frames:
                # Its macroblock tree gives other bytes from run to run with B pictures; hardware has no such
                # thing.
                special.append("mbtree=0")
            options["x264-params"] = ":".join(special)
        if encoding.codec == "hevc":
            options["x265-params"] = "log-level=none:pools=none:frame-threads=1:scenecut=0"
        if encoding.codec == "mjpeg":
            options["strict"] = "unofficial"  # narrow range in JPEG is outside the standard, yet recorded by some
        if encoding.interlaced:
            codec.flags |= Flags.interlaced_dct | Flags.interlaced_me
        if encoding.bit_rate is not None:
            codec.bit_rate = encoding.bit_rate
            options["maxrate"] = str(encoding.bit_rate)
            options["bufsize"] = str(int(encoding.bit_rate * RATE_BUFFER_S))
        elif encoding.quality is not None and encoding.codec in ("mjpeg", "mpeg4"):
            options["qmin"] = options["qmax"] = str(encoding.quality)
        codec.options = options

    def _coded_format(self) -> str:
        """The pixel format handed to the encoder: JPEG names its full-range formats apart."""
        name = self.encoding.pixel_format
        if self.encoding.codec == "mjpeg" and self.encoding.full_range is not False:
            return name.replace("yuv4", "yuvj4")
        return name

    def _field_tagger(self) -> Graph:
        """A filter that marks each frame as two fields, top first: frames made in Python cannot carry the
        mark.
        """
        graph = Graph()
        source = graph.add_buffer(
            width=self.width, height=self.height, format=VideoFormat(self.encoding.pixel_format),
            time_base=Fraction(1, TICKS_PER_S),
        )  # fmt: skip
        graph.link_nodes(source, graph.add("setfield", "tff"), graph.add("buffersink")).configure()
        return graph

    def _time(self, time_s: float | None) -> tuple[int, Fraction]:
        """(timestamp, its unit in seconds) of the next frame."""
        if self._own_times is None:
            self._own_times = time_s is not None and self._muxer != "avi"
            ticks = TICKS_PER_S_MPEG4 if self.encoding.codec == "mpeg4" else TICKS_PER_S
            self._unit = Fraction(1, ticks) if self._own_times else 1 / self.frame_rate
            self._stream.codec_context.time_base = self._unit
            self._stream.time_base = self._unit
        if time_s is None:
            if self._own_times:
                raise ValueError(f"frame {self.frames_written} has no time, but the first one had; give all or none")
            pts = self.frames_written
        else:
            # AVI has no timestamps, only slots of one frame: a time is put into its slot there.
            pts = round(Fraction(time_s).limit_denominator(10**9) / self._unit)
        if self._last_pts is not None and pts <= self._last_pts:
            raise ValueError(f"frame {self.frames_written} at {time_s} s does not come after the one before")
        self._last_pts = pts
        return pts, self._unit

    def write(self, planes: Sequence[Plane], time_s: float | None = None) -> None:
        """Append one picture.

        `planes`: (luma, cb, cr), chroma already subsampled, or (luma,) for grey formats; uint8, or uint16
        holding native code values above 8 bits. `time_s`: its own time in seconds for variable rates (all
        frames or none; AVI rounds it to whole frames). ValueError when shapes do not fit the format.
        """
        frame = self._frame(planes)
        frame.pts, frame.time_base = self._time(time_s)
        if self._tagger is not None:
            self._tagger.push(frame)
            tagged = self._tagger.pull()
            assert isinstance(tagged, VideoFrame)
            tagged.pts, tagged.time_base = frame.pts, frame.time_base
            frame = tagged
        if self.encoding.full_range is not None:
            frame.color_range = RANGE_FULL if self.encoding.full_range else RANGE_NARROW
        self._container.mux(self._stream.encode(frame))
        self.frames_written += 1

    def _frame(self, planes: Sequence[Plane]) -> VideoFrame:
        """A frame of the library filled with `planes`."""
        frame = VideoFrame(self.width, self.height, self._coded_format())
        name = self.encoding.pixel_format
        deep = name.startswith("p0")  # p010, p012, p016: the value sits in the high bits
        shift = 16 - int(name[2:4]) if deep else 0
        merged: list[npt.NDArray[Any]] = list(planes)
        if name.startswith("nv") or deep:
            luma, cb, cr = planes
            merged = [luma, np.stack([cb, cr], axis=-1).reshape(cb.shape[0], -1)]
        if len(merged) != len(frame.planes):
            raise ValueError(f"{name} takes {len(frame.planes)} planes, {len(merged)} were given")
        for number, (target, plane) in enumerate(zip(frame.planes, merged, strict=True)):
            depth = plane.dtype.itemsize
            if depth != (1 if frame.format.components[0].bits <= BYTE_BITS else 2):
                expected = "uint8" if depth == 2 else "uint16"
                raise ValueError(f"{name} holds {expected}, the array given is {plane.dtype}")
            rows = np.frombuffer(memoryview(target), dtype=plane.dtype).reshape(
                target.height, target.line_size // depth
            )
            # Interleaved chroma: the library reports the width of one of the two.
            width = target.width * (2 if number == 1 and len(merged) == 2 else 1)
            if plane.shape != (target.height, width):
                raise ValueError(
                    f"plane {number} of {name} is {target.height} x {width}, "
                    f"the array given is {' x '.join(map(str, plane.shape))}"
                )
            np.left_shift(plane, shift, out=rows[:, :width])
        return frame

    def close(self) -> None:
        """Write what the encoder still holds and the index of the file. A second call does nothing."""
        if self._file.closed:
            return
        try:
            if self.frames_written:
                self._container.mux(self._stream.encode(None))
            self._container.close()
        finally:
            self._file.close()

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close."""
        self.close()
