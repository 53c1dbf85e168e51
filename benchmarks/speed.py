"""Cost of scoring as a ratio to decoding alone, on clips of its own making: python -m benchmarks.speed DIR [--rounds N] [--write].

Decoding alone is PyAV with one frame thread a core, the fastest of its ways here, and measuring runs in the same
process right after it, round by round, so that a busy machine harms both alike. CPU is user and system time of all
threads. `--write` puts the tables into docs/performance.md between its markers.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import av
import cv2
import numpy as np
import numpy.typing as npt

from benchmarks.pages import put
from benchmarks.plain import child_cost, has_statistics, plain, statistics
from fieldscore import measure_flight
from fieldscore.run import quiet_libraries
from fieldscore.video import ClipWriter, Encoding

PAGE = "performance.md"
CLIPS = (
    (
        "mjpeg-480p30.avi",
        640,
        480,
        30,
        40,
        Encoding(codec="mjpeg", quality=2, pixel_format="yuvj422p", full_range=True),
    ),
    ("h264-720p60.mp4", 1280, 720, 60, 20, Encoding(codec="h264", crf=None, bit_rate=17_000_000, gop=60)),
    ("h264-1080p60.mp4", 1920, 1080, 60, 20, Encoding(codec="h264", crf=None, bit_rate=25_000_000, gop=60)),
    (
        "hevc-1080p60.mp4",
        1920,
        1080,
        60,
        20,
        Encoding(codec="hevc", crf=None, bit_rate=25_000_000, gop=60, preset="ultrafast"),
    ),
)
LONG = Encoding(codec="mjpeg", quality=4, pixel_format="yuvj422p", full_range=True)  # an hour of it is 1.4 GB
LENGTHS_S = (60, 600, 3600)  # of the 480-line MJPEG clips that show what length does
PICTURES = 60  # different pictures in a clip, played to and fro


def pictures(width: int, height: int) -> list[tuple[npt.NDArray[np.uint8], ...]]:
    """Luma and chroma (4:2:0) of a textured ground under a sky, flown over, with grain and text."""
    generator = np.random.default_rng(1)
    small = generator.normal(size=(height // 4, width // 2)).astype(np.float32)
    ground = (
        cv2.resize(cv2.GaussianBlur(small, (0, 0), 2.0), (width * 2, height * 2), interpolation=cv2.INTER_CUBIC) * 160
        + 90
    )
    found = []
    for number in range(PICTURES):
        luma = ground[4 * number : 4 * number + height, 6 * number : 6 * number + width].copy()
        luma[: height // 3] = np.linspace(150, 60, height // 3)[:, None]
        luma += generator.normal(0, 2.5, luma.shape)
        coded = np.clip(np.round(luma), 16, 235).astype(np.uint8)
        cv2.putText(coded, f"{number:04d}", (width // 20, height // 10), cv2.FONT_HERSHEY_SIMPLEX, height / 480, 235, 2)
        grey = np.full((height // 2, width // 2), 124, np.uint8)
        found.append((coded, grey, 255 - grey))
    return found


def write_clip(path: Path, width: int, height: int, rate: int, seconds: float, encoding: Encoding) -> Path:
    """Write a clip unless it is there."""
    if path.exists():
        return path
    shown = pictures(width, height)
    if "422" in encoding.pixel_format:
        shown = [(luma, np.repeat(cb, 2, axis=0), np.repeat(cr, 2, axis=0)) for luma, cb, cr in shown]
    order = [*range(PICTURES), *range(PICTURES - 2, 0, -1)]
    with ClipWriter(path, width, height, rate, encoding) as writer:
        for number in range(int(rate * seconds)):
            writer.write(shown[order[number % len(order)]])
    return path


def decode(path: Path) -> int:
    """Decode every picture and drop it; gives how many."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.codec_context.thread_type = "FRAME"
        stream.codec_context.thread_count = min(os.cpu_count() or 1, 16)
        return sum(1 for _ in container.decode(stream))


def measured(work: Callable[[], object]) -> tuple[float, float]:
    """CPU and wall seconds of a piece of work."""
    cpu, wall = time.process_time(), time.perf_counter()
    work()
    return time.process_time() - cpu, time.perf_counter() - wall


def cost(path: Path, seconds: float, rounds: int) -> str:
    """One row of the table: medians over the rounds, CPU ratios with the spread of ours; the rivals run once a round, too."""
    frames = decode(path)
    measure_flight([path])
    rivals: dict[str, Callable[[], object]] = {"plain": lambda: plain(path)}
    if has_statistics():
        rivals["statistics"] = lambda: statistics(path)
    ratios, walls, decoding, scoring = [], [], [], []
    others: dict[str, list[float]] = {name: [] for name in rivals}
    for _ in range(rounds):
        one = measured(lambda: decode(path))
        two = measured(lambda: measure_flight([path]))
        ratios.append(two[0] / one[0])
        walls.append(two[1] / one[1])
        decoding.append(1000 * one[0] / frames)
        scoring.append(frames / two[1])
        for name, work in rivals.items():
            others[name].append(child_cost(work)[0] / one[0])
    spread = f"**{np.median(ratios):.2f}** ({min(ratios):.2f} to {max(ratios):.2f})"
    times = f"{np.median(walls):.2f} | {np.median(scoring):.0f}"
    rest = " | ".join(f"{np.median(others[name]):.1f}" if name in others else "–" for name in ("plain", "statistics"))
    bit_rate = path.stat().st_size * 8e-6 / seconds
    return f"| {path.name} | {bit_rate:.1f} | {frames} | {np.median(decoding):.2f} ms | {spread} | {times} | {rest} |"


def whole_run(path: Path) -> tuple[float, float]:
    """Peak resident memory of `fieldscore score` on a clip in MB, and its CPU seconds."""
    script = (
        "import resource, subprocess, sys\n"
        "subprocess.run([sys.executable, '-m', 'fieldscore', 'score', sys.argv[1], '-o', sys.argv[2], '--quiet'], check=True)\n"
        "used = resource.getrusage(resource.RUSAGE_CHILDREN)\n"
        "print(used.ru_maxrss / 1024, used.ru_utime + used.ru_stime)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(path), str(path.parent / "results")],
        capture_output=True,
        text=True,
        check=True,
    )
    memory, cpu = (float(word) for word in done.stdout.split())
    return memory, cpu


def main() -> None:
    """Make the clips, time them, print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    options.directory.mkdir(parents=True, exist_ok=True)
    quiet_libraries()
    versions = (
        f"Python {platform.python_version()}, PyAV {av.__version__}, OpenCV {cv2.__version__}, NumPy {np.__version__}"
    )
    lines = [
        f"{os.cpu_count()} cores, {platform.machine()}, {versions}; medians of {options.rounds} rounds.",
        "",
        "| clip | Mbit/s | frames | decoding, CPU a frame | scoring / decoding, CPU | wall | frames a second "
        "| plain script, CPU | luma statistics, CPU |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for name, *shape, encoding in CLIPS:
        lines.append(cost(write_clip(options.directory / name, *shape, encoding), shape[-1], options.rounds))
        print(lines[-1], flush=True)
    lines += ["", "| length | peak memory | CPU a frame |", "|---|---|---|"]
    for seconds in LENGTHS_S:
        path = write_clip(options.directory / f"mjpeg-480p30-{seconds}s.avi", 640, 480, 30, seconds, LONG)
        memory, cpu = whole_run(path)
        lines.append(f"| {seconds // 60} min | {memory:.0f} MB | {1000 * cpu / (30 * seconds):.2f} ms |")
        print(lines[-1], flush=True)
    if options.write:
        put(PAGE, "\n".join(lines))


if __name__ == "__main__":
    main()
