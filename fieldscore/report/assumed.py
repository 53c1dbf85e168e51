"""What was assumed in one place: range, curve, reference object, airtime, what was left out, whose thresholds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fieldscore.colour import HIGH_DEFINITION_LINES
from fieldscore.report import words
from fieldscore.score import Score
from fieldscore.units import HLG, PQ

HOW_KNOWN = {
    "tag": "as the file says",
    "measured": "measured from the flight's histogram",
    "assumed": "assumed: the file does not say and the histogram does not show it",
    "nominal": "nominal: no pile-up was found",
}
AIRTIME_HOW = {
    "motion": "from the first to the last sustained motion of the picture",
    "given": "as given",
    "whole clip": "the whole recording: no sustained motion was found",
}


def how(key: str) -> str:
    """How a fact is known, in words."""
    return HOW_KNOWN.get(key, key)


def airtime(flight: Mapping[str, Any]) -> str:
    """The airtime and how it was found, in words."""
    found = flight["airtime"]
    if found["from_s"] is None:
        return f"{words.NOT_MEASURED}: {found['how']}"
    return (
        f"{words.moment(found['from_s'])} to {words.moment(found['to_s'])} min:s, "
        f"{AIRTIME_HOW.get(found['how'], found['how'])}"
        f"{f', without {words.seconds(ground_s)} on the ground' if (ground_s := found['ground_s']) else ''}"
    )


def assumed(score: Score, flight: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What the figures rest on that this recording cannot prove: (what, in words)."""
    clip, picture, criteria = score.record.clip, score.record.picture, score.criteria
    own_curve = "The camera's own curve is not known; a code ratio of 2 can be 1.6 to 2.4 stops."
    if clip.transfer_tag == HLG == criteria.transfer_curve:
        own_curve = "The file says that it is the camera's own (ITU-R BT.2100)."
    elif clip.transfer_tag == PQ:
        own_curve = (
            "The file says that the camera's own curve is PQ (ITU-R BT.2100), under which nothing can be measured here."
        )
    elif clip.transfer_tag == HLG:
        own_curve = (
            "The file says that the camera's own curve is HLG (ITU-R BT.2100), under which a code ratio of 2 is 2.0 stops in the "
            'dark and up to 3.6 in the light; transfer_curve = "hlg" in a criteria file measures under that.'
        )
    changed = [f"{name} = {value}" for name, value in criteria.changed().items()]
    return [
        (
            "Code range",
            f"{clip.code_range}, {how(clip.code_range_from)}. Black at code {clip.floor_code:.6g} ({how(clip.floor_from)}), "
            f"white at code {clip.ceiling_code:.6g} ({how(clip.ceiling_from)}).",
        ),
        (
            "Curve",
            f"{criteria.transfer_curve}: stops, and by how much the reference object stands out, follow from it. {own_curve}",
        ),
        (
            "Colour",
            "The cast is read by the matrix that the file names; where it names none by BT.601 under "
            f"{HIGH_DEFINITION_LINES} lines, by BT.709 from there on.",
        ),
        (
            "Reference object",
            f"Readable means that an object brighter than its background by {100 * criteria.object_contrast:g} %, "
            f"{criteria.object_size_px:g} px wide at 480 lines, would stand out {criteria.rose_k:g} times from the noise.",
        ),
        (
            "Usable frame",
            f"The link is there and at least {criteria.usable_zone_readable_percent:g} % of the flying zone (the central "
            f"{100 * criteria.flying_zone:g} % of width and height) is readable.",
        ),
        ("Airtime", f"{airtime(flight)}."),
        (
            "Left out",
            f"{words.number(picture.overlay_percent, '%')} of the picture as overlay, and its borders, are in no figure.",
        ),
        (
            "Thresholds",
            f"Changed by you: {', '.join(changed)}. The rest as delivered." if changed else "All as delivered.",
        ),
    ]
