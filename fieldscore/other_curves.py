"""The reference object under the tone curves that a camera may have: how much farther it stands out than was measured. Pure."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fieldscore.criteria import Criteria
from fieldscore.units import HLG, contrast_step

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

# The level fraction below which a tile counts as that (docs/decisions/black_seen.py)
_LEAST_LEVEL = 0.02
_LEAST_ROOM = 1e-3  # up to white, level fraction
# Levels at which it is computed: a hundredth of the range apart, between which it is all but straight
_LEVELS = np.linspace(0.0, 1.2, 121)


def curve_ends(transfer_tag: str | None, own: str) -> tuple[str, str]:
    """The curves under which an object stands out the least and the most, of those that a recording measured under `own` may have.

    Of the standard ones these are the same two at every level. A file that says HLG has that, which is the first then, against
    the one measured under: which of them is the least depends on the level.
    """
    if transfer_tag == HLG:
        return HLG, own
    return "bt1886", "bt709"


class StandsOut:
    """How many times as far as was measured the reference object stands out of a tile, by the tile's level.

    `black`: level fraction by which black is set down below where it is coded. `ends`: the curves by which least and most is
    readable (`curve_ends`). What white cuts off the object is cut off under each.
    """

    def __init__(self, criteria: Criteria, black: float, ends: tuple[str, str]) -> None:
        above, contrast, own = np.maximum(_LEVELS, _LEAST_LEVEL), criteria.object_contrast, criteria.transfer_curve
        room = np.maximum(1.0 - above, _LEAST_ROOM)
        steps = [contrast_step(above + black, contrast, one) for one in (own, *ends)]
        self._own = steps[0] / contrast_step(above, contrast, own)
        self._least, self._most = (np.minimum(one, room) / np.minimum(steps[0], room) for one in steps[1:])
        # measured under it though the file does not say so: it goes beyond the standard ones
        if own == HLG and HLG not in ends:
            self._least, self._most = np.minimum(self._least, 1.0), np.maximum(self._most, 1.0)

    def under_own(self, level: Doubles) -> Doubles:
        """Under the curve measured under, at level fractions above the floor, of any shape."""
        return np.asarray(np.interp(level, _LEVELS, self._own))

    def at_ends(self, level: Doubles) -> tuple[Floats, Floats]:
        """Under the curve by which it stands out the least, and the most, as a share of `under_own`."""
        least, most = (np.interp(level, _LEVELS, one).astype(np.float32) for one in (self._least, self._most))
        return least, most
