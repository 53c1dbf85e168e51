"""Where light pulses so deeply that pictures are unlike each other: exposure, noise and what is readable are not told. Pure."""

from __future__ import annotations

import numpy as np

from fieldscore.running import Mask, running_mean, runs
from fieldscore.timeline import Timeline
from fieldscore.torn import BEAT_AROUND_S, beating, repeats, unlike

# Share of the pictures of half a second either way that must be unlike the one before, while what brightens and dims comes back
# after a beat of a few pictures, as it does in no crash and no torn link. A lamp that blinks five times a second leaves a third.
PULSED_SHARE, AROUND_S = 0.4, 0.5
PULSES = "light pulses so deeply that pictures are unlike each other"


def pulsed(timeline: Timeline, lost: Mask) -> Mask:
    """Rows [n] within half a second of pictures that are unlike the one before time and again, those `lost` [n] left out."""
    if not timeline.interval_s > 0:
        return np.zeros(len(timeline), dtype=np.bool_)
    half = max(1, round(AROUND_S / timeline.interval_s))
    new = ~repeats(timeline)
    beats = running_mean(beating(timeline, max(1, round(BEAT_AROUND_S / timeline.interval_s))).astype(np.float64), half)
    apart, shown = (running_mean(rows.astype(np.float64), half) for rows in (unlike(timeline) & ~lost, new))
    often = (apart > PULSED_SHARE * shown) & (beats > 1.0 / 2.0)
    return np.asarray((running_mean(often.astype(np.float64), half) > 0.0) & ~lost)


def told(timeline: Timeline, where: Mask) -> list[str]:
    """A note on rows [n] of which nothing is told by that; none where there are none."""
    if not where.any():
        return []
    seconds = sum(timeline.time_s[stop - 1] - timeline.time_s[start] for start, stop in runs(where))
    return [
        f"for {seconds:.1f} s {PULSES} (lamps dimmed by pulses, bands as rows are exposed one by one): neither exposure, noise nor "
        "what is readable is told there, and these seconds are in no share"
    ]
