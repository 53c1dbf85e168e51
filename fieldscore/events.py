"""What happened on a Timeline: when the link was lost. Pure: runs again without the video."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.running import rows_apart, running_median
from fieldscore.signs import is_blank, is_coloured_screen, is_snow, is_still
from fieldscore.timeline import Timeline

Mask = npt.NDArray[np.bool_]
Doubles = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

STILL_MOTION_PERCENT = 0.6  # %/s: a repeated picture moves by no more, however it was coded
ANEW_LIKENESS = 0.99  # a picture that a key frame codes anew keeps this likeness at the least
ANEW_SHARE = 0.5  # of the rows of a frozen picture are coded anew at most; the others repeat it
# The first picture after a freeze, over the flight around: all that was flown meanwhile is seen to move at once, by so many
# times the motion, or, where it is too far off to be registered, leaves it unlike by so many times and by at least so much.
FARTHER_RATIO, UNLIKE_RATIO, UNLIKE_AT_LEAST = 2.0, 4.0, 0.03
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
# A drone that crashes tumbles by more than is followed from picture to picture, for so many seconds at most: it falls 30 m in 2.5.
# It comes to rest within so many of the last unlike one, and lies for so long, the mean motion at most so much (%/s; over twice the
# most there). What is unlike for longer is a link that failed.
_TUMBLES_S, _REST_WITHIN_S, LIES_S, LIES_PERCENT = 3.0, 0.5, 1.0, 3.0
_STEP_S = 1 / 30  # s: likeness is measured about that often, and of fields from two before
ABRUPT_PERCENT = 8.0  # a link drops from one frame to the next: the level jumps by more than this
BLOWN_LEVEL_PERCENT = 60.0  # a black picture straight after one brighter than this is the camera's recovery
STANDING_PERCENT = 15.0  # %/s: one held in the hand sways by up to 10
WASHED_PERCENT = 50.0  # of a picture blown or crushed: too little is left to tell the scene
# A picture as crushed says nothing of a tear: a few lamps are left (86 to 91 in a flight called torn; a night has 50 and more).
MOSTLY_BLACK_PERCENT = 80.0
# A black picture of up to so many seconds is a standing camera's own where a light at the ceiling, of so much of the picture, went
# out with it: all but this share of it does not come back, not even by and by.
OWN_BLACK_S, LIGHT_PERCENT, LIGHT_LEFT = 2.0, 0.1, 0.5
# A white screen at the ceiling may be a light that fills the picture. The camera closes under it, so that the picture after it is
# darker: in flight at most this share of the level before it (torches leave 0.2 to 0.3; in flights the level is as much lower by
# chance 0.3 s later at 2 % of 2431 places, 1 s later at 8 %). One that lasts for over so many seconds must leave it darker by half,
# and the camera open again within as many (by chance after 5 s at 1 %).
LIT_S, LIT_LEAVES, LONG_LIT_LEAVES, LIT_OPENS = 3.0, 0.8, 0.5, 1.5
LIT_ROWS = 3  # over which the level before it is taken, and the lowest after it
ABRUPT_S = 0.12  # a freeze begins from one frame to the next; a landing takes longer to come to rest
SLOWING = 0.6  # share of the motion around it that is left in the last moment before a freeze; a landing leaves less
# Rows after which bands of light are back: 100 Hz lamps at 30 pictures a second beat in 3, 120 Hz ones at 25 in 5.
BEAT_ROWS = range(2, 7)
# Times a screen's spread that a picture next to it has at most, as coloured, where it is the sky that fills it
SKY_SPREADS = 2.0
MOTION_AROUND_S = 0.5  # a repeated picture is a frozen one only if the scene moved this shortly before, and after


def runs(mask: Mask) -> list[tuple[int, int]]:
    """Give the stretches [start, stop) in which a mask is True."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))


def link_lost(timeline: Timeline, criteria: Criteria) -> Mask:
    """Rows [n] whose picture the link or the receiver made: snow, a blank screen, a frozen, broken or damaged picture."""
    lost = spoilt(timeline)
    return lost | _frozen(timeline, criteria, lost)


def spoilt(timeline: Timeline) -> Mask:
    """Rows [n] that are no sound picture of the camera's, not even an earlier one: snow, a blank screen, broken or damaged."""
    snowy, blank = snow(timeline), _blank_screens(timeline)
    found = snowy | broken_up(timeline) | torn(timeline) | (np.nan_to_num(timeline["damaged"]) > 0)
    blank &= ~_lit(timeline, found | (blank & ~_white(timeline)))
    return np.asarray(found | blank | _torn_beside(timeline, snowy | blank))


def snow(timeline: Timeline) -> Mask:
    """Rows [n] that show snow instead of a picture."""
    return np.asarray(is_snow(timeline["spread_codes"], timeline["patch_spread_codes"], timeline["likeness"]))


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


def _torn_beside(timeline: Timeline, lost: Mask) -> Mask:
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


def _step(timeline: Timeline) -> int:
    """Rows from one measurement of likeness to the next."""
    return max(1, round(_STEP_S / timeline.interval_s)) if timeline.interval_s > 0 else 1


def unlike(timeline: Timeline) -> Mask:
    """Rows [n] unlike the one before, whose motion does not go on and that are not nearly black."""
    with np.errstate(invalid="ignore"):
        apart = np.asarray(timeline["likeness"] < TORN_LIKENESS)
        apart &= ~(timeline["crushed_percent"] > MOSTLY_BLACK_PERCENT)
    return np.asarray(apart & ~_goes_on(timeline, apart, _TORN_AROUND * _step(timeline)))


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
    if not after.any() or np.mean((repeats(timeline) | _blank_screens(timeline))[after]) >= ANEW_SHARE:
        return False
    return _mean(motion[before]) > STANDING_PERCENT and _mean(motion[after]) <= LIES_PERCENT


def _mean(motion: Doubles) -> float:
    """Mean of what is known, NaN where nothing is."""
    known = motion[np.isfinite(motion)]
    return float(np.mean(known)) if known.size else np.nan


def beating(timeline: Timeline, half: int) -> Mask:
    """Rows [n] around which, half a window each side, the shares of blocks that brighten and dim come back after a beat.

    Rows that repeat the one before are passed over: pictures repeated at a beat would make one of any shares.
    """
    repeated = repeats(timeline)
    kept = np.flatnonzero(~repeated)
    if not kept.size:
        return np.zeros(len(timeline), dtype=np.bool_)
    window = max(1, round(half * kept.size / len(timeline)))
    shares = [timeline[name][kept] for name in ("brightened_percent", "dimmed_percent")]
    step, *beats = (np.sum([rows_apart(share, rows, window) for share in shares], axis=0) for rows in (1, *BEAT_ROWS))
    back = np.asarray(np.fmin.reduce(beats) < TORN_BEAT * step)
    return np.asarray(back[np.maximum(np.cumsum(~repeated) - 1, 0)])


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


def _blank_screens(timeline: Timeline) -> Mask:
    """Rows [n] that show a generated screen: flat and coloured, or flat and black or grey from one frame to the next.

    A blue sky that a drone looks up into is flat and coloured, too, but is come to by and by.
    """
    spread, colour = timeline["spread_codes"], timeline["colour_codes"]
    with np.errstate(invalid="ignore"):
        flat = is_blank(spread)
        coloured = np.asarray(is_coloured_screen(spread, colour))
        nearly = np.asarray(is_coloured_screen(spread / SKY_SPREADS, colour))
    level = timeline["level_percent"]
    blank = coloured.copy()
    for start, stop in runs(coloured):
        beside = [row for row in (start - 1, stop) if 0 <= row < len(level)]
        blank[start:stop] = not nearly[beside].any()
    for start, stop in runs(flat & ~coloured):
        if start == 0:
            continue
        before = level[start - 1]
        drop = abs(before - level[start])
        whole = stop == len(level) or abs(level[stop] - level[stop - 1]) > ABRUPT_PERCENT
        seen = before < BLOWN_LEVEL_PERCENT or (level[start] > before and _goes_on_alike(level, start, stop))
        if drop > ABRUPT_PERCENT and seen and whole and not _own_black(timeline, start, stop):
            blank[start:stop] = True
    return blank


def _goes_on_alike(level: Doubles, start: int, stop: int) -> bool:
    """Say whether the level just before rows [start, stop) and just after them is the same, as exposure that went on leaves it."""
    beside = np.concatenate([level[max(start - LIT_ROWS, 0) : start], level[stop : stop + LIT_ROWS]])
    return bool(stop < len(level) and beside.min() >= LIT_LEAVES * beside.max())


def _white(timeline: Timeline) -> Mask:
    """Rows [n] whose picture is flat and at the ceiling."""
    with np.errstate(invalid="ignore"):
        return np.asarray(is_blank(timeline["spread_codes"]) & (timeline["clipped_percent"] > WASHED_PERCENT))


def _lit(timeline: Timeline, lost: Mask) -> Mask:
    """Rows [n] that are white by a light that fills the picture; `lost` [n]: those of a lost link by other signs."""
    lit, time_s = _white(timeline), timeline.time_s
    blinking = lit.copy()
    for (_, stop), (start, _) in itertools.pairwise(runs(lit)):
        blinking[stop:start] = time_s[start] - time_s[stop] <= MOTION_AROUND_S
    for first, last in runs(blinking):
        for start, stop in runs(lit[first:last]):
            rows = first + start, first + stop
            lit[slice(*rows)] = _is_light(timeline, rows, (first, last), lost)
    return lit


def _is_light(timeline: Timeline, rows: tuple[int, int], blinking: tuple[int, int], lost: Mask) -> bool:
    """Say whether white rows [start, stop) are a light's that fills the picture, and no receiver's screen.

    There is no other sign of a `lost` [n] link just before or after, and the camera has closed since before the first of the rows
    [start, stop) that are white again and again, `blinking`. It need not where it stands and the light is short and does not blink:
    its exposure may be fixed.
    """
    (start, stop), first = rows, blinking[0]
    time_s, level, motion = timeline.time_s, timeline["level_percent"], timeline["motion_percent"]
    if first == 0 or stop == len(time_s):
        return False
    sides = (
        timeline.between(time_s[start - 1] - MOTION_AROUND_S, time_s[start - 1]),
        timeline.between(time_s[stop], time_s[stop] + MOTION_AROUND_S),
    )
    if any(lost[side].any() for side in sides):
        return False
    before, after = (
        float(np.median(level[max(first - LIT_ROWS, 0) : first])),
        float(level[stop : stop + LIT_ROWS].min()),
    )
    if time_s[stop] - time_s[start] > LIT_S:
        opens = level[timeline.between(time_s[stop], time_s[stop] + LIT_S)].max() >= LIT_OPENS * after
        return bool(opens and after <= LONG_LIT_LEAVES * before)
    return after <= LIT_LEAVES * before or (_mean(motion[sides[0]]) <= STANDING_PERCENT and rows == blinking)


def _own_black(timeline: Timeline, start: int, stop: int) -> bool:
    """Say whether a black stretch is the camera's: it stood, and the light that it had shut down for went out."""
    time_s, clipped = timeline.time_s, timeline["clipped_percent"]
    if stop == len(time_s) or time_s[stop] - time_s[start] > OWN_BLACK_S:
        return False
    back = timeline.between(time_s[stop], time_s[stop] + MOTION_AROUND_S)
    sides = (
        timeline.between(time_s[start - 1] - MOTION_AROUND_S, time_s[start - 1]),
        back & (np.arange(len(time_s)) > stop),  # the first picture's motion is that from the black one
    )
    motion = [timeline["motion_percent"][side] for side in sides]
    stands = all(np.isfinite(one).any() and float(np.nanmedian(one)) < STANDING_PERCENT for one in motion)
    went_out = clipped[start - 1] >= LIGHT_PERCENT and clipped[back].max() <= LIGHT_LEFT * clipped[start - 1]
    black = float(np.median(timeline["crushed_percent"][start:stop])) > WASHED_PERCENT
    return bool(stands and went_out and black)


def _frozen(timeline: Timeline, criteria: Criteria, lost: Mask) -> Mask:
    """Rows [n] that repeat a picture for longer than the hold while the scene moved just before and after."""
    motion = timeline["motion_percent"]
    repeated = repeats(timeline) & ~_white(timeline)  # light that fills the picture leaves nothing that could move
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


def repeats(timeline: Timeline) -> Mask:
    """Rows [n] that repeat the picture before, as it is or coded again."""
    with np.errstate(invalid="ignore"):
        coded_again = is_still(timeline["frozen_percent"]) & (timeline["motion_percent"] < STILL_MOTION_PERCENT)
    return np.asarray((np.nan_to_num(timeline["repeated"]) > 0) | coded_again)


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
