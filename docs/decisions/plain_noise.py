"""Over how many measurements is noise pooled, which tiles are plain, and how are pools weighed against each other?

For each candidate (measurements pooled, times the pool's variance that a plain tile's structure may be, how far off in log of sigma
rough ground may be that reads too high): how far the noise measured is from what is truly left, from twins of the flights with
another noise. Plain up to -10 times leaves every pool to its low quartiles; 0.12 weighs rough ground as plain ground.
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
from fieldscore import noise_left as pools

CANDIDATES = (
    (4, 2.0, 0.6),
    (8, 2.0, 0.6),
    (12, 2.0, 0.6),
    (8, -10.0, 0.6),
    (8, 5.0, 0.6),
    (8, 2.0, 0.12),
    (8, 2.0, 1.0),
)


def main(directory: Path) -> None:
    """Print, for each candidate, the error of the noise over the flights of a directory."""
    warnings.simplefilter("ignore", RuntimeWarning)
    flights = list(write_dark(directory, 7))
    for recent, plain, rough in CANDIDATES:
        noise.RECENT, pools._PLAIN_TILE, pools._ROUGH = recent, plain, rough
        pools._PLAIN_AT_LEAST = 0.2 if plain > 0 else -10.0
        pairs = [noise_left(clip, twin, measure_flight([clip])) for clip, twin in flights]
        true, measured = np.array(pairs).T
        error = measured / true - 1.0
        print(
            f"{recent} measurements, plain to {plain:3.0f} times, rough {rough:4.2f}: rms "
            f"{np.sqrt(np.mean(np.log1p(error) ** 2)):.3f} in log, least {100 * error.min():+.0f} %, most "
            f"{100 * error.max():+.0f} %, {np.count_nonzero(np.abs(error) <= 0.15)} of {len(error)} within 15 %",
            flush=True,
        )
    print("Sets RECENT = 8, _PLAIN_TILE = 2 and _ROUGH = 0.6 of noise_left.py.")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
