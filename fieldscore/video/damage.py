"""Which pictures a damaged stream has spoilt.

A decoder's own mark covers less than half of the wrong pictures: every picture predicted from a damaged one
is wrong too, until the next clean key frame. This is followed here in decoding order, with what the decoder
reported.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable

# Key frames and troubles remembered: reordering reaches 16 pictures back at most (H.264 annex A,
# max_dec_frame_buffering).
MEMORY = 64
# A complaint repeated for each of this many packets from the start is a habit of the recorder, not damage.
HABIT_PACKETS = 8


class DamageRule:
    """Follows packets in decoding order and says for each picture whether to trust it.

    `intra_only`: every picture stands alone (JPEG), so damage does not spread.
    """

    def __init__(self, *, intra_only: bool) -> None:
        """Nothing known yet."""
        self.intra_only = intra_only
        self._keys: deque[tuple[int, int | None]] = deque(maxlen=MEMORY)
        self._troubles: deque[int] = deque(maxlen=MEMORY)

    def key(self, index: int, pts: int | None) -> None:
        """Packet `index` holds a key frame with timestamp `pts`."""
        if not any(known == index for known, _ in self._keys):
            self._keys.append((index, pts))

    def trouble(self, index: int) -> None:
        """Something went wrong with packet `index`."""
        if index not in self._troubles:
            self._troubles.append(index)

    def damaged(self, index: int, pts: int | None) -> bool:
        """Whether the picture of packet `index` is spoilt."""
        if self.intra_only:
            return index in self._troubles
        trouble = max((t for t in self._troubles if t <= index), default=-1)
        # A picture shown before a key frame but stored after it may be predicted from both sides of it.
        clean = [
            k
            for k, shown in self._keys
            if k <= index and k not in self._troubles and (shown is None or pts is None or shown <= pts)
        ]
        return not clean or trouble >= max(clean)


class Complaints:
    """The decoder's log lines, without the ones that a recorder causes with every picture."""

    def __init__(self) -> None:
        """Nothing logged yet."""
        self._packets = 0
        self._seen: Counter[str] = Counter()

    def serious(self, lines: Iterable[str]) -> bool:
        """Whether the lines logged for one packet are evidence of damage."""
        self._packets += 1
        kinds = {"".join(c for c in line if c.isalpha()) for line in lines}
        self._seen.update(kinds)
        return any(self._packets < HABIT_PACKETS or self._seen[kind] < self._packets for kind in kinds)
