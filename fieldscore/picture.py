"""A sparse first look at a flight: where the picture is, which codes it reaches, and whether it is interlaced.

Everything is found from a few dozen pictures spread over the flight, in the 8-bit scale.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.frame import PictureArea
from fieldscore.levels import Ends, chain_ends
from fieldscore.overlay import Views, overlay_of, views_of_scene
from fieldscore.signs import is_blank, is_snow

Luma = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

_PATCHES = (16, 12)  # patches across and down, as many as tiles
_DARK_SPREAD_CODES = 8.0  # border codes vary by at most this much in most pictures (codec ringing at its edge)
_MOST_PICTURES = 0.5  # quantile over the pictures: half of them may be torn, or ring at the edge
_SAMPLES = 200  # pixels of a row that are looked at
_LOW_AND_HIGH = 2, 98  # percentiles of a row between which it is even
_COMB_COLUMNS = 640  # columns at least that are looked at for teeth
_ENOUGH_FOR_TEXT = 10  # pictures of a scene: fewer seldom show it move behind all of the text (docs/integrity.md)
_PLENTY_FOR_TEXT = 40  # pictures to ask for where so many of them show no scene
_SOFT_EDGE = 2  # px
_LIT_CODES = 14.0  # a picture row that was ever this much brighter than the border ...
_LIT_SHARE = 0.5  # ... over this share of its width is picture, not a dark sky
_BAR_SHARE = 0.7  # share of the width of a bar that is free of text
_NEARLY_EVERY = 0.9  # quantile over the pictures: a tenth of them may be torn
_EDGE_ROWS = 3  # px over which the edge of a bar rises (a codec blurs it) ...
_EDGE_CODES = 4.0  # ... by this much on the mean over the pictures, which leaves little of their noise
_THIN_SHARE = 0.035  # blanking at one side only is at most this share of the height or width
_MATCH_SHARE = 0.02  # letterbox: opposite borders differ by at most this share
_COMB_CODES = 10.0  # a line that stands out from both neighbours by this much is a comb tooth
_COMB_RATIO = 3.0  # teeth between fields, over teeth within a field, in a picture of two instants
_COMB_SHARE = 0.002  # share of the pixels that must be teeth before a picture is evidence of anything
_COMB_RUN = 9  # px of a line averaged where noise makes teeth of its own: sigma 12 is then as 4, which hides none
_COMB_PICTURES = 0.25  # share of the pictures with motion that must show it
# Where a stream says interlaced: share of the pictures whose lines bend so many times more from line to line than within a field,
# noise averaged out. Motion between fields does it in a quarter of them and more, in strong noise too; noise alone 1.00 times, and
# of 16 progressive clips not one picture in four reaches 0.9.
_APART_PICTURES, _APART_TIMES = 0.15, 1.05


@dataclass(frozen=True)
class FirstLook:
    """What a first look found: the area for measuring, how its levels are known, and interlace."""

    area: PictureArea
    ends: Ends
    range_from: Literal["tag", "measured", "assumed"]
    border_px: tuple[int, int, int, int]
    overlay_percent: float
    interlaced: bool
    notes: tuple[str, ...]


def first_look(
    pictures: Sequence[Luma],
    *,
    range_tag: str | None,
    interlaced_flag: bool,
    criteria: Criteria,
    more: Callable[[int], Sequence[Luma]] | None = None,
) -> FirstLook:
    """Find the picture area from luma planes [height, width] of one shape, spread over the flight.

    `range_tag` is the stream's own word ("narrow", "full" or None), `interlaced_flag` likewise. `more` gives
    pictures at a price, as many as it is asked for if it can; it is asked where those that show a scene are too few to
    tell text from it. ValueError without pictures.
    """
    if not pictures:
        raise ValueError("a first look needs at least one picture")
    notes: list[str] = []
    pictures = [picture for picture in pictures if _shows_a_scene(picture)] or pictures
    height, width = pictures[0].shape
    top, bottom, left, right = picture_window(pictures)
    border = (top, width - right, height - bottom, left)
    # a border's edge is soft: keep a little away from it
    top, left = top + _SOFT_EDGE * (top > 0), left + _SOFT_EDGE * (left > 0)
    bottom, right = bottom - _SOFT_EDGE * (bottom < height), right - _SOFT_EDGE * (right < width)
    window = (top, bottom, left, right)
    inside = [picture[top:bottom, left:right] for picture in pictures]
    views = _views_for_text(inside, more, (height, width), window)
    mask, why = overlay_of(views)
    if why:
        notes.append(why)
    ends = chain_ends(inside, mask, range_tag)
    notes.extend(ends.notes)
    area = PictureArea(window, mask, ends.code_range, ends.floor, ends.ceiling, criteria)
    combed = interlaced(pictures)
    if combed is False and interlaced_flag and _fields_part(pictures):
        combed = None  # noise made more teeth than motion did
    elif combed is False and interlaced_flag and views.shown and not views.moves:
        combed = None  # both fields of what stands still are alike
        notes.append(
            "the stream says interlaced, and where the scene stands still pictures cannot tell: measured as interlaced"
        )
    if combed is not None and combed != interlaced_flag:
        seen, said = ("interlaced", "progressive") if combed else ("progressive", "interlaced")
        notes.append(f"the stream says {said}, its pictures are {seen}: measured as {seen}")
    return FirstLook(
        area=area,
        ends=ends,
        range_from=ends.range_from,
        border_px=border,
        overlay_percent=0.0 if mask is None else 100.0 * float(mask.mean()),
        interlaced=interlaced_flag if combed is None else combed,
        notes=tuple(notes),
    )


def _views_for_text(
    known: list[Luma],
    more: Callable[[int], Sequence[Luma]] | None,
    shape: tuple[int, int],
    window: tuple[int, int, int, int],
) -> Views:
    """Views of a scene, enough to tell text from it, cut to the window: of the pictures known, or of others if more can be had.

    Of those known where they show no motion: noise and a lamp that is lit make a scene on the ground look new.
    For text alone: levels are read from key pictures, which a codec blurs less.
    """
    views = views_of_scene(known)
    if more is None or len(views) >= _ENOUGH_FOR_TEXT or not views.moves:
        return views
    top, bottom, left, right = window
    for enough in (
        _ENOUGH_FOR_TEXT,
        _PLENTY_FOR_TEXT,
    ):  # plenty, where some show a lost link, or the ground before the flight
        if len(views) < _ENOUGH_FOR_TEXT:
            found = [one[top:bottom, left:right] for one in more(enough) if one.shape == shape and _shows_a_scene(one)]
            views = max(views, views_of_scene(found), key=len)
    return views


def _shows_a_scene(picture: Luma) -> bool:
    """Say whether a picture is neither snow nor a blank screen."""
    spread, patches = (
        float(cv2.meanStdDev(one)[1][0, 0])
        for one in (picture, cv2.resize(picture, _PATCHES, interpolation=cv2.INTER_AREA))
    )
    return not is_blank(spread) and not is_snow(spread, patches)


def picture_window(pictures: Sequence[Luma]) -> tuple[int, int, int, int]:
    """Find (top, bottom, left, right) of the picture within its borders, half open, in pixels.

    A border is flat and dark in every picture, and what lies inside it has been lit: a dark sky is no border.
    """
    height, width = pictures[0].shape
    top, bottom = _border(pictures), _border([picture[::-1] for picture in pictures])
    left, right = _border([picture.T for picture in pictures]), _border([picture.T[::-1] for picture in pictures])
    top, bottom = _plausible(top, bottom, height)
    left, right = _plausible(left, right, width)
    if not (top or bottom):
        top, bottom = _bars(pictures)
    if not (left or right):
        left, right = _bars([picture.T for picture in pictures])
    return top, height - bottom, left, width - right


def _border(pictures: Sequence[Luma]) -> int:
    """Count the rows from the top that are border; 0 where the row inside is not lit. A few torn pictures do not count."""
    near = max(1, pictures[0].shape[0] // 2)
    step = max(1, pictures[0].shape[1] // _SAMPLES)
    base = float(np.median([picture[0] for picture in pictures]))
    if not _flat([picture[:1, ::step] for picture in pictures], base)[0]:  # most pictures: no need to look further
        return 0
    flat = _flat([picture[:near, ::step] for picture in pictures], base)
    rows = int(np.argmin(flat)) if not flat.all() else 0
    if rows == 0:
        return 0
    inside = np.maximum.reduce([picture[rows + 1 : rows + 3] for picture in pictures])
    lit = float((inside > base + _LIT_CODES).mean()) if inside.size else 0.0
    return rows if lit >= _LIT_SHARE else 0


def _flat(pictures: Sequence[Luma], base: float) -> npt.NDArray[np.bool_]:
    """Rows that are even and near the code `base` in most of some pictures [rows, columns]."""
    low, high = np.percentile(np.array(pictures), _LOW_AND_HIGH, axis=2)
    low, high = np.quantile(low, 1 - _MOST_PICTURES, axis=0), np.quantile(high, _MOST_PICTURES, axis=0)
    return np.asarray((high <= base + _DARK_SPREAD_CODES) & (low >= base - _DARK_SPREAD_CODES))


def _bars(pictures: Sequence[Luma]) -> tuple[int, int]:
    """Rows of a letterbox's two bars where text lies in one, or where the scene is too dark to stand out; (0, 0) without.

    Both bars have one height, are hardly ever lit in any picture but for text, and end in a straight edge.
    """
    size = pictures[0].shape[0]
    first, second = _bar(pictures), _bar([picture[::-1] for picture in pictures])
    alike = abs(first - second) <= max(2, _MATCH_SHARE * size) and first + second < size / 2
    return (first, second) if first and second and alike else (0, 0)


def _bar(pictures: Sequence[Luma]) -> int:
    """Count the rows from the top that stay dark, but for text, in nearly every picture; 0 without a straight edge."""
    near = max(1, pictures[0].shape[0] // 2)
    step = max(1, 4 * pictures[0].shape[1] // _SAMPLES)
    base = float(np.median([picture[0] for picture in pictures]))
    if float(np.mean([np.abs(picture[0, ::step] - base) <= _DARK_SPREAD_CODES for picture in pictures])) < _BAR_SHARE:
        return 0
    seen = np.array([picture[:near, ::step] for picture in pictures])
    brightest = np.quantile(seen, _NEARLY_EVERY, axis=0)
    dark = (np.abs(brightest - base) <= _DARK_SPREAD_CODES).mean(axis=1) >= _BAR_SHARE
    rows = int(np.argmin(dark)) if not dark.all() else 0
    if rows < _EDGE_ROWS or rows + _EDGE_ROWS > near:
        return 0
    usual = seen.mean(axis=0)
    rise = usual[rows : rows + _EDGE_ROWS].max(axis=0) - usual[rows - _EDGE_ROWS]
    return rows if float((rise > _EDGE_CODES).mean()) >= _LIT_SHARE else 0


def _plausible(first: int, second: int, size: int) -> tuple[int, int]:
    """Keep a pair of opposite borders where it is a letterbox or thin blanking, else drop the side that is not."""
    if abs(first - second) <= max(2, _MATCH_SHARE * size) and first + second < size / 2:
        return first, second
    thin = _THIN_SHARE * size
    return (first if first <= thin else 0), (second if second <= thin else 0)


def interlaced(pictures: Sequence[Luma]) -> bool | None:
    """Say whether pictures hold two instants, from combing where something moves; None without evidence.

    Teeth are counted between neighbouring lines and, to tell fine texture from combing, within one field.
    """
    votes = [vote for picture in pictures if (vote := _combed(picture)) is not None]
    if not votes:
        return None
    return float(np.mean(votes)) >= _COMB_PICTURES


def _fields_part(pictures: Sequence[Luma]) -> bool:
    """Say whether lines bend more from line to line than within a field in pictures enough: between fields something moved.

    Texture bends more within a field, whose lines are twice as far apart, and noise alike.
    """
    parted = []
    for picture in pictures:
        lines = cv2.blur(picture[:, :: max(1, picture.shape[1] // _COMB_COLUMNS)], (_COMB_RUN, 1)).astype(np.float32)
        parted.append(_bend(lines) > _APART_TIMES * (_bend(lines[::2]) + _bend(lines[1::2])) / 2.0)
    return float(np.mean(parted)) >= _APART_PICTURES


def _bend(lines: Floats) -> float:
    """Mean square of how far pixels lie from between the lines above and below."""
    bend = lines[1:-1] - (lines[:-2] + lines[2:]) / 2.0
    return float(np.mean(np.square(bend))) if bend.size else 0.0


def _combed(picture: Luma) -> bool | None:
    """Vote of one picture; None where it has neither teeth nor texture enough to tell.

    Teeth within a field are of noise or texture: averaged along the lines, noise goes and both texture and combing stay.
    """
    vote = _vote(picture)
    if vote is not False:
        return vote
    return _vote(np.asarray(cv2.blur(picture, (_COMB_RUN, 1)), dtype=np.uint8)) or False


def _vote(picture: Luma) -> bool | None:
    picture = np.ascontiguousarray(picture[:, :: max(1, picture.shape[1] // _COMB_COLUMNS)])
    between = _teeth(picture)
    within = (_teeth(picture[::2]) + _teeth(picture[1::2])) / 2.0
    if max(between, within) < _COMB_SHARE:
        return None
    return between > _COMB_RATIO * within


def _teeth(lines: Luma) -> float:
    """Share of pixels that stand out from the lines above and below alike by more than the threshold."""
    # in saturated 8-bit arithmetic: many times as fast as with signs
    middle, above, below = lines[1:-1], lines[:-2], lines[2:]
    over = cv2.min(cv2.subtract(middle, above), cv2.subtract(middle, below))
    under = cv2.min(cv2.subtract(above, middle), cv2.subtract(below, middle))
    teeth = cv2.threshold(cv2.max(over, under), _COMB_CODES, 1, cv2.THRESH_BINARY)[1]
    return cv2.countNonZero(teeth) / max(1, middle.size)
