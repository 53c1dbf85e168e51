"""Can each tile's noise be told from its own pairs of frames, rather than by its level, and what shows that it would have to be?

A denoiser that goes by motion, and a codec short of bits, leave noise that differs from tile to tile of one level. For each flight:
the low end of the noise of tiles and by how much more frames twice as far apart differ (noise_left.py); how far noise that is
truly left, by the flight's twin with another noise, goes with what the tile's own pairs leave, both off the middle of their level;
the readable share, true and found, and with noise 1.4 times as strong; the area under the ROC curve of the measured k, as it is and
with noise scaled by the tile's own pairs (by half the log of it), as a detector of tiles whose true k passes 5 at the camera's
noise and, in brackets, at that left in the recording.
Run: python -m docs.decisions.uneven_noise DIR [DIR ...] on flights and twins, as benchmarks.dark and benchmarks.accuracy leave them
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from benchmarks.accuracy import auc
from fieldscore import Criteria, measure_flight, noise, readable_rows
from fieldscore.analyse import look_at
from fieldscore.frame import BLOCKS_A_TILE, Frame, PictureArea
from fieldscore.measures.readability import given_back, rose_k
from fieldscore.residual import residual
from fieldscore.simulate import load_truth
from fieldscore.video import Flight

Doubles = npt.NDArray[np.float64]
_OVER_S, _OVER_TILES = (
    0.5,
    0.6,
)  # sigma in time and in space of the mean over pairs: of 0.3 to 1.5 s, 0 to 1 tile the best or near it
_SHARE, _MOST = 0.5, 1.0  # of what a tile's own pairs say that is believed, and log2 of noise at most
_TWIN_S = 0.1
_LEAST_CODES = 0.01  # squared codes of a block


class Flown:
    """A flight measured: its pairs of frames by tile, and what its k is made of."""

    def __init__(self, clip: Path) -> None:
        """Measure it."""
        self.pair_s: list[float] = []
        self.own: list[Doubles] = []
        self.levels: list[Doubles] = []
        of_pair, finish = noise._of_pair, readable_rows.ReadableRows.finish

        def kept_pair(frame: Frame, *, far: bool) -> Any:
            found = of_pair(frame, far=far)
            if found is not None:
                variance = frame.view(residual).variance  # type: ignore[union-attr]
                known = noise._might_be_noise(frame.area, variance) & noise._shows_noise(frame)
                self.pair_s.append(frame.time_s)
                self.levels.append(noise.tile_levels(frame))
                self.own.append(np.where(known, 0.5 * np.log2(np.maximum(variance, _LEAST_CODES)), np.nan))
            return found

        def kept_rows(rows: Any, stops: Doubles, links: Any, black: float = 0.0) -> Any:
            noises = np.frombuffer(rows._noise, dtype=np.float32).reshape(-1, readable_rows.LEVELS.size)
            model = rows._steadied(noises, stops, links)
            entries = rows._spool.view(rows._entry, (len(rows._firsts),))
            level = entries["level"].astype(np.float64)
            self.time_s = np.asarray(rows._times)[np.array(rows._firsts)]
            self.signal, self.noise = entries["signal"].astype(np.float64), readable_rows._noise_at(level, model)
            self.end, self.farther = (readable_rows._median(one) for one in (rows._ends, rows._farther))
            self.area: PictureArea = rows._area
            middle = readable_rows._middle(entries["level"], model)
            self.factor = given_back(middle, self.end, intra=self.area.intra)
            return finish(rows, stops, links, black)

        noise._of_pair, readable_rows.ReadableRows.finish = kept_pair, kept_rows  # type: ignore[method-assign]
        try:
            measure_flight([clip])
        finally:
            noise._of_pair, readable_rows.ReadableRows.finish = of_pair, finish  # type: ignore[method-assign]
        self.off = np.array([_off_level(*one) for one in zip(self.own, self.levels, strict=True)])

    def own_at(self, times: Doubles) -> Doubles:
        """Log2 of noise [times, tiles] off that of its level, by what pairs near a tile leave."""
        near = np.exp(-0.5 * ((times[:, None] - np.array(self.pair_s)) / _OVER_S) ** 2)
        sums, counts = (_spread(near @ one) for one in (np.nan_to_num(self.off), np.isfinite(self.off).astype(float)))
        return np.asarray(sums / (counts + 0.5), dtype=np.float64)  # beside half a pair that says nothing

    def k_at(self, times: Doubles, more: Doubles | float) -> Doubles:
        """Rose's k [times, tiles] with log2 of noise more by so much."""
        at = np.abs(self.time_s - times[:, None]).argmin(axis=1)
        seen = self.factor * rose_k(self.signal[at], np.exp2(self.noise[at] + more), intra=self.area.intra)
        return np.where(np.isfinite(self.noise[at]), seen, self.signal[at])


def _spread(values: Doubles) -> Doubles:
    """The mean over neighbours of values [times, tiles]."""
    criteria = Criteria()
    grid = values.reshape(-1, criteria.tile_rows, criteria.tile_columns)
    return np.asarray(gaussian_filter(grid, (0.0, _OVER_TILES, _OVER_TILES), mode="nearest").reshape(values.shape))


def _off_level(values: Doubles, levels: Doubles) -> Doubles:
    """Values [tiles] off the median of those of like level; NaN where these are few."""
    found = np.full(values.shape, np.nan)
    pools = np.digitize(levels, readable_rows.LEVELS)
    for pool in np.unique(pools):
        there = (pools == pool) & np.isfinite(values)
        if np.count_nonzero(there) >= noise.POOL_MINIMUM:
            found[there] = values[there] - np.median(values[there])
    return found


def left_by_tile(clip: Path, twin: Path, times: Doubles) -> Doubles:
    """Noise [times, tiles] truly left, in log2 of codes of a block mean, over a fifth of a second about each time."""
    flight = Flight([clip])
    look = look_at(flight, Criteria(), clip.stem)
    area = look.area.for_fields() if look.interlaced else look.area
    fields = (flight.clips[0].field_order or "top") if look.interlaced else None
    found, at = [], []
    for one, two in zip(*(Flight([path]).frames(fields=fields) for path in (clip, twin)), strict=False):
        a, b = (Frame(each.luma, area, each.time_s, bits=each.bits) for each in (one, two))
        change = np.square(a.blocks - b.blocks) / 2.0
        found.append(change.reshape(area.rows, BLOCKS_A_TILE, area.columns, BLOCKS_A_TILE).mean(axis=(1, 3)).ravel())
        at.append(one.time_s)
    squares = [np.mean(np.array(found)[np.abs(np.array(at) - time_s) <= _TWIN_S], axis=0) for time_s in times]
    return np.asarray(0.5 * np.log2(np.array(squares) + _LEAST_CODES))


def tried(clip: Path, twin: Path) -> str:
    """A row of the table."""
    flown, truth = Flown(clip), load_truth(clip)
    times = truth.time_s[truth.tile_index]
    true = truth.cnr_block.astype(np.float64).reshape(len(times), -1)
    true[:, truth.cnr_mask.ravel()] = np.nan
    true[~truth.link.astype(bool)[truth.tile_index]] = np.nan
    left = left_by_tile(clip, twin, times)
    step = (truth.cnr * truth.noise_codes).reshape(true.shape)
    true_left = np.where(
        np.isnan(true), np.nan, step / np.hypot(np.exp2(left) * flown.area.block_pixels**0.5, 12**-0.5)
    )
    own = flown.own_at(times)
    usual, scaled = flown.k_at(times, 0.0), flown.k_at(times, np.clip(_SHARE * own, -_MOST, _MOST))
    known = np.isfinite(usual) & np.isfinite(true)
    near = np.array([np.argmin(np.abs(np.array(flown.pair_s) - time_s)) for time_s in times])
    beside = np.array([_off_level(a, flown.levels[at]) for a, at in zip(left, near, strict=True)])
    both = known & np.isfinite(beside + flown.off[near])
    together = np.corrcoef(beside[both], own[both])[0, 1] if both.any() else np.nan
    shares = [100.0 * np.mean(one[known] >= 5.0) for one in (true, usual, usual / 1.4)]
    areas = [
        f"{auc(one[known], true[known] >= 5.0):.3f} ({auc(one[known], true_left[known] >= 5.0):.3f})"
        for one in (usual, scaled)
    ]
    return (
        f"| {clip.stem} | {flown.end:.3f}, {flown.farther:.3f} | {together:.2f} | "
        f"{', '.join(f'{one:.0f}' for one in shares)} % | {' -> '.join(areas)} |"
    )


def main(*directories: str) -> None:
    """Print the table, and what was set by it."""
    warnings.simplefilter("ignore", RuntimeWarning)
    print(
        "| flight | low end, farther | with own pairs | readable: true, found, at 1.4 | AUC -> scaled (of noise left) |"
    )
    for directory in directories:
        for twin in sorted(one for one in Path(directory).glob("*-twin.*") if one.suffix in (".mp4", ".avi")):
            print(tried(twin.with_name(twin.name.replace("-twin", "")), twin), flush=True)

    print(
        "Each tile's noise is not scaled. Within a pair and a level, noise truly left goes with a tile's own pairs by 0.61 under\n"
        "a denoiser of another simulator, by 0.23 under a codec of 1.5 Mbit/s at 720 lines, by 0.3 to 0.5 on flights of ours,\n"
        "best over 0.3 s. The area goes from 0.75 to 0.80 and from 0.78 to 0.80, and verdicts gain 0.5 and 0.2 points; on ours\n"
        "it falls by up to 0.012 (hunting) and verdicts by up to 2.3 points, at the camera's noise: a codec smears the tiles that\n"
        "it leaves quiet. Even the exact noise of each tile ranks ten of eleven no better than that of its level (hunting 0.993\n"
        "to 0.978, low-rate 0.980 to 0.957). At the noise left the area gains 0.05 and 0.08 under HEVC, elsewhere 0.004 at most.\n"
        "Sets _EVEN_END = -0.1 and _EVEN_FARTHER = 0.13 of noise_left.py, _UNEVEN_TIMES = 1.4 and _MATTERS_PERCENT = 7 of\n"
        "readable_rows.py. Of 41 flights of four simulators those told have 0 to 15 points of readable tiles too many; sound\n"
        "ones have at most one of both signs (-0.107 with 0.089, -0.122 with 0.111, -0.090 with 0.194). Of 11 flights at other\n"
        "rates and seeds, nine of them new, nine are told, 0 to 12 points too high; not told are one at a usual rate and one\n"
        "with black set down, which reads low. Of the demo's two night laps, both told, one has 25 too many, one 2 too few.\n"
        "A copy of hunting through a milder denoiser (-0.064, 0.12; 12 points) is missed.\n"
        "Bits a pixel and frozen blocks do not tell: 0.6 and 3 % under that denoiser, 0.7 and 4 % on sound flights, 0.08 and 37 %\n"
        "on one that reads low. All k by 1.1 where it is told: verdicts from 7 points worse to 5 better, so it is not done."
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
