"""Lamps followed: sources of one picture after another that are one lamp, and which sources are lamps at all.

One picture shows little of what a bright spot is: a white post, a glint on wet ground or a lit bush looks like a lamp now and
then. A lamp does in most pictures that show it. So sources are followed, each by where it would be if it went on as it went
since it was last seen (lamps are far off, they move as the camera turns), and those that look like lamps often enough count,
also in the pictures in which they did not. What is near says more than a dot in the distance: looks count by the radius.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldscore.frame import Frame
from fieldscore.measures.lamps import SOURCE, sources
from fieldscore.spool import Spool, let_go

Doubles = npt.NDArray[np.float64]
Source = npt.NDArray[np.void]

# How far a source may be from where it is expected, in picture heights (docs/decisions/followed_lamps.py): ...
_ASTRAY = 0.03  # ... where it has been followed, ...
_ASTRAY_NEW, _ASTRAY_FIRST = 0.05, 0.08  # ... was seen but once, if others say how all moves, and if none does ...
_ASTRAY_S = 0.08  # ... over so long, and in proportion over more; ...
_A_RADIUS = 0.5  # ... and so many of its radii besides
_GROWS = 1.5  # log2 of the radius: by more it does not change between two looks
_OF_SIZE = 0.3  # what a doubling of the radius counts, in shares of how far it may be astray
_LOST_S, _LOST_LOOKS = 0.6, 2.5  # s, or usual intervals between looks if that is more: unseen for longer it is another
_FEWEST = 3  # looks that must show what it is, or all of a flight that has fewer
_OFTEN = 0.4  # mean sign of a lamp at least, by radius
_KNOWN = 0.2  # share of its looks that must show what it is
_AT_ONCE = 512  # looks, after which memory is given back


@dataclass(frozen=True)
class LampPart:
    """What `LampRows` holds: rows seen; first row, time and number of sources of each look; the sources."""

    rows: int
    firsts: array[int]
    time_s: array[float]
    counts: array[int]
    data: Source


class LampRows:
    """Sources gathered during the pass; they wait on disk, so that memory stays flat."""

    def __init__(self) -> None:
        self._rows = 0
        self._firsts, self._times, self._counts = array("q"), array("d"), array("q")
        self._last: Source | None = None
        self._spool = Spool()

    def close(self) -> None:
        """Let go of the file on disk."""
        self._spool.close()

    def add(self, frame: Frame) -> None:
        """Take in the next frame: the sources of the one that it is held to, once."""
        found = frame.held(sources)
        if found is not self._last:
            self._last = found
            self._firsts.append(self._rows)
            self._times.append(frame.time_s)
            self._counts.append(len(found))
            self._spool.write(found.tobytes())
        self._rows += 1

    def begin(self, last: Frame) -> None:
        """Begin after a frame, whose sources belong to the part before."""
        self._last = last.held(sources)

    def part(self) -> LampPart:
        """Give all there is, to be taken in elsewhere."""
        return LampPart(self._rows, self._firsts, self._times, self._counts, np.array(self._sources()))

    def take(self, part: LampPart) -> None:
        """Append the rows of a part."""
        self._firsts.extend(self._rows + first for first in part.firsts)
        self._times.extend(part.time_s)
        self._counts.extend(part.counts)
        self._rows += part.rows
        self._spool.write(part.data.tobytes())

    def _sources(self) -> Source:
        return self._spool.view(SOURCE, (sum(self._counts),))

    def columns(self) -> Doubles:
        """The columns of `lamps_in_view` [n, 3] for the rows added; NaN on rows before the first look."""
        time_s = np.asarray(self._times)
        return _columns(follow(time_s, self._looks()), np.asarray([*self._firsts, self._rows]), time_s)

    def _looks(self) -> Iterator[Source]:
        """The sources of each look, in order."""
        data, end = self._sources(), 0
        for number, count in enumerate(self._counts):
            yield np.asarray(data[end : end + count])
            end += count
            if number % _AT_ONCE == 0:
                let_go(data)
        let_go(data)


class Track:
    """One source followed: the `looks` [k] that show it, with its `radius` in each, where it was last, and how it moves.

    Looks count from the flight's first; `place` right and down in picture heights, `speed` the same a second, None while it was
    seen but once; `known` looks show what it is; their radii add up to `weight`, and with their signs to `signs`.
    """

    def __init__(self) -> None:
        self.looks, self.radius = array("l"), array("f")
        self.known, self.weight, self.signs = 0, 0.0, 0.0
        self.place, self.time_s = np.zeros(2), 0.0
        self.speed: Doubles | None = None

    def see(self, look: int, time_s: float, one: np.void) -> None:
        """Take in the source as a look shows it."""
        place = np.array([one["right"], one["down"]], dtype=np.float64)
        if self.looks and time_s > self.time_s:
            self.speed = (place - self.place) / (time_s - self.time_s)
        self.place, self.time_s = place, time_s
        self.looks.append(look)
        self.radius.append(float(one["radius"]))
        sign = float(one["sign"])
        if not math.isnan(sign):
            self.known += 1
            self.weight += self.radius[-1]
            self.signs += self.radius[-1] * sign

    def is_lamp(self, fewest: int) -> bool:
        """Say whether it looked like a lamp often enough."""
        return self.known >= max(fewest, _KNOWN * len(self.looks)) and self.signs >= _OFTEN * self.weight


def follow(time_s: Doubles, looks: Iterable[Source]) -> list[Track]:
    """Follow the sources (`SOURCE`) of looks at times [n], rising; give the lamps among them in the order they came."""
    live: list[Track] = []
    every: list[Track] = []
    common: Doubles | None = None
    fewest = min(_FEWEST, len(time_s))
    lost_s = max(_LOST_S, _LOST_LOOKS * float(np.median(np.diff(time_s)))) if len(time_s) > 1 else _LOST_S
    for look, (now_s, found) in enumerate(zip(time_s.tolist(), looks, strict=True)):
        kept = []
        for one in live:
            if now_s - one.time_s <= lost_s:
                kept.append(one)
            elif one.is_lamp(fewest):
                every.append(one)
        live = kept
        pairs = _pairs(live, found, now_s, common)
        for track, source in pairs.items():
            live[track].see(look, now_s, found[source])
        speeds = [speed for track in pairs if (speed := live[track].speed) is not None]
        common = np.median(speeds, axis=0) if speeds else None
        for source in sorted(set(range(len(found))) - set(pairs.values())):
            live.append(Track())
            live[-1].see(look, now_s, found[source])
    every += [one for one in live if one.is_lamp(fewest)]
    return sorted(every, key=lambda one: (one.looks[0], -one.radius[0]))


def _pairs(live: list[Track], found: Source, now_s: float, common: Doubles | None) -> dict[int, int]:
    """Which track goes on with which source: the best pair first, each once."""
    if not live or not len(found):
        return {}
    still = np.zeros(2) if common is None else common
    since = np.array([now_s - one.time_s for one in live])
    speed = np.array([still if one.speed is None else one.speed for one in live])
    place = np.array([one.place for one in live]) + speed * since[:, None]
    radius = np.array([one.radius[-1] for one in live])
    new = _ASTRAY_FIRST if common is None else _ASTRAY_NEW
    astray = np.array([new if one.speed is None else _ASTRAY for one in live]) * np.maximum(since / _ASTRAY_S, 1.0)
    astray += _A_RADIUS * radius
    away = np.hypot(np.subtract.outer(place[:, 0], found["right"]), np.subtract.outer(place[:, 1], found["down"]))
    away /= astray[:, None]
    grown = np.abs(np.log2(np.divide.outer(radius, found["radius"].astype(np.float64))))
    cost = np.where((away < 1.0) & (grown < _GROWS), away + _OF_SIZE * grown, np.inf)
    tracks, there = np.nonzero(np.isfinite(cost))
    order = np.argsort(cost[tracks, there], kind="stable")
    pairs: dict[int, int] = {}
    taken: set[int] = set()
    for track, source in zip(tracks[order].tolist(), there[order].tolist(), strict=True):
        if track not in pairs and source not in taken:
            pairs[track] = source
            taken.add(source)
    return pairs


def _columns(lamps: Sequence[Track], ends: npt.NDArray[np.int64], time_s: Doubles) -> Doubles:
    """Columns of `lamps_in_view` [n, 3] where look k, at a time, stands for the rows from `ends` [k] to `ends` [k + 1]."""
    looks = np.zeros((len(time_s), 3))
    looks[:, 1:] = np.nan
    largest = np.zeros(len(time_s))
    for number, one in enumerate(lamps, 1):
        there = slice(one.looks[0], one.looks[-1] + 1)
        radius = np.interp(time_s[there], time_s[one.looks], one.radius)
        looks[there, 0] += 1
        larger = radius > largest[there]
        largest[there][larger] = radius[larger]
        looks[there, 1][larger] = 100.0 * radius[larger]
        looks[there, 2][larger] = number
    rows = np.repeat(looks, np.diff(ends), axis=0)
    unseen = np.full((int(ends[0]), 3), np.nan)
    return np.vstack([unseen, rows])
