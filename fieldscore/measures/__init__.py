"""Every measure, in the order of its columns. Adding one: its module, its test, a line here, a changelog line."""

from __future__ import annotations

from fieldscore.measure import Column, Measure, TileMeasure
from fieldscore.measures.exposure import clipping, crushing, level, occupied_range
from fieldscore.measures.flash import flash_signs
from fieldscore.measures.link import link_signs
from fieldscore.measures.movement import movement
from fieldscore.measures.noise import frozen, noise_left
from fieldscore.measures.readability import readability, readable_shares

MEASURES: tuple[Measure, ...] = (
    level,
    clipping,
    crushing,
    occupied_range,
    readable_shares,
    noise_left,
    frozen,
    movement,
    link_signs,
    flash_signs,
)
TILE_MEASURE: TileMeasure = readability
COLUMNS: tuple[Column, ...] = tuple(column for one in MEASURES for column in one.columns)
