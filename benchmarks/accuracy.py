"""Measure simulated flights of known truth and write the table of errors: python -m benchmarks.accuracy DIR [--seed N] [--write].

The flights, and their twins with other noise, are written into DIR first, where they are not there yet (half a minute each).
`--write` puts the table into docs/accuracy.md between its markers.
"""

from __future__ import annotations

import argparse
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.stats import rankdata

from benchmarks.flights import cases, write
from benchmarks.pages import put
from benchmarks.twins import noise_left, twin_of
from fieldscore import Criteria, measure_flight, score_flight
from fieldscore.simulate import Truth, load_truth

PAGE = "accuracy.md"
EXPOSURE = ("level_percent", "clipped_percent", "crushed_percent")


@dataclass(frozen=True)
class Row:
    """Errors of one flight. Noise in % of white: the camera's, what is left in the recording (NaN without a twin), and measured."""

    name: str
    exposure: tuple[float, ...]
    auc: float
    share_true: float
    share_measured: float
    share_by_curve: str
    agreement: float
    noise_camera: float
    noise_left: float
    noise_measured: float
    airtime_s: float
    floor: str


def auc(figure: npt.NDArray[np.floating], positive: npt.NDArray[np.bool_]) -> float:
    """Area under the ROC curve of a figure as a detector; NaN where only one class is there."""
    ones, nils = int(positive.sum()), int((~positive).sum())
    if not ones or not nils:
        return float("nan")
    return float((rankdata(figure)[positive].sum() - ones * (ones + 1) / 2) / (ones * nils))


def compare(clip: Path, truth: Truth, twin: Path | None = None) -> Row:
    """Measure one clip and hold it against its truth."""
    criteria = Criteria()
    record = measure_flight([clip])
    score = score_flight(record, criteria)
    timeline = record.timeline
    rows = np.clip(np.searchsorted(timeline.time_s, truth.time_s - 1e-3), 0, len(timeline) - 1)
    linked = truth.link.astype(bool)
    exposure = tuple(
        float(np.nanmedian(np.abs(timeline[name][rows] - getattr(truth, name))[linked])) for name in EXPOSURE
    )
    times = truth.time_s[truth.tile_index]
    bins = np.abs(record.tiles.time_s[None, :] - times[:, None]).argmin(axis=1)
    k, true_k = record.tiles.readable[bins], truth.cnr_block.astype(np.float64)
    known = np.isfinite(k) & np.isfinite(true_k) & ~truth.cnr_mask & linked[truth.tile_index][:, None, None]
    seen = true_k[known] >= criteria.rose_k
    measured = k[known] >= criteria.rose_k
    noise = np.where(truth.cnr_mask, np.nan, truth.noise_codes.astype(np.float64))
    span = 2.19 if record.clip.code_range == "narrow" else 2.55  # codes in one % of level
    left, left_measured = float("nan"), float(np.nanmedian(timeline["noise_percent"][rows[linked]]))
    if twin is not None:
        left, left_measured = noise_left(clip, twin, record)
    seen_rows = rows[truth.tile_index][linked[truth.tile_index]]
    apart = (
        timeline[f"readable_{end}_percent"][seen_rows] - timeline["readable_percent"][seen_rows]
        for end in ("least", "most")
    )
    by_curve = " to ".join(f"{100.0 * measured.mean() + np.nanmean(one):.0f}" for one in apart)
    air = (score.airtime_from_s - truth.airtime_s[0], score.airtime_to_s - truth.airtime_s[1])
    return Row(
        name=clip.name, exposure=exposure, auc=auc(k[known], seen),
        share_true=float(seen.mean()), share_measured=float(measured.mean()), share_by_curve=by_curve,
        agreement=float((seen == measured).mean()), noise_camera=float(np.nanmedian(noise)) / span,
        noise_left=left,
        noise_measured=left_measured, airtime_s=float(np.max(np.abs(air))),
        floor=f"{record.clip.floor_code:g}/{record.clip.ceiling_code:g} ({truth.floor_code:g}/{truth.ceiling_code:g})",
    )  # fmt: skip


def table(rows: list[Row]) -> str:
    """The rows as a Markdown table."""
    head = ("flight | level | clipped | crushed | AUC | readable, true | readable, measured (by curve) | tiles agreed "
            "| camera's noise | noise left | noise, measured | airtime ends | floor/ceiling (true)")  # fmt: skip
    lines = [f"| {head} |", "|" + "---|" * (head.count("|") + 1)]
    for row in rows:
        cells = [row.name, *(f"{value:.2f}" for value in row.exposure), "–" if np.isnan(row.auc) else f"{row.auc:.3f}",
                 f"{100 * row.share_true:.0f} %", f"{100 * row.share_measured:.0f} % ({row.share_by_curve})",
                 f"{100 * row.agreement:.0f} %",
                 *(f"{one:.2f} %" for one in (row.noise_camera, row.noise_left, row.noise_measured)),
                 f"{row.airtime_s:.2f} s", row.floor]  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Write the flights, measure them, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    warnings.simplefilter("ignore", RuntimeWarning)
    rows = []
    for case, clip in zip(cases(options.seed), write(options.directory, options.seed), strict=True):
        rows.append(compare(clip, load_truth(clip), twin_of(case, clip)))
        print(table(rows[-1:]).splitlines()[-1], flush=True)
    text = table(rows)
    print(text)
    if options.write:
        put(PAGE, text)


if __name__ == "__main__":
    main()
