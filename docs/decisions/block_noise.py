"""Which estimator still sees a camera's noise once a codec has been over it?

A textured scene that moves by whole and fractional pixels, with white noise of known sigma, through several codecs; read by
one-picture estimators (Immerkaer, CVIU 64:300, 1996; median deviation of the finest diagonal detail, Donoho and Johnstone),
by pairs of frames as they are, by pairs whose motion is known and taken out (which no tool can do: it shows how much noise
the codec left a pixel), and by this project's block means of registered pairs. Run: python -m docs.decisions.block_noise
"""

from __future__ import annotations

import tempfile
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore import measure_flight
from fieldscore.frame import eight_bit
from fieldscore.video import ClipWriter, Encoding, Flight

FRAMES, WIDTH, HEIGHT = 40, 640, 480
SIGMAS = (0.0, 3.0, 6.0)
METHODS = ("Immerkaer", "diagonal", "pairs/sqrt 2", "motion known", "block means")
VERDICT = """Sets the method of noise.py: block means of registered pairs.
They are nearer the truth than either one-picture estimator in every lossy row, and, in the median, right. Pairs as they
are come nearer in 7 of 10 rows, but cannot be used: they read about 1.5 codes of motion where there is no noise, even
without a codec. Limits: block means read high after MJPEG (2.4 codes where there is no noise)
and 10 to 15 % high after H.264 crf 18; where the codec removed the noise (crf 28; crf 23 at 3 codes) nothing reads it.
Without a codec the one-picture estimators are nearer."""
CODECS = (
    ("lossless", ".mkv", Encoding(codec="ffv1")),
    ("MJPEG q3", ".avi", Encoding(codec="mjpeg", quality=3, full_range=False)),
    ("MPEG-4 q4", ".avi", Encoding(codec="mpeg4", quality=4)),
    ("H.264 crf 18", ".mp4", Encoding(crf=18)),
    ("H.264 crf 23", ".mp4", Encoding(crf=23)),
    ("H.264 crf 28", ".mp4", Encoding(crf=28)),
)


def immerkaer(picture: npt.NDArray[np.uint8]) -> float:
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float64)
    return float(
        np.sqrt(np.pi / 2) / 6 * np.abs(cv2.filter2D(picture.astype(np.float64), -1, kernel)[1:-1, 1:-1]).mean()
    )


def diagonal(picture: npt.NDArray[np.uint8]) -> float:
    p = picture.astype(np.float64)
    detail = (p[::2, ::2] - p[1::2, ::2] - p[::2, 1::2] + p[1::2, 1::2]) / 2
    return float(np.median(np.abs(detail)) / 0.67449)


def scene() -> npt.NDArray[np.float64]:
    generator = np.random.default_rng(1)
    total = np.zeros((HEIGHT, 2 * WIDTH))
    for size in (8, 24, 72):
        coarse = generator.normal(size=(HEIGHT // size + 2, 2 * WIDTH // size + 2))
        total += cv2.resize(coarse, total.shape[::-1], interpolation=cv2.INTER_CUBIC) * size**0.5
    return 70.0 + 12.0 * total / total.std()


def view_of(ground: npt.NDArray[np.float64], number: int) -> npt.NDArray[np.float64]:
    shift = np.array([[1, 0, -2.3 * number], [0, 1, 0]])
    moved = cv2.warpAffine(ground, shift, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC)
    return np.asarray(moved, dtype=np.float64)


def readings(sigma: float, suffix: str, encoding: Encoding) -> tuple[float, ...]:
    """Noise (codes) by each of METHODS in a clip with that much of it."""
    ground, generator = scene(), np.random.default_rng(2)
    views = [view_of(ground, number) for number in range(FRAMES)]
    grey = np.full((HEIGHT // 2, WIDTH // 2), 128, np.uint8)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a{suffix}"
        with ClipWriter(path, WIDTH, HEIGHT, 30, encoding) as writer:
            for view in views:
                luma = view + sigma * generator.standard_normal(view.shape)
                writer.write((np.clip(np.rint(luma), 16, 235).astype(np.uint8), grey, grey))
        planes = [eight_bit(frame.luma, frame.bits).copy() for frame in Flight([path]).frames()]
        percent = float(np.nanmedian(measure_flight([path]).timeline["noise_percent"]))
    if len(planes) != len(views):
        raise RuntimeError(f"{len(planes)} pictures read, {len(views)} written: known motion would not fit")
    errors = [plane - view for plane, view in zip(planes, views, strict=True)]
    return (
        float(np.median([immerkaer(plane) for plane in planes])),
        float(np.median([diagonal(plane) for plane in planes])),
        pair_noise([plane.astype(np.float64) for plane in planes]),
        pair_noise(errors),
        percent * 2.19,
    )


def pair_noise(pictures: list[npt.NDArray[np.float64]]) -> float:
    return float(np.median([np.std(b - a) for a, b in pairwise(pictures)]) / np.sqrt(2))


def main() -> None:
    print("codec        | true | " + " | ".join(METHODS))
    found = {}
    for sigma in SIGMAS:
        for name, suffix, encoding in CODECS:
            found[name, sigma] = readings(sigma, suffix, encoding)
            row = (f"{value:{len(method)}.2f}" for value, method in zip(found[name, sigma], METHODS, strict=True))
            print(f"{name:12} | {sigma:4.1f} | " + " | ".join(row))
    lossy = [(name, sigma) for name, sigma in found if name != "lossless" and sigma > 0]
    truth = np.array([sigma for _, sigma in lossy])[:, None]
    ratio = np.array([found[key] for key in lossy]) / truth
    print("of the truth, median of the lossy rows (least to most):")
    for method, column in zip(METHODS, ratio.T, strict=True):
        print(f"  {method:12} {np.median(column):.2f} ({column.min():.2f} to {column.max():.2f})")
    nearer = np.abs(ratio[:, [4]] - 1) < np.abs(ratio[:, :4] - 1)
    counts = ", ".join(f"{METHODS[i]} in {nearer[:, i].sum()}" for i in range(4))
    print(f"block means are nearer the truth than {counts} of {len(lossy)} lossy rows.")
    print(VERDICT)


if __name__ == "__main__":
    main()
