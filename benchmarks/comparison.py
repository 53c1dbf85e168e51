"""Simulated pairs of flights through the whole comparison: python -m benchmarks.comparison DIR [--seed N] [--pairs N] [--write].

`--repetitions N` sets how many made-up series of known memory the intervals are checked on.
Each pair flies one route of one world with two cameras, at different speeds and a little apart. For level, clipped and
crushed share the interval of the difference is held against the true difference: that of the uncompressed pictures at the
same places, place by place as the tool does it, over all of the route that both flew. `--write` puts the table into
docs/comparison-accuracy.md between its markers.
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from benchmarks.pages import put
from fieldscore import Criteria, measure_flight, score_flight
from fieldscore.align import align
from fieldscore.compare import compare_flights, mean_difference
from fieldscore.score import Score
from fieldscore.simulate import CameraModel, Chain, FlightPlan, Truth, load_truth, simulate
from fieldscore.video import Encoding

PAGE = "comparison-accuracy.md"
MEASURES = ("level_percent", "clipped_percent", "crushed_percent")
SERIES = "The interval alone, on made-up series of differences whose truth is zero and whose memory is known:"
OWN_ERROR = 0.2  # points: what the shares are good for on one frame (docs/accuracy.md)
PLACE_M = 2.0  # places of the truth: a quarter of a second at 8 m/s, as the tool's
FAR_M = 20.0  # a step back along the route by more is a new lap


@dataclass(frozen=True)
class Outcome:
    """One measure of one pair: what was found and what is true. `interval` is None where none was given."""

    pair: str
    measure: str
    found: float
    interval: tuple[float, float] | None
    effective: float
    true: float
    matched: bool = True

    def held(self, margin: float = 0.0) -> bool:
        """Whether the interval, this much wider at either end, holds the truth."""
        return self.interval is not None and self.interval[0] - margin <= self.true <= self.interval[1] + margin


Flown = tuple[FlightPlan, CameraModel, Chain]


def pairs(seed: int) -> Iterator[tuple[str, Flown, Flown]]:
    """The grid: name, and plan, camera and chain of both flights."""
    generator = np.random.default_rng(seed)
    chain = Chain(
        encoding=Encoding(crf=10)
    )  # as fine as recorders go: what coding does to the shares has a row of its own
    dark = CameraModel("A", gain_max=12.0, black_offset=0.12, full_well=20_000.0, read_noise=1.5)
    bright = CameraModel(
        "B", ae_time_constant_s=0.4, headroom=2.0, knee=0.8, black_offset=0.06, full_well=20_000.0, read_noise=1.5
    )
    coarse = replace(chain, encoding=Encoding(crf=26))
    noisy = replace(dark, name="N", full_well=9000.0, read_noise=2.5)
    plan = FlightPlan(
        seed=0, width=256, height=192, frame_rate=25.0, duration_s=44.0, ground_before_s=0.0, ground_after_s=0.0,
        speed_m_s=7.0,
    )  # fmt: skip

    def flight(world: int, **changes: object) -> FlightPlan:
        own = {"seed": int(generator.integers(1 << 30)), "world_seed": world, **changes}
        return replace(plan, **own)  # type: ignore[arg-type]

    worlds = (100 + 10 * seed + number for number in range(100))
    kinds: list[tuple[str, dict[str, object], dict[str, object], CameraModel, CameraModel, Chain, Chain]] = [
        ("two exposures", {}, {}, dark, bright, chain, chain),
        ("the same camera twice", {}, {}, dark, dark, chain, chain),
        ("a fifth faster", {}, {"speed_m_s": 8.4}, dark, bright, chain, chain),
        ("slower, half a metre aside", {}, {"speed_m_s": 5.5, "lateral_offset_m": 0.5}, dark, bright, chain, chain),
        ("noisy sensor", {}, {}, dark, noisy, chain, chain),
        ("wider lens", {}, {}, dark, replace(bright, hfov_deg=115.0), chain, chain),
        ("dusk", {"scene": "dusk_sun"}, {"scene": "dusk_sun"}, dark, bright, chain, chain),
        ("yard", {"route": "yard"}, {"route": "yard"}, dark, bright, chain, chain),
        ("lane, started apart", {"route": "lane"}, {"route": "lane", "start_m": 10.0}, dark, bright, chain, chain),
        ("coarse coding of both", {}, {}, dark, bright, coarse, coarse),
        ("lens that veils", {}, {}, dark, replace(dark, name="V", glare=3.0), chain, chain),
        ("overlay on one only", {}, {}, dark, bright, replace(chain, osd=()), chain),
    ]
    for name, first, second, camera_a, camera_b, chain_a, chain_b in kinds:
        world = next(worlds)
        yield name, (flight(world, **first), camera_a, chain_a), (flight(world, **second), camera_b, chain_b)


def way_m(truth: Truth) -> npt.NDArray[np.float64]:
    """Metres along the route, laps added up."""
    along = np.asarray(truth.along_m)
    steps = np.diff(along)
    back = steps < -FAR_M
    lap = float(along.max()) if back.any() else 0.0
    return np.concatenate(([along[0]], along[0] + np.cumsum(np.where(back, steps + lap, steps))))


def true_difference(first: Truth, second: Truth, measure: str) -> float:
    """Mean over the places that both passed of second - first, from the uncompressed pictures."""
    ways = [way_m(one) for one in (first, second)]
    edges = np.arange(max(way[0] for way in ways), min(way[-1] for way in ways), PLACE_M)
    means = []
    for way, truth in zip(ways, (first, second), strict=True):
        values = np.asarray(getattr(truth, measure))
        place = np.digitize(way, edges) - 1
        known = (place >= 0) & (place < len(edges) - 1) & np.isfinite(values)
        held = np.bincount(place[known], minlength=len(edges) - 1)
        total = np.bincount(place[known], weights=values[known], minlength=len(edges) - 1)
        means.append(np.where(held > 0, total / np.maximum(held, 1), np.nan))
    return float(np.nanmean(means[1] - means[0]))


def judged(name: str, scores: Sequence[Score], truths: Sequence[Truth]) -> list[Outcome]:
    """Align and compare one pair and hold its differences against the truth."""
    first, second = (score.record.places for score in scores)
    assert first is not None
    assert second is not None
    found = align(first, second)
    result = compare_flights(scores, ("A", "B"), {(0, 1): found}, Criteria())
    outcomes = []
    for measure in MEASURES:
        true = true_difference(truths[0], truths[1], measure)
        entry = next((one for one in result.differences if one.measure == measure), None)
        if entry is None:
            outcomes.append(Outcome(name, measure, np.nan, None, np.nan, true, matched=False))
        else:
            outcomes.append(Outcome(name, measure, entry.difference, entry.interval, entry.effective_samples, true))
    return outcomes


def table(outcomes: Sequence[Outcome]) -> str:
    """The outcomes as a Markdown table, a row a pair and measure, with a row of totals."""
    lines = [
        f"| pair | measure | found | 95 % interval | true | independent samples | held | within {OWN_ERROR:g} |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for one in outcomes:
        span = "none" if one.interval is None else f"{one.interval[0]:+.2f} to {one.interval[1]:+.2f}"
        held, near = ("–" if one.interval is None else "yes" if one.held(by) else "**no**" for by in (0.0, OWN_ERROR))
        found = f"{one.found:+.2f}" if one.matched else "route refused"
        lines.append(
            f"| {one.pair} | {one.measure} | {found} | {span} | {one.true:+.2f} | {one.effective:.0f} | {held} | {near} |"
        )
    given = [one for one in outcomes if one.interval is not None]
    held, near = (f"{sum(one.held(by) for one in given)} of {len(given)}" for by in (0.0, OWN_ERROR))
    error = np.median([abs(one.found - one.true) for one in outcomes if one.matched])
    lines.append(
        f"| **all** | median error {error:.2f} | | {len(given)} of {len(outcomes)} given | | | {held} | {near} |"
    )
    return "\n".join(lines)


def coverage(repetitions: int, seed: int) -> str:
    """How often the interval of a mean difference holds the truth, for series of known memory, as a Markdown table.

    The differences are AR(1) with correlation rho from place to place: n (1 - rho) / (1 + rho) independent samples.
    """
    lines = [
        "| rho | places | independent samples, true | found, median | interval given | holds the truth |",
        "|---|---|---|---|---|---|",
    ]
    generator = np.random.default_rng(seed)
    for rho, places in ((0.0, 160), (0.3, 160), (0.6, 160), (0.6, 400), (0.9, 800), (0.9, 2400)):
        steps = generator.normal(0.0, np.sqrt(1.0 - rho * rho), (repetitions, places))
        steps[:, 0] /= np.sqrt(1.0 - rho * rho)
        series = lfilter([1.0], [1.0, -rho], steps, axis=1)
        found = [mean_difference(np.zeros(places), one, Criteria()) for one in series]
        given = [(one.low, one.high) for one in found if one.low is not None and one.high is not None]
        held = np.mean([low <= 0.0 <= high for low, high in given]) if given else np.nan
        samples = np.median([one.effective_samples for one in found])
        true = places * (1.0 - rho) / (1.0 + rho)
        lines.append(
            f"| {rho:g} | {places} | {true:.0f} | {samples:.0f} | {100 * len(given) / repetitions:.0f} % | {100 * held:.1f} % |"
        )
    return "\n".join(lines)


def main() -> None:
    """Simulate the grid, measure and compare it, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--pairs", type=int, default=100)
    parser.add_argument("--repetitions", type=int, default=1000)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    options.directory.mkdir(parents=True, exist_ok=True)
    warnings.simplefilter("ignore", RuntimeWarning)
    outcomes: list[Outcome] = []
    for number, (name, *flown) in enumerate(pairs(options.seed)):
        if number >= options.pairs:
            break
        scores, truths = [], []
        for side, (plan, camera, chain) in zip("ab", flown, strict=True):
            clip = options.directory / f"{options.seed}-{number:02d}{side}.mp4"
            if not clip.exists():
                simulate(plan, camera, chain, clip, tile_every=1000)
            truths.append(load_truth(clip))
            scores.append(score_flight(measure_flight([clip]), Criteria()))
        outcomes += judged(name, scores, truths)
        print("\n".join(table(outcomes[-len(MEASURES) :]).splitlines()[2:-1]), flush=True)
    text = table(outcomes)
    print(text.splitlines()[-1])
    series = coverage(options.repetitions, options.seed)
    print(series)
    if options.write:
        put(PAGE, f"{text}\n\n{SERIES}\n\n{series}")


if __name__ == "__main__":
    main()
