"""What a score is: plain frozen records of a flight's usable airtime, causes, gaps, moments and events."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.lamp_passes import LampPass, TowardLight
from fieldscore.record import FlightRecord
from fieldscore.recovery import FlashEvent
from fieldscore.sun import LightStretch

Ends = tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]  # of frames [n], where least and most is readable

# Why a frame was not usable, in the order in which one cause takes a frame before the next may.
CAUSES: tuple[str, ...] = ("link_lost", "recovering", "pulled_down", "blown", "too_dark", "noisy")


@dataclass(frozen=True)
class Summary:
    """A column over the airtime: median, 5th and 95th percentile, its unit and how many frames had a value."""

    median: float
    p5: float
    p95: float
    unit: str
    n: int


@dataclass(frozen=True)
class Gap:
    """A stretch in which the picture was not usable; `cause` is the one that took most of its frames.

    `by_cause_s`: seconds lost to each cause, most first: less than the length in all where the picture returned for moments.
    """

    from_s: float
    to_s: float
    cause: str
    by_cause_s: Mapping[str, float]

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.to_s - self.from_s


@dataclass(frozen=True)
class Moment:
    """A moment worth looking at: the frame nearest `time_s`, and why it was chosen."""

    time_s: float
    kind: Literal["worst", "typical"]
    cause: str | None
    readable_percent: float
    level_percent: float


@dataclass(frozen=True)
class Usable:
    """Usable share of the airtime. Shares are 0..1; `ci95` is None where `reason` says why."""

    share: float
    ci95: tuple[float, float] | None
    effective_samples: float
    longest_gap_s: float
    longest_gap_at_s: float | None
    gaps_per_minute: float
    lost_by_cause: Mapping[str, float | None]
    reason: str | None = None


@dataclass(frozen=True)
class Stability:
    """Level variation seen by the pilot, in % of nominal white; oscillation of the camera's own exposure, peak to peak in
    stops, with its period where it has one; the beat of mains lamps in the level, in %, and its frequency. None = not
    measurable, or none found. `hunting_unsure`: size and period of a swing that stands out by too little to be told.
    """

    level_jitter_percent: float | None
    level_drift_percent: float | None
    hunting_stops: float | None = None
    hunting_period_s: float | None = None
    flicker_percent: float | None = None
    flicker_hz: float | None = None
    hunting_unsure: tuple[float, float] | None = None


@dataclass(frozen=True)
class Lamps:
    """Lamps flown past: medians over the passes (None without one), and the passes; flying toward a lamp or the sun.

    `toward_light` counts every light, `toward_sun` the stretches of `lights` that are the sun's; `lost_around_sun_percent` is the
    median share of the picture that cannot be read around it.
    """

    passes: tuple[LampPass, ...]
    pulldown_stops: float | None
    veil_percent: float | None
    toward_light: TowardLight | None
    lights: tuple[LightStretch, ...] = ()
    toward_sun: TowardLight | None = None
    lost_around_sun_percent: float | None = None


@dataclass(frozen=True)
class Score:
    """The score of one flight. `usable_mask` and `cause` [n] go with the rows of `record.timeline`.

    `cause` is an index into CAUSES, -1 where usable or outside the airtime. `stop_range`: the least and most stops that
    one stop of exposure here is, whichever of the named curves is the camera's; None where that cannot be said. `ground_s`:
    seconds between take-off and landing in which the drone lay on the ground, which are no airtime. `by_curve`: the
    least and most of shares of what is readable (%, medians over the airtime, and `usable_share`) under these curves, as far as
    known; `usable_at_ends`: the usable frames [n] there.
    """

    record: FlightRecord
    criteria: Criteria
    airtime_from_s: float
    airtime_to_s: float
    airtime_how: str
    usable: Usable
    measures: Mapping[str, Summary]
    stability: Stability
    gaps: tuple[Gap, ...]
    moments: tuple[Moment, ...]
    in_airtime: npt.NDArray[np.bool_]
    usable_mask: npt.NDArray[np.bool_]
    cause: npt.NDArray[np.int8]
    readable_map: npt.NDArray[np.float64]
    notes: tuple[str, ...] = ()
    events: tuple[FlashEvent, ...] = ()
    lamps: Lamps = Lamps((), None, None, None)
    stability_notes: Mapping[str, str] = field(default_factory=dict)
    stop_range: tuple[float, float] | None = None
    ground_s: float = 0.0
    by_curve: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    usable_at_ends: Ends | None = None

    @property
    def airtime_s(self) -> float:
        """Length of the airtime in seconds."""
        return self.airtime_to_s - self.airtime_from_s - self.ground_s

    def under_curves(self, stops: float | None) -> tuple[float, float] | None:
        """The least and most that so many stops of exposure are under the named curves; None where that cannot be said."""
        if stops is None or not math.isfinite(stops) or self.stop_range is None:
            return None
        low, high = sorted(stops * one for one in self.stop_range)
        return low, high
