"""The drawings of what light did to the picture, each with a sentence on how to read it; and how to read the others."""

from __future__ import annotations

from typing import NamedTuple

from markupsafe import Markup

from fieldscore.plots import NARROW, WIDE, light_measured, light_svg
from fieldscore.report import words
from fieldscore.score import Score

# By the names of plots.LIGHT: heading, and how to read it.
WORDS: dict[str, tuple[str, str]] = {
    "exposure": (
        "How the camera turned itself up and down",
        "Up is brighter, down is darker, in stops against the first frame: one stop is twice the light. A dip while a lamp is "
        "near (hatched) means that the camera dimmed everything else. Compare moments seconds apart: over a minute "
        "the line may drift by a quarter of a stop to half a stop, by one in ten seconds in deep dark, toward the sun, in fog or "
        "rain and over wet ground, and after a gap it goes on from the exposure before it, whatever the camera did meanwhile. "
        "Light that changes by itself, as under a cloud or in that of a torch, counts with the camera's own.",
    ),
    "veil": (
        "Light spilled over the picture",
        "Light that the lens spreads over everything, in % of white: the higher, the more it greys the dark parts.",
    ),
    "cast": (
        "Colour of the dark parts",
        "Red and blue against green, in stops: both on zero is grey; a line above zero means too much of that colour, one below "
        "too little.",
    ),
    "lights": (
        "Around the sun and lamps",
        "How large the biggest light in view looks, its radius in % of the picture's height: the larger, the more it hides. "
        "A gap means that none was in view.",
    ),
}
# How to read the panels over the flight, in their order.
READING: tuple[tuple[str, str], ...] = (
    ("Usable, and why not", "a block in the top row is flyable picture; a block lower down says what it was lost to."),
    ("Readable", "how much of the picture would show an obstacle; the flying zone must stay over the dotted line."),
    ("Level", "how bright the picture is: the line is its mean, the band holds nine tenths of the picture."),
    ("Crushed and clipped", "how much of the picture is plain black (at the floor) or plain white (at the ceiling)."),
    (
        "Noise",
        "how strong the grain is across an object's size, as fine grain that would hide as much: the higher, the more it hides.",
    ),
    ("Histogram", "how much of the picture is how bright: a bright band at the foot is a dark flight."),
)


class LightPanel(NamedTuple):
    """A drawing with its heading and how to read it; `wide` and `narrow` are empty where nothing was measured."""

    title: str
    how: str
    wide: Markup
    narrow: Markup


def hunting_words(score: Score) -> str:
    """Whether the exposure swings by itself, in a sentence; "" where that could not be told."""
    stops, period = score.stability.hunting_stops, score.stability.hunting_period_s
    if stops and period:
        swing = words.under_curves(stops, score.under_curves(stops))
        return f"The exposure hunts: it swings by {swing} every {words.number(period, 's')} by itself."
    return "" if stops is None else "The exposure does not hunt: no swing of its own stands out."


def lamp_words(score: Score) -> str:
    """How many lamps were flown past and what they did, in a sentence; "" without one."""
    lamps = score.lamps
    if not lamps.passes:
        return ""
    count = len(lamps.passes)
    change = words.under_curves(lamps.pulldown_stops, score.under_curves(lamps.pulldown_stops))
    if count == 1:
        return f"A lamp came near once; the exposure changed by {change}."
    return f"A lamp came near {count} times; typically the exposure changed by {change}."


def sun_words(score: Score) -> str:
    """How long the sun was in view and what it cost, in a sentence; "" without it."""
    sun = score.lamps.toward_sun
    if sun is None:
        return ""
    held = "the flying zone stayed readable"
    if sun.zone_lost_s > 0:
        held = f"the flying zone was lost for up to {words.number(sun.zone_lost_s, 's')} on end"
    seen = f"The sun was in view for {words.number(sun.in_view_s, 's')}: {held}"
    around = score.lamps.lost_around_sun_percent
    if around is None:
        return f"{seen}."
    if around <= 0.0:  # in more than half of the pictures, which is what the median says
        return f"{seen}, and mostly no part of the picture was lost around it."
    return f"{seen}, and {words.number(around, '%')} of the picture around it could not be read."


def reading(score: Score, name: str) -> str:
    """How to read a drawing, with what it shows of this flight."""
    more = {"exposure": (hunting_words, lamp_words), "lights": (sun_words,)}.get(name, ())
    return " ".join(filter(None, (WORDS[name][1], *(one(score) for one in more))))


def light_panels(score: Score) -> list[LightPanel]:
    """The drawings of one flight for its page."""
    measured = light_measured(score)
    panels = []
    for name, (title, _) in WORDS.items():
        drawn = [
            # Markup: drawn by this program from numbers alone; no name from outside reaches a plot.
            Markup(light_svg(score, size, name, f"{name}{place}", title) if name in measured else "")  # noqa: S704
            for size, place in ((WIDE, "w"), (NARROW, "n"))
        ]
        panels.append(LightPanel(title, reading(score, name), *drawn))
    return panels
