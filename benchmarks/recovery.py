"""Simulated torch tests through the whole pipeline: python -m benchmarks.recovery DIR [--seed N] [--write].

Each is a clip of a drone on the ground with a torch lit and put out; the grid varies the loop, frame rate, fields, noise, codec,
veil, pulse and lamp. Printed: edges found, false ones, error in frames (fields), and how often the bounds hold the truth. `--write`
puts the table into docs/recovery-accuracy.md between its markers.
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.pages import put
from fieldscore import Criteria, measure_flight, score_flight
from fieldscore.simulate import CameraModel, Chain, Flash, FlightPlan, Truth, load_truth, simulate
from fieldscore.video import Encoding

PAGE = "recovery-accuracy.md"
NEAR_FRAMES = 1.5  # an edge is found if one of its kind lies so near


@dataclass(frozen=True)
class Outcome:
    """What one clip gave: for each true edge whether it was found and, where resolvable, its error."""

    name: str
    true: int
    found: int
    false: int
    resolvable: int
    errors_frames: tuple[float, ...]
    covered: tuple[bool, ...]


def cases(seed: int) -> Iterator[tuple[str, str, FlightPlan, CameraModel, Chain]]:
    """The grid: name, file ending, plan, camera, chain."""
    generator = np.random.default_rng(seed)
    plan = FlightPlan(
        seed=500 + seed,
        world_seed=90 + seed,
        width=256,
        height=192,
        duration_s=9.0,
        ground_before_s=9.0,
        ground_after_s=0.0,
    )
    camera = CameraModel("bench", gain_max=24.0, full_well=7000.0, ae_delay_frames=2, ae_time_constant_s=0.25)
    chain = Chain(encoding=Encoding(crf=20), osd=())

    def torch(strength: float = 8.0, kind: str = "fill", length_s: float = 3.5) -> tuple[Flash, ...]:
        on = 1.6 + float(generator.uniform(0, 0.05))  # any phase of the frame clock
        return (Flash(on, on + length_s + float(generator.uniform(0, 0.05)), kind, strength),)

    def shown(**changes: object) -> FlightPlan:
        return replace(plan, **{"flashes": torch(), "start_m": float(generator.uniform(0, 80)), **changes})  # type: ignore[arg-type]

    for rate in (25.0, 30.0, 50.0, 60.0, 120.0):
        yield f"{rate:g} frames a second", ".mp4", shown(frame_rate=rate), camera, chain
    for constant in (0.06, 0.12, 0.5):
        yield f"loop {constant:g} s", ".mp4", shown(), replace(camera, ae_time_constant_s=constant), chain
    for delay in (0, 5, 10):
        yield f"delay {delay} frames", ".mp4", shown(), replace(camera, ae_delay_frames=delay), chain
    for well, noise in ((2500.0, 6.0), (15000.0, 1.5)):
        yield f"full well {well:g} e", ".mp4", shown(), replace(camera, full_well=well, read_noise=noise), chain
    yield "H.264 crf 30", ".mp4", shown(), camera, replace(chain, encoding=Encoding(crf=30))
    yield (
        "MJPEG",
        ".avi",
        shown(),
        camera,
        replace(chain, encoding=Encoding(codec="mjpeg", quality=5, full_range=True), full_range=True),
    )
    for strength in (2.0, 4.0, 20.0, 60.0):
        yield f"torch strength {strength:g}", ".mp4", shown(flashes=torch(strength)), camera, chain
    yield "torch in the picture", ".mp4", shown(flashes=torch(6.0, "lamp")), camera, chain
    yield "weak torch in the picture", ".mp4", shown(flashes=torch(1.0, "lamp")), camera, chain
    for length in (1.2, 2.0):
        yield f"pulse {length:g} s", ".mp4", shown(flashes=torch(length_s=length)), camera, chain
    yield "black set down", ".mp4", shown(), replace(camera, black_offset=0.1), chain
    woven = replace(chain, interlaced=True, encoding=Encoding(crf=20, interlaced=True))
    yield "fields, 50 a second", ".mp4", shown(frame_rate=25.0), camera, woven


def judged(name: str, clip: Path, truth: Truth) -> Outcome:
    """Measure one clip and hold its events against the truth."""
    events = [event for event in score_flight(measure_flight([clip]), Criteria()).events if event.kind != "start_up"]
    interval = float(np.median(np.diff(truth.time_s)))
    errors, covered, taken, resolvable = [], [], set(), 0
    for true in truth.events:
        near = [
            i
            for i, one in enumerate(events)
            if one.kind == true.kind and abs(one.at_s - true.time_s) <= NEAR_FRAMES * interval
        ]
        if not near:
            continue
        taken.add(near[0])
        event = events[near[0]]
        if np.isfinite(true.recovery_s) and event.recovery_s is not None:
            resolvable += 1
            errors.append((event.recovery_s - true.recovery_s) / interval)
            covered.append(bool(event.recovery_low_s - 1e-6 <= true.recovery_s <= event.recovery_high_s + 1e-6))  # type: ignore[operator]
    return Outcome(
        name, len(truth.events), len(taken), len(events) - len(taken), resolvable, tuple(errors), tuple(covered)
    )


def table(outcomes: list[Outcome]) -> str:
    """The outcomes as a Markdown table, with a row of totals."""
    lines = [
        "| case | edges | found | false | resolvable | largest error, frames | truth within bounds |",
        "|---|---|---|---|---|---|---|",
    ]
    for one in outcomes:
        worst = f"{max(map(abs, one.errors_frames)):.2f}" if one.errors_frames else "–"
        held = f"{sum(one.covered)}/{len(one.covered)}"
        lines.append(f"| {one.name} | {one.true} | {one.found} | {one.false} | {one.resolvable} | {worst} | {held} |")
    errors = np.abs([error for one in outcomes for error in one.errors_frames])
    covered = [held for one in outcomes for held in one.covered]
    sums = " | ".join(str(sum(getattr(one, name) for one in outcomes)) for name in ("true", "found", "false"))
    worst = f"{errors.max(initial=0):.2f} (median {np.median(errors) if errors.size else 0:.2f})"
    lines.append(f"| **all** | {sums} | {len(covered)} | {worst} | {sum(covered)}/{len(covered)} |")
    return "\n".join(lines)


def main() -> None:
    """Simulate the grid, measure it, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    options.directory.mkdir(parents=True, exist_ok=True)
    warnings.simplefilter("ignore", RuntimeWarning)
    outcomes = []
    for number, (name, suffix, plan, camera, chain) in enumerate(cases(options.seed)):
        clip = options.directory / f"{options.seed}-{number:02d}{suffix}"
        if not clip.exists():
            simulate(plan, camera, chain, clip, tile_every=1000)
        outcomes.append(judged(name, clip, load_truth(clip)))
        print(table(outcomes[-1:]).splitlines()[2], flush=True)
    text = table(outcomes)
    print(text.splitlines()[-1])
    if options.write:
        put(PAGE, text)


if __name__ == "__main__":
    main()
