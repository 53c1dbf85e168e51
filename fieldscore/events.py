"""What happened on a Timeline: when the link was lost. Pure: runs again without the video."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.running import runs
from fieldscore.screens import MOTION_AROUND_S, blank_screens, lit_white, snow, white
from fieldscore.timeline import Timeline
from fieldscore.torn import ANEW_SHARE, broken_up, repeats, torn, torn_beside

Mask = npt.NDArray[np.bool_]
Doubles = npt.NDArray[np.float64]

ANEW_LIKENESS = 0.99  # a picture that a key frame codes anew keeps this likeness at the least
# The first picture after a freeze, over the flight around: all that was flown meanwhile is seen to move at once, by so many
# times the motion, or, where it is too far off to be registered, leaves it unlike by so many times and by at least so much.
FARTHER_RATIO, UNLIKE_RATIO, UNLIKE_AT_LEAST = 2.0, 4.0, 0.03
ABRUPT_S = 0.12  # a freeze begins from one frame to the next; a landing takes longer to come to rest
SLOWING = 0.6  # share of the motion around it that is left in the last moment before a freeze; a landing leaves less


def link_lost(timeline: Timeline, criteria: Criteria) -> Mask:
    """Rows [n] whose picture the link or the receiver made: snow, a blank screen, a frozen, broken or damaged picture."""
    lost = spoilt(timeline)
    return lost | _frozen(timeline, criteria, lost)


def spoilt(timeline: Timeline) -> Mask:
    """Rows [n] that are no sound picture of the camera's, not even an earlier one: snow, a blank screen, broken or damaged."""
    snowy, blank = snow(timeline), blank_screens(timeline)
    found = snowy | broken_up(timeline) | torn(timeline) | (np.nan_to_num(timeline["damaged"]) > 0)
    blank &= ~lit_white(timeline, found | (blank & ~white(timeline)))
    return np.asarray(found | blank | torn_beside(timeline, snowy | blank))


def _frozen(timeline: Timeline, criteria: Criteria, lost: Mask) -> Mask:
    """Rows [n] that repeat a picture for longer than the hold while the scene moved just before and after."""
    motion = timeline["motion_percent"]
    repeated = repeats(timeline) & ~white(timeline)  # light that fills the picture leaves nothing that could move
    time_s = timeline.time_s
    frozen = np.zeros(len(timeline), dtype=np.bool_)
    for start, stop in runs(repeated):
        if time_s[stop - 1] - time_s[start - 1] < criteria.frozen_hold_s - 1e-9:  # shown since the one repeated
            continue
        usual = ~repeated & ~lost
        before = motion[usual & timeline.between(time_s[start] - MOTION_AROUND_S, time_s[start])]
        after = motion[usual & timeline.between(time_s[stop - 1], time_s[stop - 1] + MOTION_AROUND_S)]
        last = motion[usual & timeline.between(time_s[start] - ABRUPT_S, time_s[start])]
        if stop < len(repeated):
            goes_on = _moved(after, criteria)
        else:
            moving = motion[usual & (motion > criteria.airtime_motion_percent_per_s)]
            goes_on = _undiminished(last, before) and _undiminished(last, moving)
        if _moved(before, criteria) and goes_on:
            frozen[start:stop] = True
    return frozen | _frozen_anew(timeline, criteria, lost, repeated)


def _frozen_anew(timeline: Timeline, criteria: Criteria, lost: Mask, repeated: Mask) -> Mask:
    """Rows [n] of a picture repeated for longer than the hold, which key frames of the recorder coded anew meanwhile.

    It stands still from one frame to the next and then shows the scene elsewhere. A hovering drone goes on from where it
    was, even where a codec took its noise away; where the recording ends meanwhile, the two are not told apart.
    """
    motion, likeness, time_s = timeline["motion_percent"], timeline["likeness"], timeline.time_s
    with np.errstate(invalid="ignore"):
        still = repeated | ((motion < criteria.airtime_motion_percent_per_s) & (likeness > ANEW_LIKENESS))
    still &= ~lost  # the first picture after a blank screen is told no motion from it
    usual = ~still & ~lost
    found = np.zeros(len(timeline), dtype=np.bool_)
    for first, stop in runs(still):
        again = first + np.flatnonzero(repeated[first:stop])
        if not again.size or again[0] == 0 or stop == len(still) or lost[stop]:
            continue
        start = int(again[0])
        short = time_s[stop - 1] - time_s[start - 1] < criteria.frozen_hold_s - 1e-9
        if short or again.size < (1.0 - ANEW_SHARE) * (stop - start):
            continue
        before = usual & timeline.between(time_s[start] - MOTION_AROUND_S, time_s[start])
        after = usual & timeline.between(time_s[stop], time_s[stop] + MOTION_AROUND_S)
        last = motion[usual & timeline.between(time_s[start] - ABRUPT_S, time_s[start])]
        flown = _moved(motion[before], criteria) and _moved(motion[after], criteria)
        if flown and _undiminished(last, motion[before]) and _is_elsewhere(timeline, stop, before, after):
            found[start:stop] = True
    return found


def _is_elsewhere(timeline: Timeline, row: int, before: Mask, after: Mask) -> bool:
    """Say whether a row's picture is farther from the one before it than flight makes it in rows [n] before and after."""
    motion, unlike = timeline["motion_percent"], 1.0 - timeline["likeness"]

    def usual(values: Doubles) -> float:
        parts = (values[rows & np.isfinite(values)] for rows in (before, after))
        return max(float(np.median(part)) if part.size else np.inf for part in parts)

    farther = motion[row] > FARTHER_RATIO * usual(motion)
    return bool(farther or unlike[row] > max(UNLIKE_RATIO * usual(unlike), UNLIKE_AT_LEAST))


def _moved(motion: Doubles, criteria: Criteria) -> bool:
    """Say whether a stretch of motion (%/s) is a flight's; one without a figure is not."""
    known = motion[np.isfinite(motion)]
    return bool(known.size) and float(np.median(known)) > criteria.airtime_motion_percent_per_s


def _undiminished(last: Doubles, before: Doubles) -> bool:
    """Say whether the scene moved to the last as it did before: a recording that ends in a still picture froze there.

    One whose scene moved less, just before or than in all of the flight, landed.
    """
    last, before = last[np.isfinite(last)], before[np.isfinite(before)]
    return bool(last.size and before.size) and float(np.median(last)) >= SLOWING * float(np.median(before))
