"""Slow measures are held for a tenth of a second, and no longer than the picture's light stays as it was."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from frame_material import Luma, area_of, middle, noisy, texture

from fieldscore.frame import Frame, PictureArea
from fieldscore.measures.noise import noise_left
from fieldscore.sequence import chained
from fieldscore.video import CodedFrame

HOLD_S = 0.1


def _pass(pictures: list[Luma], rate: float = 30.0, lag: int = 1) -> list[int]:
    """For each picture of a pass, the number of the picture that its slow figures are of."""
    area = area_of(*pictures[0].shape)
    frames: list[Frame] = []
    taken: list[int] = []
    for number, picture in enumerate(pictures):
        previous = frames[number - lag] if number >= lag else None
        frames.append(_held(Frame(picture, area, number / rate, previous=previous)))
        taken.append(round(frames[-1].held(_time) * rate))
    return taken


def _held(frame: Frame) -> Frame:
    frame.hold(HOLD_S)
    return frame


def _time(frame: Frame) -> float:
    return frame.time_s


def _grey(code: float) -> Luma:
    return np.full((60, 80), code, np.uint8)


def test_figures_are_taken_ten_times_a_second() -> None:
    """At 30 frames a second every third frame is measured, after the first two, and two are given its figures."""
    assert _pass([_grey(100)] * 9) == [0, 1, 1, 1, 4, 4, 4, 7, 7]  # the first frame alone shows no noise


def test_a_step_of_the_light_is_measured_at_once() -> None:
    """Where the level steps by 2 % of black to white, the very frame is measured; by half a percent it is not."""
    assert _pass([_grey(100), _grey(100), _grey(105), _grey(105)]) == [0, 1, 2, 2]
    assert _pass([_grey(100), _grey(100), _grey(101), _grey(101)]) == [0, 1, 1, 1]


@pytest.mark.parametrize("code", [16, 235])
def test_what_is_crushed_or_clipped_is_measured_at_once(code: int) -> None:
    """Where 2 % of the picture fall to the floor or reach the ceiling, at the same mean level, the frame is measured."""
    changed = _grey(100 + round((100 - code) * 0.02))  # what the rest gains or loses for the mean to stay
    changed.ravel()[:96] = code  # 2 % of the picture
    assert _pass([_grey(100), _grey(100), changed]) == [0, 1, 2]


def test_a_cut_at_the_same_level_is_measured_at_once() -> None:
    """Another scene of the same mean level, neither crushed nor clipped, is measured: its spread is another."""
    striped = np.where(np.arange(80) // 8 % 2, 80, 120).astype(np.uint8) * np.ones((60, 1), np.uint8)
    assert _pass([_grey(100), _grey(100), striped, striped]) == [0, 1, 2, 2]


def test_damage_is_not_lent_to_sound_pictures() -> None:
    """A damaged frame is measured by itself, and so is the sound one after it."""
    area = area_of(60, 80)
    frames: list[Frame] = []
    for number, damaged in enumerate((False, False, True, False)):
        previous = frames[-1] if frames else None
        frames.append(_held(Frame(_grey(100), area, number / 100, previous=previous, damaged=damaged)))
    assert [round(frame.held(_time) * 100) for frame in frames] == [0, 1, 2, 3]


@pytest.mark.parametrize(("rate", "repeats"), [(60.0, (0, 1)), (60.0, (1, 0)), (30.0, (0, 0, 1)), (30.0, (1, 0, 0))])
def test_repeated_pictures_do_not_hide_noise(rate: float, repeats: tuple[int, ...]) -> None:
    """Where every second or third picture repeats the one before, whichever those are, noise is known from the start on."""
    generator = np.random.default_rng(2)
    area, scene = area_of(), middle(texture(720, 960))
    shown: list[CodedFrame] = []
    picture = noisy(scene, 4.0, generator)
    for number in range(24):
        if not repeats[number % len(repeats)]:
            picture = noisy(scene, 4.0, generator)
        shown.append(_shown(picture, number / rate))
    noises = [noise_left(frame)[0] for frame in chained(shown, area, rate=rate)]
    assert np.isfinite(noises[8:]).all()
    assert noises[-1] == pytest.approx(100 * 4.0 / 219, rel=0.25)


def _shown(picture: Luma, time_s: float) -> CodedFrame:
    return CodedFrame(picture, None, time_s, 8, damaged=False, file_index=0)


def test_slow_drift_adds_up() -> None:
    """Drift is counted from the frame that was measured, not from the one before."""
    assert _pass([_grey(100), _grey(100), _grey(101), _grey(102), _grey(103)], rate=100.0) == [0, 1, 1, 1, 4]


def test_fields_are_held_with_their_own_parity() -> None:
    """Each field is given the figures of a field of its own parity."""
    taken = _pass([_grey(90), _grey(110)] * 6, rate=50.0, lag=2)
    assert all((own - at) % 2 == 0 and 0 <= own - at <= 5 for own, at in enumerate(taken))
    assert max(taken) > 1


def test_another_area_is_measured_at_once() -> None:
    """Figures of another part of the picture are never taken over."""
    area: PictureArea = area_of(60, 80)
    first = _held(Frame(_grey(100), area, 0.0))
    first.held(_time)
    second = _held(Frame(_grey(100), replace(area, window=(0, 48, 0, 80)), 0.01, previous=first))
    assert second.held(_time) == 0.01


def test_without_a_hold_every_frame_is_measured() -> None:
    """A frame that is not held to another is measured itself."""
    area = area_of(60, 80)
    first = Frame(_grey(100), area, 0.0)
    assert first.held(_time) == 0.0
    assert Frame(_grey(100), area, 0.01, previous=first).held(_time) == 0.01
