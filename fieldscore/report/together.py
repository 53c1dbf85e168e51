"""Several flights on one timeline: the same place together, whatever time each was there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from fieldscore.report.instrument import instrument
from fieldscore.report.track import axis_data
from fieldscore.report.words import moment

_MARKS = 6  # under the strip: more do not fit a telephone


def at_places(
    name: str,
    tracks: Sequence[Mapping[str, Any] | str],
    times_s: npt.NDArray[np.float64],
    *,
    label: str = "place along the route, marked with the first flight's time, min:s",
    chosen: str = "zone_readable_percent",
) -> Markup:
    """A timeline of id `name` whose slider runs over places: every flight is shown where it was at that place.

    `tracks` as in `instrument`, one a flight; `times_s` [flights, places] says in seconds when each was at each place, in the
    order of the route. A time that goes back (a hover, a doubtful match) is held until it goes on. ValueError where the two
    do not go together.
    """
    if len(times_s) != len(tracks):
        raise ValueError(f"times of {len(times_s)} flights for {len(tracks)} tracks")
    rising = np.maximum.accumulate(np.asarray(times_s, dtype=np.float64), axis=1)
    places = rising.shape[1]
    marks = np.unique(np.linspace(0, places - 1, min(_MARKS, places)).round().astype(int)).tolist()
    ticks = {float(place): moment(float(rising[0, place])) for place in marks}
    return instrument(name, tracks, axis_data(label, ticks, rising), chosen=chosen)
