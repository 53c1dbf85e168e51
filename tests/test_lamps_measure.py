"""Lamps in view and the cast of the dark, on made pictures."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from frame_material import area_of, coded, frame_of

from fieldscore.frame import PictureArea
from fieldscore.measures.colour import cast
from fieldscore.measures.lamps import EVENLY, NONE, PERHAPS, SURE, _evenness, lamps_in_view, sources
from fieldscore.units import CodeRange, from_linear


def night(*lamps: tuple[int, int, int], width: int = 640, height: int = 480) -> np.ndarray:
    """A dark picture with discs (x, y, radius in px) at the ceiling."""
    picture = np.full((height, width), 30, np.uint8)
    for x, y, radius in lamps:
        cv2.circle(picture, (x, y), radius, 235, -1)
    return picture


def test_lamps_are_counted_and_sized() -> None:
    """Three discs are three lamps; the radius is the largest one's, in % of the height, within a tenth."""
    count, radius, _ = lamps_in_view(frame_of(night((100, 100, 6), (300, 200, 12), (500, 300, 8))))
    assert count == 3
    assert radius == pytest.approx(100 * 12 / 480, rel=0.1)


def test_no_lamp_has_no_radius() -> None:
    """A dark picture has no lamp and no radius."""
    count, radius, _ = lamps_in_view(frame_of(night()))
    assert count == 0 and np.isnan(radius)


@pytest.mark.parametrize("what", ["sky", "line", "text"])
def test_bright_things_that_are_no_lamps(what: str) -> None:
    """A clipped sky, a clipped horizon and clipped text under the overlay mask are no lamps."""
    picture, overlay = night(), None
    if what == "sky":
        picture[:200] = 235
    elif what == "line":
        picture[240:244] = 235
    else:
        cv2.putText(picture, "12.3 V", (40, 440), cv2.FONT_HERSHEY_SIMPLEX, 1.0, 235, 3)
        overlay = cv2.dilate((picture > 100).astype(np.uint8), np.ones((9, 9))) > 0
    area = area_of(overlay=overlay)
    assert lamps_in_view(frame_of(picture, area))[0] == 0


def glowing(picture: np.ndarray, x: int, y: int, radius: int, glow: float) -> np.ndarray:
    """The picture with a lamp at the ceiling and its glow, in codes at its edge, which falls to an e-th over 25 px."""
    down, right = np.mgrid[: picture.shape[0], : picture.shape[1]]
    away = np.maximum(np.hypot(right - x, down - y) - radius, 0.0)
    lit = picture + np.where(away > 0.0, glow * np.exp(-away / 25.0), 255.0)
    return np.clip(lit, 0, 235).astype(np.uint8)


@pytest.mark.parametrize("power", [1.5, 2.2, 3.0])
@pytest.mark.parametrize("radius", [4, 7, 20])
def test_light_that_falls_fast_is_even_all_the_same(radius: int, power: float) -> None:
    """A lamp by itself in a halo that falls by a power of the distance is one; beside a lit wall, which falls to one side, none.

    Over the width of the nearest ring the light of the halo falls by a third and more.
    """
    down, right = np.mgrid[:480, :640]
    away = np.hypot(right - 320.0, down - 200.0)
    halo = 0.02 + 0.5 * np.maximum(away / radius, 1.0) ** -power
    wall = np.where(right < 316, 0.45, 0.02)
    found = []
    for around in (halo, wall):
        level = from_linear(np.where(away <= radius, 1.0, around), "srgb")
        found.append(seen(np.rint(16.0 + 219.0 * level).astype(np.uint8)))
    assert found == [1, 0]


@pytest.mark.parametrize(("contrast", "sign"), [(0.05, EVENLY), (0.14, PERHAPS), (0.3, NONE)])
def test_a_lamp_on_a_ceiling_of_some_contrast_is_perhaps_one(contrast: float, sign: float) -> None:
    """What a lamp lights around itself has its own contrast, by which its light is less even than a halo in the dark."""
    down, right = np.mgrid[:480, :640]
    away = np.hypot(right - 320.0, down - 200.0)
    ceiling = (0.02 + 0.5 * np.maximum(away / 7.0, 1.0) ** -1.5) * np.where(
        (right - 320) // 20 % 2 == 0, 1 + contrast, 1 - contrast
    )
    level = from_linear(np.where(away <= 7.0, 1.0, ceiling), "srgb")
    found = sources(frame_of(np.rint(16.0 + 219.0 * level).astype(np.uint8)))
    assert found["sign"].tolist() == [pytest.approx(sign)]


def test_light_that_rises_is_no_halo() -> None:
    """Light that falls and comes back by as much, or rises first, for another light there, is not made even by a law that bends."""
    away = np.linspace(2.5, 8.5, 120, dtype=np.float32)
    valley = 0.1 * np.exp2(0.09 * (away.astype(np.float64) - 5.5) ** 2)
    hill = 0.3 * np.exp2(-0.09 * (away.astype(np.float64) - 5.5) ** 2)
    halo = 0.04 + 0.09 * np.exp(-(away.astype(np.float64) - 2.5) / 0.9)
    assert max(_evenness(valley, away), _evenness(hill, away)) < 0.8 <= _evenness(halo, away)


@pytest.mark.parametrize("sky_light", [0.03, 0.04, 0.05])
def test_a_narrow_halo_before_an_even_sky_is_a_lamps(sky_light: float) -> None:
    """Where the halo ends within the nearest ring, its light falls along no straight line; a lit wall on one side is no halo."""
    down, right = np.mgrid[:480, :640]
    away = np.hypot(right - 320.0, down - 200.0)
    halo = np.minimum(sky_light + 4.0 * np.exp(-(away - 8.0) / 3.0), 0.94)
    found = []
    for around in (halo, np.where(right < 316, np.maximum(halo, 0.4), halo)):
        level = from_linear(np.where(away <= 8.0, 1.0, around), "srgb")
        found.append(seen(np.rint(16.0 + 219.0 * level).astype(np.uint8)))
    assert found == [1, 0]


@pytest.mark.parametrize(
    ("x", "wide", "sky_light", "glow_px", "lamps"),
    [
        (320.0, 25.0, 0.1, 80.0, 1),
        (320.0, 25.0, 0.45, 40.0, 1),
        (320.0, 25.0, 0.3, 300.0, 0),  # a hole in an even sky
        (320.0, 75.0, 0.45, 30.0, 0),  # the top of a wall
        (20.0, 125.0, 0.45, 30.0, 0),
        (-6.0, 25.0, 0.45, 30.0, 1),  # the sun that goes
    ],
)
def test_by_day_only_what_shines_like_the_sun_is_one(
    x: float, wide: float, sky_light: float, glow_px: float, lamps: int
) -> None:
    """A disc in a bright glow that falls may be the sun, also where the edge cuts it; what is long, or in no glow, is none."""
    down, right = np.mgrid[:480, :640]
    away = np.hypot(np.maximum(np.abs(right - x) - (wide - 25.0), 0.0), down - 200.0) - 25.0
    light = np.where(away <= 0.0, 1.0, sky_light + (0.94 - sky_light) * np.exp(-away / glow_px))
    assert seen(np.rint(16.0 + 219.0 * from_linear(light, "srgb")).astype(np.uint8)) == lamps


def seen(picture: np.ndarray, area: PictureArea | None = None) -> float:
    """How many lamps are seen in a picture."""
    return lamps_in_view(frame_of(picture, area or area_of(*picture.shape)))[0]


def sky(code: int) -> np.ndarray:
    return np.full((480, 640), code, np.uint8)


@pytest.mark.parametrize("code", [30, 80, 130])
@pytest.mark.parametrize("radius", [3, 8, 20, 40, 70])
def test_a_lamp_on_a_post_is_one(code: int, radius: int) -> None:
    """A lamp with a glow at the top of a lit post, or without one and no post: one lamp each, before any sky."""
    picture = sky(code)
    picture[150:400, 198:203] = 140
    assert seen(glowing(picture, 200, 150, radius, 60.0)) == 1
    alone = sky(code)
    cv2.circle(alone, (200, 150), radius, 235, -1)
    assert seen(alone) == 1


@pytest.mark.parametrize("sigma", [4.0, 8.0, 12.0])
def test_noise_hides_no_lamp(sigma: float) -> None:
    """In noise of 2 to 5 % of white a lamp counts in each of ten pictures, with a glow or without one."""
    generator = np.random.default_rng(5)
    bare = sky(80)
    cv2.circle(bare, (200, 200), 8, 235, -1)
    for picture in (bare, glowing(sky(50), 200, 200, 8, 60.0)):
        for _ in range(10):
            assert seen(coded(picture + sigma * generator.standard_normal(picture.shape))) == 1


@pytest.mark.parametrize(("light", "lamps"), [(0.45, 0), (0.04, 1)])
def test_a_speck_of_bright_ground_is_no_lamp(light: float, lamps: int) -> None:
    """A small round speck in a soft light patch of rough ground is none; as bright a spot over ground a tenth as light is one."""
    rough = cv2.GaussianBlur(np.random.default_rng(3).standard_normal((480, 640)), (0, 0), 9.0)
    down, right = np.mgrid[:480, :640]
    away = np.hypot(right - 300.0, down - 260.0)
    ground = light * np.exp2(0.4 * np.clip(rough / rough.std(), -2.0, 1.5)) * (1.0 - np.exp(-((away / 14.0) ** 4)))
    lit = ground + 0.5 * np.exp(-((away / 14.0) ** 4))
    level = from_linear(np.clip(np.where(away <= 4.0, 1.0, lit), 0.0, 1.0), "srgb")
    assert seen(np.rint(16.0 + 219.0 * level).astype(np.uint8)) == lamps


@pytest.mark.parametrize("blur", [1.5, 2.0])
def test_a_soft_lens_hides_no_lamp(blur: float) -> None:
    """A lamp ten times as bright as white without a glow, its edge blurred as analogue video does, counts before any sky."""
    for code in (30, 60, 90, 130):
        for radius in (4, 8, 16, 24):
            light = np.zeros((480, 640), np.float32)
            cv2.circle(light, (200, 200), radius, 10.0, -1)
            light = ((code - 16) / 219) ** 2.2 + cv2.GaussianBlur(light, (0, 0), blur)
            assert seen(coded(16.0 + 219.0 * np.minimum(light, 1.2) ** (1 / 2.2))) == 1 or (code, radius) == (90, 4)


@pytest.mark.parametrize(("height", "width", "lines_a_row"), [(240, 640, 2), (480, 854, 1), (1080, 1920, 1)])
def test_a_disc_is_round_whatever_its_samples(height: int, width: int, lines_a_row: int) -> None:
    """A disc without a glow is a lamp of its size in one field, too, and in wide pictures; three times as tall it is a post."""
    area = replace(area_of(height, width), lines_a_row=lines_a_row)
    across = round(0.03 * height * lines_a_row)
    for times, expected in ((1, 1), (3, 0)):
        picture = np.full((height, width), 80, np.uint8)
        axes = (across, times * across // lines_a_row)
        cv2.ellipse(picture, (width // 2, height // 2), axes, 0, 0, 360, 235, -1)
        count, size, _ = lamps_in_view(frame_of(picture, area))
        assert count == expected
        assert expected == 0 or size == pytest.approx(3.0, rel=0.16)


def gate() -> np.ndarray:
    """A gate's frame, grey and white, before a dark sky."""
    picture = sky(40)
    cv2.rectangle(picture, (200, 150), (400, 350), 140, 24)
    for along in range(200, 400, 50):
        for x, y in ((along, 150), (along, 350), (200, along - 50), (400, along - 50)):
            cv2.rectangle(picture, (x - 10, y - 10), (x + 10, y + 10), 235, -1)
    return picture


def test_white_parts_of_a_gate_are_no_lamps() -> None:
    """White fields of a gate's frame stand at the ceiling as a lamp does: none counts, and overlay above them changes nothing."""
    overlay = np.zeros((480, 640), dtype=np.bool_)
    overlay[60:136] = True
    assert seen(gate()) == 0
    assert seen(gate(), area_of(overlay=overlay)) == 0


def test_lit_ground_and_the_top_of_a_post_are_no_lamps() -> None:
    """Of two dozen patches of lit ground one at most counts, at the skyline; the white top of a post does not."""
    noise = np.random.default_rng(3).normal(size=(480, 640)).astype(np.float32)
    ground = 215.0 + 60.0 * cv2.GaussianBlur(noise, (0, 0), 6.0) / 0.047 / 6.0
    picture = np.clip(ground, 16, 235).astype(np.uint8)
    picture[:200] = 50
    assert (picture == 235).mean() > 0.01
    assert seen(picture) <= 1
    post = sky(60)
    post[200:400, 300:308] = 140
    post[200:240, 300:308] = 235
    assert seen(post) == 0


def test_only_what_is_above_a_source_is_looked_at() -> None:
    """A bright wall close below a lamp takes nothing from it; close above, it is no lamp."""
    for above, expected in ((False, 1), (True, 0)):
        picture = sky(60)
        cv2.circle(picture, (300, 240), 8, 235, -1)
        rows = slice(200, 230) if above else slice(252, 300)
        picture[rows, 260:300] = 200
        assert seen(picture) == expected


def test_not_more_than_two_dozen_lamps_are_looked_at() -> None:
    """Of a hundred lights the two dozen largest are looked at, and counted."""
    lights = [(40 + 60 * column, 30 + 42 * row, 4) for row in range(10) for column in range(10)]
    assert seen(night(*lights)) == 24


def test_a_sun_that_peeks_in_counts() -> None:
    """Half a disc at the edge of the picture is a source in view."""
    assert lamps_in_view(frame_of(night((639, 200, 20))))[0] == 1


def test_size_does_not_depend_on_the_picture() -> None:
    """The same lamp at half the size has the same radius in % of the height."""
    large = lamps_in_view(frame_of(night((640, 480, 30), width=1280, height=960)))[1]
    small = lamps_in_view(frame_of(night((320, 240, 15))))[1]
    assert large == pytest.approx(small, rel=0.08)


def coloured(red_stops: float, blue_stops: float, light: float, sigma: float = 0.0, full: bool = False) -> tuple:
    """Planes (BT.601, 4:2:0) of an even picture whose light has that cast, with noise on every plane."""
    rng = np.random.default_rng(1)
    rgb = from_linear(light * np.exp2([red_stops, 0.0, blue_stops]), "srgb")
    luma = float(rgb @ [0.299, 0.587, 0.114])
    span, chroma, black = (255.0, 255.0, 0.0) if full else (219.0, 224.0, 16.0)
    codes = [black + span * luma, 128 + chroma * (rgb[2] - luma) / 1.772, 128 + chroma * (rgb[0] - luma) / 1.402]
    shapes = [(480, 640), (240, 320), (240, 320)]
    return tuple(
        np.clip(np.round(code + sigma * rng.normal(size=shape)), 0, 255).astype(np.uint8)
        for code, shape in zip(codes, shapes, strict=True)
    )


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize(("red", "blue"), [(0.0, 0.0), (0.3, -0.4), (-0.2, 0.5)])
def test_cast_of_the_dark_is_found_through_noise(red: float, blue: float, full: bool) -> None:
    """Averaged first, the cast of a dark noisy picture is right within 0.05 log2."""
    luma, cb, cr = coloured(red, blue, 0.02, sigma=6.0, full=full)
    area = area_of(code_range=CodeRange.FULL if full else CodeRange.NARROW)
    found = cast(frame_of(luma, area, chroma=(cb, cr)))
    assert found[:2] == pytest.approx((red, blue), abs=0.05)


def test_no_dark_no_cast() -> None:
    """A bright picture has no cast of its dark."""
    luma, cb, cr = coloured(0.1, 0.1, 0.5)
    assert np.isnan(cast(frame_of(luma, chroma=(cb, cr)))).all()


def test_no_colour_no_cast() -> None:
    """A grey recording has none."""
    assert np.isnan(cast(frame_of(night()))).all()


def test_borders_have_no_part_in_the_cast() -> None:
    """Coloured borders outside the picture do not tint its dark."""
    luma, cb, cr = coloured(0.2, -0.2, 0.02, sigma=2.0)
    cb[:, :40], cr[:, :40], luma[:, :80] = 240, 240, 40
    found = cast(frame_of(luma, area_of(window=(0, 480, 80, 640)), chroma=(cb, cr)))
    assert found[:2] == pytest.approx((0.2, -0.2), abs=0.05)


def test_a_source_has_its_place_radius_and_sign() -> None:
    """Right of and below the middle and radius are in picture heights, largest first; a disc by itself is surely a lamp."""
    found = sources(frame_of(night((480, 120, 12), (160, 360, 6))))
    assert found["right"] == pytest.approx([(480 - 319.5) / 480, (160 - 319.5) / 480], abs=0.002)
    assert found["down"] == pytest.approx([(120 - 239.5) / 480, (360 - 239.5) / 480], abs=0.002)
    assert found["radius"] == pytest.approx([12 / 480, 6 / 480], rel=0.15)
    assert found["sign"].tolist() == [SURE, SURE]


@pytest.mark.parametrize(("wide", "long"), [(4, 60), (8, 60), (8, 200)])
def test_a_lamp_joined_with_its_post_has_the_place_and_radius_of_the_lamp(wide: int, long: int) -> None:
    """A disc whose lit post is at the ceiling, too, is where the disc is, as large, and a lamp, however long the post."""
    picture = night((200, 150, 14))
    picture[150 : 150 + long, 200 - wide // 2 : 200 + wide // 2] = 235
    (one,) = sources(frame_of(picture))
    assert (one["right"], one["down"]) == pytest.approx(((200 - 319.5) / 480, (150 - 239.5) / 480), abs=0.006)
    assert one["radius"] == pytest.approx(14 / 480, rel=0.12)
    assert one["sign"] >= PERHAPS


@pytest.mark.parametrize(
    "strokes",
    [
        [((200, 100), (200, 400))],  # a post
        [((200, 100), (200, 400)), ((200, 100), (300, 100)), ((300, 100), (300, 400))],  # a gate
        [((200, 100), (200, 400)), ((150, 250), (250, 250))],  # a cross
        [((200, 100), (500, 140))],  # a wire
    ],
)
@pytest.mark.parametrize("thick", [8, 14])
def test_what_is_as_thick_elsewhere_has_no_lamp_in_it(strokes: list[tuple[tuple[int, int], ...]], thick: int) -> None:
    """A lit post, gate or wire by itself has no sign: no disc in it stands out from the rest."""
    picture = night()
    for start, end in strokes:
        cv2.line(picture, start, end, 235, thick)
    (one,) = sources(frame_of(picture))
    assert np.isnan(one["sign"])


def light_coded(light: np.ndarray) -> np.ndarray:
    """The picture of light in shares of the ceiling's."""
    return np.rint(16.0 + 219.0 * from_linear(np.clip(light, 0.0, 1.0), "srgb")).astype(np.uint8)


@pytest.mark.parametrize(("radius", "sky_light", "thick"), [(6, 0.02, 4), (8, 0.06, 6), (10, 0.06, 6)])
def test_a_lamp_on_a_lit_arm_is_told_by_the_light_about_itself(radius: int, sky_light: float, thick: int) -> None:
    """The dark about an arm and a post at the ceiling, far from the lamp, says nothing of the glow about the lamp."""
    down, right = np.mgrid[:480, :640]
    away = np.hypot(right - 320.0, down - 150.0)
    light = np.where(away <= radius, 1.0, sky_light + 0.5 * np.maximum(away / radius, 1.0) ** -2.0)
    light[150 - thick : 150, 240:320] = light[150 - thick : 400, 240 - thick : 240] = 1.0
    (one,) = sources(frame_of(light_coded(light)))
    assert (one["right"], one["down"]) == pytest.approx(((320 - 319.5) / 480, (150 - 239.5) / 480), abs=0.006)
    assert one["radius"] == pytest.approx(radius / 480, rel=0.15)
    assert one["sign"] >= EVENLY


@pytest.mark.parametrize("shape", ["disc", "arch", "leaves", "upper edge"])
def test_sky_in_a_dark_opening_is_no_lamp(shape: str) -> None:
    """What is dark all around and has no glow is a lamp if it is a disc: no arch, no opening in leaves or at the upper edge."""
    picture = np.full((480, 640), 235, np.uint8)
    if shape == "disc":
        picture = night((320, 200, 20))
    elif shape == "arch":
        picture = night((320, 200, 40))
        picture[180:] = 30
    elif shape == "leaves":
        picture[:120] = picture[280:] = picture[:, :240] = picture[:, 400:] = 30
        for x, y in ((240, 120), (400, 120), (240, 280), (400, 280), (320, 300)):
            cv2.circle(picture, (x, y), 62, 30, -1)
    else:
        picture[60:] = picture[:, :280] = picture[:, 340:] = 30
    signs = sources(frame_of(picture))["sign"]
    assert (signs >= PERHAPS).any() == (shape == "disc")


def test_a_disc_before_lit_things_is_no_lamp_for_its_post() -> None:
    """A disc on a post with a lit surface close above one side of it is told to be none, as one without a post is."""
    picture = night((200, 150, 14))
    picture[150:350, 197:203] = 235
    picture[110:150, 217:280] = 170
    (one,) = sources(frame_of(picture))
    assert one["sign"] == NONE


def test_specks_leave_room_for_a_joined_lamp() -> None:
    """Among more specks than are looked at, a lamp joined with its post is there all the same."""
    picture = night((320, 100, 20))
    picture[100:380, 317:323] = 235
    for number in range(60):
        x, y = 20 + 40 * (number % 15), 400 + 18 * (number // 15)
        picture[y : y + 4, x : x + 4] = 235
    assert sources(frame_of(picture))["radius"].max() == pytest.approx(20 / 480, rel=0.12)


def test_what_shows_nothing_has_no_sign() -> None:
    """Under overlay nothing shows what a source is; at the picture's upper edge it may be a lamp."""
    picture, overlay = night((300, 100, 8)), np.zeros((480, 640), np.bool_)
    overlay[:120, :288] = overlay[:120, 312:] = overlay[:96] = True
    assert np.isnan(sources(frame_of(picture, area_of(overlay=overlay)))["sign"]).all()
    assert sources(frame_of(night((300, 0, 3))))["sign"].tolist() == [PERHAPS]
