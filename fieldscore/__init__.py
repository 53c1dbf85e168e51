"""fieldscore: how usable an FPV recording was, where it was lost, and why.

The public names are imported lazily, so that `import fieldscore` costs nothing until a clip is measured.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from fieldscore.analyse import measure_flight as measure_flight
    from fieldscore.criteria import Criteria as Criteria
    from fieldscore.criteria import load_criteria as load_criteria
    from fieldscore.record import FlightRecord as FlightRecord
    from fieldscore.score import Score as Score
    from fieldscore.score import score_flight as score_flight
    from fieldscore.timeline import Timeline as Timeline

_HOME = {
    "measure_flight": "fieldscore.analyse",
    "Criteria": "fieldscore.criteria",
    "load_criteria": "fieldscore.criteria",
    "FlightRecord": "fieldscore.record",
    "Score": "fieldscore.score",
    "score_flight": "fieldscore.score",
    "Timeline": "fieldscore.timeline",
}

__all__ = ["__version__", *sorted(_HOME)]


def __getattr__(name: str) -> Any:
    """Import a public name from its home on first use."""
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    raise AttributeError(f"module 'fieldscore' has no attribute '{name}'")
