"""Why a frame was not usable, by what was measured of it. Pure."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fieldscore.airtime import motion_of_exposure
from fieldscore.criteria import Criteria
from fieldscore.record import FlightRecord
from fieldscore.recovery import FlashEvent, exposure_back_s
from fieldscore.scorecard import CAUSES
from fieldscore.timeline import Timeline

Mask = npt.NDArray[np.bool_]
Doubles = npt.NDArray[np.float64]

_HELD_S = 0.5  # a frame without its own readability (repeated, first) has that of a neighbour this near


def causes(
    record: FlightRecord, criteria: Criteria, lost: Mask, pulses: Mask, column: str = "zone_readable_percent"
) -> tuple[npt.NDArray[np.int8], Mask]:
    """Why each frame [n] was not usable (index into CAUSES, -1 usable), and which frames [n] can be judged at all.

    `lost` [n]: frames of a lost link; `pulses` [n]: others under light that pulses so deeply that none can be judged;
    `column`: the one that says how much of the flying zone can be read.
    """
    timeline = record.timeline
    readable, dark, blown, noisy = (
        held(timeline, timeline[name])
        for name in (column, "zone_dark_percent", "zone_blown_percent", "zone_noisy_percent")
    )
    level, clipped = timeline["level_percent"], timeline["clipped_percent"]
    flat_range = timeline["p95_percent"] - timeline["p5_percent"]
    floor_level = record.clip.floor_level_percent
    cause = np.full(len(timeline), -1, dtype=np.int8)
    with np.errstate(invalid="ignore"):
        unreadable = readable < criteria.usable_zone_readable_percent
        cause[unreadable] = CAUSES.index("noisy")
        cause[unreadable & (dark >= noisy)] = CAUSES.index("too_dark")
        cause[unreadable & (blown >= dark) & (blown >= noisy)] = CAUSES.index("blown")
        cause[level - floor_level < criteria.black_level_percent] = CAUSES.index("too_dark")
        grey = (flat_range < criteria.grey_range_percent) & (level > criteria.grey_level_percent)
        cause[grey | (clipped > criteria.blown_clipped_percent)] = CAUSES.index("blown")
    cause[lost] = CAUSES.index("link_lost")
    judged = (np.isfinite(readable) | (cause >= 0)) & ~pulses  # a black or blown frame needs no readability to be lost
    return cause, judged


def recovering(timeline: Timeline, criteria: Criteria, events: tuple[FlashEvent, ...]) -> npt.NDArray[np.bool_]:
    """Rows [n] between a flash edge and the end of the recovery from it, where that is known.

    In flight the level goes on to change with what is seen: there the exposure says when the camera was back.
    """
    rows = np.zeros(len(timeline), dtype=np.bool_)
    if not events:
        return rows
    motion = timeline["motion_percent"] - motion_of_exposure(timeline, criteria)
    for event in events:
        if event.recovery_s is not None:
            end_s = event.at_s + event.recovery_s
            moved = motion[timeline.between(event.at_s, end_s) & np.isfinite(motion)]
            if moved.size and np.median(moved) > criteria.airtime_motion_percent_per_s:
                end_s = exposure_back_s(timeline, event.at_s, end_s)
            rows |= timeline.between(event.at_s, end_s)
    return rows


def held(timeline: Timeline, values: Doubles) -> Doubles:
    """Fill frames without a value from the nearest frame that has one, if it is near enough in time."""
    known = np.flatnonzero(np.isfinite(values))
    if known.size in (0, len(values)):
        return values
    time_s = timeline.time_s
    after = np.clip(np.searchsorted(known, np.arange(len(values))), 0, known.size - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(time_s[known[before]] - time_s) <= np.abs(time_s[known[after]] - time_s)
    nearest = np.where(nearer, known[before], known[after])
    return np.where(np.abs(time_s[nearest] - time_s) <= _HELD_S, values[nearest], np.nan)
