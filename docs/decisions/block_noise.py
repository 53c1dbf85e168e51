"""Which estimator still sees a camera's noise once a codec has been over it?

A textured scene that moves by whole and fractional pixels, with white noise of known sigma, through several codecs; read by
one-picture estimators (Immerkaer, CVIU 64:300, 1996; median deviation of the finest diagonal detail, Donoho and Johnstone),
by pairs of frames, and by this project's block means of registered pairs. Run: python -m docs.decisions.block_noise
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore import measure_flight
from fieldscore.frame import eight_bit
from fieldscore.video import ClipWriter, Encoding, Flight

FRAMES, WIDTH, HEIGHT = 40, 640, 480
SIGMAS = (3.0, 6.0)
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


def main() -> None:
    ground = scene()
    print("codec        | true | Immerkaer | diagonal | pairs/sqrt 2 | block means")
    for sigma in SIGMAS:
        for name, suffix, encoding in CODECS:
            generator = np.random.default_rng(2)
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / f"a{suffix}"
                with ClipWriter(path, WIDTH, HEIGHT, 30, encoding) as writer:
                    grey = np.full((HEIGHT // 2, WIDTH // 2), 128, np.uint8)
                    for number in range(FRAMES):
                        shift = np.array([[1, 0, -2.3 * number], [0, 1, 0]])
                        view = cv2.warpAffine(ground, shift, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC)
                        luma = view + sigma * generator.standard_normal(view.shape)
                        writer.write((np.clip(np.rint(luma), 16, 235).astype(np.uint8), grey, grey))
                planes = [eight_bit(frame.luma, frame.bits).copy() for frame in Flight([path]).frames()]
                found = float(np.nanmedian(measure_flight([path]).timeline["noise_percent"])) * 2.19
            pairs = np.median(
                [np.std(b.astype(float) - a) for a, b in zip(planes, planes[1:], strict=False)]
            ) / np.sqrt(2)
            print(
                f"{name:12} | {sigma:4.1f} | {np.median([immerkaer(p) for p in planes]):9.2f} | "
                f"{np.median([diagonal(p) for p in planes]):8.2f} | {pairs:12.2f} | {found:11.2f}"
            )
    print(
        "Sets the method of noise.py: block means of registered pairs. Where a codec left anything to read (lossless, MPEG-4,"
    )
    print(
        "H.264 crf 18, at crf 23 the stronger noise) they are nearest; MJPEG reads a third high; at crf 28 nothing reads it."
    )


if __name__ == "__main__":
    main()
