"""What the page shows, worked out before the template: plain text and figures from flight.json."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from fieldscore.plots import cause_look
from fieldscore.report import words
from fieldscore.report.assumed import airtime, how
from fieldscore.report.explain import column_title, explain_place
from fieldscore.report.figures import Figure, figure, told
from fieldscore.report.summary import airtime_of, ordered_causes
from fieldscore.running import runs
from fieldscore.score import CAUSES, Score

_SHOWN_PROVENANCE = frozenset({"fieldscore", "file", "files", "sha256", "picture", "code range", "frames"})
_JPEG = b"\xff\xd8\xff"  # start of every JPEG file


class Cause(NamedTuple):
    """A cause of loss: name, share of the airtime, seconds, bar width in %, colour and hatch classes, its longest stretch."""

    name: str
    share: Figure
    seconds: str
    width: float
    colour: str
    hatch: str
    at: float | None


class Shot(NamedTuple):
    """A picture of a moment as a data URI ("" without one), its time and what it shows."""

    uri: str
    at: str
    taken_at: str
    title: str
    figures: tuple[Figure, ...]
    time_s: float


def headline(flight: Mapping[str, Any]) -> dict[str, Figure]:
    """The main figures by name."""
    usable = flight["usable"]
    shown = {
        "share": ("share", words.share),
        "samples": ("effective_samples", words.count),
        "longest": ("longest_gap_s", words.seconds),
        "longest_at": ("longest_gap_at_s", words.moment),
        "gaps": ("gaps_per_minute", words.number),
    }
    return {
        name: figure(flight, f"usable.{key}", usable[key], read(usable[key])) for name, (key, read) in shown.items()
    }


def explained() -> list[tuple[str, tuple[tuple[str, str], ...]]]:
    """What there is to say of each main figure: (its name, (heading, text)...)."""
    names = (
        ("Usable share", "usable.share"),
        ("Longest gap", "usable.longest_gap_s"),
        ("Gaps a minute", "usable.gaps_per_minute"),
        ("Effective samples", "usable.effective_samples"),
    )
    return [(name, told(explain_place(place))) for name, place in names]


def causes(score: Score, flight: Mapping[str, Any]) -> list[Cause]:
    """Causes of loss, the largest first; the longest bar is full."""
    airtime_s = airtime_of(flight) or 0.0
    ordered = ordered_causes(flight)
    most = max((part for _, part in ordered if part is not None), default=0.0) or 1.0
    rows = []
    for cause, part in ordered:
        look = cause_look(cause)
        rows.append(
            Cause(
                words.cause_name(cause),
                figure(flight, f"usable.lost_by_cause.{cause}", part, words.share(part)),
                "" if part is None else words.seconds(part * airtime_s),
                round(100.0 * (part or 0.0) / most, 2),
                look.colour,
                look.hatch_class,
                _longest_from(score, cause),
            )
        )
    return rows


def _longest_from(score: Score, cause: str) -> float | None:
    """Where the longest stretch lost to a cause begins, in seconds; None where nothing was lost to it."""
    found = runs(score.cause == CAUSES.index(cause)) if cause in CAUSES else []
    start, _ = max(found, key=lambda one: one[1] - one[0], default=(None, None))
    return None if start is None else float(score.record.timeline.time_s[start])


def gaps(flight: Mapping[str, Any]) -> list[tuple[float, str, str, str]]:
    """Every gap: (when in seconds, when, how long, what it was lost to)."""
    return [
        (
            gap["from_s"],
            words.moment(gap["from_s"]),
            words.seconds(gap["to_s"] - gap["from_s"]),
            words.lost_to(gap["by_cause_s"]),
        )
        for gap in flight["gaps"]
    ]


def scale(flight: Mapping[str, Any]) -> list[tuple[str, str, float, str]]:
    """The whole airtime as stretches of a scale: (colour, hatch, width in %, what it is), usable first."""
    usable = flight["usable"]
    if usable["share"] is None:
        return []
    parts = [("usable", "plain", round(100.0 * usable["share"], 2), f"usable {words.share(usable['share'])}")]
    for cause, part in ordered_causes(flight):
        if part:
            look = cause_look(cause)
            name = f"{words.cause_name(cause)} {words.share(part)}"
            parts.append((look.colour, look.hatch_class, round(100.0 * part, 2), name))
    return parts


def shots(score: Score, flight: Mapping[str, Any], pictures: Mapping[float, bytes]) -> list[tuple[str, list[Shot]]]:
    """Pictures of the moments, the worst and the typical ones apart."""
    groups: dict[str, list[Shot]] = {"worst": [], "typical": []}
    for index, one in enumerate(flight["moments"]):
        taken_s, data = picture_at(score, pictures, score.moments[index].time_s)
        exact = taken_s is None or abs(taken_s - one["time_s"]) < 0.05  # noqa: PLR2004 - reads as the same tenth
        figures = tuple(
            Figure(f"moments.{index}.{key}", one[key], words.number(one[key], "%"))
            for key in ("readable_percent", "level_percent")
        )
        groups.setdefault(one["kind"], []).append(
            Shot(
                f"data:image/jpeg;base64,{base64.b64encode(data).decode('ascii')}" if data else "",
                words.moment(one["time_s"]),
                "" if exact else words.moment(taken_s),
                state_at(score, index),
                figures,
                one["time_s"],
            )
        )
    return [(kind, group) for kind, group in groups.items() if group]


def recording(score: Score, flight: Mapping[str, Any]) -> list[tuple[str, list[str]]]:
    """What was measured and how it was read: (what, lines)."""
    clip, picture = score.record.clip, score.record.picture
    files = [
        f"{words.visible(name)} (SHA-256 {words.visible(digest)})"
        for name, digest in zip(clip.files, clip.sha256, strict=False)
    ]
    bits = f"{clip.bits} bit, {clip.pixel_format}, in {clip.container}"
    rate = f"; {words.number(clip.bit_rate / 1e6, 'Mbit/s')}" if clip.bit_rate else ""
    fields = "interlaced, measured field by field" if clip.interlaced else "progressive"
    top, right, bottom, left = picture.border_px
    frames = [
        f"{clip.frames_measured} measured",
        f"{clip.frames_lost} lost ({words.number(clip.lost_s, 's')})",
        f"{clip.frames_damaged} damaged",
    ]
    rows = [
        ("Files" if len(files) > 1 else "File", files),
        ("Coding", [f"{clip.codec}, {bits}{rate}"]),
        ("Size and rate", [f"{clip.width} x {clip.height} px, {clip.frame_rate:.6g} frames/s, {fields}"]),
        ("Length", [f"{words.seconds(clip.duration_s)} ({words.moment(clip.duration_s)} min:s)"]),
        ("Airtime", [airtime(flight)]),
        ("Frames", [", ".join(frames)]),
        ("Code range", [f"{clip.code_range}, {how(clip.code_range_from)}"]),
        ("Floor", [f"code {clip.floor_code:.6g}, {how(clip.floor_from)}"]),
        ("Ceiling", [f"code {clip.ceiling_code:.6g}, {how(clip.ceiling_from)}"]),
        (
            "Overlay",
            [f"{words.number(picture.overlay_percent, '%')} of the picture, left out of every figure"],
        ),
        ("Border", [f"top {top}, right {right}, bottom {bottom}, left {left} px, left out"]),
        ("Wrong with it", list(clip.problems) or ["nothing found"]),
        ("Measured by", [f"fieldscore {flight['version']}"]),
    ]
    more = score.record.timeline.provenance.items()
    rows += [(_capital(key), [text]) for key, text in more if key not in _SHOWN_PROVENANCE]
    return [(words.visible(key), [words.visible(line) for line in lines]) for key, lines in rows]


def criteria(score: Score) -> list[tuple[str, str, str]]:
    """Every threshold: (name in words, value with unit, reason)."""
    rows = []
    for name, value, unit, reason in score.criteria.describe():
        shown = f"{value:g}" if isinstance(value, (int, float)) else str(value)
        rows.append((column_title(name), f"{shown} {unit}".strip(), reason))
    return rows


def picture_at(score: Score, pictures: Mapping[float, bytes], time_s: float) -> tuple[float | None, bytes | None]:
    """The picture taken for this moment, else the nearest small one of the evidence, with its time."""
    interval = score.record.timeline.interval_s
    near = min(pictures, key=lambda at: abs(at - time_s), default=None)
    if near is not None and not abs(near - time_s) > interval and pictures[near].startswith(_JPEG):
        return near, pictures[near]
    times = score.record.evidence.thumb_time_s
    if len(times):
        index = int(np.argmin(np.abs(times - time_s)))
        if score.record.evidence.thumbs[index].startswith(_JPEG):
            return float(times[index]), score.record.evidence.thumbs[index]
    return None, None


def state_at(score: Score, index: int) -> str:
    """What a moment's frame was: a typical moment of a poor flight need not be a usable one."""
    one = score.moments[index]
    if one.cause is not None:
        return words.cause_name(one.cause)
    row = int(np.argmin(np.abs(score.record.timeline.time_s - one.time_s)))
    cause = int(score.cause[row])
    return "usable" if cause < 0 else words.cause_name(CAUSES[cause])


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
