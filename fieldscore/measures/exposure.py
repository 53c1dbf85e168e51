"""How the picture is exposed: level, percentiles, what is clipped, crushed, and the range in between.

All of it follows from the picture's histogram, so that it is computed for many frames at once.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fieldscore.frame import PictureArea
from fieldscore.measure import Column, histogram_measure
from fieldscore.units import code_to_level, stops_between

Doubles = npt.NDArray[np.float64]

PERCENTILES = (1, 5, 50, 95, 99)
_CODES = np.arange(256, dtype=np.float64)


def _percentile_codes(histograms: Doubles, share: int) -> Doubles:
    """Codes [n] below which (or at which) that share (%) of each picture [n, 256] lies; NaN where nothing is picture."""
    reached = np.cumsum(histograms, axis=1) >= share / 100.0 - 1e-9
    return np.where(reached[:, -1], np.argmax(reached, axis=1), np.nan)


@histogram_measure(
    Column("level_percent", "%", "neither", "Mean picture level: 0 nominal black, 100 nominal white.", "ITU-R BT.601"),
    *(
        Column(f"p{share}_percent", "%", "neither", f"Level that {share} % of the picture does not exceed.")
        for share in PERCENTILES
    ),
)
def level(histograms: Doubles, area: PictureArea) -> Doubles:
    """Mean level and percentiles in % of the code range."""
    codes = [histograms @ _CODES, *(_percentile_codes(histograms, share) for share in PERCENTILES)]
    return code_to_level(np.stack(codes, axis=1), area.code_range)


@histogram_measure(
    Column("clipped_percent", "%", "lower", "Share of the picture at the recording's ceiling, within 2 codes.")
)
def clipping(histograms: Doubles, area: PictureArea) -> Doubles:
    """Share of the picture at the ceiling in %."""
    return np.asarray(100.0 * (histograms @ area.code_weights[:, 3:4]))


@histogram_measure(
    Column("crushed_percent", "%", "lower", "Share of the picture at the recording's floor, within 2 codes.")
)
def crushing(histograms: Doubles, area: PictureArea) -> Doubles:
    """Share of the picture at the floor in %."""
    return np.asarray(100.0 * (histograms @ area.code_weights[:, 2:3]))


@histogram_measure(
    Column(
        "occupied_range_stops",
        "stop",
        "higher",
        "Range between the 1st and 99th percentile under the named curve; at least this where the 1st is at the floor.",
    )
)
def occupied_range(histograms: Doubles, area: PictureArea) -> Doubles:
    """Range between percentiles 1 and 99 in stops above the floor, under the area's curve; NaN where all is at the floor."""
    low, high = (_percentile_codes(histograms, share) - area.floor for share in (PERCENTILES[0], PERCENTILES[-1]))
    # one code above the floor is the least that can be told from it
    span = area.code_range.span
    stops = stops_between(np.maximum(low, 1.0) / span, np.maximum(high, 1.0) / span, area.criteria.transfer_curve)
    return np.where(high > 0.0, stops, np.nan)[:, None]
