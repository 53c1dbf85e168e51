"""How long the picture takes to come back after each flash edge, with bounds. Pure: from a Timeline's columns.

Recovered is the instant after which the level stays within 10 % of the settled level for half a second. An edge and a
crossing each lie somewhere between two frames, so that nothing is finer than a frame; noise widens the bounds further.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.flashes import Edge, flash_edges, without_crossing
from fieldscore.screens import WASHED_PERCENT
from fieldscore.timeline import Timeline

Doubles = npt.NDArray[np.float64]

BAND_SHARE = 0.10  # of the settled level: the 2 % of textbooks is meaningless on noisy video
HOLD_S = 0.5  # the level must stay within the band for so long
BAND_STOPS = 0.3  # the same of the exposure: 10 % of the level are 0.3 stop under a curve of 2.2
SETTLED_OVER_S = 1.0  # the settled level is the median of so long before the next edge or the end ...
SETTLED_AT_LEAST_S = 0.4  # ... or of what there is, if it is at least this
STEADY_SHARE_S = 0.05  # the settled stretch may drift by this share of itself a second
PULSE_S = 3.0  # a shorter pulse may end before the level has settled and held (docs/guide.md)
NOISE_SIGMAS = 4.0  # the band must be this many sigma of the level's noise
_START_WITHIN_S = 6.0  # a camera has started up within so long
# s: a recording whose level keeps within a band for so long from its first row, not washed out, does not show a camera start up:
# one that a lamp then lights, by so much of what it is off in two frames, or none at all. A loop may be dead for a second.
_START_STEADY_S, _START_DEAD_S, _START_LIT_SHARE = 1.0, 2.0, 0.5
_START_BANDS = 2.5  # a recording starts blown out or black if its level is so many bands away
_WIDEN_SIGMAS = 2.0  # bounds are taken with a band wider and narrower by so many sigma ...
_WIDEN_PERCENT = 0.3  # ... or by this: a codec lags behind a level that drifts slowly (docs/recovery-accuracy.md)
_FIT_FROM, _FIT_TO = 0.95, 0.12  # shares of the first deviation between which an exponential is fitted
_FIT_POINTS = 5
_FIT_QUALITY = 0.98  # share of the variance of the logarithm that a straight line must explain
_LONGER = f"; let light and dark last {PULSE_S:g} s each"
_CHANGED_BACK = {"flash_on": "went out", "flash_off": "came on"}
_MAD_TO_SIGMA = 1.4826 / math.sqrt(2.0)  # of differences of neighbours


@dataclass(frozen=True)
class FlashEvent:
    """One flash edge and the recovery after it. Times in seconds, levels in % above the floor; None = not measurable.

    `unreadable_percent` is the share of the picture that stays unreadable under the new light.
    `recovery_s` lies between `recovery_low_s` and `recovery_high_s`; `reason` says why an event is not resolvable.
    After it, before the next event: `missed_s` is when light changed that was not found to be one, `crossed_s` when a light came
    in or left over the picture's edge.
    """

    kind: str
    at_s: float
    before_s: float
    after_s: float
    local: bool
    recovery_s: float | None
    recovery_low_s: float | None
    recovery_high_s: float | None
    settled_percent: float | None
    black_frames: int
    grey_frames: int
    first_readable_s: float | None
    unreadable_percent: float | None
    overshoot_percent: float | None
    undershoot_percent: float | None
    time_constant_s: float | None
    resolvable: bool
    reason: str | None
    missed_s: float | None = None
    crossed_s: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Give the event as plain data, rounded to a tenth of a millisecond."""
        return {name: round(value, 4) if isinstance(value, float) else value for name, value in asdict(self).items()}


def flash_events(
    timeline: Timeline, criteria: Criteria, level: Doubles, lost: npt.NDArray[np.bool_], readable: npt.NDArray[np.bool_]
) -> list[FlashEvent]:
    """Every flash edge of a Timeline with its recovery, in order.

    `level` [n] in % above the floor, `lost` [n] rows without link, `readable` [n] rows whose flying zone can be read.
    """
    edges = flash_edges(timeline, level, lost)
    started = _start_up(timeline, criteria, level, edges[0].row if edges else len(timeline))
    edges = without_crossing([*started, *edges])
    if not edges:
        return []
    nexts = [edge.row for edge in edges[1:]] + [len(timeline)]
    return [_event(timeline, criteria, level, readable, edge, stop) for edge, stop in zip(edges, nexts, strict=True)]


def _start_up(timeline: Timeline, criteria: Criteria, level: Doubles, stop: int) -> list[Edge]:
    """The start of a recording as an edge, where it begins far from where its level settles while the scene stands still."""
    stop = min(stop, int(np.searchsorted(timeline.time_s, timeline.time_s[0] + _START_WITHIN_S)))
    time_s, part = timeline.time_s[:stop], level[:stop]
    if stop < _FIT_POINTS:
        return []
    settled, _, reason = settled_level(time_s, part)
    motion = timeline["motion_percent"][:stop]
    still = not np.isfinite(motion).any() or np.nanmedian(motion) < criteria.airtime_motion_percent_per_s
    if reason is not None or not still or abs(part[0] - settled) < _START_BANDS * BAND_SHARE * settled:
        return []
    first = float(time_s[0])
    washed = max(timeline[name][0] for name in ("clipped_percent", "crushed_percent")) > WASHED_PERCENT
    if not washed and _level_stood(time_s - first, part, settled):
        return []
    return [Edge("start_up", 0, first, first, False)]


def _level_stood(time_s: Doubles, level: Doubles, settled: float) -> bool:
    """Say whether a level that begins far from where it settles stood there until light changed it; times from the first row."""
    leaves = int(np.argmax(np.maximum.accumulate(level) - np.minimum.accumulate(level) > BAND_SHARE * settled))
    steady = float(time_s[leaves])
    step = abs(float(level[min(leaves + 1, len(level) - 1)] - level[leaves - 1]))
    lit = step >= _START_LIT_SHARE * abs(settled - float(level[leaves - 1]))
    return steady > _START_DEAD_S or (steady > _START_STEADY_S and lit)


def _event(  # noqa: PLR0913 - one edge in its flight
    timeline: Timeline,
    criteria: Criteria,
    level: Doubles,
    readable: npt.NDArray[np.bool_],
    edge: Edge,
    stop: int,
) -> FlashEvent:
    stop, told = _ended(edge, stop)
    time_s, part = timeline.time_s[edge.row : stop], level[edge.row : stop]
    settled, sigma, reason = settled_level(time_s, part)
    bounds: tuple[float, float, float] | None = None
    if reason is None:
        bounds, reason = recovery_bounds(time_s, part, settled, sigma, edge.before_s)
    if reason is not None and told is not None:
        reason = f"{told} before it settled: {reason}"
    seen = np.flatnonzero(readable[edge.row : stop])
    flat = timeline["p95_percent"][edge.row : stop] - timeline["p5_percent"][edge.row : stop]
    grey = (flat < criteria.grey_range_percent) & (part > criteria.grey_level_percent)
    black = part < criteria.black_level_percent
    over, under = (part.max() - settled, settled - part.min()) if settled > 0 else (math.nan, math.nan)
    return FlashEvent(
        kind=edge.kind,
        at_s=edge.at_s,
        before_s=edge.before_s,
        after_s=edge.after_s,
        local=edge.local,
        recovery_s=None if bounds is None else bounds[0],
        recovery_low_s=None if bounds is None else bounds[1],
        recovery_high_s=None if bounds is None else bounds[2],
        settled_percent=_finite(settled),
        black_frames=int(np.argmin(black)) if not black.all() else len(black),
        grey_frames=int(np.count_nonzero(grey)) if edge.kind == "flash_on" else 0,
        first_readable_s=float(time_s[seen[0]]) - edge.at_s if seen.size else None,
        unreadable_percent=_finite(_lost_for_good(timeline, edge.row, stop)) if reason is None else None,
        overshoot_percent=_finite(100.0 * max(over, 0.0) / settled if settled > 0 else math.nan),
        undershoot_percent=_finite(100.0 * max(under, 0.0) / settled if settled > 0 else math.nan),
        time_constant_s=_finite(time_constant(time_s, part, settled, sigma)) if reason is None else None,
        resolvable=reason is None,
        reason=reason,
        missed_s=None if edge.missed_row is None else float(timeline.time_s[edge.missed_row]),
        crossed_s=None if edge.crossed_row is None else float(timeline.time_s[edge.crossed_row]),
    )


def _ended(edge: Edge, stop: int) -> tuple[int, str | None]:
    """The row at which the recovery of an edge ends, and what happened there if light changed before the `stop`."""
    if edge.missed_row is not None and (edge.crossed_row is None or edge.missed_row < edge.crossed_row):
        return edge.missed_row, f"the light {_CHANGED_BACK[edge.kind]}"
    if edge.crossed_row is not None:
        return edge.crossed_row, "a light came in or left over the picture's edge"
    return stop, None


def _lost_for_good(timeline: Timeline, start: int, stop: int) -> float:
    """Share of the picture (%) that cannot be read once the level has settled under the new light; NaN if not known."""
    rows = np.arange(start, stop)
    last = rows[timeline.time_s[rows] >= timeline.time_s[stop - 1] - SETTLED_OVER_S]
    readable = timeline["readable_percent"][last]
    readable = readable[np.isfinite(readable)]
    return 100.0 - float(np.median(readable)) if readable.size else math.nan


def settled_level(time_s: Doubles, level: Doubles) -> tuple[float, float, str | None]:
    """Settled level (%), sigma of its noise, and why there is none: from the last second of the rows after an edge."""
    tail = time_s >= time_s[-1] - SETTLED_OVER_S - 1e-9
    length = float(time_s[-1] - time_s[0])
    if length < HOLD_S + SETTLED_AT_LEAST_S:
        short = f"only {length:.1f} s before the next edge or the end: too short to settle"
        return math.nan, math.nan, f"{short}{_LONGER}"
    values, times = level[tail], time_s[tail]
    settled = float(np.median(values))
    if len(values) < _FIT_POINTS:
        return settled, math.nan, f"{len(values)} of {_FIT_POINTS} frames needed in the last second: too few to settle"
    steps = np.diff(values)
    sigma = float(_MAD_TO_SIGMA * np.median(np.abs(steps - np.median(steps)))) if steps.size else 0.0
    if settled <= 0:
        return settled, sigma, "settles at the floor: there is no level to come back to"
    slope = float(np.polyfit(times - times.mean(), values, 1)[0])
    if abs(slope) > STEADY_SHARE_S * settled:
        drift, most = 100.0 * abs(slope) / settled, 100.0 * STEADY_SHARE_S
        longer = _LONGER if length < PULSE_S else ""
        told = f"still drifting by {drift:.1f} % of the settled level a second; {most:g} % is allowed{longer}"
        return settled, sigma, told
    if BAND_SHARE * settled < NOISE_SIGMAS * sigma:
        return (
            settled,
            sigma,
            f"noise of the level ({sigma:.2f} %) is too large for a band of {BAND_SHARE * settled:.2f} %",
        )
    return settled, sigma, None


def recovery_bounds(
    time_s: Doubles, level: Doubles, settled: float, sigma: float, before_s: float
) -> tuple[tuple[float, float, float] | None, str | None]:
    """Recovery time, its lower and upper bound (s) after an edge between `before_s` and the first row; or why not.

    The bounds hold what the frame clock leaves open at both ends, and noise at the crossing.
    """
    band = BAND_SHARE * settled
    row = _stays_within(time_s, level, settled, band)
    if row is None:
        return None, f"does not stay within {100 * BAND_SHARE:.0f} % of the settled level for {HOLD_S:g} s"
    wider = max(_WIDEN_SIGMAS * sigma, _WIDEN_PERCENT)
    early = _stays_within(time_s, level, settled, band + wider)
    late = _stays_within(time_s, level, settled, max(band - wider, 0.0))
    late = row if late is None else late
    middle = (before_s + float(time_s[0])) / 2
    reached = _band_reached_s(time_s, level, settled, band, row, middle)
    low = max(0.0, float(time_s[early - 1] if early else before_s) - float(time_s[0]))
    high = float(time_s[late]) - before_s
    return (min(max(reached - middle, low), high), low, high), None


def exposure_back_s(timeline: Timeline, at_s: float, until_s: float) -> float:
    """When (s), from an edge until its recovery ends, the exposure came to stay where it is at that end; the end if not known.

    Where it is not known for a while it is taken to go straight from what it was to what it is after that.
    """
    part = timeline.between(at_s, until_s + HOLD_S)
    time_s, exposure = timeline.time_s[part], timeline["exposure_stops"][part]
    known = np.isfinite(exposure)
    ended = known & (time_s >= until_s)
    if not ended.any():
        return until_s
    exposure = np.interp(time_s, time_s[known], exposure[known])
    row = _stays_within(time_s, exposure, float(np.median(exposure[ended])), BAND_STOPS)
    return until_s if row is None else min(float(time_s[row]), until_s)


def _stays_within(time_s: Doubles, level: Doubles, settled: float, band: float) -> int | None:
    """First row from which the level stays within a band of the settled level for the hold time; None if it never does."""
    inside = np.abs(level - settled) <= band
    leaves = np.flatnonzero(~inside)
    starts = np.concatenate([[0], leaves + 1])
    ends = np.concatenate([leaves, [len(level)]])
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if end > start and time_s[end - 1] - time_s[start] >= HOLD_S - 1e-6:
            return int(start)
    return None


def _band_reached_s(  # noqa: PLR0913 - one entry
    time_s: Doubles, level: Doubles, settled: float, band: float, row: int, edge_s: float
) -> float:
    """Instant at which the level enters the band, interpolated between frames; the edge itself where it never left."""
    if row == 0:
        return edge_s
    limit = settled + math.copysign(band, level[row - 1] - settled)
    change = level[row] - level[row - 1]
    share = 1.0 if change == 0 else min(max((limit - level[row - 1]) / change, 0.0), 1.0)
    return float(time_s[row - 1] + share * (time_s[row] - time_s[row - 1]))


def time_constant(time_s: Doubles, level: Doubles, settled: float, sigma: float) -> float:
    """Time constant (s) of the approach to the settled level where it is exponential; NaN where it is not."""
    away = np.abs(level - settled)
    peak = int(np.argmax(away))
    least = max(_FIT_TO * away[peak], NOISE_SIGMAS * sigma)
    after = away[peak:]
    begin = int(np.argmax(after <= _FIT_FROM * after[0]))
    below = after <= least
    end = int(np.argmax(below)) if below.any() else len(after)
    values, times = after[begin:end], time_s[peak + begin : peak + end]
    if len(values) < _FIT_POINTS or (values <= 0).any():
        return math.nan
    logs = np.log(values)
    slope, offset = np.polyfit(times - times[0], logs, 1)
    left = logs - (slope * (times - times[0]) + offset)
    if slope >= 0 or left.var() > (1 - _FIT_QUALITY) * logs.var():
        return math.nan
    return float(-1.0 / slope)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
