"""Usable airtime of a flight, its causes and the moments that show it. Pure: runs again from a saved record."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from fieldscore.airtime import Airtime, airtime
from fieldscore.brightness import curve_note, dark_causes, ends_of, lamps, pulled_down, stability, stop_by_curve
from fieldscore.causes import causes, held, recovering
from fieldscore.criteria import Criteria
from fieldscore.errors import NotMeasurableError
from fieldscore.events import link_lost
from fieldscore.measure import Column
from fieldscore.pulsed import PULSES, pulsed
from fieldscore.record import LEAST_PIXELS, FlightRecord
from fieldscore.recovery import flash_events
from fieldscore.running import Mask, runs
from fieldscore.scorecard import CAUSES as CAUSES
from fieldscore.scorecard import Ends as Ends
from fieldscore.scorecard import Gap as Gap
from fieldscore.scorecard import Lamps as Lamps
from fieldscore.scorecard import Moment as Moment
from fieldscore.scorecard import Score as Score
from fieldscore.scorecard import Stability as Stability
from fieldscore.scorecard import Summary as Summary
from fieldscore.scorecard import Usable as Usable
from fieldscore.spool import let_go
from fieldscore.stats import block_bootstrap_mean
from fieldscore.timeline import Timeline

# What scoring adds to the Timeline.
DERIVED: tuple[Column, ...] = (
    Column("link", "0/1", "higher", "1 where the picture came from the camera, 0 where the link was lost."),
    Column("airborne", "0/1", "neither", "1 within the airtime."),
    Column("usable", "0/1", "higher", "1 where the link was there and the flying zone could be read."),
)
# Criteria that the figures of a frame already depend on.
PASS_CRITERIA = (
    "tile_rows", "tile_columns", "flying_zone", "rose_k", "object_contrast", "object_size_px", "transfer_curve",
    "clip_margin_codes", "tile_interval_s",
)  # fmt: skip
# The one among them on which no figure of a frame rests, but how often the map is told.
MAP_INTERVAL = "tile_interval_s"
# Shares that rest on the tone curve, and the columns of their least and most under those that the camera may have.
BY_CURVE = {
    f"{name}_percent": (f"{name}_least_percent", f"{name}_most_percent") for name in ("readable", "zone_readable")
}
USABLE_SHARE = "usable_share"  # the headline among them
_TILES_AT_ONCE = 4096  # maps counted together: bounds memory
TOLD_S = 0.1  # a shorter rest of a stretch, cut off by --from or --to, would be told as from 2.0 s to 2.0 s
# Columns that do not describe the picture, so that a median over the flight says nothing.
_NOT_SUMMARISED = {
    *(column for ends in BY_CURVE.values() for column in ends),
    "lamp_number",
    "spread_codes",
    "patch_spread_codes",
    "colour_codes",
    "likeness",
    "motion_change_percent",
    "repeated",
    "damaged",
    "block_edges",
    "brightened_percent",
    "dimmed_percent",
    "rise_codes",
    "fall_codes",
}


def score_flight(
    record: FlightRecord, criteria: Criteria, *, from_s: float | None = None, to_s: float | None = None
) -> Score:
    """Score a measured flight; `from_s` and `to_s` (seconds) override the airtime found from motion.

    A clip of which no frame can be judged has no usable share, and the reason why; its levels are there all the same.
    Raises NotMeasurableError where no frame lies in the airtime, or none of those that can be judged, unless light pulses there.
    """
    criteria, notes = _in_force(record, criteria)
    timeline = record.timeline
    lost = link_lost(timeline, criteria)
    air = _airtime(record, criteria, lost, from_s, to_s)
    inside = timeline.between(air.from_s, air.to_s) & ~air.on_ground(timeline.time_s)
    pulses = pulsed(timeline, lost)
    cause, judged = causes(record, criteria, lost, pulses)
    at_ends = _usable_at_ends(record, criteria, lost, pulses)
    judged &= not is_small(record)
    level = timeline["level_percent"] - record.clip.floor_level_percent
    events = tuple(flash_events(timeline, criteria, level, lost, judged & (cause < 0)))
    cause[recovering(timeline, criteria, events) & (cause >= 0) & ~lost] = CAUSES.index("recovering")
    clear = inside & ~lost
    found = lamps(record, clear, criteria, events, lost)
    cause[pulled_down(timeline, found) & dark_causes(cause, CAUSES)] = CAUSES.index("pulled_down")
    mostly = bool(2 * np.count_nonzero(inside & pulses) > np.count_nonzero(clear))
    counted = _counted(record, air, judged, inside, mostly)
    usable = counted & (cause < 0)
    cause = np.where(counted, cause, -1).astype(np.int8)
    gaps = _gaps(timeline, criteria, counted, usable, cause)
    if air.how == "whole clip" and len(timeline) > 1:
        notes.append(
            "no sustained motion found: the whole clip is taken as airtime (--from and --to choose another stretch)"
        )
    notes += _lay_still(air)
    steady, steady_notes = stability(timeline, clear, events)
    curve, tag = criteria.transfer_curve, record.clip.transfer_tag
    middle, bright = (
        timeline[name][clear] - record.clip.floor_level_percent for name in ("p50_percent", "p95_percent")
    )
    one_stop = stop_by_curve(middle, bright, curve, tag)
    under_curve = curve_note(one_stop, curve, tag, steady, found)
    notes += [under_curve] if under_curve else []
    flags = zip(DERIVED, (~lost, inside, usable), strict=True)
    record = replace(record, timeline=timeline.with_columns(flags))
    return Score(
        record=record,
        criteria=criteria,
        airtime_from_s=air.from_s,
        airtime_to_s=air.to_s,
        airtime_how=air.how,
        ground_s=air.ground_s,
        usable=_usable(record.timeline, criteria, counted, usable, cause, gaps, air)
        if counted.any()
        else _unknown(why_unjudged(record, mostly)),
        measures=_summaries(timeline, clear),
        stability=steady,
        gaps=gaps,
        moments=_moments(timeline, criteria, counted, cause, lost, gaps),
        in_airtime=inside,
        usable_mask=usable,
        cause=cause,
        readable_map=_readable_map(record, criteria, air),
        notes=tuple(notes),
        events=events,
        lamps=found,
        stability_notes=steady_notes,
        stop_range=None if one_stop is None else ends_of(one_stop),
        by_curve=_by_curve(timeline, clear, counted, at_ends),
        usable_at_ends=at_ends,
    )


def _counted(record: FlightRecord, air: Airtime, judged: Mask, inside: Mask, pulses: bool) -> Mask:
    """Frames [n] that shares are made of: those `judged` [n] `inside` [n] the airtime, none where light `pulses` in most of it.

    NotMeasurableError where none can be judged in the airtime though others can.
    """
    if pulses:
        return np.zeros_like(inside)  # what little can be judged says nothing of the rest
    counted = inside & judged
    if not counted.any() and judged.any():
        raise NotMeasurableError(
            f"{record.name}: no frame to judge from {air.from_s:.1f} s to {air.to_s:.1f} s; give another --from and --to"
        )
    return counted


def _by_curve(timeline: Timeline, clear: Mask, counted: Mask, at_ends: Ends | None) -> dict[str, tuple[float, float]]:
    """What is readable and usable (`Score.by_curve`): medians of `clear` [n] frames, the share of `counted` [n] ones."""
    found = {name: ends for name in BY_CURVE if (ends := _medians_at_ends(timeline, name, clear))}
    if at_ends is not None and counted.any():
        found[USABLE_SHARE] = float(at_ends[0][counted].mean()), float(at_ends[1][counted].mean())
    return found


def _usable_at_ends(record: FlightRecord, criteria: Criteria, lost: Mask, pulses: Mask) -> Ends | None:
    """Usable frames [n] under the tone curves by which least and most is readable; None where nothing is known of that."""
    names = BY_CURVE["zone_readable_percent"]
    if not np.isfinite(record.timeline[names[0]]).any():
        return None
    least, most = (
        judged & (cause < 0) for cause, judged in (causes(record, criteria, lost, pulses, name) for name in names)
    )
    return least, most


def _medians_at_ends(timeline: Timeline, name: str, clear: Mask) -> tuple[float, float] | None:
    """The median of a share under the tone curves by which it is least and most; None where nothing is known of that."""
    ends = [timeline[column][clear] for column in BY_CURVE[name]]
    known = [one[np.isfinite(one)] for one in ends]
    if not all(one.size for one in known):
        return None
    least, most = (float(np.median(one)) for one in known)
    return least, most


def _in_force(record: FlightRecord, criteria: Criteria) -> tuple[Criteria, list[str]]:
    """The criteria with those that the pass itself used, and the notes: a saved flight cannot be measured anew."""
    used = {name: record.settings[name] for name in PASS_CRITERIA if name in record.settings}
    asked = criteria.to_dict()
    notes = list(record.notes)
    for name, value in used.items():
        if asked[name] != value and (name, asked[name]) != (MAP_INTERVAL, Criteria().tile_interval_s):
            notes.append(
                f"{name} is {value}, as it was when the video was measured; for {asked[name]} score the video again"
            )
    return replace(criteria, **used), notes


def _airtime(record: FlightRecord, criteria: Criteria, lost: Mask, from_s: float | None, to_s: float | None) -> Airtime:
    """The airtime found from motion, with either end replaced by the one given, within the recording."""
    timeline = record.timeline
    found = airtime(timeline, criteria, lost)
    if from_s is None and to_s is None:
        return found
    first, last = float(timeline.time_s[0]), float(timeline.time_s[-1])
    start, stop = found.from_s if from_s is None else from_s, found.to_s if to_s is None else to_s
    if start > last or stop < first or stop < start:
        raise NotMeasurableError(
            f"{record.name}: no frame to judge from {start:.1f} s to {stop:.1f} s: it runs from {first:.1f} s to {last:.1f} s; "
            "give another --from and --to"
        )
    asked = from_s is not None and to_s is not None  # for all that is between, the ground as well
    start, stop = max(start, first), min(stop, last)
    return Airtime(start, stop, "given", ground=() if asked else found.within(start, stop))


def _lay_still(air: Airtime) -> list[str]:
    """Notes on the stretches between take-off and landing in which the picture stood still: a landing, a crash, a hand."""
    notes = []
    lay = [(from_s, to_s) for from_s, to_s in air.ground if to_s - from_s >= TOLD_S]
    if lay:
        when = " and ".join(f"from {from_s:.1f} s to {to_s:.1f} s" for from_s, to_s in lay)
        notes.append(
            f"the drone lies on the ground {when} (nothing moves in the picture), which is left out of the airtime; --from and "
            "--to together count all that they enclose"
        )
    still = [(from_s, to_s) for from_s, to_s in air.still if not air.ground_between(from_s, to_s)]
    if still:
        from_s, to_s = max(still, key=lambda one: one[1] - one[0])
        more = "" if len(still) == 1 else f", the longest of {len(still)} such stretches"
        notes.append(
            f"the picture stands still from {from_s:.1f} s to {to_s:.1f} s{more}, which is counted as airtime: if the drone lay on "
            "the ground there, leave it out with --from and --to"
        )
    return notes


def _gaps(
    timeline: Timeline, criteria: Criteria, counted: Mask, usable: Mask, cause: npt.NDArray[np.int8]
) -> tuple[Gap, ...]:
    """Every stretch of airtime in which the picture was not usable, in order; short returns do not end one."""
    ends = np.append(timeline.time_s, timeline.time_s[-1] + (timeline.interval_s if len(timeline) > 1 else 0.0))
    lost = counted & ~usable
    for start, stop in runs(usable):
        inner = start > 0 and stop < len(lost) and lost[start - 1] and lost[stop]
        if inner and ends[stop] - ends[start] < criteria.gap_join_s:
            lost[start:stop] = True
    found = []
    for start, stop in runs(lost):
        if ends[stop] - ends[start] < criteria.gap_least_s - 1e-9:
            continue
        rows = start + np.flatnonzero(cause[start:stop] >= 0)
        over_s = np.round(np.bincount(cause[rows].astype(np.int64), np.diff(ends)[rows], minlength=len(CAUSES)), 3)
        count = np.bincount(cause[rows].astype(np.int64), minlength=len(CAUSES))
        most_first = np.lexsort((-count, -over_s))
        by_cause_s = {CAUSES[one]: float(over_s[one]) for one in most_first if count[one]}
        told = {name: over for at, (name, over) in enumerate(by_cause_s.items()) if at == 0 or over > 0.0}
        found.append(Gap(float(ends[start]), float(ends[stop]), next(iter(told)), told))
    return tuple(found)


def _usable(  # noqa: PLR0913 - the pieces of one figure
    timeline: Timeline,
    criteria: Criteria,
    counted: Mask,
    usable: Mask,
    cause: npt.NDArray[np.int8],
    gaps: tuple[Gap, ...],
    air: Airtime,
) -> Usable:
    """The headline: share of the airtime that was usable, how sure, and what the rest was lost to."""
    series = np.where(counted, usable.astype(np.float64), np.nan)
    first, last = np.flatnonzero(counted)[[0, -1]]
    interval = block_bootstrap_mean(
        series[first : last + 1],
        confidence=criteria.confidence_percent / 100.0,
        companion=_companion(timeline, counted)[first : last + 1],
        min_effective=criteria.min_effective_samples,
    )
    total = int(counted.sum())
    first_s, last_s = timeline.time_s[[first, last]].tolist()
    airtime_s = last_s - first_s + timeline.interval_s - air.ground_between(first_s, last_s)
    longest = max(gaps, key=lambda gap: gap.length_s, default=None)
    lost: dict[str, float | None] = {
        name: float(np.count_nonzero(cause[counted] == index)) / total for index, name in enumerate(CAUSES)
    }
    return Usable(
        share=float(usable.sum()) / total,
        ci95=None if interval.low is None or interval.high is None else (interval.low, interval.high),
        effective_samples=interval.effective_samples,
        longest_gap_s=longest.length_s if longest else 0.0,
        longest_gap_at_s=longest.from_s if longest else None,
        gaps_per_minute=60.0 * len(gaps) / airtime_s if airtime_s > 0 else math.nan,
        lost_by_cause=lost,
        reason=interval.reason,
    )


def _unknown(reason: str) -> Usable:
    """No share at all, with the reason."""
    return Usable(math.nan, None, math.nan, math.nan, None, math.nan, dict.fromkeys(CAUSES), reason)


def is_small(record: FlightRecord) -> bool:
    """Say whether a flight's pictures are too small to be flown by: black or white, they say nothing of a view."""
    return min(record.clip.width, record.clip.height) < LEAST_PIXELS


def why_unjudged(record: FlightRecord, pulses: bool) -> str:
    """Why no frame of a flight can be judged; `pulses`: light pulses in most of it."""
    if is_small(record):
        size = f"{record.clip.width} x {record.clip.height} px"
        return f"a picture of {size} is too small to fly by: {LEAST_PIXELS} px each way are needed"
    if len(record.timeline) == 1:
        return "a single picture says nothing of noise: give a longer clip"
    if pulses:
        return f"for most of it {PULSES}: fly under other lamps"
    return "its pictures are even all over, with nothing in them to tell from noise: try playing the clip"


def _companion(timeline: Timeline, counted: Mask) -> npt.NDArray[np.float64]:
    """The continuous series behind `usable`: readability of the zone, or the level where that never changes."""
    readable = np.where(counted, timeline["zone_readable_percent"], np.nan)
    known = readable[np.isfinite(readable)]
    if known.size and known.std() > 0:
        return readable
    return np.where(counted, timeline["level_percent"], np.nan)


def _summaries(timeline: Timeline, inside: Mask) -> dict[str, Summary]:
    """Median, 5th and 95th percentile of every column that describes the picture, link loss left out."""
    found = {}
    for column in timeline.columns:
        if column.name in _NOT_SUMMARISED:
            continue
        values = timeline[column.name][inside]
        values = values[np.isfinite(values)]
        low, middle, high = np.percentile(values, (5, 50, 95)) if values.size else (math.nan,) * 3
        found[column.name] = Summary(float(middle), float(low), float(high), column.unit, int(values.size))
    return found


def _moments(  # noqa: PLR0913 - the pieces a moment is chosen by
    timeline: Timeline,
    criteria: Criteria,
    counted: Mask,
    cause: npt.NDArray[np.int8],
    lost: Mask,
    gaps: tuple[Gap, ...],
) -> tuple[Moment, ...]:
    """The worst moments (one in each of the longest gaps, of its cause) and typical ones (nearest to the flight's median)."""
    readable = np.where(lost, np.nan, held(timeline, timeline["zone_readable_percent"]))  # snow is no view
    level = timeline["level_percent"]

    def moment(row: int, kind: Literal["worst", "typical"], cause: str | None) -> Moment:
        return Moment(float(timeline.time_s[row]), kind, cause, float(readable[row]), float(level[row]))

    wanted = criteria.evidence_count
    found = []
    for gap in sorted(gaps, key=lambda one: -one.length_s)[: wanted - wanted // 3]:
        rows = np.flatnonzero((cause == CAUSES.index(gap.cause)) & timeline.between(gap.from_s, gap.to_s))
        least = np.nan_to_num(readable[rows], nan=0.0)
        lowest = rows[least <= least.min() + 1.0]
        found.append(moment(int(lowest[len(lowest) // 2]), "worst", gap.cause))
    pool = np.flatnonzero(counted & np.isfinite(readable) & ~lost)
    spare = wanted - len(found)
    if pool.size and spare:
        middle = np.median(readable[pool]), np.median(level[pool])
        distance = np.hypot(readable[pool] - middle[0], level[pool] - middle[1])
        for part in np.array_split(np.arange(pool.size), min(spare, pool.size)):
            best = int(pool[part[np.argmin(distance[part])]])
            found.append(moment(best, "typical", None))
    return tuple(sorted(found, key=lambda one: (one.kind != "worst", one.time_s)))


def _readable_map(record: FlightRecord, criteria: Criteria, air: Airtime) -> npt.NDArray[np.float64]:
    """Share of the airtime in which each tile was readable, [rows, columns]; NaN where it is not picture."""
    tiles = record.tiles
    inside = (tiles.time_s >= air.from_s) & (tiles.time_s <= air.to_s) & ~air.on_ground(tiles.time_s)
    seen, known = (np.zeros(tiles.readable.shape[1:]) for _ in range(2))
    for start in range(0, len(inside), _TILES_AT_ONCE):
        part = slice(start, start + _TILES_AT_ONCE)
        k = tiles.readable[part][inside[part]]
        known += np.isfinite(k).sum(axis=0)
        with np.errstate(invalid="ignore"):
            seen += (k >= criteria.rose_k).sum(axis=0)
    let_go(tiles.readable)
    with np.errstate(invalid="ignore"):
        return np.asarray(seen / known)
