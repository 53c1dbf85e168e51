"""Brightness over a flight: the variation a pilot sees, the exposure behind it, and what lamps did to it. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.hunting import BAND_HZ, flicker, hunting
from fieldscore.lamp_passes import TAIL_S, LampPass, amid_no_light, flown_past, lamp_passes, toward_light, while_seen
from fieldscore.record import FlightRecord, TileSeries
from fieldscore.recovery import FlashEvent
from fieldscore.scorecard import Lamps, Stability
from fieldscore.sun import SUN, LightStretch, bright_stretches
from fieldscore.timeline import Timeline
from fieldscore.units import HLG, PERCENT, CodeRange, code_to_level, curves_of, to_linear

Mask = npt.NDArray[np.bool_]
Doubles = npt.NDArray[np.float64]

_DRIFT_S = 1.0  # level variation slower than this is drift, faster is jitter
_MAD_TO_SIGMA = 1.4826  # for a normal distribution: 1 / 0.67449
_AFTER_EVENT_S = 2.0  # a loop has settled so long after a torch; longer where its recovery was longer
# Between lamps, from which on their pace is known, if there was one for such a share of the swings at least; share of a period
# of the exposure by which one may be off, and share of them that must not.
_FEWEST_GAPS, _MOST_SWINGS = 2, 0.6
_IN_STEP, _MOST_IN_STEP = 0.2, 0.7
# Share of the swing that what lamps pull down comes to, over all swings, from which on they may be what swings; and times the swing
# that the exposure then moves by in most periods: one that oscillates moves by that once, one that falls at lamps by more. So only
# in so few swings: over more, falls that come unevenly make no line in the spectrum (of five within 20 s they do, over 14 swings).
_PULLED_OF_SWING, _MOVES_OVER_SWING, _FEW_SWINGS = 0.5, 1.5, 15.0
_SLOPE_OVER = 0.05  # share of the level each way over which a curve's slope is taken
_PULLED_DOWN_STOPS = 0.5  # half a stop is a change that a pilot sees at once; common practice, no source


def stability(timeline: Timeline, inside: Mask, events: Sequence[FlashEvent]) -> tuple[Stability, dict[str, str]]:
    """Level variation, hunting and flicker over the rows inside; and for each figure that is None, why.

    Jitter is the robust sigma of the steps from frame to frame, drift the sigma of one-second means.
    """
    level = timeline["level_percent"]
    pairs = inside[1:] & inside[:-1] & (np.diff(timeline.time_s) < 1.5 * timeline.interval_s)
    steps = np.diff(level)[pairs]
    steps = steps[np.isfinite(steps)]
    jitter = None
    if steps.size:
        jitter = float(_MAD_TO_SIGMA * np.median(np.abs(steps - np.median(steps))) / math.sqrt(2.0))
    known = inside & np.isfinite(level)
    second = np.floor(timeline.time_s[known] / _DRIFT_S).astype(np.int64)
    drift = None
    if known.any() and second[-1] > second[0]:
        _, index = np.unique(second, return_inverse=True)
        means = np.bincount(index, weights=level[known]) / np.bincount(index)
        drift = float(means.std(ddof=1))
    few = "not measurable, too few frames in a row gave a level"
    why = {
        name: few for name, value in (("level_jitter_percent", jitter), ("level_drift_percent", drift)) if value is None
    }
    calm = inside & ~_around(timeline, events)
    rate = 1.0 / timeline.interval_s if len(timeline) > 1 else math.nan
    beat = flicker(timeline.time_s, level, calm, rate) if math.isfinite(rate) else None
    found = hunting(timeline.time_s, timeline["exposure_stops"], calm, None if beat is None else beat.alias_hz, level)
    period, unsure = found.period_s, found.unsure
    if found.stops is None:
        why["hunting_stops"] = why["hunting_period_s"] = f"not measurable, {found.reason}"
    elif period is None:
        why["hunting_period_s"] = "no oscillation of the exposure stands out"
    elif doubt := _of_lamps(timeline, inside, calm, found.stops, period):
        why["hunting_stops"] = why["hunting_period_s"] = f"not measurable, {doubt}: its own swing is not told"
        found, period = type(found)(None, None), None
    if unsure and _pace_of_lamps(_flown_past(timeline, inside), float(calm.sum()) * timeline.interval_s, *unsure):
        unsure = None
    if beat is None:
        for name in ("flicker_percent", "flicker_hz"):
            why[name] = "no beat of 100 or 120 Hz lamps with the frames was found"
    return (
        Stability(
            jitter,
            drift,
            found.stops,
            period,
            None if beat is None else beat.level_percent,
            None if beat is None else beat.alias_hz,
            unsure,
        ),
        why,
    )


def _of_lamps(timeline: Timeline, inside: Mask, calm: Mask, swing_stops: float, period_s: float) -> str | None:
    """Why the swing found over the calm rows may be the camera following the lamps that it is flown past; None if it is its own."""
    passes, lasts_s = _flown_past(timeline, inside), float(calm.sum()) * timeline.interval_s
    if pace := _pace_of_lamps(passes, lasts_s, swing_stops, period_s):
        return pace
    if lasts_s >= _FEW_SWINGS * period_s:
        return None
    counted = calm[np.searchsorted(timeline.time_s, [one.largest_s for one in passes])]
    pulled = sum(max(-one.pulldown_stops, 0.0) for one, is_calm in zip(passes, counted, strict=True) if is_calm)
    if pulled * period_s < _PULLED_OF_SWING * swing_stops * lasts_s:
        return None
    exposure = np.where(calm, timeline["exposure_stops"], np.nan)
    periods = np.lib.stride_tricks.sliding_window_view(exposure, round(period_s / timeline.interval_s))
    moves = np.ptp(periods, axis=1)
    if np.nanmedian(moves) < _MOVES_OVER_SWING * swing_stops:
        return None
    return f"lamps flown past move the exposure by more than the {swing_stops:.2f} stops that it swings by every {period_s:.1f} s"


def _flown_past(timeline: Timeline, inside: Mask) -> tuple[LampPass, ...]:
    """Lamps that the drone was flown past in the airtime, whatever else shone."""
    return flown_past(amid_no_light(timeline, lamp_passes(timeline, inside)))


def _pace_of_lamps(passes: Sequence[LampPass], lasts_s: float, swing_stops: float, period_s: float) -> str | None:
    """Say that lamps are flown past at the pace of a swing, or a half or a third of it; None where they are not."""
    for times, often in enumerate(("as often", "twice as often", "three times as often"), 1):
        shows = times > 1 and times * period_s < 1.0 / BAND_HZ[0]  # the lamps' own pace would, and be the larger
        if not shows and _keeps_step(passes, swing_stops, times * period_s, lasts_s):
            return f"the exposure swings every {period_s:.1f} s, {often} as a lamp is flown past"
    return None


def _keeps_step(passes: Sequence[LampPass], swing_stops: float, period_s: float, lasts_s: float) -> bool:
    """Say whether lamps are flown past as often as the exposure swings in so long, and pull it down by half of that and more."""
    apart = np.diff([one.largest_s for one in passes])
    if apart.size < _FEWEST_GAPS or len(passes) * period_s < _MOST_SWINGS * lasts_s:
        return False
    if np.median([one.pulldown_stops for one in passes]) > -swing_stops / 2.0:
        return False
    return bool(np.mean(np.abs(apart / period_s - 1.0) <= _IN_STEP) >= _MOST_IN_STEP)


def _around(timeline: Timeline, events: Sequence[FlashEvent]) -> Mask:
    """Rows [n] in which a torch is lit or the camera recovers from it."""
    rows = np.zeros(len(timeline), dtype=np.bool_)
    lit_s: float | None = None
    for event in events:
        after = max(_AFTER_EVENT_S, event.recovery_s or 0.0)
        rows |= timeline.between(event.at_s - timeline.interval_s, event.at_s + after)
        if event.kind == "flash_on":
            lit_s = event.at_s if lit_s is None else lit_s
        elif lit_s is not None:
            rows |= timeline.between(lit_s, event.at_s)
            lit_s = None
    return rows


def lamps(
    record: FlightRecord,
    inside: Mask,
    criteria: Criteria,
    events: Sequence[FlashEvent] = (),
    lost: Mask | None = None,
) -> Lamps:
    """Passes of lamps over the rows inside, their medians, what flying toward a light cost, the sun.

    The sun is no lamp, and what grows while a torch is lit, by the flash events, is not flown past. `lost` [n] are rows whose
    picture the link made; None where there is none.
    """
    timeline, clip = record.timeline, record.clip
    ceiling = float(code_to_level(clip.ceiling_code, CodeRange(clip.code_range), clip.bits)) / PERCENT
    sides = zip(record.picture.border_px, (clip.height, clip.width) * 2, strict=True)
    top, right, bottom, left = (pixels / length for pixels, length in sides)
    new = newly_taken(timeline, record.evidence.thumb_time_s, lost)
    found = bright_stretches(record.evidence, ceiling, criteria.transfer_curve, (top, right, bottom, left), new)
    lights = tuple(one for one in found if (timeline.between(one.from_s, one.to_s) & inside).any())
    sun = np.zeros(len(timeline), dtype=np.bool_)
    for one in lights:
        if one.kind == SUN:
            sun |= timeline.between(one.from_s, one.to_s)
    grown = amid_no_light(timeline, lamp_passes(timeline, inside))
    peaks = np.searchsorted(timeline.time_s, [one.largest_s for one in grown])
    others = sun | _around(timeline, events)
    passes = flown_past([one for one, row in zip(grown, peaks, strict=True) if not others[row]])
    return Lamps(
        passes,
        float(np.median([one.pulldown_stops for one in passes])) if passes else None,
        float(np.median([one.veil_percent for one in passes])) if passes else None,
        toward_light(timeline, inside, criteria.usable_zone_readable_percent),
        lights,
        while_seen(timeline, inside & sun, criteria.usable_zone_readable_percent),
        lost_around(record.tiles, [one for one in lights if one.kind == SUN], criteria.rose_k),
    )


def newly_taken(timeline: Timeline, picture_s: npt.NDArray[np.float64], lost: Mask | None = None) -> Mask:
    """Which pictures at these times [k] the camera took after the one before: none of the link's, no repeat of that one."""
    sound = ~(np.nan_to_num(timeline["repeated"]) > 0.0)
    if lost is not None:
        sound &= ~lost
    rows = np.searchsorted(timeline.time_s, picture_s - 0.5 * timeline.interval_s)  # times are rounded
    rows = np.minimum(rows, len(timeline) - 1)
    count = np.cumsum(sound)[rows]
    kept = np.diff(count, prepend=0) > 0
    return np.asarray(kept if lost is None else kept & ~lost[rows])


def lost_around(tiles: TileSeries, suns: Sequence[LightStretch], rose_k: float) -> float | None:
    """Median share (%) of the picture that cannot be read around the sun; None without it.

    Around it are the tiles under the criterion that hang together, by sides or corners, with the one that its core is in.
    """
    shares = []
    for sun in suns:
        for time_s, across, down in sun.places:
            if not len(tiles.time_s):
                return None
            k = tiles.readable[int(np.abs(tiles.time_s - time_s).argmin())]
            known = np.isfinite(k)
            if not known.any():
                continue
            row, column = (
                min(int(share * size), size - 1) for share, size in zip((down, across), k.shape, strict=True)
            )
            lost = known & (np.nan_to_num(k) < rose_k)
            joined = lost.copy()
            joined[row, column] = True
            _, labels = cv2.connectedComponents(joined.astype(np.uint8), connectivity=8)
            around = lost & (labels == labels[row, column])
            shares.append(100.0 * np.count_nonzero(around) / np.count_nonzero(known))
    return float(np.median(shares)) if shares else None


def pulled_down(timeline: Timeline, found: Lamps) -> Mask:
    """Rows [n] of lamp passes in which the exposure stood at least half a stop below its highest before, from that on."""
    rows = np.zeros(len(timeline), dtype=np.bool_)
    exposure = np.nan_to_num(timeline["exposure_stops"], nan=np.inf)
    for one in found.passes:
        if one.pulldown_stops <= -_PULLED_DOWN_STOPS:
            during = timeline.between(one.highest_s, one.to_s + TAIL_S)
            rows |= during & (exposure <= one.highest_stops - _PULLED_DOWN_STOPS)
    return rows


def stop_by_curve(
    middle_percent: Doubles, bright_percent: Doubles, curve: str, transfer_tag: str | None
) -> dict[str, tuple[float, float]] | None:
    """What one stop under `curve` is, at the picture's middle and in its bright, under each named curve that its tag allows.

    `middle_percent`, `bright_percent` [n]: the picture's median and 95th percentile in % above the recording's floor. None where
    all is at the floor. A surface changes by so many codes; how much light that is depends on the curve's slope there, in
    stops a level. That of hybrid log-gamma doubles from the middle of the range to the top, and falls in the dark where sRGB's
    offset makes a level dearer; others' hardly change, and have the middle's twice.
    """
    middle = middle_percent[np.isfinite(middle_percent) & (middle_percent > 0.0)]
    if not middle.size:
        return None
    at = float(np.median(middle))
    bright = bright_percent[bright_percent > at]
    levels = np.array([at, float(np.median(bright)) if bright.size else at]) / PERCENT

    def slopes(name: str) -> Doubles:
        low, high = (np.log2(to_linear(levels * (1.0 + end * _SLOPE_OVER), name)) for end in (-1.0, 1.0))
        return np.asarray(high - low)

    stops = {name: slopes(name) / slopes(curve) for name in dict.fromkeys((curve, *curves_of(transfer_tag)))}
    bent = {name: found if HLG in {name, curve} else found[[0, 0]] for name, found in stops.items()}
    return {name: (float(found[0]), float(found[1])) for name, found in bent.items()}


def ends_of(one_stop: Mapping[str, tuple[float, float]]) -> tuple[float, float]:
    """The least and most of one stop under all curves (`stop_by_curve`)."""
    return min(map(min, one_stop.values())), max(map(max, one_stop.values()))


def curve_note(
    one_stop: Mapping[str, tuple[float, float]] | None,
    curve: str,
    transfer_tag: str | None,
    steady: Stability,
    found: Lamps,
) -> str | None:
    """How the stops of hunting and lamps would change if the camera's curve were another; None without such a figure.

    `one_stop`: what one stop is under each curve (`stop_by_curve`).
    """
    if one_stop is None or not (found.passes or steady.hunting_stops):
        return None
    known, under = f"the camera's tone curve is not known, {curve} is assumed", ""
    others = {name: ends for name, ends in one_stop.items() if name != HLG or curve == HLG}
    if transfer_tag == HLG:
        known = "the file says that its tone curve is HLG (ITU-R BT.2100), " + (
            "under which all is measured" if curve == HLG else f"{curve} is assumed"
        )
    if transfer_tag == HLG != curve:
        middle, bright = (f"{stop:.1f}" for stop in one_stop[HLG])
        at = middle if middle == bright else f"{middle} (middle of the picture) and {bright} (bright)"
        under = f"is {at} stops under HLG and "
    low, high = (f"{end:.1f}" for end in ends_of(others))
    return (
        f"{known}: what is called one stop here (hunting, lamps) {under}may be {low} to {high} stops "
        "under other standard curves; one of the camera's own may take it further"
    )


def dark_causes(cause: npt.NDArray[np.int8], names: Sequence[str]) -> Mask:
    """Rows [n] that were lost to darkness or noise: what a lamp's pull-down can be to blame for."""
    return np.isin(cause, [names.index("too_dark"), names.index("noisy")])
