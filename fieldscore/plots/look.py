"""How things look in every plot: colour names, the causes' colours and hatches, and the columns drawn.

A colour here is a *name* of the page's style sheet (`--usable`, `--ink` ...). Matplotlib must be given a real
colour, so each name has a stand-in that nothing else uses; `svg.py` puts the name back, and the page decides
what it looks like in light, in dark and on paper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldscore.timeline import Series, Timeline

# Stand-ins: no meaning as colours, only unlike each other and unlike any colour matplotlib picks by itself.
_NAMES = (
    "ink",
    "soft",
    "hair",
    "paper",
    "tint",
    "usable",
    "link",
    "recover",
    "blown",
    "dark",
    "noise",
    "other",
    "accent",
    "second",
)
COLOURS: dict[str, str] = {name: f"#f1a{index:01x}0{index:01x}" for index, name in enumerate(_NAMES, start=1)}


@dataclass(frozen=True)
class CauseLook:
    """How one cause of lost airtime is told from another: by its lane and name, its colour and its hatch.

    `label` fits a lane, `colour` is a name in COLOURS, `hatch` is matplotlib's (straight lines only: a
    hatch of dots costs 160 kB of SVG).
    """

    label: str
    colour: str
    hatch: str

    @property
    def hatch_class(self) -> str:
        """The hatch's name in the page's style sheet, where it comes after `h-`."""
        return _HATCH_CLASSES[self.hatch]


_HATCH_CLASSES = {
    "": "plain",
    "xxxx": "cross",
    "||||": "upright",
    "////": "rising",
    "\\\\\\\\": "falling",
    "----": "level",
}
_CAUSES = {
    "link_lost": CauseLook("link lost", "link", "xxxx"),
    "recovering": CauseLook("recovering", "recover", "\\\\\\\\"),
    "pulled_down": CauseLook("pulled down", "other", "----"),
    "blown": CauseLook("blown out", "blown", "||||"),
    "too_dark": CauseLook("too dark", "dark", ""),
    "noisy": CauseLook("too noisy", "noise", "////"),
}


def cause_look(cause: str) -> CauseLook:
    """The look of a cause; one without a look of its own is drawn grey under its plain name."""
    return _CAUSES.get(cause) or CauseLook(cause.replace("_", " "), "other", "----")


# What is drawn, and the column that holds it.
LEVEL = "level_percent"
LEVEL_LOW = "p5_percent"
LEVEL_HIGH = "p95_percent"
CLIPPED = "clipped_percent"
CRUSHED = "crushed_percent"
READABLE = "readable_percent"
ZONE_READABLE = "zone_readable_percent"
NOISE = "noise_percent"
EXPOSURE = "exposure_stops"
VEIL = "veil_percent"
CAST_RED = "cast_red_stops"
CAST_BLUE = "cast_blue_stops"
BLOOM = "bloom_radius_percent"


def column(timeline: Timeline, name: str) -> Series | None:
    """A column [n], or None where the Timeline has none or it holds no value at all."""
    if name not in timeline:
        return None
    values = timeline[name]
    return values if bool(np.isfinite(values).any()) else None
