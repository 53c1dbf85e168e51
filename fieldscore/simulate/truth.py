"""What is known for certain about a simulated clip, and how it is kept beside it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

TILE_ROWS, TILE_COLUMNS = 12, 16
OBJECT_CONTRAST = 0.2  # Weber, in linear light
OBJECT_SIZE_PX = 8.0  # at 480 lines
SETTLE_BAND = 0.10  # of the settled level
SETTLE_HOLD_S = 0.5
SETTLED_OVER_S = 1.0  # the settled level is the median of so long before the next edge or the end
STEADY_SHARE_S = 0.05  # the settled stretch may drift by so much of itself a second
PERCENTILES = (1, 5, 50, 95, 99)


@dataclass(frozen=True)
class TrueEvent:
    """A torch edge. `recovery_s` is NaN where the level never settles; `reason` says why."""

    kind: str
    time_s: float
    recovery_s: float
    settled_percent: float
    reason: str = ""


@dataclass
class Truth:
    """Known values of a clip: n instants (frames, or fields of an interlaced clip, top first), m with tiles.

    Per instant (n), read like attributes:
    - `time_s`; `link`, 1 there, 0 lost; `along_m`, place on the route;
    - `gain` in force, and `exposure_stops`, the same against instant 0;
    - `level_percent`, `p1_percent` to `p99_percent` of nominal black..white, `clipped_percent`,
      `crushed_percent` (within 2 codes of `ceiling_code`, `floor_code`): from the uncompressed coded luma of
      the picture without overlay and borders; NaN where the link is lost;
    - `clean_percent`, the level to be expected without the noise of one picture;
    - `lamp_in_view`, count of lamps, torches, suns in the picture at the ceiling; `lamp_number` of the largest lamp among
      them, -1 without one, and `lamp_radius_percent`, its own radius in % of the height; `veil_light`, mean light
      that glare of the lens added, in scene units.

    Per tile (m, 12, 16), at the instants `tile_index` (m); NaN where the link is lost or overlay covers all:
    - `cnr`, Rose k of the reference object: step / noise of a pixel * sqrt(pixels);
    - `cnr_block`, the same with the noise that the mean over the object's pixels really has: a band limit and
      line noise tie pixels together. Equal to `cnr` on a digital chain;
    - `noise_codes`, noise (codes rms, rounding included) in the uncompressed output;
    - `tile_level_percent`, expected level. `cnr_mask` (12, 16): mostly overlay.

    `cast_stops` (m, 2): log2 R/G and B/G of the mean of the dark tiles (level under 25 %) under the sRGB
    curve, uncompressed. `overlay` (h, w): pixels the overlay ever touches, full frame. `airtime_s`: off the
    ground from, to; both the same when it never was. `meta`: plan, camera, chain as plain values.
    """

    meta: dict[str, Any]
    floor_code: int
    ceiling_code: int
    frame_rate: float
    interlaced: bool
    airtime_s: tuple[float, float]
    border_px: tuple[int, int, int, int]
    overlay: npt.NDArray[np.bool_]
    columns: dict[str, Array]
    tile_index: npt.NDArray[np.int64]
    cnr: Array
    cnr_block: Array
    noise_codes: Array
    tile_level_percent: Array
    cast_stops: Array
    cnr_mask: npt.NDArray[np.bool_]
    events: list[TrueEvent] = field(default_factory=list)

    def __getattr__(self, name: str) -> Array:
        """The per-instant columns read like attributes."""
        columns = self.__dict__.get("columns", {})
        if name in columns:
            return np.asarray(columns[name])
        raise AttributeError(name)

    @property
    def tile_time_s(self) -> Array:
        """Times of the tile rows (m)."""
        return np.asarray(self.columns["time_s"][self.tile_index])

    def save(self, beside: Path) -> tuple[Path, Path]:
        """Write NAME.truth.json and NAME.truth.npz beside the clip; returns both paths."""
        head = {
            "schema": "fieldscore.truth/1", "clip": beside.name, "floor_code": self.floor_code,
            "ceiling_code": self.ceiling_code, "frame_rate": self.frame_rate, "interlaced": self.interlaced,
            "airtime": {"from_s": self.airtime_s[0], "to_s": self.airtime_s[1]},
            "border_px": list(self.border_px),
            "overlay_percent": round(100.0 * float(self.overlay.mean()), 3),
            "events": [{"kind": e.kind, "time_s": e.time_s, "recovery_s": _null(e.recovery_s),
                        "settled_percent": _null(e.settled_percent), "reason": e.reason}
                       for e in self.events],
            **self.meta,
        }  # fmt: skip
        base = beside.with_suffix("")
        text, arrays = base.with_suffix(".truth.json"), base.with_suffix(".truth.npz")
        text.write_text(json.dumps(head, indent=1, sort_keys=True) + "\n", encoding="utf-8")
        kept: dict[str, npt.NDArray[Any]] = {k: v.astype(np.float32) for k, v in self.columns.items()}
        kept["time_s"] = self.columns["time_s"]
        for name in ("link", "lamp_in_view"):
            kept[name] = self.columns[name].astype(np.uint8)
        kept["lamp_number"] = self.columns["lamp_number"].astype(np.int16)
        kept.update(
            tile_index=self.tile_index.astype(np.int32),
            cnr=_short(self.cnr),
            cnr_block=_short(self.cnr_block),
            noise_codes=_short(self.noise_codes),
            tile_level_percent=_short(self.tile_level_percent),
            cast_stops=self.cast_stops.astype(np.float32),
            cnr_mask=self.cnr_mask,
            overlay=np.packbits(self.overlay, axis=1),
            overlay_shape=np.array(self.overlay.shape, np.int32),
        )
        np.savez_compressed(arrays, allow_pickle=False, **kept)
        return text, arrays


def _null(value: float) -> float | None:
    return None if np.isnan(value) else value


def _short(values: Array) -> npt.NDArray[np.float16]:
    """Half floats with 7 bits of mantissa (0.4 %): what compresses well and is still finer than any use of
    it."""
    bits = values.astype(np.float16).view(np.uint16)
    return np.asarray(((bits + 4) & 0xFFF8).astype(np.uint16).view(np.float16))


def load_truth(beside: Path) -> Truth:
    """Read the truth kept beside a clip; raises FileNotFoundError where there is none."""
    base = beside.with_suffix("")
    head = json.loads(base.with_suffix(".truth.json").read_text(encoding="utf-8"))
    with np.load(base.with_suffix(".truth.npz"), allow_pickle=False) as kept:
        data = {k: kept[k] for k in kept.files}
    tiles = {
        k: data.pop(k).astype(np.float64)
        for k in ("cnr", "cnr_block", "noise_codes", "tile_level_percent", "cast_stops")
    }
    shape, packed = data.pop("overlay_shape"), data.pop("overlay")
    overlay = np.unpackbits(packed, axis=1, count=int(shape[1])).astype(np.bool_)
    index, mask = data.pop("tile_index").astype(np.int64), data.pop("cnr_mask").astype(np.bool_)
    nan = float("nan")
    events = [
        TrueEvent(
            e["kind"],
            e["time_s"],
            nan if e["recovery_s"] is None else e["recovery_s"],
            nan if e["settled_percent"] is None else e["settled_percent"],
            e["reason"],
        )
        for e in head["events"]
    ]
    return Truth(
        meta={k: head[k] for k in ("plan", "camera", "chain")},
        floor_code=head["floor_code"],
        ceiling_code=head["ceiling_code"],
        frame_rate=head["frame_rate"],
        interlaced=head["interlaced"],
        airtime_s=(head["airtime"]["from_s"], head["airtime"]["to_s"]),
        border_px=tuple(head["border_px"]),
        overlay=overlay,
        columns={k: v.astype(np.float64) for k, v in data.items()},
        tile_index=index,
        cnr_mask=mask,
        events=events,
        **tiles,
    )


def edge_recovery(time_s: Array, level: Array, edge_s: float, until_s: float) -> tuple[float, float, str]:
    """Recovery (s), settled level and, where there is none, the reason; `level` above the floor, without
    noise.

    From the edge to the crossing, interpolated between instants, after which the level stays within 10 % of
    the settled one for 0.5 s; settled: the median of the last second before `until_s`.
    """
    tail = level[(time_s > max(until_s - SETTLED_OVER_S, edge_s)) & (time_s < until_s)]
    if until_s - edge_s < SETTLED_OVER_S or tail.size < 4:
        return float("nan"), float("nan"), "less than a second of it before the next edge or the end"
    settled = float(np.median(tail))
    step = float(np.median(np.diff(time_s)))
    drift = abs(float(np.polyfit(np.arange(tail.size) * step, tail, 1)[0]))
    if drift > STEADY_SHARE_S * settled:
        return float("nan"), settled, "the level still moves when the next edge or the end comes"
    after = np.flatnonzero((time_s >= edge_s) & (time_s < until_s))
    inside = np.abs(level[after] - settled) <= SETTLE_BAND * settled
    hold = max(int(np.ceil(SETTLE_HOLD_S / step)), 1)
    for k in range(after.size - hold + 1):
        if inside[k : k + hold].all():
            if k == 0:
                return 0.0, settled, ""
            a, b = level[after[k - 1]], level[after[k]]
            rim = settled * (1.0 + SETTLE_BAND * np.sign(a - settled))
            share = float((rim - a) / (b - a))
            return float(time_s[after[k - 1]] + share * step - edge_s), settled, ""
    return float("nan"), settled, "the level never stays within 10 % for half a second"
