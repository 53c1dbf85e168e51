"""Registration on known motion, and what is left of a tile once motion is taken out."""

from __future__ import annotations

import numpy as np
import pytest
from frame_material import Doubles, area_of, chain, coded, frame_of, middle, moved, noisy, texture
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldscore.frame import Frame, PictureArea
from fieldscore.measures.movement import movement
from fieldscore.motion import Registration, registration
from fieldscore.moved import affine, both
from fieldscore.residual import residual

BLOCK = 8.0  # px a block at 640 x 480
BIG = texture(720, 960)


def _found(now: Doubles, before: Doubles = BIG, area: PictureArea | None = None) -> Registration:
    """Registration of the middle of two scenes as coded pictures."""
    found = registration(chain([coded(middle(before)), coded(middle(now))], area)[1])
    assert found is not None
    return found


def _speed(frame: Frame) -> float:
    return movement(frame)[0]


# bound: 0.05 block or 2 % of the motion, what the sub-pixel registration of a textured picture should reach
@pytest.mark.parametrize(
    ("right", "down"),
    [
        (0.4, 0.0),
        (1.0, -1.0),
        (8.0, 0.0),
        (0.0, 8.0),
        (-5.5, 3.25),
        (16.0, -8.0),
        (20.0, 0.0),
        (30.0, 10.0),
        (0.0, -24.0),
    ],
)
def test_shift(right: float, down: float) -> None:
    """A shifted picture is registered within 0.05 block or 2 % of its shift, with neither zoom nor roll."""
    found = _found(moved(BIG, right=right, down=down))
    error = np.hypot(found.shift[0] - right / BLOCK, found.shift[1] - down / BLOCK)
    assert error <= max(0.05, 0.02 * np.hypot(right, down) / BLOCK)
    assert abs(found.zoom) < 1e-3
    assert abs(found.roll) < 1e-3
    assert not found.identical


@pytest.mark.parametrize("zoom", [-0.04, -0.01, 0.005, 0.02, 0.05])
def test_zoom(zoom: float) -> None:
    """Flying ahead or back is a zoom, recovered within 0.05 block at half a height or 7 %."""
    found = _found(moved(BIG, zoom=zoom))
    assert abs(found.zoom - zoom) <= max(0.05 / 30, 0.07 * abs(zoom))
    assert np.hypot(*found.shift) < 0.05
    assert abs(found.roll) < 1e-3


@pytest.mark.parametrize("roll", [-0.05, -0.01, 0.004, 0.02, 0.06])
def test_roll(roll: float) -> None:
    """A roll is recovered within 0.05 block at half a height or 2 %, clockwise positive."""
    found = _found(moved(BIG, roll=roll))
    assert abs(found.roll - roll) <= max(0.05 / 30, 0.02 * abs(roll))
    assert np.hypot(*found.shift) < 0.05
    assert abs(found.zoom - (np.cos(roll) - 1.0)) < 1e-3  # a turn without growth: 1 + zoom is its cosine


def test_all_at_once() -> None:
    """Shift, zoom and roll together are told apart."""
    found = _found(moved(BIG, right=10.0, down=4.0, zoom=0.02, roll=-0.02))
    assert found.shift == pytest.approx((10 / BLOCK, 4 / BLOCK), abs=0.05)
    assert found.zoom == pytest.approx(0.02, abs=0.0015)
    assert found.roll == pytest.approx(-0.02, abs=0.0015)


@pytest.mark.parametrize(("gain", "offset"), [(1.3, 0.0), (0.6, 0.0), (1.0, 25.0), (0.8, -10.0)])
def test_exposure_is_not_motion(gain: float, offset: float) -> None:
    """A change of exposure on a standing picture moves nothing."""
    found = _found(gain * (BIG - 16.0) + 16.0 + offset)
    assert found.travel_blocks(60) < 0.02
    assert not found.identical


def test_shift_beside_a_change_of_exposure() -> None:
    """A shift is found within 0.05 block while exposure changes by a third."""
    found = _found(16.0 + 0.7 * (moved(BIG, right=6.0, down=-3.0) - 16.0))
    assert found.shift == pytest.approx((6 / BLOCK, -3 / BLOCK), abs=0.05)


def test_noise_is_not_motion() -> None:
    """White noise of 8 codes on a standing picture moves it by less than 0.01 block."""
    generator = np.random.default_rng(6)
    pictures = [noisy(middle(BIG), 8.0, generator) for _ in range(2)]
    found = registration(chain(pictures)[1])
    assert found is not None
    assert found.travel_blocks(60) < 0.01


def test_flat_picture_does_not_move() -> None:
    """A picture without structure has no motion to speak of, whatever its noise."""
    generator = np.random.default_rng(6)
    found = registration(chain([noisy(np.full((480, 640), 100.0), 4.0, generator) for _ in range(2)])[1])
    assert found is not None
    assert found.travel_blocks(60) < 0.1


@given(st.floats(-12, 12), st.floats(-12, 12))
@settings(max_examples=6, deadline=None)
def test_mirrored_pictures_move_the_other_way(right: float, down: float) -> None:
    """In mirrored pictures the shift across and the roll turn round, the rest stays."""
    pictures = [coded(middle(BIG)), coded(middle(moved(BIG, right=right, down=down)))]
    found = registration(chain(pictures)[1])
    turned = registration(chain([np.ascontiguousarray(one[:, ::-1]) for one in pictures])[1])
    assert found is not None
    assert turned is not None
    assert turned.shift == pytest.approx((-found.shift[0], found.shift[1]), abs=0.01)
    assert turned.roll == pytest.approx(-found.roll, abs=1e-3)
    assert turned.zoom == pytest.approx(found.zoom, abs=1e-3)


def test_standing_text_does_not_hold_the_picture() -> None:
    """Text under the mask that stays put while the scene moves does not slow the motion found."""
    mask = np.zeros((480, 640), dtype=np.bool_)
    mask[20:60, 40:240] = mask[420:460, 400:600] = True
    pictures = [coded(middle(moved(BIG, right=8.0 * step))) for step in range(2)]
    for picture in pictures:
        picture[mask] = np.where(np.indices(picture.shape).sum(axis=0)[mask] // 4 % 2, 235, 16)
    found = registration(chain(pictures, area_of(overlay=mask))[1])
    assert found is not None
    assert found.shift == pytest.approx((1.0, 0.0), abs=0.08)


def test_identical_frames() -> None:
    """A repeated frame is identical, does not move and leaves nothing to measure noise on."""
    picture = coded(middle(BIG))
    frame = chain([picture, picture.copy()])[1]
    assert registration(frame) == Registration((0.0, 0.0), 0.0, 0.0, 1.0, True, frame.time_s)
    assert residual(frame) is None
    assert _speed(frame) == 0.0


def test_first_frame_has_no_motion() -> None:
    """Without a frame before, motion is not measurable rather than 0."""
    frame = frame_of(coded(middle(BIG)))
    assert registration(frame) is None
    assert residual(frame) is None
    assert np.isnan(_speed(frame))


def test_another_area_has_no_motion() -> None:
    """Frames of another area (shape) are not compared."""
    picture = coded(middle(BIG))
    before = frame_of(picture[:240, :320], area_of(240, 320))
    frame = frame_of(picture, area_of(), previous=before, time_s=0.04)
    assert registration(frame) is None
    assert residual(frame) is None
    assert np.isnan(_speed(frame))


@pytest.mark.parametrize("seconds", [0.0, -0.04])
def test_time_that_does_not_pass_gives_no_speed(seconds: float) -> None:
    """Two frames of one time, or in the wrong order, have no speed."""
    picture = coded(middle(BIG))
    area = area_of()
    before = frame_of(picture, area, time_s=1.0)
    assert np.isnan(_speed(frame_of(np.roll(picture, 3, axis=1), area, previous=before, time_s=1.0 + seconds)))


@pytest.mark.parametrize("rate", [25.0, 30.0, 60.0])
def test_speed_in_heights_a_second(rate: float) -> None:
    """6 px a frame at 480 lines are 1.25 % of the height, times frames a second."""
    frames = chain([coded(middle(moved(BIG, right=6.0 * step))) for step in range(2)], rate=rate)
    assert _speed(frames[1]) == pytest.approx(1.25 * rate, rel=0.02)


def test_zoom_and_roll_count_as_length() -> None:
    """Shift, and zoom and roll at half a height, add as one length at right angles."""
    # 3-4-5 triangles: zoom and roll 0.03, 0.04 at 30 blocks are 1.5 blocks; with a shift of 2 blocks 2.5
    assert Registration((0.0, 0.0), 0.03, 0.04, 1.0, False, 0.1).travel_blocks(60) == pytest.approx(1.5)
    assert Registration((1.2, 1.6), 0.03, 0.04, 1.0, False, 0.1).travel_blocks(60) == pytest.approx(2.5)


def test_size_of_the_picture_does_not_matter() -> None:
    """The same motion in a picture of twice the size has the same speed in heights a second."""
    speeds = []
    for scale in (1, 2):
        scene = np.kron(texture(360, 480, seed=9), np.ones((scale, scale)))
        pictures = [
            coded(middle(np.roll(scene, 3 * scale * step, axis=1), 240 * scale, 320 * scale)) for step in range(2)
        ]
        speeds.append(_speed(chain(pictures)[1]))
    assert speeds[0] == pytest.approx(3 / 240 * 30 * 100, rel=0.03)
    assert speeds[1] == pytest.approx(speeds[0], rel=0.02)


@pytest.mark.parametrize(
    "motion", [{"right": 5.0}, {"zoom": 0.02}, {"roll": 0.02}, {"right": 3.3, "down": 2.1, "zoom": 0.01}]
)
def test_motion_leaves_little(motion: dict[str, float]) -> None:
    """Of a noiseless picture that moves as a whole, the residual is under a quarter of a code squared in most tiles."""
    frame = chain([coded(middle(BIG)), coded(middle(moved(BIG, **motion)))])[1]
    left = residual(frame)
    assert left is not None
    change = float(np.mean((frame.blocks - frame.previous.blocks) ** 2)) if frame.previous else 0.0
    assert np.percentile(left.variance, 75) < 0.25
    assert change > 20 * np.percentile(left.variance, 75)


def test_residual_is_the_noise_of_block_means() -> None:
    """On a standing flat picture the residual is the variance of one frame's block means: sigma squared over 64."""
    generator = np.random.default_rng(12)
    # white noise of 6 codes on blocks of 64 pixels: 36 / 64 = 0.5625; 192 tiles of 22 degrees of freedom: 2.2 %
    left = residual(chain([noisy(np.full((480, 640), 110.0), 6.0, generator) for _ in range(2)])[1])
    assert left is not None
    assert left.variance.mean() == pytest.approx(36 / 64, rel=0.08)


def test_residual_is_not_given_under_the_overlay() -> None:
    """A tile that text touches has no residual, every other tile has one."""
    mask = np.zeros((480, 640), dtype=np.bool_)
    mask[100:110, 100:110] = True
    generator = np.random.default_rng(12)
    left = residual(chain([noisy(middle(BIG), 2.0, generator) for _ in range(2)], area_of(overlay=mask))[1])
    assert left is not None
    assert np.flatnonzero(np.isnan(left.variance)).tolist() == [2 * 16 + 2]


def test_two_motions_one_after_the_other() -> None:
    """A shift, zoom and roll after another take a place where the two matrices do, one after the other."""
    first, then = np.array([3.0, -2.0, 0.04, 0.15]), np.array([-1.5, 4.0, -0.03, 0.08])
    square = [np.vstack([affine(one, 60, 80), [0.0, 0.0, 1.0]]) for one in (first, then, both(first, then))]
    assert square[2] == pytest.approx(square[0] @ square[1], abs=1e-9)
