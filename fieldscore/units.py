"""Code value, level, linear light, stops and decibels: every conversion between them, and each constant.

Every function is vectorised: it takes a number or an array of any shape and returns a float64 array of that
shape (zero-dimensional for a number; `float()` makes it a plain one). NaN in is NaN out. No function warns.

Words: a *code value* is the coded luma as stored; a *level* is the signal in %, 0 nominal black, 100 nominal
white; a *level fraction* is the level / 100; *linear light* is relative to the light that gives level 100.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

HLG = "hlg"  # the curve that a recording has only where its file says so
PQ = "pq"  # a tag of a curve that is not measured under: its levels are absolute light (SMPTE ST 2084)
PERCENT = 100.0  # level in % of a level fraction of 1
DECIBEL_PER_DECADE = 20.0  # dB for a factor of ten in a signal (not a power) ratio, ISO 15739 usage
DECIBEL_PER_STOP = DECIBEL_PER_DECADE * float(np.log10(2.0))  # 6.0206 dB
QUANTISATION_VARIANCE = 1.0 / 12.0  # squared codes; the rounding error is uniform over one code (EMVA 1288)

# IEC 61966-2-1 (sRGB), constants from memory
_SRGB_SLOPE = 12.92  # slope of the straight part, level fraction a unit of light
_SRGB_OFFSET = 0.055  # level fraction
_SRGB_GAMMA = 2.4
_SRGB_KNEE = 0.04045  # level fraction where the straight part ends
# ITU-R BT.709 with the constants that join both parts without a step (12-bit form of BT.2020, from memory)
_BT709_SLOPE = 4.5
_BT709_ALPHA = 1.09929682680944
_BT709_BETA = 0.018053968510807  # linear light where the straight part ends
_BT709_POWER = 0.45
# ITU-R BT.2100-2 table 5 (hybrid log-gamma), scene light 1 at signal 1; ARIB STD-B67 has the same curve on light 12 times that
_HLG_A = 0.17883277
_HLG_B = 1.0 - 4.0 * _HLG_A
_HLG_C = 0.5 - _HLG_A * float(np.log(4.0 * _HLG_A))
_HLG_KNEE = 0.5  # level fraction where the square root ends
_BT1886_GAMMA = 2.4  # ITU-R BT.1886 (2011) with black at zero light
_PLAIN_GAMMA = 2.2  # the assembly gamma of 525-line television; common practice, no source


class CodeRange(Enum):
    """Which code values stand for nominal black and white; black and white are on the 8-bit scale.

    NARROW is 16..235 (ITU-R BT.601), FULL is 0..255. `CodeRange("narrow")` reads a tag.
    """

    NARROW = "narrow"
    FULL = "full"

    @property
    def black(self) -> float:
        """Code of nominal black on the 8-bit scale."""
        return 16.0 if self is CodeRange.NARROW else 0.0

    @property
    def white(self) -> float:
        """Code of nominal white on the 8-bit scale."""
        return 235.0 if self is CodeRange.NARROW else 255.0

    @property
    def span(self) -> float:
        """Codes from black to white on the 8-bit scale."""
        return self.white - self.black

    def scale(self, bits: int) -> float:
        """Codes of a `bits` deep picture for one code on the 8-bit scale.

        Narrow range shifts (16 becomes 64 at 10 bit); full range stretches, so that the highest code stays
        white (255 becomes 1023): the integer representations of ITU-T H.273 (from memory). Raises ValueError
        under 8 bit.
        """
        if bits < 8:  # luma is never stored coarser
            raise ValueError(f"bits is {bits}: expected 8 or more")
        return float(2 ** (bits - 8)) if self is CodeRange.NARROW else (2**bits - 1) / 255.0


def to_eight_bit(code: npt.ArrayLike, code_range: CodeRange, bits: int) -> FloatArray:
    """Native code values of a `bits` deep picture on the 8-bit scale, fractions kept."""
    return np.asarray(np.asarray(code, dtype=np.float64) / code_range.scale(bits))


def from_eight_bit(code: npt.ArrayLike, code_range: CodeRange, bits: int) -> FloatArray:
    """Code values on the 8-bit scale as native code values of a `bits` deep picture, not rounded."""
    return np.asarray(np.asarray(code, dtype=np.float64) * code_range.scale(bits))


def code_to_level(code: npt.ArrayLike, code_range: CodeRange, bits: int = 8) -> FloatArray:
    """Level in % of code values; below 0 and above 100 stay as they are.

    `code` is in the native depth `bits`; leave `bits` at 8 for codes already on the 8-bit scale.
    """
    return np.asarray((to_eight_bit(code, code_range, bits) - code_range.black) * (PERCENT / code_range.span))


def level_to_code(level_percent: npt.ArrayLike, code_range: CodeRange, bits: int = 8) -> FloatArray:
    """Code values, not rounded and in the depth `bits`, of levels in %. Inverse of `code_to_level`."""
    level = np.asarray(level_percent, dtype=np.float64)
    return from_eight_bit(code_range.black + level * (code_range.span / PERCENT), code_range, bits)


def codes_to_percent(codes: npt.ArrayLike, code_range: CodeRange, bits: int = 8) -> FloatArray:
    """A *difference* (step, noise) in codes of depth `bits` as a difference in % of level."""
    return np.asarray(to_eight_bit(codes, code_range, bits) * (PERCENT / code_range.span))


@dataclass(frozen=True)
class Curve:
    """A transfer curve: both directions on values of 0 or more, what it is, and its source."""

    name: str
    summary: str
    source: str
    forward: Callable[[FloatArray], FloatArray]  # level fraction >= 0 to linear light
    inverse: Callable[[FloatArray], FloatArray]  # linear light >= 0 to level fraction


def _srgb_to_linear(value: FloatArray) -> FloatArray:
    curved = ((value + _SRGB_OFFSET) / (1.0 + _SRGB_OFFSET)) ** _SRGB_GAMMA
    return np.where(value <= _SRGB_KNEE, value / _SRGB_SLOPE, curved)


def _srgb_from_linear(light: FloatArray) -> FloatArray:
    curved = (1.0 + _SRGB_OFFSET) * light ** (1.0 / _SRGB_GAMMA) - _SRGB_OFFSET
    return np.where(light <= _SRGB_KNEE / _SRGB_SLOPE, light * _SRGB_SLOPE, curved)


def _bt709_to_linear(value: FloatArray) -> FloatArray:
    curved = ((value + _BT709_ALPHA - 1.0) / _BT709_ALPHA) ** (1.0 / _BT709_POWER)
    return np.where(value < _BT709_SLOPE * _BT709_BETA, value / _BT709_SLOPE, curved)


def _bt709_from_linear(light: FloatArray) -> FloatArray:
    curved = _BT709_ALPHA * light**_BT709_POWER - (_BT709_ALPHA - 1.0)
    return np.where(light < _BT709_BETA, light * _BT709_SLOPE, curved)


def _hlg_to_linear(value: FloatArray) -> FloatArray:
    curved = (np.exp((np.maximum(value, _HLG_KNEE) - _HLG_C) / _HLG_A) + _HLG_B) / 12.0
    return np.where(value <= _HLG_KNEE, value**2 / 3.0, curved)


def _hlg_from_linear(light: FloatArray) -> FloatArray:
    curved = _HLG_A * np.log(np.maximum(12.0 * light, 1.0) - _HLG_B) + _HLG_C
    return np.where(light <= _HLG_KNEE**2 / 3.0, np.sqrt(3.0 * light), curved)


def _power_curve(name: str, gamma: float, summary: str, source: str) -> Curve:
    return Curve(
        name=name,
        summary=summary,
        source=source,
        forward=lambda value: np.asarray(value**gamma),
        inverse=lambda light: np.asarray(light ** (1.0 / gamma)),
    )


_ALL_CURVES = (
    Curve(
        "srgb",
        "the sRGB curve: a straight toe, then close to gamma 2.2; a code ratio of 2 is 2.0 stops",
        "IEC 61966-2-1 (from memory)",
        _srgb_to_linear,
        _srgb_from_linear,
    ),
    Curve(
        "bt709",
        "the inverse of the camera curve of BT.709: light at the sensor if the camera keeps to it; "
        "a code ratio of 2 is 1.6 stops",
        "ITU-R BT.709, constants in the continuous form",
        _bt709_to_linear,
        _bt709_from_linear,
    ),
    _power_curve(
        "bt1886",
        _BT1886_GAMMA,
        "the display curve, gamma 2.4 with black at zero light; a code ratio of 2 is 2.4 stops",
        "ITU-R BT.1886 (2011)",
    ),
    _power_curve(
        "gamma22",
        _PLAIN_GAMMA,
        "plain gamma 2.2; a code ratio of 2 is 2.2 stops",
        "common practice, no source",
    ),
    Curve(
        HLG,
        "the inverse of the camera curve of hybrid log-gamma: a square root up to half level, a logarithm above; "
        "a code ratio of 2 is 2.0 stops, 3.6 at the top",
        "ITU-R BT.2100-2 table 5",
        _hlg_to_linear,
        _hlg_from_linear,
    ),
)

CURVES: Mapping[str, Curve] = MappingProxyType({curve.name: curve for curve in _ALL_CURVES})
"""The transfer curves by name."""

# The true curve of a goggle recording is unknown. A code ratio of 2 (codes 100 and 50, full range) is 1.63
# stops under bt709, 2.00 under srgb, 2.20 under gamma22 and 2.40 under bt1886: srgb lies in the middle of
# that spread, so a figure under it is off by about a fifth at most, whichever of them is the true one.
DEFAULT_CURVE = "srgb"


def curves_of(transfer_tag: str | None) -> tuple[str, ...]:
    """The names of the curves that a recording may have; hybrid log-gamma only by the stream's tag."""
    return tuple(name for name in CURVES if name != HLG or transfer_tag == HLG)


def curve_named(name: str) -> Curve:
    """The curve of that name; ValueError naming the known ones when there is none."""
    try:
        return CURVES[name]
    except KeyError:
        raise ValueError(f"unknown transfer curve '{name}': expected one of {', '.join(CURVES)}") from None


def to_linear(level_fraction: npt.ArrayLike, curve: str = DEFAULT_CURVE) -> FloatArray:
    """Linear light, relative to white, of level fractions under the named curve.

    Below black the curve goes on as an odd function, f(-v) = -f(v): noise around black then averages to
    black, where a clamp would lift the mean of every dark tile, and the way back stays exact. Above white the
    formula goes on. Raises ValueError for an unknown curve.
    """
    value = np.asarray(level_fraction, dtype=np.float64)
    return np.asarray(np.copysign(curve_named(curve).forward(np.abs(value)), value))


def from_linear(light: npt.ArrayLike, curve: str = DEFAULT_CURVE) -> FloatArray:
    """Level fractions of linear light under the named curve. Inverse of `to_linear`, odd below zero."""
    value = np.asarray(light, dtype=np.float64)
    return np.asarray(np.copysign(curve_named(curve).inverse(np.abs(value)), value))


def contrast_step(level_fraction: npt.ArrayLike, weber: float, curve: str = DEFAULT_CURVE) -> FloatArray:
    """How far an object stands out of its background, as a difference of level fractions.

    The object is brighter by the Weber contrast `weber` in linear light (negative: darker, down to -1, no
    light at all). At and below black there is no light to be a share of, so the step is 0. Nothing is clipped
    at white: what the ceiling cuts off is the caller's to say. Raises ValueError for a weber under -1.
    """
    if not weber >= -1.0:
        raise ValueError(f"Weber contrast is {weber}: expected -1 (no light) or more")
    value = np.maximum(np.asarray(level_fraction, dtype=np.float64), 0.0)
    return np.asarray(from_linear(to_linear(value, curve) * (1.0 + weber), curve) - value)


def stops(ratio: npt.ArrayLike) -> FloatArray:
    """log2 of a ratio of linear light; NaN where the ratio is zero or negative (not measurable)."""
    return _positive_log(ratio, np.log2)


def stops_between(low_fraction: npt.ArrayLike, high_fraction: npt.ArrayLike, curve: str = DEFAULT_CURVE) -> FloatArray:
    """Stops from one level fraction up to another under the named curve; NaN where one is not above black."""
    return np.asarray(stops(to_linear(high_fraction, curve)) - stops(to_linear(low_fraction, curve)))


def stops_to_ratio(value_stops: npt.ArrayLike) -> FloatArray:
    """The ratio of linear light of so many stops."""
    return np.asarray(np.exp2(np.asarray(value_stops, dtype=np.float64)))


def decibels(ratio: npt.ArrayLike) -> FloatArray:
    """20 log10 of a signal ratio, in dB; NaN where the ratio is zero or negative."""
    return np.asarray(DECIBEL_PER_DECADE * _positive_log(ratio, np.log10))


def stops_to_decibels(value_stops: npt.ArrayLike) -> FloatArray:
    """dB of so many stops, 6.0206 dB each."""
    return np.asarray(DECIBEL_PER_STOP * np.asarray(value_stops, dtype=np.float64))


def _positive_log(ratio: npt.ArrayLike, logarithm: np.ufunc) -> FloatArray:
    value = np.asarray(ratio, dtype=np.float64)
    return np.asarray(logarithm(np.where(value > 0.0, value, np.nan)), dtype=np.float64)
