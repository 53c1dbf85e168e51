"""Every threshold with its reason: their only home. A TOML file of the user's overrides them.

To add or rename a threshold, write or edit one field of `Criteria`: reading, checking, saving and describing
follow from the field itself. A field's type is the type of its default.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, NamedTuple

from fieldscore.errors import CriteriaError
from fieldscore.stats import DEFAULT_CONFIDENCE, MIN_EFFECTIVE_SAMPLES
from fieldscore.units import CURVES, DEFAULT_CURVE

Value = int | float | str

MOST_TILES = 255  # a tile's number fits a byte, and one number is left for the overlay


class Described(NamedTuple):
    """One threshold for a table: name, value in force, unit ("" for none), why the default is what it is."""

    name: str
    value: Value
    unit: str
    reason: str


def _number(default: float, unit: str, low: float, high: float, reason: str) -> Any:
    """A numeric threshold, allowed from `low` to `high`, both included; whole numbers stay whole."""
    return field(default=default, metadata={"unit": unit, "low": low, "high": high, "reason": reason})


def _choice(default: str, choices: tuple[str, ...], reason: str) -> Any:
    """A threshold that is one of several names."""
    return field(default=default, metadata={"unit": "", "choices": choices, "reason": reason})


@dataclass(frozen=True)
class Criteria:
    """What counts as readable, usable, lost; construction checks every value and raises CriteriaError.

    Each field's metadata holds `unit`, `reason`, and `low` and `high` or `choices`.
    """

    tile_rows: int = _number(
        12, "tiles", 2, 64, "squares of 40 px at 480 lines, each with room for 25 reference objects"
    )
    tile_columns: int = _number(16, "tiles", 2, 64, "square tiles in a 4:3 picture of 12 rows")
    flying_zone: float = _number(
        0.6, "share of width and height", 0.1, 1.0,
        "where a pilot looks for the next gap; common practice, no source",
    )  # fmt: skip
    rose_k: float = _number(
        5.0, "noise sigma", 1.0, 20.0,
        "Rose, JOSA 38:196 (1948): seen with near certainty at 5, borderline at 3; "
        "by chance 3 times in 10 million at 5",
    )  # fmt: skip
    object_contrast: float = _number(
        0.2, "Weber contrast", 0.01, 2.0,
        "an obstacle a fifth brighter than what lies behind it, a branch against a wall; "
        "common practice, no source",
    )  # fmt: skip
    object_size_px: float = _number(
        8.0, "px at 480 lines", 1.0, 64.0,
        "a 20 cm post 10 m away through a 90 degree lens on 640 px is 6 px wide, 8 m away 8 px",
    )  # fmt: skip
    transfer_curve: str = _choice(
        DEFAULT_CURVE, tuple(CURVES), "in the middle of the 1.6 to 2.4 stops a code ratio of 2 can mean"
    )
    clip_margin_codes: float = _number(
        2.0, "codes on the 8-bit scale", 0.0, 8.0, "compression makes a flat pile-up wobble by a code or two"
    )
    usable_zone_readable_percent: float = _number(
        60.0, "% of the flying zone", 1.0, 100.0,
        "a pilot threads a gap with most of the zone seen, and flies around one dark corner but not "
        "through half a picture; common practice, no source",
    )  # fmt: skip
    black_level_percent: float = _number(
        5.0, "% of level", 0.0, 50.0,
        "8 stops below white under srgb: the reference object stands out by under 2 codes; "
        "common practice, no source",
    )  # fmt: skip
    grey_range_percent: float = _number(
        5.0, "% of level, p95 - p5", 0.0, 50.0,
        "the reference object alone stands out by 5.2 % at level 60 % under srgb: a whole picture within "
        "less shows nothing",
    )  # fmt: skip
    grey_level_percent: float = _number(
        60.0, "% of level", 0.0, 100.0,
        "a flat picture this bright is washed out by glare or a lamp; darker ones count as too dark or "
        "noisy; common practice, no source",
    )  # fmt: skip
    blown_clipped_percent: float = _number(
        50.0, "% of the picture", 1.0, 100.0,
        "half of the picture at the ceiling shows nothing there at all; common practice, no source",
    )  # fmt: skip
    airtime_motion_percent_per_s: float = _number(
        3.0, "% of picture height a second", 0.0, 100.0,
        "half a pixel a frame at 480 lines and 30 a second: over twice the most a drone on the ground shows "
        "(docs/decisions/airtime.py), under any flight",
    )  # fmt: skip
    airtime_hold_s: float = _number(
        1.0, "s", 0.0, 30.0, "a nudge or a hand at the drone is shorter; common practice, no source"
    )
    frozen_hold_s: float = _number(
        0.25, "s", 0.02, 10.0,
        "recorders repeat single pictures to keep their rate; at 10 m/s a quarter second is 2.5 m flown "
        "blind; common practice, no source",
    )  # fmt: skip
    gap_join_s: float = _number(
        0.2, "s", 0.0, 5.0,
        "a picture that comes back for less than a pilot's reaction time does not end a gap; common practice, no source",
    )  # fmt: skip
    gap_least_s: float = _number(
        0.1, "s", 0.0, 5.0,
        "a shorter loss counts in the share but is no gap: three frames at 30 a second; common practice, no source",
    )  # fmt: skip
    min_effective_samples: float = _number(
        MIN_EFFECTIVE_SAMPLES, "independent samples", 8.0, 10_000.0,
        "fewer, and an interval covers the truth less often than it says: "
        "docs/decisions/bootstrap_interval.py",
    )  # fmt: skip
    confidence_percent: float = _number(
        DEFAULT_CONFIDENCE * 100,
        "%",
        50.0,
        99.9,
        "the usual level, so that two reports can be compared; common practice, no source",
    )
    tile_interval_s: float = _number(
        0.05, "s", 0.01, 0.25,
        "tiles are measured ten times a second, and more often where the light moves: the mean of more lags behind what "
        "flies past; results promise a map every quarter second or finer",
    )  # fmt: skip
    evidence_count: int = _number(6, "pictures", 0, 100, "two rows of three fit a screen; common practice, no source")
    place_s: float = _number(
        0.25, "s", 0.05, 5.0,
        "length of a place when two flights are compared: finer than what changes along a route, and about what the "
        "alignment of two flights is good for",
    )  # fmt: skip
    worth_usable_percent: float = _number(
        3.0, "% of the airtime", 0.0, 100.0,
        "two seconds in a minute of flight: less would not change which camera one flies with; common practice, no source",
    )  # fmt: skip
    worth_picture_percent: float = _number(
        2.0, "% of the picture", 0.0, 100.0,
        "four tiles of 192: the place of one obstacle and its surroundings; common practice, no source",
    )  # fmt: skip
    worth_noise_percent: float = _number(
        0.25, "% of nominal white", 0.0, 100.0, "half a code of the narrow range in 8 bits: less cannot be seen"
    )
    worth_stops: float = _number(
        0.33,
        "stop",
        0.0,
        10.0,
        "the third of a stop that cameras and light meters are set in; common practice, no source",
    )
    worth_seconds: float = _number(
        0.1,
        "s",
        0.0,
        10.0,
        "three frames at 30 a second, about half of a pilot's reaction time; common practice, no source",
    )
    fair_overlap_percent: float = _number(
        60.0, "% of the shorter flight", 0.0, 100.0,
        "most of the route, and so most of its light and dark, must be in both; common practice, no source",
    )  # fmt: skip
    fair_speed_ratio: float = _number(
        1.25, "ratio", 1.0, 4.0,
        "motion blur grows with speed: a quarter more blur is just seen; common practice, no source",
    )  # fmt: skip
    fair_level_percent: float = _number(
        15.0, "% of level", 0.0, 100.0,
        "half a stop at mid grey under srgb: more between the bright parts of two flights may be another light",
    )  # fmt: skip
    fair_lost_percent: float = _number(
        5.0, "% of the airtime", 0.0, 100.0,
        "a link that is lost more often takes away the places that tell most; common practice, no source",
    )  # fmt: skip
    fair_bit_rate_ratio: float = _number(
        1.5, "ratio", 1.0, 20.0,
        "a third fewer bits a pixel is about one step of a coder's quality scale (from memory): noise no longer compares",
    )  # fmt: skip

    def __post_init__(self) -> None:
        """Check each value against its field; whole numbers are taken where a fraction is allowed."""
        for entry in fields(self):
            default: Value = entry.default  # type: ignore[assignment]  # every field has one
            value = _checked(entry.name, getattr(self, entry.name), default, entry.metadata)
            object.__setattr__(self, entry.name, value)
        if self.tile_rows * self.tile_columns > MOST_TILES:
            grid = f"{self.tile_rows} x {self.tile_columns}"
            raise CriteriaError(
                "tile_rows", f"criteria: tile_rows x tile_columns is {grid}: expected at most {MOST_TILES} tiles"
            )

    @classmethod
    def from_mapping(cls, values: Mapping[str, object]) -> Criteria:
        """Criteria from names and values, of a file or a saved result; what is not named keeps its default.

        Raises CriteriaError for an unknown name, a wrong type, or a value out of range.
        """
        known = {entry.name for entry in fields(cls)}
        for key in values:
            if key not in known:
                raise CriteriaError.unknown(key, known)
        return cls(**dict(values))  # type: ignore[arg-type]  # __post_init__ checks each type

    def to_dict(self) -> dict[str, Value]:
        """Names and values in the order of the fields, ready for JSON; `from_mapping` reads it back."""
        return {entry.name: getattr(self, entry.name) for entry in fields(self)}

    def describe(self) -> list[Described]:
        """Every threshold with its value, unit and reason, in the order of the fields."""
        return [
            Described(entry.name, getattr(self, entry.name), entry.metadata["unit"], entry.metadata["reason"])
            for entry in fields(self)
        ]

    def changed(self) -> dict[str, Value]:
        """Names and values of the thresholds that differ from their defaults."""
        return {
            entry.name: getattr(self, entry.name)
            for entry in fields(self)
            if getattr(self, entry.name) != entry.default
        }


def load_criteria(path: Path) -> Criteria:
    """Criteria from a TOML file of `name = value` lines; what is not named keeps its default.

    Raises CriteriaError when the file cannot be read or is not TOML, and for what `from_mapping` refuses.
    """
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        cause = error.strerror or type(error).__name__
        raise CriteriaError(path.name, f"criteria: cannot read {path.name}: {cause}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        message = f"criteria: {path.name} is not valid TOML: {error}; write one 'name = value' a line"
        raise CriteriaError(path.name, message) from None
    return Criteria.from_mapping(values)


def _checked(name: str, value: object, default: Value, metadata: Mapping[str, Any]) -> Value:
    """The value in the field's own type, or CriteriaError with the value and what was expected."""
    if isinstance(default, str):
        if not isinstance(value, str) or value not in metadata["choices"]:
            expected = "one of " + ", ".join(metadata["choices"])
            raise CriteriaError(name, f"criteria: {name} is {value!r}: expected {expected}")
        return value
    low, high = metadata["low"], metadata["high"]
    whole = isinstance(default, int)
    kind = "a whole number" if whole else "a number"
    expected = f"{kind} from {low:g} to {high:g} ({metadata['unit']})"
    allowed = int if whole else (int, float)
    # bool is an int to Python, but `tile_rows = true` is a mistake; NaN fails the comparison
    if isinstance(value, bool) or not isinstance(value, allowed) or not low <= value <= high:
        raise CriteriaError(name, f"criteria: {name} is {value!r}: expected {expected}")
    return value if whole else float(value)
