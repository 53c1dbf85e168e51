"""The frames of a pass one after another: which one each knows, and on which of them motion is measured."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator

from fieldscore.frame import LINK_EVERY_S, Frame, PictureArea
from fieldscore.motion import registration
from fieldscore.noise import is_due, noise_curve
from fieldscore.signs import is_still, might_repeat, unchanged_percent
from fieldscore.video import CodedFrame

HOLD_S = 0.1  # s that slow measures are held, and to the next frame that motion is measured on (docs/decisions/held_measures.py)
MOTION_RATE = 30.0  # frames a second on which motion is measured in flight, about (docs/decisions/paced_motion.py)
# On two frames in a tenth of a second, or one, while the picture moves by no more than so many % of its height from one of
# them to the next, and stays alike.
SLOW_PERCENT, SLOW_LIKENESS = 5.0, 0.97
# %/s of the picture's height, three times a standing camera's wobble: under it a small lamp may be seen to light, so that
# every frame is measured.
STANDING_PERCENT = 10.0
_SLACK_S = 1e-3  # times are rounded, to milliseconds in some containers
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
        if pace.often > 1:
            pace.count(frame)
            if measured is not None:
                if pace.skips(frame, measured) and not _due(frame, measured):
                    frame.follow(measured)
                else:
                    frame.reference = measured
        if frame.is_paced:
            measured = frame
        frame.hold(HOLD_S)
        frame.view(noise_curve)  # goes from frame to frame: each asks the one before
        recent.append(frame)
        yield frame


class _Pace:
    """On which frames motion is measured, where it is not on each.

    On beats, the frames that are linked (links.py), `LINK_EVERY_S` apart, and `often` frames before one; on more in fast flight,
    in slow flight there only for the pairs of frames that noise is taken from: so that pictures made for one serve the other.
    """

    def __init__(self, rate: float) -> None:
        known = 0.0 < rate < math.inf
        self._rate = rate
        self.often = max(1, round(rate / MOTION_RATE)) if known else 1
        self._beat = math.ceil(rate * LINK_EVERY_S - _ROUNDED) if known else 1
        self._since = 0
        self._last_s = -math.inf

    def count(self, frame: Frame) -> None:
        """Take in the next frame, and say whether it is a beat, or on the way to one."""
        self._since += 1
        frame.is_beat = frame.time_s - self._last_s >= LINK_EVERY_S - _SLACK_S
        if frame.is_beat:
            self._since, self._last_s = 0, frame.time_s
        frame.is_midway = self._ahead == self.often

    @property
    def _ahead(self) -> int:
        """Frames to the next beat, 0 on one."""
        return (self._beat - self._since) % self._beat

    def skips(self, frame: Frame, measured: Frame) -> bool:
        """Say whether the frame taken in can do without; `measured`: the last one that motion was measured on."""
        if self._ahead % self.often:
            return True
        travel = self._travel(measured, self._beat)
        if self._ahead == 0 or travel > SLOW_PERCENT * self._beat / (self._beat - self.often):
            return False
        if not frame.is_midway:
            return True
        return travel <= SLOW_PERCENT and not is_due(frame.previous, frame.time_s + self.often / self._rate)

    def _travel(self, measured: Frame, frames: int) -> float:
        """Movement over so many frames, in % of the picture's height; infinite where it is not known, or not sure."""
        found = measured.view(registration)
        if found is None or found.likeness < SLOW_LIKENESS:
            return math.inf
        return found.speed_percent(measured.area.block_shape[0]) * frames / self._rate


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
