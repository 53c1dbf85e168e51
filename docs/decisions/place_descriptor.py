"""How well does one picture find its place in the other flight, by how the pictures are normalised and compared?

Run: python docs/decisions/place_descriptor.py DIR SEED   (DIR: simulated flights, made where they are missing)

Printed for each setting: the share of places of the other flight that look more like the picture than its true place does
(0 is best, 0.5 is chance), on the mean over the pairs of one route on closed tracks.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from benchmarks.alignment import way
from benchmarks.routes import flights, pairs, write
from fieldscore import likeness as view
from fieldscore import measure_flight, places
from fieldscore.simulate import load_truth

NEAR = 2  # places to each side of the true one that count as found
PICKED = ("night-fast", "night-dim", "night-offset", "night-slow-dim", "day", "day-narrow", "day-broad-slow", "night")


def main(directory: Path, seed: int) -> None:
    clips = {name: clip for name, clip in write(directory, seed) if name in PICKED}
    chosen = [pair for pair in pairs() if pair.same and pair.a in PICKED and pair.b in PICKED]
    ways = {name: way(load_truth(clip), flights(seed)[name].plan.route) for name, clip in clips.items()}

    def shown(what: str, found: dict[str, places.Places]) -> None:
        ranks = []
        for pair in chosen:
            a, b = found[pair.a], found[pair.b]
            alike = view.likeness(a, b, view.find_size(a, b)).of(slice(None), slice(None))
            here, there, lap = ways[pair.a].at(a.time_s), ways[pair.b].at(b.time_s), ways[pair.a].period_m
            away = np.abs((here[:, None] - there[None, :] + lap / 2) % lap - lap / 2)
            true = away.argmin(axis=1)
            for row in np.flatnonzero(away.min(axis=1) < 1.0):
                best = alike[row, max(0, true[row] - NEAR) : true[row] + NEAR + 1].max()
                ranks.append(float((alike[row, away[row] > 5.0] > best).mean()))
        print(
            f"{what:34} {np.mean(ranks):.4f}   (worse than 2 % of the places: {100 * np.mean(np.array(ranks) > 0.02):.1f} %)"
        )

    def measured() -> dict[str, places.Places]:
        return {name: measure_flight([clip]).places for name, clip in clips.items()}  # type: ignore[misc]

    usual = measured()
    shown("as set", usual)
    for module, name, values in (
        (view, "TURNS_DEG", ((0.0,), (0.0, -8.0, 8.0))),
        (view, "SIZES", ((1.0,),)),
        (view, "_WHITENING", (10.0, 0.2, 0.01)),
        (places, "SURROUNDINGS", (1 / 20, 1 / 10, 1 / 3)),
        (places, "NOISE_CODES", (1.0, 8.0)),
    ):
        kept = getattr(module, name)
        for value in values:
            setattr(module, name, value)
            shown(f"{name} = {value}", measured() if module is places else usual)
        setattr(module, name, kept)
    print("Sets places.SURROUNDINGS, NOISE_CODES and likeness.TURNS_DEG, SIZES, whitening: the turns count most.")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
