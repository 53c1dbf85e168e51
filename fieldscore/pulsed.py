"""Where light pulses so deeply that pictures are unlike each other: nothing tells exposure from it there. Pure."""

from __future__ import annotations

import numpy as np

from fieldscore.events import Mask, runs, unlike
from fieldscore.running import running_mean
from fieldscore.timeline import Timeline

# Share of the pictures of half a second either way that must be unlike the one before. A lamp that blinks five times a second
# leaves a third, a crash up to 0.4; of the saved flights without pulsed lamps none has more but beside a lost link.
PULSED_SHARE, AROUND_S = 0.4, 0.5


def pulsed(timeline: Timeline, lost: Mask) -> Mask:
    """Rows [n] within half a second of pictures that are unlike the one before time and again, those `lost` [n] left out."""
    half = max(1, round(AROUND_S / timeline.interval_s)) if timeline.interval_s > 0 else 1
    often = running_mean((unlike(timeline) & ~lost).astype(np.float64), half) > PULSED_SHARE
    return np.asarray((running_mean(often.astype(np.float64), half) > 0.0) & ~lost)


def told(timeline: Timeline, where: Mask) -> list[str]:
    """A note on rows [n] without exposure by that; none where there are none."""
    if not where.any():
        return []
    seconds = sum(timeline.time_s[stop - 1] - timeline.time_s[start] for start, stop in runs(where))
    return [
        f"for {seconds:.1f} s light pulses so deeply that pictures are unlike each other (lamps dimmed by pulses, bands as rows "
        "are exposed one by one): neither exposure nor whether it was usable is told there"
    ]
