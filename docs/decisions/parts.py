"""What is different where a long flight is measured in parts, near the joints and away from them, and what a run-up costs.

Run: python docs/decisions/parts.py LENGTH CLIP ... (seconds of a part; clips of two parts or more). Each clip is measured in
one go and in parts with run-ups of several lengths; for comparison, in one go with noise taken from other pairs of frames: at
the times at which it would be measured twenty seconds later.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt

import fieldscore.noise as noise
import fieldscore.parts as parts
from fieldscore.analyse import joined_parts, measure_part, measure_whole, plan_flight
from fieldscore.criteria import Criteria
from fieldscore.record import FlightRecord
from fieldscore.run import quiet_libraries
from fieldscore.score import score_flight

RUN_UPS_S = (0.5, 1.0, 2.0)
NEAR_S = 4.0  # s after a joint: what a noise curve and held measures are carried over
OTHERS_S = 20.0
OF_NOISE = ("noise_percent", "readable_percent", "zone_readable_percent", "zone_noisy_percent")
OF_LINKS = ("exposure_stops", "veil_percent")


def main(length_s: float, paths: list[Path]) -> None:
    """Print a row for each clip and way: CPU, and the largest and mean difference of groups of columns."""
    print(
        "| clip | way | CPU | share usable | noise | exposure, stops | others alike away from joints | rows of others near |"
    )
    print("|---" * 8 + "|")
    for path in paths:
        plan = plan_flight([path])
        began = time.process_time()
        whole = measure_whole(plan)
        print(f"| {path.stem} | in one go | {time.process_time() - began:.1f} s | {usable(whole)} | | | | |")
        told(path, "other pairs for noise", 0.0, whole, moved_on(path), [])
        for run_up_s in RUN_UPS_S:
            parts.RUN_UP_S = run_up_s
            plan = plan_flight([path], part_s=length_s)
            began = time.process_time()
            cut = joined_parts(plan, (measure_part(plan, number) for number in range(len(plan.parts))))
            spent = time.process_time() - began
            told(
                path,
                f"{len(plan.parts)} parts, run-up {run_up_s} s",
                spent,
                whole,
                cut,
                [one.from_s for one in plan.parts[1:]],
            )


def moved_on(path: Path) -> FlightRecord:
    """The flight in one go, noise measured on other pairs of frames."""
    turn = noise._turn
    noise._turn = lambda time_s: turn(time_s + OTHERS_S)
    try:
        return measure_whole(plan_flight([path]))
    finally:
        noise._turn = turn


def usable(record: FlightRecord) -> str:
    """Share of the airtime that is usable, in %."""
    return f"{100.0 * score_flight(record, Criteria()).usable.share:.1f} %"


def told(  # noqa: PLR0913
    path: Path, way: str, spent: float, whole: FlightRecord, other: FlightRecord, joints: list[float]
) -> None:
    """Print how a record differs from that of one pass; rows, histograms, small pictures and facts are never different."""
    time_s = whole.timeline.time_s
    assert np.array_equal(time_s, other.timeline.time_s)
    assert np.array_equal(whole.evidence.histogram, other.evidence.histogram)
    assert list(whole.evidence.thumbs) == list(other.evidence.thumbs)
    assert whole.clip == other.clip
    near = np.zeros(len(time_s), dtype=np.bool_)
    for joint in joints:
        near |= (time_s >= joint - NEAR_S / 4) & (time_s < joint + NEAR_S)
    apart = {one.name: off(whole.timeline[one.name], other.timeline[one.name]) for one in whole.timeline.columns}
    rest = [apart[name] for name in apart if name not in OF_NOISE + OF_LINKS]
    alike = sum(not one[~near].any() for one in rest)
    moved = np.mean([one[near] > 0 for one in rest]) if near.any() else 0.0
    cpu = f"{spent:.1f} s" if spent else ""
    print(
        f"| {path.stem} | {way} | {cpu} | {usable(other)} "
        f"| {apart[OF_NOISE[0]].mean():.3f} (most {apart[OF_NOISE[0]].max():.2f}) "
        f"| {apart[OF_LINKS[0]].mean():.4f} (most {apart[OF_LINKS[0]].max():.4f}) "
        f"| {alike} of {len(rest)} | {100.0 * moved:.0f} % |",
        flush=True,
    )


def off(one: npt.NDArray[np.float64], other: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Distance of two columns; where one alone is not measurable, 1."""
    return np.where(np.isnan(one) != np.isnan(other), 1.0, np.nan_to_num(np.abs(one - other)))


if __name__ == "__main__":
    quiet_libraries()
    main(float(sys.argv[1]), [Path(name) for name in sys.argv[2:]])
    print(
        "With a run-up of 2 s motion goes on from link to link, and noise, which remembers 1.6 to 2.4 s, all but as in one pass;\n"
        "exposure stays within 0.01 stop (0.04 where the picture slides as a whole, which leaves open how the camera moves), and\n"
        "what depends on noise moves about as much as where other pairs of frames are measured. 2 s of 60 are 3 % of the CPU.\n"
        "Sets RUN_UP_S to 2 and PART_S to 60: parts enough for four workers in four minutes."
    )
