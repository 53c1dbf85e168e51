"""Colour of a coded picture's mean: luma and colour difference to linear red, green and blue, and to CIELAB."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fieldscore.units import stops, to_linear

Doubles = npt.NDArray[np.float64]

HIGH_DEFINITION_LINES = 720  # from here on ITU-R BT.709 holds, below ITU-R BT.601 (SMPTE 296M and 170M, from memory)
# Share of red and of blue in luma, ITU-R BT.601, BT.709 and BT.2020 (not of constant luminance)
_LUMA = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722), "bt2020": (0.2627, 0.0593)}
# Linear RGB with BT.709 primaries to XYZ, white D65 (IEC 61966-2-1, from memory)
_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_WHITE = _TO_XYZ.sum(axis=1)
_EPSILON, _KAPPA = 216.0 / 24389.0, 24389.0 / 27.0  # CIE 15, where the cube root gives way to a straight line


def matrix_of(tag: str | None, lines: int) -> str:
    """The matrix in force: the stream's tag, or what goes with so many lines of the whole picture where it has none."""
    return tag or ("bt709" if lines >= HIGH_DEFINITION_LINES else "bt601")


def linear_rgb(level: float, blue: float, red: float, matrix: str, curve: str) -> Doubles:
    """Linear red, green and blue [3] of a level fraction and colour differences (fractions, -0.5 to 0.5).

    `matrix` is "bt601", "bt709" or "bt2020". Below black the curve goes on as an odd function.
    """
    of_red, of_blue = _LUMA[matrix]
    r = level + 2.0 * (1.0 - of_red) * red
    b = level + 2.0 * (1.0 - of_blue) * blue
    g = (level - of_red * r - of_blue * b) / (1.0 - of_red - of_blue)
    return to_linear([r, g, b], curve)


def stops_of_cast(light: Doubles) -> Doubles:
    """log2(R/G) and log2(B/G) [2] of linear red, green and blue; NaN where one is not positive."""
    return np.asarray(stops([light[0] / light[1], light[2] / light[1]] if light[1] > 0.0 else [np.nan, np.nan]))


def colour_difference(first: Doubles, second: Doubles) -> float:
    """CIEDE2000 difference of two CIELAB colours [3] (ISO/CIE 11664-6; Sharma, Wu and Dalal, Color Res. Appl. 30:21, 2005)."""
    (l1, a1, b1), (l2, a2, b2) = (np.asarray(one, dtype=np.float64).tolist() for one in (first, second))
    grey = _chroma_weight((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2.0)
    stretch = 1.5 - 0.5 * grey
    c1, c2 = float(np.hypot(a1 * stretch, b1)), float(np.hypot(a2 * stretch, b2))
    h1, h2 = (np.degrees(np.arctan2(b, a * stretch)) % 360.0 for a, b in ((a1, b1), (a2, b2)))
    lightness, chroma = (l1 + l2) / 2.0, (c1 + c2) / 2.0
    turn, hue = 0.0, float(h1 + h2)  # without chroma there is no hue: the other's counts
    if c1 * c2 > 0.0:
        turn = float((h2 - h1 + 180.0) % 360.0 - 180.0)
        hue = float(h1 + turn / 2.0) % 360.0
    of_hue = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2.0))
    terms = ((1, -30.0, -0.17), (2, 0.0, 0.24), (3, 6.0, 0.32), (4, -63.0, -0.20))
    shape = 1.0 + sum(weight * np.cos(np.radians(times * hue + phase)) for times, phase, weight in terms)
    from_middle = (lightness - 50.0) ** 2
    d_l = (l2 - l1) / (1.0 + 0.015 * from_middle / np.sqrt(20.0 + from_middle))
    d_c = (c2 - c1) / (1.0 + 0.045 * chroma)
    d_h = of_hue / (1.0 + 0.015 * chroma * shape)
    bend = 60.0 * np.exp(-(((hue - 275.0) / 25.0) ** 2))
    twist = -np.sin(np.radians(bend)) * 2.0 * _chroma_weight(chroma)
    return float(np.sqrt(d_l**2 + d_c**2 + d_h**2 + twist * d_c * d_h))


def _chroma_weight(chroma: float) -> float:
    """Rises from 0 for greys to 1 for strong colours."""
    return float(np.sqrt(chroma**7 / (chroma**7 + 25.0**7)))


def to_lab(light: Doubles) -> Doubles:
    """CIELAB L*, a*, b* [3] of linear red, green and blue with BT.709 primaries; white is equal light 1 (D65)."""
    ratio = _TO_XYZ @ light / _WHITE
    x, y, z = np.where(ratio > _EPSILON, np.cbrt(ratio), (_KAPPA * ratio + 16.0) / 116.0)
    return np.array([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)])
