"""Range, floor and ceiling, borders, overlay and interlace from pictures spread over a flight."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from frame_material import Luma, coded, middle, moved, noisy, texture

from fieldscore.analyse import look_at
from fieldscore.criteria import Criteria
from fieldscore.levels import chain_ends
from fieldscore.overlay import overlay_of, views_of_scene
from fieldscore.picture import FirstLook, first_look, interlaced, picture_window
from fieldscore.units import CodeRange
from fieldscore.video import Flight

BIG = texture(900, 1300)


def flown(count: int = 16, step: float = 23.0, low: float = 0.0) -> list[npt.NDArray[np.float64]]:
    """Pictures of a scene flown over, 480 x 640, from code `low` up."""
    return [np.maximum(middle(moved(BIG, right=step * (number - count / 2))), low) for number in range(count)]


def limited(floor: float, ceiling: float, sigma: float = 1.0, count: int = 12) -> list[Luma]:
    """Flown pictures stretched so that parts are crushed at the floor and clipped at the ceiling of a chain."""
    generator = np.random.default_rng(4)
    found = []
    scenes = flown(count)
    dark, bright = np.percentile(scenes[0], (8, 96))  # so much is crushed and clipped
    for scene in scenes:
        wide = (
            floor + (scene - dark) * (ceiling - floor) / (bright - dark) + 3.0 * generator.standard_normal(scene.shape)
        )
        found.append(
            coded(np.clip(wide, floor, ceiling) + sigma * generator.standard_normal(scene.shape) * (sigma > 0))
        )
    return found


@pytest.mark.parametrize(
    ("floor", "ceiling", "tag"),
    # nominal narrow and full range (ITU-R BT.601); an analogue chain; setup of 7.5 IRE left in: black at 32.4 (SMPTE 170M)
    [(16, 235, "narrow"), (0, 255, "full"), (20, 228, "narrow"), (32, 235, "narrow"), (5, 250, "full")],
)
@pytest.mark.parametrize("sigma", [0.0, 0.7])
def test_ends_of_a_chain(floor: int, ceiling: int, tag: str, sigma: float) -> None:
    """Floor and ceiling are found at the code where pixels pile up, within a code."""
    ends = chain_ends(limited(floor, ceiling, sigma), None, tag)
    assert ends.floor == pytest.approx(floor, abs=1.0)
    assert ends.ceiling == pytest.approx(ceiling, abs=1.0)
    assert ends.floor_from == ends.ceiling_from == "measured"


def test_no_pile_up_is_nominal() -> None:
    """A scene that reaches neither end has the nominal ones, and they are called so."""
    ends = chain_ends([coded(scene) for scene in flown()], None, "narrow")
    assert (ends.floor, ends.ceiling, ends.floor_from, ends.ceiling_from) == (16.0, 235.0, "nominal", "nominal")


def test_an_even_dark_sky_is_no_floor() -> None:
    """An even sky at code 60 with a little noise, the darkest thing of the flight, is not taken for the floor."""
    generator = np.random.default_rng(2)
    pictures = []
    for scene in flown(low=70.0):
        scene = scene.copy()
        scene[:160] = 60.0
        pictures.append(noisy(scene, 0.8, generator))
    assert chain_ends(pictures, None, "narrow").floor == 16.0


@pytest.mark.parametrize(
    ("floor", "ceiling", "tag", "expected", "how"),
    [
        (16, 235, "narrow", CodeRange.NARROW, "tag"),
        (0, 255, "full", CodeRange.FULL, "tag"),
        (16, 235, None, CodeRange.NARROW, "measured"),
        (0, 255, None, CodeRange.FULL, "measured"),
        (0, 255, "narrow", CodeRange.FULL, "measured"),
    ],
)
def test_code_range(floor: int, ceiling: int, tag: str | None, expected: CodeRange, how: str) -> None:
    """The tag holds unless pixels far outside 16..235 contradict it; without one the histogram speaks."""
    ends = chain_ends(limited(floor, ceiling), None, tag)
    assert (ends.code_range, ends.range_from) == (expected, how)
    assert bool(ends.notes) == (tag == "narrow" and how == "measured")


def test_code_range_without_evidence_is_assumed() -> None:
    """No tag and nothing at either end: narrow, said to be assumed."""
    ends = chain_ends([coded(scene) for scene in flown()], None, None)
    assert (ends.code_range, ends.range_from) == (CodeRange.NARROW, "assumed")
    assert "assumed" in ends.notes[0]


@pytest.mark.parametrize(
    "border", [(0, 0, 0, 0), (60, 60, 0, 0), (0, 0, 80, 80), (4, 4, 8, 8), (0, 0, 0, 7), (2, 6, 8, 8)]
)
def test_borders(border: tuple[int, int, int, int]) -> None:
    """Letterbox, pillarbox and blanking are found within a line; top, bottom, left, right."""
    top, bottom, left, right = border
    generator = np.random.default_rng(1)
    pictures = []
    for scene in flown():
        framed = np.full(scene.shape, 16.0)
        framed[top : 480 - bottom, left : 640 - right] = scene[top : 480 - bottom, left : 640 - right]
        pictures.append(noisy(framed, 0.5, generator))
    found = picture_window(pictures)
    assert found == pytest.approx((top, 480 - bottom, left, 640 - right), abs=1)


def test_a_dark_sky_is_no_border() -> None:
    """A crushed sky over the whole width is picture, however even."""
    pictures = []
    for number, scene in enumerate(flown()):
        scene = scene.copy()
        horizon = 150 + 20 * np.sin(np.arange(640) / 90 + number)
        scene[np.arange(480)[:, None] < horizon[None, :]] = 16.0
        pictures.append(coded(scene))
    assert picture_window(pictures) == (0, 480, 0, 640)


def _with_text(scene: npt.NDArray[np.float64], number: int) -> tuple[Luma, npt.NDArray[np.bool_]]:
    """A picture with a label and a timer in white on black outline, and where they are."""
    picture = coded(scene)
    strokes = np.zeros(picture.shape, np.uint8)
    for text, place in (
        ("FIELD 4", (30, 50)),
        (f"0{number // 10}:{number * 7 % 60:02d}", (480, 50)),
        ("16.2V", (30, 450)),
    ):
        for thickness, code in ((6, 20), (2, 235)):
            cv2.putText(picture, text, place, cv2.FONT_HERSHEY_SIMPLEX, 1.0, code, thickness)
        cv2.putText(strokes, text, place, cv2.FONT_HERSHEY_SIMPLEX, 1.0, 1, 6)
    return picture, strokes > 0


def test_overlay_text_is_found() -> None:
    """Of labels and a running timer 95 % of the pixels are found, with under 3 % of the picture beside them."""
    shown = [_with_text(scene, number) for number, scene in enumerate(flown())]
    mask, note = overlay_of(views_of_scene([picture for picture, _ in shown]))
    truth = np.logical_or.reduce([strokes for _, strokes in shown])
    assert note == ""
    assert mask is not None
    assert (mask & truth).sum() >= 0.95 * truth.sum()
    assert (mask & ~truth).mean() < 0.03


def test_no_overlay_where_there_is_none() -> None:
    """A scene flown over without text has no mask."""
    assert overlay_of(views_of_scene([coded(scene) for scene in flown()])) == (None, "")


def test_a_scene_that_stands_still_is_not_taken_for_text() -> None:
    """On the ground nothing can be told from text: no mask, and a note says why."""
    generator = np.random.default_rng(3)
    pictures = [noisy(middle(BIG), 2.0, generator) for _ in range(16)]
    mask, note = overlay_of(views_of_scene(pictures))
    assert mask is None
    assert "hardly moves" in note


def test_interlace_is_seen_in_the_pictures() -> None:
    """Lines of two instants are recognised, progressive pictures and fine texture are not."""
    progressive = [coded(scene) for scene in flown(8)]
    woven = []
    for scene in flown(8):
        picture = coded(scene)
        picture[1::2] = coded(np.roll(scene, 9, axis=1))[1::2]
        woven.append(picture)
    stripes = np.where(np.arange(480)[:, None] // 2 % 2, 180.0, 60.0) * np.ones((1, 640))
    assert interlaced(woven) is True
    assert interlaced(progressive) is not True
    assert interlaced([coded(stripes)] * 8) is not True


def test_the_flag_is_not_believed_against_the_pictures() -> None:
    """A flag that lies either way is overruled and the result says so."""
    woven = []
    for scene in flown(8):
        picture = coded(scene)
        picture[1::2] = coded(np.roll(scene, 9, axis=1))[1::2]
        woven.append(picture)
    look = first_look(woven, range_tag="narrow", interlaced_flag=False, criteria=Criteria())
    assert look.interlaced
    assert any("progressive" in note for note in look.notes)


def test_snow_and_blue_screens_are_left_out_of_the_look() -> None:
    """A few pictures of lost link change neither border, overlay nor levels."""
    generator = np.random.default_rng(5)
    framed = []
    for scene in flown():
        picture = np.full(scene.shape, 16.0)
        picture[60:420] = scene[60:420]
        framed.append(coded(picture))
    snow = [generator.integers(0, 255, (480, 640)).astype(np.uint8) for _ in range(4)]
    blue = [np.full((480, 640), 41, np.uint8)] * 2
    look = first_look(
        [*framed[:8], *snow, *blue, *framed[8:]], range_tag="narrow", interlaced_flag=False, criteria=Criteria()
    )
    assert look.border_px == (60, 0, 60, 0)
    assert look.ends.floor == 16.0
    assert look.ends.code_range is CodeRange.NARROW


def test_a_look_needs_a_picture() -> None:
    """Without pictures there is nothing to look at."""
    with pytest.raises(ValueError, match="at least one picture"):
        first_look([], range_tag=None, interlaced_flag=False, criteria=Criteria())


def test_further_pictures_are_asked_for_only_in_flight() -> None:
    """With six pictures, text is looked for in further ones where the scene moves; on the ground nothing more is decoded."""
    asked: list[int] = []
    generator = np.random.default_rng(3)
    flight = [_with_text(scene, number)[0] for number, scene in enumerate(flown(20))]

    def more(enough: int) -> list[Luma]:
        asked.append(enough)
        return flight[:enough]

    def looked(pictures: list[Luma]) -> FirstLook:
        return first_look(pictures, range_tag="narrow", interlaced_flag=False, criteria=Criteria(), more=more)

    assert looked(flight[::4]).overlay_percent > 0.3
    assert asked == [10]
    scene = middle(BIG)
    ground = [
        noisy(scene + (40.0 if number == 3 else 0.0), 2.0, generator) for number in range(6)
    ]  # a lamp is lit once
    found = looked(ground)
    assert (asked, found.overlay_percent) == ([10], 0.0)
    assert any("hardly moves" in note for note in found.notes)
    looked(flight[:12])
    assert asked == [10]  # there are enough


def test_the_ground_is_not_masked_as_text() -> None:
    """The demo's torch test, a camera that stands on the ground at night, has no overlay mask and says why."""
    clip = Path(__file__).parents[1] / "clips" / "torch-test-camera-a.mp4"
    found = look_at(Flight([clip]), Criteria(), "torch")
    assert found.overlay_percent == 0.0
    assert any("hardly moves" in note for note in found.notes)
