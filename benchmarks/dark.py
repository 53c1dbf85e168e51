"""Measure flights whose exposure moves and write the table of the dark: python -m benchmarks.dark DIR [--seed N] [--write].

The flights are written into DIR first, where they are not there yet (about half a minute each). `--write` puts the
table into docs/dark-accuracy.md and docs/accuracy.md between its markers.
"""

from __future__ import annotations

import argparse
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TypedDict

import numpy as np
import numpy.typing as npt

from benchmarks import accuracy
from benchmarks.accuracy import auc
from benchmarks.dark_flights import write_dark
from benchmarks.pages import DARK_END, DARK_START, put
from benchmarks.twins import noise_left
from fieldscore import Criteria, measure_flight, score_flight
from fieldscore.lamp_passes import amid_no_light, flown_past, lamp_passes
from fieldscore.record import FlightRecord
from fieldscore.simulate import Truth, load_truth
from fieldscore.timeline import Timeline

PAGE = "dark-accuracy.md"
FEWEST_OF_A_CLASS = 100  # tiles seen and tiles not seen without which a ROC curve says nothing
NEAR_PERCENT = 1.2  # radius in % of the picture's height from which on a lamp came near
SAME_S = 0.8  # s between the largest of a true pass and of one found that are the same
OVER_S = 5.0  # exposure errors are judged over so long


@dataclass(frozen=True)
class NearLamps:
    """Lamps that really came near and how many of them were found; passes found and how many of them are of a lamp.

    And the median pull-down (stops) of the former and of all that was found.
    """

    true: int
    seen: int
    found: int
    right: int
    true_stops: float
    found_stops: float


@dataclass(frozen=True)
class Row:
    """Errors of one flight; stops under the curve assumed, which is not the flight's."""

    name: str
    frame_stops: float
    stretch_stops: float
    change_stops: float
    scale: float
    known: float
    hunting: str
    pulldown_stops: float
    near: NearLamps
    noise_left: float
    noise_measured: float
    cast_stops: tuple[float, float]
    auc: float
    unseen: int


def compare(clip: Path, twin: Path, truth: Truth) -> Row:
    """Measure one clip and hold it against its truth."""
    record = measure_flight([clip])
    score = score_flight(record, Criteria())
    timeline = record.timeline
    rows = min(len(timeline), len(truth.time_s))
    inside = timeline.between(*truth.airtime_s)
    linked = np.zeros(len(timeline), dtype=np.bool_)
    linked[:rows] = truth.link[:rows] > 0
    true = np.full(len(timeline), np.nan)
    true[:rows] = truth.exposure_stops[:rows]
    found = timeline["exposure_stops"]
    error = np.where(inside & linked, found - true, np.nan)
    left, measured = noise_left(clip, twin, record)
    stability = score.stability
    pulls = pulldowns(timeline, true, inside & linked)
    return Row(
        name=clip.name,
        frame_stops=_rms(np.diff(error)),
        stretch_stops=_stretches(error, timeline.interval_s),
        change_stops=_rms(_over(error, timeline.interval_s)),
        scale=_slope(np.diff(true[::3]), np.diff((true + error)[::3])),
        known=float(np.mean(np.isfinite(found[inside & linked]))),
        hunting=_hunting(truth, stability.hunting_stops, stability.hunting_period_s),
        pulldown_stops=float(np.median(np.abs(pulls))) if len(pulls) else float("nan"),
        near=near_lamps(timeline, truth),
        noise_left=left,
        noise_measured=measured,
        cast_stops=_cast(timeline, truth),
        **_auc(record, truth),
    )


def measured_exposure(clip: Path) -> tuple[float, float]:
    """Rms error of the exposure within stretches of 5 s and median error of the pull-downs (stops) of one clip."""
    timeline, truth = measure_flight([clip]).timeline, load_truth(clip)
    rows = min(len(timeline), len(truth.time_s))
    linked, true = np.zeros(len(timeline), dtype=np.bool_), np.full(len(timeline), np.nan)
    linked[:rows], true[:rows] = truth.link[:rows] > 0, truth.exposure_stops[:rows]
    inside = timeline.between(*truth.airtime_s) & linked
    pulls = pulldowns(timeline, true, inside)
    error = np.where(inside, timeline["exposure_stops"] - true, np.nan)
    return _stretches(error, timeline.interval_s), float(np.median(np.abs(pulls))) if pulls else float("nan")


def _rms(values: npt.NDArray[np.float64]) -> float:
    return float(np.sqrt(np.nanmean(np.square(values)))) if np.isfinite(values).any() else float("nan")


def _over(error: npt.NDArray[np.float64], interval_s: float) -> npt.NDArray[np.float64]:
    """Change of an error over the stretch."""
    width = round(OVER_S / interval_s)
    return error[width:] - error[:-width] if len(error) > width else np.array([np.nan])


def _stretches(error: npt.NDArray[np.float64], interval_s: float) -> float:
    """Rms error within stretches, each about its own mean."""
    width = round(OVER_S / interval_s)
    parts = [error[start : start + width] for start in range(0, max(len(error) - width, 1), 5)]
    return _rms(np.array([np.nanstd(part) for part in parts if np.isfinite(part).mean() > 0.5]))


def _slope(true: npt.NDArray[np.float64], found: npt.NDArray[np.float64]) -> float:
    """Stops measured for a true stop of change."""
    known = np.isfinite(true) & np.isfinite(found)
    return float(true[known] @ found[known] / (true[known] @ true[known])) if (true[known] != 0).any() else float("nan")


def _hunting(truth: Truth, stops: float | None, period_s: float | None) -> str:
    camera = truth.meta["camera"]
    put_in = f"{camera['hunting_stops']:.2f}/{camera['hunting_period_s']:.1f} s" if camera["hunting_stops"] else "none"
    found = "not measured" if stops is None else "none" if period_s is None else f"{stops:.2f}/{period_s:.1f} s"
    return f"{found} ({put_in})"


def pulldowns(timeline: Timeline, true: npt.NDArray[np.float64], inside: npt.NDArray[np.bool_]) -> list[float]:
    """Error of each lamp pass's pull-down: the same definition on the measured and on the true exposure."""
    column = next(one for one in timeline.columns if one.name == "exposure_stops")
    known = np.where(np.isfinite(timeline["exposure_stops"]), true, np.nan)
    there = lamp_passes(timeline.with_columns([(column, known)]), inside)
    return [a.pulldown_stops - b.pulldown_stops for a, b in zip(lamp_passes(timeline, inside), there, strict=True)]


def as_in_truth(timeline: Timeline, truth: Truth) -> tuple[Timeline, npt.NDArray[np.bool_]]:
    """A Timeline with the largest lamp that is truly in view and the true exposure, and the rows [n] in the air with their link."""
    rows = min(len(timeline), len(truth.time_s))
    exposure, radius, number = np.full((3, len(timeline)), np.nan)
    shown = truth.lamp_number[:rows] >= 0
    radius[:rows][shown], number[:rows][shown] = (
        truth.lamp_radius_percent[:rows][shown],
        truth.lamp_number[:rows][shown],
    )
    exposure[:rows] = truth.exposure_stops[:rows]
    inside = timeline.between(*truth.airtime_s)
    inside[:rows] &= truth.link[:rows] > 0
    inside[rows:] = False
    columns = {one.name: one for one in timeline.columns}
    put_in = {"bloom_radius_percent": radius, "lamp_number": number, "exposure_stops": exposure}
    return timeline.with_columns([(columns[name], values) for name, values in put_in.items()]), inside


def near_lamps(timeline: Timeline, truth: Truth) -> NearLamps:
    """Hold the passes found against those of the largest lamp that is truly in view, at the true exposure, by one rule.

    A pass found is of a lamp where its largest is within `SAME_S` of a true one's, each once; near are lamps within ten metres.
    """
    truly, inside = as_in_truth(timeline, truth)
    there = lamp_passes(truly, inside)
    found = flown_past(amid_no_light(timeline, lamp_passes(timeline, inside)))
    apart = [(abs(a.largest_s - b.largest_s), i, j) for i, a in enumerate(there) for j, b in enumerate(found)]
    pairs: dict[int, int] = {}
    for away_s, i, j in sorted(apart):
        if away_s <= SAME_S and i not in pairs and j not in pairs.values():
            pairs[i] = j
    near = [i for i, one in enumerate(there) if one.radius_percent >= NEAR_PERCENT]
    pulls = [there[i].pulldown_stops for i in near], [one.pulldown_stops for one in found]
    medians = [float(np.median(each)) if each else float("nan") for each in pulls]
    return NearLamps(len(near), sum(i in pairs for i in near), len(found), len(pairs), *medians)


def _cast(timeline: Timeline, truth: Truth) -> tuple[float, float]:
    """Median absolute error of both casts."""
    index = truth.tile_index[truth.tile_index < len(timeline)]
    true = truth.cast_stops[: len(index)]
    errors = [
        np.nanmedian(np.abs(timeline[f"cast_{name}_stops"][index] - true[:, k]))
        for k, name in enumerate(("red", "blue"))
    ]
    return float(errors[0]), float(errors[1])


class _Detection(TypedDict):
    auc: float
    unseen: int


def _auc(record: FlightRecord, truth: Truth) -> _Detection:
    """The measured Rose k as a detector of tiles whose true one passes 5, and how many do not; NaN with too few of a class."""
    times = truth.time_s[truth.tile_index]
    bins = np.abs(record.tiles.time_s[None, :] - times[:, None]).argmin(axis=1)
    k, true_k = record.tiles.readable[bins], truth.cnr_block
    linked = truth.link.astype(bool)[truth.tile_index][:, None, None]
    known = np.isfinite(k) & np.isfinite(true_k) & ~truth.cnr_mask & linked
    seen = true_k[known] >= Criteria().rose_k
    unseen = int(np.count_nonzero(~seen))
    enough = min(unseen, seen.size - unseen) >= FEWEST_OF_A_CLASS
    return {"auc": auc(k[known], seen) if enough else float("nan"), "unseen": unseen}


def table(rows: list[Row]) -> str:
    """The rows as a Markdown table."""
    head = ("flight | exposure, a frame | within 5 s | change over 5 s | scale | known | hunting (put in) | pull-down "
            "| lamps near (found) | passes (of lamps) | pull-down of all: true, found "
            "| noise left | noise measured | cast red, blue | AUC (tiles not seen)")  # fmt: skip
    lines = [f"| {head} |", "|" + "---|" * (head.count("|") + 1)]
    for row in rows:
        cells = [row.name, f"{row.frame_stops:.3f}", *(_figure(one) for one in (row.stretch_stops, row.change_stops, row.scale)),
                 f"{100 * row.known:.0f} %", row.hunting, _figure(row.pulldown_stops),
                 f"{row.near.true} ({row.near.seen})", f"{row.near.found} ({row.near.right})",
                 f"{_figure(row.near.true_stops)}, {_figure(row.near.found_stops)}",
                 f"{row.noise_left:.2f} %", f"{row.noise_measured:.2f} %",
                 ", ".join(f"{one:.3f}" for one in row.cast_stops), _detected(row)]  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _detected(row: Row) -> str:
    return f"{'too few' if np.isnan(row.auc) else f'{row.auc:.3f}'} ({row.unseen})"


def _figure(value: float) -> str:
    return "–" if np.isnan(value) else f"{value:.2f}"


def main() -> None:
    """Write the flights, measure them, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    warnings.simplefilter("ignore", RuntimeWarning)
    rows = []
    for clip, twin in write_dark(options.directory, options.seed):
        rows.append(compare(clip, twin, load_truth(clip)))
        print(table(rows[-1:]).splitlines()[-1], flush=True)
    text = table(rows)
    print(text)
    if options.write:
        put(PAGE, text)
        put(accuracy.PAGE, text, DARK_START, DARK_END)


if __name__ == "__main__":
    main()
