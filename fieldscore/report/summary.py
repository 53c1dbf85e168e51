"""The score in plain words: one sentence or two, and the few lines a pilot reads on the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fieldscore.report.flight import flight_json
from fieldscore.report.words import (
    NOT_MEASURED,
    because,
    cause_name,
    count,
    event_name,
    event_text,
    moment,
    number,
    plural,
    seconds,
    share,
    visible,
)
from fieldscore.score import USABLE_SHARE, Score
from fieldscore.units import HLG

_MOST = 0.5  # of the loss: from here on one cause is "most" of it
_WORTH_NAMING_S = 1.0  # a shorter longest gap is no news
_TERMINAL_MEASURES = (
    ("zone_readable_percent", "flying zone readable"),
    ("level_percent", "level"),
    ("clipped_percent", "clipped"),
    ("crushed_percent", "crushed"),
    ("noise_percent", "noise"),
)
_LABEL_WIDTH = 10


def plain_verdict(score: Score) -> str:
    """What came out, in two or three sentences of plain words with the figures of flight.json."""
    return verdict_of(flight_json(score), score.usable.reason)


def verdict_of(flight: Mapping[str, Any], reason: str | None) -> str:
    """The same from the data of flight.json; `reason` says why there is no share, if there is none."""
    usable, airtime_s = flight["usable"], airtime_of(flight)
    if usable["share"] is None or airtime_s is None:
        return f"How much of the flight was usable could not be measured: {reason or 'no reason was given'}."
    sentences = [
        f"For {share(usable['share'])} of the airtime ({seconds(usable['share'] * airtime_s)} of "
        f"{seconds(airtime_s)}) the picture was good enough to fly by."
    ]
    lost = 1.0 - usable["share"]
    causes = ordered_causes(flight)
    if lost <= 0.0:
        sentences.append("Nothing was lost.")
    elif causes and causes[0][1]:
        cause, most = causes[0]
        how_much = "Most of the rest" if most > _MOST * lost else "The largest part of the rest"
        if most >= lost - 1e-3:  # noqa: PLR2004 - a thousandth is rounding
            how_much = "The rest"
        sentences.append(f"{how_much} was lost because {because(cause)} ({share(most)} of the airtime).")
    longest = usable["longest_gap_s"]
    if longest is not None and longest >= _WORTH_NAMING_S and usable["longest_gap_at_s"] is not None:
        sentences.append(
            f"The longest stretch without a usable picture was {seconds(longest)}, "
            f"from {moment(usable['longest_gap_at_s'])}."
        )
    return " ".join(sentences)


def terminal_summary(score: Score) -> list[str]:
    """Plain lines for the terminal: share, causes, gaps, the main measures, what is wrong with the clip."""
    flight = flight_json(score)
    usable = flight["usable"]
    lines = [visible(score.record.name)]

    def add(label: str, text: str) -> None:
        lines.append(f"  {label:<{_LABEL_WIDTH}}{text}")

    airtime_s = airtime_of(flight)
    if usable["share"] is None:
        add("usable", f"{NOT_MEASURED}: {score.usable.reason or 'no reason was given'}")
    else:
        sure = interval_text(flight, score.usable.reason)
        add("usable", f"{share(usable['share'])} of {seconds(airtime_s)} airtime; {sure}")
        if span := curve_text(flight):
            add("", span)
    lost = [f"{cause_name(cause)} {share(part)}" for cause, part in ordered_causes(flight) if part]
    add("lost", ", ".join(lost) if lost else "nothing" if usable["share"] == 1.0 else NOT_MEASURED)
    add("gaps", gaps_text(flight))
    medians = [
        f"{label} {number(flight['measures'][name]['median'], flight['measures'][name]['unit'])}"
        for name, label in _TERMINAL_MEASURES
        if name in flight["measures"]
    ]
    if medians:
        add("median", ", ".join(medians))
    for event in flight["events"]:
        add("flash", f"{event_name(event['kind'])} at {moment(event['at_s'])}: {event_text(event)}")
    for problem in dict.fromkeys((*score.record.clip.problems, *score.notes)):
        add("note", visible(problem))
    return lines


def interval_text(flight: Mapping[str, Any], reason: str | None) -> str:
    """The interval of the usable share with its effective samples, or why there is none."""
    usable = flight["usable"]
    if usable["ci95"] is None:
        return f"no interval: {reason or 'no reason was given'}"
    low, high = usable["ci95"]
    confidence = flight["criteria"].get("confidence_percent", 95.0)
    samples = count(usable["effective_samples"])
    return f"{confidence:g} % interval {share(low)} to {share(high)}, from {samples} effective samples"


def curve_text(flight: Mapping[str, Any]) -> str:
    """What the usable share would be were the camera's tone curve another; "" where that is the same, or not known."""
    by_curve = flight["by_curve"]
    ends = by_curve[USABLE_SHARE]
    if ends is None or share(ends[0]) == share(ends[1]):
        return ""
    span = f"{share(ends[0])} to {share(ends[1])}"
    if flight["clip"]["transfer_tag"] == HLG:
        return (
            f"the file says that its tone curve is HLG, {by_curve['assumed']} is assumed: between the two it is {span}"
        )
    return f"the camera's tone curve is not known ({by_curve['assumed']} is assumed): by another it may be {span}"


def gaps_text(flight: Mapping[str, Any]) -> str:
    """Longest gap, when it began, and how many a minute."""
    usable = flight["usable"]
    if usable["longest_gap_s"] is None:
        return NOT_MEASURED
    if usable["longest_gap_s"] == 0.0:
        return "none"
    return (
        f"longest {seconds(usable['longest_gap_s'])} from {moment(usable['longest_gap_at_s'])}; "
        f"{number(usable['gaps_per_minute'])} a minute, {plural(len(flight['gaps']), 'gap', 'gaps')} in all"
    )


def ordered_causes(flight: Mapping[str, Any]) -> list[tuple[str, float | None]]:
    """Causes of loss with their share of the airtime, the largest first, what was not measured last."""
    causes: list[tuple[str, float | None]] = list(flight["usable"]["lost_by_cause"].items())
    return sorted(causes, key=lambda entry: -1.0 if entry[1] is None else entry[1], reverse=True)


def airtime_of(flight: Mapping[str, Any]) -> float | None:
    """Length of the airtime in seconds; None where there is none."""
    from_s, to_s = flight["airtime"]["from_s"], flight["airtime"]["to_s"]
    return None if from_s is None or to_s is None else float(to_s - from_s - flight["airtime"]["ground_s"])
