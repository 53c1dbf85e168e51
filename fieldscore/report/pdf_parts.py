"""What every report on paper has: its head, its cautions, and pictures small enough for print."""

from __future__ import annotations

import cv2
import numpy as np

from fieldscore.plots import Paper
from fieldscore.plots.paper import Picture
from fieldscore.report.cautions import CAUTIONS

_PICTURE_WIDTH = 420  # px: 170 points wide at 180 dots an inch, enough for print


def mast(paper: Paper, name: str, facts: str) -> None:
    """The head of the first page: a name, facts in a line, a rule."""
    paper.text(name, 18.0, weight="bold")
    paper.text(facts, colour="soft")
    paper.space(4.0)
    paper.line("ink", 2.0)
    paper.space(14.0)


def cautions(paper: Paper) -> None:
    """What to keep in mind before flying on a result, as on every page."""
    paper.heading("Before you fly on it")
    paper.bullets(CAUTIONS)


def decoded(data: bytes | None) -> Picture | None:
    """A JPEG picture as RGB, small enough for print; None where there is none."""
    found = None if data is None else cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_COLOR)
    if found is None:
        return None
    if found.shape[1] > _PICTURE_WIDTH:
        size = (_PICTURE_WIDTH, max(1, round(found.shape[0] * _PICTURE_WIDTH / found.shape[1])))
        found = cv2.resize(found, size, interpolation=cv2.INTER_AREA)
    return np.asarray(found[:, :, ::-1], dtype=np.uint8)
