"""Which least noise must be assumed where a codec has smoothed the noise away together with the detail?

For each candidate: the area under the ROC curve of the measured Rose k as a detector of tiles whose true k passes 5,
and the share of tiles on which measured and true verdict agree, over simulated flights at different rates and codecs.
Run: python -m benchmarks.accuracy DIR --seed 7 once, then python -m docs.decisions.smear_floor DIR
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import numpy as np

from benchmarks.accuracy import compare
from benchmarks.flights import write
from fieldscore.measures import readability
from fieldscore.simulate import load_truth

CANDIDATES = (0.0, 0.12, 0.3, 0.4, 0.5, 0.8)  # codes of an object's mean


def main(directory: Path) -> None:
    warnings.simplefilter("ignore", RuntimeWarning)
    module = sys.modules[readability.function.__module__]
    clips = list(write(directory, 7))
    print("codes | AUC: least, median | tiles agreed: least, median")
    for candidate in CANDIDATES:
        module._SMEAR_CODES = candidate  # type: ignore[attr-defined]
        rows = [compare(clip, load_truth(clip)) for clip in clips]
        areas = [row.auc for row in rows if 0.05 < row.share_true < 0.99]
        agreed = [row.agreement for row in rows]
        print(
            f"{candidate:5.2f} | {min(areas):.3f} {np.median(areas):.3f} | {min(agreed):.2f} {np.median(agreed):.2f}",
            flush=True,
        )
    print(
        "Sets _SMEAR_CODES = 0.5 in measures/readability.py: the value at which every clip ranks its tiles at 0.95 or"
    )
    print("better; with more the verdict itself gets worse where the codec had bits enough.")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
