"""Speed of a light that leaves over the picture's edge, on made pictures."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from frame_material import RATE, area_of, chain, frame_of
from test_lamps_measure import night

from fieldscore.frame import PictureArea
from fieldscore.measures.lamps import light_leaving


def leaving(*pictures: np.ndarray, area: PictureArea | None = None, rate: float = RATE) -> float:
    """Speed out over the edge in the last of the pictures."""
    return light_leaving(chain(pictures, area, rate)[-1])[0]


def blocks(*lights: tuple[int, int, int, int], width: int = 640, height: int = 480) -> np.ndarray:
    """A dark picture with blocks (left, top, right, bottom) at the ceiling: of one cut by an edge the middle moves half as far."""
    picture = night(width=width, height=height)
    for left, top, right, bottom in lights:
        picture[top:bottom, left:right] = 235
    return picture


@pytest.mark.parametrize(
    ("before", "now", "speed"),
    [
        ((606, 200), (626, 200), 20.0),
        ((30, 200), (12, 200), 18.0),
        ((300, 30), (300, 14), 16.0),
        ((300, 450), (300, 464), 14.0),
    ],
)
def test_a_light_that_leaves_has_its_speed(before: tuple[int, int], now: tuple[int, int], speed: float) -> None:
    """A lamp cut by an edge leaves over it as fast as its middle moved, within a third; one that comes in goes back."""
    assert leaving(night((*before, 20)), night((*now, 20))) == pytest.approx(speed / 480 * 100 * RATE, rel=0.35)
    assert leaving(night((630, 200, 20)), night((624, 200, 20))) < 0.0


def test_a_light_that_is_whole_or_stays_leaves_over_no_edge() -> None:
    """A lamp inside the picture, in the first one or under the mask has no speed; that of one that stands at an edge is 0."""
    inside, moved, cut = night((300, 200, 20)), night((320, 200, 20)), night((630, 200, 20))
    assert np.isnan(leaving(inside, moved)) and np.isnan(leaving(cut)) and np.isnan(leaving(inside, night()))
    overlay = np.zeros(cut.shape, np.bool_)
    overlay[150:250, 580:] = True
    assert np.isnan(leaving(night((620, 200, 20)), cut, area=area_of(overlay=overlay)))
    assert leaving(cut, cut) == 0.0


@pytest.mark.parametrize("lit", ["band", "most", "at once"])
def test_a_light_that_fills_the_picture_leaves_over_no_edge(lit: str) -> None:
    """A light cut by opposite edges, one over a quarter of the picture and one that was not there before have no speed."""
    before, now = night(), night()
    if lit == "band":
        before[100:130], now[104:134] = 235, 235
    elif lit == "most":
        before[:240, :320], now[:240, :310] = 235, 235
    else:
        cv2.circle(now, (630, 200), 20, 235, -1)
    assert leaving(before, now) == 0.0


@pytest.mark.parametrize(
    ("before", "now", "pixels"),
    [
        ((560, 100, 640, 160), (592, 100, 640, 160), 16.0),
        ((100, 400, 160, 480), (100, 424, 160, 480), 12.0),
        ((560, 400, 640, 480), (592, 408, 640, 480), 16.0),
        ((480, 100, 640, 288), (504, 100, 640, 288), 12.0),
        ((544, 100, 640, 160), (626, 100, 640, 160), 41.0),
        ((560, 100, 600, 160), (604, 100, 640, 160), 42.0),
    ],
    ids=["right", "down", "over a corner", "a tenth of the picture", "little is left", "its width"],
)
@pytest.mark.parametrize("rate", [30.0, 60.0])
def test_speed_is_in_heights_a_second(
    before: tuple[int, int, int, int], now: tuple[int, int, int, int], pixels: float, rate: float
) -> None:
    """The middle's way over the edge, at a corner the longer one, is told to a twentieth, beside another light."""
    other = (300, 20, 340, 60)
    assert leaving(blocks(other, before), blocks(other, now), rate=rate) == pytest.approx(
        pixels / 480 * 100 * rate, rel=0.05
    )


def test_speed_is_the_same_in_fields_and_wide_pictures() -> None:
    """Eight lines of a field are 16 of the frame; heights are those of the picture, also where it is wide."""
    field = replace(area_of(240, 640), lines_a_row=2)
    before, now = blocks((100, 200, 160, 240), height=240), blocks((100, 216, 160, 240), height=240)
    assert leaving(before, now, area=field) == pytest.approx(8 / 240 * 100 * RATE, rel=0.05)
    before, now = (blocks((100, top, 160, 480), width=854) for top in (400, 424))
    assert leaving(before, now) == pytest.approx(12 / 480 * 100 * RATE, rel=0.05)


def test_what_a_soft_edge_of_the_picture_dims_is_cut_by_it() -> None:
    """A lamp leaves over an edge whose last column is a little darker; a large light near the edges is at none."""
    before, now = (blocks((left, 200, 1280, 320), width=1280, height=960) for left in (1100, 1140))
    before[:, -1], now[:, -1] = np.minimum(before[:, -1], 215), np.minimum(now[:, -1], 215)
    assert leaving(before, now) == pytest.approx(20 / 960 * 100 * RATE, rel=0.05)
    large = blocks((20, 20, 400, 460))
    assert np.isnan(leaving(large, large))


CUT, WHOLE = (600, 300, 640, 340), (300, 180, 360, 240)


@pytest.mark.parametrize(
    ("before", "now"),
    [
        ([WHOLE, CUT], [(620, 300, 640, 340)]),
        ([(540, 180, 600, 240), (610, 190, 640, 230)], [(610, 190, 640, 230)]),
        ([(540, 180, 600, 240)], [(610, 100, 640, 140)]),
        ([(540, 180, 600, 240)], [(632, 200, 640, 216)]),
        ([CUT, (300, 180, 330, 210), (100, 180, 130, 210)], [(620, 300, 640, 340)]),
        ([(0, 100, 640, 130)], [(0, 100, 500, 130)]),
        ([CUT], [(601, 300, 640, 340)]),
    ],
    ids=["another leaves", "one stood beside", "too far", "a speck", "none was most", "a band", "hardly moved"],
)
def test_a_light_that_goes_out_leaves_over_no_edge(
    before: list[tuple[int, int, int, int]], now: list[tuple[int, int, int, int]]
) -> None:
    """What is cut by the edge once the light that was most is gone is another: 0, whatever that does; so where it hardly moved."""
    assert leaving(blocks(*before), blocks(*now)) == 0.0


def test_a_light_not_yet_cut_has_no_speed_and_a_small_time_step_tells_none() -> None:
    """Beside a speck at the edge a whole lamp has none, and its own once it is cut; noise over a short time step is no speed."""
    speck, rest = (632, 300, 640, 308), (590, 180, 640, 240)
    assert np.isnan(leaving(night(), blocks((600, 300, 637, 340))))
    whole, nearer = (blocks(speck, (left, 180, left + 60, 240)) for left in (540, 560))
    assert np.isnan(leaving(whole, nearer))
    assert leaving(nearer, blocks(speck, rest)) == pytest.approx(25 / 480 * 100 * RATE, rel=0.05)
    assert leaving(blocks(CUT), blocks((602, 300, 640, 340)), rate=1e5) == 0.0


def test_a_light_that_leaves_slowly_has_its_speed_at_a_high_rate() -> None:
    """Half of the height a second is told at 120 frames a second, too, though it is two pixels of 480 from frame to frame."""
    before, now = blocks((560, 100, 640, 160)), blocks((564, 100, 640, 160))
    assert leaving(before, now, rate=120.0) == pytest.approx(2 / 480 * 100 * 120, rel=0.05)


def test_no_time_between_pictures_tells_no_speed() -> None:
    """Two pictures of one instant have no speed between them."""
    first = frame_of(blocks(CUT))
    for time_s in (first.time_s, first.time_s - 1.0):
        now = frame_of(blocks((620, 300, 640, 340)), previous=first, time_s=time_s, area=first.area)
        assert np.isnan(light_leaving(now)[0])


def test_a_light_is_not_followed_into_another_area() -> None:
    """Where the picture's area changes, as at another part of the file, there is no speed."""
    first = frame_of(blocks(CUT))
    now = frame_of(blocks((620, 300, 640, 340)), previous=first, time_s=1.0 / RATE)
    assert np.isnan(light_leaving(now)[0])


def test_the_largest_of_what_is_left_of_a_light_is_followed() -> None:
    """Where a light falls apart as it leaves, its largest part tells the speed, whatever speck stood near that."""
    before, speck = (560, 200, 640, 260), (618, 270, 622, 274)
    now = ((620, 160, 640, 190), (604, 200, 640, 260))
    assert leaving(blocks(before, speck), blocks(*now)) == pytest.approx(22 / 480 * 100 * RATE, rel=0.05)
    speck = (620, 190, 624, 194)
    assert leaving(blocks(before, speck), blocks((612, 190, 640, 230))) > 100.0
