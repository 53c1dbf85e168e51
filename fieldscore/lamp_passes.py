"""Lamps flown past: how far each drags the unlit part of the picture down, and the veil it lays over it. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from fieldscore.timeline import Timeline
from fieldscore.units import PERCENT

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_SMOOTH_S = 0.2  # exposure and veil are means over so long
_SEEN_S = 0.2  # the radius is a median over so long
_LEAST_RADIUS_PERCENT = 0.6  # of the picture's height: a smaller lamp moves no exposure
_PROMINENT = 0.4  # share of a lamp's largest radius by which it must stand above what is in view before and after
# Share of a lamp's radius that it must have fallen to, and for how many seconds, to come near again: a post or text that blinks
# hides part of it for less.
_AGAIN, _AGAIN_S = 0.5, 0.4
# Of so many passes and more one that is smaller than so much of the median, in which the exposure fell by less than so many stops,
# is a far lamp's (docs/decisions/lamps_near.py).
_MANY, _FAR_OFF, _FAR_STOPS = 3, 0.5, 0.2
# Of the light at the ceiling a near lamp is so much at least: its disc, in squared heights, over the share of the picture. Lamps as
# recorded are 0.07 and more (six simulators); windows of lit walls, roofs and specks beside bright clouds 0.037 and less.
_OF_CLIPPED, _AROUND_S = 0.05, 0.1
_BEFORE_S = 0.3  # a lamp that comes in all at once did so this long after it was not there; veil rises from so long before a pass
# Share of its largest radius at most so long before it has half of that: it came in over the edge, or from behind something.
_ENTERS = 0.1
_FARTHEST_S = 2.0  # what was longer before than that was another place
_FEWEST_ROWS = 3  # a peak and what is before and after it
_NEAR_S = 1.0  # before its largest, from when on a lamp is near enough to pull the exposure down
TAIL_S = 0.3  # exposure loops follow this late


@dataclass(frozen=True)
class LampPass:
    """One lamp from where it begins to grow to where it is gone. `pulldown_stops` is the largest fall of the camera's exposure
    meanwhile (negative: darker), from `highest_stops` at `highest_s`; `veil_percent` the light the lens adds meanwhile, in % of
    nominal white.
    """

    from_s: float
    to_s: float
    largest_s: float
    radius_percent: float
    pulldown_stops: float
    veil_percent: float
    highest_s: float
    highest_stops: float


@dataclass(frozen=True)
class TowardLight:
    """What flying toward a lamp or the sun costs, over the time that one is in the picture.

    `in_view_s`; `lost_percent`, median share of the picture that could not be read; `zone_readable_percent`, median share of
    the flying zone that could; `zone_lost_s`, the longest stretch in which too little of the zone could be read;
    `bloom_radius_percent`, median radius of the largest source in % of the picture's height, NaN where none is compact.
    """

    in_view_s: float
    lost_percent: float
    zone_readable_percent: float
    zone_lost_s: float
    bloom_radius_percent: float


def lamp_passes(timeline: Timeline, inside: Mask) -> tuple[LampPass, ...]:
    """Find the lamps that grow and go while in the airtime, with what they did to the exposure.

    A pass is where a lamp that is the largest in view is at its largest, if the radius of the largest falls from there on both
    sides before the next. Its pull-down is the largest fall of the exposure since the trough before, of those that end from a
    second before the largest on: at the trough itself the exposure may still be on its way back from the lamp before. A light that
    comes in over the picture's edge, as the sun does, pulls down there and then: what falls within a second counts as well.
    """
    if len(timeline) < _FEWEST_ROWS or not inside.any():
        return ()
    number = np.where(inside, timeline["lamp_number"], np.nan)
    shown = _over_gaps(np.where(inside, np.nan_to_num(timeline["bloom_radius_percent"]), 0.0), number, inside)
    radius, exposure, veil = _smooth_columns(timeline, shown)
    exposure = np.where(inside & np.isfinite(veil), exposure, np.nan)
    time_s = timeline.time_s
    found = []
    apart = round(_AGAIN_S / timeline.interval_s)
    for before, peak, after in _peaks(radius, np.minimum(radius, shown), number, apart):
        small = np.flatnonzero(radius[peak : after + 1] <= radius[peak] / 2)
        gone = peak + int(small[0]) if small.size else after
        small = np.flatnonzero(radius[before : peak + 1] <= radius[peak] / 2)
        came_s = float(time_s[before + int(small[-1]) if small.size else before])
        spans = [(time_s[peak] - _FARTHEST_S, time_s[gone] + TAIL_S, time_s[peak] - _NEAR_S)]
        entered = radius[max(before, int(np.searchsorted(time_s, came_s - _BEFORE_S)))] <= _ENTERS * radius[peak]
        if entered and came_s - _BEFORE_S < spans[0][0]:  # all at once, long before it was at its largest
            spans.append((came_s - _BEFORE_S, came_s + _NEAR_S + TAIL_S, came_s))
        effects = (_effect(timeline, exposure, veil, before, span) for span in spans)
        falls = [one for one in effects if one is not None]
        if not falls:
            continue
        fall, start, highest, lifted = min(falls)
        found.append(
            LampPass(
                from_s=float(time_s[start]),
                to_s=float(time_s[gone]),
                largest_s=float(time_s[peak]),
                radius_percent=float(radius[peak]),
                pulldown_stops=fall,
                veil_percent=lifted,
                highest_s=float(time_s[highest]),
                highest_stops=float(exposure[highest]),
            )
        )
    return tuple(found)


def flown_past(passes: Sequence[LampPass]) -> tuple[LampPass, ...]:
    """Those of some passes whose lamp came near: a far one that leaves in a turn is much smaller, and the exposure hardly falls."""
    if len(passes) < _MANY:
        return tuple(passes)
    least = _FAR_OFF * float(np.median([one.radius_percent for one in passes]))
    return tuple(one for one in passes if one.radius_percent >= least or one.pulldown_stops <= -_FAR_STOPS)


def amid_no_light(timeline: Timeline, passes: Sequence[LampPass]) -> tuple[LampPass, ...]:
    """Those of some passes whose lamp is no small part of all that is at the ceiling when it is largest.

    A white roof under clouds, or a window in a lit wall, is as compact as a lamp; it is not what a camera closes for there.
    """
    kept = []
    for one in passes:
        around = timeline.between(one.largest_s - _AROUND_S, one.largest_s + _AROUND_S)
        clipped = timeline["clipped_percent"][around]
        clipped = clipped[np.isfinite(clipped)]
        if not clipped.size or math.pi * one.radius_percent**2 / PERCENT >= _OF_CLIPPED * clipped.mean():
            kept.append(one)
    return tuple(kept)


def _effect(
    timeline: Timeline, exposure: Doubles, veil: Doubles, before: int, span: tuple[float, float, float]
) -> tuple[float, int, int, float] | None:
    """What a lamp did over a span of seconds (from, to; near enough from), not before row `before`; None if nothing is known.

    `exposure` [n] is NaN where nothing is. Given are the largest fall of it, the row the span starts on, the row the fall starts
    on, and by how much the veil rose: from the least of it up to its highest, since the lamp before may still veil as one begins.
    """
    from_s, to_s, near_s = span
    start = max(before, int(np.searchsorted(timeline.time_s, from_s)))
    started_s, known = timeline.time_s[start], np.isfinite(exposure)
    rows = np.flatnonzero(timeline.between(started_s, to_s) & known)
    if not rows.size:
        return None
    highest, end = _fall(exposure[rows], timeline.time_s[rows] >= near_s)
    fall = float(exposure[rows[end]] - exposure[rows[highest]])
    most = int(rows[np.argmax(veil[rows])])
    least = veil[timeline.between(started_s - _BEFORE_S, float(timeline.time_s[most])) & known].min()
    return fall, start, int(rows[highest]), float(veil[most] - least)


def _over_gaps(radius: Doubles, number: Doubles, inside: Mask) -> Doubles:
    """The radius [n] of the largest lamp, of a `number`, gone on with over rows not inside if it is the same lamp after them.

    Beyond the last row inside it stays as it is there: where the flight ends no lamp goes.
    """
    found = radius.copy()
    rows = np.flatnonzero(inside)
    found[rows[-1] + 1 :] = radius[rows[-1]]
    for at in np.flatnonzero(np.diff(rows) > 1).tolist():
        before, after = int(rows[at]), int(rows[at + 1])
        if number[before] == number[after]:
            found[before : after + 1] = np.linspace(radius[before], radius[after], after - before + 1)
    return found


def _fall(exposure: Doubles, near: Mask) -> tuple[int, int]:
    """Where the largest fall of an exposure [n] begins and ends, of those that end where the lamp is `near`, or of all.

    Not the lowest: where lamps follow each other closely, that may be what the one before left.
    """
    rows = np.flatnonzero(near) if near.any() else np.arange(len(exposure))
    fallen = exposure - np.maximum.accumulate(exposure)
    end = int(rows[np.argmin(fallen[rows])])
    return int(np.argmax(exposure[: end + 1])), end


def toward_light(timeline: Timeline, inside: Mask, zone_criterion_percent: float) -> TowardLight | None:
    """What lamps or the sun cost while in the picture; None where none is in view, or nothing could be read off."""
    return while_seen(timeline, inside & (np.nan_to_num(timeline["lamps"]) > 0), zone_criterion_percent)


def while_seen(timeline: Timeline, seen: Mask, zone_criterion_percent: float) -> TowardLight | None:
    """What a light cost over the rows [n] in which it is seen; None without one in which it could be read off."""
    zone, readable, bloom = (
        timeline[name] for name in ("zone_readable_percent", "readable_percent", "bloom_radius_percent")
    )
    known = seen & np.isfinite(readable) & np.isfinite(zone)
    if not known.any():
        return None
    with np.errstate(invalid="ignore"):
        lost = np.concatenate([[0], (seen & (zone < zone_criterion_percent)).astype(np.int8), [0]])
    starts, stops = np.flatnonzero(np.diff(lost) == 1), np.flatnonzero(np.diff(lost) == -1)
    longest = int((stops - starts).max()) if starts.size else 0
    return TowardLight(
        in_view_s=float(seen.sum() * timeline.interval_s),
        lost_percent=float(100.0 - np.median(readable[known])),
        zone_readable_percent=float(np.median(zone[known])),
        zone_lost_s=float(longest * timeline.interval_s),
        bloom_radius_percent=float(np.nanmedian(bloom[known])) if np.isfinite(bloom[known]).any() else float("nan"),
    )


def _smooth_columns(timeline: Timeline, shown: Doubles) -> tuple[Doubles, Doubles, Doubles]:
    """Largest lamp's radius, which is `shown` (0 without one), exposure and veil [n], each as a running median or mean."""
    over, seen = (max(1, round(one / timeline.interval_s)) | 1 for one in (_SMOOTH_S, _SEEN_S))
    exposure, veil = (_running(timeline[name], over, np.mean) for name in ("exposure_stops", "veil_percent"))
    return _running(shown, seen, np.median), exposure, veil


def _running(values: Doubles, width: int, middle: object) -> Doubles:
    """Running median or mean [n] over `width` rows, the ends repeated."""
    padded = np.pad(values, width // 2, mode="edge")
    return np.asarray(middle(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))  # type: ignore[operator]


def _peaks(radius: Doubles, own: Doubles, number: Doubles, apart: int) -> list[tuple[int, int, int]]:
    """Trough before, peak and trough after of every peak of the radius [n] that stands out.

    Two of one lamp are so many rows `apart` at least. `own` is how much of the radius is that of the very lamp that has the
    `number` [n]: where another one was the largest a moment before and after, the radius is theirs.
    """
    numbered = np.flatnonzero(np.isfinite(number))
    numbered = numbered[np.argsort(number[numbered], kind="stable")]
    each = np.split(numbered, np.flatnonzero(np.diff(number[numbered])) + 1)
    peaks = sorted(peak for rows in each for peak in _times_near(own, rows, apart))
    depth = [_depth(radius, a, b) for a, b in pairwise(peaks)]
    while depth and min(depth) < _PROMINENT:  # of two that no trough parts, the larger one is the pass
        at = depth.index(min(depth))
        gone = at if radius[peaks[at]] < radius[peaks[at + 1]] else at + 1
        del peaks[gone], depth[at]
        if 0 < gone < len(peaks):
            depth[gone - 1] = _depth(radius, peaks[gone - 1], peaks[gone])
    if not peaks:
        return []
    ends = [0, *(a + int(np.argmin(radius[a : b + 1])) for a, b in pairwise(peaks)), len(radius) - 1]
    found = []
    for peak, first, last in zip(peaks, ends[:-1], ends[1:], strict=True):
        low_before, low_after = radius[first : peak + 1].min(), radius[peak : last + 1].min()
        if radius[peak] - max(low_before, low_after) < _PROMINENT * radius[peak]:
            continue
        before = first + int(np.flatnonzero(radius[first : peak + 1] <= low_before)[-1])
        after = peak + int(np.argmin(radius[peak : last + 1]))
        found.append((before, peak, after))
    return found


def _times_near(own: Doubles, rows: npt.NDArray[np.int64], apart: int) -> list[int]:
    """Rows among `rows`, those of one lamp, where its radius `own` [n] is largest: once, and each time after it fell to half.

    It must have been as small for so many rows, `apart`.
    """
    peaks: list[int] = []
    low = high = 0.0
    # the last row on which it was more than half of its largest, and the longest since without such a one
    full, away = -1, 0
    for row, now in zip(rows.tolist(), own[rows].tolist(), strict=True):
        away = max(away, row - full - 1)
        if now < _LEAST_RADIUS_PERCENT:
            low = min(low, now)
        elif not peaks or (low <= _AGAIN * now and low <= _AGAIN * high and away >= apart):
            peaks.append(row)
            low, high, full, away = now, now, row, 0
        elif now > high:
            peaks[-1], low, high, full, away = row, now, now, row, 0
        else:
            if now > _AGAIN * high:
                low = now if away < apart else min(low, now)  # what hid it for a moment is forgotten
                full = row
            else:
                low = min(low, now)
    return peaks


def _depth(radius: Doubles, first: int, second: int) -> float:
    """By what share of the smaller of two peaks the radius [n] falls between them."""
    return 1.0 - float(radius[first : second + 1].min()) / min(float(radius[first]), float(radius[second]))
