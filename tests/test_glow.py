"""Glow of bright sources in the light that a lens adds, against made links."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldscore.exposure_trace import exposure_trace
from fieldscore.link_fit import EFFECTS, GLOW, ExposureLink, Surfaces, fit, packed_effects

SHINE = 0.04  # light that the glow of unit sources lays over the picture


def links_under_a_lamp(first: int, count: int, shine: float, *, veil: float = 0.0) -> list[ExposureLink]:
    """Links three rows apart of a steady camera, from a row on, whose glow of strength 1 is certain.

    `veil`: light that comes within each of them and is gone before the next.
    """
    light = 2.0 ** np.random.default_rng(2).uniform(-6.0, -3.0, 400)
    glows = np.zeros((EFFECTS, 3 + EFFECTS))
    glows[GLOW, 2] = glows[GLOW, 3 + GLOW] = 500.0
    found = []
    for number in range(count):
        row = first + 3 * number
        link = fit(row, row + 3, Surfaces(light, light + veil, shine=shine))
        assert link is not None
        found.append(replace(link, effects=packed_effects(glows)))
    return found


def test_what_a_lens_adds_is_veil_and_glow() -> None:
    """Under a lamp all the veil is its glow's mean, from the first row on; after a cut into the dark there is none, at once."""
    links = [*links_under_a_lamp(0, 20, SHINE), *links_under_a_lamp(63, 20, 0.0)]
    found = exposure_trace(links, np.full(124, np.nan))
    assert found.glow == pytest.approx(1.0, rel=0.05)
    assert found.veil[:61] == pytest.approx(np.full(61, found.glow * SHINE), rel=0.02)
    assert np.isnan(found.veil[61:63]).all()
    assert found.veil[63:] == pytest.approx(np.zeros(61), abs=1e-6)


def test_glow_counts_in_full_where_veil_comes_with_it() -> None:
    """A link's shine is of the light in its middle; the veil that comes meanwhile is in that and takes nothing from the glow."""
    without, veiled = (
        exposure_trace(links_under_a_lamp(0, 1, SHINE, veil=one), np.full(4, np.nan)) for one in (0.0, 0.06)
    )
    alike = veiled.veil[3] - veiled.veil[0]
    assert alike > 0.02
    assert veiled.veil[0] == pytest.approx(without.veil[0], rel=0.08)


def test_no_lens_adds_more_than_white() -> None:
    """Under a torch that fills the picture all that is added is white at the most."""
    assert exposure_trace(links_under_a_lamp(0, 5, 3.0), np.full(16, np.nan)).veil.max() == 1.0
