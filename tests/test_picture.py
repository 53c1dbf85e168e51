"""The picture window and interlace in harder cases: symmetry, noise, skies, texture, parity; and the look as a whole."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from frame_material import Luma, coded, middle, moved, noisy, texture
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldscore.criteria import Criteria
from fieldscore.overlay import views_of_scene
from fieldscore.picture import first_look, interlaced, picture_window

HEIGHT, WIDTH = 240, 320
Doubles = npt.NDArray[np.float64]
BIG = texture(400, 640)
SCENES = [middle(moved(BIG, right=13.0 * (number - 4)), HEIGHT, WIDTH) for number in range(8)]


def framed(border: tuple[int, int, int, int], code: float = 16.0, sigma: float = 0.5) -> list[Luma]:
    """Flown pictures within a border of (top, bottom, left, right) px at one code."""
    top, bottom, left, right = border
    generator = np.random.default_rng(1)
    pictures = []
    for scene in SCENES:
        inside = np.full(scene.shape, code)
        inside[top : HEIGHT - bottom, left : WIDTH - right] = scene[top : HEIGHT - bottom, left : WIDTH - right]
        pictures.append(noisy(inside, sigma, generator))
    return pictures


def woven(step: float, sigma: float = 0.0, first: int = 0) -> list[Luma]:
    """Pictures whose odd (or even) lines are an instant later, the scene `step` px further."""
    generator = np.random.default_rng(6)
    pictures = []
    for scene in SCENES:
        picture = noisy(scene, sigma, generator)
        picture[1 - first :: 2] = noisy(moved(scene, right=step), sigma, generator)[1 - first :: 2]
        pictures.append(picture)
    return pictures


@given(st.integers(2, 50), st.integers(2, 50))
@settings(max_examples=10, deadline=None)
def test_letterbox_of_any_height(border: int, side: int) -> None:
    """Even borders above and below, or at both sides, are found within a pixel."""
    assert picture_window(framed((border, border, 0, 0))) == pytest.approx((border, HEIGHT - border, 0, WIDTH), abs=1)
    assert picture_window(framed((0, 0, side, side))) == pytest.approx((0, HEIGHT, side, WIDTH - side), abs=1)


@pytest.mark.parametrize("border", [(30, 30, 0, 0), (0, 6, 0, 8), (4, 0, 6, 0)])
def test_mirrored_pictures_have_a_mirrored_window(border: tuple[int, int, int, int]) -> None:
    """Upside down and left for right, the window turns with the picture."""
    pictures = framed(border)
    top, bottom, left, right = picture_window(pictures)
    upside_down = picture_window([np.ascontiguousarray(picture[::-1]) for picture in pictures])
    other_way = picture_window([np.ascontiguousarray(picture[:, ::-1]) for picture in pictures])
    assert upside_down == (HEIGHT - bottom, HEIGHT - top, left, right)
    assert other_way == (top, bottom, WIDTH - right, WIDTH - left)


@pytest.mark.parametrize("code", [0.0, 16.0, 32.0])
@pytest.mark.parametrize("sigma", [0.0, 1.0, 3.0])
def test_black_of_any_chain_is_a_border(code: float, sigma: float) -> None:
    """Full-range black, narrow black and setup are borders alike, with up to 3 codes of noise in them."""
    assert picture_window(framed((30, 30, 0, 0), code, sigma)) == pytest.approx((30, HEIGHT - 30, 0, WIDTH), abs=1)


def _written_on(picture: Luma) -> Luma:
    """The picture with a voltage in its lower bar."""
    picture = picture.copy()
    cv2.putText(picture, "16.2V", (20, HEIGHT - 8), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 235, 1)
    return picture


def test_text_in_a_bar_does_not_hide_it() -> None:
    """A letterbox with a line of text in its lower bar is found within a pixel."""
    pictures = [_written_on(picture) for picture in framed((30, 30, 0, 0))]
    assert picture_window(pictures) == pytest.approx((30, HEIGHT - 30, 0, WIDTH), abs=1)


@pytest.mark.parametrize("gain", [0.08, 0.15, 0.3])
@pytest.mark.parametrize("sigma", [0.5, 2.0])
def test_a_letterbox_is_found_in_the_dark(gain: float, sigma: float) -> None:
    """Around a scene that reaches some ten codes above black, both bars are found within a pixel."""
    generator = np.random.default_rng(8)
    pictures = []
    for scene in SCENES:
        inside = np.full(scene.shape, 16.0)
        inside[30:-30] = 16.0 + gain * (scene[30:-30] - 16.0)
        pictures.append(noisy(inside, sigma, generator))
    assert picture_window(pictures) == pytest.approx((30, HEIGHT - 30, 0, WIDTH), abs=1)


def test_dark_sky_and_dark_ground_are_no_letterbox() -> None:
    """Dark above and below alike, with a lit strip between that wanders as the camera tilts, is all picture."""
    pictures = []
    for number, scene in enumerate(SCENES):
        picture = np.full(scene.shape, 16.0)
        shift = 12 * (number % 4 - 1)
        picture[60 + shift : HEIGHT - 60 + shift] = scene[60 + shift : HEIGHT - 60 + shift]
        pictures.append(coded(picture))
    assert picture_window(pictures) == (0, HEIGHT, 0, WIDTH)


@pytest.mark.parametrize("rows", [30, 60, 100])
def test_a_dark_sky_over_lit_ground_is_no_border(rows: int) -> None:
    """A crushed sky above a horizon that hardly wanders is picture: only one side of it is dark, and it is not thin."""
    pictures = []
    for number, scene in enumerate(SCENES):
        scene = scene.copy()
        scene[: rows + number % 3 - 1] = 16.0
        pictures.append(coded(scene))
    assert picture_window(pictures) == (0, HEIGHT, 0, WIDTH)


@pytest.mark.parametrize("code", [0, 16, 60, 235])
def test_an_even_flight_has_no_border(code: int) -> None:
    """With nothing lit anywhere the whole frame is the picture."""
    assert picture_window([np.full((HEIGHT, WIDTH), code, np.uint8)] * 6) == (0, HEIGHT, 0, WIDTH)


@pytest.mark.parametrize("first", [0, 1])
@pytest.mark.parametrize("step", [3.0, 6.0, 12.0, -6.0])
def test_two_instants_are_seen_in_either_order(first: int, step: float) -> None:
    """Top or bottom field first, moving left or right: lines of two instants are interlaced."""
    assert interlaced(woven(step, first=first)) is True


@pytest.mark.parametrize("sigma", [0.0, 2.0, 4.0, 6.0, 9.0, 12.0])
@pytest.mark.parametrize("step", [3.0, 8.0])
def test_noise_neither_makes_nor_hides_combing(sigma: float, step: float) -> None:
    """With up to 12 codes of noise a pixel, pictures of two instants are told from pictures of one."""
    assert interlaced(woven(step, sigma)) is True
    assert interlaced(woven(0.0, sigma)) is not True


@pytest.mark.parametrize("period", [2, 3, 4, 5, 8])
def test_fine_level_lines_are_not_combing(period: int) -> None:
    """Level lines of three px or more a period (blinds, a fence) are no combing; at two px nothing can tell."""
    lines = np.where(np.arange(HEIGHT)[:, None] * 2 // period % 2, 180.0, 60.0) * np.ones((1, WIDTH))
    if period > 2:
        assert interlaced([coded(lines)] * 6) is not True
    else:  # every second line of such a picture is even, as it is in one woven of two instants
        assert interlaced([coded(lines)] * 6) is True


def test_an_even_picture_says_nothing_of_interlace() -> None:
    """Without teeth anywhere there is no evidence, and the stream's flag holds either way."""
    even = [np.full((HEIGHT, WIDTH), 90, np.uint8)] * 6
    assert interlaced(even) is None
    for flag in (False, True):
        look = first_look(even, range_tag="narrow", interlaced_flag=flag, criteria=Criteria())
        assert look.interlaced is flag


def test_a_flag_is_believed_where_nothing_moves() -> None:
    """Fields of a scene that stands still are alike, so a stream's interlace flag holds, and the note says so; in flight it
    does not hold against pictures without combing.
    """
    generator = np.random.default_rng(8)
    rows, columns = np.arange(HEIGHT)[:, None], np.arange(WIDTH)
    fence = 30.0 * (rows % 6 < 3) * (columns < 60)
    lamp = [30.0 * (number in (3, 4)) for number in range(8)]
    still = [noisy(SCENES[0] + fence + light, 2.0, generator) for light in lamp]
    flying = [noisy(scene + np.roll(fence, 40 * number, 1), 2.0, generator) for number, scene in enumerate(SCENES)]
    hidden = [noisy(np.full((HEIGHT, WIDTH), 90.0), 30.0, generator) for _ in SCENES]
    assert [interlaced(pictures) for pictures in (still, flying, hidden)] == [False] * 3
    assert views_of_scene(hidden).shown == 0  # nothing is seen to stand still
    cases = ((still, True, True), (still, False, False), (flying, True, False), (hidden, True, False))
    for pictures, flag, expected in cases:
        look = first_look(pictures, range_tag="narrow", interlaced_flag=flag, criteria=Criteria())
        assert look.interlaced is expected
        assert any("stands still" in note for note in look.notes) is expected


@pytest.mark.parametrize(("step", "expected"), [(6.0, True), (0.0, False)])
def test_a_flag_is_believed_in_noise_that_hides_combing(step: float, expected: bool) -> None:
    """By night noise has more teeth than motion between fields, but that bends lines from line to line more than within a field."""
    pictures = woven(step, 28.0)
    assert interlaced(pictures) is False
    look = first_look(pictures, range_tag="narrow", interlaced_flag=True, criteria=Criteria())
    assert look.interlaced is expected
    assert first_look(pictures, range_tag="narrow", interlaced_flag=False, criteria=Criteria()).interlaced is False


def test_a_quarter_of_the_pictures_is_enough() -> None:
    """Motion in a quarter of the pictures shows interlace; those without teeth do not vote against it."""
    still = [np.full((HEIGHT, WIDTH), 90, np.uint8)] * 20
    assert interlaced([*woven(8.0)[:2], *still]) is True


def test_the_look_keeps_two_pixels_from_a_soft_edge() -> None:
    """The window starts two pixels inside a border, the border is given as it is, and no side without one is cut."""
    look = first_look(framed((30, 30, 0, 0)), range_tag="narrow", interlaced_flag=False, criteria=Criteria())
    top, right, bottom, left = look.border_px
    assert (top, right, bottom, left) == pytest.approx((30, 0, 30, 0), abs=1)
    assert look.area.window == (top + 2, HEIGHT - bottom - 2, 0, WIDTH)


@pytest.mark.parametrize("shape", [(48, 64), (61, 83), (16, 16)])
def test_tiny_and_odd_pictures_do_not_fail(shape: tuple[int, int]) -> None:
    """A look at small pictures of odd or even size gives a window within them."""
    generator = np.random.default_rng(9)
    pictures = [generator.integers(0, 256, shape).astype(np.uint8) for _ in range(7)]
    look = first_look(pictures, range_tag=None, interlaced_flag=False, criteria=Criteria())
    top, bottom, left, right = look.area.window
    assert 0 <= top < bottom <= shape[0]
    assert 0 <= left < right <= shape[1]
