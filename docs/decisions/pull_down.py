"""Against which exposure is the lowest one near a lamp held, so that the same lamps give the same pull-down?

Passes begin at the trough of the largest lamp's radius. Where lamps follow each other the exposure is then still on its way back
from the last one, and where exactly the trough lies depends on a small lamp far off. For each rule: how far the median pull-down of
the passes found is from that of the lamps that truly came near, at the true exposure (mean over flights), as a share of it, too.
Run: python -m docs.decisions.pull_down DIR SEED [DIR SEED ...] (flights as of `python -m benchmarks.dark DIR --seed SEED`)
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchmarks.dark import NEAR_PERCENT, as_in_truth
from docs.decisions.followed_lamps import measured
from fieldscore.lamp_passes import _SMOOTH_S, TAIL_S, LampPass, lamp_passes
from fieldscore.simulate import Truth
from fieldscore.timeline import Timeline

Doubles = npt.NDArray[np.float64]
Rule = Callable[[Doubles, Doubles, LampPass], float]


def since(time_s: Doubles, exposure: Doubles, from_s: float, to_s: float) -> Doubles:
    """The exposure from one time to another, both with it."""
    return exposure[(time_s >= from_s - 1e-6) & (time_s <= to_s + 1e-6)]


def at_the_trough(time_s: Doubles, exposure: Doubles, one: LampPass) -> float:
    """The lowest of all against the mean about the trough."""
    before = since(time_s, exposure, one.from_s - 0.15, one.from_s + 0.15)
    return float(since(time_s, exposure, one.from_s, one.to_s + TAIL_S).min() - before.mean())


def since_the_trough(time_s: Doubles, exposure: Doubles, one: LampPass) -> float:
    """The lowest of all against the highest up to the lamp's largest."""
    before = since(time_s, exposure, one.from_s, one.largest_s)
    return float(since(time_s, exposure, one.from_s, one.to_s + TAIL_S).min() - before.max())


def largest_fall(time_s: Doubles, exposure: Doubles, one: LampPass) -> float:
    """The largest fall of all."""
    during = since(time_s, exposure, one.from_s, one.to_s + TAIL_S)
    return float((during - np.maximum.accumulate(during)).min())


def fall_to_the_lowest(near_s: float) -> Rule:
    """The lowest from so long before the largest on, against the highest before that."""

    def rule(time_s: Doubles, exposure: Doubles, one: LampPass) -> float:
        during = since(time_s, exposure, one.from_s, one.to_s + TAIL_S)
        near = since(time_s, exposure, max(one.from_s, one.largest_s - near_s), one.to_s + TAIL_S)
        lowest = len(during) - len(near) + int(np.argmin(near))
        return float(during[lowest] - during[: lowest + 1].max())

    return rule


def fall_that_ends_near(near_s: float) -> Rule:
    """The largest fall of those that end from so long before the largest on."""

    def rule(time_s: Doubles, exposure: Doubles, one: LampPass) -> float:
        during = since(time_s, exposure, one.from_s, one.to_s + TAIL_S)
        near = since(time_s, exposure, max(one.from_s, one.largest_s - near_s), one.to_s + TAIL_S)
        return float((during - np.maximum.accumulate(during))[len(during) - len(near) :].min())

    return rule


RULES: dict[str, Rule] = {
    "lowest, against the mean at the trough": at_the_trough,
    "lowest, against the highest since the trough": since_the_trough,
    "largest fall": largest_fall,
    "lowest from 0.5 s before the largest on, against the highest before": fall_to_the_lowest(0.5),
    "lowest from 1 s before the largest on, against the highest before": fall_to_the_lowest(1.0),
    "largest fall that ends from 0.5 s before the largest on": fall_that_ends_near(0.5),
    "largest fall that ends from 1 s before the largest on": fall_that_ends_near(1.0),
}


def passes(timeline: Timeline, truth: Truth) -> tuple[Doubles, list[LampPass], list[LampPass]]:
    """The true exposure, smoothed, the passes of lamps that truly came near, and those found."""
    there, inside = as_in_truth(timeline, truth)
    true, found = (lamp_passes(one, inside) for one in (there, timeline))
    exposure = there["exposure_stops"]
    width = max(1, round(_SMOOTH_S / timeline.interval_s)) | 1
    padded = np.pad(exposure, width // 2, mode="edge")
    smooth = np.lib.stride_tricks.sliding_window_view(padded, width).mean(axis=1)
    return smooth, [one for one in true if one.radius_percent >= NEAR_PERCENT], list(found)


def main() -> None:
    """Print a line for each rule."""
    warnings.simplefilter("ignore", RuntimeWarning)
    flights = [
        one
        for folder, seed in zip(sys.argv[1::2], sys.argv[2::2], strict=True)
        for one in measured(Path(folder), int(seed))
    ]
    flown = [(timeline.time_s, *passes(timeline, truth)) for timeline, truth in flights]
    for name, rule in RULES.items():
        medians = np.array(
            [
                [np.nanmedian([rule(time_s, exposure, one) for one in each]) for each in (true, found)]
                for time_s, exposure, true, found in flown
                if true and found
            ]
        )
        off, size = np.nanmean(np.abs(medians[:, 0] - medians[:, 1])), np.nanmean(np.abs(medians[:, 0]))
        print(f"{name}: {off:.2f} stop apart, {100 * off / size:.0f} % of {size:.2f}", flush=True)
    print(
        "Sets the last of them, _NEAR_S = 1 of lamp_passes.py: as near as any, and nothing where the exposure only comes back."
    )


if __name__ == "__main__":
    main()
