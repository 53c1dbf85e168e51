"""What tells a lamp from a lit surface that stands at the ceiling as a lamp does?

At high gain white posts, gates and patches of lit ground stand at the ceiling: of all compact sources at the ceiling in flights
by night one in six was a lamp, and a frame of the brightest camera had 28 where 1.5 were true. What was looked at is the light in
rings above a source: how even the nearest is, how bright, and how it falls from there. For each rule that is left out or changed:
how many of the true lamps among the sources are still told, and how many others, over flights whose lamps the simulator places.
Run: python -m docs.decisions.lamp_or_surface DIR (about half a minute a flight at first)
"""

from __future__ import annotations

import pickle
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from benchmarks import dark_flights, flights
from fieldscore.analyse import plan_flight
from fieldscore.frame import Frame
from fieldscore.measures import lamps
from fieldscore.simulate import run, simulate

DARK = ("hunting", "knee-hevc", "lamps-highlight", "lamps-mjpeg", "fast-60", "analogue-night", "day-hunting", "fields")
OTHERS = ("night-dim-h264", "night-soft-rain", "dusk-analogue", "dusk-sun-mjpeg")
EVERY = 6  # frames
CHANGES: tuple[dict[str, Any], ...] = (
    {},
    {"_EVEN": 0.0, "_LIGHTER": 2.0, "_GLOW_AT_MOST": -9.0},  # all that is compact, as before
    {"_EVEN": 0.7},
    {"_EVEN": 0.85},
    {"_NEARLY_EVEN": 0.6},
    {"_NEARLY_EVEN": 0.8},
    {"_GLOW_AT_MOST": -9.0},
    {"_GAP": 1.5},
    {"_WIDEST": 99.0},
    {"_LIGHTER": 2.0},
    {"_LIGHTER": 0.4},
    {"_LARGE": 0.0},
    {"_LARGE": 9.0},
    {"_DARK": 0.0, "_DIM": 0.0},
    {"_DIM": 0.0},
    {"_ROUND": 9.0},
    {"_ROUND": 1.5},
    {"_SMALL": 0.0},
    {"_SMALL": 0.02},
    {"_AMONG_LIGHT": 0.15},
    {"_AMONG_LIGHT": 0.35},
    {"_FARTHER_OFF": (0.015, 0.04)},
    {"_FARTHER_OFF": (0.02, 0.04)},
    {"_FARTHER_OFF": (0.03, 0.08)},
    {"_FARTHER_OFF": (0.03, 0.12)},
)
Place = tuple[float, float]


def flown(directory: Path) -> Iterator[tuple[Path, list[list[Place]]]]:
    """Each clip with where the lamps of each of its frames or fields are, as shares of width and height, written if need be."""
    directory.mkdir(parents=True, exist_ok=True)
    told = run._lamps_at_ceiling
    for cases, names in ((dark_flights.dark_cases(7), DARK), (flights.cases(0), OTHERS)):
        for case in (one for one in cases if one.name in names):
            path = directory / f"{case.name}{case.suffix}"
            kept = path.with_suffix(".places")
            if not kept.exists():
                places: list[list[Place]] = []

                def at_ceiling(sim: Any, scene: Any, gain: float, places: list[list[Place]] = places) -> Any:
                    height, width = scene.light.shape
                    places.append([(one.x / width, one.y / height) for one in scene.lamps])
                    return told(sim, scene, gain)

                run._lamps_at_ceiling = at_ceiling
                try:
                    simulate(case.plan, case.camera, case.chain, path, tile_every=1000)
                finally:
                    run._lamps_at_ceiling = told
                kept.write_bytes(pickle.dumps(places))
            yield path, pickle.loads(kept.read_bytes())


def sources(path: Path, places: list[list[Place]]) -> Iterator[tuple[tuple[Any, ...], bool]]:
    """What `lamps._sign` is asked of each source, and whether a lamp is in it."""
    plan = plan_flight([path])
    area = plan.area()
    top, bottom, left, right = area.window
    fields = (plan.flight.clips[0].field_order or "top") if plan.look.interlaced else None
    told = lamps._sign
    for number, coded in enumerate(plan.flight.frames(fields=fields)):
        if number % EVERY or number >= len(places):
            continue
        frame = Frame(coded.luma, area, coded.time_s, bits=coded.bits)
        asked: list[tuple[Any, ...]] = []
        lamps._sign = lambda *what, asked=asked: float(bool(asked.append(what)))
        lamps.lamps_in_view(frame)
        lamps._sign = told
        height, width = coded.luma.shape
        for what in asked:
            rows, columns = what[0].shape
            x0, y0, wide, tall, _ = what[3]
            here = (
                ((x * width - left) * columns / (right - left), (y * height - top) * rows / (bottom - top))
                for x, y in places[number]
            )
            yield what, any(x0 - 2 <= x <= x0 + wide + 2 and y0 - 2 <= y <= y0 + tall + 2 for x, y in here)


def main(directory: Path) -> None:
    """Print, for each change, how many lamps and how many other sources count."""
    found = [one for path, places in flown(directory) for one in sources(path, places)]
    true = sum(is_lamp for _, is_lamp in found)
    usual = {name: getattr(lamps, name) for change in CHANGES for name in change}
    for change in CHANGES:
        for name, value in {**usual, **change}.items():
            setattr(lamps, name, value)
        kept = [(lamps._sign(*what) >= lamps.PERHAPS, is_lamp) for what, is_lamp in found]
        right, wrong = (
            sum(told and is_lamp for told, is_lamp in kept),
            sum(told and not is_lamp for told, is_lamp in kept),
        )
        print(f"{change or 'as set'}: {right} of {true} lamps, {wrong} of {len(found) - true} others", flush=True)
    print(
        "Sets _EVEN = 0.8, _NEARLY_EVEN = 0.7, _GAP = 2.5, _WIDEST = 8, _GLOW_AT_MOST = 0.01, _LIGHTER = 0.6,\n"
        "_LARGE = 0.015, _DARK = 0.05, _DIM = 0.4, _ROUND = 2, _SMALL = 0.01, _AMONG_LIGHT = 0.25 and\n"
        "_FARTHER_OFF = (0.02, 0.06) of measures/lamps.py.\n"
        "A source by itself counts whatever its glow: another lens may spread less."
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
