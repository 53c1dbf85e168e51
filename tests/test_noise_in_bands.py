"""Noise under mains light that rolls over the picture in bands, since its rows are exposed one after another."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from frame_material import Doubles, Luma, area_of, middle, moved, noisy

from fieldscore.frame import Frame, PictureArea
from fieldscore.measures.noise import noise_left
from fieldscore.motion import registration
from fieldscore.noise import noise
from fieldscore.residual import _tile_residual, _warped_blocks, far_variance, residual
from fieldscore.sequence import chained
from fieldscore.units import CodeRange
from fieldscore.video import CodedFrame

RATE = 30.0  # frames a second
BLACK = 16.0
FLICKER_HZ = 100.0  # twice the mains
SWING = 0.1  # of the codes above black: of lamps whose light swings by 22 % under a gamma of 2.2
READOUT_S = 0.025  # from the first row to the last: two and a half bands in the picture
SIGMA = 3.0  # codes


def _mosaic() -> Doubles:
    """A scene in codes with edges enough to be followed whatever its light does."""
    cells = np.random.default_rng(0).uniform(40.0, 190.0, (36, 48))
    sharp = cv2.resize(cells, (960, 720), interpolation=cv2.INTER_NEAREST)
    return np.asarray(cv2.GaussianBlur(sharp, (0, 0), 4.0), dtype=np.float64)


BIG = _mosaic()


def _bands(number: float, rows: int, *, upward: bool = False, swing: float = SWING) -> Doubles:
    """Factor [rows, 1] of codes above black in a frame."""
    place = np.arange(rows)[:, None] / rows
    time_s = number / RATE + READOUT_S * (1.0 - place if upward else place)
    return 1.0 + swing * np.sin(2.0 * math.pi * FLICKER_HZ * time_s)


def _lit(scene: Doubles, factor: Doubles) -> Doubles:
    """A scene in codes under another light."""
    return BLACK + factor * (scene - BLACK)


def _pass(pictures: list[Luma], area: PictureArea | None = None, *, lag: int = 1) -> list[Frame]:
    """The frames of a pass, each with its noise and what is left of it over one step and two."""
    rate = RATE * lag
    found = []
    for frame in chained(
        [CodedFrame(one, None, number / rate, 8, damaged=False, file_index=0) for number, one in enumerate(pictures)],
        area or area_of(*pictures[0].shape),
        lag=lag,
        rate=rate,
    ):
        for view in (residual, far_variance, noise):
            frame.view(view)
        found.append(frame)
    return found


def _codes(frame: Frame) -> float:
    """Noise a pixel in codes, as the measure gives it."""
    return noise_left(frame)[0] / 100 * CodeRange.NARROW.span


def _scene(number: int, step: dict[str, float]) -> Doubles:
    return middle(moved(BIG, **{name: value * number for name, value in step.items()}))


def _banded(count: int, step: dict[str, float], *, upward: bool = False, swing: float = SWING) -> list[Luma]:
    """Pictures of a scene that moves on by a step, in bands of light."""
    generator = np.random.default_rng(5)
    bands = [_bands(i, 480, upward=upward, swing=swing) for i in range(count)]
    return [noisy(_lit(_scene(i, step), one), SIGMA, generator) for i, one in enumerate(bands)]


@pytest.mark.parametrize("upward", [False, True])
@pytest.mark.parametrize("step", [{}, {"right": 3.3}, {"right": 1.5, "down": -2.5}, {"zoom": 0.01}])
def test_bands_of_light_are_not_noise(step: dict[str, float], *, upward: bool) -> None:
    """Standing or moving, read from the top or from below: noise under bands is the same within 10 %, and motion's 1.5 codes."""
    found = _codes(_pass(_banded(22, step, upward=upward))[-1])
    assert found >= 0.92 * SIGMA
    assert found <= 1.10 * math.hypot(SIGMA, 1.5 if step else 0.5)


def test_frames_twice_as_far_apart_differ_by_no_more() -> None:
    """Noise that nothing carries on is as large over two steps as over one, under bands as well."""
    ratios = []
    for frame in _pass(_banded(8, {"right": 3.3}, swing=0.04))[2:]:
        near, far = frame.view(residual), frame.view(far_variance)
        assert near is not None and far is not None
        ratios.append(np.median(far) / np.median(near.variance))
    assert np.median(ratios) == pytest.approx(1.0, rel=0.1)


def test_lamps_that_light_one_half_alone() -> None:
    """Where a third is in daylight, a third under lamps and the rest in between, all read their noise within 1.5 codes more."""
    generator = np.random.default_rng(6)
    of_lamps = np.clip(np.linspace(-1.0, 2.0, 640), 0.0, 1.0)[None, :]
    pictures = [noisy(_lit(middle(BIG), 1.0 + of_lamps * (_bands(i, 480) - 1.0)), SIGMA, generator) for i in range(22)]
    variances = []
    for frame in _pass(pictures)[1:]:
        left = frame.view(residual)
        assert left is not None
        variances.append(left.variance.reshape(12, 16))
    sigma = np.sqrt(np.median(variances, axis=0) * frame.area.block_pixels)
    for third in np.split(sigma[:, :15], 3, axis=1):
        assert 0.95 * SIGMA <= np.median(third) <= SIGMA + 1.5


def test_something_moving_by_itself_under_bands() -> None:
    """A patch that flies through a quarter of the picture hides neither the bands nor the noise, which is read within a quarter."""
    generator = np.random.default_rng(10)
    pictures = []
    for i in range(22):
        scene = np.array(middle(BIG))
        left = 20 + 12 * i % 300
        scene[100:340, left : left + 320] = 60 + 80 * (np.indices((240, 320)).sum(axis=0) // 16 % 2)
        pictures.append(noisy(_lit(scene, _bands(i, 480)), SIGMA, generator))
    assert _codes(_pass(pictures)[-1]) == pytest.approx(SIGMA, rel=0.25)


def test_overlay_over_bands() -> None:
    """Text that stands still over three quarters of some rows and all of others does not move the bands of the rest."""
    overlay = np.zeros((480, 640), dtype=np.bool_)
    overlay[40:88, 80:560] = overlay[400:440] = True
    pictures = _banded(22, {"right": 3.3})
    for picture in pictures:
        picture[overlay] = 235
    found = _codes(_pass(pictures, area_of(overlay=overlay))[-1])
    assert 0.95 * SIGMA <= found <= 1.10 * math.hypot(SIGMA, 1.5)


def test_fields_under_bands() -> None:
    """Fields are each compared with the one of their parity, in other bands, and read their noise within 15 %."""
    generator = np.random.default_rng(7)
    pictures = []
    for i in range(40):
        pictures.append(noisy(_lit(middle(BIG), _bands(i / 2, 480))[i % 2 :: 2], SIGMA, generator))
    found = _codes(_pass(pictures, area_of(480, 640).for_fields(), lag=2)[-1])
    assert found == pytest.approx(SIGMA, rel=0.15)


@pytest.mark.parametrize("brighter", [1.0, 1.02])
def test_one_light_over_all_has_no_bands(brighter: float) -> None:
    """Where the whole picture brightens, or stays, rows have no part of their own: noise is told as without bands."""
    generator = np.random.default_rng(9)
    pictures = [
        noisy(_lit(0.7 * _scene(i, {"right": 3.3}), np.array(brighter**i)), SIGMA, generator) for i in range(12)
    ]
    frames = _pass(pictures)
    for before, frame in zip(frames, frames[1:], strict=False):
        found = frame.view(registration)
        assert found is not None
        motion = np.array([*found.shift, found.zoom, found.roll])
        assert _warped_blocks(frame, before, motion)[1] is None


def test_what_bands_changed_takes_its_share_of_noise() -> None:
    """White noise has one variance within 2 %, with bands fitted or not, and then nothing is left of bands, however strong."""
    generator = np.random.default_rng(11)
    banded = np.tile(100.0 * (_bands(0, 60) - 1.0), (5, 400)).astype(np.float32)
    now, before = (generator.standard_normal((300, 400)).astype(np.float32) for _ in range(2))
    # both are a little too high, for the slopes of noise explain less than those of a scene
    plain, fitted = (_tile_residual(now, before, one)[0].mean() for one in (None, banded))
    assert fitted == pytest.approx(plain, rel=0.02)
    share = np.repeat(np.linspace(0.0, 2.0, 80, dtype=np.float32), 5)
    assert _tile_residual(now + share * banded, before, banded)[0].mean() == pytest.approx(plain, rel=0.1)
    assert _tile_residual(now + share * banded, before)[0].mean() > 2.0 * plain
