"""The interval behind times that a coarse clock has rounded, some late, some lost. Pure."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

# A step counts for the interval within this share of a whole number of median steps: well under the half at which it
# could be one or the next, and over what rounding does at 240 frames a second, where 1 ms makes 4 and 5 ms of 4.17.
_REGULAR_SHARE = 0.3
_MOST_INTERVALS = 4  # of a step: over a longer one the median's own rounding could miscount them by one


def usual_interval(steps: npt.NDArray[np.float64]) -> float:
    """The interval behind steps [n] of any unit, n > 0: the mean of those that are whole numbers of it.

    A clock of 1 ms shows 30 frames a second as 33, 33, 34 ms; their median alone would be 30.3 a second. A lost frame
    counts as the two steps it leaves; a frame out of its time, and a pause, count for nothing. The median where none counts.
    """
    median = float(np.median(steps))
    if not median > 0.0:
        return median
    whole = np.rint(steps / median)
    regular = (np.abs(steps / median - whole) <= _REGULAR_SHARE) & (whole >= 1) & (whole <= _MOST_INTERVALS)
    return float(steps[regular].sum() / whole[regular].sum()) if regular.any() else median
