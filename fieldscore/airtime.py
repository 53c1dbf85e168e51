"""When the drone flew, by a Timeline: from the first sustained motion of the picture to the last. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.running import rows_apart, running_mean, running_median, runs
from fieldscore.timeline import Timeline
from fieldscore.torn import BEAT_ROWS

Mask = npt.NDArray[np.bool_]
Doubles = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

# %/s that a standing camera seems to move by for each stop a second that its exposure goes: where dark and lit parts change
# unlike each other, up to 9 as it settles after a torch, a tenth of the frames over 7 (docs/decisions/airtime.py).
MOTION_OF_EXPOSURE = 10.0
EXPOSURE_OVER_S = 0.2  # s over which the speed of the exposure is taken: less would be the trace's own noise
# s before and after over which the exposure is averaged, and stops a second for each stop between these: what swings back is
# hunting, and no reason to doubt a flight
SETTLED_FROM_S, SETTLED_TO_S, SETTLES_PER_S = 0.75, 1.5, 1.5
LAY_S = 3.0  # s: in the air even a drone that holds its place sways within so long; common practice, no source
# %/s of the picture's height: a camera that lies there mostly seems to move by 0.01 to 0.4, noise and all (bench clips by night and
# crashes of two simulators), seldom by up to 1.4; a drone in the air sways by more, common practice, no source. Only a picture
# that mostly shows something says so: of one that is black nothing could move. So no time that cannot be flown by is left out.
GROUND_PERCENT, SHOWS_PERCENT = 0.5, 50.0
KNOWN = 0.1  # share of the rows whose motion must be known; of pictures each shown four times it is a quarter
MOSTLY = 0.5  # share of the time between first and last motion from which on one stretch is no landing in a flight
# The speed of a standing camera under them is nearer to that of a beat before than to that of the row before by this (it is
# 0.05; no second of 89 simulated and real flights is under 0.25), and the cosine from each motion to the next at most this.
BEAT_RATIO, BEAT_COSINE = 0.2, 0.5
# Share of the rows that move: bands roll on every one, a camera that shows a picture for two rows or three stands still on some.
BEAT_MOVES = 0.8
# Rows, half of those over which motion is judged, from which on it may be taken over three: of fewer one knock would be most
HALF_OVER_ROWS = 6


@dataclass(frozen=True)
class Airtime:
    """From when to when the drone flew, in seconds, and how that is known ("motion", "given", "whole clip").

    `still`: the stretches within it, from and to (s), in which the picture stood still so long that the drone may have lain there;
    `ground`: parts of them in which it did, since the picture shows things of which none moved.
    """

    from_s: float
    to_s: float
    how: str
    still: tuple[tuple[float, float], ...] = ()
    ground: tuple[tuple[float, float], ...] = ()

    @property
    def ground_s(self) -> float:
        """Seconds on the ground in all."""
        return self.ground_between(self.from_s, self.to_s)

    def ground_between(self, first_s: float, last_s: float) -> float:
        """Seconds on the ground from a time to another."""
        return sum(to_s - from_s for from_s, to_s in self.within(first_s, last_s))

    def within(self, from_s: float, to_s: float) -> tuple[tuple[float, float], ...]:
        """The stretches on the ground between two times, cut off there."""
        cut = [(max(one, from_s), min(other, to_s)) for one, other in self.ground]
        return tuple((one, other) for one, other in cut if other > one)

    def on_ground(self, time_s: Doubles) -> Mask:
        """Which times [n] lie in a stretch on the ground."""
        inside = [(time_s >= from_s) & (time_s <= to_s) for from_s, to_s in self.ground]
        return np.any(inside, axis=0) if inside else np.zeros(len(time_s), dtype=np.bool_)


def airtime(timeline: Timeline, criteria: Criteria, lost: Mask) -> Airtime:
    """Find the stretch from first to last sustained motion of the picture; the whole clip where there is none.

    Motion is judged on its median over the hold time, so that a knock or a flash does not start a flight, less what an
    exposure that goes to another level passes for, and not where it only beats. Where it cannot be told (dark, link lost) it
    is taken to go on as before.
    """
    time_s = timeline.time_s
    if len(timeline) < 2 or not timeline.interval_s > 0:  # noqa: PLR2004 - nothing to compare
        return Airtime(float(time_s[0]), float(time_s[-1]), "whole clip")
    least = criteria.airtime_motion_percent_per_s
    seen = np.where(lost | (np.nan_to_num(timeline["repeated"]) > 0), np.nan, timeline["motion_percent"])
    half = max(1, round(criteria.airtime_hold_s / 2 / timeline.interval_s))
    motion = _usual(seen - motion_of_exposure(timeline, criteria), half)
    moving = (motion > least) & ~_beats(seen, timeline["motion_change_percent"], half, least)
    sustained = [
        (start, stop)
        for start, stop in runs(moving)
        if time_s[stop - 1] - time_s[start] >= criteria.airtime_hold_s - timeline.interval_s
    ]
    if not sustained:
        return Airtime(float(time_s[0]), float(time_s[-1]), "whole clip")
    begin, end = sustained[0][0], sustained[-1][1]
    # only what is seen to stand still, whatever the exposure does
    usual, known = _usual(seen, half), running_mean(np.isfinite(seen).astype(np.float64), half)
    stands = (usual <= least) & (known > 0.0)
    with np.errstate(invalid="ignore"):
        shows = running_median(timeline["readable_percent"], half) >= SHOWS_PERCENT
    lies = stands & (usual <= GROUND_PERCENT) & (known > KNOWN) & shows
    still, ground = (
        tuple(
            (float(time_s[begin + start]), float(time_s[begin + stop - 1]))
            for start, stop in runs(rows[begin:end])
            if time_s[begin + stop - 1] - time_s[begin + start] >= LAY_S
        )
        for rows in (stands, lies)
    )
    found = Airtime(float(time_s[begin]), float(time_s[end - 1]), "motion", still, ground)
    # a bench clip that a hand begins and ends is no flight
    longest_s = max((to_s - from_s for from_s, to_s in ground), default=0.0)
    return replace(found, ground=()) if longest_s > MOSTLY * (found.to_s - found.from_s) else found


def _usual(motion: Doubles, half: int) -> Doubles:
    """Median [n] of motion (%/s) over half a window each side, taken over three rows each where the window has rows enough.

    Pictures shown twice or three times, coded anew each time, move on one of so many rows alone.
    """
    if half >= HALF_OVER_ROWS:
        over_rows = running_mean(motion, 1)
        motion = np.where(np.isnan(over_rows), motion, over_rows)
    return running_median(motion, half)


def _beats(motion: Doubles, change: Doubles, half: int, least: float) -> Mask:
    """Rows [n] within a window, half each side, whose motion and its change (%/s) are those of bands of light.

    Lamps that flicker roll them over the picture: the motion found is another from row to row, takes back what it was, and
    is the same a beat later. A flight's goes on, and at no such pace; where a camera shows each picture for two rows or three,
    some have less than `least`, which counts as motion.
    """
    before = np.concatenate([[np.nan], motion[:-1]])
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        cosine = np.clip((motion**2 + before**2 - change**2) / (2.0 * motion * before), -1.0, 1.0)
    step = rows_apart(motion, 1, half)
    comes_back = np.any([rows_apart(motion, rows, half) < BEAT_RATIO * step for rows in BEAT_ROWS], axis=0)
    moves = running_mean((motion > least).astype(np.float64), half) > BEAT_MOVES
    whole = comes_back & moves & (running_mean(cosine, half) < BEAT_COSINE)
    return np.asarray(running_mean(whole.astype(np.float64), half) > 0.0)


def motion_of_exposure(timeline: Timeline, criteria: Criteria) -> Doubles:
    """What an exposure that goes to another level passes for, in %/s of motion [n], over what counts as none anyway."""
    return np.maximum(MOTION_OF_EXPOSURE * exposure_speed(timeline) - criteria.airtime_motion_percent_per_s, 0.0)


def exposure_speed(timeline: Timeline) -> Doubles:
    """By how many stops a second the camera's exposure goes to another level, either way [n]; 0 where nothing is known of it.

    Where it is not known for a while it is taken to go straight from what it was to what it is after that.

    What swings there and back, as a hunting camera's does, goes nowhere.
    """
    rows = np.arange(len(timeline))
    exposure = timeline["exposure_stops"]
    known = np.isfinite(exposure)
    if not known.any() or len(rows) < 2 or not timeline.interval_s > 0:  # noqa: PLR2004 - nothing to compare
        return np.zeros(len(rows))
    exposure = np.interp(rows, rows[known], exposure[known])
    half, near, far = (
        max(1, round(seconds / timeline.interval_s)) for seconds in (EXPOSURE_OVER_S / 2, SETTLED_FROM_S, SETTLED_TO_S)
    )
    first, last = np.maximum(rows - half, 0), np.minimum(rows + half, len(rows) - 1)
    over_s = timeline.time_s[last] - timeline.time_s[first]
    speed = np.abs(exposure[last] - exposure[first]) / np.where(over_s > 0.0, over_s, np.inf)
    sums = np.concatenate([[0.0], np.cumsum(exposure)])

    def mean(start: Rows, stop: Rows) -> Doubles:
        start = np.clip(start, 0, len(rows) - 1)
        stop = np.clip(stop, start + 1, len(rows))
        return np.asarray((sums[stop] - sums[start]) / (stop - start))

    apart = np.abs(mean(rows + near, rows + far + 1) - mean(rows - far, rows - near + 1))
    return np.asarray(np.minimum(speed, SETTLES_PER_S * apart))
