"""The light that a lens adds: what is alike over the picture, and the glow about bright sources."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from flight_material import pictures, write_flight

from fieldscore import analyse
from fieldscore.exposure_trace import ExposureTrace, exposure_trace
from fieldscore.glow import with_glow

VEIL = np.array([0.01, 0.01, np.nan, 0.02, 0.02])
ROWS = np.array([1, 3])


def test_what_a_lens_adds_is_veil_and_glow() -> None:
    """A glow of strength 2 adds twice what unit sources lay over the picture, straight between linked rows; unknown stays so."""
    found = with_glow(VEIL, ROWS, np.array([0.01, 0.03]), 2.0)
    assert found == pytest.approx([0.03, 0.03, np.nan, 0.08, 0.08], nan_ok=True)


def test_no_lens_adds_more_than_white() -> None:
    """Under a torch that fills the picture all that is added is white at the most."""
    assert np.nanmax(with_glow(VEIL, ROWS, np.array([0.5, 0.6]), 3.0)) == 1.0


def test_without_links_there_is_no_glow() -> None:
    """Where nothing is linked only the veil is left."""
    assert with_glow(VEIL, ROWS[:0], np.zeros(0), 1.0) == pytest.approx(VEIL, nan_ok=True)


def test_the_veil_of_a_flight_has_the_glow_in_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A lamp whose glow was found adds it to `veil_percent` while it is in view, in the measure of its area, and nothing before."""
    planes = pictures(45)
    for plane in planes[20:]:
        height, width = plane.shape
        cv2.circle(plane, (width // 2, height // 3), height // 12, 235, -1)
    kept: list[ExposureTrace] = []

    def glowing(*known: object) -> ExposureTrace:
        kept.append(replace(exposure_trace(*known), glow=2.0))  # type: ignore[arg-type]
        return kept[-1]

    monkeypatch.setattr(analyse, "exposure_trace", glowing)
    found = analyse.measure_flight([write_flight(tmp_path / "lamp.mp4", planes=planes)]).timeline["veil_percent"]
    added = found - 100.0 * kept[0].veil
    assert np.abs(added[:15]).max() < 0.01
    # a disc of 1/12 of the height covers 1.6 % of the picture; half of its light and more lands in it
    assert 0.8 < added[30:40].min() < added[30:40].max() < 2.0 * 1.7
