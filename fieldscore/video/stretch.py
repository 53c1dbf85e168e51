"""A stretch of a file that is read by itself: from a key frame on, and what has to hold for it to be as in a pass over all."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fieldscore.errors import ClipError
from fieldscore.video.decode import DECODE_ERRORS
from fieldscore.video.opening import open_clip
from fieldscore.video.probe import Facts
from fieldscore.workers import alive

_ROUNDING_S = 1e-3  # s: of times, in containers that know milliseconds
_EARLIER_S = 0.3  # s: an index is in the order of decoding, in which a picture may stand so long before it is shown
_AGAIN = 8  # times in a row that one key frame is found before it is taken for the last: a header may claim days
PACKETS_TO_KEY = 64  # packets met after a jump before the key frame that it aims at: fields, other streams, a GOP's end


class UnfitError(Exception):
    """Something in a stretch may be otherwise than in a pass over all of the file."""


@dataclass(frozen=True)
class Key:
    """A key frame: its timestamp in ticks of the stream, and its time in seconds from the first picture."""

    pts: int
    time_s: float


@dataclass(frozen=True)
class Stretch:
    """Pictures with from_s <= time < to_s, in seconds, infinite where the file begins and ends.

    Read from the key frame `key` on, the file's start where that is None; handed out from `run_up_s` on.
    `shape`: see `planes.layout`.
    """

    from_s: float
    to_s: float
    key: Key | None
    run_up_s: float
    shape: tuple[int, int, str]

    @property
    def jump(self) -> int | None:
        """Timestamp to jump to, None to read from the file's start."""
        return None if self.key is None else self.key.pts

    def check_start(self, shape: tuple[int, int, str], time_s: float, *, sound: bool) -> None:
        """UnfitError unless the first picture met is what it has to be: sound, as large as the others, not too late."""
        if shape != self.shape:
            raise UnfitError("its pictures change their size")
        if self.key is None:
            return
        if not sound:
            raise UnfitError("a key frame is damaged")
        if time_s > self.key.time_s + _ROUNDING_S:
            raise UnfitError("a jump lands late")

    def count(self, facts: Facts, stamps: array[int]) -> int:
        """How many of these timestamps, in ticks of the stream, are this stretch's own."""
        times = np.frombuffer(stamps, dtype=np.int64) * facts.tick_s if stamps else np.zeros(0)
        seconds = (times - (facts.first_pts_s or 0.0)) * facts.time_scale
        return int(np.count_nonzero((seconds >= self.from_s) & (seconds < self.to_s)))


def keys_before(facts: Facts, times_s: Sequence[float]) -> list[Key | None]:
    """The key frame at or before each time (s from the first picture), found by jumping; None where that fails."""
    first = facts.first_pts_s or 0.0
    found: list[Key | None] = []
    try:
        with open_clip(facts.info.path, every_stream=facts.every_stream) as opened:
            for time_s in times_s:
                alive()
                if len(found) >= _AGAIN and len(set(found[-_AGAIN:])) == 1:
                    break
                key = None
                try:
                    aim_s = max(0.0, time_s - _EARLIER_S) / facts.time_scale + first
                    opened.container.seek(int(aim_s / facts.tick_s), stream=opened.stream)
                    for tries, packet in enumerate(opened.container.demux(opened.stream)):
                        if packet.size and packet.is_keyframe and packet.pts is not None:
                            key = Key(packet.pts, (packet.pts * facts.tick_s - first) * facts.time_scale)
                            break
                        if tries >= PACKETS_TO_KEY:
                            break
                except DECODE_ERRORS:
                    pass
                found.append(key if key is not None and key.time_s <= time_s else None)
    except ClipError:
        found = []
    return found + [None] * (len(times_s) - len(found))
