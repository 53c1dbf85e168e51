"""Which light around a bright source makes it the sun?

For the largest source of every small picture: its radius, the light in three rings above it, how even the nearest ring
is, the same on the sky's side wherever it is, the light of the sky above, and how far it rises again on the way up;
quantiles over flights toward a low sun and over flights by night with lamps and lit walls, how fast sources grow that are
in view for three small pictures, how often another like the sun is in the picture, and what each stretch is called.
Sources with a radius under the least of the sun are left out.
Run: python -m benchmarks.dark DIR --seed 7 once, then python -m docs.decisions.sun_or_lamp DIR
"""

from __future__ import annotations

import sys
import warnings
from collections import Counter
from pathlib import Path

import cv2
import numpy as np

from benchmarks.dark_flights import write_dark
from fieldscore import Criteria, measure_flight, sun
from fieldscore.simulate import load_truth
from fieldscore.sun_light import brightest
from fieldscore.units import PERCENT, CodeRange, code_to_level

QUANTILES = (0, 5, 50, 95, 100)
NAMES = ("radius", "near", "middle", "far", "even", "turned n", "turned m", "turned f", "evenest", "sky", "rises")


def main(directory: Path) -> None:
    warnings.simplefilter("ignore", RuntimeWarning)
    curve = Criteria().transfer_curve
    looks: dict[bool, list[tuple[float, ...]]] = {True: [], False: []}
    growth: dict[bool, list[float]] = {True: [], False: []}
    twins: dict[bool, list[bool]] = {True: [], False: []}
    called: dict[bool, Counter[str]] = {True: Counter(), False: Counter()}
    small: dict[bool, list[tuple[float, float, float]]] = {True: [], False: []}
    for clip, _ in write_dark(directory, 7):
        scene = load_truth(clip).meta["plan"]["scene"]
        if scene == "day_field":
            continue
        toward = scene == "dusk_sun"
        record = measure_flight([clip])
        facts = record.clip
        ceiling = float(code_to_level(facts.ceiling_code, CodeRange(facts.code_range), facts.bits)) / PERCENT
        seen = []
        for time_s, data in zip(record.evidence.thumb_time_s.tolist(), record.evidence.thumbs, strict=True):
            picture = np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
            look = brightest(picture, time_s, ceiling, curve)
            if look is not None:
                seen.append(look)
        looks[toward] += [
            (one.radius, *one.rings, one.even, *one.turned, one.evenest, one.sky, one.rises)
            for one in seen
            if one.radius >= sun._SUN_RADIUS
        ]
        small[toward] += [
            (one.rings[0], one.rings[2], one.sky) for one in seen if one.radius < sun._SUN_RADIUS and one.like_sun
        ]
        twins[toward] += [one.twin for one in seen if one.like_sun]
        for part in sun._followed(seen):
            whole = [one for one in part if not one.cut]
            if len(whole) >= 3 and np.median([one.radius for one in whole]) >= sun._SUN_RADIUS:
                time = np.array([one.time_s for one in whole])
                growth[toward].append(sun._growth(time, np.log([one.radius for one in whole])))
        for one in sun.bright_stretches(record.evidence, ceiling, curve):
            called[toward][one.kind] += 1
    for toward, title in ((True, "toward a low sun"), (False, "lamps and lit walls by night")):
        print(f"{title}: {len(looks[toward])} pictures; stretches called {dict(called[toward])}")
        for name, values in zip(NAMES, np.nanpercentile(np.array(looks[toward]), QUANTILES, axis=0).T, strict=True):
            print(f"  {name:8}" + " ".join(f"{value:7.3f}" for value in values))
        print("  growth  " + " ".join(f"{value:7.3f}" for value in np.percentile(growth[toward], QUANTILES)))
        for name, values in zip(("near", "far", "sky"), np.array(small[toward]).reshape(-1, 3).T, strict=True):
            print(f"  smaller, like the sun, {name:5}" + " ".join(f"{one:7.3f}" for one in np.sort(values)[-5:]))
        print(f"  with another like it: {np.count_nonzero(twins[toward])} of {len(twins[toward])} like the sun")
    print(
        "Sets: near 0.25, far 0.13, even 0.55, sky 0.09: below all but a twentieth of the sun's pictures. The sky tells the"
    )
    print(
        "sun from the spot of a torch on the ground, which no ring does; the rings and evenness tell it from lamps and walls."
    )
    print(
        "Not lower, though a sun that makes a camera close has a core of 0.026 and a sky of 0.07: so has a lamp in rain."
    )
    print(
        "Sets, too: a smaller core with near 0.45, far 0.25 and sky 0.20 for two seconds is the sun's. Lamps as soft have 0.31,"
    )
    print("0.23 and 0.20 at most on these and on flights of five other simulators, whose sun has 0.57, 0.29 and 0.21.")
    print("Rises 1.7: above all but an eighth of the sun's pictures, those with a thick bar or a tree over it.")
    print(
        "Growth 0.25 nepers a second: above all of the sun's stretches; lamps that are flown toward grow by 1 and more."
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
