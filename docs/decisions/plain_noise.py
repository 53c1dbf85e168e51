"""How is noise told in plain tiles, beside rough ones, and under a codec that codes each picture by itself?

Plain tiles say what noise is where there are any; a codec that goes from picture to picture carries a little of it on even where
it has bits enough, which the mean of two pictures shows, but detail of the scene adds to that, toward a sun by half. Rough tiles
read too high where motion is not followed, and most where JPEG codes ground that moves anew in each picture: in copies of two of
these flights without any noise, block means of such ground changed as much as with it, in lossless copies hardly. For each
candidate: how far noise is from what is truly left, by twins of the flights with another noise. Plain up to -10 times leaves
every pool to its low quartiles; rough at 0.12 weighs rough ground as plain ground.
Run: python -m benchmarks.dark DIR --seed N once, then python -m docs.decisions.plain_noise DIR N [DIR N ...]
"""

from __future__ import annotations

import sys
import warnings
from collections import deque
from pathlib import Path

import numpy as np

from benchmarks.dark_flights import write_dark
from benchmarks.twins import noise_left
from fieldscore import measure_flight, noise
from fieldscore import noise_left as pools
from fieldscore.video import Flight

SET = {
    "RECENT": 8,
    "_PLAIN_TILE": 3.0,
    "_PLAIN_OF_FIELDS": 2.0,
    "_ROUGH": 0.6,
    "_ROUGH_INTRA": 2.0,
    "_CARRIED": 0.1,
    "_MOST_KEPT": 0.7,
    "_DRIFT": 0.22,
}
OTHERS = {
    "RECENT": (4, 12),
    "_PLAIN_TILE": (-10.0, 2.0, 5.0),
    "_PLAIN_OF_FIELDS": (-10.0, 3.0),
    "_ROUGH": (0.12, 0.3, 1.0),
    "_ROUGH_INTRA": (0.6, 1.2),
    "_CARRIED": (0.0, 0.25),
    "_MOST_KEPT": (0.0, 0.5, 0.8),
    "_DRIFT": (0.15, 0.32, 0.45),
}
_PLAIN_AT_LEAST = pools._PLAIN_AT_LEAST
_SETTLED = 7  # pairs of a flight that are left out: on the ground


class Flown:
    """What pairs of frames said of their tiles on one flight, what was measured of that, and what is true."""

    def __init__(self, clip: Path, twin: Path) -> None:
        """Measure it."""
        self.tiles: list[pools.Doubles] = []
        self.fields = False

        def kept(tiles: pools.Doubles, *, fields: bool) -> pools.PairPools:
            self.tiles.append(tiles)
            self.fields = fields
            return pools.pair_pools(tiles, fields=fields)

        noise.pair_pools = kept
        try:
            record = measure_flight([clip])
        finally:
            noise.pair_pools = pools.pair_pools
        self.intra = Flight([clip]).clips[0].intra
        self.true, self.measured = noise_left(clip, twin, record)
        self.usual = self.noise(int(SET["RECENT"]))

    def noise(self, recent: int) -> float:
        """Noise in codes of a block mean under the constants as they are: the median over the pairs."""
        last: deque[pools.PairPools] = deque(maxlen=recent)
        farther: deque[float] = deque(maxlen=noise._FAR_MEMORY)
        found = []
        for tiles in self.tiles:
            pair = pools.pair_pools(tiles, fields=self.fields)
            if np.isfinite(pair.plainer).any():
                last.append(pair)
                if np.isfinite(more := pools.farther_apart(pair)):
                    farther.append(more)
                carried = pools.carried_on(float(np.mean(farther))) if farther else None
                curve = pools.left_curve(list(last), carried=carried, intra=self.intra)
                found.append(np.median(curve.codes_at(tiles[0])))
        return float(np.median(found[_SETTLED:]))

    def error(self, recent: int) -> float:
        """By how much more than the truth it is then."""
        return self.measured * self.noise(recent) / self.usual / self.true - 1.0


def tried(flights: list[Flown], name: str, value: float) -> None:
    """Print how far the flights are off with one constant at a value."""
    constants = {**SET, name: value}
    recent = int(constants.pop("RECENT"))
    for constant, one in constants.items():
        setattr(pools, constant, one)
    pools._PLAIN_AT_LEAST = _PLAIN_AT_LEAST if pools._PLAIN_TILE > 0 else -10.0
    error = np.array([flight.error(recent) for flight in flights])
    print(
        f"{name:>13} {value:6.2f}: rms {np.sqrt(np.mean(np.log1p(error) ** 2)):.3f} in log, least {100 * error.min():+.0f} %, "
        f"most {100 * error.max():+.0f} %, of {len(error)} {np.count_nonzero(np.abs(error) <= 0.15)} within 15 %, "
        f"{np.count_nonzero(np.abs(error) <= 0.10)} within 10 %",
        flush=True,
    )


def main(*sets: str) -> None:
    """Print, for each candidate, the error of the noise over the flights of directories and their seeds."""
    warnings.simplefilter("ignore", RuntimeWarning)
    pairs = [
        pair for place, seed in zip(sets[::2], sets[1::2], strict=True) for pair in write_dark(Path(place), int(seed))
    ]
    flights = [Flown(*pair) for pair in pairs]
    tried(flights, "RECENT", SET["RECENT"])
    for name, values in OTHERS.items():
        for value in values:
            tried(flights, name, value)
    print(
        "Sets RECENT = 8, _PLAIN_TILE = 3, _PLAIN_OF_FIELDS = 2, _ROUGH = 0.6, _ROUGH_INTRA = 2, _MOST_KEPT = 0.7,\n"
        "_CARRIED = 0.1 and _DRIFT = 0.22 of noise_left.py: on 24 flights of the seeds 7 and 31 (2 is no worse there than 3).\n"
        "On 49 clips, most of four other simulators, 42 are within 15 %, 39 with _PLAIN_TILE = 2: cameras with denoisers read\n"
        "8 and 5 % low for 46 and 28; fields 54 % high but for their own limit. _CARRIED hardly counts: frames farther apart are\n"
        "nearly always there."
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
