"""Bands of mains light: how many a picture holds, and what they take from links between frames."""

from __future__ import annotations

import math
from itertools import count as numbers

import cv2
import numpy as np
import pytest
from frame_material import Doubles, area_of, middle, moved, noisy

from fieldscore import bands
from fieldscore.link_fit import Surfaces, fit
from fieldscore.links import Linker
from fieldscore.noise import noise_curve
from fieldscore.sequence import chained
from fieldscore.video import CodedFrame

ROWS, RATE, LAMP_HZ = 54, 30.0, 100.0


def _change(held: float, phase: float, swing: float = 0.3) -> Doubles:
    """Factor [rows] by which light changes from one frame to the next where a picture holds so many bands."""
    turns = 2.0 * math.pi * held * (np.arange(ROWS) + 0.5) / ROWS
    after, before = (1.0 + swing * np.sin(turns + one) for one in (phase + 2.0 * math.pi / 3.0, phase))
    return np.asarray(after / before)


@pytest.mark.parametrize("held", [1.6, 2.2, 3.0, 4.5])
def test_bands_are_counted(held: float) -> None:
    """Two pairs of frames tell how many there are within a seventh of a band; one pair is not enough."""
    seen = bands.followed(None, _change(held, 0.4))
    assert bands.count(seen) is None
    found = bands.count(bands.followed(seen, _change(held, 2.5)))
    assert found == pytest.approx(held, abs=0.15)


def test_fewer_bands_than_can_be_told_are_none() -> None:
    """Four fifths of a band may be a lamp's cone."""
    seen = None
    for phase in (0.4, 2.5, 4.6):
        seen = bands.followed(seen, _change(0.8, phase))
    assert bands.count(seen) is None


def test_bands_are_forgotten() -> None:
    """Two seconds, the run-up of a part of a flight, after the last there are none; where there were none nothing is kept."""
    seen = None
    for phase in np.arange(0.0, 20.0, 0.7):
        seen = bands.followed(seen, _change(2.2, phase))
    assert bands.count(seen) is not None
    for _ in range(10):
        seen = bands.followed(seen, None)
    assert bands.count(seen) is None
    assert bands.followed(None, None) is None
    assert bands.count(None) is None


def _streaming(over_s: float, phase: float, *, banded: bool, least: float) -> float:
    """Error of a link, in stops, between surfaces below a height that stream down through 2.2 bands as exposure opens."""
    generator = np.random.default_rng(1)
    now = generator.uniform(least, 1.0, 1200)
    was = least - 0.05 + (now - least + 0.05) / 1.25
    later = phase + 2.0 * math.pi * LAMP_HZ * over_s
    light = generator.uniform(0.02, 0.3, 1200)
    old, new = (
        light * (1.0 + 0.25 * np.sin(2.0 * math.pi * 2.2 * places + turned))
        for places, turned in ((was, phase), (now, later))
    )
    shapes = bands.of_surfaces(2.2, was, now, over_s) if banded else None
    link = fit(0, 3, Surfaces(old, new * 2.0**0.1, banded=shapes))
    assert link is not None
    return link.change - 0.1


@pytest.mark.parametrize(("over_s", "least"), [(0.1, 0.45), (0.1001, 0.3), (0.1335, 0.3)])
def test_exposure_does_not_run_off_under_bands(over_s: float, least: float) -> None:
    """Whether they stand in linked frames or roll on, at any phase a link is off by under 0.01 stop; by 0.04 without at some."""
    phases = np.arange(8) * math.pi / 4.0
    found, without = (
        [_streaming(over_s, one, banded=fitted, least=least) for one in phases] for fitted in (True, False)
    )
    assert np.abs(found).max() < 0.01
    assert np.abs(without).max() > 0.04


def _scene() -> Doubles:
    cells = np.random.default_rng(0).uniform(60.0, 200.0, (36, 48))
    sharp = cv2.resize(cells, (960, 720), interpolation=cv2.INTER_NEAREST)
    return np.asarray(cv2.GaussianBlur(sharp, (0, 0), 4.0), dtype=np.float64)


def _trace(*, told: bool) -> float:
    """Stops that a camera of fixed exposure seems to have moved by in a second and a half, flying on under bands of light."""
    scene, generator, linker = _scene(), np.random.default_rng(5), Linker()
    place = np.arange(480)[:, None] / 480

    def picture(number: int) -> CodedFrame:
        swing = 1.0 + 0.1 * np.sin(2.0 * math.pi * LAMP_HZ * (number / RATE + 0.022 * place))
        codes = 16.0 + swing * (middle(moved(scene, zoom=0.02 * number)) - 16.0)
        return CodedFrame(noisy(codes, 1.5, generator), None, number / RATE, 8, damaged=False, file_index=0)

    for frame in chained(
        [picture(number) for number, _ in zip(numbers(), range(46), strict=False)], area_of(480, 640), rate=RATE
    ):
        curve = frame.view(noise_curve)
        linker.add(frame, bands.count(curve.bands) if told and curve is not None else None)
    links = linker.results()[0]
    assert links[-1].after == 45
    return sum(link.change for link in links)


def test_links_of_pictures_in_bands() -> None:
    """From pictures to links: counted where noise is measured, fitted where surfaces are followed."""
    found, without = _trace(told=True), _trace(told=False)
    assert abs(found) < 0.5 * abs(without)
