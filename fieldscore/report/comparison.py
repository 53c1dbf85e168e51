"""comparison.json, pairs.csv and the lines for the terminal: a comparison as plain data."""

from __future__ import annotations

import math
from itertools import combinations
from typing import Any

from fieldscore import __version__
from fieldscore.comparison import Comparison, Difference
from fieldscore.report.differences import amount, interval_words, ranked, under_another_curve, why_withheld, wording
from fieldscore.report.flight import clip_json
from fieldscore.report.verdict import verdict
from fieldscore.report.words import visible

SCHEMA = "fieldscore.comparison/1"
PAIRS_HEAD = ("flight_a", "flight_b", "time_a_s", "time_b_s", "confidence")
_DIGITS = 5  # of a figure: a share of 0.001 % of the airtime


def comparison_json(result: Comparison) -> dict[str, Any]:
    """The data of comparison.json; strict, so what is not known is None. Flights are numbered from 0, as given.

    Beside the agreed keys an entry of `differences` has its unit, what it counts (`of` places, lamps, flights or events),
    the figures of both sides, also under the tone curves by which least and most is readable (`by_curve`), the smallest
    difference worth caring about, and why there is no interval or verdict.
    """
    return {
        "schema": SCHEMA,
        "version": __version__,
        "flights": [
            {"label": label, "file": (score.record.clip.files or (score.record.name,))[0], "clip": clip_json(score.record.clip)}
            for label, score in zip(result.labels, result.scores, strict=True)
        ],
        "alignment": [
            {
                "a": one.a,
                "b": one.b,
                "same_route": bool(one.found.same_route),
                "confidence": _number(one.found.confidence),
                "overlap_share": _number(one.found.overlap_share),
                "reason": one.found.reason,
            }
            for one in result.alignments
        ],
        "differences": [_entry(result, one) for one in result.differences],
        "fairness": [
            {"check": one.check, "ok": bool(one.ok), "detail": one.detail, "then": "" if one.ok else one.then}
            for one in result.checks
        ],
        "verdict": verdict(result),
        "notes": list(result.notes),
        "criteria": result.criteria.to_dict(),
    }  # fmt: skip


def pairs_csv(result: Comparison) -> str:
    """A row a matched place of every two flights that share the route; flights by number, so that no name gets into it."""
    lines = [",".join(PAIRS_HEAD)]
    for one in result.alignments:
        if not one.found.same_route:
            continue
        rows = zip(one.found.time_a_s, one.found.time_b_s, one.found.place_confidence, strict=True)
        lines += [f"{one.a},{one.b},{a:.3f},{b:.3f},{sure:.3f}" for a, b, sure in rows]
    return "\n".join(lines) + "\n"


def comparison_lines(result: Comparison) -> list[str]:
    """A few lines for the terminal: the verdict, then each difference that can be judged, then the failed checks."""
    lines = [verdict(result)]
    for first, second in combinations(result.cameras, 2):
        found = ranked(result.between(first, second))
        if not found:
            continue
        lines.append(f"{visible(second)} less {visible(first)}")
        for one in found:
            if not math.isfinite(one.difference):
                continue
            flights = (
                ""
                if one.of not in ("places", "lamps") or len(result.scores) == len(result.cameras)
                else f"  [{one.b + 1}-{one.a + 1}]"
            )
            lines.append(
                f"  {wording(one.measure).title:<20} {amount(one, signed=True):>14}  {judgement(result, one)}{flights}"
            )
    for check in result.checks:
        if not check.ok:
            lines.append(f"  not the same: {visible(check.check)}: {visible(check.detail)}")
    lines += [f"  note: {visible(note)}" for note in result.notes]
    return lines


def judgement(result: Comparison, entry: Difference) -> str:
    """How sure a difference is, and who is better by it, in a few words."""
    if entry.mean_a == entry.mean_b == 0.0:
        return "none in either"
    none = f"no interval: {entry.reason or 'no reason was given'}"
    told = f"{result.criteria.confidence_percent:g} % interval {interval_words(entry)}"
    if entry.withheld:
        why = f"not judged: {why_withheld(entry)}"
        return f"{why}; {none}" if entry.interval is None else f"{told}; {why}"
    if entry.interval is None:
        return none
    if entry.better is not None:
        label = result.labels[entry.a if entry.better == "a" else entry.b]
        rests = under_another_curve(entry)
        return f"{told}; {visible(label)} is better{f', but {rests}' if rests else ''}"
    if entry.direction == "neither":
        return f"{told}; neither way is better"
    shown = not entry.interval[0] <= 0.0 <= entry.interval[1]
    return f"{told}; {'too small to matter' if shown else 'no difference shown'}"


def _entry(result: Comparison, one: Difference) -> dict[str, Any]:
    return {
        "measure": one.measure,
        "a": one.a,
        "b": one.b,
        "difference": _number(one.difference),
        "ci95": None if one.interval is None else [_number(end) for end in one.interval],
        "effective_samples": _number(one.effective_samples, 1),
        "better": one.better,
        "unit": one.unit,
        "of": one.of,
        "labels": [result.labels[one.a], result.labels[one.b]],
        "mean_a": _number(one.mean_a),
        "mean_b": _number(one.mean_b),
        "n": list(one.n),
        "between_flights": None if one.spread is None else [_number(value) for value in one.spread],
        "worth": one.worth,
        "reason": one.reason,
        "withheld": one.withheld,
        "by_curve": None if one.at_ends is None else [[_number(mean) for mean in end] for end in one.at_ends],
    }


def _number(value: float, digits: int = _DIGITS) -> float | None:
    """Rounded for the file; None for what is not finite, and no minus before zero."""
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None
