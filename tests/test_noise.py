"""Noise left in the recording: white noise of known sigma, standing and moving, beside published estimators."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from frame_material import Luma, area_of, chain, coded, frame_of, middle, moved, noisy, texture
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, median_abs_deviation

import fieldscore.noise as noise_module
from fieldscore.frame import BLOCKS_A_TILE, Frame
from fieldscore.measures.noise import frozen, noise_left
from fieldscore.motion import registration
from fieldscore.noise import NOISE_EVERY_S, noise, noise_curve, undithered_rounding
from fieldscore.noise_left import (
    LEVEL_EDGES,
    LOW_OF_CHI_SQUARE,
    LOW_PERCENT,
    LOWEST_OF_CHI_SQUARE,
    LOWEST_PERCENT,
    MIDDLE_OF_CHI_SQUARE,
    point,
)
from fieldscore.sequence import chained
from fieldscore.video import CodedFrame

FRAMES = 31  # a second at 30 a second: five measured pairs
BIG = texture(720, 960)
SPAN = 219.0  # codes from black to white, narrow range


def _last(pictures: list[Luma], **options: float) -> Frame:
    """The last frame of a pass."""
    frames = chain(pictures, area_of(*pictures[0].shape, **options))
    for frame in frames:
        frame.view(noise)
    return frames[-1]


def _codes(frame: Frame) -> float:
    """Noise a pixel in codes, as the measure gives it."""
    return noise_left(frame)[0] / 100 * frame.area.code_range.span


def _with_rounding(sigma: float) -> float:
    """Sigma of white noise once it is rounded to codes: quantisation adds 1/12 (EMVA 1288, from memory)."""
    return math.sqrt(sigma**2 + 1 / 12)


def _immerkaer(picture: Luma) -> float:
    """Noise of one image by Immerkaer (CVIU 64:300, 1996)."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float64)
    inner = cv2.filter2D(picture.astype(np.float64), cv2.CV_64F, kernel)[1:-1, 1:-1]
    return float(np.sqrt(np.pi / 2) / 6 * np.abs(inner).mean())


def _donoho(picture: Luma) -> float:
    """Noise of one image by the median deviation of its finest diagonal Haar detail (Donoho and Johnstone 1994)."""
    p = picture.astype(np.float64)
    detail = (p[::2, ::2] - p[1::2, ::2] - p[::2, 1::2] + p[1::2, 1::2]) / 2
    return float(median_abs_deviation(detail.ravel(), scale="normal"))


def test_reference_estimator() -> None:
    """The reference estimator gives its published check values."""
    # 9 x 9 zeros with one 1 at the centre: sqrt(pi / 2) / (6 x 49) x 16; any plane: 0
    spot = np.zeros((9, 9), np.uint8)
    spot[4, 4] = 1
    assert _immerkaer(spot) == pytest.approx(0.0682075721, abs=1e-9)
    assert _immerkaer(np.add.outer(np.arange(60), np.arange(80)).astype(np.uint8)) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("sigma", [1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("level", [110.0, 110.4])
def test_white_noise_on_a_flat_picture(sigma: float, level: float) -> None:
    """White noise on an even, standing picture reads as its sigma with rounding, within 8 %."""
    generator = np.random.default_rng(int(sigma))
    frame = _last([noisy(np.full((480, 640), level), sigma, generator) for _ in range(FRAMES)])
    assert _codes(frame) == pytest.approx(_with_rounding(sigma), rel=0.08)


def _starved(fresh: list[npt.NDArray[np.float64]], share: float) -> list[npt.NDArray[np.float64]]:
    """Noise after a codec that leaves a share of the tiles, others in each picture, as they were in the picture before."""
    generator = np.random.default_rng(14)
    left = [fresh[0]]
    for one in fresh[1:]:
        kept = np.kron(generator.random((12, 16)) < share, np.ones((40, 40), dtype=np.bool_))
        left.append(np.where(kept, left[-1], one))
    return left


@pytest.mark.parametrize("share", [0.3, 0.4])
def test_noise_that_is_carried_on_is_counted(share: float) -> None:
    """On plain ground of which a codec carries a share on from frame to frame, noise reads whole within 12 %."""
    generator = np.random.default_rng(11)
    pictures = _starved([6.0 * generator.standard_normal((480, 640)) for _ in range(FRAMES)], share)
    found = _last([coded(60.0 + one) for one in pictures]).view(noise)
    assert found is not None
    assert np.median(found.left_codes) == pytest.approx(_with_rounding(6.0), rel=0.12)


def _kept(share: float, texture_codes: float, *, rate: float = 30.0, lag: int = 1) -> list[float]:
    """Noise a pixel in codes that is read of frames that keep a share of the noise of the last, over a faint texture that moves."""
    generator = np.random.default_rng(13)
    scene = texture_codes * (BIG - BIG.mean()) / BIG.std()
    fresh, shown = np.zeros((480, 640)), []
    for number in range(3 * FRAMES):
        new = 6.0 * generator.standard_normal((480, 640))
        fresh = new if not number else share * fresh + math.sqrt(1.0 - share**2) * new
        picture = coded(60.0 + middle(moved(scene, right=1.3 * number)) + fresh)
        shown.append(CodedFrame(picture, None, number / rate, 8, damaged=False, file_index=0))
    found = []
    for frame in chained(shown, area_of(480, 640), lag=lag, rate=rate):
        assert frame.earlier is None or frame.earlier.earlier is None  # no chain of pictures is kept alive
        frame.view(registration)
        one = frame.view(noise)
        if one is not None:
            found.append(float(np.median(one.left_codes)))
    return found[2 * FRAMES :]


@pytest.mark.parametrize("lag", [1, 2])
@pytest.mark.parametrize("share", [0.0, 0.35])
def test_texture_does_not_pass_for_noise_that_is_carried_on(share: float, lag: int) -> None:
    """Over texture as strong as the noise of a block, it reads within 12 % whether frames keep some of the last one's or none."""
    found = np.median(_kept(share, 1.5, lag=lag))
    assert found == pytest.approx(_with_rounding(6.0), rel=0.12)


def test_a_codec_of_single_pictures_carries_nothing_on() -> None:
    """Where each picture is coded by itself, noise is what changes between pictures: a third of it carried on is none."""
    generator = np.random.default_rng(11)
    pictures = _starved([6.0 * generator.standard_normal((480, 640)) for _ in range(FRAMES)], 0.4)
    found = []
    for intra in (False, True):
        frames = chain([coded(60.0 + one) for one in pictures], replace(area_of(480, 640), intra=intra))
        for frame in frames:
            frame.view(noise)
        last = frames[-1].view(noise)
        assert last is not None
        found.append(float(np.median(last.left_codes)))
    assert found[1] < 0.9 * found[0]


def test_plain_ground_that_a_codec_starves_does_not_hold_rough_ground_down() -> None:
    """Where a codec carries plain dark ground on, brighter rough ground of more noise still reads its own within 15 %."""
    generator = np.random.default_rng(12)
    left, rough = np.arange(640)[None, :] < 320, middle(BIG)
    scene = np.where(left, 50.0, 110.0 + 0.8 * (rough - rough.mean()))
    fresh = [generator.standard_normal((480, 640)) for _ in range(FRAMES)]
    dark = _starved(fresh, 0.4)
    pictures = [coded(scene + np.where(left, 3.0 * a, 5.0 * b)) for a, b in zip(dark, fresh, strict=True)]
    found = _last(pictures).view(noise)
    assert found is not None
    grid = found.left_codes.reshape(12, 16)
    assert np.median(grid[:, :7]) == pytest.approx(_with_rounding(3.0), rel=0.15)
    assert np.median(grid[:, 9:]) == pytest.approx(_with_rounding(5.0), rel=0.15)


def test_plain_ground_reads_the_noise_of_its_middle_tile() -> None:
    """Where a codec takes three quarters of the noise from every sixth column of plain tiles, the others' is what is left."""
    generator = np.random.default_rng(13)
    sigma = np.where(np.arange(640)[None, :] // 40 % 6 == 0, 1.0, 4.0)
    pictures = [coded(100.0 + sigma * generator.standard_normal((480, 640))) for _ in range(FRAMES)]
    assert _codes(_last(pictures)) == pytest.approx(_with_rounding(4.0), rel=0.10)


@pytest.mark.parametrize("percent", [25.0, 50.0])
@pytest.mark.parametrize("number", [1, 8, 9, 97])
def test_points_are_percentiles(number: int, percent: float) -> None:
    """The quick percentile is NumPy's."""
    values = np.random.default_rng(number).standard_normal(number)
    assert point(np.sort(values), percent) == pytest.approx(float(np.percentile(values, percent)), abs=1e-12)


@pytest.mark.parametrize("sigma", [5.0, 10.0])
def test_agrees_with_published_estimators(sigma: float) -> None:
    """On uncompressed white noise, where single-image estimators hold, all three agree within 6 %."""
    generator = np.random.default_rng(42)
    pictures = [noisy(np.full((480, 640), 120.0), sigma, generator) for _ in range(FRAMES)]
    # rounded to 8 bit, 512 x 512, from the published table: 5.0081, 10.0029
    assert _immerkaer(pictures[0]) == pytest.approx(_with_rounding(sigma), rel=0.01)
    assert _codes(_last(pictures)) == pytest.approx(_immerkaer(pictures[-1]), rel=0.06)
    assert _codes(_last(pictures)) == pytest.approx(_donoho(pictures[-1]), rel=0.08)


@pytest.mark.parametrize("sigma", [1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("step", [{}, {"right": 3.3}, {"right": 1.5, "down": -2.5}, {"zoom": 0.01}, {"roll": 0.01}])
def test_white_noise_on_a_textured_picture(sigma: float, step: dict[str, float]) -> None:
    """On a textured picture that stands or moves, noise is never read low, and high by 1.5 codes in quadrature at most."""
    generator = np.random.default_rng(5)
    scenes = [middle(moved(BIG, **{name: value * i for name, value in step.items()})) for i in range(FRAMES)]
    found = _codes(_last([noisy(scene, sigma, generator) for scene in scenes]))
    assert found >= 0.97 * sigma
    assert found <= 1.10 * math.hypot(_with_rounding(sigma), 1.5 if step else 0.5)


def test_exposure_change_is_not_noise() -> None:
    """A picture that brightens by a fiftieth a frame has the noise of one that does not, within 15 %."""
    generator = np.random.default_rng(9)
    scene = middle(BIG) * 0.7
    frame = _last([noisy(scene * 1.02**i, 3.0, generator) for i in range(10)])
    assert _codes(frame) == pytest.approx(_with_rounding(3.0), rel=0.15)


def test_something_moving_by_itself_is_not_noise() -> None:
    """A patch that flies through a quarter of a standing picture leaves its noise within 20 %."""
    # the published trap: a moving patch takes the plain pair estimate from 5 to 14.8
    generator = np.random.default_rng(10)
    pictures = []
    for i in range(FRAMES):
        scene = np.array(middle(BIG))
        left = 20 + 12 * i % 300
        scene[100:340, left : left + 320] = 60 + 80 * (np.indices((240, 320)).sum(axis=0) // 16 % 2)
        pictures.append(noisy(scene, 5.0, generator))
    pair = np.std(pictures[-1].astype(float) - pictures[-2].astype(float)) / math.sqrt(2)
    assert pair > 10.0
    assert _codes(_last(pictures)) == pytest.approx(5.0, rel=0.2)


def test_noise_by_level() -> None:
    """Where dark parts are noisier than bright ones, each tile has the noise of its own level within 12 %."""
    generator = np.random.default_rng(3)
    sigmas = np.where(np.arange(640)[None, :] < 320, 6.0, 2.0)
    levels = np.where(np.arange(640)[None, :] < 320, 50.0, 170.0)
    pictures = [coded(levels + sigmas * generator.standard_normal((480, 640))) for _ in range(FRAMES)]
    found = _last(pictures).view(noise)
    assert found is not None
    grid = found.pixel_codes.reshape(12, 16)
    assert np.median(grid[:, :8]) == pytest.approx(6.0, rel=0.12)
    assert np.median(grid[:, 8:]) == pytest.approx(2.02, rel=0.12)


@given(st.floats(1.0, 6.0), st.floats(1.5, 3.0))
@settings(max_examples=4, deadline=None)
def test_more_noise_reads_as_more(sigma: float, factor: float) -> None:
    """The same noise pattern made stronger never reads as less."""
    pattern = np.random.default_rng(1).standard_normal((8, 240, 320))
    weak, strong = (
        _codes(_last([coded(120.0 + amount * one) for one in pattern])) for amount in (sigma, sigma * factor)
    )
    assert strong > weak


def test_crushed_and_clipped_tiles_are_left_out() -> None:
    """Half a picture crushed to black does not lower the noise of the other half."""
    # clipped at its mean, noise of 5 has a standard deviation of 2.93: it would read as less
    generator = np.random.default_rng(8)
    scene = np.where(np.arange(640)[None, :] < 320, 16.0, 110.0) * np.ones((480, 1))
    pictures = [np.clip(noisy(scene, 5.0, generator), 16, 235) for _ in range(FRAMES)]
    frame = _last(pictures)
    found = frame.view(noise)
    assert found is not None
    assert np.array_equal(found.measured.reshape(12, 16), np.tile(np.arange(16) >= 8, (12, 1)))
    assert _codes(frame) == pytest.approx(5.0, rel=0.06)


@pytest.mark.parametrize("code", [16.0, 235.0])
def test_nothing_but_ends_is_not_measurable(code: float) -> None:
    """A picture that is all crushed or all clipped has no noise figure."""
    generator = np.random.default_rng(8)
    frame = _last([np.clip(noisy(np.full((480, 640), code), 3.0, generator), 16, 235) for _ in range(5)])
    assert frame.view(noise) is None
    assert math.isnan(noise_left(frame)[0])


@pytest.mark.parametrize(("lit", "told"), [(3, False), (5, False), (6, True)])
@pytest.mark.parametrize("end", [16.0, 235.0])
def test_what_little_is_neither_crushed_nor_clipped_says_nothing(lit: int, told: bool, end: float) -> None:
    """Of sixteen columns of tiles, six that are neither black nor white have their noise told, five or fewer not."""
    generator = np.random.default_rng(8)
    scene = np.where(np.arange(640)[None, :] < 40 * lit, 110.0, end) * np.ones((480, 1))
    frame = _last([np.clip(noisy(scene, 5.0, generator), 16, 235) for _ in range(FRAMES)])
    found = frame.view(noise)
    assert found is not None and np.count_nonzero(found.measured) == 12 * lit
    assert math.isnan(noise_left(frame)[0]) == (not told)
    if told:
        assert _codes(frame) == pytest.approx(5.0, rel=0.06)


def test_more_than_snow_is_no_noise() -> None:
    """A tile whose block means vary as noise of 26 % of white a pixel would is left out, one of 24 % counts."""
    area = area_of(480, 640)
    sigma = np.array([0.24, 0.26, np.nan]) * SPAN / math.sqrt(area.block_pixels)
    assert noise_module._might_be_noise(area, (sigma**2).astype(np.float32)).tolist() == [True, False, False]


def test_tiles_of_more_than_noise_have_no_part(monkeypatch: pytest.MonkeyPatch) -> None:
    """Noise of 2 % reads as such, and not at all where no more than 1 % could be noise."""
    generator = np.random.default_rng(15)
    pictures = [noisy(np.full((480, 640), 100.0), 0.02 * SPAN, generator) for _ in range(5)]
    assert _codes(_last(pictures)) == pytest.approx(0.02 * SPAN, rel=0.1)
    monkeypatch.setattr(noise_module, "_MOST_NOISE", 0.01)
    assert _last(pictures).view(noise) is None


def test_first_frame_and_repeats() -> None:
    """The first frame has no noise, and a repeated one keeps the noise of the frame before rather than reading 0."""
    generator = np.random.default_rng(8)
    pictures = [noisy(middle(BIG), 4.0, generator) for _ in range(8)]
    frames = chain([*pictures, *[pictures[-1]] * 6])
    values = [noise_left(frame)[0] for frame in frames]
    assert math.isnan(values[0])
    assert np.isfinite(values[1:]).all()
    assert values[-1] == pytest.approx(values[7], rel=1e-9)


def test_curve_is_measured_five_times_a_second() -> None:
    """Over a second it is measured some five times, a tenth of a second apart or more; frames between take it over as it is."""
    generator = np.random.default_rng(8)
    frames = chain([noisy(middle(BIG), 4.0, generator) for _ in range(61)], rate=60.0)
    curves = [frame.view(noise_curve) for frame in frames]
    assert curves[0] is None
    times = sorted({curve.time_s for curve in curves if curve is not None})
    assert 4 <= len(times) <= 6
    assert np.diff(times).min() >= 0.5 * NOISE_EVERY_S


@pytest.mark.parametrize("size", [4.0, 8.0, 16.0])
def test_noise_of_the_object_is_that_of_its_mean(size: float) -> None:
    """Noise of the mean over an object of n x n px is the pixel's over n: two thirds of the way to all that is left."""
    from fieldscore.criteria import Criteria

    generator = np.random.default_rng(8)
    area = area_of(criteria=Criteria(object_size_px=size))
    frames = chain([noisy(np.full((480, 640), 120.0), 8.0, generator) for _ in range(8)], area)
    found = [frame.view(noise) for frame in frames][-1]
    assert found is not None
    pixel_codes = found.pixel_codes ** (1 / 3) * found.left_codes ** (2 / 3)
    assert found.object_codes == pytest.approx(pixel_codes / size, rel=1e-6)
    assert np.median(found.object_codes) == pytest.approx(8.0 / size, rel=0.08)


def test_object_grows_with_the_picture() -> None:
    """At 960 lines the reference object has twice the width, so that its noise is half of that at 480."""
    small, large = area_of(480, 640), area_of(960, 1280)
    sigma = 4.0
    noises = [sigma / math.sqrt(area.block_pixels) * area.object_per_block for area in (small, large)]
    assert noises == pytest.approx([sigma / 8, sigma / 16])


def test_rounding_without_noise_is_the_whole_twelfth() -> None:
    """Without noise the error of rounding stays in the mean, with a code of noise nothing of it does."""
    # quantisation of a uniform fraction: variance 1/12 (EMVA 1288, from memory); Widrow: exp(-2 pi^2 sigma^2)
    assert undithered_rounding(np.array([0.0])) == pytest.approx([math.sqrt(1 / 12)])
    assert undithered_rounding(np.array([1.0]))[0] < 1e-8
    sigma = 0.3
    generator = np.random.default_rng(0)
    bias = [np.rint(mean + sigma * generator.standard_normal(200_000)).mean() - mean for mean in np.arange(0, 1, 0.05)]
    # the first Fourier term alone: sqrt(2) x exp(-2 pi^2 sigma^2) / pi / 2 is 0.78 of the whole at no noise
    assert undithered_rounding(np.array([sigma]))[0] == pytest.approx(float(np.std(bias)) / 0.78, rel=0.05)


def test_constants_of_the_low_quartile() -> None:
    """The quartile of a tile's residual is corrected for what chi-square of its degrees of freedom has there."""
    freedom = BLOCKS_A_TILE**2 - 3
    assert chi2.ppf(LOW_PERCENT / 100, freedom) / freedom == pytest.approx(LOW_OF_CHI_SQUARE, abs=1e-4)
    assert chi2.ppf(LOWEST_PERCENT / 100, freedom) / freedom == pytest.approx(LOWEST_OF_CHI_SQUARE, abs=1e-4)
    assert chi2.ppf(0.5, freedom) / freedom == pytest.approx(MIDDLE_OF_CHI_SQUARE, abs=1e-4)
    assert (np.diff(LEVEL_EDGES) > 0).all()


def _frozen(pictures: list[npt.NDArray[np.uint8]]) -> float:
    return frozen(chain(pictures)[1])[0]


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 1.0])
def test_frozen_blocks(share: float) -> None:
    """The share of the picture that a codec repeats block for block is the frozen share."""
    generator = np.random.default_rng(share.__hash__() & 0xFFFF)
    before, now = (noisy(middle(BIG), 3.0, generator) for _ in range(2))
    now[: int(480 * share)] = before[: int(480 * share)]
    assert _frozen([before, now]) == pytest.approx(100 * share, abs=0.01)


def test_one_changed_pixel_is_not_frozen() -> None:
    """A block in which one pixel changed by one code, in a row that is looked at, is not identical."""
    before = np.full((480, 640), 100, np.uint8)
    now = before.copy()
    now[8 * 12 + 5, 100] += 1  # a block is 8 px high; its first and its sixth row are looked at
    assert _frozen([before, now]) == pytest.approx(100 * (1 - 1 / 4800), abs=1e-4)


def test_frozen_needs_a_frame_before() -> None:
    """On the first frame nothing can be said about frozen blocks."""
    assert math.isnan(frozen(frame_of(coded(middle(BIG))))[0])


@pytest.mark.parametrize("pattern", [2, 3, 5, 12])
def test_measurements_keep_no_step_with_a_codec(pattern: int) -> None:
    """Over a minute at 30 frames a second, every place in a codec's pattern of pictures is measured about as often."""
    turns = [noise_module._turn(row / 30) for row in range(1800)]
    places = [row % pattern for row in range(1, 1800) if turns[row] > turns[row - 1]]
    counts = np.bincount(places, minlength=pattern)
    assert counts.min() >= 0.5 * counts.mean()
    assert 4.5 <= len(places) / 60 <= 5.5
    assert max(np.diff(turns)) == 1
