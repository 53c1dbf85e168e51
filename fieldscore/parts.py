"""Where a long flight is cut into parts: by the file alone, never by how many processes there are to measure them.

A part begins at a key frame; its first second or so is a run-up, gone through so that what is carried from frame to frame
(noise, pace, held measures, motion between linked frames) is there when its first row is. The last row of the part before is the
last frame of the run-up: the links of both meet on it, so that nothing is missing between.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from fieldscore.frame import LINK_EVERY_S
from fieldscore.video import Flight, Key, Stretch

PART_S = 60.0  # s, about: a shorter one costs more run-up, a longer one leaves workers idle (docs/decisions/parts.py)
RUN_UP_S = 2.0  # s gone through before the first row of a part (docs/decisions/parts.py)
_FEWEST = 0.5  # share of the wanted length that a part has at least: where key frames are far apart parts become longer
_SLACK_S = 1e-3  # s: times are rounded, to milliseconds in some containers
_BESIDE = 0.25  # of an interval that a limit lies beside a frame's time, so that rounding moves no frame over it


def stretches(flight: Flight, part_s: float) -> tuple[Stretch, ...]:
    """The parts of about `part_s` seconds that a flight is measured in, in order.

    One where it is shorter than two of them, or cannot be read from its middle.
    """
    shape = flight.shape
    wanted = _wanted(flight.duration_s or 0.0, part_s)
    if not wanted:
        return (Stretch(-math.inf, math.inf, None, -math.inf, shape),)
    keys = flight.keys_before([time_s - RUN_UP_S for time_s in wanted])
    starts = _starts(keys, flight.frame_rate, flight.duration_s or 0.0, _FEWEST * part_s)
    froms = [(-math.inf, None, -math.inf), *starts]
    ends = [start[0] for start in starts] + [math.inf]
    return tuple(Stretch(one[0], end, one[1], one[2], shape) for one, end in zip(froms, ends, strict=True))


def _wanted(duration_s: float, part_s: float) -> list[float]:
    """Where the second part and those after it would begin, for parts of one length."""
    count = round(duration_s / part_s) if 2.0 * part_s <= duration_s < math.inf else 1
    return [duration_s * number / count for number in range(1, count)]


def _starts(
    keys: Sequence[Key | None], rate: float, duration_s: float, least_s: float
) -> list[tuple[float, Key, float]]:
    """For each part but the first: where it begins (s), its key frame, and where its run-up begins (s).

    Parts last `least_s` seconds or more. Frames are linked in steps, and slow measures held over them: a whole number of
    steps from the flight's start to the run-up's, and from there to the part's, so that a flight without gaps keeps step.
    """
    step = max(1, math.ceil((LINK_EVERY_S - _SLACK_S) * rate))  # frames
    run_up = step * max(2, math.ceil(RUN_UP_S * rate / step))
    found: list[tuple[float, Key, float]] = []
    before_s = 0.0
    for key in keys:
        # one that is found for several is the last there is, where a header claims more, or goes on for longer than a part
        if key is None or keys.count(key) > 1:
            continue
        first = step * math.ceil((key.time_s * rate - _BESIDE) / step)
        start_s = (first + run_up + _BESIDE) / rate
        if start_s - before_s >= least_s and duration_s - start_s >= least_s:
            found.append((start_s, key, (first - _BESIDE) / rate))
            before_s = start_s
    return found
