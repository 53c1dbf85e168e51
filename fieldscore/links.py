"""Links between frames that see the same surfaces a tenth of a second apart: by how much their light changed, and why.

Motion of small squares is found on locally normalised pictures, so that auto exposure does not pass for movement. Near ground
moves far in a tenth of a second, by a stripe or more where it is striped: so it is followed as one plane where it is one
(ground.py), and other motion is found from there, or else first over the last frame or two, from a share of that of the link
before, drawn out to all of the time. What it says must hold for the frame between, too, and patches that look alike where the
ground's plane has them are taken from there. The older picture is brought onto the newer one, patches that still look different
are left out, and those neither clipped nor crushed are compared in linear light under the named curve. Where all surfaces
brighten by one factor, the exposure changed; what darker surfaces gain beyond that is veil, light that the lens spreads over
the picture; detail, glow and shading are fitted beside (link_fit.py). After Bergmann, Wang and Cremers, "Online Photometric
Calibration of Auto Exposure Video for Realtime Visual Odometry and SLAM", IEEE RA-L 2018.
"""

from __future__ import annotations

from array import array
from collections import deque
from dataclasses import replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.bands import of_surfaces
from fieldscore.following import (
    Between,
    Motion,
    each_sample,
    looked,
    middles,
    normal_codes,
    normalised,
    on_the_way,
    sample_places,
    under,
)
from fieldscore.frame import BLOCKS_A_TILE, FLOW_A_BLOCK, LINK_EVERY_S, Frame, Luma, PictureArea
from fieldscore.glow import gained
from fieldscore.ground import GroundMotion, plane_of
from fieldscore.link_fit import ExposureLink as ExposureLink
from fieldscore.link_fit import Surfaces, fit
from fieldscore.link_key import PATCH, Key, key_of, means, picture_part
from fieldscore.shading import outward
from fieldscore.signs import is_blank, is_snow, patch_spread, spread
from fieldscore.units import to_linear

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

_SOON_S = 0.016  # s after a link that came late, from which on the next beat is linked all the same, to keep step
_BETWEEN_S, _MOST_BETWEEN = (
    1 / 30,
    4,
)  # s before a linked frame that motion is first found from; how many are kept to choose from
LONGEST_S = 0.5  # s: over more, too little of the picture is still in view
# A patch is another surface where the normalised pictures differ by this share of their structure. Patches without
# structure (squared codes) are let through: a sky looks the same wherever it is fetched from.
_OTHER_SURFACE, _PLAIN = 0.8, 300.0
_OTHER_BETWEEN = 0.6  # the same share for the frame between, which is nearer (docs/decisions/exposure_links.py)
_BETWEEN_COUNTS = _OTHER_SURFACE / _OTHER_BETWEEN
# Share of the patches with structure that must look alike. Links between sound pictures have more but in the hardest turns; most
# into or out of a lost link have less, and are off by a quarter of a stop (docs/decisions/lost_links.py). By chance it may be a
# third: a cut may pass, but a break in a hard turn would cost more.
_LEAST_ALIKE = 0.3
_FOLLOWED = 0.5  # patches that differ by less say how the ground moves (docs/decisions/far_links.py)
_GROUND = 0.5  # patches below the horizon that differ by less under the ground's plane lie in it (docs/decisions/ground_plane.py)
_INSIDE = 0.9  # share of a patch that must be picture in both frames
_CLIPPED = 0.004  # share of a patch at the ceiling from which on its light is not known
_CRUSHED = 0.1  # the same at the floor: what is cut off there lifts the mean of what is left
_ONE_MAP: Any = None  # right and down are in one map
_SECOND = (2, 0), (0, 2)  # differences, right and down
_SOME = slice(1, None, 4)  # samples that say how far between samples the older picture is fetched from
_LOW, _HIGH = 0.04, 0.85  # level fractions above the floor: below is noise, above the shoulder of many curves begins
_BLACK = 0.002  # linear light taken for a patch that is black, a neighbour of one that is compared
# Share of detail that is told from the older picture. Noise of the newer one is in its detail and in the ratio, and passes for
# detail that grows; what was followed beside its place in the older one, for detail that goes (docs/decisions/detail.py)
_OLDER = 0.3
_MOST_DARKER = 3.0  # stops that a patch would change by if all of its light were its neighbours'
_NATURAL = 1.4427  # stops of a small relative change: 1 / ln 2
_FEWEST = 20  # patches without which there is no link


class Linker:
    """Takes the frames of a pass in order and links them."""

    def __init__(self) -> None:
        self._motion = Motion()
        self._ground = GroundMotion()
        self._last: Key | None = None
        self._part: tuple[PictureArea, Floats] | None = None
        self._between: deque[tuple[Frame, int]] = deque(maxlen=_MOST_BETWEEN)
        self._end: tuple[Frame, int] | None = None
        self._other_lines: tuple[Frame, int] | None = None
        self._links: list[ExposureLink] = []
        self._brightness = array("d")  # a list of an hour would be five times as large
        self._first = 0
        self._bands: float | None = None

    def add(self, frame: Frame, bands: float | None = None) -> None:
        """Take in the next frame (or field); `bands`: how many bands of mains light its height holds, None without."""
        self._bands = bands
        row = len(self._brightness)
        self._brightness.append(_brightness(frame))
        last = self._last
        if last is not None and last.area is frame.area:
            same_lines = (row - last.row) % frame.area.lines_a_row == 0  # a field is linked to fields of its parity
            if not same_lines:
                self._other_lines = frame, row
                return
            self._end = frame, row
            if frame.time_s - last.time_s < (_SOON_S if frame.is_beat else LINK_EVERY_S) - 1e-3:
                if frame.is_paced or frame.is_midway:
                    self._between.append(self._end)
                return
        if _no_scene(frame) or (last is not None and last.area is not frame.area):
            self._forget()
        if _no_scene(frame):
            return
        key = key_of(frame, row, self._picture_part(frame.area))
        if last is not None and last.area is frame.area:
            link = self._link(last, key, frame)
            if link is not None:
                self._links.append(link)
            elif frame.time_s - last.time_s < LONGEST_S:
                self._forget()  # it was wrong, and what begins from it would be
                self._between.append((frame, row))  # if it shows the scene, what links the next must hold for it
                return  # this frame shows nothing that can be followed; another may
            else:
                self._forget()
        self._last, self._end = key, None
        self._between.clear()

    def _forget(self) -> None:
        self._motion.forget()
        self._ground.forget()

    def _link_the_end(self) -> None:
        """Link the last frame of all, however soon it came after the one before, so that the trace ends with the flight.

        So also the last field, if it shows the other lines: half a line off, it still shows the same surfaces.
        """
        for end in (self._end, self._other_lines):
            last = self._last
            if last is None or end is None or end[1] <= last.row or last.area is not end[0].area or _no_scene(end[0]):
                continue
            self._motion.forget()  # was over a longer time
            key = key_of(*end, self._picture_part(end[0].area))
            link = self._link(last, key, end[0])
            if link is not None:
                self._links.append(link)
                self._last = key
            self._end = None
        self._other_lines = None

    def _link(self, before: Key, after: Key, frame: Frame) -> ExposureLink | None:
        if not np.any(before.normal != after.normal):
            return ExposureLink(before.row, after.row, 0.0, 0.0, (1e6, 0.0, 1e6), 0.1)
        surfaces = self._surfaces(before, after, frame)
        return None if surfaces is None else fit(before.row, after.row, surfaces, frame.area.criteria.transfer_curve)

    def _surfaces(self, before: Key, after: Key, frame: Frame) -> Surfaces | None:
        """The light of the same surfaces before and after; None where too few can be followed and compared."""
        height, width = after.picture.shape
        size = (width // PATCH, height // PATCH)
        was, motion, unlike = self._followed(before, after, size)
        ok = self._picture_part(frame.area)
        told = (means(after.structure, size) > _PLAIN) & (means(ok, size) > _INSIDE)
        if np.count_nonzero(unlike[told] < _OTHER_SURFACE) < _LEAST_ALIKE * np.count_nonzero(told):
            return None  # another scene, or none: what still looks alike does so by chance
        seen = ok * _fetched(ok, was)  # what lies outside the picture was not seen, so it may be 0
        cover = means(seen, size)
        share = np.maximum(cover, 1e-3)
        old = means(_fetched(before.picture, was) * seen, size) / share
        soft = _soft(after.picture, was, size)
        new = means(after.picture * seen, size) / share + soft
        clipped = _more(after.clipped, before.clipped, was, size)
        crushed = _more(after.crushed, before.crushed, was, size)
        area = frame.area
        one, two = ((codes.astype(np.float64) - area.floor) / area.code_range.span for codes in (old, new))
        good = (cover > _INSIDE) & (unlike < _OTHER_SURFACE) & (clipped < _CLIPPED) & (crushed < _CRUSHED)
        good &= (np.minimum(one, two) > _LOW) & (np.maximum(one, two) < _HIGH)
        if np.count_nonzero(good) < _FEWEST:
            return None
        patches = motion / np.float32(PATCH)
        lit = before.glow is not None or after.glow is not None
        glowing = gained(before.glow, after.glow, patches) if lit else None
        curve = area.criteria.transfer_curve
        detail = _OLDER * _detail(old, area) + (1.0 - _OLDER) * _detail(means(after.picture, size) + soft, area)
        out, halfway = outward(patches, area.shape[1] / (area.shape[0] * area.lines_a_row))
        banded = None
        if self._bands is not None:
            now = (np.nonzero(good)[0] + 0.5) / len(good)
            down = patches[good][:, 1].astype(np.float64) / len(good)
            banded = of_surfaces(self._bands, now + down, now, after.time_s - before.time_s)
        return Surfaces(
            old=to_linear(one[good], curve),
            new=to_linear(two[good], curve),
            detail=detail[good],
            gained=None if glowing is None else glowing[good].astype(np.float64),
            shine=0.0 if after.glow is None else float(after.glow.mean()),
            outward=out[good],
            halfway=halfway[good],
            moved=np.hypot(*patches[good].T.astype(np.float64)),
            banded=banded,
        )

    def _followed(self, before: Key, after: Key, size: tuple[int, int]) -> tuple[Floats, Floats, Floats]:
        """Where each sample [height, width, 2] of the newer picture was, right and down, and how well that is known.

        With it the mean motion [rows, columns, 2] of each patch back to there, in samples, and how unlike it looks now,
        as a share of its structure.
        """
        between = self._picture_between(before, after)
        pictures = before.normal, after.normal, between
        places, whole = sample_places(*after.normal.shape), after.normal.shape[1::-1]
        structure = means(after.structure, size) + _PLAIN
        alone: list[tuple[Floats, Floats, Floats]] = []

        def one_by_one() -> tuple[Floats, Floats, Floats]:
            if not alone:
                motion = self._motion.back(*pictures)
                was = places + each_sample(motion, whole)
                alone.append((was, motion, _unlike(pictures, was, on_the_way(between, was), structure)))
            return alone[0]

        def plane() -> Doubles | None:
            _, motion, unlike = one_by_one()
            return plane_of(motion, (unlike < _FOLLOWED) & (structure > 2.0 * _PLAIN), PATCH)

        over_s = after.time_s - before.time_s
        ground = self._ground.back(pictures, self._picture_part(after.area), over_s, plane, PATCH)
        if ground is None:
            return one_by_one()
        midway = None if between is None or ground.midway is None else under(between[0], ground.midway)
        beneath = _unlike(pictures, ground.places, midway, structure)
        lies = ground.below & (beneath < _GROUND)
        if ground.sure:
            begun = ground.places - places
            was = places + each_sample(self._motion.back_from(begun, before.normal, after.normal, ~lies), whole)
            unlike = _unlike(pictures, was, on_the_way(between, was), structure)
        else:
            was, _, unlike = one_by_one()
        lies |= ground.below & (beneath <= unlike)
        there = cv2.resize(lies.astype(np.uint8), places.shape[1::-1], interpolation=cv2.INTER_NEAREST)
        cv2.copyTo(ground.places, there, was)
        motion = np.asarray(means(was, size) - middles(*after.normal.shape, PATCH), dtype=np.float32)
        return was, motion, np.asarray(np.where(lies, beneath, unlike), dtype=np.float32)

    def _picture_between(self, before: Key, after: Key) -> Between | None:
        """A frame between, normalised, and the share of the time that it lies back from `after`; None without one."""
        there = [
            one for one, _ in self._between if one.area is after.area and before.time_s < one.time_s < after.time_s
        ]
        if not there:
            return None
        # snow or a blank screen needs no look: no patch holds for it, and the next frame is linked instead
        frame = min(there, key=lambda one: abs(after.time_s - one.time_s - _BETWEEN_S))
        back = (after.time_s - frame.time_s) / (after.time_s - before.time_s)
        return normal_codes(normalised(frame.coarse)), np.float32(back)

    def _picture_part(self, area: PictureArea) -> Floats:
        """1 where the small picture is free of overlay, else 0; kept while the area is the same."""
        if self._part is None or self._part[0] is not area:
            self._part = area, picture_part(area)
        return self._part[1]

    def results(self) -> tuple[tuple[ExposureLink, ...], Doubles]:
        """Give the links in order, and [n] the change of brightness of each row since the one before, in stops.

        To be asked for when all frames are in.
        """
        self._link_the_end()
        return tuple(self._links), np.diff(self._brightness, prepend=np.nan)

    def begin(self) -> None:
        """Let the next frame be the first row of a part: the one before it is linked to as the last of all would be."""
        self._link_the_end()
        self._links.clear()
        self._first = len(self._brightness)

    def part(self) -> tuple[tuple[ExposureLink, ...], Doubles]:
        """Give the links that reach rows of the part, rows counted from its first, and the brightness of each row in stops."""
        self._link_the_end()
        links = tuple(moved(link, -self._first) for link in self._links)
        return links, np.array(self._brightness[self._first :])


def moved(link: ExposureLink, rows: int) -> ExposureLink:
    """The same link between rows so many further on."""
    return replace(link, before=link.before + rows, after=link.after + rows)


def _fetched(picture: Floats, was: Floats) -> Floats:
    """A picture brought to where its samples are now; 0 where they were outside."""
    return np.asarray(cv2.remap(picture, was, _ONE_MAP, cv2.INTER_LINEAR), dtype=np.float32)


def _soft(picture: Floats, was: Floats, size: tuple[int, int]) -> Floats:
    """By how much each patch [rows, columns] of a picture would change if it, too, were fetched linearly from between samples.

    At a share f of the way to the next sample that is, to second order, f (1 - f) / 2 of the second difference. A part of
    the samples says how far between they lie.
    """
    away = was[_SOME, _SOME] - np.floor(was[_SOME, _SOME])
    away = means(away - away * away, size)
    right, down = (
        cv2.Sobel(picture, cv2.CV_32F, *order, ksize=1, borderType=cv2.BORDER_REPLICATE) for order in _SECOND
    )
    across, along = (means(np.asarray(one, dtype=np.float32), size) for one in (right, down))
    return np.asarray(np.float32(0.5) * (away[..., 0] * across + away[..., 1] * along))


def _more(now: Floats | None, then: Floats | None, was: Floats, size: tuple[int, int]) -> Floats:
    """The larger share [rows, columns] of each patch that is marked now or then."""
    shares = [means(one, size) for one in (now, None if then is None else _fetched(then, was)) if one is not None]
    return np.maximum(shares[0], shares[-1]) if shares else np.zeros(size[::-1], dtype=np.float32)


def _unlike(pictures: tuple[Luma, Luma, Between | None], was: Floats, midway: Luma | None, structure: Floats) -> Floats:
    """Difference [rows, columns] of each patch from where it is said to have been, as a share of its structure.

    `pictures` are the older, the newer and the one between; `midway` is the one between as it should look now.
    """
    before, after, _ = pictures
    apart = _apart(after, looked(before, was), structure)
    if midway is not None:
        apart = np.maximum(apart, _BETWEEN_COUNTS * _apart(after, midway, structure))
    return np.asarray(apart / structure, dtype=np.float32)


def _apart(after: Luma, older: Luma, structure: Floats) -> Floats:
    """Mean squared difference [rows, columns] in codes of each patch from an older picture brought to it."""
    apart = cv2.absdiff(after, older).astype(np.float32)
    return means(apart * apart, structure.shape[::-1])


def _no_scene(frame: Frame) -> bool:
    """Say whether a frame is snow or a blank screen."""
    pixels = frame.view(spread)
    return bool(is_blank(pixels) or is_snow(pixels, frame.paced(patch_spread)))


def _detail(codes: npt.NDArray[Any], area: PictureArea) -> Doubles:
    """Stops by which each patch [rows, columns] grows lighter for a share of the light beside it that it no longer mixes in.

    What comes nearer is less blurred, and what is followed a little beside its place is mixed with its neighbours. That is so in
    light: a dark patch beside a lighter one changes by more stops than that one (docs/decisions/detail.py).
    """
    levels = np.maximum((codes.astype(np.float64) - area.floor) / area.code_range.span, 0.0)
    light = np.maximum(to_linear(levels, area.criteria.transfer_curve), _BLACK)
    beyond = (
        cv2.Laplacian(light, cv2.CV_64F) / -4.0
    )  # over the mean of the four beside it, those included that are no use
    return np.maximum(_NATURAL * beyond / light, -_MOST_DARKER)


@lru_cache(maxsize=4)
def _code_light(floor: float, span: float, curve: str) -> Doubles:
    """Linear light [256] of the codes."""
    return to_linear((np.arange(256) - floor) / span, curve)


def _brightness(frame: Frame) -> float:
    """Mean linear light of the picture, in stops; NaN where it is black.

    Coarse as an exposure: good for the shape of a fast change between two linked frames, not to be added up.
    """
    area = frame.area
    mean = float(frame.histogram @ _code_light(area.floor, area.code_range.span, area.criteria.transfer_curve))
    return float(np.log2(mean)) if mean > 0.0 else float("nan")


assert BLOCKS_A_TILE * FLOW_A_BLOCK % PATCH == 0  # patches tile the picture
