"""A line of text as a small grey picture, for drawing on video frames."""

from __future__ import annotations

import warnings
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

_POINTS_PER_INCH = 72.0
_WIDE = 0.9  # of the height: room for the widest letters of a line
_CELL = 0.72  # letters' height in the line's


@lru_cache(maxsize=512)
def lettering(text: str, height: int) -> npt.NDArray[np.uint8]:
    """White text on black, [height, width] of coverage 0..255; a sign without a glyph is a box, nothing is interpreted.

    Raises ValueError for a height under 8.
    """
    if height < 8:  # noqa: PLR2004 - smaller letters are not letters
        raise ValueError(f"height is {height}: expected 8 or more pixels")
    width = max(8, int(len(text) * height * _WIDE))
    figure = Figure(
        figsize=(width / _POINTS_PER_INCH, height / _POINTS_PER_INCH), dpi=_POINTS_PER_INCH, facecolor="black"
    )
    canvas = FigureCanvasAgg(figure)
    figure.text(0, 0.25, text, color="white", fontsize=_CELL * height, va="baseline", parse_math=False)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a missing glyph is drawn as a box
        canvas.draw()  # type: ignore[no-untyped-call]
    grey = np.asarray(canvas.buffer_rgba())[:, :, 0]  # type: ignore[no-untyped-call]
    used = np.flatnonzero(grey.max(axis=0))
    return np.ascontiguousarray(grey[:, : used[-1] + 2 if used.size else 1])
