"""What each figure means, how sure it is and what would change it, for the place where it stands.

A column without words of its own is explained from what it says of itself (`Column`), so that a new measure is on the
page without a line here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from fieldscore.measure import Column

_SUFFIX = re.compile(r"_(percent_per_s|percent|stops|codes|px|s)$")
_PERCENTILE = re.compile(r"p(\d+)")
_BETTER = {"lower": "Lower is better.", "higher": "Higher is better.", "neither": ""}


@dataclass(frozen=True)
class Explanation:
    """What a figure is (`text`), how sure it is, what would change it, and the heading of docs/method.md that says how."""

    text: str
    sure: str = ""
    change: str = ""
    method: str = ""

    @property
    def anchor(self) -> str:
        """The heading as the end of an address: docs/method.md#..."""
        kept = re.sub(r"[^a-z0-9 -]", "", self.method.lower())
        return kept.replace(" ", "-")


_FILE_FACTS = "It follows from the recording's pixels alone, so a rerun gives the same figure."
_SAME_SCENE = "the scene, the light, where the camera looked, and the camera's own exposure"
_LEVEL = Explanation(
    "",
    f"{_FILE_FACTS} On simulated flights it was within a quarter of a percentage point of the picture before coding.",
    f"{_SAME_SCENE}. Another code range (see what was assumed) would move it.",
    "Exposure (per frame)",
)
_READABLE = Explanation(
    "",
    "It ranks the parts of one flight well. Against the simulation's truth the share was off by up to about a fifth of "
    "the picture in night flights: too low where black is set down, too high where the codec is starved of bits.",
    "another size or contrast of the reference object, another curve, bit rate or picture size. Compare only "
    "recordings of like coding.",
    "Readability (per tile)",
)
_NOISE = Explanation(
    "How strong the grain is that the codec left, across areas of an object's size (8 px at 480 lines), told as the flicker "
    "of each pixel of fine grain that would hide as much. Where a codec turns grain into blotches, each pixel flickers by less.",
    "It is what the codec left: less than the camera's at low bit rates, more where fast motion could not be followed. "
    "Noise under half a code reads as one to two.",
    "bit rate, codec, picture size, the camera's gain and its noise reduction",
    "Noise left in the recording",
)
_LINK = Explanation(
    "",
    "It is a sign that link loss is found by, not a grade of the picture.",
    "the scene as well as the link",
    "Link loss",
)
_FLASH = Explanation(
    "",
    "It is a sign that changes of light are found by, not a grade of the picture.",
    "the scene and its motion as well as the light",
    "Flashes and recovery",
)
# By the column's name. A text that is empty is the column's own.
_COLUMNS: Mapping[str, Explanation] = {
    "level_percent": _LEVEL,
    "clipped_percent": Explanation(
        "", "On simulated flights it was within 0.1 percentage points.", _LEVEL.change, _LEVEL.method
    ),
    "crushed_percent": Explanation(
        "",
        "Exact where the floor is clean. Where strong noise straddles the floor the codec smooths it, and it reads up "
        "to 10 percentage points low.",
        "where the floor lies (see what was assumed), bit rate, and the camera's black level",
        _LEVEL.method,
    ),
    "occupied_range_stops": Explanation(
        "",
        "In stops under the named curve: the true curve of the camera is not known, and a code ratio of 2 can be 1.6 "
        "to 2.4 stops.",
        "the curve, and where the floor lies",
        _LEVEL.method,
    ),
    **dict.fromkeys(("readable_percent", "zone_dark_percent", "zone_blown_percent", "zone_noisy_percent"), _READABLE),
    "zone_readable_percent": replace(
        _READABLE,
        text="Share of the tiles of the flying zone, the centre of the picture, where the reference object would be seen.",
    ),
    "noise_percent": _NOISE,
    "frozen_percent": Explanation(
        "",
        "Counted, not estimated: blocks without any change.",
        "bit rate and codec; a scene that stands still has them, too",
        _NOISE.method,
    ),
    "exposure_stops": Explanation(
        "",
        "Within 5 s good to 0.02 to 0.1 stop on simulated flights. Over a minute it may drift by a quarter of a stop to half a "
        "stop, and after a break (a cut, a lost link) it goes on from the exposure before it: moments minutes or a break apart "
        "are not to be compared.",
        "the camera's exposure control, the curve, and light that changes by itself (your own, a cloud), which reads as exposure; "
        "deep dark, fog, rain, wet ground and low sun make it drift",
        "Exposure trace",
    ),
    "motion_percent": Explanation(
        "",
        "Found by registering each frame with the one before it; a blurred or noisy picture makes it less sure.",
        "how the drone was flown",
        "Usable airtime",
    ),
    **dict.fromkeys(
        ("spread_codes", "colour_codes", "likeness", "motion_change_percent", "repeated", "damaged"), _LINK
    ),
    "patch_spread_codes": replace(
        _LINK,
        text="Standard deviation of the means of the picture's tiles: small beside the spread of its pixels in snow.",
    ),
    **dict.fromkeys(("brightened_percent", "dimmed_percent", "rise_codes", "fall_codes"), _FLASH),
    **dict.fromkeys(("link", "airborne", "usable"), Explanation("", "", "the criteria", "Usable airtime")),
}
# By the place in flight.json; a place is covered by the longest beginning that is named here.
_PLACES: Mapping[str, Explanation] = {
    "usable.share": Explanation(
        "Frames with a picture good enough to fly by, over all frames of the airtime that could be judged, in %.",
        "The interval says how far chance within this flight may have moved it; it holds for this flight, not for the next "
        "one. Without one the flight is too short or too even to say.",
        "the criteria of readability, the airtime (--from and --to), and the light of the place",
        "Usable airtime",
    ),
    "usable.effective_samples": Explanation(
        "How many independent looks at the flight its frames are worth. Neighbouring frames show the same, so it is far "
        "fewer than there are frames.",
        "Estimated from how long the readable share remembers itself; a short flight gives it only roughly.",
        "a longer flight, and one with more changes of scene",
        "Usable airtime",
    ),
    "usable.longest_gap_s": Explanation(
        "The longest stretch of the airtime without a usable picture, in seconds; a return too short to react to does "
        "not end it.",
        "To about a frame at either end.",
        "the criteria of readability, and gap_join_s",
        "Usable airtime",
    ),
    "usable.gaps_per_minute": Explanation(
        "Stretches without a usable picture, for each minute of airtime.",
        "A count: in a short flight one gap more or less moves it much.",
        "the criteria of readability, gap_join_s and gap_least_s",
        "Usable airtime",
    ),
    "usable.lost_by_cause": Explanation(
        "What the frames that were not usable were lost to, in % of the airtime. A frame has one cause: the first that "
        "applies.",
        "The share lost is as sure as the usable share. Dark and noisy lie close together: where one ends and the other "
        "begins is the less certain part.",
        "the criteria, and the codec's bit rate, which turns noise into smoothness",
        "Usable airtime",
    ),
    "stability.level_jitter_percent": Explanation(
        "How much the brightness flickers from frame to frame, one sigma in % of nominal white.",
        "It holds what the scene did, too: flying past posts is in it.",
        "the scene, flicker of lamps, the camera's exposure control",
        "Level stability",
    ),
    "stability.level_drift_percent": Explanation(
        "How far the brightness wanders from second to second, one sigma in % of nominal white.",
        "It holds what the scene did, too: flying from light into dark is in it.",
        "the route, and the camera's exposure control",
        "Level stability",
    ),
    "stability.hunting_stops": Explanation(
        "By how much the camera's own exposure swings up and down without being asked to, from the lowest to the highest, in "
        "stops; 0 where no swing stands out.",
        "A swing under a twentieth of a stop, or one of fewer than four turns, is not told from chance, nor one that comes as "
        "often as lamps are flown past, or with which the picture does not brighten and darken, from following what is in "
        "view, nor one near the beat of mains lamps from that.",
        "the camera's exposure control, and a longer flight, which shows slower swings",
        "Hunting and mains beat",
    ),
    "stability.hunting_period_s": Explanation(
        "How long one swing of the exposure takes, in seconds.",
        "",
        "the camera's exposure control",
        "Hunting and mains beat",
    ),
    "stability.flicker_percent": Explanation(
        "How strongly lamps on the mains beat with the frames, in % of white: the picture pulses slowly.",
        "",
        "the lamps, the mains, the shutter and the frame rate",
        "Hunting and mains beat",
    ),
    "stability.flicker_hz": Explanation(
        "How often that beat brightens the picture, in turns a second.", "", "the frame rate", "Hunting and mains beat"
    ),
    "lamps.passes": Explanation(
        "How many times a lamp grew in the picture and went again.",
        "Two lamps that come near together count once; of six passes about five are of a lamp, and of four lamps three count.",
        "the route, and how near it leads past lamps",
        "Lamps",
    ),
    "lamps.pulldown_stops": Explanation(
        "By how much the camera's exposure fell while a lamp was near, in stops; the median of all. Nearer zero is better.",
        "On simulated flights to a fifth of itself, by which lamps are found; that of one lamp to a tenth of a stop.",
        "the lamps, how near they were flown past, and the camera's metering",
        "Lamps",
    ),
    "lamps.veil_percent": Explanation(
        "How much more light the lens spread over the picture while a lamp was near, in % of white; the median of all.",
        "",
        "the lens and its cleanliness, the lamps, and how near they were",
        "Lamps",
    ),
    "events.recovery_s": Explanation(
        "From the middle of the two frames around the edge to the moment after which the level stays within 10 % of where "
        "it settles for half a second.",
        "The bounds hold what the frame clock and the level's noise leave open.",
        "the light's strength, distance and beam, how dark the rest was, and the frame rate",
        "Flashes and recovery",
    ),
}


def column_title(name: str) -> str:
    """A column's name in words, without its unit."""
    percentile = _PERCENTILE.fullmatch(_SUFFIX.sub("", name))
    if percentile is not None:
        return f"Level, {percentile[1]} % point"
    text = _SUFFIX.sub("", name).replace("_", " ")
    return text[:1].upper() + text[1:]


def explain_column(column: Column) -> Explanation:
    """A column explained: by words of ours where there are some, else by what it says of itself."""
    own = _COLUMNS.get(column.name) or (_LEVEL if _PERCENTILE.match(column.name) else Explanation(""))
    text = " ".join(part for part in (own.text or column.summary, _BETTER[column.better]) if part)
    source = "" if column.source == "measures.md" else f"Source: {column.source}."
    return Explanation(text, " ".join(part for part in (own.sure, source) if part), own.change, own.method)


def explain_place(place: str) -> Explanation | None:
    """A figure explained by its place in flight.json, None where there are no words for it."""
    known = [one for one in _PLACES if place == one or place.startswith(f"{one}.")]
    return _PLACES[max(known, key=len)] if known else None


def reason_for(flight: Mapping[str, Any], place: str) -> str | None:
    """Why the figure at a place of flight.json is missing, from its notes: the note of the place or of what holds it."""
    parts = place.split(".")
    for length in range(len(parts), 0, -1):
        head = f"{'.'.join(parts[:length])}: "
        for note in flight["notes"]:
            if note.startswith(head):
                return str(note[len(head) :])
    return None
