"""The rivals of the speed table: the same kinds of measures written the obvious way, and a filter library's luma statistics.

The plain script is what one writes in an afternoon: OpenCV's capture, grey pictures, a histogram a tile, a Laplacian,
block means, phase correlation and a search for bright blobs. It measures less than `fieldscore score`: no overlay or
border, no floor and ceiling, no parallax, no exposure trace, no descriptor.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

ROWS, COLUMNS = 12, 16


def plain(path: Path) -> list[tuple[float, ...]]:
    """Measure a clip the obvious way; a row a frame."""
    capture = cv2.VideoCapture(str(path))
    before, rows = None, []
    while True:
        there, picture = capture.read()
        if not there:
            return rows
        grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
        lab = cv2.cvtColor(picture, cv2.COLOR_BGR2LAB)
        histogram = cv2.calcHist([grey], [0], None, [256], [0, 256]).ravel() / grey.size
        percentiles = np.percentile(grey, (1, 5, 50, 95, 99))
        detail = float(cv2.Laplacian(grey, cv2.CV_64F).std())
        readable = 0
        height, width = grey.shape
        for row in range(ROWS):
            for column in range(COLUMNS):
                tile = grey[
                    row * height // ROWS : (row + 1) * height // ROWS,
                    column * width // COLUMNS : (column + 1) * width // COLUMNS,
                ]
                counts = cv2.calcHist([np.ascontiguousarray(tile)], [0], None, [256], [0, 256]).ravel()
                clipped, crushed = counts[253:].sum() / tile.size, counts[:3].sum() / tile.size
                readable += bool(clipped < 0.2 and crushed < 0.2 and tile.std() > 2.0)  # noqa: PLR2004
        blocks = cv2.resize(grey.astype(np.float32), (80, 60), interpolation=cv2.INTER_AREA)
        shift, noise = (0.0, 0.0), float("nan")
        if before is not None:
            shift, _ = cv2.phaseCorrelate(before, blocks)
            noise = float(np.median(np.abs(blocks - before))) * 8.0 / 0.954
        _, bright = cv2.threshold(grey, 250, 255, cv2.THRESH_BINARY)
        lamps = cv2.connectedComponents(bright)[0] - 1
        cast = [float(lab[..., number].mean()) for number in (1, 2)]
        rows.append(
            (float(histogram @ np.arange(256)), *percentiles, float(histogram[253:].sum()), float(histogram[:3].sum()),
             detail, float(readable), *shift, noise, float(lamps), *cast)
        )  # fmt: skip
        before = blocks


def statistics(path: Path) -> None:
    """Luma statistics of libavfilter through ffmpeg, printed to nowhere: mean, extremes and deciles of the whole picture."""
    subprocess.run(
        [
            "ffmpeg",
            "-v",
            "error",
            "-threads",
            "2",
            "-i",
            str(path),
            "-vf",
            "signalstats,metadata=print:file=-",
            "-f",
            "null",
            "-",
        ],
        stdout=subprocess.DEVNULL,
        check=True,
    )


def has_statistics() -> bool:
    """Say whether there is an ffmpeg to run."""
    return shutil.which("ffmpeg") is not None


def child_cost(work: Callable[[], object]) -> tuple[float, float]:
    """CPU (of this process and its children) and wall seconds of a piece of work."""
    wall = time.perf_counter()
    start = _cpu()
    work()
    return _cpu() - start, time.perf_counter() - wall


def _cpu() -> float:
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime
