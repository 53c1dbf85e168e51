"""The sun told from a lamp, from small pictures: its light falls away evenly around it, and it does not come nearer. Pure.

The sun is thousands of times brighter than what a camera can show, so that what is recorded of it ends in no edge: the
lens and the air spread it, and its light falls away over several radii of the blown core, as evenly to one side as to
another, toward the sky's. There is one sun, and nothing but sky above it. A lamp, or a wall lit by one, ends at its
edge, and grows as it is flown toward. Where neither shows, it is a bright source and no more is said. A night exposed
as brightly as day has lamps as soft as the sun: only that they come nearer, or are several, tells them, and where more
of such light does so than stays, none of a flight's is the sun.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.record import Evidence, StoredPictures
from fieldscore.spool import let_go
from fieldscore.still_dark import dark_and_still
from fieldscore.sun_light import BRIGHT_SKY, EVEN, RINGS, SUN_NEAR, Look, Luma, brightest
from fieldscore.units import from_linear

Pictures = Callable[[int], Luma | None]  # by their number

SUN, LAMP, BRIGHT = "sun", "lamp", "bright source"
_LET_GO_EVERY = 512  # small pictures read from disk
_SAME_PLACE = 0.25  # of the picture's height that a source moves at most between two small pictures: a turn of 60 degrees a second
_BRIDGED_S = 0.8  # a tree or a gate hides a source for so long, and it is still the same
_SUN_RADIUS = 0.035  # of the picture's height at least: a smaller core is a lit patch as often as the sun
# A smaller core that stays in view for so long (s) is the sun's where a sky as bright as `BRIGHT_SKY` is above it and the light
# about it at least this of the ceiling's: of five simulators the sun has 0.57 and 0.29, a lamp at most 0.31 and 0.23.
_SMALL_LASTS_S, _SMALL_NEAR, _SMALL_FAR = 2.0, 0.45, 0.25
_SEVERAL = 0.4  # share of a stretch's pictures at least with another like the sun in them: of the sun's own a twentieth have one
_MOSTLY = 0.6  # share of a stretch's pictures that must agree
_LEAST_S = 0.5  # s: a shorter stretch says too little
_GROWS = 2.0  # times from a stretch's first third to its last: a source that grows so much comes nearer
# Of the radius, in nepers a second: what grows so fast is reached within four seconds. Lamps as large as the sun grow by 0.4 and
# more as they are flown toward; the sun's core swings, by exposure, mist and branches, by 0.1 at most over a
# stretch (docs/decisions/sun_or_lamp.py).
_NEARS = 0.25
_NEARS_BY = 0.22  # nepers in the stretch at least, 1.25 times: two pictures of the sun differ by a tenth
_PAIRED = 4  # pictures, a second: pairs further apart say nothing, as a stretch may hold one lamp after another
_STANDS = 0.01  # of the height: a source that varies by less in its place is seen from where nothing comes nearer
_LOOKED_BESIDE = 3  # pictures before and after a source: in the first a torch may already blow all of it out, or glow
# Of the light next to a source, what is there without it at most: a torch's is its own, a third and more of the sun's the sky's.
_OWN_LIGHT = 0.25


@dataclass(frozen=True)
class LightStretch:
    """One bright source from where it comes into view to where it goes: `kind` is SUN, LAMP or BRIGHT (it cannot be told).

    `radius_percent` is the median radius of the core in % of the picture's height; `at_edge`: it only peeks in; `places`: time in
    seconds, and where the core's centre is, as shares of the picture's width and height from the left and the top.
    """

    from_s: float
    to_s: float
    kind: str
    radius_percent: float
    at_edge: bool
    places: tuple[tuple[float, float, float], ...] = ()


def bright_stretches(
    evidence: Evidence,
    ceiling_level: float,
    curve: str,
    border: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
    new: npt.NDArray[np.bool_] | None = None,
) -> tuple[LightStretch, ...]:
    """Follow the largest bright source through the small pictures of a flight, and name each stretch of it.

    `ceiling_level` is the level fraction of the highest code of the chain, `curve` the assumed tone curve, `border` what is no
    picture (top, right, bottom, left) as shares of height and width, `new` [k] which small pictures the camera took after the
    one before: others do not say whether it stood. None where all are.
    """

    def picture(number: int) -> Luma | None:
        return _picture(evidence, number, border)

    def taken(number: int) -> Luma | None:
        return picture(number) if new is None or new[number : number + 1].any() else None

    looks = []
    for number, time_s in enumerate(evidence.thumb_time_s.tolist()):
        if isinstance(evidence.thumbs, StoredPictures) and number % _LET_GO_EVERY == 0:
            let_go(evidence.thumbs.data)
        seen = picture(number)
        look = None if seen is None else brightest(seen, time_s, ceiling_level, curve)
        if look is not None:
            looks.append(look)
    step = float(np.median(np.diff(evidence.thumb_time_s))) if len(evidence.thumb_time_s) > 1 else 0.0
    parts = _followed(looks)
    found = tuple(_stretch(part, step) for part in parts)
    none, times = _are_lamps(parts, found), evidence.thumb_time_s.tolist()
    return tuple(
        replace(one, kind=BRIGHT)
        if one.kind == SUN and (none or _is_lit(part, times, taken, ceiling_level, curve))
        else one
        for part, one in zip(parts, found, strict=True)
    )


def _picture(evidence: Evidence, number: int, border: tuple[float, float, float, float]) -> Luma | None:
    """The small picture of a number [height, width] without its border; None where there is none or it cannot be read."""
    if not 0 <= number < len(evidence.thumbs):
        return None
    read = cv2.imdecode(np.frombuffer(evidence.thumbs[number], dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
    return None if read is None else _inside(np.asarray(read, dtype=np.uint8), border)


def _inside(picture: Luma, border: tuple[float, float, float, float]) -> Luma:
    """The picture without its border; a pixel that is border in part goes, too."""
    height, width = picture.shape
    top, right, bottom, left = border
    rows = slice(math.ceil(top * height), height - math.ceil(bottom * height))
    return np.ascontiguousarray(picture[rows, math.ceil(left * width) : width - math.ceil(right * width)])


def _followed(looks: Sequence[Look]) -> list[list[Look]]:
    """Looks of one source in one list each."""
    parts: list[list[Look]] = []
    for look in looks:
        last = parts[-1][-1] if parts else None
        if (
            last is not None
            and look.time_s - last.time_s <= _BRIDGED_S
            and np.hypot(look.x - last.x, look.y - last.y) <= _SAME_PLACE
        ):
            parts[-1].append(look)
        else:
            parts.append([look])
    return parts


def _stretch(looks: Sequence[Look], step_s: float) -> LightStretch:
    """Name one source's stretch, from itself alone."""
    radius = _radii(looks)
    lasts = looks[-1].time_s - looks[0].time_s + step_s >= _LEAST_S
    kind = BRIGHT
    large = np.median(radius) >= _SUN_RADIUS or _glows_small(looks)
    alike = np.mean([look.like_sun for look in looks]) >= _MOSTLY
    if lasts and large and alike and not (_comes_nearer(looks) or _are_several(looks)):
        kind = SUN
    elif lasts and np.mean([look.like_lamp for look in looks]) >= _MOSTLY:
        kind = LAMP
    return LightStretch(
        from_s=max(0.0, looks[0].time_s - step_s / 2),
        to_s=looks[-1].time_s + step_s / 2,
        kind=kind,
        radius_percent=float(100.0 * np.median(radius)),
        at_edge=all(look.cut for look in looks),
        places=tuple((look.time_s, look.across, look.y) for look in looks),
    )


def _glows_small(looks: Sequence[Look]) -> bool:
    """Say whether light about a source, however small, is as bright and stays as long as about the sun of a clear day."""
    about = np.array([(look.rings[0], look.rings[2], look.sky) for look in looks])
    about = about[np.isfinite(about).all(axis=1)]  # near the upper edge nothing is known
    if len(about) < _MOSTLY * len(looks):
        return False
    near, far, sky = np.median(about, axis=0)
    lasts = looks[-1].time_s - looks[0].time_s >= _SMALL_LASTS_S
    return bool(lasts and near >= _SMALL_NEAR and far >= _SMALL_FAR and sky >= BRIGHT_SKY)


def _radii(looks: Sequence[Look]) -> npt.NDArray[np.float64]:
    """Radii of the core [n] where the picture's edge does not cut it, or all where it always does."""
    return np.array([look.radius for look in looks if not look.cut] or [look.radius for look in looks])


def _comes_nearer(looks: Sequence[Look]) -> bool:
    """Say whether a source grows by much from its first third to its last, or fast."""
    radius = _radii(looks)
    third = -(-len(radius) // 3)
    if np.median(radius[-third:]) > _GROWS * np.median(radius[:third]):
        return True
    whole = [look for look in looks if not look.cut]  # what comes in over the edge grows, whatever it is
    time = np.array([look.time_s for look in whole])
    rate = _growth(time, np.log([look.radius for look in whole]))
    return rate >= _NEARS and bool(rate * np.ptp(time) >= _NEARS_BY)


def _are_several(looks: Sequence[Look]) -> bool:
    """Say whether another source like the sun is often in the picture, too: there is one sun."""
    return bool(np.mean([look.twin for look in looks]) >= _SEVERAL)


def _growth(time_s: npt.NDArray[np.float64], size: npt.NDArray[np.float64]) -> float:
    """Growth a second of a size [n], by the median over pairs of pictures near each other; 0 of fewer than two."""
    lags = range(1, min(_PAIRED, len(size) - 1) + 1)
    rates = [(size[lag:] - size[:-lag]) / (time_s[lag:] - time_s[:-lag]) for lag in lags]
    return float(np.median(np.concatenate(rates))) if rates else 0.0


def _are_lamps(parts: Sequence[Sequence[Look]], found: Sequence[LightStretch]) -> bool:
    """Say whether light like the sun's came nearer, or was several, for longer in a flight than one stayed."""
    came = stayed = 0.0
    for looks, one in zip(parts, found, strict=True):
        if one.kind == SUN and not _stands(looks):
            stayed += one.to_s - one.from_s
        elif one.to_s - one.from_s >= _LEAST_S and _soft(looks) and (_comes_nearer(looks) or _are_several(looks)):
            came += one.to_s - one.from_s
    return came > stayed


def _stands(looks: Sequence[Look]) -> bool:
    """Say whether a source is always at the same place of the picture."""
    return bool(np.hypot(np.std([look.x for look in looks]), np.std([look.y for look in looks])) < _STANDS)


def _is_lit(
    looks: Sequence[Look], time_s: Sequence[float], picture: Pictures, ceiling_level: float, curve: str
) -> bool:
    """Say whether a source stands, and comes out of the dark or goes into it before a camera that stands: a torch.

    The sun comes in over the edge, or from behind something, as the camera moves, and a cloud before it is bright. `picture`
    gives the small picture of a number in `time_s` [n], None where the camera took none.
    """
    if not _stands(looks[1:] or looks):  # the first may show it before the exposure closed, larger
        return False
    near = _OWN_LIGHT * np.median([look.turned[0] for look in looks])
    dark = 255.0 * min(ceiling_level, 1.0) * float(from_linear(near, curve))
    for look, way in ((looks[0], -1), (looks[-1], 1)):
        number = bisect_left(time_s, look.time_s)
        beside = [picture(number + way * away) for away in range(1, _LOOKED_BESIDE + 1)]
        if way > 0:  # what shows another source may be another view, after a cut or a quick turn
            beside = [None if one is None or brightest(one, 0.0, ceiling_level, curve) else one for one in beside]
        if dark_and_still(beside, (look.x, look.y), RINGS[2] * look.radius, dark):
            return True
    return False


def _soft(looks: Sequence[Look]) -> bool:
    """Say whether a source is as large as the sun, and the light next to it as strong and even."""
    alike = np.mean([look.rings[0] >= SUN_NEAR and look.even >= EVEN for look in looks]) >= _MOSTLY
    return bool(alike and np.median(_radii(looks)) >= _SUN_RADIUS)
