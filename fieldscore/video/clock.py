"""Time of each picture from its timestamp, and what the timestamps say about lost pictures."""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldscore.intervals import usual_interval
from fieldscore.video.records import Problem

LEAST_STEP_S = 5e-6  # s: less is rounding, no step forward; under a tick of 90 kHz, over the 1 us of saved times
# An interval longer than this many usual intervals is a hole (contract with every measure of time here:
# below it, one picture may just be late).
HOLE_INTERVALS = 1.5
# A step back longer than this is a clock that started anew (recorder restart); a shorter one, pictures out of
# order.
RESTART_S = 1.0
# An interval counts as regular within this share of a whole number of usual intervals. Clocks of 1 ms put 33
# and 34 ms into a 29.97 Hz clip: 2 %; phones jitter by 10 %.
REGULAR_SHARE = 0.25
# More irregular intervals than this share, or more holes than that, and the recorder itself varies its rate:
# its holes are its way of working and no loss. Common practice, no source; the tests hold the cases.
IRREGULAR_LIMIT = 0.10
HOLES_LIMIT = 0.25
# With a variable rate only a stop much longer than its slow intervals is a hole.
VARIABLE_HOLE_INTERVALS = 5.0
VARIABLE_HOLE_S = 0.5
# A hole longer than this (s) is a pause: nobody would fly on while a recorder catches up for so long.
PAUSE_S = 60.0


@dataclass(frozen=True)
class Account:
    """Losses by the clock of one file: pictures, seconds, usual interval (s, NaN below two), what to say."""

    frames_lost: int
    lost_s: float
    interval_s: float
    variable: bool
    problems: tuple[Problem, ...]


class Clock:
    """Turns raw timestamps into times that always go forward.

    `interval_s`: expected seconds between pictures, used where timestamps fail; `start_s`: time of the first
    one; `origin_s`: timestamp of the first one, None to take the first that comes. Memory: 9 bytes a picture.
    """

    def __init__(self, interval_s: float, start_s: float = 0.0, origin_s: float | None = None) -> None:
        """No picture yet."""
        self.interval_s = interval_s
        self.start_s = start_s
        self._shift = None if origin_s is None else start_s - origin_s
        self._raw: float | None = None
        self._times = array("d")
        self._trusted = bytearray()
        self._lost: dict[int, int] = {}
        self.repaired = 0
        self.missing = 0
        self.restarts = 0

    @property
    def last_s(self) -> float | None:
        """Time of the latest picture, None before the first."""
        return self._times[-1] if self._times else None

    @property
    def plain(self) -> bool:
        """Whether times so far are the raw timestamps less a constant."""
        return not (self.repaired or self.missing or self.restarts)

    def between(self, from_s: float, to_s: float) -> Clock:
        """The same, as far as its pictures with from_s <= time < to_s go; of a clock that is plain."""
        first, end = (bisect_left(self._times, limit) for limit in (from_s, to_s))
        found = Clock(self.interval_s, self.start_s)
        found._times, found._trusted = self._times[first:end], self._trusted[first:end]
        found._lost = {place - first: count for place, count in self._lost.items() if first <= place < end}
        return found

    def joined(self, others: Sequence[Clock]) -> Clock:
        """One that has stamped the pictures of this one and then those of `others`, all of them plain."""
        found = self.between(-math.inf, math.inf)
        for other in others:
            found._lost |= {len(found._times) + place: count for place, count in other._lost.items()}
            found._times += other._times
            found._trusted += other._trusted
        return found

    def __len__(self) -> int:
        """Count the pictures."""
        return len(self._times)

    def stamp(self, raw: float | None, lost_before: int = 0) -> float:
        """Time in seconds of the next picture with timestamp `raw` (s, None without one)."""
        if lost_before:
            self._lost[len(self._times)] = lost_before
        time, trusted = self._time(raw)
        self._times.append(time)
        self._trusted.append(trusted)
        if raw is not None:
            self._raw = raw
        return time

    def _time(self, raw: float | None) -> tuple[float, bool]:
        """(time, whether it is the timestamp's own)."""
        last = self.last_s
        if raw is None:
            self.missing += 1
            return (self.start_s if last is None else last + self.interval_s), False
        if self._shift is None:
            self._shift = (self.start_s if last is None else last + self.interval_s) - raw
        time = raw + self._shift
        if last is None or time - last > LEAST_STEP_S:
            return time, True
        if last - time > RESTART_S:
            self.restarts += 1
            time = last + self.interval_s
            self._shift = time - raw
            return time, False
        self.repaired += 1
        # Pictures out of order: half steps until the timestamps have caught up. Standing still: full steps.
        going = self._raw is not None and raw > self._raw
        return last + self.interval_s * (0.5 if going else 1.0), False

    def account(self, tick_s: float = 0.0) -> Account:
        """What was lost. `tick_s`: resolution of the timestamps, seconds."""
        times = np.frombuffer(self._times, dtype=np.float64) if self._times else np.zeros(0)
        own = np.flatnonzero(np.frombuffer(bytes(self._trusted), dtype=np.uint8))
        steps, spans = np.diff(own), np.diff(times[own])
        single = spans[steps == 1]
        if not single.size:
            lost = sum(self._lost.values())
            interval = self.interval_s if times.size > 1 else float("nan")
            return Account(lost, lost * self.interval_s, interval, False, self._clock_problems())
        interval = usual_interval(single)
        variable = _variable(single, interval, tick_s)
        limit = HOLE_INTERVALS * interval
        if variable:
            slow = float(np.percentile(single, 95))
            limit = max(VARIABLE_HOLE_S, VARIABLE_HOLE_INTERVALS * slow)
        undecoded = np.zeros(times.size, dtype=np.int64)
        for place, count in self._lost.items():
            undecoded[place] = count
        behind = np.diff(np.concatenate([[0], np.cumsum(undecoded)])[own + 1])
        extra_s = spans - steps * interval
        hole = spans - (steps - 1) * interval > limit
        pause = hole & (extra_s > PAUSE_S)
        hole &= ~pause
        # Pictures out of order open a hole and then crowd together: what crowds was not lost.
        crowd_s = 0.0 if variable else -float(extra_s[extra_s < -interval / 2].sum())
        hole_s = max(0.0, float(extra_s[hole].sum()) - crowd_s)
        # An undecodable picture leaves a hole as well (unless pauses are normal): count it once.
        inside = int(behind.sum())
        frames = inside if variable else max(inside, round(hole_s / interval))
        frames += round(hole_s / interval) if variable else 0
        outside = int(undecoded.sum()) - inside  # before the first timestamp or after the last
        problems = list(self._clock_problems())
        if variable:
            low, high = np.percentile(single, [5, 95]) * 1e3
            problems.append(
                Problem(
                    "variable_rate",
                    f"the frame rate varies: {low:.0f} to {high:.0f} ms between pictures",
                    "times come from the timestamps, nothing to do",
                )
            )
        if round(hole_s / interval) > 0:
            problems.append(_hole_problem(times[own], extra_s, hole, hole_s, interval))
        if pause.any():
            at = times[own][int(np.argmax(pause))]
            problems.append(
                Problem(
                    "pause",
                    f"recording stands still for {float(extra_s[pause].sum()):.0f} s from {at:.1f} s on",
                    "taken for a pause, not for lost pictures",
                )
            )
        lost_s = (hole_s + inside * interval if variable else max(hole_s, inside * interval)) + outside * interval
        return Account(frames + outside, lost_s, interval, variable, tuple(problems))

    def _clock_problems(self) -> tuple[Problem, ...]:
        """What had to be done to the timestamps."""
        problems = []
        if self.missing and self.missing < len(self._times):
            problems.append(
                Problem(
                    "bad_timestamps",
                    f"{self.missing} pictures have no timestamp; they follow at the usual interval",
                )
            )
        if self.repaired:
            problems.append(
                Problem(
                    "bad_timestamps",
                    f"{self.repaired} pictures have timestamps that do not go forward; they were moved apart",
                    "times near them are uncertain",
                )
            )
        if self.restarts:
            problems.append(
                Problem(
                    "clock_restart",
                    f"its clock starts anew {self.restarts} times; the pauses there are unknown",
                )
            )
        return tuple(problems)


def _variable(spans: npt.NDArray[np.float64], interval: float, tick_s: float) -> bool:
    """Whether intervals vary by design rather than by loss: many are no whole multiple of the median, or many
    are multiples.
    """
    ratio = spans / interval
    whole = np.rint(ratio)
    slack = max(REGULAR_SHARE, 1.1 * tick_s / interval)
    irregular = (np.abs(ratio - whole) > slack) | (whole < 1)
    return bool(irregular.mean() > IRREGULAR_LIMIT or (ratio > HOLE_INTERVALS).mean() > HOLES_LIMIT)


def _hole_problem(
    times: npt.NDArray[np.float64],
    extra_s: npt.NDArray[np.float64],
    hole: npt.NDArray[np.bool_],
    hole_s: float,
    interval: float,
) -> Problem:
    """Holes in words: how many, how much, the longest."""
    longest = int(np.argmax(np.where(hole, extra_s, -np.inf)))
    count, lost = int(hole.sum()), round(hole_s / interval)
    pictures = "1 picture" if lost == 1 else f"{lost} pictures"
    size = "" if count == 1 else f"the longest {extra_s[longest]:.2f} s, "
    return Problem(
        "gap",
        f"{'a hole' if count == 1 else f'{count} holes'} in the recording: {pictures}, {hole_s:.2f} s are missing; "
        f"{size}at {times[longest]:.2f} s",
        "the recorder or the card could not keep up",
    )
