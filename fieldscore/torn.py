"""Pictures that broke on the way: torn ones and those fallen into blocks, told from flight, crash and bands of light. Pure."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt

from fieldscore.running import mean_known, rows_apart, running_median, runs
from fieldscore.screens import MOTION_AROUND_S, STANDING_PERCENT, blank_screens, snow
from fieldscore.signs import is_still
from fieldscore.timeline import Timeline

Mask = npt.NDArray[np.bool_]
Doubles = npt.NDArray[np.float64]

STILL_MOTION_PERCENT = 0.6  # %/s: a repeated picture moves by no more, however it was coded
ANEW_SHARE = 0.5  # of the rows of a frozen picture are coded anew at most; the others repeat it
# A picture broken into displaced blocks has steps at their edges 2.5 times and more those inside; sound ones of nine real
# and ten simulated clips 0.9 to 1.5, starved codecs included (benchmarks/integrity.py).
BROKEN_EDGES = 1.9
BROKEN_RATIO = 1.6  # over the flight's own median: a coarse codec steps at every block
_HARDLY, _ALL_THE_SAME = 1.25, 0.99  # times the limit, likeness: one picture of rain had 1.09 and 0.998
# Torn pictures keep a likeness up to this, and are so many in a row; a flip or a quick turn leaves more, or is over sooner
# (docs/decisions/torn_pictures.py).
TORN_LIKENESS, TORN_AT_LEAST = 0.9, 9
TORN_SHARE = 0.7  # of the stretch that is unlike: a lamp that blinks five times a second leaves a third
# Their motion, found by chance, changes from one to the next by so many times what it is. That of a fast flight low over
# ground goes on, though its pictures are no turn, shift or zoom of each other either.
TORN_CHANGE = 0.9
# Likeness of sound pictures beside them, in the median of so many seconds either way, from which on they are none of such a flight.
WHOLLY_ALIKE, _BESIDE_S = 0.96, 0.75
_TORN_AROUND = 6  # measurements either way over which their motion is judged
_TORN_GAP = 3  # measurements between two torn pictures that may be alike by chance
# Bands of light that roll over whole pictures come back after a beat: the shares of blocks that brighten and dim are nearer to
# those of a beat before than to those of the row before by this, in and beside them (0.2 to 0.56; torn ones from 0.63 on).
TORN_BEAT, BEAT_AROUND_S = 0.6, 0.5
# Rows after which bands of light are back: 100 Hz lamps at 30 pictures a second beat in 3, 120 Hz ones at 25 in 5.
BEAT_ROWS = range(2, 7)
# A drone that crashes tumbles by more than is followed from picture to picture, for so many seconds at most: it falls 30 m in 2.5.
# It comes to rest within so many of the last unlike one, and lies for so long, the mean motion at most so much (%/s; over twice the
# most there). What is unlike for longer is a link that failed.
_TUMBLES_S, _REST_WITHIN_S, LIES_S, LIES_PERCENT = 3.0, 0.5, 1.0, 3.0
_STEP_S = 1 / 30  # s: likeness is measured about that often, and of fields from two before
# A picture as crushed says nothing of a tear: a few lamps are left (86 to 91 in a flight called torn; a night has 50 and more).
MOSTLY_BLACK_PERCENT = 80.0


def broken_up(timeline: Timeline) -> Mask:
    """Rows [n] whose picture has fallen into macroblocks: steps at block edges as no sound picture of the flight has them."""
    edges = timeline["block_edges"]
    known = edges[np.isfinite(edges)]
    if not known.size:
        return np.zeros(len(timeline), dtype=np.bool_)
    limit = max(BROKEN_EDGES, BROKEN_RATIO * float(np.median(known)))
    broken, step = np.asarray(np.nan_to_num(edges) > limit), _step(timeline)
    for start, stop in runs(broken):  # a codec short of bits steps a little for one, and that is like those beside it
        alike = np.min(timeline["likeness"][start : stop + step]) >= _ALL_THE_SAME
        if stop - start <= step and alike and edges[start:stop].max() <= _HARDLY * limit:
            broken[start:stop] = False
    return broken


def torn(timeline: Timeline) -> Mask:
    """Rows [n] of pictures that are no turn, shift or zoom of the one before, several in a row: parts from elsewhere.

    Pictures whose motion goes on, nearly black ones, those under bands of light and those of a crash are none. The last unlike
    one is whole again: it is unlike the torn one before it. A cut is unlike once.
    """
    interval = timeline.interval_s
    step = _step(timeline)
    apart = unlike(timeline)
    joined = apart.copy()
    stretches = runs(apart)
    for (_, stop), (start, _) in itertools.pairwise(stretches):
        if start - stop <= _TORN_GAP * step:
            joined[stop:start] = True
    found = np.zeros(len(apart), dtype=np.bool_)
    half = max(1, round(BEAT_AROUND_S / interval)) if interval > 0 else 1
    beats = beating(timeline, half)
    for start, stop in runs(joined):
        count = np.count_nonzero(apart[start:stop])
        several = count >= TORN_AT_LEAST * step and count >= TORN_SHARE * (stop - start)
        beside = [row for row in (start - half, stop + half) if 0 <= row < len(apart)]
        banded = 2 * np.count_nonzero(beats[start:stop]) > stop - start and (not beside or beats[beside].any())
        if several and not banded and not _crashes(timeline, start, stop):
            found[start : stop - step * (stop < len(apart))] = True
    return found


def torn_beside(timeline: Timeline, lost: Mask) -> Mask:
    """Rows [n] of pictures unlike the one before that follow `lost` ones, or lead to them, at once: however few, they are torn.

    But where bands of light beat. The last unlike one that no lost one follows is whole: it is unlike what was lost before it.
    """
    step, interval, found = _step(timeline), timeline.interval_s, np.zeros(len(timeline), dtype=np.bool_)
    beats = beating(timeline, max(1, round(BEAT_AROUND_S / interval))) if interval > 0 else found
    for start, stop in runs(unlike(timeline)):
        banded = 2 * np.count_nonzero(beats[start:stop]) > stop - start > step
        if lost[max(0, start - step) : stop + step].any() and not banded and not _crashes(timeline, start, stop):
            whole = stop < len(found) and not lost[stop : stop + step].any()
            found[start : stop - step * whole] = True
    return found


def unlike(timeline: Timeline) -> Mask:
    """Rows [n] unlike the one before, whose motion does not go on and that are not nearly black."""
    with np.errstate(invalid="ignore"):
        apart = np.asarray(timeline["likeness"] < TORN_LIKENESS)
        apart &= ~(timeline["crushed_percent"] > MOSTLY_BLACK_PERCENT)
    return np.asarray(apart & ~_goes_on(timeline, apart, _TORN_AROUND * _step(timeline)))


def beating(timeline: Timeline, half: int) -> Mask:
    """Rows [n] around which, half a window each side, the shares of blocks that brighten and dim come back after a beat.

    Rows that repeat the one before are passed over: pictures repeated at a beat would make one of any shares. A receiver's
    screens and what follows them say nothing: a link that comes and goes at a beat is none of light.
    """
    repeated, made = repeats(timeline), snow(timeline) | blank_screens(timeline)
    made[1:] |= made[:-1].copy()
    kept = np.flatnonzero(~repeated)
    if not kept.size:
        return np.zeros(len(timeline), dtype=np.bool_)
    window = max(1, round(half * kept.size / len(timeline)))
    shares = [np.where(made, np.nan, timeline[name])[kept] for name in ("brightened_percent", "dimmed_percent")]
    step, *beats = (np.sum([rows_apart(share, rows, window) for share in shares], axis=0) for rows in (1, *BEAT_ROWS))
    back = np.asarray(np.fmin.reduce(beats) < TORN_BEAT * step)
    return np.asarray(back[np.maximum(np.cumsum(~repeated) - 1, 0)])


def repeats(timeline: Timeline) -> Mask:
    """Rows [n] that repeat the picture before, as it is or coded again."""
    with np.errstate(invalid="ignore"):
        coded_again = is_still(timeline["frozen_percent"]) & (timeline["motion_percent"] < STILL_MOTION_PERCENT)
    return np.asarray((np.nan_to_num(timeline["repeated"]) > 0) | coded_again)


def _crashes(timeline: Timeline, start: int, stop: int) -> bool:
    """Say whether the drone flew before rows [start, stop) and lay on the ground after them: it tumbled, and no link was lost.

    A frozen picture stands still, too, but repeats: so many pictures must be new as make no frozen one (`ANEW_SHARE`).
    """
    time_s, motion = timeline.time_s, timeline["motion_percent"]
    rest_s = time_s[stop - 1] + _REST_WITHIN_S
    if start == 0 or time_s[stop - 1] - time_s[start] > _TUMBLES_S or time_s[-1] < rest_s + LIES_S:
        return False
    before = timeline.between(time_s[start - 1] - MOTION_AROUND_S, time_s[start - 1])
    after = timeline.between(rest_s, rest_s + LIES_S)
    if not after.any() or np.mean((repeats(timeline) | blank_screens(timeline))[after]) >= ANEW_SHARE:
        return False
    return mean_known(motion[before]) > STANDING_PERCENT and mean_known(motion[after]) <= LIES_PERCENT


def _goes_on(timeline: Timeline, unlike: Mask, around: int) -> Mask:
    """Rows [n] where the motion of unlike pictures, in the median of so many rows around, goes on from one to the next.

    Not where pictures are wholly alike just before and after: then some of each broke up, and the rest says how it moves.
    """
    motion, change = (
        running_median(np.where(unlike, timeline[name], np.nan), around)
        for name in ("motion_percent", "motion_change_percent")
    )
    half = max(1, round(_BESIDE_S / timeline.interval_s)) if timeline.interval_s > 0 else 1
    beside = running_median(np.where(unlike, np.nan, timeline["likeness"]), half)
    with np.errstate(invalid="ignore"):
        return np.asarray((change < TORN_CHANGE * motion) & ~(beside >= WHOLLY_ALIKE))


def _step(timeline: Timeline) -> int:
    """Rows from one measurement of likeness to the next."""
    return max(1, round(_STEP_S / timeline.interval_s)) if timeline.interval_s > 0 else 1
