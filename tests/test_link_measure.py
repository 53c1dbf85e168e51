"""Signs of a lost link on pictures of known spread, colour and likeness."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from frame_material import Luma, area_of, broken, chain, coded, frame_of, middle, moved, noisy, texture
from hypothesis import given, settings
from hypothesis.extra.numpy import arrays

from fieldscore.frame import Frame
from fieldscore.measures.link import link_signs
from fieldscore.signs import (
    block_edges,
    is_blank,
    is_coloured_screen,
    is_snow,
    is_still,
    might_repeat,
    unchanged_percent,
)

SHAPE = (480, 640)
BIG = texture(720, 960)


def signs(frame: Frame) -> dict[str, float]:
    return dict(zip((column.name for column in link_signs.columns), link_signs(frame), strict=True))


def snow(seed: int, shape: tuple[int, int] = SHAPE) -> Luma:
    """White noise over the whole narrow range."""
    return np.random.default_rng(seed).integers(16, 236, shape).astype(np.uint8)


def chroma(cb: int, cr: int, bits: int = 8) -> tuple[np.ndarray, np.ndarray]:
    """Two even colour planes of 4:2:0."""
    kind = np.uint8 if bits == 8 else np.uint16
    half = (SHAPE[0] // 2, SHAPE[1] // 2)
    return np.full(half, cb << (bits - 8), kind), np.full(half, cr << (bits - 8), kind)


@given(arrays(np.uint8, (48, 64)))
@settings(max_examples=25)
def test_spreads_are_standard_deviations(picture: Luma) -> None:
    """Spread is the standard deviation of the pixels, patch spread that of the tile means, which is never larger.

    Tile means come from the halved picture, whose codes are rounded.
    """
    found = signs(frame_of(picture))
    patches = picture.astype(np.float64).reshape(12, 4, 16, 4).mean(axis=(1, 3))
    assert found["spread_codes"] == pytest.approx(picture.std(), abs=1e-3)
    assert found["patch_spread_codes"] == pytest.approx(patches.std(), abs=0.5)
    assert found["patch_spread_codes"] <= found["spread_codes"] + 0.5


def test_snow_keeps_a_fortieth_of_its_spread() -> None:
    """White noise spreads over 63.5 codes a pixel, a fortieth of that over tiles of 40 x 40 px, and is unlike the frame before."""
    # uniform over 220 codes: sqrt((220^2 - 1) / 12) = 63.5; the mean of n pixels has 1 / sqrt(n) of it
    found = signs(chain([snow(1), snow(2)])[1])
    assert found["spread_codes"] == pytest.approx(math.sqrt((220**2 - 1) / 12), rel=0.005)
    assert found["patch_spread_codes"] == pytest.approx(63.5 / 40, rel=0.15)  # of 192 tiles: 5 % a sigma
    assert abs(found["likeness"]) < 0.6
    assert is_snow(found["spread_codes"], found["patch_spread_codes"])
    assert not is_blank(found["spread_codes"])


@pytest.mark.parametrize("motion", [{}, {"right": 9.0, "down": 4.0}, {"zoom": 0.03}, {"roll": 0.04}])
def test_a_scene_is_like_the_frame_before(motion: dict[str, float]) -> None:
    """A flown scene correlates with the frame before once motion is taken out, noise and all, and is no snow."""
    generator = np.random.default_rng(3)
    pictures = [noisy(middle(scene), 6.0, generator) for scene in (BIG, moved(BIG, **motion))]
    found = signs(chain(pictures)[1])
    assert found["likeness"] > 0.95
    assert not is_snow(found["spread_codes"], found["patch_spread_codes"], found["likeness"])
    assert found["repeated"] == 0.0


def test_another_scene_is_unlike() -> None:
    """A cut to another place leaves little likeness."""
    found = signs(chain([coded(texture(seed=3)), coded(texture(seed=77))])[1])
    assert found["likeness"] < 0.6


def test_exposure_keeps_likeness() -> None:
    """Half the contrast and another brightness are still the same picture."""
    scene = middle(BIG)
    assert signs(chain([coded(scene), coded(40 + 0.5 * scene)])[1])["likeness"] > 0.99


def test_a_blank_screen() -> None:
    """An even screen has no spread, and its codec's wobble of half a code leaves it blank."""
    assert signs(frame_of(np.full(SHAPE, 41, np.uint8)))["spread_codes"] == pytest.approx(0.0, abs=1e-3)
    wobble = noisy(np.full(SHAPE, 41.0), 0.5, np.random.default_rng(1))
    assert is_blank(signs(frame_of(wobble))["spread_codes"])


# ITU-R BT.601 narrow-range codes of full blue and of 75 % blue: (41, 240, 110), (35, 212, 114)
@pytest.mark.parametrize(("cb", "cr", "distance"), [(240, 110, 113.437), (212, 114, 85.159), (128, 128, 0.0)])
@pytest.mark.parametrize("bits", [8, 10])
def test_colour_is_the_distance_from_grey(cb: int, cr: int, distance: float, bits: int) -> None:
    """A screen of one colour is as far from grey as its two colour codes say, at any depth."""
    luma = np.full(SHAPE, 41 << (bits - 8), np.uint8 if bits == 8 else np.uint16)
    found = signs(frame_of(luma, area_of(), bits=bits, chroma=chroma(cb, cr, bits)))
    assert found["colour_codes"] == pytest.approx(distance, abs=1e-3)
    assert is_coloured_screen(found["spread_codes"], found["colour_codes"]) == (distance > 0)


def test_colour_averages_out() -> None:
    """A picture half yellow and half blue is grey in the mean."""
    cb, cr = chroma(128, 128)
    cb[:, :160], cb[:, 160:] = 68, 188
    assert signs(frame_of(np.full(SHAPE, 90, np.uint8), chroma=(cb, cr)))["colour_codes"] == pytest.approx(
        0.0, abs=1e-6
    )


def test_grey_recordings_have_no_colour() -> None:
    """Without colour planes (4:0:0) colour is not measurable, not 0."""
    assert math.isnan(signs(frame_of(np.full(SHAPE, 90, np.uint8)))["colour_codes"])


def test_repeats_and_damage() -> None:
    """An identical frame is repeated, any other is not, on the first nothing is known; damage is the decoder's word."""
    picture = coded(middle(BIG))
    first, again, other = chain([picture, picture.copy(), np.roll(picture, 2, axis=1)])
    assert math.isnan(signs(first)["repeated"])
    assert math.isnan(signs(first)["likeness"])
    assert (signs(again)["repeated"], signs(again)["likeness"]) == (1.0, 1.0)
    assert signs(other)["repeated"] == 0.0
    assert [signs(frame_of(picture, damaged=damaged))["damaged"] for damaged in (False, True)] == [0.0, 1.0]


@pytest.mark.parametrize("share", [0.0, 0.5, 0.75, 0.9, 1.0])
def test_a_repeat_coded_again_is_still(share: float) -> None:
    """A frame is a repeat from 80 % of unchanged blocks on, so that a picture coded again with a few touches counts."""
    generator = np.random.default_rng(8)
    before, now = (noisy(middle(BIG), 3.0, generator) for _ in range(2))
    now[: round(480 * share)] = before[: round(480 * share)]
    unchanged = unchanged_percent(chain([before, now])[1])
    assert unchanged == pytest.approx(100 * share, abs=0.01)
    assert bool(is_still(unchanged)) == (share >= 0.8)


def test_signs_of_a_flown_blur_are_no_snow() -> None:
    """A smooth evening sky, wide in level and without detail, is neither snow nor blank."""
    sky = cv2.GaussianBlur(np.linspace(30, 190, 480)[:, None] * np.ones((1, 640)), (0, 0), 9)
    found = signs(frame_of(coded(sky)))
    assert not is_snow(found["spread_codes"], found["patch_spread_codes"])
    assert not is_blank(found["spread_codes"])


@pytest.mark.parametrize("left", [0, 5, 16, 37])
def test_macroblock_break_up_shows_in_block_edges(left: int) -> None:
    """Blocks from elsewhere step at their edges, wherever the picture's window begins; a whole picture does not."""
    picture = noisy(middle(BIG), 3.0, np.random.default_rng(1))
    area = area_of(window=(0, SHAPE[0], left, SHAPE[1]))
    assert signs(frame_of(picture, area))["block_edges"] == pytest.approx(1.0, abs=0.15)
    assert signs(frame_of(broken(picture, 0.7), area))["block_edges"] > 1.9


def test_a_flat_or_tiny_picture_has_no_broken_blocks() -> None:
    """Nothing steps in a flat picture, and one of two blocks across cannot be told."""
    assert signs(frame_of(np.full(SHAPE, 60, np.uint8)))["block_edges"] == pytest.approx(1.0)
    assert math.isnan(signs(frame_of(np.full((48, 40), 60, np.uint8)))["block_edges"])


@pytest.mark.parametrize(
    ("spread", "patches", "likeness", "told"),
    [
        (12.5, 0.5, 1.0, True),
        (11.5, 0.5, 1.0, False),
        (40.0, 4.6, 1.0, True),
        (40.0, 5.0, 1.0, False),
        (40.0, 13.2, 0.84, True),
        (40.0, 13.2, 0.86, False),
        (40.0, 14.0, 0.5, False),
    ],
)
def test_where_snow_ends(spread: float, patches: float, likeness: float, told: bool) -> None:
    """Snow varies by over 12 codes; its patches keep under 0.12 of that, or 0.34 where under 0.85 is left of the frame before."""
    assert bool(is_snow(spread, patches, likeness)) is told


def test_where_a_coloured_screen_ends() -> None:
    """A coloured screen is 40 codes from grey and more; a dim sky is not."""
    assert bool(is_coloured_screen(5.0, 41.0))
    assert not is_coloured_screen(5.0, 39.0)


def test_a_change_of_one_field_is_seen() -> None:
    """Rows of both fields are looked at: where only one field changed no block stayed as it was."""
    first = middle(BIG)
    second = first.copy()
    second[1::2] += 1
    assert chain([first, second])[-1].view(unchanged_percent) == 0.0


def test_steps_of_smaller_blocks_are_block_edges_too() -> None:
    """A picture that steps at every eighth pixel does so at every sixteenth: the place inside is on neither grid."""
    steps = np.kron(np.random.default_rng(3).integers(60, 180, (60, 80)), np.ones((8, 8))).astype(np.uint8)
    assert frame_of(steps).view(block_edges) > 3.0


def test_one_code_between_flat_blocks_is_no_break_up() -> None:
    """Flat blocks a code apart, as a coarse codec leaves a sky, step by no more than twice of nothing."""
    flat = np.full(SHAPE, 100, dtype=np.uint8)
    flat[:, (np.arange(SHAPE[1]) // 16) % 2 == 0] += 1
    assert frame_of(flat).view(block_edges) == pytest.approx(2.0, abs=0.1)


def test_what_changed_all_over_repeats_nothing() -> None:
    """Only a frame of which much stayed as it was is looked at closely for a repeat."""
    first = middle(BIG)
    same, other = (chain([first, one])[-1] for one in (first, first + 1.0))
    assert might_repeat(same) and not might_repeat(other)
