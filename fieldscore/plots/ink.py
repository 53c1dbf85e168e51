"""Real colours for drawings on paper, and text cut to what fits a line and what the font can draw."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from functools import cache, lru_cache
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.collections import Collection
from matplotlib.colors import to_rgba, to_rgba_array
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import FT2Font
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.text import Text

from fieldscore.plots.look import COLOURS

# What each name of COLOURS is on paper: the page's light colours (report/templates/style.css; a test compares them).
PAPER: Mapping[str, str] = {
    "ink": "#172126",
    "soft": "#56636a",
    "hair": "#cdd6d7",
    "paper": "#ffffff",
    "tint": "#e6ebec",
    "usable": "#23766f",
    "link": "#475158",
    "recover": "#7a55a6",
    "blown": "#c98c00",
    "dark": "#274b8e",
    "noise": "#b44a26",
    "other": "#7c878c",
    "accent": "#23766f",
    "second": "#56636a",
}
_FONT = "DejaVu Sans"  # comes with matplotlib: the same on every machine


def recolour(figure: Figure) -> None:
    """Put real colours in place of the stand-ins of COLOURS, wherever the figure holds one."""
    if not figure.axes:
        return  # what Paper writes itself has real colours
    figure.draw_without_rendering()  # ticks and their labels are made when first drawn
    real = {tuple(np.round(to_rgba(stand_in)[:3], 3)): to_rgba(PAPER[name])[:3] for name, stand_in in COLOURS.items()}

    def inked(colour: Any) -> Any:
        rgba = to_rgba(colour)
        found = real.get(tuple(np.round(rgba[:3], 3)))
        return colour if found is None else (*found, rgba[3])

    for artist in figure.findobj():
        _recolour(artist, inked)


def _recolour(artist: Artist, inked: Any) -> None:
    if isinstance(artist, Collection):
        for get, put in ((artist.get_facecolor, artist.set_facecolor), (artist.get_edgecolor, artist.set_edgecolor)):
            colours = to_rgba_array(get())
            if len(colours):
                put([inked(tuple(one)) for one in colours])
    elif isinstance(artist, Patch):
        alpha = artist.get_alpha()
        artist.set_alpha(None)
        # the edge of a patch without one is its hatch's colour
        edge = artist.get_edgecolor()
        face = artist.get_facecolor()
        # what is not drawn must stay so when the alpha comes back
        artist.set_edgecolor(inked(edge) if to_rgba(edge)[3] else "none")
        artist.set_facecolor(inked(face) if artist.get_fill() and to_rgba(face)[3] else "none")
        artist.set_alpha(alpha)
    elif isinstance(artist, (Line2D, Text)):
        artist.set_color(inked(artist.get_color()))
        if isinstance(artist, Line2D):  # markers that are filled with a colour of their own
            artist.set_markerfacecolor(inked(artist.get_markerfacecolor()))
            artist.set_markeredgecolor(inked(artist.get_markeredgecolor()))
        behind = artist.get_bbox_patch() if isinstance(artist, Text) else None
        if behind is not None:
            _recolour(behind, inked)


def drawable(text: str) -> str:
    """The text with every character that the font lacks written as U+...."""
    font = _font("normal")
    return "".join(one if one == "\n" or font.get_char_index(ord(one)) else f"[U+{ord(one):04X}]" for one in text)


@lru_cache(maxsize=4096)
def width_of(text: str, size: float, weight: str = "normal") -> float:
    """Width of a line in points at a font size in points."""
    font = _font(weight)
    font.set_size(size, 72)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a missing glyph has a width, too
        font.set_text(text, 0.0)
    return float(font.get_width_height()[0]) / 64.0


def wrapped(text: str, size: float, width: float, weight: str = "normal") -> list[str]:
    """The text in lines of at most `width` points; a word that is longer is cut."""
    lines: list[list[str]] = []
    space, used = width_of("n n", size, weight) - width_of("nn", size, weight), 0.0
    for word in drawable(text).split():
        for piece in _pieces(word, size, width, weight):
            wide = width_of(piece, size, weight)
            if lines and used + space + wide <= width:
                lines[-1].append(piece)
                used += space + wide
            else:
                lines.append([piece])
                used = wide
    return [" ".join(line) for line in lines]


def fitted(text: str, size: float, width: float) -> str:
    """The text in one line of at most `width` points, cut with an ellipsis where it is longer."""
    text = drawable(text)
    if width_of(text, size) <= width:
        return text
    while text and width_of(f"{text}…", size) > width:
        text = text[:-1]
    return f"{text}…"


def _pieces(word: str, size: float, width: float, weight: str) -> Iterator[str]:
    """A word in pieces that fit a line."""
    while width_of(word, size, weight) > width and len(word) > 1:
        cut = max(1, int(len(word) * width / width_of(word, size, weight)) - 1)
        yield word[:cut]
        word = word[cut:]
    yield word


@cache
def _font(weight: str) -> FT2Font:
    return get_font(findfont(FontProperties(family=_FONT, weight=weight)))
