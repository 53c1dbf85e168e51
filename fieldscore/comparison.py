"""What a comparison of flights is: plain frozen records of paired places, differences and the fairness audit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from fieldscore.align import Alignment
from fieldscore.criteria import Criteria
from fieldscore.measure import Better
from fieldscore.score import Score

Series = npt.NDArray[np.float64]
AtEnds = tuple[tuple[float, float], tuple[float, float]]
USABLE = "usable"  # the headline as a measure: share of the places in which the picture was usable


@dataclass(frozen=True)
class PairAlignment:
    """How flight `a` and flight `b` (numbers from 0, a < b) go together; times of `found` are of these two in this order."""

    a: int
    b: int
    found: Alignment


@dataclass(frozen=True)
class PairedPlaces:
    """The places that two flights share, [k] each, in the order of flight.

    `place_s` is the way along the route in seconds of flight (of the two flights' mean speed), `time_a_s` and
    `time_b_s` the mean time of the frames there, `values` the mean of each measure there, (of a, of b). NaN where
    a flight shows nothing of the place: it was not matched, its link was lost, or it was on the ground.
    """

    a: int
    b: int
    place_s: Series
    time_a_s: Series
    time_b_s: Series
    values: Mapping[str, tuple[Series, Series]]


@dataclass(frozen=True)
class Difference:
    """One measure of b less that of a, in the measure's unit.

    `of` says what the unit of the count is: "places" of two single flights (`a` and `b` are flights), "lamps" that
    two single flights both counted, "flights" of two cameras of which one flight matches three or more each, "events" of two
    cameras (`a` and `b` are the first flight of each). `interval` is None where `reason` says why. `better`: the
    interval excludes zero and the difference is at least `worth`; None with `withheld` where the audit, or what goes
    with the measure, forbids a verdict. `at_ends`: the means of a and of b under the tone curve by which least is readable, and
    under that by which most is; None where the measure does not rest on the curve, or that is not known.
    """

    measure: str
    unit: str
    direction: Better
    a: int
    b: int
    of: Literal["places", "lamps", "flights", "events"]
    difference: float
    interval: tuple[float, float] | None
    effective_samples: float
    better: Literal["a", "b"] | None
    mean_a: float
    mean_b: float
    n: tuple[int, int]
    worth: float | None = None
    spread: tuple[float, float] | None = None  # standard deviation between the flights of a and of b
    reason: str | None = None
    withheld: str | None = None
    at_ends: AtEnds | None = None


@dataclass(frozen=True)
class Check:
    """One question of the fairness audit; `then` says what a failure does to the result ("" when it holds).

    `withholds` are the measures on which no verdict is given while it fails.
    """

    check: str
    ok: bool
    detail: str
    then: str = ""
    withholds: tuple[str, ...] = ()


@dataclass(frozen=True)
class Comparison:
    """Flights of one route compared. `labels` [flights] name each flight's camera; repeats share a label.

    `differences` hold every pair of flights that share the route, and cameras where one flight matches enough of both;
    `checks` are over all flights that take part. `groups`: of every two cameras that were compared, the flights that
    went into it, (of the first, of the second).
    """

    scores: tuple[Score, ...]
    labels: tuple[str, ...]
    criteria: Criteria
    alignments: tuple[PairAlignment, ...]
    places: tuple[PairedPlaces, ...]
    differences: tuple[Difference, ...]
    checks: tuple[Check, ...]
    groups: Mapping[tuple[str, str], tuple[tuple[int, ...], tuple[int, ...]]]
    notes: tuple[str, ...] = ()

    @property
    def cameras(self) -> tuple[str, ...]:
        """Every label once, in the order of the flights."""
        return tuple(dict.fromkeys(self.labels))

    @property
    def same_route(self) -> bool:
        """Whether every flight could be compared with another."""
        return not self.strangers

    @property
    def strangers(self) -> tuple[int, ...]:
        """Flights that were compared with no other camera's; of one camera, those that share the route with no other."""
        met = {number for pair in self.groups.values() for own in pair for number in own}
        if len(self.cameras) == 1:
            met = {number for one in self.alignments if one.found.same_route for number in (one.a, one.b)}
        return tuple(number for number in range(len(self.scores)) if number not in met)

    def matches_of(self, flight: int) -> tuple[int, ...]:
        """The flights that share the route with one."""
        both = [(one.a, one.b) for one in self.alignments if one.found.same_route and flight in (one.a, one.b)]
        return tuple(b if a == flight else a for a, b in both)

    def flights_of(self, label: str) -> tuple[int, ...]:
        """Numbers of the flights of a camera."""
        return tuple(number for number, one in enumerate(self.labels) if one == label)

    def between(self, first: str, second: str) -> tuple[Difference, ...]:
        """What there is to say of two cameras: of all their flights together if that exists, else of each pair of flights."""
        found = [one for one in self.differences if (self.labels[one.a], self.labels[one.b]) == (first, second)]
        flights = [one for one in found if one.of == "flights"]
        return (
            *(flights or [one for one in found if one.of in ("places", "lamps")]),
            *(one for one in found if one.of == "events"),
        )
