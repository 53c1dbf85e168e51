"""Tables of figures for the page and for paper, each figure with its explanation, and the reason where there is none."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from fieldscore.report import words
from fieldscore.report.explain import Explanation, column_title, explain_column, explain_place, reason_for
from fieldscore.score import Score

# Blocks of flight.json that are not tables of figures, or that the page shows elsewhere.
_OTHERWISE = frozenset({"clip", "picture", "airtime", "usable", "measures", "stability", "criteria", "record"})
_STABILITY_TITLES = {
    "level_jitter_percent": "Jitter of the level",
    "level_drift_percent": "Drift of the level",
    "hunting_stops": "Hunting of the exposure",
    "hunting_period_s": "Period of the hunting",
    "flicker_percent": "Flicker of lamps",
    "flicker_hz": "Beat of the flicker",
    "passes": "Lamps that came near",
    "pulldown_stops": "Pulled down by a lamp",
    "veil_percent": "Veil added by a lamp",
}
_BLOCK_TITLES = {"lamps": "Lamps that came near", "stability": "Steadiness of the brightness"}
_UNITS = (
    ("_percent_per_s", "%/s"),
    ("_percent", "%"),
    ("_stops", "stop"),
    ("_codes", "code"),
    ("_px", "px"),
    ("_hz", "Hz"),
    ("_s", "s"),
)


class Figure(NamedTuple):
    """A figure on the page: its path in flight.json, its value there, how it reads, and why it is missing, if it is."""

    key: str
    value: float | None
    text: str
    reason: str = ""


class Row(NamedTuple):
    """A row of a table of figures: what it is, its name in flight.json, its figures, and what there is to say of them."""

    title: str
    name: str
    figures: tuple[Figure, ...]
    told: tuple[tuple[str, str], ...]
    reason: str = ""

    @property
    def meaning(self) -> str:
        """What the figures mean, "" where nobody said."""
        return dict(self.told).get("What", "")

    @property
    def more(self) -> tuple[tuple[str, str], ...]:
        """The rest that there is to say: (heading, text)."""
        return tuple(one for one in self.told if one[0] != "What")


class Table(NamedTuple):
    """A table of figures under a heading, its columns and its rows."""

    title: str
    heads: tuple[str, ...]
    rows: list[Row]


def figure(flight: Mapping[str, Any], key: str, value: float | None, text: str) -> Figure:
    """A figure with the reason from the notes where it was not measured."""
    return Figure(key, value, text, (reason_for(flight, key) or "") if value is None else "")


def told(explanation: Explanation | None, sure: str = "") -> tuple[tuple[str, str], ...]:
    """An explanation as headings and texts; `sure` comes before what it says of how sure the figure is."""
    if explanation is None:
        return (("How sure", sure),) if sure else ()
    method = f"docs/method.md#{explanation.anchor}" if explanation.method else ""
    parts = (
        ("What", explanation.text),
        ("How sure", f"{sure} {explanation.sure}".strip()),
        ("What would change it", words.sentence(explanation.change)),
        ("How it is made", words.sentence(method)),
    )
    return tuple(part for part in parts if part[1])


def tables(score: Score, flight: Mapping[str, Any]) -> list[Table]:
    """Every table of figures: the measures, the steadiness, and whatever other block of figures flight.json holds."""
    found = [measures(score, flight), _block(flight, "stability")]
    others = [key for key, block in flight.items() if isinstance(block, dict) and key not in _OTHERWISE]
    return found + [table for key in others if (table := _block(flight, key)).rows]


def measures(score: Score, flight: Mapping[str, Any]) -> Table:
    """The measures in the order of flight.json."""
    columns = {column.name: column for column in score.record.timeline.columns}
    frames = int(score.in_airtime.sum())
    rows = []
    for name, found in flight["measures"].items():
        keys = tuple(f"measures.{name}.{key}" for key in ("median", "p5", "p95"))
        values = tuple(found[key] for key in ("median", "p5", "p95"))
        figures = tuple(
            Figure(key, value, _shown(value, found["unit"])) for key, value in zip(keys, values, strict=True)
        )
        measured = score.measures[name].n / frames if frames else None
        sure = f"Measured on {words.share(measured)} of the frames of the airtime." if measured is not None else ""
        explanation = explain_column(columns[name]) if name in columns else None
        reason = reason_for(flight, f"measures.{name}") if found["median"] is None else None
        rows.append(Row(words.visible(column_title(name)), name, figures, told(explanation, sure), reason or ""))
    return Table("Frames of the airtime", ("median", "5 % under", "5 % over"), rows)


def _block(flight: Mapping[str, Any], key: str) -> Table:
    """A block of flight.json as a table: one row a figure, its unit by the end of its name."""
    rows = []
    for name, value in flight[key].items():
        if isinstance(value, (list, dict, str, bool)):
            continue
        place = f"{key}.{name}"
        number = words.number(value, _unit(name)) if not isinstance(value, int) else f"{value} {_unit(name)}".rstrip()
        if ends := flight["by_curve"].get(name):
            number = words.under_curves(value, ends)
        found = figure(flight, place, value, number)
        title = _STABILITY_TITLES.get(name, column_title(name))
        rows.append(Row(title, name, (found._replace(reason=""),), told(explain_place(place)), found.reason))
    return Table(_BLOCK_TITLES.get(key, column_title(key)), ("",), rows)


def _shown(value: float | None, unit: str) -> str:
    """A figure; a whole one without a unit is a count, as of lamps."""
    if not unit and value is not None and value == round(value):
        return f"{value:.0f}"
    return words.number(value, unit)


def _unit(name: str) -> str:
    return next((unit for end, unit in _UNITS if name.endswith(end)), "")
