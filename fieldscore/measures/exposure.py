"""How the picture is exposed: level, percentiles, what is clipped, crushed, and the range in between."""

from __future__ import annotations

import numpy as np

from fieldscore.frame import Frame
from fieldscore.measure import Column, measure
from fieldscore.units import code_to_level, stops_between

PERCENTILES = (1, 5, 50, 95, 99)
_CODES = np.arange(256, dtype=np.float64)


def _percentile_codes(frame: Frame) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Codes below which (or at which) the named share of the picture lies; shape [5]."""
    cumulative = np.cumsum(frame.histogram)
    if not np.isfinite(cumulative[-1]):
        return np.full(len(PERCENTILES), np.nan)
    wanted = np.array(PERCENTILES) / 100.0 - 1e-9
    return np.searchsorted(cumulative, wanted).astype(np.float64)


@measure(
    Column("level_percent", "%", "neither", "Mean picture level: 0 nominal black, 100 nominal white.", "ITU-R BT.601"),
    *(
        Column(f"p{share}_percent", "%", "neither", f"Level that {share} % of the picture does not exceed.")
        for share in PERCENTILES
    ),
)
def level(frame: Frame) -> tuple[float, ...]:
    """Mean level and percentiles in % of the code range."""
    mean = float(frame.histogram @ _CODES)
    codes = [mean, *frame.view(_percentile_codes)]
    return tuple(float(one) for one in code_to_level(codes, frame.area.code_range))


@measure(Column("clipped_percent", "%", "lower", "Share of the picture at the recording's ceiling, within 2 codes."))
def clipping(frame: Frame) -> tuple[float, ...]:
    """Share of the picture at the ceiling in %."""
    return (100.0 * float(frame.histogram @ frame.area.code_weights[:, 3]),)


@measure(Column("crushed_percent", "%", "lower", "Share of the picture at the recording's floor, within 2 codes."))
def crushing(frame: Frame) -> tuple[float, ...]:
    """Share of the picture at the floor in %."""
    return (100.0 * float(frame.histogram @ frame.area.code_weights[:, 2]),)


@measure(
    Column(
        "occupied_range_stops",
        "stop",
        "higher",
        "Range between the 1st and 99th percentile under the named curve; at least this where the 1st is at the floor.",
    )
)
def occupied_range(frame: Frame) -> tuple[float, ...]:
    """Range between percentiles 1 and 99 in stops above the floor, under the area's curve."""
    area = frame.area
    codes = frame.view(_percentile_codes)
    low, high = codes[0], codes[-1]
    if not np.isfinite(low) or high <= area.floor:
        return (float("nan"),)
    # one code above the floor is the least that can be told from it
    span = area.code_range.span
    low, high = max(low - area.floor, 1.0) / span, max(high - area.floor, 1.0) / span
    return (float(stops_between(low, high, area.criteria.transfer_curve)),)
