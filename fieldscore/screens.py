"""Pictures that the receiver made: snow and generated screens, told from white and black ones of the camera's own. Pure."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt

from fieldscore.running import mean_known, runs
from fieldscore.signs import is_blank, is_coloured_screen, is_snow
from fieldscore.timeline import Timeline

Mask = npt.NDArray[np.bool_]
Doubles = npt.NDArray[np.float64]

ABRUPT_PERCENT = 8.0  # a link drops from one frame to the next: the level jumps by more than this
BLOWN_LEVEL_PERCENT = 60.0  # a black picture straight after one brighter than this is the camera's recovery
STANDING_PERCENT = 15.0  # %/s: one held in the hand sways by up to 10
WASHED_PERCENT = 50.0  # of a picture blown or crushed: too little is left to tell the scene
# A black picture of up to so many seconds is a standing camera's own where a light at the ceiling, of so much of the picture, went
# out with it: all but this share of it does not come back, not even by and by.
OWN_BLACK_S, LIGHT_PERCENT, LIGHT_LEFT = 2.0, 0.1, 0.5
# A white screen at the ceiling may be a light that fills the picture. The camera closes under it, so that the picture after it is
# darker: in flight at most this share of the level before it (torches leave 0.2 to 0.3; in flights the level is as much lower by
# chance 0.3 s later at 2 % of 2431 places, 1 s later at 8 %). One that lasts for over so many seconds must leave it darker by half,
# and the camera open again within as many (by chance after 5 s at 1 %).
LIT_S, LIT_LEAVES, LONG_LIT_LEAVES, LIT_OPENS = 3.0, 0.8, 0.5, 1.5
LIT_ROWS = 3  # over which the level before it is taken, and the lowest after it
# Times a screen's spread that a picture next to it has at most, as coloured, where it is the sky that fills it
SKY_SPREADS = 2.0
MOTION_AROUND_S = 0.5  # a repeated picture is a frozen one only if the scene moved this shortly before, and after


def snow(timeline: Timeline) -> Mask:
    """Rows [n] that show snow instead of a picture."""
    return np.asarray(is_snow(timeline["spread_codes"], timeline["patch_spread_codes"], timeline["likeness"]))


def blank_screens(timeline: Timeline) -> Mask:
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


def white(timeline: Timeline) -> Mask:
    """Rows [n] whose picture is flat and at the ceiling."""
    with np.errstate(invalid="ignore"):
        return np.asarray(is_blank(timeline["spread_codes"]) & (timeline["clipped_percent"] > WASHED_PERCENT))


def lit_white(timeline: Timeline, lost: Mask) -> Mask:
    """Rows [n] that are white by a light that fills the picture; `lost` [n]: those of a lost link by other signs."""
    lit, time_s = white(timeline), timeline.time_s
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
    return after <= LIT_LEAVES * before or (mean_known(motion[sides[0]]) <= STANDING_PERCENT and rows == blinking)


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
