"""Noise of a link that breaks up: blocks from elsewhere are no noise of the camera's."""

from __future__ import annotations

import numpy as np
import pytest
from frame_material import Luma, broken, chain, middle, moved, noisy, texture

from fieldscore.frame import Frame
from fieldscore.noise import noise, noise_curve

BIG = texture(720, 960)
SOUND, BROKEN = 31, 24  # frames, 30 a second: five measurements, and four that fall into blocks
SIGMA = 2.0


def _flown(count: int, sigma: float = SIGMA) -> list[Luma]:
    """Pictures of a scene flown over, with noise of so many codes."""
    generator = np.random.default_rng(5)
    return [noisy(middle(moved(BIG, right=2.0 * number)), sigma, generator) for number in range(count)]


def _codes(frame: Frame) -> float:
    found = frame.view(noise)
    assert found is not None
    return float(np.median(found.left_codes))


def _read(pictures: list[Luma]) -> list[float]:
    """Noise a pixel in codes, at each frame of a pass but the first few."""
    return [_codes(frame) for frame in chain(pictures) if frame.view(noise) is not None]


@pytest.mark.parametrize("share", [0.15, 0.3])
def test_blocks_from_elsewhere_are_no_noise(share: float) -> None:
    """While pictures are broken into blocks, and after, noise stays what it was before, within 15 %."""
    pictures = _flown(SOUND + BROKEN + 6)
    for number in range(SOUND, SOUND + BROKEN):
        pictures[number] = broken(pictures[number], share, seed=number // 6)
    found = _read(pictures)
    assert found[-6 - BROKEN :] == pytest.approx([found[-7 - BROKEN]] * (BROKEN + 6), rel=0.15)


def test_blocks_for_good_are_measured_again() -> None:
    """A stream that steps at every block from a second on is measured all the same, once that has lasted for two."""
    pictures = _flown(SOUND + 75)
    steps = np.kron(np.random.default_rng(8).integers(-12, 13, (30, 40)), np.ones((16, 16), np.int64))
    for number in range(SOUND, len(pictures)):
        pictures[number] = np.clip(pictures[number] + steps, 0, 255).astype(np.uint8)
    curves = [frame.view(noise_curve) for frame in chain(pictures)]
    before, during, after = (curves[number] for number in (SOUND - 1, SOUND + 45, -1))
    assert before is not None
    assert during is before
    assert after is not None
    assert after.time_s > before.time_s + 2.0


def test_a_pass_that_begins_in_blocks_forgets_them() -> None:
    """A recording, or a part of one, that begins broken up has the noise of sound pictures within a second of their return."""
    pictures = _flown(24 + 30)
    for number in range(24):
        pictures[number] = broken(pictures[number], 0.3, seed=number // 6)
    found, sound = _read(pictures), _read(_flown(SOUND))
    assert found[5] > 2.0 * sound[-1]
    assert max(found) < 1.2 * found[5], "a pair of a broken picture and a sound one was taken for noise"
    assert found[-20:] == pytest.approx([sound[-1]] * 20, rel=0.15)


def test_sound_pictures_between_such_in_blocks_add_no_noise() -> None:
    """Where every thirtieth picture of a stream in blocks is sound, what lies between the two kinds is no noise."""
    generator = np.random.default_rng(8)
    steps = [np.kron(generator.integers(-14, 15, (30, 40)), np.ones((16, 16), np.int64)) for _ in range(20)]
    pictures = [
        picture if number % 30 == 0 else np.clip(picture + steps[number // 5 % 20], 0, 255).astype(np.uint8)
        for number, picture in enumerate(_flown(100))
    ]
    blocked = [
        np.clip(picture + steps[number // 5 % 20], 0, 255).astype(np.uint8)
        for number, picture in enumerate(_flown(100))
    ]
    assert max(_read(pictures)) < 1.2 * max(_read(blocked))
