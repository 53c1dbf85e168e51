"""Which code range is in force, and the lowest and highest code this recording chain really reaches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.units import CodeRange

Luma = npt.NDArray[np.uint8]
Doubles = npt.NDArray[np.float64]
How = Literal["measured", "nominal"]

_OUTSIDE_CODES = 8  # codes below nominal black that narrow-range undershoot does not fill
_OUTSIDE_SHARE = 0.005  # share of all pixels there that proves full range, against a tag too
_EMPTY_SHARE = 2e-4  # at most this share beyond an end of the chain ...
_LEAK = 0.1  # ... or this share of the pile-up: overshoot of a codec, or noise of an analogue link
# Where a codec rings on a sharpened picture it puts 0.2 to 0.7 of white's pile-up beyond it; full range has 1.6 times and more of
# what happens to lie about code 235 beyond that (390 recordings as both)
_RINGING_LEAK = 0.9
# Three codes up to white hold so many times what three beyond its wobble do, and all beyond at most so many times what they do. So
# much of that lies at the last three codes at most (0.3 to 0.4 where a codec rings): a sky may end about white, but a sun that is
# blown out over it lies there, 0.7 and more (750 made-up full recordings).
_CUT_RATIO, _CUT_BEYOND, _CUT_LAST = 4.0, 1.5, 0.5
_MOST_RINGING = 0.02  # share of the pixels so far under black: three times what a codec's ringing puts there
# Where white ends at 235 it may be the noise of a high gain that nothing limits at black, too
_FADED_LOUD, _MOST_LOUD = 0.8, 0.05
_FADED = 0.5  # ringing far under black holds at most this share of the eight codes from black up, 0.2 there; what is video, any
# Undershoot of noise and sharpening in the dark holds at most 0.014 there, far overshoot 0.15 of the eight codes up to white;
# full range mostly 0.02 and more, and 0.5 where it reaches so high (150 flights, night and day, as both)
_FADED_UNDER = 0.02
_FADED_OVER = 0.3
# Noise of as many codes as lie between black and those that prove full range puts pixels there by itself. Where it is also so many
# times what the quieter quarter of the pictures has, it is the link's snow and says nothing of the recorder.
_LOUD_CODES, _LOUD_RATIO = 8.0, 1.5
# A scene's texture is alike nearby: it bends by at least so many times as much over four times the distance, as a random walk does,
# or as the quieter pictures show of this one; snow bends alike over any.
_TEXTURE_FAR = 2.0
_QUIETER = 0.25
_BEND_OF_NOISE = 0.6745 * 6.0**0.5  # the median size of x - 2 y + z, for normal noise of sigma 1 in each
_NOISE_COLUMNS = 320  # columns at least that are looked at for it
_FEW = 2  # of more pictures than these, the one with most outside narrow range does not count
# A ceiling below white might be a sky of full range with clouds above it: less lies beyond a chain's own (0.12 where a codec
# rings on a sharpened picture; 0.3 beyond the sky over a road by day)
_CEILING_LEAK = 0.2
_PILE_SHARE = 2e-4  # a pile-up holds at least this share of all pixels
_CLEAR_SHARE = 2e-3  # what noise puts beyond a pile-up of 2 % of the pixels: a bump of less is none of its own
_PILE_RATIO = 2.0  # the pile-up (five codes) over the five codes inside it
_WOBBLE = 2  # codes to each side over which compression spreads a pile-up
_INSIDE = 8  # codes inside the pile-up's middle that are compared with it
_SEARCH_CODES = 20  # 7.5 IRE of setup left in the signal put black 16 to 19 codes in (SMPTE 170M)
_SAME_CODE = 0.5  # share of the pictures that reach the end at all and must have it at the same code
_NOMINAL_NEAR = 1.5  # an end this near to the nominal one is the nominal one


@dataclass(frozen=True)
class Ends:
    """Code range and both ends of the chain in the 8-bit scale, with how each is known."""

    code_range: CodeRange
    range_from: Literal["tag", "measured", "assumed"]
    floor: float
    floor_from: How
    ceiling: float
    ceiling_from: How
    notes: tuple[str, ...]


def chain_ends(pictures: Sequence[Luma], overlay: npt.NDArray[np.bool_] | None, range_tag: str | None) -> Ends:
    """Find range, floor and ceiling from the histograms of pictures [height, width] spread over the flight."""
    histograms = np.array([_histogram(picture, overlay) for picture in pictures])
    code_range, range_from, notes = _range(histograms[_quiet(pictures)], range_tag)
    floor = _end(histograms, code_range.black)
    if floor is not None and floor > code_range.black and not _below_too(pictures, overlay, floor, code_range.black):
        floor = None
    from_top = _end(histograms[:, ::-1], 255.0 - code_range.white)
    ceiling = None if from_top is None else 255.0 - from_top
    if code_range is CodeRange.FULL and None in (floor, ceiling) and _reaches_narrow_ends(histograms):
        floor = CodeRange.NARROW.black if floor is None else floor
        ceiling = CodeRange.NARROW.white if ceiling is None else ceiling
    return Ends(
        code_range=code_range,
        range_from=range_from,
        floor=code_range.black if floor is None else floor,
        floor_from="nominal" if floor is None else "measured",
        ceiling=code_range.white if ceiling is None else ceiling,
        ceiling_from="nominal" if ceiling is None else "measured",
        notes=notes,
    )


def _below_too(pictures: Sequence[Luma], overlay: npt.NDArray[np.bool_] | None, floor: float, nominal: float) -> bool:
    """Say whether the lower half of the pictures ends at this floor too: a chain lifts every shadow, a sky lies above."""
    half = len(pictures[0]) // 2
    under = None if overlay is None else overlay[half:]
    low = _end(np.array([_histogram(picture[half:], under) for picture in pictures]), nominal)
    return low is not None and abs(low - floor) <= _WOBBLE


def _histogram(picture: Luma, overlay: npt.NDArray[np.bool_] | None) -> Doubles:
    mask = None if overlay is None else (~overlay).view(np.uint8)
    counts = cv2.calcHist([picture], [0], mask, [256], [0, 256]).ravel().astype(np.float64)
    return np.asarray(counts / max(counts.sum(), 1.0))


def _quiet(pictures: Sequence[Luma]) -> npt.NDArray[np.bool_]:
    """Pictures [pictures] without much snow: a recorder's range holds in these as in all, and snow holds any code."""
    near, far = np.array([[_bend(picture, lines) for lines in (2, 8)] for picture in pictures]).T
    quieter = near <= np.quantile(near, _QUIETER)
    texture = max(_TEXTURE_FAR, float(np.median(far[quieter]) / max(np.median(near[quieter]), 1e-9))) ** 2
    noise = np.sqrt(
        np.maximum(texture * near**2 - far**2, 0.0) / (texture - 1.0)
    )  # near**2 and far**2 are sums of both
    return np.asarray(noise <= max(_LOUD_CODES, _LOUD_RATIO * float(np.quantile(noise, _QUIETER))))


def _bend(picture: Luma, apart: int) -> float:
    """How a picture's smoother half bends over lines so many apart, of one field, as sigma (codes) of noise; 0 with too few."""
    lines = picture[:, :: max(1, picture.shape[1] // _NOISE_COLUMNS)].astype(np.int16)
    bend = np.abs(lines[2 * apart :] - 2 * lines[apart:-apart] + lines[: -2 * apart])
    return float(np.median(bend)) / _BEND_OF_NOISE if bend.size else 0.0


def _range(
    histograms: Doubles, tag: str | None
) -> tuple[CodeRange, Literal["tag", "measured", "assumed"], tuple[str, ...]]:
    """Choose the code range: the tag unless the histograms [pictures, 256] contradict it, else what they show."""
    narrow = CodeRange.NARROW
    # 1 to 254 may carry video in narrow range (ITU-R BT.601), but only ringing stays so far below black
    histogram = histograms.mean(axis=0)
    outside = float(histogram[: int(narrow.black) - _OUTSIDE_CODES].sum() + histogram[255])
    if outside > _OUTSIDE_SHARE:
        if tag != "full" and _is_ringing(histograms):
            return narrow, "measured" if tag is None else "tag", ()
        if tag == "narrow":
            share = f"{100 * outside:.1f} % of the pixels lie where narrow range has none"
            note = f"tagged narrow range, but {share}: read as full range"
            return CodeRange.FULL, "measured", (note,)
        return CodeRange.FULL, "tag" if tag == "full" else "measured", ()
    if tag is not None:
        return CodeRange(tag), "tag", ()
    return _untagged(histograms)


def _untagged(histograms: Doubles) -> tuple[CodeRange, Literal["measured", "assumed"], tuple[str, ...]]:
    """Choose the code range of a stream without a tag that has little outside narrow range, or nothing."""
    narrow, histogram = CodeRange.NARROW, histograms.mean(axis=0)
    how = _full_range(histograms)
    if how is not None:
        note = "code range not tagged, and codes fade away too slowly under 16 for narrow range: full range assumed"
        return CodeRange.FULL, how, (note,) if how == "assumed" else ()
    ends = [_end(histogram[None, :], narrow.black), _end(histogram[None, ::-1], 255.0 - narrow.white)]
    if any(end is not None for end in ends):
        return narrow, "measured", ()
    return narrow, "assumed", ("code range not tagged and not to be seen in the pictures: narrow range assumed",)


def _full_range(histograms: Doubles) -> Literal["measured", "assumed"] | None:
    """Say how the little outside narrow range shows full range, if it does; None where it is noise, or a codec's or sharpening's.

    Full range piles up out there or goes on from what lies inside; over- and undershoot fade away. Where only the low end
    goes on, and little, it may still be noise. One picture alone does not tell: snow and tears hold any code.
    """
    black, from_top = CodeRange.NARROW.black, 255.0 - CodeRange.NARROW.white
    outside = histograms[:, : int(black) - _OUTSIDE_CODES].sum(axis=1) + histograms[:, 255]
    if outside.mean() <= _PILE_SHARE or _is_ringing(histograms):
        return None
    if len(histograms) > _FEW:
        histograms = np.delete(histograms, int(np.argmax(outside)), axis=0)
    if _goes_on(histograms, black, _FADED) or _goes_on(histograms[:, ::-1], from_top, _FADED_OVER):
        return "measured"
    return "assumed" if _goes_on(histograms, black, _FADED_UNDER) else None


def _goes_on(histograms: Doubles, nominal: float, faded: float) -> bool:
    """Say whether histograms [pictures, 256] pile up below a low end, or have far below it more than fades away from it."""
    mean, end = histograms.mean(axis=0), int(nominal)
    far, inside = mean[: end - _OUTSIDE_CODES].sum(), mean[end : end + _OUTSIDE_CODES].sum()
    piled = _end(histograms, nominal)
    return bool(far > max(_PILE_SHARE / 2, faded * inside)) or (piled is not None and piled < nominal - _WOBBLE)


def _is_ringing(histograms: Doubles) -> bool:
    """Say whether what lies outside narrow range is a codec's ringing: it fades away from black, and the chain ends where
    narrow range has white, or before, piled up with little beyond.
    """
    turned, from_top = histograms[:, ::-1], 255.0 - CodeRange.NARROW.white
    if _end(turned, from_top, _RINGING_LEAK) == from_top or _is_cut_off(histograms.mean(axis=0)):
        return _fades_under_black(histograms, _FADED_LOUD, _MOST_LOUD)
    if not _fades_under_black(histograms):
        return False
    ceiling = _end(turned, from_top, _CEILING_LEAK)
    return ceiling is not None and ceiling > from_top


def _is_cut_off(histogram: Doubles) -> bool:
    """Say whether a histogram [256] of pictures with something dark is cut off at narrow white, piled up there or not.

    What lies beyond is a codec's ringing: it fades away, and so little comes to its last codes that no sun is blown out there.
    """
    black, end = int(CodeRange.NARROW.black), int(CodeRange.NARROW.white)
    inside, outside = histogram[end - _WOBBLE : end + 1].sum(), histogram[end + _WOBBLE : end + 2 * _WOBBLE + 1].sum()
    if histogram[black : black + _OUTSIDE_CODES].sum() < _CLEAR_SHARE:
        return False  # nothing fades away from black where nothing is dark
    beyond = histogram[end + _WOBBLE + 1 :].sum()
    if beyond > _CUT_BEYOND * inside or histogram[-_WOBBLE - 1 :].sum() > _CUT_LAST * beyond:
        return False
    return bool(inside > max(_PILE_SHARE, _CUT_RATIO * outside))


def _fades_under_black(histograms: Doubles, faded: float = _FADED, most: float = _MOST_RINGING) -> bool:
    """Say whether what lies far under narrow black fades away from it."""
    histogram, black = histograms.mean(axis=0), int(CodeRange.NARROW.black)
    under, inside = histogram[: black - _OUTSIDE_CODES].sum(), histogram[black : black + _OUTSIDE_CODES].sum()
    return bool(under <= min(faded * inside, most))


def _reaches_narrow_ends(histograms: Doubles) -> bool:
    """Say whether the pictures of a full-range stream are of narrow range: white piled up at 235, black reached and faded under.

    What limits at code 235 is a converter of BT.601, which has black at 16: found though noise and a codec blur it.
    """
    black, from_top = int(CodeRange.NARROW.black), 255.0 - CodeRange.NARROW.white
    dark = histograms.mean(axis=0)[black : black + _OUTSIDE_CODES].sum()
    return (
        bool(dark > _PILE_SHARE)
        and _fades_under_black(histograms)
        and _end(histograms[:, ::-1], from_top, _CEILING_LEAK) == from_top
    )


def _end(histograms: Doubles, nominal: float, leak: float = _LEAK) -> float | None:
    """Find the low end of histograms [pictures, 256] as a pile-up that nothing lies below; None without one.

    Nothing is an empty share, or `leak` of the pile-up.

    Turn the histograms round for the high end. An end is looked for no further in than a setup left in the signal
    puts it: a dark sky further in is no floor, however even.
    """
    mean = histograms.mean(axis=0)
    padded = np.pad(mean, _INSIDE)
    below = np.concatenate([[0.0], np.cumsum(mean)])
    for code in range(int(nominal) + _SEARCH_CODES + 1):
        at = code + _INSIDE
        pile = padded[at - _WOBBLE : at + _WOBBLE + 1].sum()
        if pile < _PILE_SHARE or padded[at] < padded[at - _WOBBLE : at + _WOBBLE + 1].max():
            continue
        if below[max(code - _WOBBLE - 1, 0)] > max(_EMPTY_SHARE, leak * pile):
            if pile < _CLEAR_SHARE:
                continue  # it may itself be what noise puts beyond a larger one further in
            return None  # something lies below, so no end is here or further in
        inner = padded[at + _WOBBLE + 2 : at + _INSIDE + 1].sum()
        if pile >= _PILE_RATIO * inner and _same_code(histograms, code, leak):
            return nominal if abs(code - nominal) <= _NOMINAL_NEAR else float(code)
    return None


def _same_code(histograms: Doubles, code: int, leak: float) -> bool:
    """Say whether the pictures that reach down to the end have it at this code."""
    pile = histograms[:, : code + _WOBBLE + 1].sum(axis=1)
    reaching = pile > _PILE_SHARE
    if not reaching.any():
        return False
    beyond = np.maximum(_PILE_SHARE / 2, leak * pile[reaching])  # what a codec's ringing puts past a pile-up
    low = np.argmax(np.cumsum(histograms[reaching], axis=1) > beyond[:, None], axis=1)
    return float(np.mean(np.abs(low - code) <= 2 * _WOBBLE)) >= _SAME_CODE
