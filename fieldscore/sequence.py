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


def chained(pictures: Iterable[CodedFrame], area: PictureArea, *, lag: int = 1, rate: float = 0.0) -> Iterator[Frame]:
    """Frames that know the one `lag` before them (2 where they are fields), what its motion was measured from, and no other.

    `rate`: frames a second. Of more than `MOTION_RATE`, motion is measured on every second (third ...) frame, from the last one
    measured, on fewer while it is slow; on every frame while the camera stands, where the picture repeats the one before, and
    where its light moves. Fields are measured each, from the one before of their parity.
    """
    pace = _Pace(rate if lag == 1 else 0.0)
    recent: deque[Frame] = deque(maxlen=lag)
    measured: Frame | None = None
    before: Frame | None = None  # what its motion was measured from
    for one in pictures:
        previous = recent[0] if len(recent) == lag else None
        earlier = None if previous is None else previous.reference
        if previous is not None:
            previous.previous = previous.reference = previous.earlier = None
        frame = Frame(
            one.luma,
            area,
            one.time_s,
            bits=one.bits,
            chroma=one.chroma,
            previous=previous,
            damaged=one.damaged,
        )
        frame.earlier = earlier
        if pace.leaves_out:
            pace.count(frame)
            if measured is not None:
                if pace.skips(frame, measured) and not _due(frame, measured):
                    frame.follow(measured)
                else:
                    frame.reference, frame.earlier = measured, before
        if frame.is_paced:
            measured, before = frame, frame.reference
            frame.view(registration)  # the next frames ask for it when what it is measured from is let go of
        frame.hold(HOLD_S)
        frame.view(noise_curve)  # goes from frame to frame: each asks the one before
        recent.append(frame)
        yield frame


class _Pace:
    """On which frames motion is measured, where it is not on each.

    On beats, the frames that are linked (links.py), `LINK_EVERY_S` apart, and about a thirtieth of a second before one; on
    more in fast flight, in slow flight there only for the pairs of frames that noise is taken from: so that pictures made
    for one serve the other.
    """

    def __init__(self, rate: float) -> None:
        known = 0.0 < rate < math.inf
        often = max(1, round(rate / MOTION_RATE)) if known else 1
        self.leaves_out = often > 1
        self._gap_s = often / rate if known else 0.0
        self._half_s = 0.5 / rate if known else 0.0  # times may wobble by nearly half an interval
        self._beat_s = -math.inf
        self._was_midway = False

    def count(self, frame: Frame) -> None:
        """Take in the next frame, and say whether it is a beat, or on the way to one: by its time, for frames may be missing."""
        since = frame.time_s - self._beat_s
        frame.is_beat = not -_SLACK_S <= since < LINK_EVERY_S - _SLACK_S  # or time went back
        if frame.is_beat:
            self._beat_s, self._was_midway = frame.time_s, False
        elif not self._was_midway and since >= LINK_EVERY_S - self._gap_s - _SLACK_S:
            frame.is_midway = self._was_midway = True

    def skips(self, frame: Frame, measured: Frame) -> bool:
        """Say whether the frame taken in can do without; `measured`: the last one that motion was measured on."""
        if frame.is_beat:
            return False
        slow = self._travel(measured, LINK_EVERY_S - self._gap_s) <= SLOW_PERCENT
        if frame.is_midway:
            very_slow = slow and self._travel(measured, LINK_EVERY_S) <= SLOW_PERCENT
            return very_slow and not is_due(frame.previous, frame.time_s + self._gap_s)
        since = frame.time_s - measured.time_s
        late = since >= self._gap_s - self._half_s
        if slow:  # a pair after a beat now and then, so that not all lie at one phase of a codec's pattern
            return not (late and since < self._gap_s + self._half_s and is_due(frame.previous, frame.time_s))
        to_midway = self._beat_s + LINK_EVERY_S - self._gap_s - frame.time_s
        return not late or (not self._was_midway and to_midway < self._gap_s / 2 - _SLACK_S)

    @staticmethod
    def _travel(measured: Frame, over_s: float) -> float:
        """Movement over so many seconds, in % of the picture's height; infinite where it is not known, or not sure."""
        found = measured.view(registration)
        if found is None or found.likeness < SLOW_LIKENESS:
            return math.inf
        return found.speed_percent(measured.area.block_shape[0]) * over_s


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
