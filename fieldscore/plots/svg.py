"""From a matplotlib figure to a small piece of SVG that takes colours and type from the page around it."""

from __future__ import annotations

import io
import re
from html import escape
from typing import Any

from matplotlib import rc_context
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from fieldscore.plots.look import COLOURS

UNITS_PER_INCH = 72.0  # matplotlib's SVG is drawn in points: one unit of the view box
# Any: matplotlib types the names as a list of literals that no mapping of ours can have.
STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "fieldscore",  # ids by content, so that the same score gives the same bytes
    "font.size": 11.0,
    "text.color": COLOURS["ink"],
    "axes.edgecolor": COLOURS["hair"],
    "axes.labelcolor": COLOURS["soft"],
    "axes.linewidth": 0.8,
    "axes.facecolor": "none",
    "figure.facecolor": "none",
    "xtick.color": COLOURS["hair"],
    "ytick.color": COLOURS["hair"],
    "xtick.labelcolor": COLOURS["soft"],
    "ytick.labelcolor": COLOURS["soft"],
    "grid.color": COLOURS["hair"],
    "grid.linewidth": 0.6,
    "hatch.linewidth": 1.1,
    "path.simplify": False,  # simplifying may drop a one-frame spike
}
_NO_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}
_NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
_PATH = re.compile(r' d="([^"]*)"')
_CURVED = re.compile(r"[CQHVA]")
_STEP = re.compile(r"([MLZz])\s*(?:(-?[\d.]+(?:e-?\d+)?)\s+(-?[\d.]+(?:e-?\d+)?))?")
_FONT = re.compile(r"font-family: [^;\"]*(?:; )?")
_TURN = re.compile(r' transform="rotate\(-0 [^"]*\)"')
_ID = re.compile(r' id="([^"]+)"')
_USE = re.compile(r'(?:url\(#|href="#)([^)"]+)')


def new_figure(width: float, height: float) -> Figure:
    """An empty figure of `width` x `height` view-box units."""
    figure = Figure(figsize=(width / UNITS_PER_INCH, height / UNITS_PER_INCH))
    FigureCanvasSVG(figure)
    return figure


def to_svg(figure: Figure, prefix: str, label: str) -> str:
    """The figure as one `<svg>` element for inlining; `label` says in words what it shows.

    Colours of COLOURS become `var(--name)`, the font is inherited, every id carries `prefix` (unique on the
    page), nothing points outside.
    """
    stream = io.StringIO()
    with rc_context(STYLE):
        figure.savefig(stream, format="svg", metadata=_NO_METADATA, transparent=True)
    return _themed(_own_ids(_shortened(_bare(stream.getvalue(), label)), prefix))


def _bare(text: str, label: str) -> str:
    """Only the `<svg>` element, without fixed size, name spaces, style sheet or metadata."""
    text = text[text.index("<svg") :].strip()
    text = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", text, count=1, flags=re.DOTALL)
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    match = re.search(r'viewBox="([^"]+)"', text)
    box = match.group(1) if match else "0 0 100 100"
    opening = f'<svg viewBox="{box}" role="img" aria-label="{escape(label)}" stroke-linejoin="round">'
    return opening + text[text.index(">") + 1 :].replace("xlink:href", "href")


def _shortened(text: str) -> str:
    """Coordinates in tenths or hundredths of a unit, no blank lines, no turns by nothing."""
    text = _PATH.sub(lambda found: f' d="{_coordinates(found.group(1))}"', text)
    text = _TURN.sub("", _FONT.sub("", text))
    text = re.sub(r'(?<=[ "])(x|y|width|height)="(-?\d+\.\d+)"', lambda m: f'{m.group(1)}="{_short(m.group(2))}"', text)
    return re.sub(r">\s+<", "><", text)


def _coordinates(path: str) -> str:
    """Shorter path data: straight lines become relative steps in tenths, from rounded to rounded point."""
    if _CURVED.search(path):
        return re.sub(r"\s*([MLCQHVZz])\s*", r"\1", _NUMBER.sub(lambda m: _short(m.group(0)), path)).strip()
    pieces: list[str] = []
    here = start = (0, 0)
    for letter, x, y in _STEP.findall(path):
        if letter in "zZ":
            pieces.append("z")
            here = start
            continue
        point = (round(float(x) * 10), round(float(y) * 10))
        if letter == "M":
            pieces.append(f"M{_tenths(point[0])} {_tenths(point[1])}")
            start = point
        elif point != here:
            pieces.append(f"l{_tenths(point[0] - here[0])} {_tenths(point[1] - here[1])}")
        here = point
    return re.sub(r"(?<=\d) (?=-)", "", "".join(pieces))


def _tenths(value: int) -> str:
    whole, rest = divmod(abs(value), 10)
    return ("-" if value < 0 else "") + (f"{whole or ''}.{rest}" if rest else f"{whole}")


def _short(number: str) -> str:
    text = f"{float(number):.2f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def _own_ids(text: str, prefix: str) -> str:
    """Keep only ids that are used, each with the prefix."""
    used = set(_USE.findall(text))
    text = _ID.sub(lambda m: f' id="{prefix}-{m.group(1)}"' if m.group(1) in used else "", text)
    text = re.sub(r"url\(#", f"url(#{prefix}-", text)
    return text.replace('href="#', f'href="#{prefix}-')


def _themed(text: str) -> str:
    """Put the style sheet's names where the stand-in colours are; a bare attribute becomes a style."""
    for name, stand_in in COLOURS.items():
        text = text.replace(f' fill="{stand_in}"', f' style="fill: var(--{name})"')
        text = text.replace(stand_in, f"var(--{name})")
    return text
