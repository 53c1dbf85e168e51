"""A made-up flight and its score, worked out from its own frames: what many tests start from.

The story of the default flight, 60 s at 30 frames a second: steady flying; a lamp at 12 s that blows the
picture out for 1 s and leaves it recovering for 1.5 s; a dark stretch from 24 s to 32 s; a noisy one from
38 s to 40 s; one frame of lost link at 47 s, half a second of it at 48 s. The first and last 2 s are on the
ground.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.measures import COLUMNS
from fieldscore.record import ClipFacts, Evidence, FlightRecord, PictureFacts, TileSeries
from fieldscore.score import CAUSES, DERIVED, Gap, Moment, Score, Stability, Summary, Usable
from fieldscore.timeline import Timeline

FRAME_RATE = 30.0
ROWS, TILE_COLUMNS = 12, 16
GROUND_S = 2.0  # standing on the ground at either end
STRETCHES: Mapping[str, Sequence[tuple[float, float]]] = {
    "link_lost": ((47.0, 47.03), (48.0, 48.5)),
    "recovering": ((13.0, 14.5),),
    "blown": ((12.0, 13.0),),
    "too_dark": ((24.0, 32.0),),
    "noisy": ((38.0, 40.0),),
}
MEASURED = (
    "level_percent",
    "clipped_percent",
    "crushed_percent",
    "readable_percent",
    "zone_readable_percent",
    "noise_percent",
)


def build_record(name: str = "allotments_night", *, duration_s: float = 60.0, seed: int = 7) -> FlightRecord:
    """The default flight as one pass would have measured it; values have the precision that is saved."""
    time_s = np.round(np.arange(round(duration_s * FRAME_RATE)) / FRAME_RATE, 6)
    values = _values(time_s, seed)
    clip = ClipFacts(
        files=(f"{name}.mp4",),
        sha256=("5e" * 32,),
        codec="h264",
        container="mp4",
        pixel_format="yuv420p",
        width=640,
        height=480,
        bits=8,
        frame_rate=FRAME_RATE,
        interlaced=False,
        duration_s=duration_s,
        frames_measured=len(time_s),
        frames_lost=3,
        frames_damaged=2,
        lost_s=0.1,
        code_range="narrow",
        code_range_from="tag",
        floor_code=16.0,
        floor_from="measured",
        ceiling_code=235.0,
        ceiling_from="nominal",
        bit_rate=4.2e6,
        problems=("3 frames (0.1 s) are missing at 0:47.0",),
    )
    present = tuple(column for column in COLUMNS if column.name in values)
    return FlightRecord(
        name=name,
        timeline=Timeline(
            time_s, {column.name: values[column.name] for column in present}, present, {"file": f"{name}.mp4"}
        ),
        tiles=_tiles(time_s, values["zone_readable_percent"], seed),
        evidence=_evidence(time_s, values["level_percent"], seed),
        clip=clip,
        picture=PictureFacts((0, 0, 0, 0), 1.9),
        settings=Criteria().to_dict(),
        notes=("The overlay was found in 38 of 40 pictures.",),
    )


def build_score(record: FlightRecord | None = None, *, criteria: Criteria | None = None) -> Score:
    """The score of a built record, worked out here in the plainest way."""
    record = record or build_record()
    time_s = record.timeline.time_s
    airtime = np.asarray((time_s >= GROUND_S) & (time_s < time_s[-1] - GROUND_S))
    cause = np.full(len(time_s), -1, dtype=np.int8)
    for index, name in reversed(list(enumerate(CAUSES))):
        for start, stop in STRETCHES.get(name, ()):  # no lamp pulls the built flight down
            cause[(time_s >= start) & (time_s < stop) & airtime] = index
    usable = airtime & (cause < 0)
    gaps = _gaps(time_s, airtime & ~usable, cause)
    frames = int(airtime.sum())
    longest = max(gaps, key=lambda gap: gap.length_s, default=None)
    link = cause != CAUSES.index("link_lost")
    timeline = record.timeline.with_columns(zip(DERIVED, (link, airtime, usable), strict=True))
    return Score(
        record=replace(record, timeline=timeline),
        criteria=criteria or Criteria(),
        airtime_from_s=float(time_s[airtime][0]),
        airtime_to_s=float(time_s[airtime][-1]) + 1.0 / FRAME_RATE,
        airtime_how="motion",
        usable=Usable(
            share=float(usable.sum()) / frames,
            ci95=(0.671, 0.848),
            effective_samples=41.3,
            longest_gap_s=longest.length_s if longest else 0.0,
            longest_gap_at_s=longest.from_s if longest else None,
            gaps_per_minute=len(gaps) / (frames / FRAME_RATE / 60.0),
            lost_by_cause={name: float((cause == index).sum()) / frames for index, name in enumerate(CAUSES)},
        ),
        measures={name: _summary(record.timeline, name, airtime) for name in MEASURED},
        stability=Stability(0.42, 3.7),
        gaps=gaps,
        moments=_moments(record.timeline, cause, usable),
        in_airtime=airtime,
        usable_mask=usable,
        cause=cause,
        readable_map=_map(record.tiles),
        notes=(*record.notes, "Stops are under the srgb curve."),
    )


def unmeasured(score: Score) -> Score:
    """The same flight where next to nothing could be measured: every figure that may be missing is."""
    usable = replace(
        score.usable,
        share=math.nan,
        ci95=None,
        effective_samples=math.nan,
        longest_gap_s=math.nan,
        longest_gap_at_s=None,
        gaps_per_minute=math.nan,
        lost_by_cause=dict.fromkeys(CAUSES),
        reason="no sustained motion was found",
    )
    nothing = Summary(math.nan, math.nan, math.nan, "%", 0)
    return replace(
        score,
        usable=usable,
        measures=dict.fromkeys(score.measures, nothing),
        stability=Stability(None, None),
        gaps=(),
        moments=(),
        readable_map=np.full_like(score.readable_map, np.nan),
    )


def jpeg(level_percent: float, seed: int = 0, size: tuple[int, int] = (120, 160)) -> bytes:
    """A small picture of about this level: ground, horizon and a lit pool, with noise."""
    rng = np.random.default_rng(seed)
    height, width = size
    y, x = np.mgrid[0:height, 0:width]
    scene = np.where(y < height * 0.45, 0.7, 0.4 + 0.25 * np.sin(x / 9.0) * np.sin(y / 5.0))
    scene = scene + 1.4 * np.exp(-(((x - width * 0.6) / 22.0) ** 2) - ((y - height * 0.6) / 14.0) ** 2)
    grey = np.clip(scene * level_percent * 2.55 * 1.4 + rng.normal(0, 4, size), 0, 255).astype(np.uint8)
    done, data = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 70])
    assert done
    return data.tobytes()


def _inside(time_s: npt.NDArray[np.float64], name: str) -> npt.NDArray[np.bool_]:
    found = np.zeros(len(time_s), dtype=bool)
    for start, stop in STRETCHES.get(name, ()):  # no lamp pulls the built flight down
        found |= (time_s >= start) & (time_s < stop)
    return found


def _values(time_s: npt.NDArray[np.float64], seed: int) -> dict[str, npt.NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    wobble = np.convolve(rng.normal(0, 1, len(time_s) + 60), np.ones(61) / 61**0.5, mode="valid")
    dark, blown, noisy, lost = (_inside(time_s, name) for name in ("too_dark", "blown", "noisy", "link_lost"))
    level = 24 + 3 * wobble + rng.normal(0, 0.3, len(time_s))
    level[dark] = 5.5 + 0.5 * wobble[dark]
    level[blown] = 84.0
    after = time_s - 13.0
    recovering = (after >= 0) & (after < 1.5)
    level[recovering] = 24 * (1 - np.exp(-after[recovering] / 0.5))
    zone = np.clip(88 + 4 * wobble, 0, 100)
    zone[dark], zone[blown], zone[noisy], zone[recovering] = 28.0, 6.0, 47.0, 31.0
    whole = np.clip(zone - 9 + 2 * wobble, 0, 100)
    noise = 1.1 + 0.1 * wobble + 1.4 * dark + 3.0 * noisy
    crushed = np.clip(9 + 2 * wobble + 38 * dark, 0, 100)
    clipped = np.clip(0.4 + 0.2 * wobble + 71 * blown, 0, 100)
    values = {
        "level_percent": level,
        "p1_percent": level * 0.1,
        "p5_percent": level * 0.3,
        "p50_percent": level * 0.9,
        "p95_percent": np.minimum(level * 2.3, 104.0),
        "p99_percent": np.minimum(level * 2.9, 109.0),
        "clipped_percent": clipped,
        "crushed_percent": crushed,
        "readable_percent": whole,
        "zone_readable_percent": zone,
        "noise_percent": noise,
        "motion_percent": np.abs(20 + 5 * wobble),
    }
    for column in values.values():
        column[lost] = np.nan
    return {name: np.round(column, 4) for name, column in values.items()}


def _tiles(time_s: npt.NDArray[np.float64], zone: npt.NDArray[np.float64], seed: int) -> TileSeries:
    rng = np.random.default_rng(seed + 1)
    times = np.arange(0.0, float(time_s[-1]), 0.25)
    y, x = np.mgrid[0:ROWS, 0:TILE_COLUMNS]
    place = 2.2 - 1.4 * (y / (ROWS - 1)) * np.abs(x - 7.5) / 7.5 - 0.4 * (y > 8)
    now = np.interp(times, time_s, np.nan_to_num(zone)) / 88.0
    readable = 5.0 * place[None] * now[:, None, None] * rng.lognormal(0.0, 0.25, (len(times), ROWS, TILE_COLUMNS))
    readable[:, 0, :4] = np.nan  # under the overlay
    return TileSeries(times, readable.astype(np.float32))


def _evidence(time_s: npt.NDArray[np.float64], level: npt.NDArray[np.float64], seed: int) -> Evidence:
    thumb_times = np.arange(0.5, float(time_s[-1]), 2.0)
    at = np.nan_to_num(np.interp(thumb_times, time_s, level))
    thumbs = tuple(jpeg(float(value), seed + index, (60, 80)) for index, value in enumerate(at))
    codes = np.arange(256)[None, :]
    centre = 16 + 2.19 * np.nan_to_num(level)[:, None]
    density = np.exp(-(((codes - centre) / 22.0) ** 2)) * (codes >= 16) * (codes <= 235)  # narrow range
    density /= np.maximum(density.sum(axis=1, keepdims=True), 1e-9)
    return Evidence(thumb_times, thumbs, np.floor(density * 65535).astype(np.uint16))


def _summary(timeline: Timeline, name: str, airtime: npt.NDArray[np.bool_]) -> Summary:
    values = timeline[name][airtime]
    values = values[~np.isnan(values)]
    p5, median, p95 = (float(value) for value in np.percentile(values, [5, 50, 95]))
    unit = next(column.unit for column in timeline.columns if column.name == name)
    return Summary(median, p5, p95, unit, len(values))


def _gaps(time_s: npt.NDArray[np.float64], lost: npt.NDArray[np.bool_], cause: npt.NDArray[np.int8]) -> tuple[Gap, ...]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], lost.astype(np.int8), [0]])))
    gaps = []
    for first, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        most = int(np.bincount(cause[first:stop].astype(np.int64)).argmax())
        over_s = {CAUSES[most]: (stop - first) / FRAME_RATE}
        gaps.append(Gap(float(time_s[first]), float(time_s[stop - 1]) + 1.0 / FRAME_RATE, CAUSES[most], over_s))
    return tuple(gaps)


def _moments(timeline: Timeline, cause: npt.NDArray[np.int8], usable: npt.NDArray[np.bool_]) -> tuple[Moment, ...]:
    chosen: list[tuple[float, str | None]] = [
        (28.0, "too_dark"),
        (12.5, "blown"),
        (39.0, "noisy"),
        (20.0, None),
        (44.0, None),
    ]
    moments = []
    for at, why in chosen:
        row = int(np.argmin(np.abs(timeline.time_s - at)))
        moments.append(
            Moment(
                float(timeline.time_s[row]),
                "worst" if why else "typical",
                why,
                float(timeline["zone_readable_percent"][row]),
                float(timeline["level_percent"][row]),
            )
        )
    return tuple(moments)


def _map(tiles: TileSeries) -> npt.NDArray[np.float64]:
    measured = ~np.isnan(tiles.readable)
    count = measured.sum(axis=0)
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, (np.nan_to_num(tiles.readable) >= Criteria().rose_k).sum(axis=0) / count, np.nan)
