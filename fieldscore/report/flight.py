"""flight.json: the score of one flight as plain data; null, with a reason in the notes, is not measured."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from fieldscore import __version__
from fieldscore.measure import Column
from fieldscore.record import ClipFacts, FlightRecord
from fieldscore.score import BY_CURVE, DERIVED, USABLE_SHARE, Score, Summary
from fieldscore.scorecard import Lamps
from fieldscore.sun import BRIGHT, SUN

SCHEMA = "fieldscore.flight/1"
_SHARE_DIGITS = 4  # 0.01 % of the airtime: a frame of a 5 minute flight
_SECOND_DIGITS = 3  # a millisecond: well under a frame
_FIGURE_DIGITS = 4  # as the timeline's cells
_SAMPLE_DIGITS = 1
DERIVED_NAMES = frozenset(column.name for column in DERIVED)  # what scoring adds again to a loaded record


def flight_json(score: Score) -> dict[str, Any]:
    """The score as JSON data with the keys people's scripts read; strict, so NaN and infinity become None.

    Each None of a figure has a line in `notes` that begins with its place and says why. Beside the agreed keys: `airtime.how`,
    `airtime.ground_s`, `gaps`, `moments`, `by_curve` (least and most of each figure of exposure in stops and of what is readable,
    whichever of the named curves is the camera's), and `record` and `columns`, which `load_record` needs to score again without
    the video.
    """
    reasons: list[str] = []
    single = len(score.record.timeline) == 1
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "version": __version__,
        "clip": clip_json(score.record.clip),
        "picture": {
            "border_px": list(score.record.picture.border_px),
            "overlay_percent": score.record.picture.overlay_percent,
        },
        "airtime": {
            "from_s": None if single else _round(score.airtime_from_s, _SECOND_DIGITS),
            "to_s": None if single else _round(score.airtime_to_s, _SECOND_DIGITS),
            "how": score.airtime_how,
            "ground_s": _round(score.ground_s, _SECOND_DIGITS),
        },
        "usable": _usable(score, reasons),
        "measures": {name: _measure(name, summary, reasons) for name, summary in score.measures.items()},
        "stability": _stability(score, reasons),
        "lamps": _lamps(score, reasons),
        "by_curve": _by_curve(score, reasons),
        "events": [event.to_dict() for event in score.events],
        "gaps": [
            {
                "from_s": _round(gap.from_s, _SECOND_DIGITS),
                "to_s": _round(gap.to_s, _SECOND_DIGITS),
                "cause": gap.cause,
                "by_cause_s": {cause: _round(over_s, _SECOND_DIGITS) for cause, over_s in gap.by_cause_s.items()},
            }
            for gap in score.gaps
        ],
        "moments": [
            {
                "time_s": _round(one.time_s, _SECOND_DIGITS),
                "kind": one.kind,
                "cause": one.cause,
                "readable_percent": _round(one.readable_percent, _FIGURE_DIGITS),
                "level_percent": _round(one.level_percent, _FIGURE_DIGITS),
            }
            for one in score.moments
        ],
        "criteria": score.criteria.to_dict(),
        "record": _record(score.record),
        "columns": [asdict(column) for column in score.record.timeline.columns if column.name not in DERIVED_NAMES],
    }
    if single:
        reasons += [f"airtime.{end}: a single picture has no length" for end in ("from_s", "to_s")]
    if not score.events:
        reasons.append("events: no light that came on or went out was found")
    data["notes"] = list(dict.fromkeys([*score.record.notes, *score.notes, *reasons]))
    return data


def dump_json(data: Mapping[str, Any]) -> str:
    """JSON text as the standard has it: ASCII only, no NaN or infinity (ValueError for one)."""
    return json.dumps(data, allow_nan=False, ensure_ascii=True, indent=1) + "\n"


def clip_json(clip: ClipFacts) -> dict[str, Any]:
    """Every fact of the clip, unrounded, under its own name."""
    return {key: list(value) if isinstance(value, tuple) else _finite(value) for key, value in asdict(clip).items()}


def columns_of(data: Mapping[str, Any]) -> dict[str, Column]:
    """The columns by name as `flight_json` wrote them."""
    return {entry["name"]: Column(**entry) for entry in data["columns"]}


def _usable(score: Score, reasons: list[str]) -> dict[str, Any]:
    usable = score.usable
    why = usable.reason or "no reason was given"
    data: dict[str, Any] = {
        "share": _round(usable.share, _SHARE_DIGITS),
        "ci95": None if usable.ci95 is None else [_round(bound, _SHARE_DIGITS) for bound in usable.ci95],
        "effective_samples": _round(usable.effective_samples, _SAMPLE_DIGITS),
        "longest_gap_s": _round(usable.longest_gap_s, _SECOND_DIGITS),
        "longest_gap_at_s": _round(usable.longest_gap_at_s, _SECOND_DIGITS),
        "gaps_per_minute": _round(usable.gaps_per_minute, _FIGURE_DIGITS),
        "lost_by_cause": {cause: _round(share, _SHARE_DIGITS) for cause, share in usable.lost_by_cause.items()},
    }
    for key in ("share", "ci95", "effective_samples", "longest_gap_s", "gaps_per_minute"):
        if data[key] is None:
            reasons.append(f"usable.{key}: not measurable, {why}")
    if data["longest_gap_at_s"] is None:
        nothing_lost = data["longest_gap_s"] == 0.0
        reasons.append(f"usable.longest_gap_at_s: {'there was no gap' if nothing_lost else f'not measurable, {why}'}")
    for cause, share in data["lost_by_cause"].items():
        if share is None:
            reasons.append(f"usable.lost_by_cause.{cause}: not measurable, {why}")
    return data


def _measure(name: str, summary: Summary, reasons: list[str]) -> dict[str, Any]:
    data = {key: _round(getattr(summary, key), _FIGURE_DIGITS) for key in ("median", "p5", "p95")}
    if data["median"] is None:
        reasons.append(f"measures.{name}: not measurable, no frame of the airtime gave a value")
    return {**data, "unit": summary.unit}


def _stability(score: Score, reasons: list[str]) -> dict[str, Any]:
    data: dict[str, Any] = {
        key: _round(value, _FIGURE_DIGITS) for key, value in asdict(score.stability).items() if key != "hunting_unsure"
    }  # what is unsure is told in words, with the reason
    for key, value in data.items():
        if value is None:
            reasons.append(f"stability.{key}: {score.stability_notes.get(key, 'not measured')}")
    return data


def _lamps(score: Score, reasons: list[str]) -> dict[str, Any]:
    """Passes of lamps and their medians; all from `each` on is beside the agreed keys."""
    lamps = score.lamps
    if lamps.pulldown_stops is None:
        apart = " apart from the light of a torch" if score.events else ""
        reasons += [f"lamps.{key}: no pass of a lamp was found{apart}" for key in ("pulldown_stops", "veil_percent")]
    if lamps.toward_light is None:
        reasons.append(f"lamps.toward_light: {_no_light(lamps)}")
    if lamps.toward_sun is None:
        reasons.append(f"lamps.toward_sun: {_no_sun(lamps)}")
    return {
        "passes": len(lamps.passes),
        "pulldown_stops": _round(lamps.pulldown_stops, _FIGURE_DIGITS),
        "veil_percent": _round(lamps.veil_percent, _FIGURE_DIGITS),
        "each": [_rounded(asdict(one)) for one in lamps.passes],
        "toward_light": None if lamps.toward_light is None else _rounded(asdict(lamps.toward_light)),
        "toward_sun": _toward_sun(lamps),
        "lights": [
            {
                "kind": one.kind,
                "from_s": _round(one.from_s, _FIGURE_DIGITS),
                "to_s": _round(one.to_s, _FIGURE_DIGITS),
                "radius_percent": _round(one.radius_percent, _FIGURE_DIGITS),
                "at_edge": one.at_edge,
            }
            for one in lamps.lights
        ],
    }


def _by_curve(score: Score, reasons: list[str]) -> dict[str, Any]:
    """Least and most, under the named tone curves, of each figure that rests on them; None for one of which that cannot be said.

    `one_stop` holds for every other stop of exposure, as in the timeline.
    """
    figures = {
        "one_stop": (1.0, "not measurable, no level above the floor was measured"),
        "hunting_stops": (score.stability.hunting_stops, "as stability.hunting_stops"),
        "pulldown_stops": (score.lamps.pulldown_stops, "as lamps.pulldown_stops"),
    }
    data: dict[str, Any] = {"assumed": score.criteria.transfer_curve}
    for name, (stops, why) in figures.items():
        ends = score.under_curves(stops)
        data[name] = None if ends is None else [_round(end, _FIGURE_DIGITS) for end in ends]
        if ends is None:
            reasons.append(f"by_curve.{name}: {why}")
    for name, digits in (*((one, _FIGURE_DIGITS) for one in BY_CURVE), (USABLE_SHARE, _SHARE_DIGITS)):
        ends = score.by_curve.get(name)
        data[name] = None if ends is None else [_round(end, digits) for end in sorted(ends)]
        if ends is None:
            reasons.append(f"by_curve.{name}: not known of this recording")
    return data


def _toward_sun(lamps: Lamps) -> dict[str, Any] | None:
    """What the sun cost, with what is lost around it; None without it."""
    if lamps.toward_sun is None:
        return None
    around = _round(lamps.lost_around_sun_percent, _FIGURE_DIGITS)
    return {**_rounded(asdict(lamps.toward_sun)), "lost_around_percent": around}


def _no_light(lamps: Lamps) -> str:
    """Why there are no figures of flying toward light."""
    if lamps.lights:
        return "no source stood out enough from the light around it; lamps.lights has what was bright"
    return "no lamp and no sun was in view"


def _no_sun(lamps: Lamps) -> str:
    """Why there are no figures of flying into the sun."""
    if any(one.kind == SUN for one in lamps.lights):
        return "not measurable, the sun was in view and nothing could be read off meanwhile"
    if any(one.kind == BRIGHT for one in lamps.lights):
        return "no stretch was clearly the sun's; bright sources that could be sun or lamp were in view"
    return "the sun was not in view"


def _rounded(figures: Mapping[str, float]) -> dict[str, float | None]:
    return {key: _round(value, _FIGURE_DIGITS) for key, value in figures.items()}


def _record(record: FlightRecord) -> dict[str, Any]:
    """What a record holds beside the clip, the picture, the timeline and the arrays."""
    return {
        "name": record.name,
        "settings": {key: _finite(value) for key, value in record.settings.items()},
        "notes": list(record.notes),
    }


def _round(value: float | None, digits: int) -> float | None:
    """Round for the file; None for what is not finite, and no minus before zero."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value
