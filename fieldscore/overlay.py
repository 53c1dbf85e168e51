"""Find overlay text (OSD) in pictures spread over a flight: it stays put, in contrast, while the scene moves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Luma = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float32]
Halves = npt.NDArray[np.float16]  # holds eighths of a code up to 256 exactly
Detail = tuple[Halves, Halves]
Numbers = npt.NDArray[np.integer[Any]]

_PICTURES_AT_LEAST = 6
_CONTRAST_CODES = 24  # a text pixel differs from its surroundings by at least this
_ALWAYS = 0.8  # share of the pictures in which a label stands out
# A stroke keeps to its own code while exposure and scene move: between the quartiles of the pictures lie at most so many codes,
# of noise, and in lit strokes this share of as many as in their surroundings, which shine through. A lit horizon flown straight
# toward moves by more, and stands out at a few pixels (docs/decisions/text_or_scene.py).
_OWN_CODES, _SHINES_THROUGH = 12.0, 0.75
_OWN_SHARE = 0.2  # of a label's pixels that do so at least: outlines are soft; of real text a third was the least
_LETTER = 0.01  # of the height: a letter has as many such pixels as a square of this side ...
# ... or of a stroke's, that digits leave alone when they change: nearly all do so, and stand out in nearly every picture
# (what gates and the like cover by chance did so in 0.81 to 0.83 of them: docs/decisions/text_or_scene.py)
_STROKE, _OWN_OF_FEW, _NEARLY_ALWAYS = 0.005, 0.75, 0.9
_OFTEN = 0.15  # the same for a changing digit, as bright as the labels and beside one or another digit
_TWICE = 2  # pictures at least: what one picture shows beside a label may be anything
# As bright as the labels nearly always, but brought out by what is behind in this share of the pictures only: a cross hair before
# a sun-lit sky (0.74 measured), a number of digits that change
_OUTSTANDS = 0.6
_TEXT_CODES = 28  # a digit is at most this much darker than the labels
# Correlation of the detail of two pictures from which on the scene has not moved between them, over that within each ...
_SAME_SCENE = 0.7
_SOMETHING = 0.03  # ... which is at least this: with less there is nothing but noise, which is always another
_STAYS = 0.5  # share of the pictures in which a place is strong: in flight only text is so, a tree or lamp is elsewhere
# Share of the scene that stays at one place from which on it cannot be told from text: 0.21 of a road filmed from a car that
# keeps its lane; of flights, straight on too, at most 0.08
_IN_PLACE = 0.15
_MEDIAN_STEP = 3  # each how many-th row and column of a small detail its median is taken from: thousands are left
_MOVES = 0.5  # share of the key pictures: on the ground a light that goes on changes one or two of them
_AT_MOST = 0.12  # a mask over this share is no overlay


@dataclass(frozen=True)
class Views:
    """Pictures [height, width] each of which shows the scene from elsewhere than the one before; `shown`: how many were looked at
    and show anything at all. `bright` and `dark` [height, width]: in how many of the pictures a pixel stands out so. `in_place`:
    share of what there is to see of the scene that is at the same place in picture and picture.
    """

    pictures: list[Luma]
    bright: Luma
    dark: Luma
    shown: int
    in_place: float

    def __len__(self) -> int:
        """Count them."""
        return len(self.pictures)

    @property
    def moves(self) -> bool:
        """Say whether half or more of what was looked at shows the scene from elsewhere than the one before."""
        return self.shown > 0 and len(self) >= _MOVES * self.shown


def overlay_of(views: Views) -> tuple[Mask | None, str]:
    """Give the mask [height, width] of overlay text, or None, and a note where it could not be looked for.

    A pixel belongs to the overlay where it stands out from its surroundings, the same way, in most pictures, in a label
    that keeps to codes of its own; what is as bright as such labels belongs to it where it nearly always is, and digits
    that change where they are now and then, stand out just then, and are near one.
    Only pictures between which the scene moved count, so that a drone on the ground is not taken for text.
    """
    moved = views.pictures
    if views.shown <= 1:  # one picture has no motion
        return None, ""
    if len(moved) < _PICTURES_AT_LEAST or views.in_place >= _IN_PLACE:
        return None, "overlay text not looked for: the scene hardly moves, so text cannot be told from it"
    height, width = moved[0].shape
    bright, dark = views.bright, views.dark
    often = np.maximum(bright, dark)
    labels = _lines(often >= _ALWAYS * len(moved))
    if labels.mean() > _AT_MOST:
        return None, ""
    labels = _written(labels, bright >= dark, often, moved)
    lit = labels & (bright >= dark)
    if not lit.any():
        return (labels, "") if labels.any() else (None, "")
    ink, text = _inked(moved, float(np.median([np.median(picture[lit]) for picture in moved])))
    labels |= _alone((ink >= _ALWAYS * len(moved)) & (text >= _OUTSTANDS * len(moved)) & (bright > dark))
    digits = (text >= max(_TWICE, _OFTEN * len(moved))) & (bright > dark)
    mask = _grown(labels, digits, _reach(height))
    return (mask, "") if mask.mean() <= _AT_MOST else (None, "")


def _inked(pictures: Sequence[Luma], level: float) -> tuple[Luma, Luma]:
    """In how many pictures a pixel is as bright as labels of that level, and in how many it also stands out there and then."""
    ink, text = (np.zeros(pictures[0].shape, dtype=np.uint8) for _ in range(2))
    for picture in pictures:
        around = _around(picture, _reach(picture.shape[0]))
        bright = cv2.threshold(picture, math.ceil(level - _TEXT_CODES) - 1, 1, cv2.THRESH_BINARY)[1]
        ink = np.asarray(cv2.add(ink, bright), dtype=np.uint8)
        text = _counted(text, cv2.multiply(cv2.subtract(picture, around), bright), _CONTRAST_CODES)
    return ink, text


def _alone(text: Mask) -> Mask:
    """Groups of text pixels without specks, each as many as a stroke has: a number without any label, a mark on a bright sky."""
    text = _lines(text)
    height = text.shape[0]
    count, number = cv2.connectedComponents(cv2.dilate(text.astype(np.uint8), _beside(_reach(height))))
    enough = np.bincount(number[text], minlength=count) >= (_STROKE * height) ** 2
    return np.asarray(text & enough[number])


def _counted(count: Luma, picture: npt.NDArray[Any], above: int) -> Luma:
    """One more where a picture is above a code; of no more than 255 pictures."""
    return np.asarray(cv2.add(count, cv2.threshold(picture, above, 1, cv2.THRESH_BINARY)[1]), dtype=np.uint8)


def _reach(height: int) -> int:
    """Half width in px of the surroundings that letters stand out from."""
    return max(3, height // 40) | 1


def views_of_scene(pictures: Sequence[Luma]) -> Views:
    """Pick the pictures [height, width] that show another scene, or the scene from elsewhere, than the one picked before."""
    reach = _reach(pictures[0].shape[0]) if pictures else 0
    bright, dark = (np.zeros(pictures[0].shape if pictures else (0, 0), dtype=np.uint8) for _ in range(2))
    kept: list[Luma] = []
    shown = 0
    picked: list[Detail] = []
    details = _bounded([_small_detail(one, _around(one, reach)) for one in pictures])
    for picture, detail in zip(pictures, details, strict=True):
        if _seen(detail) <= _SOMETHING:
            continue  # nothing but noise: it would be unlike all others, and all others unlike it
        shown += 1
        if not picked or _differ(detail, picked[-1]):
            kept.append(picture)
            around = _around(picture, reach)
            bright = _counted(bright, cv2.subtract(picture, around), _CONTRAST_CODES)
            dark = _counted(dark, cv2.subtract(around, picture), _CONTRAST_CODES)
            picked.append(detail)
    return Views(kept, bright, dark, shown, _in_place(picked))


def _around(picture: Luma, reach: int) -> Luma:
    """The mean of the surroundings of every pixel."""
    return np.asarray(cv2.blur(picture, (2 * reach + 1, 2 * reach + 1)), dtype=np.uint8)


def _small_detail(picture: Luma, around: Luma) -> Detail:
    """Detail of a picture about its surroundings at quarter size, from the first two and the last two of four rows."""
    size = (max(1, picture.shape[1] // 4), max(1, picture.shape[0] // 4))
    detail = cv2.subtract(picture, around, dtype=cv2.CV_32F)
    pairs = detail[: detail.shape[0] // 4 * 4].reshape(
        -1, 2, 2, detail.shape[1]
    )  # of one pair, a line is of either field
    one, other = (
        np.asarray(
            cv2.resize(
                np.ascontiguousarray(pairs[:, half].reshape(-1, detail.shape[1])), size, interpolation=cv2.INTER_AREA
            ),
            dtype=np.float16,
        )
        for half in (0, 1)
    )
    return one, other


def _bounded(details: Sequence[Detail]) -> list[Detail]:
    """Details with strong pixels (trees, lamps) held to a bound, so that it counts how many there are; without those that stay.

    What is strong in half of the pictures is text, or a lamp seen from the ground. On smooth snow or under a plain sky the
    strong pixels are all there is to see of a scene; on a screen of noise there are none that both sets of rows show.
    """
    if not details:
        return []
    bounds = [_bound(_whole(detail)) for detail in details]
    strong = [np.abs(_whole(detail)) >= bound for detail, bound in zip(details, bounds, strict=True)]
    stays = (np.mean(strong, axis=0) >= _STAYS).astype(np.uint8)
    # what stays is left out as far as it is part of the surroundings, at a quarter of the size
    side = 2 * math.ceil(_reach(4 * stays.shape[0]) / 4) + 1
    free = cv2.dilate(stays, np.ones((side, side), np.uint8)) == 0
    return [
        (np.clip(one[free], -bound / 2, bound / 2), np.clip(other[free], -bound / 2, bound / 2))
        for (one, other), bound in zip(details, bounds, strict=True)
    ]


def _whole(detail: Detail) -> Floats:
    """Both sets of rows of a detail together."""
    return np.add(*detail, dtype=np.float32)


def _bound(detail: Floats) -> float:
    """The strength from which on a detail is text, a lamp or the like."""
    return 4 * float(np.median(np.abs(detail)[::_MEDIAN_STEP, ::_MEDIAN_STEP])) + 1


def _differ(first: Detail, second: Detail) -> bool:
    """Say whether two details are less alike than one scene would be, given their noise.

    Both sets of rows show the same scene with noise of their own: how alike they are says how much there is to see at all.
    """
    most = float(np.sqrt(_seen(first) * _seen(second)))
    return _correlation(_whole(first), _whole(second)) < _SAME_SCENE * most


def _in_place(details: Sequence[Detail]) -> float:
    """How alike any two of some details are on the mean, given their noise: 0 where the scene moves, 1 where it stays."""
    count = len(details)
    if count < 2:
        return 0.0
    seen = np.sqrt([_seen(detail) for detail in details])
    total = np.zeros(details[0][0].shape)
    for detail, one in zip(details, seen, strict=True):
        whole = _whole(detail)
        total += whole / (max(float(np.linalg.norm(whole)), 1.0) * one)
    return float((total @ total - (1 / seen**2).sum()) / (count * (count - 1)))


def _seen(detail: Detail) -> float:
    """How alike both sets of rows of a detail are: 1 without noise, 0 with nothing else."""
    return max(_correlation(detail[0].astype(np.float32), detail[1].astype(np.float32)), 0.0)


def _correlation(one: Floats, two: Floats) -> float:
    """Correlation of two sets of detail; 1 where there is none."""
    energy = float(np.sqrt((one @ one) * (two @ two)))
    return float(one @ two) / energy if energy > 0 else 1.0


def _lines(mask: Mask) -> Mask:
    """The mask without specks of a single pixel."""
    # not by an opening with an even kernel: that moves what it keeps a pixel to the right
    pairs = mask[:, :-1] & mask[:, 1:]
    kept = np.zeros_like(mask)
    kept[:, :-1] |= pairs
    kept[:, 1:] |= pairs
    return kept


def _written(labels: Mask, lit: Mask, often: Luma, pictures: Sequence[Luma]) -> Mask:
    """The labels that keep to codes of their own, each with what stands beside it: no scene that stays in place.

    `lit`: where they are brighter than their surroundings; `often`: in how many pictures they stand out.
    """
    if not labels.any():
        return labels
    number, pixels, steady = _groups(labels, lit, pictures)
    letter, stroke = ((side * labels.shape[0]) ** 2 for side in (_LETTER, _STROKE))
    always = np.bincount(number, often[labels], len(pixels)) >= _NEARLY_ALWAYS * len(pictures) * pixels
    text = ((steady >= letter) & (steady >= _OWN_SHARE * pixels)) | (
        (steady >= stroke) & (steady >= _OWN_OF_FEW * pixels) & always
    )
    kept = labels.copy()
    kept[labels] = text[number]
    return kept


def _groups(labels: Mask, lit: Mask, pictures: Sequence[Luma]) -> tuple[Numbers, Numbers, Numbers]:
    """The group [n] of every label pixel, and by group [k] how many pixels it has and how many keep to their own code."""
    reach = _reach(labels.shape[0])
    around = [cv2.blur(picture, (2 * reach + 1, 2 * reach + 1))[labels] for picture in pictures]
    behind = np.where(lit[labels], _SHINES_THROUGH * _spread(around), 0.0)  # the dark moves less than what is around it
    own = _spread([picture[labels] for picture in pictures]) <= np.hypot(_OWN_CODES, behind)
    count, numbers = cv2.connectedComponents(cv2.dilate(labels.astype(np.uint8), _beside(reach)))
    number = np.asarray(numbers[labels], dtype=np.int32)
    return number, np.bincount(number, minlength=count), np.bincount(number[own], minlength=count)


def _spread(codes: Sequence[npt.NDArray[Any]]) -> npt.NDArray[np.float64]:
    """Codes between the quartiles of some pictures, each [n]."""
    low, high = np.percentile(codes, (25, 75), axis=0)
    return np.asarray(high - low)


def _beside(reach: int) -> Luma:
    """A kernel as wide as what belongs to one line of text."""
    return np.ones((reach, 3 * reach), np.uint8)


def _grown(labels: Mask, digits: Mask, reach: int) -> Mask:
    """Labels, the digits near them, and the outline around both."""
    core = labels.copy()
    beside = _beside(reach)
    for _ in range(3):  # a digit beside a digit beside a label
        core |= digits & (cv2.dilate(core.astype(np.uint8), beside) > 0)
    edge = max(3, reach // 2) | 1
    closed = cv2.morphologyEx(core.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    return np.asarray(cv2.dilate(closed, np.ones((edge, edge), np.uint8)) > 0)
