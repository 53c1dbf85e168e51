"""Over how many measurements is noise pooled, and which tiles are so plain that their median stands for the pool?

For each candidate (measurements pooled, times the pool's variance that a plain tile's structure may be, share of noise carried
on from which on plain ground no longer bounds rough ground): how far the noise measured is from what is truly left, from twins
of the flights with another noise. Plain up to -10 times leaves every pool to its low quartile.
Run: python -m benchmarks.dark DIR --seed 7 once, then python -m docs.decisions.plain_noise DIR
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import numpy as np

from benchmarks.dark import noise_left
from benchmarks.dark_flights import write_dark
from fieldscore import measure_flight, noise

CANDIDATES = ((1, -10.0, 1.3), (8, -10.0, 1.15), (8, 5.0, 1.3), (8, 5.0, 1.15))


def main(directory: Path) -> None:
    """Print, for each candidate, the error of the noise over the flights of a directory."""
    warnings.simplefilter("ignore", RuntimeWarning)
    flights = list(write_dark(directory, 7))
    for recent, plain, carried in CANDIDATES:
        noise._RECENT, noise._PLAIN_TILE, noise._CARRIED = recent, plain, carried
        pairs = [noise_left(clip, twin, measure_flight([clip])) for clip, twin in flights]
        true, measured = np.array(pairs).T
        error = measured / true - 1.0
        print(
            f"{recent} measurements, plain to {plain:3.0f} times, carried from {carried:4.2f}: rms "
            f"{np.sqrt(np.mean(np.log1p(error) ** 2)):.3f} in log, least {100 * error.min():+.0f} %, most "
            f"{100 * error.max():+.0f} %, {np.count_nonzero(np.abs(error) <= 0.15)} of {len(error)} within 15 %",
            flush=True,
        )
    print("Sets _RECENT = 8, _PLAIN_TILE = 5 and _CARRIED = 1.15.")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
