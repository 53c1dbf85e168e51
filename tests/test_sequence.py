"""On which frames of a pass motion is measured, and that nothing is lost where it is not."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from frame_material import HEIGHT, WIDTH, Luma, area_of, coded, middle, moved, noisy, texture

from fieldscore.frame import Frame
from fieldscore.links import Linker
from fieldscore.measures.flash import flash_signs
from fieldscore.measures.link import link_signs
from fieldscore.measures.movement import movement
from fieldscore.measures.noise import noise_left
from fieldscore.noise import noise_curve
from fieldscore.residual import far_variance
from fieldscore.sequence import chained
from fieldscore.video import CodedFrame

SPEED_PX = 260.0  # a second: a little over half of the picture's height
SLOW_PX = 200.0
EDGES = 6  # place of the block edges among the signs of the link


def _shown(picture: Luma, time_s: float) -> CodedFrame:
    return CodedFrame(picture, None, time_s, 8, damaged=False, file_index=0)


def _flown(times_s: list[float], speed_px: float = SPEED_PX) -> list[Luma]:
    scene = texture(720, 960)
    return [coded(middle(moved(scene, right=speed_px * time_s % 200.0))) for time_s in times_s]


def _even(count: int, rate: float) -> list[float]:
    return [number / rate for number in range(count)]


def _time(frame: Frame) -> float:
    return frame.time_s


def _frames(pictures: list[Luma], times_s: list[float], rate: float, lag: int = 1) -> list[Frame]:
    shown = [_shown(picture, time_s) for picture, time_s in zip(pictures, times_s, strict=True)]
    found = []
    for frame in chained(shown, area_of(*pictures[0].shape), lag=lag, rate=rate):
        assert frame.reference is None or frame.reference.reference is None  # no chain of pictures is kept alive
        frame.paced(_time)
        for one in (movement, flash_signs, link_signs):  # as in a pass, while the frames before are there
            one(frame)
        found.append(frame)
    return found


@pytest.mark.parametrize(
    ("rate", "speed_px", "measured"),
    [
        (25.0, SPEED_PX, [0, 1, 2, 3, 4, 5, 6, 7]),
        (30.0, SPEED_PX, [0, 1, 2, 3, 4, 5, 6, 7]),
        (30.0, SLOW_PX, [0, 1, 2, 3, 4, 5, 6, 7]),
        (50.0, SPEED_PX, [0, 1, 1, 3, 3, 5, 5, 5, 8, 8]),
        (60.0, SPEED_PX, [0, 1, 1, 1, 4, 4, 6, 6, 6, 6, 10, 10, 12]),
        (120.0, SPEED_PX, [0, 1, 1, 1, 1, 1, 1, 1, 8, 8, 8, 8, 12, 12, 12, 12, 12, 12, 12, 12, 20]),
    ],
)
def test_motion_is_measured_as_often_as_it_has_to_be(rate: float, speed_px: float, measured: list[int]) -> None:
    """Motion is measured on every frame up to 30 a second, of more on beats and before them, and comes out right."""
    times = _even(len(measured), rate)
    frames = _frames(_flown(times, speed_px), times, rate)
    taken = [round(frame.paced(_time) * rate) for frame in frames]
    assert taken == measured
    speed = 100.0 * speed_px / HEIGHT
    assert [movement(frame)[0] for frame in frames[1:]] == pytest.approx([speed] * (len(measured) - 1), rel=0.1)


@pytest.mark.parametrize(("nominal", "real"), [(60.0, 30.0), (60.0, 40.0), (120.0, 60.0), (50.0, 25.0), (1000.0, 30.0)])
def test_a_slower_clip_than_its_header_says_has_its_noise(nominal: float, real: float) -> None:
    """Frames that come at half their stated rate are still taken in pairs near enough for noise, in slow flight, too."""
    times = _even(round(1.6 * real), real)
    curve = _frames(_flown(times, SLOW_PX), times, nominal)[-1].view(noise_curve)
    assert curve is not None
    assert curve.counts.max() >= 5


@pytest.mark.parametrize(("rate", "beat", "phases"), [(60.0, 6, {2, 4}), (50.0, 5, {2, 3})])
def test_slow_motion_is_measured_on_beats_and_for_noise(rate: float, beat: int, phases: set[int]) -> None:
    """In slow flight motion is measured on beats, and beside them where noise is due, at two phases; it comes out right."""
    times = _even(round(2 * rate) + 1, rate)
    frames = _frames(_flown(times, SLOW_PX), times, rate)
    paced = [round(_time(frame) * rate) for frame in frames[2:] if frame.is_paced]
    assert set(range(beat, round(2 * rate) + 1, beat)) <= set(paced)
    beside = [number for number in paced if number % beat]
    assert 6 <= len(beside) <= 11
    assert {number % beat for number in beside} == phases
    speed = 100.0 * SLOW_PX / HEIGHT
    known = round(0.46 * rate)
    assert [movement(frame)[0] for frame in frames[1 : known + 1]] == pytest.approx([speed] * known, rel=0.1)


def test_uneven_times_are_no_faster_clock() -> None:
    """At 30 frames a second motion is measured on every frame, however its times wobble."""
    times = [number / 30 + (0.004 if number % 2 else -0.004) + 0.004 for number in range(12)]
    assert all(frame.is_paced for frame in _frames(_flown(times), times, 30.0))


def test_every_field_has_its_motion_and_noise() -> None:
    """Of fields each is measured, from the one before of its parity: both have a noise of their own."""
    generator = np.random.default_rng(3)
    times = _even(40, 50.0)
    scene = texture(720, 960)
    pictures = [noisy(middle(moved(scene, right=SPEED_PX * time_s)), 4.0, generator) for time_s in times]
    shown = [_shown(picture, time_s) for picture, time_s in zip(pictures, times, strict=True)]
    noises, own = [], []
    for frame in chained(shown, area_of(), lag=2, rate=50.0):
        noises.append(noise_left(frame)[0])
        own.append(frame.is_paced)
    assert all(own)
    assert np.isfinite(noises[8:]).all()
    assert np.mean(noises[20::2]) == pytest.approx(np.mean(noises[21::2]), rel=0.2)


def test_motion_is_measured_at_once_where_the_light_steps() -> None:
    """A frame between two measurements is measured where the level steps by 2 % of black to white."""
    times = _even(12, 60.0)
    pictures = _flown(times)
    plain = [frame.is_paced for frame in _frames(pictures, times, 60.0)]
    stepped = [*pictures[:7], *(picture + np.uint8(6) for picture in pictures[7:])]
    assert not plain[7]
    assert [frame.is_paced for frame in _frames(stepped, times, 60.0)][7]


def test_a_small_lamp_is_seen_on_its_frame() -> None:
    """From a standing camera at 60 frames a second a lamp that lights shows on that very frame and on no other."""
    generator = np.random.default_rng(4)
    scene = middle(texture(720, 960))
    for lit in (20, 21):
        pictures = []
        for number in range(30):
            picture = scene.copy()
            if number >= lit:
                picture[200:224, 300:324] = 230.0
            pictures.append(noisy(picture, 1.0, generator))
        times = _even(30, 60.0)
        rises = [flash_signs(frame)[2] for frame in _frames(pictures, times, 60.0)]
        assert np.argmax(np.nan_to_num(rises)) == lit
        assert np.count_nonzero(np.nan_to_num(rises) > 10.0) == 1


def test_a_broken_picture_is_seen_on_its_frame() -> None:
    """In flight at 60 frames a second, displaced blocks show on the frame that has them and on no other."""
    times = _even(24, 60.0)
    for broken in (12, 13):
        pictures = _flown(times)
        rng = np.random.default_rng(2)
        for top, left in itertools.product(range(0, HEIGHT, 16), range(0, 640, 16)):
            if rng.random() < 0.7:
                y, x = int(rng.integers(0, HEIGHT - 16)), int(rng.integers(0, 620))
                pictures[broken][top : top + 16, left : left + 16] = pictures[5][y : y + 16, x : x + 16]
        edges = np.array([link_signs(frame)[EDGES] for frame in _frames(pictures, times, 60.0)])
        assert np.flatnonzero(edges > 1.9).tolist() == [broken]


def test_a_repeat_is_measured_on_its_frame() -> None:
    """In flight at 60 frames a second, a picture shown again has no motion, on whichever frame it comes."""
    times = _even(24, 60.0)
    for first in (12, 13):
        pictures = _flown(times)
        pictures[first + 1 :] = [pictures[first]] * (23 - first)
        speeds = [movement(frame)[0] for frame in _frames(pictures, times, 60.0)]
        assert max(speeds[first + 2 :]) < 0.6


@pytest.mark.parametrize("rate", [50.0, 59.94, 120.0])
def test_beats_are_a_tenth_of_a_second_apart_and_measured(rate: float) -> None:
    """Where frames come fast, motion is measured every tenth of a second and a thirtieth before, over no more than that tenth."""
    times = _even(round(0.7 * rate), rate)
    frames = _frames(_flown(times), times, rate)
    beats = np.array([frame.time_s for frame in frames if frame.is_beat])
    assert np.diff(beats) == pytest.approx([0.1] * 6, abs=0.6 / rate)
    paced = np.array([frame.time_s for frame in frames if frame.is_paced])
    assert np.isin(beats, paced).all()
    assert np.diff(paced).max() < 0.1
    before = [beat - paced[paced < beat - 1e-6].max() for beat in beats[1:]]
    assert before == pytest.approx([1 / 30] * 6, abs=0.6 / rate)


@pytest.mark.parametrize("blank", [0, 3, 4, 5])
def test_links_keep_step_with_beats(blank: int) -> None:
    """At 60 frames a second each frame that is linked has its motion measured, soon after a link that came late, too."""
    times = _even(54, 60.0)  # the scene begins anew after 0.9 s
    pictures = _flown(times, SLOW_PX)
    pictures[12 : 12 + blank] = [np.full_like(pictures[0], 16)] * blank
    shown = [_shown(picture, time_s) for picture, time_s in zip(pictures, times, strict=True)]
    linker, paced = Linker(), []
    for frame in chained(shown, area_of(), rate=60.0):
        linker.add(frame)
        paced.append(frame.is_beat)
    links, _ = linker.results()
    ends = [link.after for link in links if link.after < 53]
    assert len(ends) >= 6
    assert all(paced[row] for row in ends if row > 24)


@pytest.mark.parametrize(("rate", "lag"), [(30.0, 1), (60.0, 1), (50.0, 2)])
def test_frames_know_what_the_one_before_was_measured_from(rate: float, lag: int) -> None:
    """So that noise can be told over two steps, however fast frames come, without looking at every frame in between."""
    times_s = _even(60, rate)
    shown = (_shown(picture, time_s) for picture, time_s in zip(_flown(times_s), times_s, strict=True))
    told = 0
    for frame in chained(shown, area_of(HEIGHT, WIDTH), lag=lag, rate=rate):
        told += frame.is_paced and frame.view(far_variance) is not None
    assert told > 5
