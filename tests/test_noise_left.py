"""Pools of tiles: noise told from motion that was not followed and from what a codec carries on."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from frame_material import area_of, chain, noisy

from fieldscore.noise import NoiseCurve, Pools, noise, noise_curve, object_noise
from fieldscore.noise_left import (
    LeftCurve,
    PairPools,
    carried_on,
    farther_apart,
    left_curve,
    low_end,
    pair_pools,
    uneven,
)

Doubles = npt.NDArray[np.float64]
FREEDOM = 22  # of a tile's variance
DARK, BRIGHT = 0.15, 0.38  # levels, of the pools 2 and 4
MANY = 400  # tiles of a level: a point of their variances is known to 3 %


def _tiles(level: float, variances: Doubles, structure: float, whole: float = 1.0, far: float = np.nan) -> Doubles:
    found = np.stack([np.full(len(variances), one) for one in (level, 0.0, structure, whole, far)])
    found[1] = variances
    return found


def _noise(variance: float, seed: int) -> Doubles:
    return variance * np.random.default_rng(seed).chisquare(FREEDOM, MANY) / FREEDOM


def _pair(dark: Doubles, bright: Doubles) -> PairPools:
    return pair_pools(np.concatenate([dark, bright], axis=1))


def _variances(pair: PairPools) -> Doubles:
    """What the curve of eight pairs alike gives at both levels."""
    return left_curve([pair] * 8).codes_at(np.array([DARK, BRIGHT])) ** 2


def test_noise_has_the_tail_of_noise() -> None:
    """Tiles of noise alone give its variance within 6 % at every point, and a low end as it is for noise."""
    found = pair_pools(_tiles(DARK, _noise(2.0, 1), 1.0))
    assert [found.quarters[2], found.plainer[2], found.plain[2]] == pytest.approx([2.0] * 3, rel=0.06)
    assert found.tails[2] == pytest.approx(0.0, abs=0.03)
    assert found.counts[2] == MANY
    assert np.isnan(found.quarters[[0, 1, 3, 4, 5, 6]]).all()


def test_the_low_end_of_all_pools_goes_by_their_tiles() -> None:
    """Of two pools, one of noise and one of a codec with a quarter of the tiles, the low end is that of all tiles; of none NaN."""
    kept = np.where(np.arange(MANY // 4) % 3 == 0, 0.0, _noise(1.0, 1)[: MANY // 4])
    pair = _pair(_tiles(DARK, _noise(2.0, 1), 1.0), _tiles(BRIGHT, kept, 1.0))
    assert low_end([pair, pair]) == pytest.approx(0.8 * pair.tails[2] - 0.2 * 0.5)
    assert math.isnan(low_end([pair_pools(_tiles(DARK, _noise(2.0, 1), 1.0)[:, :7])]))
    assert math.isnan(low_end([]))


def test_noise_is_uneven_by_both_signs_together() -> None:
    """A low end of -0.12 and 0.15 more over twice the time are of a denoiser or a starved codec; one by itself is not."""
    assert uneven(-0.12, 0.15)
    assert not uneven(-0.2, 0.11)
    assert not uneven(-0.09, 0.3)
    assert not uneven(-0.2, math.nan)
    assert not uneven(math.nan, 0.3)


def test_too_few_tiles_say_nothing() -> None:
    """A pool of seven tiles is not known."""
    assert np.isnan(pair_pools(_tiles(DARK, _noise(2.0, 1), 1.0)[:, :7]).quarters).all()


def test_tiles_that_did_not_change_are_a_codecs() -> None:
    """A pool of which a third did not change has the lowest tail, one that nothing changed in at all none."""
    kept = np.where(np.arange(MANY) % 3 == 0, 0.0, _noise(1.0, 1))
    assert pair_pools(_tiles(DARK, kept, 1.0)).tails[2] == pytest.approx(-0.5)
    assert pair_pools(_tiles(DARK, np.zeros(MANY), 0.0)).tails[2] == 0.0


def test_rough_ground_does_not_hold_plain_ground_up() -> None:
    """Rough ground that reads four times the variance, as under motion, leaves plain ground within 15 %, and reads half at most."""
    found = _variances(_pair(_tiles(DARK, _noise(1.0, 1), 0.5), _tiles(BRIGHT, _noise(4.0, 2), 300.0)))
    assert found[0] == pytest.approx(1.0, rel=0.15)
    assert 1.0 < found[1] < 2.0


def test_a_low_end_is_of_motion_where_a_codec_has_bits_enough() -> None:
    """Rough ground of which a fifth was followed: within a quarter at a bit a pixel, half too high at few or unknown bits."""
    left_over = np.where(np.arange(MANY) % 5 == 0, 1.0, 1.0 + np.random.default_rng(3).exponential(12.0, MANY))
    pair = pair_pools(_tiles(DARK, _noise(1.0, 1) * left_over, 300.0))
    few, some, enough, unknown = (
        float(left_curve([pair] * 8, bits_a_pixel=bits).codes_at(np.array([DARK]))[0])
        for bits in (0.2, 0.45, 1.0, None)
    )
    assert pair.tails[2] < -0.15
    assert enough == pytest.approx(1.0, abs=0.25)
    assert few == unknown > some > enough
    assert few == pytest.approx(1.5, abs=0.1)
    of_denoiser = left_curve([pair] * 8, bits_a_pixel=1.0, carried=0.3).codes_at(np.array([DARK]))[0]
    assert float(of_denoiser) == unknown  # frames that carry noise on make a low end, too


@pytest.mark.parametrize(("intra", "least"), [(False, 0.7), (True, 0.9)])
def test_tiles_that_a_codec_left_alone_are_not_of_motion(intra: bool, least: float) -> None:
    """One tile in ten that does not change makes a low end without bound: noise is three tenths too low at most."""
    kept = np.where(np.arange(MANY) % 10 == 0, 1e-3, 1.0)
    pair = pair_pools(_tiles(DARK, _noise(1.0, 1) * kept, 300.0))
    left = left_curve([pair] * 8, intra=intra, bits_a_pixel=1.0).codes_at(np.array([DARK]))[0]
    assert least < float(left) < 1.1


def _alone(whole: float, *, intra: bool = False, carried: float | None = None) -> float:
    """Variance of plain ground whose noise is 1 between frames and `whole` with what is carried on."""
    pair = pair_pools(_tiles(DARK, _noise(1.0, 1), 0.5, whole * 0.97))  # the middle of a chi-square
    return float(left_curve([pair] * 8, carried=carried, intra=intra).codes_at(np.array([DARK]))[0]) ** 2


@pytest.mark.parametrize(("carried", "most"), [(None, 0.2), (0.0, 0.0), (0.35, 0.7)])
def test_what_is_carried_on_counts_as_far_as_frames_farther_apart_say(carried: float | None, most: float) -> None:
    """A tenth more variance counts where so much may be carried on; of four times as much, a scene's detail, no more than that."""
    assert _alone(1.1, carried=carried) == pytest.approx(min(1.1, np.exp(most)), rel=0.03)
    assert _alone(4.0, carried=carried) == pytest.approx(np.exp(most), rel=0.05)
    assert _alone(0.5, carried=carried) == pytest.approx(1.0, rel=0.05)


@pytest.mark.parametrize("kept", [0.0, 0.25, 0.5, 0.65])
def test_noise_that_is_carried_on_is_found_from_frames_twice_as_far_apart(kept: float) -> None:
    """Frames that keep a share of the last one's noise (an autoregressive process) differ by less than it is, by what is found."""
    rng = np.random.default_rng(3)
    many = 8 * MANY
    frames = [rng.standard_normal((many, 25))]
    for _ in range(2):
        frames.append(kept * frames[-1] + np.sqrt(1.0 - kept**2) * rng.standard_normal((many, 25)))
    near, far = (np.var(frames[-1] - frames[-lag], axis=1, ddof=1) / 2.0 for lag in (2, 3))
    level, structure, whole = (np.full(many, one) for one in (DARK, 0.5, 1.0))
    pools = pair_pools(np.stack([level, near, structure, whole, far]))
    assert carried_on(farther_apart(pools)) == pytest.approx(-0.5 * np.log(1.0 - kept), abs=0.06)


def test_what_cannot_be_carried_on_is_not_found() -> None:
    """Frames farther apart that differ by less carry nothing on, by five times as much a share of 0.7, unknown ones NaN."""
    assert carried_on(-0.2) == 0.0
    assert carried_on(0.8) == pytest.approx(-0.5 * np.log(0.3))
    assert np.isnan(farther_apart(pair_pools(_tiles(DARK, _noise(1.0, 1), 0.5))))


def test_a_codec_of_single_pictures_carries_nothing_on() -> None:
    """Where each picture is coded by itself, noise is what changes, and tiles that did not change starve nothing."""
    assert _alone(1.2, intra=True) == pytest.approx(1.0, rel=0.05)
    kept = pair_pools(_tiles(DARK, np.where(np.arange(MANY) % 5 < 1, 0.0, _noise(1.0, 1)), 0.5, 3.0))
    inter, intra = (
        float(left_curve([kept] * 8, intra=one).codes_at(np.array([DARK]))[0]) ** 2 for one in (False, True)
    )
    assert intra < 1.0 < 2.5 < inter


def test_rough_ground_of_single_pictures_hardly_counts() -> None:
    """Where each picture is coded by itself, rough ground of four times the variance is nearer to plain ground."""
    pair = _pair(_tiles(DARK, _noise(1.0, 1), 0.5), _tiles(BRIGHT, _noise(4.0, 2), 300.0))
    inter, intra = (left_curve([pair] * 8, intra=one).codes_at(np.array([DARK, BRIGHT])) ** 2 for one in (False, True))
    assert intra[1] - 1.0 < 0.5 * (inter[1] - 1.0)
    assert intra[0] == pytest.approx(1.0, rel=0.06)


def test_rough_ground_of_less_noise_is_believed() -> None:
    """Rough ground that reads a third of the variance of plain ground does so within 30 %: nothing makes it read too low."""
    found = _variances(_pair(_tiles(DARK, _noise(1.0, 1), 0.5), _tiles(BRIGHT, _noise(0.33, 2), 300.0)))
    assert found[1] == pytest.approx(0.33, rel=0.3)


def test_under_a_codec_that_starves_rough_ground_is_weighed_as_plain_ground_is() -> None:
    """Where a codec leaves tiles as they were, rough ground of four times the variance reads more than twice the plain one's."""
    dark = np.where(np.arange(MANY) % 5 < 2, 0.0, _noise(1.0, 1))
    found = _variances(_pair(_tiles(DARK, dark, 0.9, 1.0), _tiles(BRIGHT, _noise(4.0, 2), 300.0)))
    assert found[1] > 2.0 * found[0]
    assert found[0] == pytest.approx(1.0, rel=0.4)  # what is carried on is counted: between frames it is 0.6


def test_levels_that_were_never_met_twice_are_told_from_one_pair() -> None:
    """Where every pool was met in one pair only, as when light changes, what that pair says within 10 % is taken."""
    dark, bright = (pair_pools(_tiles(level, _noise(2.0, 1), 0.5)) for level in (DARK, BRIGHT))
    found = left_curve([dark, bright]).codes_at(np.array([DARK, BRIGHT])) ** 2
    assert found == pytest.approx([2.0, 2.0], rel=0.10)


def _rough(variance: float) -> PairPools:
    """A pair of rough ground at one level, with the tail of noise."""
    return pair_pools(_tiles(DARK, _noise(variance, 1), 300.0))


def _starved(variance: float) -> PairPools:
    """The same under a codec that leaves two fifths of the tiles as they were, the rest of that variance and more."""
    return pair_pools(_tiles(DARK, np.where(np.arange(MANY) % 10 == 0, 0.0, _noise(variance, 1)), 300.0))


def _at_dark(pairs: list[PairPools]) -> float:
    return float(left_curve(pairs).codes_at(np.array([DARK]))[0]) ** 2


def test_over_the_pairs_rough_ground_has_a_low_quarter() -> None:
    """Motion adds to what most pairs read of rough ground: of eight, three of which read it right, the right variance is taken."""
    assert _at_dark([_rough(v) for v in (1.0, 1.0, 1.0, 5.0, 6.0, 7.0, 8.0, 9.0)]) == pytest.approx(1.0, rel=0.1)


def test_over_the_pairs_a_starving_codec_has_the_middle() -> None:
    """A codec takes noise from some pairs and not from others: of nine the middle is taken, not a low quarter."""
    variances = (1.0, 1.0, 1.0, 2.0, 4.0, 4.0, 4.0, 4.0, 4.0)
    found, alike = (_at_dark([_starved(v) for v in values]) for values in (variances, [4.0] * 9))
    assert found == pytest.approx(alike, rel=0.1)


def test_plain_ground_in_fewer_than_half_of_the_pairs_is_not_believed() -> None:
    """Where motion was lost in three of eight pairs, all looks plain beside it: the others' rough ground is taken."""
    lost, sound = pair_pools(_tiles(DARK, _noise(40.0, 1), 60.0)), _rough(1.0)
    assert np.isfinite(lost.plain[2])
    assert np.isnan(sound.plain[2])
    assert _at_dark([lost] * 3 + [sound] * 5) == pytest.approx(1.0, rel=0.1)
    assert _at_dark([lost] * 5 + [sound] * 3) == pytest.approx(40.0, rel=0.1)


def test_a_level_met_in_one_pair_of_several_is_left_out() -> None:
    """A pool that one of eight pairs knows has no place in the curve: it is one pair's chance."""
    dark = pair_pools(_tiles(DARK, _noise(1.0, 1), 0.5))
    both = _pair(_tiles(DARK, _noise(1.0, 1), 0.5), _tiles(BRIGHT, _noise(9.0, 2), 0.5))
    assert len(left_curve([dark] * 7 + [both]).levels) == 1
    assert len(left_curve([dark] * 6 + [both] * 2).levels) == 2


def test_levels_near_black_are_one_level() -> None:
    """What lies half a percent above the floor is told as two percent: logarithms would tear it from what is beside it."""
    below = pair_pools(_tiles(0.005, _noise(1.0, 1), 0.5))
    assert left_curve([below] * 2).levels == pytest.approx([0.02])


@pytest.mark.parametrize(("between", "left", "codes"), [(4.0, 4.0, 4.0), (1.0, 8.0, 4.0), (2.0, 4.0, 2.0 ** (5 / 3))])
def test_an_object_is_hidden_by_more_than_what_changes(between: float, left: float, codes: float) -> None:
    """Noise of an object's mean lies two thirds of the way, in logarithms, from what changes between frames to all that is left."""
    levels = np.array([0.1, 0.3, 0.6])
    curve = NoiseCurve(
        0.0, Pools(levels, np.full(3, between**2)), LeftCurve(levels, np.full(3, math.log(left))), (), np.ones(3)
    )
    area = area_of()
    assert object_noise(curve, area, levels) == pytest.approx(codes * area.object_per_block, rel=1e-6)


def test_a_quiet_floor_does_not_quiet_all_levels() -> None:
    """Where the darkest tiles are pressed to a quarter of the noise, brighter ones keep more than half of theirs."""
    levels = np.array([0.03, 0.1, 0.3, 0.5])
    pools = Pools(levels, np.square([0.5, 2.0, 2.0, 2.0]))
    curve = NoiseCurve(0.0, pools, LeftCurve(levels, np.log([0.6, 2.0, 2.0, 2.0])), (), np.ones(4))
    area = area_of()
    assert object_noise(curve, area, levels[2:]).min() > 1.2 * area.object_per_block


def test_where_nothing_is_left_nothing_hides_an_object_but_rounding() -> None:
    """A picture without any noise has none of an object's mean but that of rounding."""
    levels = np.array([0.1, 0.3])
    curve = NoiseCurve(0.0, Pools(levels, np.zeros(2)), LeftCurve(levels, np.full(2, -5.0)), (), np.ones(2))
    assert object_noise(curve, area_of(), levels) == pytest.approx(math.sqrt(1.0 / 12.0), rel=1e-6)


@pytest.mark.parametrize(("before", "after"), [((160.0, 1.5), (50.0, 8.0)), ((50.0, 8.0), (160.0, 1.5))])
def test_another_light_is_another_noise(before: tuple[float, float], after: tuple[float, float]) -> None:
    """A quarter of a second after a lamp goes out, or is lit, noise is that of the new light within an eighth."""
    generator = np.random.default_rng(4)
    ramp = np.tile(np.linspace(0.75, 1.25, 640), (480, 1))
    (lit, quiet), (dark, loud) = before, after
    frames = chain(
        [noisy(16.0 + (lit - 16.0) * ramp, quiet, generator) for _ in range(30)]
        + [noisy(16.0 + (dark - 16.0) * ramp, loud, generator) for _ in range(9)]
    )
    for frame in frames:
        frame.view(noise_curve)
    found = noise(frames[-1])
    assert found is not None
    area = frames[-1].area
    assert float(np.median(found.left_codes)) == pytest.approx(loud, rel=0.125)
    assert float(np.median(found.object_codes)) == pytest.approx(
        loud / math.sqrt(area.block_pixels) * area.object_per_block, rel=0.125
    )


def test_light_that_changes_a_little_begins_nothing_anew() -> None:
    """A level that goes up and down by a fifth, as in flight, leaves several measurements to be taken together."""
    generator = np.random.default_rng(7)
    ramp = np.tile(np.linspace(0.75, 1.25, 640), (480, 1))
    levels = 60.0 * (1.0 + 0.2 * np.sin(np.arange(36) / 4.0))
    frames = chain([noisy(16.0 + level * ramp, 4.0, generator) for level in levels])
    for frame in frames:
        frame.view(noise_curve)
    curve = noise_curve(frames[-1])
    assert curve is not None
    assert len(curve.recent) >= 5
