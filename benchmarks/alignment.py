"""Route alignment against the truth: python -m benchmarks.alignment DIR [--seed N] [--write].

Pairs of simulated flights over one route, and over foreign ones (benchmarks/routes.py), through the whole pipeline. Place error:
how many seconds of the second flight the matched moment is away from the one at which it was at the same place along the route.
`--write` puts the table into docs/alignment-accuracy.md between its markers.
"""

from __future__ import annotations

import argparse
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchmarks.pages import put
from benchmarks.routes import Pair, flights, pairs, write
from fieldscore import measure_flight
from fieldscore.align import Alignment, align
from fieldscore.record import Places
from fieldscore.simulate import Truth, load_truth
from fieldscore.simulate.route import CLIMB_S, Route

Doubles = npt.NDArray[np.float64]
PAGE = "alignment-accuracy.md"
SLOWEST_M_S = 1.0  # slower, the place says little about the moment
GAP_S = 0.5  # a longer step of the path is a gap


@dataclass(frozen=True)
class Outcome:
    """What one pair gave; `errors_s` and `coverage` only where the flights were taken for one route."""

    pair: Pair
    found: Alignment
    errors_s: Doubles
    coverage: float


@dataclass(frozen=True)
class Way:
    """Where a flight was: unwrapped metres along the route at `time_s`; `period_m` is a lap, infinite on an open route."""

    time_s: Doubles
    along_m: Doubles
    full_height_s: tuple[float, float]
    period_m: float

    def at(self, time_s: Doubles) -> Doubles:
        """Metres along the route at moments."""
        return np.interp(time_s, self.time_s, self.along_m)


def way(truth: Truth, route: str) -> Way:
    """The way of a flight from its truth."""
    path = Route(route)
    period = path.length_m if path.closed else np.inf
    along = np.unwrap(truth.along_m, period=period) if path.closed else truth.along_m
    begin, end = truth.airtime_s
    return Way(truth.time_s, np.asarray(along, dtype=np.float64), (begin + CLIMB_S, end - CLIMB_S), period)


def errors_s(found: Alignment, a: Way, b: Way) -> Doubles:
    """Place errors in seconds of b, late is positive; moments at which b hardly moves are left out.

    Where b never was at the place at all, the way to it at the speed of b.
    """
    speed = np.interp(found.time_b_s, b.time_s, np.gradient(b.along_m, b.time_s))
    true, matched = a.at(found.time_a_s), b.at(found.time_b_s)
    if np.isfinite(a.period_m):
        true = true + np.round((matched - true) / a.period_m) * a.period_m
    rising = b.along_m + 1e-9 * np.arange(len(b.along_m))  # on the ground one place has many moments
    moment = np.interp(true, rising, b.time_s)
    there = (true >= b.along_m[0]) & (true <= b.along_m[-1])
    error = np.where(there, found.time_b_s - moment, (matched - true) / np.maximum(speed, SLOWEST_M_S))
    return np.asarray(error[speed >= SLOWEST_M_S])


def coverage(found: Alignment, a: Way, b: Way) -> float:
    """Share of the metres that both flew at full height, in one go, that is matched; at most 1."""
    span_a, span_b = a.at(np.array(a.full_height_s)), b.at(np.array(b.full_height_s))
    laps = np.arange(-5, 6) * a.period_m if np.isfinite(a.period_m) else np.zeros(1)
    shifts = [(max(span_a[0], span_b[0] + lap), min(span_a[1], span_b[1] + lap)) for lap in laps]
    here = a.at(found.time_a_s)
    whole = np.diff(found.time_a_s) <= GAP_S
    shares = []
    longest = max(end - begin for begin, end in shifts)
    for begin, end in shifts:
        if end - begin < 0.5 * longest:
            continue
        inside = (here >= begin) & (here <= end)
        steps = np.diff(here)[whole & inside[1:] & inside[:-1]]
        shares.append(float(steps.sum()) / longest)
    return min(1.0, max(shares))


def judged(pair: Pair, places: dict[str, Places], ways: dict[str, Way]) -> Outcome:
    """Align one pair and hold it against the truth."""
    found = align(places[pair.a], places[pair.b])
    if not (found.same_route and pair.same):
        return Outcome(pair, found, np.zeros(0), 0.0)
    a, b = ways[pair.a], ways[pair.b]
    return Outcome(pair, found, errors_s(found, a, b), coverage(found, a, b))


def measured(directory: Path, seed: int) -> tuple[dict[str, Places], dict[str, Way]]:
    """Simulate what is not there yet and measure every flight once: places and ways by name."""
    flown, places, ways = flights(seed), {}, {}
    for name, clip in write(directory, seed):
        record = measure_flight([clip])
        assert record.places is not None
        places[name], ways[name] = record.places, way(load_truth(clip), flown[name].plan.route)
    return places, ways


def outcomes(directory: Path, seed: int) -> list[Outcome]:
    """Judge every pair of a seed's flights."""
    places, ways = measured(directory, seed)
    return [judged(pair, places, ways) for pair in pairs()]


def table(done: list[Outcome]) -> str:
    """The outcomes as a Markdown table, with rows of totals."""
    lines = [
        "| second flight differs by | taken for one route | confidence | median error, s | 95th percentile, s | coverage |",
        "|---|---|---|---|---|---|",
    ]
    for one in done:
        said = "yes" if one.found.same_route else "no"
        figures = "– | – | –"
        if one.errors_s.size:
            size = np.abs(one.errors_s)
            figures = f"{np.median(size):.3f} | {np.percentile(size, 95):.2f} | {100 * one.coverage:.0f} %"
        kind = "" if one.pair.same else "foreign: "
        lines.append(f"| {kind}{one.pair.what} | {said} | {one.found.confidence:.2f} | {figures} |")
    same, foreign = [one for one in done if one.pair.same], [one for one in done if not one.pair.same]
    size = np.abs(np.concatenate([one.errors_s for one in same]))
    taken, refused = sum(one.found.same_route for one in same), sum(not one.found.same_route for one in foreign)
    least = 100 * min(one.coverage for one in same)
    mean = 100 * float(np.mean([one.coverage for one in same]))
    lines.append(
        f"| **all of one route** | {taken} of {len(same)} | | {np.median(size):.3f} | {np.percentile(size, 95):.2f} | "
        f"mean {mean:.0f} %, least {least:.0f} % |"
    )
    lines.append(f"| **all foreign** | {len(foreign) - refused} of {len(foreign)} | | – | – | – |")
    return "\n".join(lines)


def main() -> None:
    """Simulate, measure, align, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    warnings.simplefilter("ignore", RuntimeWarning)
    text = table(outcomes(options.directory, options.seed))
    print(text)
    if options.write:
        put(PAGE, text)


if __name__ == "__main__":
    main()
