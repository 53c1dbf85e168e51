"""What the alignment of two flights is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True)
class Alignment:
    """Matched places of two flights, [p] each in the order of flight; `reason` says why a route was refused."""

    same_route: bool
    confidence: float
    overlap_share: float
    time_a_s: npt.NDArray[np.float64]
    time_b_s: npt.NDArray[np.float64]
    place_confidence: npt.NDArray[np.float64]
    reason: str | None
