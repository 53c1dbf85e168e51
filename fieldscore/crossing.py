"""What flight does to the light of a picture: lights come in or leave, things pass before them; none lit up or went out. Pure."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fieldscore.running import largest_before, middle_before
from fieldscore.screens import STANDING_PERCENT, WASHED_PERCENT
from fieldscore.timeline import Timeline

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

STEP_FLOOR = 0.05  # share of a step that the first changed frame, exposed partly under the lamp, must show
# %/s of the height: faster than a hand sways, slower than any light that crosses the picture's edge within a few frames.
_CROSSING_PERCENT = 2.0 * STANDING_PERCENT
_CROSSING_FRAMES = 3  # frames before or after in which it is seen to cross, too: pictures may be shown three times
# A light crosses because the picture moves, which turns and comes nearer at another speed elsewhere: by this share of it at least.
_WITH_PICTURE = 0.5
# A torch on what is seen reads as exposure, which rises by so many stops from so many seconds before to so many after; what lights
# but a part of the picture may not.
_LIGHT_STOPS, _LIGHT_S = 0.1, 0.05
# What comes near and leaves moves the picture ever faster: by so many times in so many seconds, and so many times as it moves after
# that, each over so many frames (2.5 and 3.2 for trees; 1.5 and 1.6 at most where a torch changed).
_NEARER_RATIO, _NEARER_S, _GONE_RATIO, _MOVES_FRAMES = 1.8, 0.3, 2.0, 4


def leaves(timeline: Timeline) -> Mask:
    """Rows [n] at which a light goes that did not go out: it leaves over the picture's edge.

    It still shows there, cut, and farther out; and so it was before, or not yet cut. One that goes out is gone, or, in a frame that
    is exposed partly under it, stands where it stood. One that is gone left, too, where it was leaving just before as the picture
    moved.
    """
    outward = timeline["light_leaving_percent"]
    fast = np.nan_to_num(outward) > _CROSSING_PERCENT
    with_picture = fast & (np.nan_to_num(timeline["motion_percent"]) >= _WITH_PICTURE * outward)
    was_fast, was_with_picture = (
        largest_before(mask.astype(np.float64), _CROSSING_FRAMES) > 0.0 for mask in (fast, with_picture)
    )
    return np.asarray((fast & (np.isnan(np.roll(outward, 1)) | was_fast)) | ((outward == 0.0) & was_with_picture))


def comes_in(timeline: Timeline, level: Doubles) -> Mask:
    """Rows [n] from before which a light comes that did not light up: it comes in over the picture's edge as the picture moves.

    As one that leaves, seen backwards: it shows there, cut, farther in than the frame before; and so it goes on, or is whole. That
    is the last of the step's two frames that raises the `level` [n]. One that lights up there, exposed longer, grows inward, too.
    """
    inward = -timeline["light_leaving_percent"]
    fast = np.nan_to_num(inward) > _CROSSING_PERCENT
    goes_on = largest_before(fast[::-1].astype(np.float64), _CROSSING_FRAMES)[::-1] > 0.0
    speed = np.where(fast & (np.isnan(np.roll(inward, -1)) | goes_on), inward, np.nan)
    rise = np.diff(level, prepend=level[0])
    in_two = np.roll(rise, -1) >= STEP_FLOOR * (rise + np.roll(rise, -1))
    # a light that changes is taken for motion, too: what moved before it did is asked
    return np.asarray(_moved_before(timeline) >= _WITH_PICTURE * np.where(in_two, np.roll(speed, -1), speed))


def flown_by(timeline: Timeline, sign: float) -> Mask:
    """Rows [n] at which a step of the level up (`sign` 1) or down (-1) in flight is no light's: the exposure is known not to step.

    A lamp that the picture's edge cuts came into view or left it, whose veil is taken for light, or a thing that came near before a
    light left. A washed picture shows no exposure.
    """
    exposure, lamps = sign * timeline["exposure_stops"], sign * timeline["lamps"]
    light, nearer = (max(1, round(one / timeline.interval_s)) for one in (_LIGHT_S, _NEARER_S))
    washed = np.maximum(timeline["clipped_percent"], timeline["crushed_percent"]) > WASHED_PERCENT
    shows = ~(np.roll(washed, 1) | washed | np.roll(washed, -1))
    unlit = (np.roll(exposure, -light) - np.roll(exposure, light) < _LIGHT_STOPS) & shows
    speed = middle_before(np.nan_to_num(timeline["motion_percent"]), _MOVES_FRAMES)
    before, earlier, after = (np.roll(speed, rows) for rows in (1, 1 + nearer, -1 - _MOVES_FRAMES))
    left = (before >= _NEARER_RATIO * earlier) & (before >= _GONE_RATIO * after)
    cut = np.isfinite(timeline["light_leaving_percent"])
    crossed = (cut | np.roll(cut, 1) | np.roll(cut, -1)) & (np.roll(lamps, -1) - np.roll(lamps, 1) > 0.0)
    return np.asarray(unlit & (left | crossed))


def _moved_before(timeline: Timeline) -> Doubles:
    """Fastest motion [n] of the picture just before each row, in %/s, be it shown again meanwhile; infinite where none is known."""
    motion = timeline["motion_percent"]
    fastest = largest_before(np.nan_to_num(motion, nan=-1.0), _CROSSING_FRAMES)
    return np.where(fastest < 0.0, np.inf, fastest)
