"""Lamps in view: compact sources at the ceiling inside the picture whose light falls away evenly around them.

At high gain a white post, a gate or a lit patch of ground stands at the ceiling as a lamp does. What sets a lamp apart is the light
around it: the lens spreads it evenly to all sides, less with distance, or all is dark there. A surface has its own neighbours, lit
to one side and dark to another. Only what is above a source is looked at: below it stands its post, and the ground that it lights.
"""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore import lamp_shape
from fieldscore.frame import Frame, PictureArea
from fieldscore.measure import Column, measure
from fieldscore.units import to_linear

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

_NEAR_END_CODES = 8.0  # codes below the ceiling that count as it once pixels are averaged
_LEAST_SHARE = 1.7 / 76_800.0  # share of the picture: two samples of 320 x 240 or little more, a street lamp 30 m away
_MOST_SHARE = 0.08  # larger is a bright sky or wall; the sun with its glow fills up to this
_FILLED = 0.35  # share of its bounding box that a compact source fills at least; a disc 0.79, a line little
_LONGEST = 5.0  # times as long as wide: beyond is a tube, a window frame or a horizon
_DISC = 0.5  # of the square of its length that a source fills; less is a lamp with its lit post, or something else
_MOST_LOOKED_AT = 24  # compact sources, the largest, whose surroundings are looked at: 48 did no better
_MOST_OTHERS = 8  # sources that are not compact, the largest, which are followed where a lamp becomes one
_MOST_JOINED = 12  # sources that are no disc, the largest, that have a disc looked for in them, ...
_LARGE_JOINED = 16.0  # ... if the largest has so many samples
_NEARLY_SQUARE = 0.1  # samples so far from square are taken as square
# What is around a lamp: light in shares of the ceiling's, lengths in picture heights (docs/decisions/lamp_or_surface.py).
_SMOOTH = (3, 3)  # samples over which the light around a source is a mean, so that noise makes it not uneven
_GAP = 2.5  # samples between a source's edge, which is soft, and the nearest ring
_NARROWEST, _WIDEST = 2.0, 8.0  # samples: the nearest ring is as wide as the source's radius, within these
_FAR = 6.0  # samples: the farthest ring is at least so wide
_FEWEST = 6  # samples of a ring
_DARK = 0.05  # nine tenths of the nearest ring are darker, ...
_VERY_EVEN, _DIM = 0.8, 0.4  # ... or its lower quarter over nine tenths is so much, and its middle no more: ...
_ROUND = 2.0  # ... a source no longer than so many times its width, by itself, whatever its lens; a post is longer
_EVEN = 0.8  # lower quarter over upper quarter of the nearest ring, its fall with distance taken out
# From so much on it may be even, as along a line that bends (halos have 0.73 and more), or amid what else a lamp lights: a ceiling.
_NEARLY_EVEN = 0.7
_STILL = 1e-6  # squared samples: all of a ring at one distance
_GLOW_A_RADIUS = 1.0  # light by which the nearest ring is over the farthest, for each height of the source's radius ...
_GLOW_AT_MOST = 0.01  # ... and no more than that
# The middle of the nearest ring at most, but of a source so large, which may be the sun, and of that the fall to the next in stops.
_LIGHTER, _SUN, _SUN_GLOWS = 0.6, 0.035, 0.25
_LARGE = 0.015  # of a source so large, which its post may cut the light of, ...
_GLOWS, _FALLS_FAST, _HARDLY_EVEN = 0.5, 1.0, 0.3  # ... stops to the next ring, and to the farthest, and evenness
_BLACK = 0.002  # light that is added before stops are told
# A source smaller than so many heights with more light farther off, and no even one, is a speck of bright ground.
_SMALL, _AMONG_LIGHT = 0.01, 0.25
_FARTHER_OFF = (0.02, 0.06)  # heights from the source between which that is looked at
# A light that leaves is cut by the picture's edge.
_RIM = 4  # pixels from the edge within which such a one is at the ceiling
_MOST_CLIPPED = 0.2  # share of the picture: more is a sky, or a lamp that fills it and leaves over no edge
_MOST_OF_ALL = 0.5  # share of all at the ceiling that a light has over: then it is its light that is gone
_OF_SIZE = 0.1  # share of its own size that is left of it at least
_REACH = 2.0  # of its radii that it goes at most between two frames: its middle goes one from whole to the last of it
# Heights, just over half a sample of 320 x 240: by that the middle of a cut light moves where noise turns a line of samples. At
# 30 % of the height a second, as flashes.py asks, more than this passes in a frame up to 135 a second.
_LEAST_MOVED = 1.0 / 450.0


# A source of a picture: its middle, right of and below the picture's, and its radius in picture heights; and by how much its light
# looks like that about a lamp: NaN where nothing shows it.
SOURCE = np.dtype([("right", "<f4"), ("down", "<f4"), ("radius", "<f4"), ("sign", "<f4")])
# Signs: a source by itself; light falls evenly about it; it falls fast, or not so evenly; it is another thing.
SURE, EVENLY, PERHAPS, NONE = 1.0, 0.75, 0.5, 0.0
# A light of a picture: its middle as that of a source, its size in squared picture heights, and which way is out over the edges
# that cut it, 0 where none does and NaN where two opposite ones do.
_LIGHT = np.dtype([("middle", "<f8", 2), ("size", "<f8"), ("out", "<f8", 2)])


@measure(
    Column(
        "lamps",
        "",
        "neither",
        "Lamps in view: compact sources at the ceiling that light falls away from evenly, followed.",
    ),
    Column(
        "bloom_radius_percent",
        "%",
        "lower",
        "Radius of the largest of them as recorded, in % of the picture's height; the sun's disc is 0.27 degrees.",
    ),
    Column(
        "lamp_number", "", "neither", "Number of the largest lamp in view: lamps are numbered as they come into view."
    ),
    held=True,
)
def lamps_in_view(frame: Frame) -> tuple[float, ...]:
    """Count of lamps by this picture alone, radius of the largest in % of the height, and its number; NaN without one.

    Over a flight they are found anew, each by all pictures that show it (lamp_tracks.py).
    """
    found = frame.held(sources)
    lamps = found["radius"][found["sign"] >= PERHAPS]
    if not lamps.size:
        return 0.0, float("nan"), float("nan")
    return float(lamps.size), 100.0 * float(lamps.max()), 1.0


@measure(
    Column(
        "light_leaving_percent",
        "%/s",
        "neither",
        "Speed at which the light that was most of what is at the ceiling leaves over an edge that cuts it, in % of the height.",
    )
)
def light_leaving(frame: Frame) -> tuple[float, ...]:
    """Speed of the light that was most of what was at the ceiling out over the edge that cuts it, in % of the height a second.

    NaN where no edge cuts it, or any light, or no time has passed. 0 where it leaves over none: it is gone or stands, no light was
    most, or too much is at the ceiling. Unlike lamps it is looked for in every frame: it is gone within a few.
    """
    before, clipped = frame.previous, frame.sums[3]
    if before is None or before.area is not frame.area or not frame.time_s > before.time_s:
        return (math.nan,)
    if not clipped > 0.0 or not _at_rim(frame):
        return (math.nan,)
    if clipped > _MOST_CLIPPED:
        return (0.0,)
    return (100.0 * _moved_out(before.view(_lights), frame.view(_lights)) / (frame.time_s - before.time_s),)


def _moved_out(earlier: npt.NDArray[np.void], lights: npt.NDArray[np.void]) -> float:
    """Heights by which the light that was most of the `earlier` ones moved out over the edge that cuts it; as `light_leaving`."""
    if not lights["out"].any():
        return math.nan
    main = int(np.argmax(earlier["size"])) if earlier.size else 0
    if not earlier.size or earlier["size"][main] <= _MOST_OF_ALL * earlier["size"].sum():
        return 0.0
    size, middle = float(earlier["size"][main]), earlier["middle"][main]
    near = np.hypot(*(lights["middle"] - middle).T) <= _REACH * math.sqrt(size / math.pi)
    near &= lights["size"] >= _OF_SIZE * size
    if not near.any():
        return 0.0
    rest = lights[near][np.argmax(lights["size"][near])]
    if not rest["out"].any():
        return math.nan
    away = np.hypot(*(earlier["middle"] - rest["middle"]).T)
    away[earlier["size"] < _OF_SIZE * rest["size"]] = math.inf
    if np.argmin(away) != main or np.isnan([rest["out"], earlier["out"][main]]).any():
        return 0.0
    over = rest["out"] != 0.0
    moved = float(((rest["middle"] - middle) * rest["out"])[over].max())
    return moved if abs(moved) > _LEAST_MOVED else 0.0


def _at_rim(frame: Frame) -> bool:
    """Say whether anything next to the picture's edge is at the ceiling."""
    codes, least = frame.codes, frame.area.ceiling - _NEAR_END_CODES
    return any(int(strip.max()) > least for strip in (codes[:_RIM], codes[-_RIM:], codes[:, :_RIM], codes[:, -_RIM:]))


def _lights(frame: Frame) -> npt.NDArray[np.void]:
    """What is at the ceiling in a picture, each piece [k] as `_LIGHT`."""
    hot = _hot(frame.area, _square(frame))
    rows, columns = hot.shape
    _, _, found, middles = cv2.connectedComponentsWithStats(hot, connectivity=8, ltype=cv2.CV_16U)
    left, top, width, height, size = found[1:].T
    lights = np.zeros(len(size), dtype=_LIGHT)
    lights["middle"] = (middles[1:] + 0.5 - (columns / 2, rows / 2)) / rows
    lights["size"] = size / rows**2
    low, high = np.stack([left, top], axis=1) == 0, np.stack([left + width, top + height], axis=1) == (columns, rows)
    lights["out"] = high * 1.0 - low
    lights["out"][(low & high).any(axis=1)] = math.nan
    return lights


def sources(frame: Frame) -> npt.NDArray[np.void]:
    """The sources at the ceiling [k] of a picture, as `SOURCE`: those that cover most first.

    Place and radius of one that is no disc are those of the largest disc in it. Where all else in it is thinner, as a lamp's post
    is, that disc shows what it is. One that is not compact and has no such disc shows nothing of itself.
    """
    area, fine = frame.area, _square(frame)
    hot = _hot(area, fine)
    if not cv2.countNonZero(hot):
        return np.zeros(0, dtype=SOURCE)
    # labels of 16 bits take a third of the time of 32
    _, labels, found, middles = cv2.connectedComponentsWithStats(hot, connectivity=8, ltype=cv2.CV_16U)
    marks = np.asarray(labels, dtype=np.int32)
    _, _, width, height, size = found.T.astype(np.float64)
    large = (size >= _LEAST_SHARE * hot.size) & (size <= _MOST_SHARE * hot.size)
    large[0] = False  # what is no source
    compact = size >= _FILLED * width * height
    compact &= np.maximum(width, height) <= _LONGEST * np.minimum(width, height)
    covered = _covered(area, hot.shape)
    if covered is not None:
        marks[covered] = -1
    kept = np.flatnonzero(large)
    kept = kept[np.argsort(-size[kept], kind="stable")]
    first = np.flatnonzero(compact[kept])[:_MOST_LOOKED_AT]
    kept = kept[np.sort(np.concatenate([first, np.flatnonzero(~compact[kept])[:_MOST_OTHERS]]))]
    rows, columns = hot.shape
    there = np.zeros(kept.size, dtype=SOURCE)
    if not kept.size:
        return there
    radius = np.sqrt(size[kept] / math.pi)
    boxes = {one: found[one].tolist() for one in kept[compact[kept]].tolist()}
    joined = np.flatnonzero(size[kept] < _DISC * np.maximum(width, height)[kept] ** 2)[:_MOST_JOINED]
    if joined.size and size[kept[joined[0]]] >= _LARGE_JOINED:
        inside = cv2.distanceTransform(hot, cv2.DIST_L2, cv2.DIST_MASK_5)
        for which, one in zip(joined.tolist(), kept[joined].tolist(), strict=True):
            left, top, wide, high, _ = found[one].tolist()
            box = slice(top, top + high), slice(left, left + wide)
            depth = np.where(marks[box] == one, inside[box], 0.0)
            down, right = (int(at) for at in np.unravel_index(int(depth.argmax()), depth.shape))
            middles[one] = left + right, top + down
            radius[which] = min(radius[which], depth[down, right])
            if head := lamp_shape.head(depth, down, right):
                boxes[one] = [left + head[0], top + head[1], *head[2:]]
                if lamp_shape.stands_out(depth, down, right):
                    radius[which] = lamp_shape.cut_out(marks, one, box, boxes[one], middles[one])
    there["right"], there["down"] = ((middles[kept] + 0.5 - (columns / 2, rows / 2)) / rows).T
    there["radius"] = radius / rows
    smooth = np.asarray(cv2.blur(fine, _SMOOTH), dtype=np.float32)
    there["sign"] = [_sign(smooth, marks, one, boxes[one], area) if one in boxes else math.nan for one in kept.tolist()]
    return there


def _square(frame: Frame) -> Floats:
    """The fine picture with samples as high as wide, if need be by other rows: those of fields are twice as high."""
    fine, (lines, columns) = frame.fine, frame.area.shape
    rows = round(lines * frame.area.lines_a_row * fine.shape[1] / columns)
    if abs(rows - fine.shape[0]) <= _NEARLY_SQUARE * rows:
        return fine
    way = cv2.INTER_NEAREST if rows > fine.shape[0] else cv2.INTER_AREA  # a small lamp is one line of a field
    return np.asarray(cv2.resize(fine, (fine.shape[1], rows), interpolation=way), dtype=np.float32)


def _hot(area: PictureArea, fine: Floats) -> npt.NDArray[np.uint8]:
    """1 where a fine picture [rows, columns] is at the ceiling and not under the overlay, else 0."""
    hot = (fine > area.ceiling - _NEAR_END_CODES).view(np.uint8)
    covered = _covered(area, hot.shape)
    if covered is not None:
        hot[covered] = 0
    return hot


@lru_cache(maxsize=4)
def _covered(area: PictureArea, shape: tuple[int, ...]) -> tuple[npt.NDArray[np.intp], ...] | None:
    """Where samples of a picture [rows, columns] are under the overlay; None without one."""
    if area.overlay is None:
        return None
    ok = cv2.resize(area.block_ok.astype(np.uint8), shape[::-1], interpolation=cv2.INTER_NEAREST)
    return np.nonzero(ok == 0)


def _sign(smooth: Floats, marks: npt.NDArray[np.int32], number: int, box: list[int], area: PictureArea) -> float:
    """By how much the light above source `number` of `marks`, in a `box` (left, top, width, height, samples), is that about a lamp.

    `marks` [rows, columns]: number of the source that a sample of the `smooth` picture belongs to, -1 under the overlay.
    """
    radius = math.sqrt(box[4] / math.pi)
    heights, near = radius / smooth.shape[0], min(max(_NARROWEST, radius), _WIDEST)
    codes, away = _above(smooth, marks, number, box, _GAP + near)
    close = away > _GAP
    table = _light_of_code(area.floor, area.ceiling, area.criteria.transfer_curve)
    ring = table[codes[close].astype(np.intp)]
    if ring.size < _FEWEST:
        return PERHAPS if box[1] <= _GAP else math.nan  # at the picture's upper edge nothing speaks against it
    low, middle, high, most = np.sort(ring)[[ring.size * part // 20 for part in (5, 10, 15, 18)]].tolist()
    alone = most <= _DARK or (low >= _VERY_EVEN * most and middle <= _DIM)
    if alone and max(box[2:4]) <= _ROUND * min(box[2:4]) and box[1] > 0 and lamp_shape.is_disc(marks, number, box):
        return SURE
    bright = middle > _LIGHTER
    evenness = 0.0
    if not bright or (heights >= _SUN and _may_be_sun(box, smooth.shape)):
        evenness = _evenness(ring, away[close])
    even = evenness >= _NEARLY_EVEN
    strong = low >= _HARDLY_EVEN * high and heights >= _LARGE
    speck = most > _AMONG_LIGHT and heights < _SMALL
    # most end here: the farther rings cost more
    if not (even or strong) or (speck and _among_light(smooth, marks, number, box, table)):
        return NONE
    edges = (_GAP + near, _GAP + 3.0 * near, _GAP + 3.0 * near + max(_FAR, 2.0 * near))
    codes, away = _above(smooth, marks, number, box, edges[-1])
    farther = [np.sort(codes[(away > inner) & (away <= outer)]) for inner, outer in pairwise(edges)]
    farther = [one for one in farther if one.size >= _FEWEST]
    if not farther:
        return PERHAPS  # it nearly fills what is above it
    low_next, low_far = (float(table[int(one[one.size // 4])]) for one in (farther[0], farther[-1]))
    glows, falls = (math.log2((low + _BLACK) / (one + _BLACK)) for one in (low_next, low_far))
    even = even and (glows >= _SUN_GLOWS or not bright)
    if even and low - low_far >= min(_GLOW_A_RADIUS * heights, _GLOW_AT_MOST):
        return EVENLY if evenness >= _EVEN else PERHAPS
    return PERHAPS if strong and glows >= _GLOWS and falls >= _FALLS_FAST else NONE


def _may_be_sun(box: list[int], shape: tuple[int, ...]) -> bool:
    """Say whether a source in a `box` of a picture [rows, columns] is no longer than a disc that the picture's edge may cut."""
    left, top, width, height, _ = box
    cut_across, cut_down = left <= 0 or left + width >= shape[1], top <= 0 or top + height >= shape[0]
    return (width <= _ROUND * height or cut_down) and (height <= _ROUND * width or cut_across)


def _among_light(smooth: Floats, marks: npt.NDArray[np.int32], number: int, box: list[int], table: Doubles) -> bool:
    """Say whether what is above a source, not next to it, is light by the `table` of codes, but no even sky."""
    inner, outer = (one * smooth.shape[0] for one in _FARTHER_OFF)
    codes, away = _above(smooth, marks, number, box, outer)
    light = np.sort(table[codes[away > inner].astype(np.intp)])
    if light.size < _FEWEST:
        return False
    low, middle, high = light[[light.size * part // 4 for part in (1, 2, 3)]].tolist()
    return bool(middle > _AMONG_LIGHT and low < _EVEN * high)


def _evenness(light: Doubles, away: Floats) -> float:
    """Lower quarter over upper quarter of the light [k] around a source, were it all at one distance.

    `away` [k]: distances in samples. Light that falls fast is otherwise uneven by how far off it was taken. Lenses spread it by
    different laws: in stops it falls along a straight line, or along one that bends, whichever leaves less. One that rises by more
    than half of its fall, before it or again, is of another light.
    """
    stops, farther = np.log2(light + _BLACK), away - away.sum() / away.size
    stops -= stops.sum() / stops.size
    over = max(float(farther @ farther), _STILL)
    slope = float(farther @ stops) / over
    even = _quarters(stops - min(0.0, slope) * farther)
    if not _NEARLY_EVEN <= even < _EVEN:
        return even
    bent = farther**2
    bent -= bent.sum() / bent.size
    bent -= float(farther @ bent) / over * farther
    law = slope * farther + float(bent @ stops) / max(float(bent @ bent), _STILL) * bent
    near, far = law[farther.argmin()], law[farther.argmax()]
    if max(far - law.min(), law.max() - near) > (near - law.min()) / 2.0:
        return even
    return max(even, _quarters(stops - law))


def _quarters(level: Doubles) -> float:
    """Lower over upper quarter of light [k] given in stops."""
    ordered = np.sort(level)
    return float(np.exp2(ordered[ordered.size // 4] - ordered[ordered.size * 3 // 4]))


def _above(
    smooth: Floats, marks: npt.NDArray[np.int32], number: int, box: list[int], within: float
) -> tuple[Floats, Floats]:
    """Codes of the samples above a source's middle, and their distances in samples from its upper half; 0 in it and under overlay.

    Of those no farther than `within`.
    """
    left, top, width, height, _ = box
    reach = math.ceil(within)
    rows = slice(max(0, top - reach), top + (height + 1) // 2)
    columns = slice(max(0, left - reach), left + width + reach)
    here, codes = marks[rows, columns], smooth[rows, columns]
    away = cv2.distanceTransform((here != number).view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    away[here < 0] = 0.0
    near = away <= within
    return codes[near], np.asarray(away[near], dtype=np.float32)


@lru_cache(maxsize=4)
def _light_of_code(floor: float, ceiling: float, curve: str) -> npt.NDArray[np.float64]:
    """Light [256] of each code in shares of the ceiling's."""
    return to_linear(np.clip((np.arange(256) - floor) / max(ceiling - floor, 1.0), 0.0, 1.0), curve)
