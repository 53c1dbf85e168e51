"""Was the comparison fair? Checks of flights against each other, and what a failure does to the result."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from itertools import product

import numpy as np
import numpy.typing as npt

from fieldscore.align import Alignment
from fieldscore.comparison import USABLE, Check, PairAlignment
from fieldscore.criteria import Criteria
from fieldscore.pairing import way_of
from fieldscore.record import ClipFacts
from fieldscore.score import MAP_INTERVAL, PASS_CRITERIA, Score
from fieldscore.units import HLG, PQ, CodeRange, code_to_level

# What a coder, its bit rate and the picture size change by themselves: never compared across them (measures.md, 7).
NOISE_MEASURES = ("noise_percent", "frozen_percent", "zone_noisy_percent")
READABILITY_MEASURES = (
    "readable_percent", "zone_readable_percent", "zone_dark_percent", "zone_blown_percent", "zone_noisy_percent", USABLE,
)  # fmt: skip
RANGE_MEASURES = ("occupied_range_stops",)
PICTURE_SHAPE = "picture shape"
_SAME_LEVEL = 1.0  # %: floors or ceilings of two chains that are nearer than two codes are the same
_EQUALLY_FAST = 1.005  # ratio of speeds that would be told as 1.00
# Tags of curves unlike all others (ITU-R BT.2100); the rest are near enough to each other.
_WIDE_CURVES = frozenset({HLG, PQ})
_SAME_RATE = 0.02  # share by which frame rates may differ: 29.97 is 30, 25 is not
# Share by which width over height may differ: a border is found to a few lines, and 5:4, the nearest to 4:3, is 7 % off
_SAME_SHAPE = 0.05
# Frames of ITU-R BT.601, whose pixels are not square, their fields, and what recorders make of them: taken to be shown as 4:3, as
# most are; a wide one of the same size is not told
_NOT_SQUARE = frozenset(product((720, 704, 352, 960), (576, 480, 288, 240)))
_SHOWN_AS = 4.0 / 3.0


def audit(
    scores: Sequence[Score], numbers: Sequence[int], alignments: Sequence[PairAlignment], criteria: Criteria
) -> tuple[Check, ...]:
    """Every check over the flights of these numbers together; a check's detail gives the figures it was judged by.

    `alignments` are the ones to judge the route by: those between flights of different cameras.
    """
    own = [scores[number] for number in numbers]
    shared = [_shared(scores[number], number, alignments) for number in numbers]
    return (
        *_route([one.found for one in alignments], criteria),
        _light(own, shared, criteria),
        *_chain([score.record.clip for score in own], criteria),
        _shape(own),
        _link(own, shared, criteria),
        _same_judge(own),
    )


def _shared(score: Score, number: int, alignments: Sequence[PairAlignment]) -> npt.NDArray[np.bool_]:
    """Rows [n] of a flight's airtime from its first to its last place that another flight shows; all without any."""
    times = [
        one.found.time_a_s if one.a == number else one.found.time_b_s
        for one in alignments
        if one.found.same_route and number in (one.a, one.b) and len(one.found.time_a_s)
    ]
    rows = score.in_airtime
    if times:
        first, last = min(float(one[0]) for one in times), max(float(one[-1]) for one in times)
        rows = rows & score.record.timeline.between(first, last)
    return rows if rows.any() else score.in_airtime


def _route(found: Sequence[Alignment], criteria: Criteria) -> list[Check]:
    """Overlap and speed on the routes that were found to be the same; a pair of flights that was not overlaps nowhere."""
    same = [one for one in found if one.same_route]
    if not same:
        return []
    overlap = 100.0 * min(one.overlap_share for one in same)
    refused = len(found) - len(same)
    but = f", but {refused} of {len(found)} pairs of flights could not be matched" if refused else ""
    ratios = [max(ratio, 1.0 / ratio) for one in same if math.isfinite(ratio := way_of(one).speed_ratio)]
    speed = max(ratios, default=math.nan)
    return [
        Check(
            "overlap of the routes",
            overlap >= criteria.fair_overlap_percent and not refused,
            f"at least {overlap:.0f} % of the shorter flight matched{but}; {criteria.fair_overlap_percent:g} % asked for",
            "the result holds for the part of the route that both show",
        ),
        Check(
            "speed",
            speed <= criteria.fair_speed_ratio,
            "the speeds do not compare: too little of the route was flown in both"
            if math.isnan(speed)
            else f"{_faster(speed)} at the same places; {criteria.fair_speed_ratio:g} times allowed",
            "the faster flight has more motion blur and less time in hard places",
        ),
    ]


def _faster(ratio: float) -> str:
    """A ratio of speeds, 1 or more, in words."""
    return (
        "both flights were equally fast" if ratio < _EQUALLY_FAST else f"one flight was up to {ratio:.2f} times as fast"
    )


def _light(scores: Sequence[Score], shared: Sequence[npt.NDArray[np.bool_]], criteria: Criteria) -> Check:
    """Whether the bright parts of the pictures are as bright on the shared route."""
    bright = [_median(score, "p95_percent", rows) for score, rows in zip(scores, shared, strict=True)]
    spread = max(bright) - min(bright) if all(map(math.isfinite, bright)) else math.nan
    return Check(
        "light level",
        spread <= criteria.fair_level_percent,
        "the level of the bright parts was not measured in every flight"
        if math.isnan(spread)
        else f"bright parts (95th percentile, median over the shared route) at {_listed(bright, '.0f')} %, "
        f"{criteria.fair_level_percent:g} % apart allowed; a recording cannot tell another light from another exposure",
        "part of the difference may be the light, not the camera",
    )


def _chain(clips: Sequence[ClipFacts], criteria: Criteria) -> list[Check]:
    """The recording chain: what may differ by the recorder rather than by the camera."""
    rates = [_bits_a_pixel(clip) for clip in clips]
    known = [rate for rate in rates if rate is not None]
    ratio = max(known) / min(known) if len(known) == len(rates) and min(known) > 0.0 else math.nan
    floors, ceilings = ([_level(clip, code) for clip, code in zip(clips, codes, strict=True)] for codes in _ends(clips))
    recorder = "noise is not compared, and part of what can be read may be the coder's doing"
    return [
        _same("code range", clips, lambda one: f"{one.code_range} ({one.code_range_from})",
              lambda one: one.code_range, "levels are read from differently coded pictures"),
        Check(
            "tagged tone curve",
            len({one.transfer_tag if one.transfer_tag in _WIDE_CURVES else None for one in clips}) == 1,
            f"{' and '.join(_told((one.transfer_tag or 'none').upper() for one in clips))} by the files' tags; the curves that the "
            "cameras have are not known",
            "a stop, a cast and what stands out are not the same under the two curves",
        ),
        Check(
            "floor and ceiling",
            max(np.ptp(floors), np.ptp(ceilings)) <= _SAME_LEVEL,
            f"floor at {_listed(floors, '.1f')} %, ceiling at {_listed(ceilings, '.1f')} % of nominal",
            "the occupied range is not compared, and crushed and clipped count from different ends",
            RANGE_MEASURES,
        ),
        _same("codec", clips, lambda one: f"{one.codec}, {one.bits} bit", lambda one: (one.codec, one.bits),
              recorder, NOISE_MEASURES),
        _same("picture size", clips, lambda one: f"{one.width} x {one.height}", lambda one: (one.width, one.height),
              recorder, NOISE_MEASURES),
        Check(
            "bit rate",
            ratio <= criteria.fair_bit_rate_ratio,
            "not known for every clip"
            if math.isnan(ratio)
            else f"{_listed([1000.0 * rate for rate in known], '.0f')} thousandths of a bit a pixel, "
            f"a ratio of {criteria.fair_bit_rate_ratio:g} allowed",
            recorder,
            NOISE_MEASURES,
        ),
        Check(
            "frame rate",
            max(one.frame_rate for one in clips) <= (1.0 + _SAME_RATE) * min(one.frame_rate for one in clips)
            and len({one.interlaced for one in clips}) == 1,
            " and ".join(_told(f"{one.frame_rate:.4g}{' interlaced' if one.interlaced else ''}" for one in clips))
            + " frames a second",
            "shutter, noise and blur may differ by the frame rate alone",
        ),
    ]  # fmt: skip


def _shape(scores: Sequence[Score]) -> Check:
    """Whether the pictures are as wide for their height.

    The reference object is a part of the picture's height. Of two cameras with one lens the one whose picture is higher sees more
    above and below, and an obstacle is a smaller part of its height: what is asked of it is another.
    """
    shapes = [_width_over_height(score) for score in scores]
    return Check(
        PICTURE_SHAPE,
        max(shapes) <= (1.0 + _SAME_SHAPE) * min(shapes),
        f"{_listed(shapes, '.2f')} times as wide as high, without borders",
        "one sees more above and below, or beside: one obstacle is not the same part of both pictures' height, so neither what can "
        "be read nor usable places are compared",
        READABILITY_MEASURES,
    )


def _width_over_height(score: Score) -> float:
    """How wide the picture is for its height as it is shown, without its border."""
    clip = score.record.clip
    top, right, bottom, left = score.record.picture.border_px
    pixel = _SHOWN_AS * clip.height / clip.width if (clip.width, clip.height) in _NOT_SQUARE else 1.0
    return pixel * (clip.width - left - right) / (clip.height - top - bottom)


def _median(score: Score, name: str, rows: npt.NDArray[np.bool_]) -> float:
    """Median of a measure over rows [n] where the link is there; NaN without a value."""
    timeline = score.record.timeline
    if name not in timeline:
        return math.nan
    values = timeline[name][rows & (timeline["link"] > 0.0)]
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else math.nan


def _link(scores: Sequence[Score], shared: Sequence[npt.NDArray[np.bool_]], criteria: Criteria) -> Check:
    """Whether the link was there in all flights."""
    lost = [
        100.0 * float(1.0 - score.record.timeline["link"][rows].mean())
        for score, rows in zip(scores, shared, strict=True)
    ]
    return Check(
        "link",
        max(lost) <= criteria.fair_lost_percent,
        f"lost for {_listed(lost, '.1f')} % of the shared route, {criteria.fair_lost_percent:g} % allowed; left out of all",
        "places where the link was lost are missing, often the hard ones",
    )


def _same_judge(scores: Sequence[Score]) -> Check:
    """Whether saved flights were measured with the same criteria."""
    apart = [
        name
        for name in PASS_CRITERIA
        if name != MAP_INTERVAL and len({getattr(score.criteria, name) for score in scores}) > 1
    ]
    return Check(
        "criteria",
        not apart,
        f"measured with different {', '.join(apart)}" if apart else "all measured with the same criteria",
        "readability is not compared: score the videos again with the same criteria",
        READABILITY_MEASURES if apart else (),
    )


def _same(  # noqa: PLR0913 - what to look at, how to say it, and what follows
    name: str,
    clips: Sequence[ClipFacts],
    told: Callable[[ClipFacts], str],
    key: Callable[[ClipFacts], object],
    then: str,
    withholds: tuple[str, ...] = (),
) -> Check:
    """A check that all clips have the same of something."""
    return Check(
        name, len({key(one) for one in clips}) == 1, " and ".join(_told(told(one) for one in clips)), then, withholds
    )


def _told(words: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(words))


def _listed(values: Sequence[float], form: str) -> str:
    """Few values one by one, many as their range."""
    shown = [format(value, form) for value in values]
    if len(set(shown)) == 1:
        return shown[0]
    if len(shown) == 2:  # noqa: PLR2004 - two flights
        return " and ".join(shown)
    return f"{format(min(values), form)} to {format(max(values), form)}"


def _ends(clips: Sequence[ClipFacts]) -> tuple[list[float], list[float]]:
    return [one.floor_code for one in clips], [one.ceiling_code for one in clips]


def _level(clip: ClipFacts, code: float) -> float:
    return float(code_to_level(code, CodeRange(clip.code_range), clip.bits))


def _bits_a_pixel(clip: ClipFacts) -> float | None:
    """Bits spent on a pixel of a frame; None where the bit rate is not known."""
    pixels = clip.width * clip.height * clip.frame_rate
    return clip.bit_rate / pixels if clip.bit_rate and pixels > 0.0 else None
