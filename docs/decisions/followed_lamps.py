"""How far astray may a followed source be, how long unseen, and how often must it look like a lamp?

Of what one picture shows at the ceiling, one source in twenty that is no lamp looks like one, and as there are ten times as many of
those as lamps, half of what counted was none; lamps that hid or joined their posts broke apart. For each change:
how many of the lamps that truly came near are found, how many of the passes found are of a lamp, and by how much median pull-downs
of flights differ (mean), at the true exposure, so that lamps alone make the difference.
Run: python -m docs.decisions.followed_lamps DIR SEED [DIR SEED ...] (flights as of `python -m benchmarks.dark DIR --seed SEED`)
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.dark import NearLamps, as_in_truth, near_lamps
from benchmarks.dark_flights import write_dark
from fieldscore import gather, lamp_tracks, measure_flight
from fieldscore.measures.lamps import lamps_in_view
from fieldscore.simulate import Truth, load_truth
from fieldscore.timeline import Timeline

APART: dict[str, Any] = {
    "_FEWEST": 1,
    "_OFTEN": 0.5,
    "_ASTRAY": 0.0,
    "_ASTRAY_NEW": 0.0,
    "_ASTRAY_FIRST": 0.0,
    "_A_RADIUS": 0.0,
}
CHANGES: tuple[dict[str, Any], ...] = (
    {},
    APART,  # each picture by itself
    *({"_ASTRAY": one} for one in (0.02, 0.04, 0.06)),
    *({"_ASTRAY_NEW": one} for one in (0.03, 0.08)),
    *({"_ASTRAY_FIRST": one} for one in (0.05, 0.11)),
    *({"_ASTRAY_S": one} for one in (0.05, 0.12)),
    *({"_A_RADIUS": one} for one in (0.25, 1.0)),
    *({"_GROWS": one} for one in (1.0, 2.5)),
    *({"_OF_SIZE": one} for one in (0.0, 1.0)),
    *({"_LOST_S": one} for one in (0.3, 0.4, 0.8)),
    *({"_FEWEST": one} for one in (2, 4)),
    *({"_OFTEN": one} for one in (0.3, 0.5, 0.6)),
    *({"_KNOWN": one} for one in (0.0, 0.4)),
)
Look = npt.NDArray[np.void]


class Watched(lamp_tracks.LampRows):
    """Keeps what the columns are made of."""

    kept: list[tuple[npt.NDArray[np.float64], list[Look], npt.NDArray[np.int64]]] = []

    def columns(self) -> npt.NDArray[np.float64]:
        """As ever."""
        looks = [np.array(one) for one in self._looks()]
        self.kept.append((np.asarray(self._times), looks, np.asarray([*self._firsts, self._rows])))
        return super().columns()


def measured(directory: Path, seed: int) -> list[tuple[Timeline, Truth]]:
    """The flights of a seed, with their truth."""
    flights = []
    for clip, _ in write_dark(directory, seed):
        truth = load_truth(clip)
        timeline = measure_flight([clip]).timeline
        flights.append((timeline, truth))
    return flights


def held(timeline: Timeline, truth: Truth) -> NearLamps:
    """Passes found against true ones, both at the true exposure."""
    exposure = next(one for one in timeline.columns if one.name == "exposure_stops")
    truly, _ = as_in_truth(timeline, truth)
    return near_lamps(timeline.with_columns([(exposure, truly["exposure_stops"])]), truth)


def main() -> None:
    """Print a line for each change."""
    warnings.simplefilter("ignore", RuntimeWarning)
    gather.LampRows = Watched  # type: ignore[misc]
    flights: list[tuple[Timeline, Truth]] = []
    for folder, seed in zip(sys.argv[1::2], sys.argv[2::2], strict=True):
        flights += measured(Path(folder), int(seed))
    usual = {name: getattr(lamp_tracks, name) for change in CHANGES for name in change}
    for change in CHANGES:
        for name, value in {**usual, **change}.items():
            setattr(lamp_tracks, name, value)
        rows = []
        for (timeline, truth), (time_s, looks, ends) in zip(flights, Watched.kept, strict=True):
            new = lamp_tracks._columns(lamp_tracks.follow(time_s, looks), ends, time_s)
            rows.append(held(timeline.with_columns(list(zip(lamps_in_view.columns, new.T, strict=True))), truth))
        true, seen, found, right = (
            sum(getattr(one, name) for one in rows) for name in ("true", "seen", "found", "right")
        )
        off = np.array([abs(one.true_stops - one.found_stops) for one in rows])
        print(
            f"{change or 'as set'}: {seen} of {true} lamps, {right} of {found} passes; medians {np.nanmean(off):.2f} apart",
            flush=True,
        )
    print(
        "Sets _ASTRAY = 0.03, _ASTRAY_NEW = 0.05, _ASTRAY_FIRST = 0.08, _A_RADIUS = 0.5, _GROWS = 1.5, _LOST_S = 0.6,\n"
        "_FEWEST = 3, _OFTEN = 0.4, _KNOWN = 0.2, _ASTRAY_S = 0.08\n"
        "and _OF_SIZE = 0.3 of lamp_tracks.py: all about them does as well."
    )


if __name__ == "__main__":
    main()
