"""recovery.json and the recovery report: what each flash did to the picture, and how two cameras compare."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from fieldscore import __version__
from fieldscore.compare_times import difference, repeats
from fieldscore.plots import NARROW, WIDE, recoveries_svg
from fieldscore.recovery import FlashEvent
from fieldscore.report.cautions import CAUTIONS
from fieldscore.report.html import environment
from fieldscore.report.instrument import instrument, policy, script
from fieldscore.report.track import axis_data, track_data
from fieldscore.report.words import event_name, event_text, moment, seconds3, sentence, visible
from fieldscore.score import Score

SCHEMA = "fieldscore.recovery/1"
KINDS = (("flash_off", "After the light went out"), ("flash_on", "After the light came on"))
STRIP_BEFORE_S, STRIP_AFTER_S = 0.2, 2.5  # pictures of an event's strip, seconds from the edge
_BEFORE_S, _AFTER_S, _STEP_S = 1.0, 3.0, 0.05  # of the clips shown together, seconds from the edge
_MOST_TOGETHER = 4  # clips: more are too small side by side
_NAMES = {"flash_off": "light off", "flash_on": "light on"}
_MISSED = {"flash_off": "a light on was missed", "flash_on": "a light off was missed"}
_MISSED_AFTER_ANOTHER = "a light on or off was missed"  # after a light came in or left, which may be either
_PAIR = 2  # so many labels are named, more are counted
_FEWEST_REPEATS = "four repeats each are the fewest that tell how sure it is"
_NOT_CONTROLLED = "distance, beam and brightness of the light, and how dark the rest was, are not known to the program"


@dataclass(frozen=True)
class Tested:
    """One clip of a recovery test: its label, its score, and pictures (JPEG) around its edges by time in seconds."""

    label: str
    file: str
    score: Score
    pictures: Mapping[float, bytes]

    def events(self, kind: str) -> list[FlashEvent]:
        """The events of one kind."""
        return [event for event in self.score.events if event.kind == kind]

    def times(self, kind: str) -> list[float]:
        """Recovery times (s) of the resolvable events of one kind."""
        return [event.recovery_s for event in self.events(kind) if event.recovery_s is not None]


def recovery_json(tests: Sequence[Tested]) -> dict[str, Any]:
    """The data of recovery.json. `recovery_s` sums up the off edges, `recovery_on_s` the on edges."""
    clips = []
    for test in tests:
        clips.append(
            {
                "file": test.file,
                "label": test.label,
                "frame_rate": test.score.record.clip.frame_rate,
                "interlaced": test.score.record.clip.interlaced,
                "events": [event.to_dict() for event in test.score.events],
                "recovery_s": _summary(test.times("flash_off")),
                "recovery_on_s": _summary(test.times("flash_on")),
            }
        )
    return {
        "schema": SCHEMA,
        "version": __version__,
        "clips": clips,
        "differences": _differences(tests),
        "notes": [
            f"not controlled: {_NOT_CONTROLLED}",
            *_rate_notes(tests),
            *(f"{told} ({test.label})" for test in tests for told in _missed(test)),
        ],
    }


def _summary(values: Sequence[float]) -> dict[str, Any]:
    found = repeats(values)
    return {
        "median": _round(found.median),
        "low": _round(found.low),
        "high": _round(found.high),
        "ci95": None if found.ci95 is None else [_round(one) for one in found.ci95],
        "n": found.n,
    }


def _differences(tests: Sequence[Tested]) -> list[dict[str, Any]]:
    """Every pair of labels, each kind of edge: shift of the second against the first, repeats of a label pooled."""
    labels = list(dict.fromkeys(test.label for test in tests))
    found = []
    for a, first in enumerate(labels):
        for b, second in enumerate(labels[a + 1 :], a + 1):
            for kind, _ in KINDS:
                pools = [
                    [value for test in tests if test.label == label for value in test.times(kind)]
                    for label in (first, second)
                ]
                shift = difference(*pools)
                if shift is None:
                    continue
                quicker = None
                if shift.ci95 is not None and (shift.ci95[0] > 0 or shift.ci95[1] < 0):
                    quicker = first if shift.shift > 0 else second
                interval = None if shift.ci95 is None else [_round(one) for one in shift.ci95]
                entry = {"a": a, "b": b, "labels": [first, second], "kind": kind, "difference_s": _round(shift.shift)}
                found.append({**entry, "ci95": interval, "n": list(shift.n), "quicker": quicker})
    return found


def _rate_notes(tests: Sequence[Tested]) -> list[str]:
    rates = {
        round(test.score.record.clip.frame_rate * (2 if test.score.record.clip.interlaced else 1), 2) for test in tests
    }
    if len(rates) > 1:
        shown = ", ".join(f"{rate:g}" for rate in sorted(rates))
        return [f"the clips differ in rate ({shown} pictures a second): the coarser one has the wider bounds"]
    return []


def _missed(test: Tested) -> list[str]:
    """A line for each event after which, before the next or the end, light changed that was not found."""
    events = test.score.events
    ends = [*(moment(event.at_s) for event in events), "the end"][1:]
    return [
        f"between {moment(event.at_s)} and {end} "
        + (
            _MISSED[event.kind]
            if event.crossed_s is None or event.missed_s < event.crossed_s
            else _MISSED_AFTER_ANOTHER
        )
        for event, end in zip(events, ends, strict=True)
        if event.missed_s is not None
    ]


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def recovery_lines(tests: Sequence[Tested]) -> list[str]:
    """A few lines a clip for the terminal, and one a pair of cameras."""
    data = recovery_json(tests)
    lines = []
    for test, clip in zip(tests, data["clips"], strict=True):
        lines.append(visible(test.label))
        if not test.score.events:
            lines.append(
                "  no flash edge found: the light must fill much of the picture, or stand in it, while the drone stands still"
            )
        for event in test.score.events:
            lines.append(f"  {event_name(event.kind):9} {moment(event.at_s):>7}  {event_text(event.to_dict())}")
        lines += [f"  {told}" for told in _missed(test)]
        for key, name in (("recovery_s", "light off"), ("recovery_on_s", "light on")):
            summary = clip[key]
            if summary["n"] > 1:
                spread = f"{seconds3(summary['low'])} to {seconds3(summary['high'])}"
                lines.append(f"  {name}: median {seconds3(summary['median'])}, {spread}, n {summary['n']}")
    return lines + all_compared(data["differences"])


def all_compared(differences: Sequence[Mapping[str, Any]]) -> list[str]:
    """The differences of recovery.json in words: a line each, but one for all clips of which one event each is known."""
    lines = [compared(one) for one in differences if max(one["n"]) > 1]
    for kind, name in _NAMES.items():
        singles = [one["labels"] for one in differences if one["kind"] == kind and max(one["n"]) == 1]
        labels = list(dict.fromkeys(label for pair in singles for label in pair))
        if labels:
            named = (
                " and ".join(visible(label) for label in labels) if len(labels) == _PAIR else f"{len(labels)} cameras"
            )
            lines.append(f"{name}: one event each of {named} cannot tell which is quicker: {_FEWEST_REPEATS}")
    return lines


def compared(one: Mapping[str, Any]) -> str:
    """A difference of recovery.json in words."""
    first, second = (visible(label) for label in one["labels"])
    kind = _NAMES[one["kind"]]
    more = "slower" if one["difference_s"] > 0 else "quicker"
    told = f"{kind}: {second} is {seconds3(abs(one['difference_s']))} {more} than {first}"
    if one["ci95"] is None:
        return f"{told} ({one['n'][0]} and {one['n'][1]} measured: {_FEWEST_REPEATS})"
    verdict = "" if one["quicker"] else "; no difference shown"
    return f"{told} (95 % interval {one['ci95'][0]:+.3f} to {one['ci95'][1]:+.3f} s){verdict}"


def render_recovery(tests: Sequence[Tested]) -> str:
    """The recovery report: one HTML file that needs nothing else."""
    data = recovery_json(tests)
    plots = []
    for kind, title in KINDS:
        group = [(visible(test.label), test.score, test.events(kind)) for test in tests if test.events(kind)]
        if group:
            name = f"{title}: level against time, every recovery aligned at the edge"
            wide, narrow = (
                recoveries_svg(group, size, f"{kind}{place}", name) for size, place in ((WIDE, "w"), (NARROW, "n"))
            )
            plots.append((title, Markup(wide), Markup(narrow)))  # noqa: S704 - drawn from numbers; labels are escaped by the drawing
    template = environment().get_template("recovery.html.j2")
    return template.render(
        title=", ".join(dict.fromkeys(visible(test.label) for test in tests)),
        lead=lead(data),
        plots=plots,
        clips=[_clip_context(test, f"clip-{number}") for number, test in enumerate(tests)],
        policy=policy(),
        script=script(),
        together=_together(tests),
        differences=all_compared(data["differences"]),
        notes=[sentence(visible(note)) for note in data["notes"]],
        cautions=CAUTIONS,
        version=__version__,
    )


def lead(data: Mapping[str, Any]) -> list[str]:
    """What came out, in plain words, a sentence a clip."""
    sentences = []
    for clip in data["clips"]:
        parts = [
            f"{seconds3(clip[key]['median'])} after {what} ({clip[key]['n']} measured)"
            for key, what in (("recovery_s", "the light went out"), ("recovery_on_s", "it came on"))
            if clip[key]["n"]
        ]
        if parts:
            sentences.append(f"{visible(clip['label'])}: the picture was back {' and '.join(parts)}.")
    return sentences or ["No recovery could be measured; the table says why."]


def _together(tests: Sequence[Tested]) -> list[tuple[str, Markup]]:
    """For each kind of edge that several clips have: its heading, and their first ones on one axis, aligned at the edge."""
    found = []
    for kind, title in KINDS:
        group = [
            (f"clip-{number}", test.events(kind)[0].at_s) for number, test in enumerate(tests) if test.events(kind)
        ][:_MOST_TOGETHER]
        if len(group) > 1:
            after = np.round(np.arange(-_BEFORE_S, _AFTER_S + 1e-9, _STEP_S), 4)
            ticks = {
                float(index): f"{value:g} s" for index, value in enumerate(after.tolist()) if value == round(value)
            }
            told = [f"{value:+.2f} s from the edge" for value in after.tolist()]
            times = np.array([at_s for _, at_s in group])[:, None] + after
            axis = axis_data("seconds from the edge", ticks, times, told, start=_BEFORE_S / _STEP_S)
            names = [place for place, _ in group]
            found.append((title, instrument(f"together-{kind}", names, axis, chosen="level_percent")))
    return found


def event_cells(event: FlashEvent) -> dict[str, Any]:
    """An event's figures as the tables show them."""
    resolved = f"{seconds3(event.recovery_low_s)} to {seconds3(event.recovery_high_s)}"
    return {
        "what": event_name(event.kind),
        "at": moment(event.at_s),
        "at_s": event.at_s,
        "recovery": seconds3(event.recovery_s) if event.resolvable else "not resolvable",
        "bounds": resolved if event.resolvable else event.reason,
        "black": event.black_frames,
        "grey": event.grey_frames,
        "readable": seconds3(event.first_readable_s),
        "lost": "–" if event.unreadable_percent is None else f"{event.unreadable_percent:.0f} %",
        "over": _signed("+", event.overshoot_percent),
        "under": _signed("-", event.undershoot_percent),
        "tau": seconds3(event.time_constant_s),
        "settled": "–" if event.settled_percent is None else f"{event.settled_percent:.1f} %",
    }


def _signed(sign: str, percent: float | None) -> str:
    """A share over or under the settled level; of none without a sign."""
    if percent is None:
        return "–"
    told = f"{percent:.1f} %"
    return told if told == "0.0 %" else f"{sign}{told}"


def clip_facts(test: Tested) -> str:
    """The clip of a test in a line."""
    clip = test.score.record.clip
    kind, rate = ("fields", 2) if clip.interlaced else ("frames", 1)
    size = f"{clip.width} x {clip.height} px"
    return f"{visible(test.file)}: {size}, {clip.frame_rate * rate:.5g} {kind} a second, {clip.codec}."


def _clip_context(test: Tested, place: str) -> dict[str, Any]:
    rows = []
    for event in test.score.events:
        first, last = event.at_s - STRIP_BEFORE_S, event.at_s + STRIP_AFTER_S
        frames = sorted(time_s for time_s in test.pictures if first <= time_s <= last)
        strip = [
            (
                f"{time_s - event.at_s:+.2f} s",
                f"data:image/jpeg;base64,{base64.b64encode(test.pictures[time_s]).decode('ascii')}",
            )
            for time_s in frames
        ]
        rows.append({**event_cells(event), "strip": strip})
    # tracks are lettered; a label that is but a letter would say the same twice, or another
    track = track_data(test.score, test.file if len(test.label) == 1 else test.label, test.pictures)
    first_s = next((event.at_s for event in test.score.events), None)
    timeline = instrument(place, [track], chosen="level_percent", start_s=first_s)
    about = {"label": visible(test.label), "facts": clip_facts(test), "rows": rows}
    return {**about, "place": place, "timeline": timeline, "held": track["held"]}
