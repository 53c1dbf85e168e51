"""A flight simulator with known truth: what every measure is judged against, and where the demo clips come
from."""

from fieldscore.simulate.demo import DEMOS, Demo, write_demo
from fieldscore.simulate.model import CameraModel, Chain, Flash, FlightPlan, LinkLoss, OsdItem
from fieldscore.simulate.run import simulate
from fieldscore.simulate.truth import TrueEvent, Truth, load_truth

__all__ = [
    "DEMOS",
    "CameraModel",
    "Chain",
    "Demo",
    "Flash",
    "FlightPlan",
    "LinkLoss",
    "OsdItem",
    "TrueEvent",
    "Truth",
    "load_truth",
    "simulate",
    "write_demo",
]
