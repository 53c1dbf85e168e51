"""The list of measures: complete, named apart, each figure with a unit, and as many figures as columns on any frame."""

from __future__ import annotations

import importlib
import pkgutil
import re

import numpy as np
import numpy.typing as npt
import pytest
from frame_material import Luma, area_of, chain, coded, frame_of, noisy, texture

from fieldscore import measures
from fieldscore.frame import Frame
from fieldscore.measure import Column, HistogramMeasure, Measure, TileMeasure, measure, tile_measure
from fieldscore.measures import COLUMNS, CURVE_COLUMNS, MEASURES, TILE_MEASURE, TRACE_COLUMNS

# how a name ends for each unit; a count, a flag or a correlation has none
ENDINGS = {"%": "_percent", "%/s": "_percent", "code": "_codes", "stop": "_stops"}
WITHOUT = {"", "0/1"}
SHAPE = (96, 128)


def _kinds() -> dict[str, Frame]:
    """Frames of every sort that a pass meets, each the last of its chain."""
    generator = np.random.default_rng(4)
    scene = texture(*SHAPE, seed=2)
    pictures: list[Luma] = [noisy(np.roll(scene, step, axis=1), 2.0, generator) for step in range(6)]
    grey = np.full((SHAPE[0] // 2, SHAPE[1] // 2), 128, np.uint8)
    area = area_of(*SHAPE)
    deep: list[npt.NDArray[np.uint16]] = [picture.astype(np.uint16) << 2 for picture in pictures[:2]]
    before = frame_of(deep[0], area, bits=10)
    fields = [picture[0::2] for picture in pictures[:2]]
    first = frame_of(fields[0], area.for_fields())
    return {
        "first": frame_of(pictures[0]),
        "flown": chain(pictures)[-1],
        "repeated": chain([pictures[0], pictures[0]])[1],
        "black": chain([np.full(SHAPE, 16, np.uint8)] * 2)[1],
        "white": chain([np.full(SHAPE, 235, np.uint8)] * 2)[1],
        "snow": chain([generator.integers(16, 236, SHAPE).astype(np.uint8) for _ in range(3)])[-1],
        "coloured": frame_of(pictures[0], chroma=(grey, grey)),
        "deep": frame_of(deep[1], area, bits=10, previous=before, time_s=0.1),
        "field": frame_of(fields[1], first.area, previous=first, time_s=0.02),
        "hidden": frame_of(pictures[0], area_of(*SHAPE, overlay=np.ones(SHAPE, dtype=np.bool_))),
    }


KINDS = _kinds()


def test_every_measure_is_listed() -> None:
    """Whatever a module of measures declares is in the list, once."""
    declared: list[HistogramMeasure | Measure] = []
    tiles: list[TileMeasure] = []
    for module in pkgutil.iter_modules(measures.__path__):
        values = list(vars(importlib.import_module(f"{measures.__name__}.{module.name}")).values())
        declared += [value for value in values if isinstance(value, HistogramMeasure | Measure)]
        tiles += [value for value in values if isinstance(value, TileMeasure)]
    assert len(MEASURES) == len(declared) == len({id(one) for one in declared})
    assert all(any(one is listed for listed in MEASURES) for one in declared)
    assert tiles == [TILE_MEASURE]


def test_columns_are_those_of_the_measures_in_order() -> None:
    """The columns are each measure's, one after another, and no name comes twice."""
    assert [*(column for one in MEASURES for column in one.columns), *TRACE_COLUMNS, *CURVE_COLUMNS] == list(COLUMNS)
    names = [column.name for column in (*COLUMNS, TILE_MEASURE.column)]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("column", COLUMNS, ids=lambda column: column.name)
def test_a_column_says_what_it_is(column: Column) -> None:
    """A name ends in its unit, and the column says what it means, which way is better and where it is from."""
    assert re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", column.name)
    assert column.unit in ENDINGS or column.unit in WITHOUT
    if column.unit in ENDINGS:
        assert column.name.endswith(ENDINGS[column.unit])
    else:
        assert not column.name.endswith(tuple(ENDINGS.values()))
    assert column.better in ("lower", "higher", "neither")
    assert column.summary.endswith(".")
    assert column.source


@pytest.mark.parametrize("kind", KINDS)
def test_one_figure_a_column_on_any_frame(kind: str) -> None:
    """On every sort of frame each measure gives one float a column, none of them infinite, shares within 0..100 %."""
    frame = KINDS[kind]
    for one in MEASURES:
        values = one(frame)
        assert len(values) == len(one.columns)
        for value, column in zip(values, one.columns, strict=True):
            assert isinstance(value, float)
            assert not np.isinf(value)
            if column.unit == "0/1":
                assert np.isnan(value) or value in (0.0, 1.0)
            # a level and a noise are % of white, which a picture may pass; the others are shares
            if column.unit == "%" and not re.match(r"level|p\d|noise", column.name):
                assert np.isnan(value) or -1e-6 <= value <= 100.0 + 1e-6
    tiles = TILE_MEASURE(frame)
    assert tiles.shape == (frame.area.tiles,)
    assert not np.isinf(tiles).any()
    assert not (tiles < 0).any()


def test_a_measure_changes_no_pixel() -> None:
    """A measure is a pure function: read-only planes will do, and a second call gives the same."""
    generator = np.random.default_rng(4)
    pictures = [noisy(texture(*SHAPE, seed=2), 2.0, generator) for _ in range(3)]
    for picture in pictures:
        picture.setflags(write=False)
    frame = chain(pictures)[-1]
    for one in MEASURES:
        assert one(frame) == pytest.approx(one(frame), abs=0, nan_ok=True)
    # and in the reverse order, on frames of their own, they give the same
    fresh = chain(pictures)[-1]
    backwards = [one(fresh) for one in reversed(MEASURES)][::-1]
    for one, values in zip(MEASURES, backwards, strict=True):
        assert values == pytest.approx(one(frame), abs=0, nan_ok=True)


def test_declaring_a_measure() -> None:
    """A decorated function is a measure of the columns it names and is called with the frame."""
    width = Column("width_codes", "code", "neither", "Width.")
    frame = frame_of(coded(texture(*SHAPE)))

    @measure(width)
    def one(seen: Frame) -> tuple[float, ...]:
        return (float(seen.codes.shape[1]),)

    @tile_measure(width)
    def other(seen: Frame) -> npt.NDArray[np.float32]:
        return seen.tile_sums[:, 0]

    assert one.columns == (width,)
    assert one(frame) == (128.0,)
    assert other.column is width
    assert np.array_equal(other(frame), frame.tile_sums[:, 0])
