"""Frame and PictureArea: histograms, tiles, masks, depths, fields, and what sampling of rows costs."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from frame_material import Luma, area_of, chain, coded, frame_of, noisy, texture
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import norm
from skimage.exposure import histogram as reference_histogram

from fieldscore.criteria import Criteria
from fieldscore.frame import PIXEL_BUDGET, PictureArea, eight_bit
from fieldscore.measures import MEASURES, TILE_MEASURE
from fieldscore.units import CodeRange, from_linear, to_linear

SMALL = (48, 64)
pictures = arrays(np.uint8, SMALL)


def _gaussian(mean: float, sigma: float, shape: tuple[int, int] = (480, 640)) -> Luma:
    """Codes of a normal distribution, rounded to 8 bit: its quantiles in shuffled order, so no sampling error."""
    count = shape[0] * shape[1]
    values = norm.ppf((np.arange(count) + 0.5) / count, mean, sigma)
    return coded(np.random.default_rng(1).permutation(values).reshape(shape))


def _figures(picture: npt.NDArray[np.generic], area: PictureArea) -> list[float]:
    """Every figure of the second of two frames, the first of which is the picture a pixel further left."""
    frames = chain([np.roll(picture, -1, axis=1), picture], area)
    return [value for one in MEASURES for value in one(frames[1])]


# check values of rounded normal distributions, computed with scipy.stats.norm
@pytest.mark.parametrize(
    ("mean", "sigma", "end", "column", "share"),
    [
        (230.0, 10.0, 255.0, 3, 0.00714),
        (220.0, 10.0, 235.0, 3, 0.07353),
        (20.0, 4.0, 16.0, 2, 0.19079),
        (2.0, 3.0, 0.0, 2, 0.30854),
    ],
)
def test_share_at_an_end_of_a_normal_distribution(
    mean: float, sigma: float, end: float, column: int, share: float
) -> None:
    """Without a margin, the share at the ceiling or the floor is the tail of the distribution."""
    limits = {"ceiling" if column == 3 else "floor": end}
    area = area_of(criteria=Criteria(clip_margin_codes=0.0), **limits)
    frame = frame_of(_gaussian(mean, sigma), area)
    assert float(frame.histogram @ area.code_weights[:, column]) == pytest.approx(share, abs=2e-5)
    # tiles are equally large, so their mean is the picture's share
    assert frame.tile_sums[:, column].mean() == pytest.approx(share, abs=2e-5)


_halves = lambda low, high: st.integers(2 * low, 2 * high).map(lambda whole: whole / 2)  # noqa: E731


@given(_halves(0, 8), _halves(0, 40), _halves(200, 255))
def test_margin_reaches_so_many_codes_inwards(margin: float, floor: float, ceiling: float) -> None:
    """Crushed and clipped are exactly the codes within the margin of the ends, and carry no signal."""
    area = area_of(floor=floor, ceiling=ceiling, criteria=Criteria(clip_margin_codes=margin))
    codes = np.arange(256)
    crushed, clipped, signal = area.code_weights[:, 2], area.code_weights[:, 3], area.code_weights[:, 4]
    assert np.array_equal(crushed == 1.0, codes - floor <= margin)
    assert np.array_equal(clipped == 1.0, ceiling - codes <= margin)
    assert not signal[(crushed + clipped) > 0].any()
    assert (signal >= 0).all()
    assert (signal <= np.maximum(ceiling - codes, 0.0) + 1e-4).all()


def test_signal_is_the_weber_step_under_the_named_curve() -> None:
    """A code's signal is where the curve puts 1.2 times its light, in codes above it."""
    # worked out through the curve itself: from_linear(1.2 x to_linear(v)) - v, times 219 codes
    area = area_of(criteria=Criteria(object_contrast=0.2, transfer_curve="bt1886"))
    code = 126
    fraction = (code - 16) / 219
    step = float(from_linear(1.2 * to_linear(fraction, "bt1886"), "bt1886") - fraction) * 219
    # a power law keeps ratios: 1.2 ** (1 / 2.4) = 1.0789
    assert step == pytest.approx(110 * (1.2 ** (1 / 2.4) - 1.0), abs=1e-6)
    assert area.code_weights[code, 4] == pytest.approx(step, abs=1e-4)


@given(pictures)
@settings(max_examples=25)
def test_histogram_is_that_of_another_library(picture: Luma) -> None:
    """The histogram of a picture that is not sampled is scikit-image's, and its mean is the picture's."""
    frame = frame_of(picture)
    counts, _ = reference_histogram(picture, nbins=256, source_range="dtype")
    assert frame.histogram * picture.size == pytest.approx(counts, abs=1e-6)
    assert frame.histogram.sum() == pytest.approx(1.0, abs=1e-12)
    assert frame.histogram @ np.arange(256) == pytest.approx(picture.mean(), abs=1e-6)


@given(pictures)
@settings(max_examples=25)
def test_tiles_are_the_blocks_of_the_picture(picture: Luma) -> None:
    """Where the grid divides the picture, tile means and mean squares are those of its blocks of pixels."""
    frame = frame_of(picture)
    blocks = picture.astype(np.float64).reshape(12, 4, 16, 4)
    assert frame.tile_sums[:, 0] == pytest.approx(blocks.mean(axis=(1, 3)).ravel(), abs=1e-3)
    assert frame.tile_sums[:, 1] == pytest.approx((blocks**2).mean(axis=(1, 3)).ravel(), rel=1e-5)


@given(pictures)
@settings(max_examples=15)
def test_mirrored_picture_gives_mirrored_tiles(picture: Luma) -> None:
    """Turning the picture round turns every tile figure round with it."""
    grid = frame_of(picture).tile_sums.reshape(12, 16, 5)
    assert np.array_equal(frame_of(np.ascontiguousarray(picture[:, ::-1])).tile_sums.reshape(12, 16, 5), grid[:, ::-1])
    assert np.array_equal(frame_of(np.ascontiguousarray(picture[::-1])).tile_sums.reshape(12, 16, 5), grid[::-1])


@given(pictures)
@settings(max_examples=25)
def test_bounds(picture: Luma) -> None:
    """Shares lie in 0..1, means between the darkest and the brightest code, squares never under the mean's."""
    frame = frame_of(picture)
    mean, square, crushed, clipped, signal = frame.tile_sums.T
    low, high = float(picture.min()), float(picture.max())
    assert ((mean >= low - 1e-3) & (mean <= high + 1e-3)).all()
    assert (square >= mean**2 * (1 - 1e-5)).all()
    for share in (crushed, clipped):
        assert ((share >= 0) & (share <= 1)).all()
    assert (signal >= 0).all()
    for small in (frame.half, frame.fine, frame.blocks):
        assert small.min() >= low - 1e-3
        assert small.max() <= high + 1e-3


@pytest.mark.parametrize("ceiling", [200.0, 215.0, 235.0])
def test_a_higher_ceiling_clips_less(ceiling: float) -> None:
    """The higher the chain's ceiling, the fewer pixels are clipped and the more signal is left."""
    picture = coded(texture(low=20.0, high=235.0))
    lower, higher = (frame_of(picture, area_of(ceiling=one)).tile_sums for one in (ceiling, ceiling + 10))
    assert (higher[:, 3] <= lower[:, 3]).all()
    assert (higher[:, 4] >= lower[:, 4] - 1e-4).all()
    assert higher[:, 3].sum() < lower[:, 3].sum()


@given(st.integers(0, 255), st.integers(0, 2**32 - 1))
@settings(max_examples=5)
def test_nothing_outside_the_window_counts(fill: int, seed: int) -> None:
    """Every figure of a picture in a frame with anything around it is that of the picture on its own.

    Sixteen columns in, since the coding grid is the whole frame's.
    """
    picture = coded(texture(96, 128, seed=5))
    framed = np.random.default_rng(seed).integers(fill // 2, fill + 1, (120, 150)).astype(np.uint8)
    framed[13:109, 16:144] = picture
    alone = _figures(picture, area_of(96, 128))
    rolled = framed.copy()
    rolled[13:109, 16:144] = np.roll(picture, -1, axis=1)
    area = area_of(120, 150, window=(13, 109, 16, 144))
    frames = chain([rolled, framed], area)
    assert [value for one in MEASURES for value in one(frames[1])] == pytest.approx(alone, nan_ok=True, abs=0)


def test_overlay_changes_nothing_outside_it() -> None:
    """Tiles without text have the figures they have without a mask, and what lies under the mask is of no account."""
    picture = coded(texture())
    mask = np.zeros(picture.shape, dtype=np.bool_)
    mask[41:75, 90:230] = True
    text = picture.copy()
    text[mask] = 235
    plain, covered, written = (
        frame_of(one, area_of(overlay=over)) for one, over in ((picture, None), (picture, mask), (text, mask))
    )
    assert np.array_equal(written.tile_histograms, covered.tile_histograms)
    free = ~mask.reshape(12, 40, 16, 40).any(axis=(1, 3)).ravel()
    assert np.array_equal(covered.tile_sums[free], plain.tile_sums[free])
    assert covered.tile_histograms.sum() == pytest.approx((~mask).sum())
    # tiles of 40 x 40 px: the mask takes 34 rows of 30 or 40 columns of four tiles, more than half of each
    hidden = ~np.isfinite(covered.tile_sums[:, 0])
    assert np.array_equal(hidden.nonzero()[0], 16 + np.array([2, 3, 4, 5]))
    assert not covered.area.block_ok[6:9, 12:28].any()
    assert covered.area.block_ok[:5].all()


@pytest.mark.parametrize("bits", [10, 12])
def test_more_bits_give_the_same_figures(bits: int) -> None:
    """A deeper picture of the same codes has the figures of the 8-bit one."""
    picture = coded(texture(96, 128, seed=8))
    deep = picture.astype(np.uint16) << (bits - 8)
    area = area_of(96, 128)
    assert np.array_equal(frame_of(deep, area, bits=bits).codes, picture)
    shallow = chain([np.roll(picture, -1, axis=1), picture], area)[1]
    before = frame_of(np.roll(deep, -1, axis=1), area, bits=bits)
    frame = frame_of(deep, area, bits=bits, previous=before, time_s=shallow.time_s)
    for one in MEASURES:
        assert one(frame) == pytest.approx(one(shallow), nan_ok=True)


def test_rounding_of_deep_codes() -> None:
    """10-bit codes are rounded to the nearest 8-bit one, and none wraps round at the top."""
    # a quarter of the code of a 10-bit picture, ITU-R BT.601 table in its 10-bit form: 64 is 16, 940 is 235
    plane = np.array([[0, 1, 3, 64, 65, 67, 940, 1020, 1023]], dtype=np.uint16)
    assert eight_bit(plane, 10).tolist() == [[0, 0, 1, 16, 16, 17, 235, 255, 255]]


def test_field_rows_are_every_second_line_of_the_window() -> None:
    """The area of one field takes half the window's rows and the mask's lines with them."""
    mask = np.zeros((440, 640), dtype=np.bool_)
    mask[100:140, 50:200] = True
    area = area_of(480, 640, window=(20, 460, 0, 640), overlay=mask)
    field = area.for_fields()
    assert field.window == (10, 230, 0, 640)
    assert field.overlay is not None
    assert field.overlay.shape == field.shape
    assert field.overlay[50:70, 50:200].all()
    assert field.overlay.sum() == 20 * 150
    # the object is 8 px at 480 lines on the screen; a field has half of its lines
    assert field.object_per_block == pytest.approx(
        area.object_per_block * np.sqrt(field.block_pixels / area.block_pixels * 2)
    )
    picture = coded(texture(480, 640))
    whole = frame_of(picture, area).tile_sums[:, 0]
    for parity in (0, 1):
        half = frame_of(picture[parity::2], field).tile_sums[:, 0]
        known = np.isfinite(half) & np.isfinite(whole)
        assert (
            np.abs(half - whole)[known].max() < 1.5
        )  # codes; the boundary of a tile may fall between the two lines of a pair


@pytest.mark.parametrize(("top", "bottom"), [(21, 460), (20, 461), (21, 461), (1, 480)])
def test_fields_of_an_odd_window_stay_inside_it(top: int, bottom: int) -> None:
    """A window that starts or ends at an odd line gives field rows that lie inside it in both fields, mask with them."""
    mask = np.zeros((bottom - top, 640), dtype=np.bool_)
    mask[30] = True
    field = area_of(480, 640, window=(top, bottom, 0, 640), overlay=mask).for_fields()
    first, last = field.window[:2]
    for parity in (0, 1):
        assert 2 * first + parity >= top
        assert 2 * (last - 1) + parity < bottom
    assert field.overlay is not None
    assert field.overlay.shape == field.shape
    masked = 2 * (first + np.flatnonzero(field.overlay.all(axis=1))) - top
    assert masked.tolist() in ([30], [29])  # the pair of lines that holds line 30 of the window


@pytest.mark.parametrize("shape", [(48, 64), (61, 97), (63, 65), (240, 321), (5, 7), (575, 719)])
def test_any_size_is_measured_or_said_not_to_be(shape: tuple[int, int]) -> None:
    """Tiny and odd pictures raise nothing, and no figure is infinite."""
    generator = np.random.default_rng(2)
    pictures = [noisy(np.full(shape, 120.0), 3.0, generator) for _ in range(3)]
    for frame in chain(pictures):
        values = np.array([value for one in MEASURES for value in one(frame)])
        assert not np.isinf(values).any()
        assert frame.view(TILE_MEASURE).shape == (192,)
        assert frame.histogram.sum() == pytest.approx(1.0)


def test_views_are_computed_once() -> None:
    """A view is worked out on first use and kept."""
    calls = []
    frame = frame_of(np.full(SMALL, 90, np.uint8))
    view = calls.append
    assert frame.view(view) is None
    assert frame.view(view) is None
    assert calls == [frame]


def test_zone_is_the_middle_of_the_picture() -> None:
    """The flying zone of 0.6 is the tiles whose centres lie in the middle 60 % of width and height, symmetric."""
    zone = area_of().zone.reshape(12, 16)
    # 12 rows: centres (i + 0.5) / 12 in 0.2..0.8 are rows 2 to 9; 16 columns: 3 to 12
    assert np.array_equal(np.flatnonzero(zone.any(axis=1)), np.arange(2, 10))
    assert np.array_equal(np.flatnonzero(zone.any(axis=0)), np.arange(3, 13))
    assert zone.sum() == 8 * 10
    assert area_of(criteria=Criteria(flying_zone=1.0)).zone.all()


@given(st.integers(2, 2400), st.integers(16, 4096))
@settings(max_examples=50)
def test_row_step_is_odd_and_within_the_budget(height: int, width: int) -> None:
    """The row step is the smallest odd one that keeps to the budget, so that no row phase of a codec is missed."""
    step = area_of(height, width).row_step
    assert step % 2 == 1
    assert height // step * width <= PIXEL_BUDGET
    assert step == 1 or height // (step - 2) * width > PIXEL_BUDGET


def test_row_sampling_error_at_1080_lines() -> None:
    """At 1080 lines, sampled rows give level, clipped and crushed within 0.2 percentage points of all rows."""
    # bound: 0.2 percentage points of the values of the uncompressed frame, as the measures promise
    scene = texture(1080, 1920, seed=11, low=-30.0, high=290.0).copy()
    y, x = np.mgrid[0:1080, 0:1920]
    for across, down, radius in ((300, 200, 6), (900, 330, 15), (1500, 700, 40), (1210, 140, 3)):
        scene[np.hypot(x - across, y - down) < radius] = 300.0  # lamps, small ones too
    picture = np.clip(noisy(scene, 3.0, np.random.default_rng(4)), 16, 235)
    area = area_of(1080, 1920)
    assert area.row_step == 7
    sampled = frame_of(picture, area).histogram
    exact = np.bincount(picture.ravel(), minlength=256) / picture.size
    weights = area.code_weights[:, [0, 2, 3]].astype(np.float64) * [100 / 219, 100, 100]
    error = np.abs((sampled - exact) @ weights)
    assert (exact @ weights > 0.1).all()
    assert error.max() <= 0.2
    # level is far better than the bound
    assert error[0] <= 0.05


def test_no_picture_at_all() -> None:
    """A picture wholly under the overlay has no histogram and no tile figure, rather than zeros."""
    area = area_of(*SMALL, overlay=np.ones(SMALL, dtype=np.bool_))
    frame = frame_of(np.full(SMALL, 80, np.uint8), area)
    assert np.isnan(frame.histogram).all()
    assert np.isnan(frame.tile_sums).all()
    assert not area.tile_valid.any()
    assert area.code_range is CodeRange.NARROW
