"""How much noise must be assumed where a codec has smoothed it away together with the detail, or carries it on?

For each candidate, over simulated flights at different rates and codecs: the area under the ROC curve of the measured Rose k as
a detector of tiles whose true k passes 5, and the share of tiles on which measured and true verdict agree; those of single
pictures (MJPEG) apart. Then the same for how much of what is left, but does not change from frame to frame, counts, and for where
the low end of the noise of tiles lies of flights whose codec smears nothing, and all that is assumed.
Run: python -m benchmarks.accuracy DIR --seed 7 once, then python -m docs.decisions.smear_floor DIR
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

import numpy as np

import fieldscore.noise as noise
from benchmarks.accuracy import compare
from benchmarks.flights import write
from fieldscore.measures import readability
from fieldscore.simulate import load_truth

CANDIDATES = (0.0, 0.2, 0.3, 0.35, 0.4, 0.5, 0.8)  # codes of an object's mean
TO_ALL = (0.0, 0.5, 2.0 / 3.0, 0.8, 1.0)  # of the way from what changes between two frames to all that is left
# the first pair: all of it is always assumed
UNSMEARED = ((1.0, 0.9), (-0.01, -0.03), (-0.02, -0.04), (-0.025, -0.045), (-0.03, -0.05), (-0.03, -0.06))


def table(clips: list[Path], module: ModuleType, name: str, values: Sequence[object]) -> None:
    """Print what each value of a constant gives over the clips, and put it back."""
    usual = getattr(module, name)
    for value in values:
        setattr(module, name, value)
        found = [compare(clip, load_truth(clip)) for clip in clips]
        areas = [one.auc for one in found if 0.05 < one.share_true < 0.99]
        agreed = [one.agreement for one in found]
        off = [abs(one.share_measured - one.share_true) for one in found]
        print(
            f"{name} {value} | {min(areas):.3f} {np.median(areas):.3f} | {min(agreed):.2f} {np.mean(agreed):.3f} | "
            f"{np.mean(off):.3f}",
            flush=True,
        )
    setattr(module, name, usual)


def main(directory: Path) -> None:
    warnings.simplefilter("ignore", RuntimeWarning)
    module = sys.modules[readability.function.__module__]
    clips = list(write(directory, 7))
    print("constant | AUC: least, median | tiles agreed: least, mean | readable share off: mean")
    intra = [clip for clip in clips if "mjpeg" in clip.name]
    others = [clip for clip in clips if clip not in intra]
    for some, name in ((intra, "_SMEAR_INTRA"), (others, "_SMEAR_CODES")):
        table(some, module, name, CANDIDATES)
    table(clips, noise, "_TO_ALL", TO_ALL)
    table(clips, module, "UNSMEARED", UNSMEARED)
    print(
        "Sets _SMEAR_CODES = 0.4 and _SMEAR_INTRA = 0.3 in measures/readability.py, and _TO_ALL = 2/3 in noise.py: every clip\n"
        "ranks its tiles at 0.95 or better. On three flights of another simulator, whose tone curve quiets the dark, verdicts\n"
        "agree on 70 to 92 % of the tiles with it, on 46 to 85 % with what changes alone; with all of it starved clips rank\n"
        "worse.\n"
        "UNSMEARED = (-0.02, -0.04): over 58 flights of five simulators verdicts agree on 89.7 % of the tiles instead of 88.7 %,\n"
        "the readable share is off by 0.086 instead of 0.099, and no flight loses more than 0.6 % of its verdicts. With -0.03 and\n"
        "-0.06 one over an analogue link loses 9 %. No smear in each tile costs up to 0.013 of the area, one factor nothing. On\n"
        "11 flights that were not looked at before (two more simulators) verdicts change by -0.7 to +1.2 %."
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
