"""Colour of a coded picture's mean: luma and colour difference to linear red, green and blue, and to CIELAB."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fieldscore.units import stops, to_linear

Doubles = npt.NDArray[np.float64]

HIGH_DEFINITION_LINES = 720  # from here on ITU-R BT.709 holds, below ITU-R BT.601 (SMPTE 296M and 170M, from memory)
_LUMA_601 = (0.299, 0.114)  # share of red and of blue in luma, ITU-R BT.601
_LUMA_709 = (0.2126, 0.0722)  # ITU-R BT.709
# Linear RGB with BT.709 primaries to XYZ, white D65 (IEC 61966-2-1, from memory)
_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_WHITE = _TO_XYZ.sum(axis=1)
_EPSILON, _KAPPA = 216.0 / 24389.0, 24389.0 / 27.0  # CIE 15, where the cube root gives way to a straight line


def linear_rgb(level: float, blue: float, red: float, lines: int, curve: str) -> Doubles:
    """Linear red, green and blue [3] of a level fraction and colour differences (fractions, -0.5 to 0.5).

    `lines` of the whole picture choose the matrix. Below black the curve goes on as an odd function.
    """
    of_red, of_blue = _LUMA_709 if lines >= HIGH_DEFINITION_LINES else _LUMA_601
    r = level + 2.0 * (1.0 - of_red) * red
    b = level + 2.0 * (1.0 - of_blue) * blue
    g = (level - of_red * r - of_blue * b) / (1.0 - of_red - of_blue)
    return to_linear([r, g, b], curve)


def stops_of_cast(light: Doubles) -> Doubles:
    """log2(R/G) and log2(B/G) [2] of linear red, green and blue; NaN where one is not positive."""
    return np.asarray(stops([light[0] / light[1], light[2] / light[1]] if light[1] > 0.0 else [np.nan, np.nan]))


def to_lab(light: Doubles) -> Doubles:
    """CIELAB L*, a*, b* [3] of linear red, green and blue with BT.709 primaries; white is equal light 1 (D65)."""
    ratio = _TO_XYZ @ light / _WHITE
    x, y, z = np.where(ratio > _EPSILON, np.cbrt(ratio), (_KAPPA * ratio + 16.0) / 116.0)
    return np.array([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)])
