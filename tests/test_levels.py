"""Ends and range of a chain in harder cases: symmetry, a codec, overlay, undershoot, setup, and skies near the floor."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from frame_material import Luma, coded, middle, moved, noisy, texture
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldscore.frame import eight_bit
from fieldscore.levels import Ends, chain_ends
from fieldscore.units import CodeRange
from fieldscore.video import ClipWriter, Encoding, Flight

HEIGHT, WIDTH = 240, 320
BIG = texture(360, 640)


def flown(count: int = 10) -> list[np.ndarray]:
    """Pictures of a scene flown over, codes 40 to 200."""
    return [middle(moved(BIG, right=17.0 * (number - count / 2)), HEIGHT, WIDTH) for number in range(count)]


SCENES = flown()


def limited(floor: float, ceiling: float, sigma: float = 0.6) -> list[Luma]:
    """The same through a chain that crushes 8 % at `floor` and clips 4 % at `ceiling`, then adds its own noise."""
    generator = np.random.default_rng(4)
    dark, bright = np.percentile(SCENES[0], (8, 96))
    wide = [floor + (scene - dark) * (ceiling - floor) / (bright - dark) for scene in SCENES]
    return [noisy(np.clip(scene, floor, ceiling), sigma, generator) for scene in wide]


def found_ends(ends: Ends) -> tuple[float, float]:
    return ends.floor, ends.ceiling


@pytest.mark.parametrize(("black", "tag"), [(32.4, "narrow"), (19.1, "full")])
def test_setup_left_in_the_signal(black: float, tag: str) -> None:
    """Setup of 7.5 IRE that nobody removed is found as a lifted floor, within a code."""
    # 16 + 0.075 x 219 = 32.4 and 0.075 x 255 = 19.1 (setup: SMPTE 170M)
    white = 235.0 if tag == "narrow" else 255.0
    ends = chain_ends(limited(black, white), None, tag)
    assert ends.floor == pytest.approx(black, abs=1.0)
    assert ends.floor_from == "measured"


@given(st.integers(2, 18), st.integers(238, 253))
@settings(max_examples=10, deadline=None)
def test_an_inverted_picture_has_its_ends_exchanged(floor: int, ceiling: int) -> None:
    """In full range, where both ends are alike, the negative's floor is 255 less the ceiling, and the other way."""
    pictures = limited(floor, ceiling)
    low, high = found_ends(chain_ends(pictures, None, "full"))
    assert found_ends(chain_ends([255 - picture for picture in pictures], None, "full")) == (255 - high, 255 - low)


@given(st.permutations(range(len(SCENES))))
@settings(max_examples=10, deadline=None)
def test_neither_order_nor_place_matters(order: list[int]) -> None:
    """Ends are those of the codes: not of the order of the pictures, nor of where in a picture a code is."""
    pictures = limited(20, 228)
    shuffled = [np.ascontiguousarray(pictures[number][::-1, ::-1]) for number in order]
    assert chain_ends(shuffled, None, "narrow") == chain_ends(pictures, None, "narrow")


def suns_through_a_link(generator: np.random.Generator, strength: float, sigma: float) -> list[Luma]:
    """A sun and its glow at a ceiling of 228, through noise."""
    row, column = np.mgrid[:HEIGHT, :WIDTH]
    pictures = []
    for number, scene in enumerate(SCENES):
        away = np.hypot(column - 60 - 20 * number, row - 80)
        light = np.clip(np.maximum(0.8 * scene, 40.0 + strength / np.maximum(away, 1.0) ** 0.9), 20.0, 228.0)
        pictures.append(noisy(light, sigma, generator))
    return pictures


def test_a_sun_through_a_noisy_link_is_a_ceiling() -> None:
    """A ceiling below white at which only the sun is (1.4 % of the picture) is found through noise of 2.2 codes, within a code."""
    ends = chain_ends(suns_through_a_link(np.random.default_rng(6), 2800.0, 2.2), None, "narrow")
    assert ends.ceiling == pytest.approx(228.0, abs=1.0)
    assert ends.ceiling_from == "measured"


def test_sparks_beyond_a_ceiling_do_not_hide_it() -> None:
    """Noise of the link beyond the ceiling, 0.1 % of the pixels with a bump at one code, changes nothing."""
    generator = np.random.default_rng(7)
    pictures = suns_through_a_link(generator, 4500.0, 1.6)
    assert chain_ends(pictures, None, "narrow").ceiling == pytest.approx(228.0, abs=1.0)
    for picture in pictures:
        sparks = generator.random(picture.shape)
        picture[sparks < 0.0007] = generator.integers(236, 256, np.count_nonzero(sparks < 0.0007))
        picture[sparks > 0.9997] = 241
    assert chain_ends(pictures, None, "narrow").ceiling == pytest.approx(228.0, abs=1.0)


def test_text_does_not_set_the_ends() -> None:
    """Black and white of the overlay's own generator, outside the camera's ends, do not count under the mask."""
    pictures = limited(24, 220)
    mask = np.zeros((HEIGHT, WIDTH), dtype=np.bool_)
    mask[10:40, 20:120] = True
    with_text = [picture.copy() for picture in pictures]
    for picture in with_text:
        picture[10:40, 20:70], picture[10:40, 70:120] = 0, 255
    assert chain_ends(with_text, mask, "narrow") == chain_ends(pictures, mask, "narrow")
    # unmasked it is proof of full range: so the mask did matter
    assert chain_ends(with_text, None, "narrow").code_range is CodeRange.FULL


@pytest.mark.parametrize(("percent", "expected"), [(0.4, CodeRange.NARROW), (0.6, CodeRange.FULL)])
def test_how_much_it_takes_to_overrule_a_tag(percent: float, expected: CodeRange) -> None:
    """Half a percent of the pixels under code 8 overrules a tag of narrow range, less passes for undershoot."""
    pictures = [coded(scene) for scene in SCENES]
    for picture in pictures:
        picture.flat[: round(percent / 100 * picture.size)] = 3
    ends = chain_ends(pictures, None, "narrow")
    assert ends.code_range is expected
    if expected is CodeRange.FULL:
        assert f"{percent:.1f} %" in ends.notes[0]


def drawn(*parts: tuple[float, float, float], seed: int = 11, count: int = 10) -> list[Luma]:
    """Pictures whose codes are drawn from parts (share of the pixels, middle, spread), evenly to 60 for what is left."""
    generator = np.random.default_rng(seed)
    pictures = []
    for _ in range(count):
        codes = generator.uniform(16.0, 60.0, HEIGHT * WIDTH)
        start = 0
        for share, middle_code, sigma in parts:
            stop = start + round(share * len(codes))
            codes[start:stop] = generator.normal(middle_code, sigma, stop - start)
            start = stop
        pictures.append(coded(codes.reshape(HEIGHT, WIDTH)))
    return pictures


UNDERSHOOT = (0.05, 16.0, 4.0)  # 0.1 % of the pixels under code 8
LAMPS = (0.002, 230.0, 5.0)  # overshoot of a white of 235: 0.02 % of the pixels from 240 up, next to none from 244


@pytest.mark.parametrize("sigma", [3.0, 4.0, 5.0])
@pytest.mark.parametrize("lamps", [(), (LAMPS,)], ids=["nothing bright", "lamps"])
def test_undershoot_at_night_is_no_full_range(sigma: float, lamps: tuple[tuple[float, float, float], ...]) -> None:
    """Noise and sharpening that fade away under black leave an untagged night flight narrow, however much there is; the result
    says that this is assumed.
    """
    ends = chain_ends(drawn((0.05, 16.0, sigma), *lamps), None, None)
    assert (ends.code_range, ends.range_from) == (CodeRange.NARROW, "assumed")
    assert "narrow range assumed" in ends.notes[0]


@pytest.mark.parametrize(
    "beyond",
    [(0.004, 225.0, 20.0), (0.002, 243.0, 2.0), (0.003, 0.0, 1.0)],
    ids=["lamps up to 255", "white limited at 243", "black limited at 0"],
)
def test_codes_that_go_on_are_full_range(beyond: tuple[float, float, float]) -> None:
    """The same night is of full range, measured, where lamps go on over 235, or anything piles up outside 16 to 235."""
    ends = chain_ends(drawn(UNDERSHOOT, beyond), None, None)
    assert (ends.code_range, ends.range_from, ends.notes) == (CodeRange.FULL, "measured", ())


def test_full_range_by_its_shadows_alone_is_assumed() -> None:
    """Shadows that go on evenly under code 8 with nothing bright beside them may be noise: full range, said to be assumed."""
    ends = chain_ends(drawn((0.99, 100.0, 20.0), (0.01, 20.0, 8.0)), None, None)
    assert (ends.code_range, ends.range_from) == (CodeRange.FULL, "assumed")
    assert "full range assumed" in ends.notes[0]


def test_snow_in_one_picture_is_no_full_range() -> None:
    """A torn picture with snow in a tenth of it, which holds any code, does not make an untagged flight full range."""
    pictures = drawn()
    snow = np.random.default_rng(12).integers(0, 256, (HEIGHT // 10, WIDTH))
    assert chain_ends(pictures, None, None).code_range is CodeRange.NARROW
    pictures[3][: HEIGHT // 10] = snow
    assert chain_ends(pictures, None, None).code_range is CodeRange.NARROW
    pictures[7][: HEIGHT // 10] = snow
    assert chain_ends(pictures, None, None).code_range is CodeRange.FULL


def snowed(pictures: list[Luma], strengths: list[float], white: float) -> list[Luma]:
    """The same through a link whose noise grows (sigma, codes) before a recorder that limits at 1 and `white`."""
    generator = np.random.default_rng(13)
    noises = (sigma * generator.standard_normal(one.shape) for one, sigma in zip(pictures, strengths, strict=True))
    return [coded(np.clip(one + noise, 1.0, white)) for one, noise in zip(pictures, noises, strict=True)]


GROWING = [5.0, 5.0, 6.0, 9.0, 13.0, 14.0, 15.0, 24.0, 19.0, 40.0]  # a link on its way out


@pytest.mark.parametrize("tag", ["narrow", None])
def test_a_link_that_snows_more_and_more_is_no_full_range(tag: str | None) -> None:
    """Snow that puts more than half a percent of all pixels far under black leaves a narrow-range flight narrow, tagged or not."""
    pictures = snowed([np.clip(scene - 50.0, 24.0, 200.0) for scene in SCENES], GROWING, 254.0)
    assert np.mean([np.mean(picture < 8) for picture in pictures]) > 0.005
    assert chain_ends(pictures, None, tag).code_range is CodeRange.NARROW


def test_full_range_shows_behind_snow() -> None:
    """What a full-range recorder puts at its ends is seen in the pictures before the link went, tag or not."""
    pictures = snowed(limited(0, 255), GROWING, 255.0)
    for tag in ("narrow", None):
        ends = chain_ends(pictures, None, tag)
        assert (ends.code_range, ends.range_from) == (CodeRange.FULL, "measured")


@pytest.mark.parametrize("tag", ["narrow", None])
def test_a_rough_wood_is_no_snow(tag: str | None) -> None:
    """Full range that shows in the shadows of a wood counts, though its texture is far louder than the sky of other pictures."""
    rng = np.random.default_rng(3)
    pictures = []
    for number in range(10):
        rough = cv2.GaussianBlur(rng.normal(size=(HEIGHT, WIDTH)), (0, 0), 3.0)
        sky = np.linspace(200.0, 90.0, HEIGHT)[:, None] + np.zeros(WIDTH)
        scene = 80.0 + 70.0 * rough / rough.std() if number >= 4 else sky
        pictures.append(np.clip(np.rint(scene + rng.normal(0.0, 2.0, (HEIGHT, WIDTH))), 0, 255).astype(np.uint8))
    ends = chain_ends(pictures, None, tag)
    assert (ends.code_range, ends.range_from) == (CodeRange.FULL, "measured")


@pytest.mark.parametrize(("scale", "amplitude"), [(3.0, 45.0), (5.0, 40.0)])
def test_snow_over_a_rough_wood_is_snow(scale: float, amplitude: float) -> None:
    """Texture that bends more over a distance does not hide that snow lies over it: a tagged flight stays narrow."""
    rng = np.random.default_rng(4)
    woods = []
    for _ in GROWING:
        rough = cv2.GaussianBlur(rng.normal(size=(HEIGHT, WIDTH)), (0, 0), scale)
        woods.append(np.clip(100.0 + amplitude * rough / rough.std() + rng.normal(0.0, 1.0, rough.shape), 16, 235))
    pictures = snowed(woods, GROWING, 254.0)
    assert np.mean([np.mean(picture < 8) for picture in pictures]) > 0.005
    ends = chain_ends(pictures, None, "narrow")
    assert (ends.code_range, ends.range_from) == (CodeRange.NARROW, "tag")


def test_pictures_too_low_to_show_noise_have_none() -> None:
    """Of a picture of twelve lines no noise is known; its range is found all the same, without a warning."""
    pictures = [picture[:12] for picture in limited(0, 255)]
    assert chain_ends(pictures, None, None).code_range is CodeRange.FULL


def test_even_noise_of_a_flight_is_no_snow() -> None:
    """Where every picture is as noisy none is left out: shadows far under 16 overrule a tag."""
    ends = chain_ends(snowed(limited(4, 235), [14.0] * len(SCENES), 255.0), None, "narrow")
    assert ends.code_range is CodeRange.FULL


def ringing(pictures: list[Luma], under: float = 40.0, sigma: float = 7.0) -> list[Luma]:
    """The same as a codec leaves a sharpened picture: what is dark rings, by `sigma` codes below `under`."""
    generator = np.random.default_rng(9)
    return [coded(one + np.where(one < under, sigma, 0.8) * generator.standard_normal(one.shape)) for one in pictures]


@pytest.mark.parametrize(("tag", "how"), [("narrow", "tag"), (None, "measured")])
def test_ringing_under_black_is_no_full_range(tag: str | None, how: str) -> None:
    """More than half a percent far under black, fading away from it, is no full range where white is piled up at 235."""
    pictures = ringing(limited(16, 235))
    under = np.mean([np.mean(picture < 8) for picture in pictures])
    assert 0.006 < under < 0.02
    ends = chain_ends(pictures, None, tag)
    assert (ends.code_range, ends.range_from, ends.notes) == (CodeRange.NARROW, how, ())
    assert ends.ceiling == 235.0


@pytest.mark.parametrize(("tag", "how"), [("narrow", "tag"), (None, "measured")])
def test_noise_of_a_high_gain_under_black_is_no_full_range(tag: str | None, how: str) -> None:
    """Over 2 % far under black are no full range either where they fade away from it and white ends at 235."""
    pictures = ringing(limited(16, 235), under=60.0, sigma=12.0)
    assert 0.02 < np.mean([np.mean(picture < 8) for picture in pictures]) < 0.05
    ends = chain_ends(pictures, None, tag)
    assert (ends.code_range, ends.range_from) == (CodeRange.NARROW, how)


@pytest.mark.parametrize(("sun", "dark"), [(0.01, True), (0.0, False)], ids=["blown sun", "nothing dark"])
@pytest.mark.parametrize("tag", ["narrow", None])
def test_a_sky_that_ends_about_white_is_no_end_of_narrow_range(tag: str | None, sun: float, dark: bool) -> None:
    """Full range by day: a sky that ends at 234 with a sun blown out over it, or over ground of which nothing is dark."""
    generator = np.random.default_rng(12)
    pictures = []
    for _ in range(9):
        picture = np.linspace(234.0, 60.0, HEIGHT)[:, None] + generator.normal(0.0, 0.5, (HEIGHT, WIDTH))
        if dark:
            picture[-8:] = generator.uniform(14.0, 60.0, (8, WIDTH))
        spots = generator.random((HEIGHT, WIDTH))
        picture[spots < sun] = 255.0
        picture[spots > 1.0 - 0.007] = 4.0  # some specks far under black, fewer than fade away from a dark part
        pictures.append(coded(picture))
    ends = chain_ends(pictures, None, tag)
    assert (ends.code_range, ends.range_from) == (CodeRange.FULL, "measured")


@pytest.mark.parametrize("piled", [True, False])
def test_ringing_over_white_is_no_full_range(piled: bool) -> None:
    """White at 235 ends narrow range where a codec rings far beyond it, and where highlights only reach up to it and stop."""
    pictures = ringing(limited(16, 235))
    for picture in pictures:
        white = np.flatnonzero(picture.ravel() >= 233)
        if piled:
            over = white[::2]  # 0.7 of what is left within two codes of white
            picture.flat[over] = np.resize(np.arange(237, 243, dtype=np.uint8), len(over))
        else:
            picture.flat[white] = np.resize(np.arange(212, 236, dtype=np.uint8), len(white))
            picture.flat[white[::50]] = 238  # a sixth of what three codes up to white hold
    ends = chain_ends(pictures, None, None)
    assert (ends.code_range, ends.range_from) == (CodeRange.NARROW, "measured")


@pytest.mark.parametrize(
    ("floor", "ceiling"),
    [(16, 255), (16, 200), (16, 240), (0, 235), (4, 235)],
    ids=["white at 255", "white far under 235", "white over 235", "black at 0", "black at 4"],
)
@pytest.mark.parametrize("tag", ["narrow", None])
def test_one_end_of_narrow_range_is_not_enough(floor: int, ceiling: int, tag: str | None) -> None:
    """Codes under 8 are full range where nothing piles up at 235 or a little below, or where they hold more than fades away
    from black.
    """
    ends = chain_ends(ringing(limited(floor, ceiling)), None, tag)
    assert (ends.code_range, ends.range_from) == (CodeRange.FULL, "measured")
    assert bool(ends.notes) == (tag == "narrow")


@pytest.mark.parametrize(("tag", "how"), [("narrow", "tag"), (None, "measured")])
def test_ringing_of_a_chain_that_ends_below_white(tag: str | None, how: str) -> None:
    """Codes under 8 that fade away from black are no full range either where the chain's own ceiling is below 235."""
    ends = chain_ends(ringing(limited(16, 228)), None, tag)
    assert (ends.code_range, ends.range_from, ends.notes) == (CodeRange.NARROW, how, ())
    assert ends.ceiling == pytest.approx(228.0, abs=1.0)


def test_a_sky_with_clouds_above_it_is_no_ceiling_below_white() -> None:
    """An even sky at code 228 with a third as much right above it does not make narrow range of full range."""
    pictures = ringing(limited(16, 228))
    for picture in pictures:
        sky = np.flatnonzero(np.abs(picture.ravel() - 228.0) <= 2)
        picture.flat[sky[::4]] = np.resize(np.arange(232, 240, dtype=np.uint8), len(sky[::4]))
    assert chain_ends(pictures, None, None).code_range is CodeRange.FULL


def test_a_sky_about_white_is_no_end_of_narrow_range() -> None:
    """Highlights about code 235 that move with the light from picture to picture do not make narrow range of full range."""
    pictures = ringing([picture for top in range(226, 246, 2) for picture in limited(16, top)[:1]])
    assert chain_ends(pictures, None, "narrow").code_range is CodeRange.FULL


def test_narrow_content_tagged_full() -> None:
    """A full-range tag on a chain that ends at 16 and 235 keeps the tag, with the ends where the pixels pile up."""
    ends = chain_ends(limited(16, 235), None, "full")
    assert (ends.code_range, ends.range_from) == (CodeRange.FULL, "tag")
    assert found_ends(ends) == pytest.approx((16, 235), abs=1.0)


def test_narrow_content_tagged_full_through_noise() -> None:
    """Where noise hides the pile-up at 16, white piled up at 235 gives both ends of a full-range stream."""
    ends = chain_ends(ringing(limited(16, 235)), None, "full")
    assert (ends.code_range, ends.range_from) == (CodeRange.FULL, "tag")
    assert found_ends(ends) == (16.0, 235.0)
    assert (ends.floor_from, ends.ceiling_from) == ("measured", "measured")


@pytest.mark.parametrize(("floor", "ceiling"), [(16, 255), (16, 240), (16, 228), (0, 235), (8, 235), (60, 235)])
def test_a_full_range_stream_keeps_its_nominal_black(floor: int, ceiling: int) -> None:
    """Without white at 235, with as much far under 16 as above it, or with no black at all, no floor is made up at 16."""
    ends = chain_ends(ringing(limited(floor, ceiling)), None, "full")
    assert ends.floor == 0.0


@pytest.mark.parametrize(
    ("suffix", "encoding"),
    [
        (".mkv", Encoding(codec="ffv1")),
        (".mp4", Encoding(crf=18)),
        (".avi", Encoding(codec="mjpeg", quality=2, full_range=False)),
        (".mp4", Encoding(crf=23)),
        (".avi", Encoding(codec="mjpeg", quality=4, full_range=False)),
        (".avi", Encoding(codec="mpeg4", quality=4)),
    ],
    ids=["lossless", "H.264 crf 18", "MJPEG q2", "H.264 crf 23", "MJPEG q4", "MPEG-4 q4"],
)
def test_ends_survive_a_codec(tmp_path: Path, suffix: str, encoding: Encoding) -> None:
    """Codecs spread a pile-up over a few codes; its ends are still found, within two codes."""
    path = tmp_path / f"a{suffix}"
    grey = np.full((HEIGHT // 2, WIDTH // 2), 128, np.uint8)
    with ClipWriter(path, WIDTH, HEIGHT, 30, encoding) as writer:
        for picture in limited(22, 226):
            writer.write((picture, grey, grey))
    pictures = [eight_bit(frame.luma, frame.bits).copy() for frame in Flight([path]).frames()]
    ends = chain_ends(pictures, None, "narrow")
    assert len(pictures) == len(SCENES)
    assert found_ends(ends) == pytest.approx((22, 226), abs=2.0)


@pytest.mark.parametrize("code", [18, 20, 24, 30, 36, 40, 60])
@pytest.mark.parametrize("sigma", [0.0, 0.5, 2.0])
def test_an_even_sky_is_no_floor(code: int, sigma: float) -> None:
    """A sky above the scene is not taken for the floor, however even, and however near to where setup would lift that."""
    generator = np.random.default_rng(2)
    pictures = []
    for scene in SCENES:
        picture = np.maximum(scene, code + 10.0)
        picture[: HEIGHT // 3] = code
        pictures.append(noisy(picture, sigma, generator))
    ends = chain_ends(pictures, None, "narrow")
    assert (ends.floor, ends.floor_from) == (16.0, "nominal")


@pytest.mark.parametrize("codes", [(16, 16), (120, 120), (235, 235)])
def test_even_pictures_have_ends_all_the_same(codes: tuple[int, int]) -> None:
    """Pictures of a single code do not fail, and the floor stays below the ceiling."""
    ends = chain_ends([np.full((HEIGHT, WIDTH), code, np.uint8) for code in codes], None, None)
    assert ends.floor < ends.ceiling
    assert ends.code_range is CodeRange.NARROW


def test_nothing_but_overlay_is_nominal() -> None:
    """With every pixel under the mask nothing is known: the nominal ends, said to be assumed."""
    mask = np.ones((HEIGHT, WIDTH), dtype=np.bool_)
    ends = chain_ends(limited(24, 220), mask, None)
    assert found_ends(ends) == (16.0, 235.0)
    assert (ends.range_from, ends.floor_from, ends.ceiling_from) == ("assumed", "nominal", "nominal")
