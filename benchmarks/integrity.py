"""How well overlay, lost link and fields are told: python -m benchmarks.integrity DIR [--clips DIR] [--write].

Simulated flights are written into DIR first, where they are not there yet. `--clips` names a folder of real clips
without any loss. `--write` puts the tables into docs/integrity.md between its markers.
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
from fieldscore.analyse import look_at
from fieldscore.errors import FieldscoreError
from fieldscore.simulate import CameraModel, Chain, FlightPlan, LinkLoss, load_truth, simulate
from fieldscore.simulate.model import LOSS_KINDS
from fieldscore.video import Encoding, Flight

PAGE = "integrity.md"
LOSSES = ((3.0, 3.4), (5.0, 6.0))
SECONDS = 8.0
NEAR_PX = 6  # a mask may be so much wider than the text: blur, coding and letters that change
SUFFIXES = (".mp4", ".avi", ".mkv", ".mov", ".webm", ".ts", ".ogv", ".gif")


@dataclass(frozen=True)
class Case:
    """One simulated flight."""

    name: str
    plan: FlightPlan
    chain: Chain


def cases(seed: int) -> Iterator[Case]:
    """Every kind of loss by night and by day, coded finely and coarsely; fields and frames; without any overlay."""
    number = 0
    for scene, crf in (("night_estate", 23), ("day_field", 28)):
        for kind in (*LOSS_KINDS, None):
            number += 1
            plan = FlightPlan(
                seed=700 + 50 * seed + number,
                world_seed=60 + seed,
                scene=scene,
                duration_s=SECONDS,
                start_m=19.0 * number,
            )
            losses = tuple(LinkLoss(*span, kind) for span in LOSSES) if kind else ()
            chain = Chain(encoding=Encoding(codec="h264", crf=crf), link_losses=losses)
            yield Case(f"{scene}-{kind or 'whole'}", plan, chain)
    plan = replace(plan, width=720, height=576, frame_rate=25.0, sample_aspect=16 / 15)
    analogue = Chain(encoding=Encoding(codec="h264", crf=20, interlaced=True), interlaced=True, bandwidth=0.311, link_noise=2.5,
                     line_noise=0.5, border_px=(4, 4, 8, 8), link_losses=(LinkLoss(5.0, 6.0, "snow"),))  # fmt: skip
    yield Case("fields-flagged", plan, analogue)
    yield Case("fields-not-flagged", plan, replace(analogue, encoding=Encoding(codec="mpeg4", quality=3)))
    standing = FlightPlan(
        seed=798 + 50 * seed, world_seed=60 + seed, duration_s=SECONDS, ground_before_s=5.0, start_m=40.0
    )
    yield Case("standing-with-text", standing, Chain(encoding=Encoding(codec="h264", crf=23)))
    yield Case("standing-no-text", standing, Chain(encoding=Encoding(codec="h264", crf=23), osd=()))
    grounded = replace(standing, ground_before_s=SECONDS)
    yield Case("grounded-no-text", grounded, Chain(encoding=Encoding(codec="h264", crf=23), osd=()))
    yield Case("no-overlay", replace(plan, seed=799), replace(Chain(), osd=()))


def simulated(directory: Path, seed: int) -> str:
    """The table of simulated flights."""
    lines = [
        "| flight | loss found | called lost wrongly | overlay found | covered wrongly | fields (true) |",
        "|---|---|---|---|---|---|",
    ]
    camera = CameraModel("plain", gain_max=24.0, full_well=9000.0)
    for case in cases(seed):
        path = directory / f"{case.name}{'.avi' if case.chain.encoding.codec == 'mpeg4' else '.mp4'}"
        if not path.exists():
            simulate(case.plan, camera, case.chain, path, tile_every=1000)
        truth = load_truth(path)
        score = score_flight(measure_flight([path]), Criteria(), from_s=0.0, to_s=SECONDS)
        look = look_at(Flight([path]), Criteria(), case.name)
        timeline = score.record.timeline
        rows = np.clip(np.searchsorted(timeline.time_s, truth.time_s - 1e-3), 0, len(timeline) - 1)
        lost, called = truth.link < 1, timeline["link"][rows] < 1
        found = f"{100 * called[lost].mean():.0f} %" if lost.any() else "–"
        lines.append(
            f"| {case.name} | {found} | {100 * called[~lost].mean():.1f} % | {_overlay(truth.overlay, look)} "
            f"| {'yes' if look.interlaced else 'no'} ({'yes' if case.chain.interlaced else 'no'}) |"
        )
        print(lines[-1], flush=True)
    return "\n".join(lines)


def _overlay(true: np.ndarray, look) -> str:  # type: ignore[no-untyped-def]
    """Share of the text's pixels under the mask, and of the free picture's, beyond the text's surroundings, under it too."""
    import cv2

    top, bottom, left, right = look.area.window
    text = true[top:bottom, left:right]
    mask = look.area.overlay if look.area.overlay is not None else np.zeros_like(text)
    around = cv2.dilate(text.astype(np.uint8), np.ones((2 * NEAR_PX + 1, 2 * NEAR_PX + 1))) > 0
    found = f"{100 * mask[text].mean():.0f} %" if text.any() else "–"
    return f"{found} | {100 * mask[~around].mean():.2f} %"


def real(folder: Path) -> str:
    """The table of real clips."""
    lines = ["| clip | called lost | overlay | read as fields |", "|---|---|---|---|"]
    for path in sorted(one for one in folder.iterdir() if one.suffix.lower() in SUFFIXES):
        try:
            score = score_flight(measure_flight([path]), Criteria(), from_s=0.0, to_s=1e6)
        except FieldscoreError as error:
            lines.append(f"| {path.name} | {error} | | |")
            continue
        record = score.record
        called = 100.0 * float(np.mean(record.timeline["link"] < 1))
        fields = "yes" if record.clip.interlaced else "no"
        lines.append(f"| {path.name} | {called:.1f} % | {record.picture.overlay_percent:.2f} % | {fields} |")
        print(lines[-1], flush=True)
    return "\n".join(lines)


def main() -> None:
    """Write the flights, measure them, print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--clips", type=Path)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    warnings.simplefilter("ignore", RuntimeWarning)
    options.directory.mkdir(parents=True, exist_ok=True)
    text = simulated(options.directory, options.seed)
    if options.clips is not None:
        text += "\n\n" + real(options.clips)
    if options.write:
        put(PAGE, text)


if __name__ == "__main__":
    main()
