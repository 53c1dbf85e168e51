"""By what law does light spread about clipped sources, and is it worth fitting?

python docs/decisions/glow.py DIR, where DIR holds flights written by `python -m benchmarks.dark DIR --seed 7`.
Prints, for each law, the rms error of the exposure trace within stretches of 5 s (median and mean flight, flights within
0.15 stop) and the median and mean error of lamp pull-downs.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchmarks.dark import measured_exposure
from fieldscore import exposure_trace, glow

Law = Callable[[int, int, float], glow.Floats]


def law(power: float, core: float) -> Law:
    """Glow that falls with the distance to that power, outside a core of that radius in picture heights."""

    def kernel(rows: int, columns: int, aspect: float) -> glow.Floats:
        y, x = (np.arange(rows) + 0.5) / rows, (np.arange(columns) + 0.5) * aspect / columns
        down, right = (np.subtract.outer(one, one) for one in (y, x))
        square = np.square(down)[:, None, :, None] + np.square(right)[None, :, None, :] + core**2
        radius = np.linspace(0.0, 1.0, 1000)
        whole = np.trapezoid(2.0 * np.pi * radius * (radius**2 + core**2) ** (-power / 2.0), radius)
        share = aspect / (rows * columns) / whole * square ** (-power / 2.0)
        return np.asarray(share, dtype=np.float32).reshape(rows * columns, rows * columns)

    kept: dict[tuple[int, int, float], glow.Floats] = {}

    def cached(*shape: int | float) -> glow.Floats:
        if shape not in kept:
            kept[shape] = kernel(*shape)  # type: ignore[index, arg-type]
        return kept[shape]  # type: ignore[index]

    return cached


WAYS: tuple[tuple[str, Law | None, float], ...] = (
    ("no glow", None, 0.0),
    ("1 / angle, core 1/12", law(1.0, 1.0 / 12.0), 15.0),
    ("1 / angle^2, core 1/24", law(2.0, 1.0 / 24.0), 15.0),
    ("1 / angle^2, core 1/12", law(2.0, 1.0 / 12.0), 15.0),
    ("the same, veil held as firmly as ever", law(2.0, 1.0 / 12.0), 0.0),
    ("the same, veil 3 x glow", law(2.0, 1.0 / 12.0), 3.0),
    ("the same, veil 7 x glow", law(2.0, 1.0 / 12.0), 7.0),
    ("1 / angle^2, core 1/6", law(2.0, 1.0 / 6.0), 15.0),
    ("1 / angle^3, core 1/12", law(3.0, 1.0 / 12.0), 15.0),
)


def main() -> None:
    """Print the table."""
    warnings.simplefilter("ignore", RuntimeWarning)
    clips = sorted(
        one for one in Path(sys.argv[1]).glob("*.*") if one.suffix in (".mp4", ".avi") and "-twin" not in one.stem
    )
    spreads = exposure_trace._SPREADS
    for name, kernel, veil in WAYS:
        exposure_trace.VEIL_OF_GLOW = veil
        exposure_trace._SPREADS = (spreads[0], spreads[1] if kernel else 1e-6, *spreads[2:])
        if kernel:
            glow._kernel = kernel  # type: ignore[assignment]
        within, pulls = np.array([measured_exposure(clip) for clip in clips]).T
        print(
            f"{name:37}: within 5 s {np.median(within):.3f} {within.mean():.3f} stop, "
            f"{np.sum(within <= 0.15)} of {len(within)} good; "
            f"pull-down {np.nanmedian(pulls):.3f} {np.nanmean(pulls):.3f} stop",
            flush=True,
        )


if __name__ == "__main__":
    main()

# Sets the glow of glow.py: with it and VEIL_OF_GLOW the mean flight has 0.076 stop within 5 s for 0.095, and pull-downs are off by
# 0.10 stop for 0.15 on average. The published law, 1 / angle squared, is as good as any; so its core, 1/12 of the height (_CORE),
# rests on plausibility, and how much the lens spreads is fitted flight by flight (GLOW_SPREAD in link_fit.py holds it loosely: 0.1
# does as well, 0.05 holds it down). Sets VEIL_OF_GLOW in exposure_trace.py to 15: on five flights toward the sun of other seeds the
# errors within 5 s and of the pull-down fall by a fifth and a quarter against 7 (0.085 to 0.067 and 0.32 to 0.24 stop; at 25 a
# little more), and other flights hardly change.
