"""Which places of two flights to look at: where they differ most, and some at random so that nobody chose them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fieldscore.comparison import Comparison, Difference, PairAlignment, PairedPlaces, Series

MOST_DIFFERENT, AT_RANDOM = 6, 4  # pairs of pictures: three rows and two of a wide page
APART_S = 2.0  # of the way: nearer ones show the same
_MOST_SHARE = 0.6  # of the places there is room for: the rest is for random ones
_SMOOTH = 5  # places averaged before the most different is looked for: a view, not a frame
# What may make a place worth showing: what a pilot sees of a picture, not what explains it.
_SEEN = ("readable_percent", "zone_readable_percent", "crushed_percent", "clipped_percent")


@dataclass(frozen=True)
class Shown:
    """A place to look at: its number in the PairedPlaces, the moment in each flight, why it was chosen.

    `measure` is what differs most there (of a random place, the first that was measured), `of_a` and `of_b` its values.
    """

    place: int
    time_a_s: float
    time_b_s: float
    kind: Literal["different", "random"]
    measure: str | None
    of_a: float
    of_b: float


def main_pair(result: Comparison, first: str, second: str) -> PairedPlaces | None:
    """The pair of flights of two cameras that goes together best; None where none shares the route."""
    found: dict[tuple[int, int], PairAlignment] = {(one.a, one.b): one for one in result.alignments}

    def good(one: PairedPlaces) -> float:
        match = found[min(one.a, one.b), max(one.a, one.b)].found
        return match.overlap_share * match.confidence

    own = [one for one in result.places if (result.labels[one.a], result.labels[one.b]) == (first, second)]
    return max(own, key=good, default=None)


def shown_places(
    places: PairedPlaces, differences: Sequence[Difference], *, most: int = MOST_DIFFERENT, random: int = AT_RANDOM
) -> list[Shown]:
    """Places worth a look, the most different first, then random ones in the order of the way; the same each time.

    A difference counts in units of the smallest one worth caring about; places are APART_S of the way from each other.
    """
    worth = {one.measure: one.worth for one in differences if one.worth}
    names = [name for name in _SEEN if name in places.values and worth.get(name)]
    seen = np.isfinite(places.time_a_s) & np.isfinite(places.time_b_s)
    if not names or not seen.any():
        return []
    sizes = np.stack([_smoothed(places.values[name], worth[name] or 1.0) for name in names])
    found: list[Shown] = []
    free = seen.copy()
    room = max(
        1, round(_MOST_SHARE * float(places.place_s[-1]) / (2.0 * APART_S))
    )  # or a short way has none left at random
    for _ in range(min(most, room)):
        best = np.where(free, sizes.max(axis=0), 0.0)
        place = int(np.argmax(best))
        if best[place] < 1.0:  # less than what is worth caring about
            break
        found.append(_shown(places, place, "different", names[int(np.argmax(sizes[:, place]))]))
        free &= np.abs(places.place_s - places.place_s[place]) >= APART_S
    drawn = []
    generator = np.random.default_rng(len(places.place_s))
    for _ in range(random):
        left = np.flatnonzero(free)
        if not left.size:
            break
        drawn.append(int(generator.choice(left)))
        free &= np.abs(places.place_s - places.place_s[drawn[-1]]) >= APART_S
    return found + [_shown(places, place, "random", None) for place in sorted(drawn)]


def _smoothed(pair: tuple[Series, Series], worth: float) -> Series:
    """Size [k] of the difference in units of `worth`, over a few neighbouring places; 0 where it is not known."""
    change = (pair[1] - pair[0]) / worth
    known = np.isfinite(change).astype(np.float64)
    window = np.ones(_SMOOTH)
    total = np.convolve(np.nan_to_num(change), window, mode="full")[_SMOOTH // 2 :][: len(change)]
    count = np.convolve(known, window, mode="full")[_SMOOTH // 2 :][: len(change)]
    return np.asarray(np.where(known > 0.0, np.abs(total) / np.maximum(count, 1.0), 0.0))


def _shown(places: PairedPlaces, place: int, kind: Literal["different", "random"], measure: str | None) -> Shown:
    name = measure or next(iter(one for one in _SEEN if one in places.values))
    of_a, of_b = (float(one[place]) for one in places.values[name])
    return Shown(place, float(places.time_a_s[place]), float(places.time_b_s[place]), kind, name, of_a, of_b)
