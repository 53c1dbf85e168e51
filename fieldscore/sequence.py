"""The frames of a pass one after another: which one each knows, and on which of them motion is measured."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator

from fieldscore.frame import Frame, PictureArea
from fieldscore.motion import registration
from fieldscore.noise import is_due, noise_curve
from fieldscore.signs import is_still, might_repeat, unchanged_percent
from fieldscore.video import CodedFrame

HOLD_S = 0.1  # s that slow measures are held, and to the next frame that motion is measured on (docs/decisions/held_measures.py)
MOTION_RATE = 30.0  # frames a second on which motion is measured in flight, about (docs/decisions/paced_motion.py)
# The same while the picture moves by no more than so many % of its height from one of them to the next, and stays alike.
SLOW_RATE, SLOW_PERCENT, SLOW_LIKENESS = 20.0, 5.0, 0.97
# %/s of the picture's height, three times a standing camera's wobble: under it a small lamp may be seen to light, so that
# every frame is measured.
STANDING_PERCENT = 10.0
_ROUNDED = 0.05  # of a frame: 59.94 frames a second are 60


def chained(pictures: Iterable[CodedFrame], area: PictureArea, *, lag: int = 1, rate: float = 0.0) -> Iterator[Frame]:
    """Frames that know the one `lag` before them (2 where they are fields), and no other.

    `rate`: frames a second. Of more than `MOTION_RATE`, motion is measured on every second (third ...) frame, from the last one
    measured, on fewer while it is slow; on every frame while the camera stands, where the picture repeats the one before, and
    where its light moves. Fields are measured each, from the one before of their parity.
    """
    pace = _Pace(rate if lag == 1 else 0.0)
    recent: deque[Frame] = deque(maxlen=lag)
    measured: Frame | None = None
    since = 0
    for one in pictures:
        previous = recent[0] if len(recent) == lag else None
        if previous is not None:
            previous.previous = previous.reference = None
        frame = Frame(
            one.luma,
            area,
            one.time_s,
            bits=one.bits,
            chroma=one.chroma,
            previous=previous,
            damaged=one.damaged,
        )
        since += 1
        if pace.often > 1 and measured is not None:
            if since < pace.after(measured) and not _due(frame, measured):
                frame.follow(measured)
            else:
                frame.reference = measured
        if frame.is_paced:
            measured, since = frame, 0
        frame.hold(HOLD_S)
        frame.view(noise_curve)  # goes from frame to frame: each asks the one before
        recent.append(frame)
        yield frame


class _Pace:
    """After how many frames motion is measured again: `often` at least in flight."""

    def __init__(self, rate: float) -> None:
        known = 0.0 < rate < math.inf
        self._rate = rate
        self.often = max(1, round(rate / MOTION_RATE)) if known else 1
        self._seldom = max(self.often, int(rate / SLOW_RATE + _ROUNDED)) if known else 1

    def after(self, measured: Frame) -> int:
        """Frames from one that motion was measured on to the next; few where noise is due, which motion adds to."""
        found = measured.view(registration)
        if self._seldom == self.often or found is None or found.likeness < SLOW_LIKENESS:
            return self.often
        if is_due(measured.view(noise_curve), measured.time_s + self._seldom / self._rate):
            return self.often
        travel = found.speed_percent(measured.area.block_shape[0]) * self._seldom / self._rate
        return self._seldom if travel <= SLOW_PERCENT else self.often


def _due(frame: Frame, measured: Frame) -> bool:
    """Say whether motion has to be measured on a frame that could do without."""
    found = measured.view(registration)
    if (
        found is None
        or not frame.is_lit_like(measured)
        or (might_repeat(frame) and is_still(frame.view(unchanged_percent)))
    ):
        return True
    return found.speed_percent(frame.area.block_shape[0]) < STANDING_PERCENT
