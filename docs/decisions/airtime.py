"""How much does the picture of a drone on the ground seem to move, and how much does a slow flight move?

Run: python docs/decisions/airtime.py DIR   (DIR holds simulated flights: python -m benchmarks.accuracy DIR writes them)
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

from fieldscore import Criteria, measure_flight
from fieldscore.events import airtime, link_lost


def main(directory: Path) -> None:
    ground, flight, errors = [], [], []
    for truth_file in sorted(directory.glob("*.truth.json")):
        clip = next(
            one for one in directory.glob(truth_file.name.split(".")[0] + ".*") if one.suffix in {".mp4", ".avi"}
        )
        truth = json.loads(truth_file.read_text())["airtime"]
        timeline = measure_flight([clip]).timeline
        still = (timeline.time_s < truth["from_s"]) | (timeline.time_s > truth["to_s"])
        motion = timeline["motion_percent"]
        ground += [np.nanpercentile(motion[still], 95)] if still.any() else []
        flight += [np.nanpercentile(motion[~still], 5)]
        found = airtime(timeline, Criteria(), link_lost(timeline, Criteria()))
        errors += [found.from_s - truth["from_s"], found.to_s - truth["to_s"]]
        print(
            f"{clip.name:24} ground p95 {ground[-1]:6.2f} %/s   flight p5 {flight[-1]:6.2f} %/s   "
            f"start {errors[-2]:+.2f} s  end {errors[-1]:+.2f} s  ({found.how})"
        )
    print(
        f"ground p95: median {np.median(ground):.2f}, most {max(ground):.2f} %/s; flight p5: least {min(flight):.2f} %/s"
    )
    print(f"ends of the airtime: median error {np.median(np.abs(errors)):.2f} s, most {np.max(np.abs(errors)):.2f} s")
    print("Sets criteria.airtime_motion_percent_per_s = 3: between the two, nearer to the ground in ratio.")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
