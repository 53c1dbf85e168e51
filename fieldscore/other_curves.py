"""The reference object under the tone curves that a camera may have: how much farther it stands out than was measured. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.units import contrast_step

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

# The level fraction below which a tile counts as that (docs/decisions/black_seen.py)
_LEAST_LEVEL = 0.02
# Levels at which it is computed: a hundredth of the range apart, between which it is all but straight
_LEVELS = np.linspace(0.0, 1.2, 121)


class StandsOut:
    """How many times as far as was measured the reference object stands out of a tile, by the tile's level.

    `black`: level fraction by which black is set down below where it is coded. `curves`: those that the camera may have beside
    the one that was measured under.
    """

    def __init__(self, criteria: Criteria, black: float, curves: Sequence[str]) -> None:
        above, contrast, own = np.maximum(_LEVELS, _LEAST_LEVEL), criteria.object_contrast, criteria.transfer_curve
        measured = contrast_step(above, contrast, own)
        under = np.array([contrast_step(above + black, contrast, one) / measured for one in (own, *curves)])
        self._own, self._least, self._most = under[0], under.min(axis=0), under.max(axis=0)

    def under_own(self, level: Doubles) -> Doubles:
        """Under the curve measured under, at level fractions above the floor, of any shape."""
        return np.asarray(np.interp(level, _LEVELS, self._own))

    def at_ends(self, level: Doubles) -> tuple[Floats, Floats]:
        """Under the curve by which it stands out the least, and the most, as a share of `under_own`."""
        least, most = (
            np.interp(level, _LEVELS, one / self._own).astype(np.float32) for one in (self._least, self._most)
        )
        return least, most
