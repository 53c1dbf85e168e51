"""The page's timeline: its script, the policy that lets only this script run, and the element it builds itself in."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from markupsafe import Markup

_OFF = (
    "Scripts do not run here, so only the drawings and pictures are shown; where they run, any moment can be looked at."
)


# Parts of the script by job, in order: each uses what those before it define.
_PARTS = ("timeline_data.js", "timeline_instrument.js", "timeline_page.js")


@cache
def script() -> Markup:
    """The script as it goes between `<script>` and `</script>`: its parts in one scope of their own."""
    folder = files("fieldscore.report") / "templates"
    parts = "\n".join((folder / part).read_text(encoding="utf-8") for part in _PARTS)
    # Markup: files of this program; nothing from a recording is in them.
    return Markup(f'"use strict";\n(() => {{\n{parts}}})();')  # noqa: S704


@cache
def policy() -> str:
    """The page's content policy: no request at all, pictures from within, this one script by its SHA-256."""
    digest = base64.b64encode(hashlib.sha256(str(script()).encode("utf-8")).digest()).decode("ascii")
    return f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"


def instrument(
    name: str,
    tracks: Sequence[Mapping[str, Any] | str],
    axis: Mapping[str, Any] | None = None,
    *,
    chosen: str = "zone_readable_percent",
    start_s: float | None = None,
) -> Markup:
    """The element of a timeline: its id `name`, with the data of one flight or several inside.

    `tracks` are of `track.track_data`, all of them, or all names of other timelines on the page, whose first track is meant
    (so that nothing is on the page twice). They share the time axis, or `axis` of `track.axis_data`.
    `chosen` is the column whose curve is drawn first, `start_s` the time that is shown first on a time axis (else where the first
    track's longest loss begins). The page needs
    `script()` at its end, once, and `policy()` in its head. A link `<a class="jump" href="#name" data-at="12.3"
    data-track="0">` leads to a time of a track; `<figure data-follows="name" data-axis="0.1 0.02">` around a drawing of
    the same axis joins in, its axis beginning and ending at these shares of its width.
    """
    data = {"chosen": chosen, "tracks": list(tracks), "axis": axis, "start": start_s}
    return Markup(
        '<div class="instrument" id="{0}"><script type="application/json" id="{0}-data">{1}</script><p class="off">{2}</p></div>'
    ).format(
        name,
        Markup(script_safe(data)),  # noqa: S704 - every character that could end the element is written as \u...
        _OFF,
    )


def script_safe(data: object) -> str:
    """JSON text that is safe inside a `<script>` element: ASCII, without <, > and &."""
    text = json.dumps(data, allow_nan=False, ensure_ascii=True, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
