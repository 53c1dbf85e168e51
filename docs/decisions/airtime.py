"""How much does the picture of a drone on the ground seem to move, how much a slow flight, and what if the light moves?

Run: python docs/decisions/airtime.py DIR [TESTS]
(python -m benchmarks.accuracy DIR writes simulated flights, python -m benchmarks.recovery TESTS torch tests of a standing camera)
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

from fieldscore import Criteria, measure_flight
from fieldscore.airtime import MOTION_OF_EXPOSURE, airtime, exposure_speed
from fieldscore.events import link_lost


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


def standing(directory: Path) -> None:
    """What a standing camera's motion is for each stop a second of exposure, and how often a flight is found."""
    ratios, flights, clips = [], 0, 0
    for clip in sorted(one for one in directory.glob("*.*") if one.suffix in {".mp4", ".avi"}):
        timeline = measure_flight([clip]).timeline
        speed, lost = exposure_speed(timeline), link_lost(timeline, Criteria())
        moves = (speed > 1.0) & ~lost & np.isfinite(timeline["motion_percent"])
        ratios += (timeline["motion_percent"][moves] / speed[moves]).tolist()
        flights += airtime(timeline, Criteria(), lost).how == "motion"
        clips += 1
    middle, high = np.percentile(ratios, (50, 90))
    print(
        f"standing, exposure moving: {middle:.1f} %/s for a stop a second, 90 % under {high:.1f}; a flight in {flights} of {clips}"
    )
    print(f"Sets MOTION_OF_EXPOSURE = {MOTION_OF_EXPOSURE:g} in airtime.py: what is under it is no flight's motion.")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
    if len(sys.argv) > 2:  # noqa: PLR2004 - torch tests, too
        standing(Path(sys.argv[2]))
