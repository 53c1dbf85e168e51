"""Is the noise that is told better at the gain of its own moment, and how much must a flight say of that?

python docs/decisions/noise_told.py DIR, where DIR holds flights and their twins (NAME-twin), as `python -m benchmarks.dark DIR`
leaves them. Each flight is measured once, and its noise is told with each spread. Prints, against the noise really left: the ratio
of medians over the flight, the rms of log2 of the ratio over its pictures, and the share of these within 15 %.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.twins import SETTLED_S, noise_over_time
from fieldscore import measure_flight, readable_rows

SPREADS = (1e-6, 0.1, 0.2, 0.3, 0.5)  # the first: no flight says anything, and noise is told as it was measured


def main() -> None:
    """Print the table."""
    factors: list[Any] = []
    told = readable_rows.ReadableRows.told

    def every_spread(self: readable_rows.ReadableRows, *arguments: Any) -> Any:
        factors.clear()
        for readable_rows.TOLD_SPREAD in SPREADS:
            factors.append(told(self, *arguments))
        return np.ones(len(factors[0]))

    readable_rows.ReadableRows.told = every_spread  # type: ignore[method-assign]
    print("| flight | " + " | ".join(f"{spread:g}" for spread in SPREADS) + " |")
    for twin in sorted(one for one in Path(sys.argv[1]).glob("*-twin.*") if one.suffix in (".mp4", ".avi")):
        clip = twin.with_name(twin.name.replace("-twin", ""))
        timeline = measure_flight([clip]).timeline
        times, left = noise_over_time(clip, twin)
        judged = (times > SETTLED_S) & np.isfinite(left)
        cells = []
        for factor in factors:
            noise = timeline["noise_percent"] * factor
            known = np.isfinite(noise)
            found = np.interp(times[judged], timeline.time_s[known], noise[known])
            off = np.log2(found / left[judged])
            ratio = np.median(found) / np.median(left[judged])
            near = 100.0 * np.mean(np.abs(off) < np.log2(1.15))
            cells.append(f"{ratio:.3f}, {np.sqrt(np.mean(off**2)):.3f}, {near:.0f} %")
        print(f"| {clip.stem} | " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()

# Sets TOLD_SPREAD in fieldscore/readable_rows.py. Of thirteen flights of seed 0 and three of another simulator, as measured and
# with 0.3: one at night in HLG 1.128, 0.352, 37 % and 1.033, 0.258, 54 %; a tunnel whose noise follows the gain 0.685, 1.205, 1 %
# and 0.697, 0.767, 5 %; analogue-night 47 and 73 %, hunting 76 and 80 %, lifted-rain 78 and 81 %, black-set-down 37 and 41 %. None
# loses more than 2 points (a tunnel whose codec is short of bits, 23 and 21 %, its rms less), and six stay as they are. With 0.5 it
# is much the same, with 0.1 half of it is gained.
# The noise that readability rests on (averaged over 10 s, 0.7 stop for a stop unless a flight says otherwise) is no such figure:
# where a codec leaves as much at any gain the ratio of medians goes from 0.92 to 0.75 (low-rate), 0.91 to 0.83 (knee-hevc) and, in
# that tunnel, from 0.78 to 0.47. Nor is what was measured taken to the gain of the moment by 0.7: 65 to 38 % (low-rate), 71 to 51 %
# (knee-hevc), 89 to 71 % (fast-60).
