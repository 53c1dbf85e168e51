"""A flight as data for the page's timeline: figures, states, readability maps and pictures by time, small and exact.

A row on the page is a row of timeline.csv, never a mean: at least ten a second, a lost one before a usable one. A figure
is kept as a whole number of its last shown decimal, so that the page shows timeline.csv rounded, and nothing else.
"""

from __future__ import annotations

import base64
import sys
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from fieldscore.measure import Column
from fieldscore.plots import cause_look, zone_box
from fieldscore.report import film, words
from fieldscore.report.explain import column_title, explain_column
from fieldscore.score import CAUSES, Score
from fieldscore.timeline import Timeline

ROWS_A_SECOND = 10.0  # of the page's timeline, where it cannot hold every row
EVERY_ROW_UNTIL = 4000  # rows: a flight of up to so many is kept whole
MAPS_A_SECOND = 4.0
MAP_STEPS = 50  # a tile's k is kept in this many steps of the criterion: 50 and more is readable
_MAP_UNKNOWN, _MAP_MOST = 255, 254
_TICKS_A_SECOND = 10_000  # times are kept in these, as whole numbers
_DECIMALS = 2  # shown of a figure; one under 3 in size gets a third
_SMALL = 3.0
_SHORT_MOST, _LONG_MOST = 32_766, 2_147_483_646
OUTSIDE, USABLE, UNJUDGED, FIRST_CAUSE = 0, 1, 2, 3  # states of a row; a cause is FIRST_CAUSE + its place in CAUSES


def track_data(
    score: Score, label: str | None = None, pictures: Mapping[float, bytes] | None = None, *, among: int = 1
) -> dict[str, Any]:
    """Everything the page's timeline shows of one flight, as plain data; `label` names it beside others.

    `pictures` are JPEG files by time in seconds that are shown beside the small ones of the record. `among` so many tracks
    on one page each has its part of the room. `held` of the data says in words what a page holds of a flight too long to be
    kept as densely as others; "" where it holds as much.
    """
    timeline = score.record.timeline
    states = row_states(score)
    clip = score.record.clip
    density = min(1.0, film.ROOM_FOR_S / (among * max(clip.duration_s, 1e-9)))
    rows = kept_rows(timeline, states >= FIRST_CAUSE, score.record.evidence.thumb_time_s, density)
    maps, pictured = _maps(score, density), _film(score, pictures, density, among)
    step_s = timeline.interval_s if len(timeline) > 1 else 1.0
    return {
        "label": words.visible(score.record.name if label is None else label),
        "span": [float(timeline.time_s[0]), float(timeline.time_s[-1]) + step_s],
        "shape": [clip.width, clip.height],
        "time": _ticks(timeline.time_s[rows]),
        "columns": list(_columns(timeline, rows)),
        "state": _packed(states[rows].astype(np.uint8)),
        "states": _state_names(),
        "gaps": [[round(gap.from_s, 4), round(gap.to_s, 4), words.cause_name(gap.cause)] for gap in score.gaps],
        "events": [[event.at_s, words.event_name(event.kind)] for event in score.events],
        "map": maps,
        "film": pictured,
        "held": _held(score, len(rows), pictured) if density < 1.0 else "",
    }


def row_states(score: Score) -> npt.NDArray[np.int64]:
    """State [n] of every row of the Timeline."""
    states = np.where(score.usable_mask, USABLE, UNJUDGED)
    states = np.where(score.cause >= 0, FIRST_CAUSE + score.cause.astype(np.int64), states)
    return np.where(score.in_airtime, states, OUTSIDE)


def kept_rows(
    timeline: Timeline, lost: npt.NDArray[np.bool_], pictures_s: npt.NDArray[np.float64], density: float = 1.0
) -> npt.NDArray[np.int64]:
    """Rows that the page keeps: all, or of each tenth of a second a lost one, else one with a picture, else the first.

    Of a `density` under 1 the stretches are as much longer.
    """
    count = len(timeline)
    if count <= EVERY_ROW_UNTIL * density:
        return np.arange(count)
    pictured = np.isin(np.round(timeline.time_s, 4), np.round(pictures_s, 4))
    bins = np.floor(timeline.time_s * density * ROWS_A_SECOND + 1e-6).astype(np.int64)
    order = np.lexsort((np.arange(count), -pictured.astype(np.int8), -lost.astype(np.int8), bins))
    _, first = np.unique(bins[order], return_index=True)
    return np.asarray(np.sort(order[first]), dtype=np.int64)


def decimals_for(values: npt.NDArray[np.float64]) -> int:
    """Decimals to keep of a column: none where every value is whole, three where all are small, else two."""
    known = values[np.isfinite(values)]
    if known.size == 0 or bool((known == np.round(known)).all()):
        return 0
    return _DECIMALS + (float(np.abs(known).max()) < _SMALL)


def _columns(timeline: Timeline, rows: npt.NDArray[np.int64]) -> Iterator[dict[str, Any]]:
    """Every column of the Timeline, whatever its name: how to call it, what it is, and its values."""
    for column in timeline.columns:
        values = timeline[column.name]
        decimals = decimals_for(values)
        yield {
            "name": words.visible(column.name),
            "title": words.visible(column_title(column.name)),
            "unit": words.visible(words.unit_name(column.unit)),
            "what": words.visible(explain_column(column).text),
            "decimals": decimals,
            **_figures(values[rows], decimals, column),
        }


def _figures(values: npt.NDArray[np.float64], decimals: int, column: Column) -> dict[str, Any]:
    """Values as whole numbers of the last decimal, in 16 bits where they fit; the lowest number stands for none."""
    known = np.isfinite(values)
    if not known.any():
        return {"kind": "none", "data": ""}
    scaled = np.round(np.where(known, values, 0.0) * 10.0**decimals)
    if np.abs(scaled).max() > _LONG_MOST:
        raise ValueError(f"column {column.name}: {np.abs(values[known]).max():g} is too large for the page")
    if np.abs(scaled).max() <= _SHORT_MOST:
        return {"kind": "short", "data": _packed(np.where(known, scaled, np.iinfo(np.int16).min).astype(np.int16))}
    return {"kind": "long", "data": _packed(np.where(known, scaled, np.iinfo(np.int32).min).astype(np.int32))}


def _state_names() -> list[dict[str, str]]:
    """How each state is called and looks, by its number."""
    names = [
        {"name": "outside the airtime", "colour": "", "hatch": ""},
        {"name": "usable", "colour": "usable", "hatch": "plain"},
        {"name": "could not be judged", "colour": "", "hatch": ""},
    ]
    looks = ((words.cause_name(cause), cause_look(cause)) for cause in CAUSES)
    return names + [{"name": name, "colour": look.colour, "hatch": look.hatch_class} for name, look in looks]


def _maps(score: Score, density: float) -> dict[str, Any] | None:
    """Readability maps, each tile in steps of the criterion; None where none was measured."""
    tiles = score.record.tiles
    if not len(tiles.time_s):
        return None
    _, first = np.unique(np.floor(tiles.time_s * density * MAPS_A_SECOND + 1e-6), return_index=True)
    k = tiles.readable[first]
    with np.errstate(invalid="ignore"):
        steps = np.clip(np.floor(np.asarray(k, dtype=np.float64) / score.criteria.rose_k * MAP_STEPS), 0, _MAP_MOST)
    steps = np.where(np.isfinite(k), steps, np.where(k > 0, _MAP_MOST, _MAP_UNKNOWN))
    rows, columns = k.shape[1:]
    clip, (top, right, bottom, left) = score.record.clip, score.record.picture.border_px
    inset = (top / clip.height, right / clip.width, bottom / clip.height, left / clip.width)
    return {
        "time": _ticks(tiles.time_s[first]),
        "data": _packed(steps.astype(np.uint8)),
        "rows": rows,
        "columns": columns,
        "steps": MAP_STEPS,
        "k": score.criteria.rose_k,
        "zone": list(zone_box(rows, columns, score.criteria.flying_zone)),
        "inset": [round(side, 5) for side in inset],
    }


def _held(score: Score, rows: int, pictured: Mapping[str, Any] | None) -> str:
    """What the page holds of a long flight, in words."""
    length = max(score.record.clip.duration_s, 1e-9)
    shown = f"{words.number(pictured['count'] / length)} pictures and " if pictured else ""
    return (
        f"This flight is long: to stay small the page holds {shown}{words.number(rows / length)} rows of figures a second, "
        "lost moments before others."
    )


def _film(score: Score, pictures: Mapping[float, bytes] | None, density: float, among: int) -> dict[str, Any] | None:
    evidence = score.record.evidence
    room = film.ROOM_BYTES / among
    found = film.pack(evidence.thumb_time_s, evidence.thumbs, pictures, density=density, room=room)
    if not found.sheets:
        return None
    return {
        "time": _ticks(found.time_s),
        "size": list(found.size),
        "across": film.ACROSS,
        "per": film.PER_SHEET,
        "count": len(found.time_s),
        "sheets": list(found.sheets),
    }


def _ticks(time_s: npt.NDArray[np.float64]) -> str:
    """Times as whole ten-thousandths of a second."""
    return _packed(np.round(time_s * _TICKS_A_SECOND).astype(np.int32))


def _packed(values: npt.NDArray[Any]) -> str:
    """The bytes of an array, lowest first, as base64."""
    swapped = values.byteswap() if sys.byteorder == "big" else values
    return base64.b64encode(np.ascontiguousarray(swapped).tobytes()).decode("ascii")


def axis_data(
    label: str,
    ticks: Mapping[float, str],
    times_s: npt.NDArray[np.float64],
    names: Sequence[str] = (),
    start: float = 0.0,
) -> dict[str, Any]:
    """A shared axis for several tracks that is not time: `times_s` [tracks, places] says when each was where, rising.

    `ticks` are marks to write under it, by place (0 .. places - 1); `names`, where given, say each place in words; `start`
    is the place that is shown first.
    """
    if times_s.ndim != 2 or times_s.shape[1] < 2:  # noqa: PLR2004 - a line has two ends
        raise ValueError(f"times are {times_s.shape}, expected (tracks, at least 2 places)")
    return {
        "label": words.visible(label),
        "start": start,
        "ticks": [[place, words.visible(text)] for place, text in ticks.items()],
        "names": [words.visible(name) for name in names],
        "times": [_ticks(row) for row in times_s],
    }
