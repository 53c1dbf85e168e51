"""Figures as words: the same digits in report, terminal and sentences; unknown names made harmless."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Mapping, Sequence

NOT_MEASURED = "not measured"
_COUNTED = frozenset({"stop", "code"})  # units that are words, not signs
_ONE = frozenset({"1", "1.0", "1.00"})
_WHOLE_FROM = 0.995  # percent: a share under this, or as near to 100, shows a decimal
# Categories that change how a line is read without being seen: control, format (bidi), surrogate, private,
# unassigned, line and paragraph separators.
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})

# What a cause of loss did to the picture: (as a name, as the end of "because ...").
_CAUSE_WORDS: Mapping[str, tuple[str, str]] = {
    "link_lost": ("link lost", "the video link was lost"),
    "recovering": (
        "recovering after a change of light",
        "the camera was still recovering from a change of light",
    ),
    "pulled_down": ("pulled down by a lamp", "a lamp in view made the camera dim the rest of the picture"),
    "blown": ("blown out", "the picture was blown out by light"),
    "too_dark": ("too dark", "the picture was too dark to make out obstacles"),
    "noisy": ("too noisy", "noise hid what the picture should have shown"),
}


def visible(text: str) -> str:
    """The text with every character that cannot be seen, or that turns others around, written as U+...."""
    return "".join(f"[U+{ord(one):04X}]" if unicodedata.category(one) in _HIDDEN else one for one in text)


def share(value: float | None) -> str:
    """A share of 0..1 as %: whole, with a decimal under 1 and over 99 %; 100 % only where all of it is."""
    if value is None or not math.isfinite(value):
        return NOT_MEASURED
    percent = 100.0 * value
    if percent in (0.0, 100.0):
        return f"{percent:.0f} %"
    if percent < _WHOLE_FROM or percent > 100.0 - _WHOLE_FROM:
        return f"{min(max(percent, 0.1), 99.9):.1f} %"
    return f"{percent:.0f} %"


def number(value: float | None, unit: str = "") -> str:
    """A figure with about three digits and its unit; `not measured` for None or NaN."""
    if value is None or not math.isfinite(value):
        return NOT_MEASURED
    size = abs(value)
    digits = 0 if size >= 99.95 else 1 if size >= 9.995 else 2  # noqa: PLR2004 - three digits in sight
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = "0"
    return f"{text} {unit_name(unit, text)}".rstrip()


def under_curves(stops: float | None, ends: Sequence[float] | None) -> str:
    """Stops of exposure with their least and most, whichever curve is the camera's: 0.5 (0.4 to 0.6) stops by curve."""
    if stops is None or ends is None or not stops:
        return number(stops, "stop")
    low, high = (number(end) for end in ends)
    return f"{number(stops)} ({low} to {high}) stops by curve"


def unit_name(unit: str, text: str = "") -> str:
    """A unit as it stands behind a figure: stops and codes, but 1 stop."""
    return f"{unit}s" if unit in _COUNTED and text.lstrip("-+") not in _ONE else unit


def count(value: float | None) -> str:
    """A number of things that need not be whole, as effective samples: one decimal."""
    return NOT_MEASURED if value is None or not math.isfinite(value) else f"{value:.1f}"


def seconds(value: float | None) -> str:
    """A length of time in seconds: 2.4 s."""
    return NOT_MEASURED if value is None or not math.isfinite(value) else f"{value:.1f} s"


def moment(time_s: float | None) -> str:
    """A time of flight as minutes and seconds with tenths: 0:12.3."""
    if time_s is None or not math.isfinite(time_s):
        return NOT_MEASURED
    tenths = round(abs(time_s) * 10)
    return f"{'-' if time_s < 0 and tenths else ''}{tenths // 600}:{tenths // 10 % 60:02d}.{tenths % 10}"


def cause_name(cause: str) -> str:
    """The name of a cause in plain words."""
    return _CAUSE_WORDS[cause][0] if cause in _CAUSE_WORDS else cause.replace("_", " ")


def lost_to(by_cause_s: Mapping[str, float]) -> str:
    """What a gap was lost to: its cause, or of several each with its seconds, where these do not round to nothing."""
    shown = {cause: seconds(over_s) for cause, over_s in by_cause_s.items() if seconds(over_s) != seconds(0.0)}
    if len(shown) <= 1:
        return cause_name(next(iter(by_cause_s)))
    return ", ".join(f"{cause_name(cause)} {over}" for cause, over in shown.items())


def because(cause: str) -> str:
    """What a cause did, as the end of a sentence with "because"."""
    return _CAUSE_WORDS[cause][1] if cause in _CAUSE_WORDS else f"of this: {cause.replace('_', ' ')}"


def plural(count: int, one: str, many: str) -> str:
    """A count with its noun: 1 frame, 3 frames."""
    return f"{count} {one if count == 1 else many}"


def sentence(text: str) -> str:
    """The text with a capital and a full stop; "" stays."""
    text = text.strip()
    if not text:
        return ""
    # a name in a sentence's place, as docs/..., keeps its small letter
    head = text if "/" in text.split()[0] else text[:1].upper() + text[1:]
    return head if head.endswith((".", "!", "?")) else f"{head}."


_EVENT_NAMES: Mapping[str, str] = {"flash_on": "light on", "flash_off": "light off", "start_up": "start"}


def event_name(kind: str) -> str:
    """The name of a kind of flash edge in plain words."""
    return _EVENT_NAMES.get(kind, kind.replace("_", " "))


def seconds3(value: float | None) -> str:
    """Seconds with three decimals, for recovery times; a dash where there are none."""
    return "–" if value is None else f"{value:.3f} s"


def event_text(event: Mapping[str, object]) -> str:
    """What came of a flash edge, from the data of flight.json: the recovery with its bounds, or why there is none."""
    low, high, back = (event[f"recovery{end}_s"] for end in ("_low", "_high", ""))
    if not isinstance(back, float) or not isinstance(low, float) or not isinstance(high, float):
        return f"recovery not resolvable: {event['reason']}"
    black = (
        f", {plural(int(str(event['black_frames'])), 'black frame', 'black frames')}" if event["black_frames"] else ""
    )
    return f"back after {seconds3(back)} (between {low:.3f} and {high:.3f} s){black}"
