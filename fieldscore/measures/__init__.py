"""Every measure, in the order of its columns. Adding one: its module, its test, a line here, a changelog line."""

from __future__ import annotations

from fieldscore.measure import Column, HistogramMeasure, Measure, TileMeasure
from fieldscore.measures.colour import cast
from fieldscore.measures.exposure import clipping, crushing, level, occupied_range
from fieldscore.measures.flash import flash_signs
from fieldscore.measures.lamps import lamps_in_view, light_leaving
from fieldscore.measures.link import link_signs
from fieldscore.measures.movement import movement
from fieldscore.measures.noise import frozen, noise_left
from fieldscore.measures.readability import readability, readable_shares

HISTOGRAM_MEASURES: tuple[HistogramMeasure, ...] = (level, clipping, crushing, occupied_range)
PICTURE_MEASURES: tuple[Measure, ...] = (
    readable_shares,
    noise_left,
    frozen,
    cast,
    lamps_in_view,
    light_leaving,
    movement,
    link_signs,
    flash_signs,
)
MEASURES: tuple[HistogramMeasure | Measure, ...] = HISTOGRAM_MEASURES + PICTURE_MEASURES
TILE_MEASURE: TileMeasure = readability
FRAME_COLUMNS: tuple[Column, ...] = tuple(column for one in MEASURES for column in one.columns)
# What needs the whole flight: found from links between frames once the pass is over.
TRACE_COLUMNS: tuple[Column, ...] = (
    Column(
        "exposure_stops",
        "stop",
        "neither",
        "The camera's own exposure against the first frame, apart from what it looked at, under the named curve.",
        "after Bergmann, Wang and Cremers 2018",
    ),
    Column(
        "veil_percent", "%", "lower", "Light that the lens spreads over the picture, in % of nominal white, linear."
    ),
)
# What is readable were the camera's tone curve another, found with the rest once the pass is over.
CURVE_COLUMNS: tuple[Column, ...] = tuple(
    Column(
        f"{name}_{end}_percent",
        "%",
        "neither",
        f"{name}_percent under that of the standard tone curves by which it is {end}; under {which} for a file that says HLG.",
    )
    for name in ("readable", "zone_readable")
    for end, which in (("least", "HLG"), ("most", "the one assumed"))
)
COLUMNS: tuple[Column, ...] = FRAME_COLUMNS + TRACE_COLUMNS + CURVE_COLUMNS
# Results saved before there were these are scored without: nothing is known of them.
LATER_COLUMNS: tuple[Column, ...] = light_leaving.columns + CURVE_COLUMNS
