"""How far does a true match stand out of chance, and how far that of a foreign route?

Run: python docs/decisions/route_threshold.py DIR SEED   (DIR: simulated flights, made where they are missing)
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from benchmarks.alignment import outcomes
from fieldscore.align import SAME_ROUTE, SAME_ROUTE_WIDTH


def main(directory: Path, seed: int) -> None:
    found: dict[bool, list[float]] = {True: [], False: []}
    for one in outcomes(directory, seed):
        confidence = min(one.found.confidence, 1 - 1e-12)
        strength = SAME_ROUTE + SAME_ROUTE_WIDTH * np.log(confidence / (1 - confidence)) if confidence > 0 else 0.0
        found[one.pair.same].append(float(strength))
        print(f"{one.pair.what:42} {'one route' if one.pair.same else 'foreign':10} {strength:5.2f} spreads")
    print(f"one route: least {min(found[True]):.2f}; foreign: most {max(found[False]):.2f}")
    print(
        f"Sets align.SAME_ROUTE = {SAME_ROUTE:g}: between the two. The strongest foreign pairs are one garden planted anew: lanes,"
        " beds and the bends of the route are the same, only what stands on them is not."
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
