"""Noise beside a lost link: snow and torn lines, alike by chance now and then, are no noise of the camera's."""

from __future__ import annotations

import numpy as np
import pytest
from frame_material import HEIGHT, RATE, Luma, area_of, chain, coded, middle, moved, noisy, texture

from fieldscore.frame import Frame
from fieldscore.motion import registration
from fieldscore.noise import noise, noise_curve
from fieldscore.sequence import chained
from fieldscore.signs import says_nothing_of_noise
from fieldscore.video import CodedFrame

BIG = texture(720, 960)
SOUND, LOST = 31, 90  # frames: five measurements, and fifteen that might be made
SIGMA = 2.0
SETTLED_S = 0.15


def _flown(count: int) -> list[Luma]:
    generator = np.random.default_rng(5)
    return [noisy(middle(moved(BIG, right=2.0 * number)), SIGMA, generator) for number in range(count)]


def _snowed(picture: Luma, share: float, generator: np.random.Generator) -> Luma:
    """The picture with snow mixed in, more in some bands of lines."""
    bands = np.clip(share + 0.1 * generator.standard_normal(HEIGHT // 16), 0.0, 1.0)
    mixed = np.repeat(bands, 16)[:, None]
    return coded((1.0 - mixed) * picture + mixed * (105.0 + 80.0 * generator.standard_normal(picture.shape)))


def _codes(frame: Frame) -> float:
    found = frame.view(noise)
    assert found is not None
    return float(np.median(found.left_codes))


def _likeness(frame: Frame) -> float:
    found = frame.view(registration)
    assert found is not None
    return found.likeness


def test_snow_that_is_alike_by_chance_is_no_noise() -> None:
    """Of a link half lost in snow, of which one pair in three is alike, noise stays what it was before, and after, within 15 %."""
    generator = np.random.default_rng(2)
    pictures = _flown(SOUND + LOST + 12)
    for number in range(SOUND, SOUND + LOST):
        pictures[number] = _snowed(pictures[number], 0.9 if number % 3 == 0 else 0.25, generator)
    frames = chain(pictures)
    found = [_codes(frame) for frame in frames[6:]]
    alike = [_likeness(frame) > 0.8 and not says_nothing_of_noise(frame) for frame in frames[SOUND : SOUND + LOST]]
    assert sum(alike) >= LOST // 4
    assert found[SOUND - 6 :] == pytest.approx([found[SOUND - 7]] * (LOST + 12), rel=0.15)


@pytest.mark.parametrize("at", [31, 32, 33, 34, 35, 36])
def test_noise_waits_until_pictures_have_settled(at: int) -> None:
    """Whenever it is due, nothing is measured for 0.15 s after a picture unlike the one before."""
    pictures = _flown(50)
    pictures[at] = _snowed(pictures[at], 0.9, np.random.default_rng(3))
    shown = (
        CodedFrame(one, None, number / RATE, 8, damaged=False, file_index=0) for number, one in enumerate(pictures)
    )
    passed = [(frame.view(noise_curve), _likeness(frame)) for frame in chained(shown, area_of()) if frame.previous]
    curves = [None, *(curve for curve, _ in passed)]
    assert passed[at][1] < 0.8
    settled_s = (at + 1) / RATE + SETTLED_S
    assert not any(one is not None and at / RATE <= one.time_s < settled_s - 1e-6 for one in curves)
    assert curves[-1] is not None
    assert curves[-1].time_s >= settled_s - 1e-6


def test_noise_begins_anew_after_a_long_loss() -> None:
    """What was measured before a loss of two seconds is of another time: it is not pooled with what comes after."""
    generator = np.random.default_rng(4)
    pictures = _flown(SOUND + 60 + 10)
    for number in range(SOUND, SOUND + 60):
        pictures[number] = coded(105.0 + 60.0 * generator.standard_normal(pictures[number].shape))
    curves = [frame.view(noise_curve) for frame in chain(pictures)]
    before, after = curves[SOUND - 1], curves[-1]
    assert before is not None
    assert after is not None
    assert len(before.recent) > 2
    assert after.time_s > (SOUND + 60) / RATE
    assert len(after.recent) == 1


def test_noise_goes_on_where_pictures_never_settle() -> None:
    """Under a lamp that flashes two pairs of pictures in four are unlike for good: noise that trebles is seen all the same."""
    generator, other = np.random.default_rng(5), texture(720, 960, 9)
    pictures = []
    for number in range(150):
        ground = other if number > 24 and number % 4 == 0 else BIG
        sigma = SIGMA if number < 40 else 3.0 * SIGMA
        pictures.append(noisy(middle(moved(ground, right=2.0 * number)), sigma, generator))
    found = [_codes(frame) for frame in chain(pictures)[20:]]
    assert found[-1] > 2.0 * found[0]
