"""Readability by tile against the Rose criterion, its causes, and shares of picture and flying zone."""

from __future__ import annotations

import math

import numpy as np
import pytest
from frame_material import area_of, chain, coded, frame_of, noisy
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldscore.criteria import Criteria
from fieldscore.frame import Frame
from fieldscore.measures.readability import given_back, readability, readable_shares, rose_k
from fieldscore.units import contrast_step

NAMES = [column.name for column in readable_shares.columns]
SMEAR_CODES = 0.4  # least noise of an object's mean, docs/decisions/smear_floor.py


def last(level: float, sigma: float, criteria: Criteria | None = None, frames: int = 14) -> Frame:
    """The last of a few frames of an even picture with white noise (codes)."""
    generator = np.random.default_rng(1)
    pictures = [noisy(np.full((480, 640), level), sigma, generator) for _ in range(frames)]
    found = chain(pictures, area_of(criteria=criteria))
    for frame in found:
        frame.view(readability)
    return found[-1]


def shares(frame: Frame) -> dict[str, float]:
    return dict(zip(NAMES, readable_shares(frame), strict=True))


def test_rose_worked_example() -> None:
    """A step of 2 codes in noise of 6 over 16 x 16 px has k = 5.33 and is seen, in noise of 8 it has 4 and is not."""
    # tile form k = dY / sigma sqrt(A): 2 / 6 x 16 = 5.333 (A. Rose, JOSA 38:196, 1948)
    assert 2 / 6 * math.sqrt(16 * 16) == pytest.approx(5.333, abs=1e-3)
    # the level at which Weber 0.2 makes a step of 2 codes under the sRGB curve
    levels = np.linspace(0.0, 0.5, 20001)
    level = 16 + 219 * levels[np.argmin(np.abs(contrast_step(levels, 0.2) * 219 - 2.0))]
    criteria = Criteria(object_size_px=16.0)
    k = float(np.median(last(level, 6.0, criteria).view(readability)))
    # the least noise of a smearing codec is in the measured figure
    assert k == pytest.approx(2 / math.hypot(6 / 16, SMEAR_CODES), rel=0.1)
    assert float(np.median(last(level, 8.0, criteria).view(readability))) < k


def test_a_codec_of_single_pictures_smears_less() -> None:
    """In noise of 0.4 codes of its mean 2 codes have k = 2 / hypot(0.4, 0.4), or 2 / 0.5 where each picture is by itself."""
    signal, noise = np.array([2.0]), np.array([0.4])
    assert rose_k(signal, noise, intra=False) == pytest.approx([2.0 / math.hypot(0.4, 0.4)], rel=1e-5)
    assert rose_k(signal, noise, intra=True) == pytest.approx([4.0], rel=1e-5)


@pytest.mark.parametrize(("intra", "smear"), [(False, SMEAR_CODES), (True, 0.3)])
def test_what_no_codec_smeared_is_given_back(intra: bool, smear: float) -> None:
    """Where tiles scatter as noise does k is as without a smear, from 4 % less at their low end on as with all of it."""
    noise = 0.7
    whole = math.hypot(noise, smear)
    assert given_back(noise, 0.0, intra=intra) == pytest.approx(whole / noise)
    assert given_back(noise, -0.02, intra=intra) == pytest.approx(whole / noise)
    assert given_back(noise, -0.03, intra=intra) == pytest.approx(whole / math.hypot(noise, smear / 2))
    assert given_back(noise, -0.04, intra=intra) == pytest.approx(1.0)
    assert given_back(noise, -0.5, intra=intra) == pytest.approx(1.0)
    # of noise far below the smear a codec may have taken the rest, and nothing known gives nothing
    assert given_back(0.01, 0.0, intra=intra) == pytest.approx(math.sqrt(2.0))
    assert given_back(math.nan, 0.0, intra=intra) == given_back(noise, math.nan, intra=intra) == 1.0


@pytest.mark.parametrize(
    ("level", "sigma", "seen"),
    [(120, 2.0, True), (120, 14.0, True), (60, 8.0, False), (24, 2.0, False), (120, 30.0, False)],
)
def test_even_pictures(level: float, sigma: float, seen: bool) -> None:
    """A well-lit even picture (a sky) is readable; a dark or noisy one is not."""
    found = shares(last(level, sigma))
    assert found["readable_percent"] == (100.0 if seen else 0.0)
    assert found["zone_readable_percent"] == found["readable_percent"]


@pytest.mark.parametrize(
    ("level", "sigma", "cause"), [(18, 0.5, "dark"), (20, 0.6, "dark"), (120, 25.0, "noisy"), (235, 0.0, "blown")]
)
def test_causes(level: float, sigma: float, cause: str) -> None:
    """What an unreadable zone is lost to: too little signal, noise, or the ceiling."""
    criteria = Criteria()
    generator = np.random.default_rng(1)
    half = np.full((480, 640), 190.0)
    half[:, 160:] = level
    pictures = []
    for _ in range(14):
        picture = half + max(0.8, sigma) * generator.standard_normal(half.shape)
        picture[:, 160:] = np.clip(level + sigma * generator.standard_normal((480, 480)), 16, 235)
        pictures.append(coded(picture))
    frames = chain(pictures, area_of(criteria=criteria))
    for frame in frames:
        found = shares(frame)
    assert found[f"zone_{cause}_percent"] > 80.0


def test_shares_of_the_zone_add_up() -> None:
    """Readable, dark, blown and noisy share of the zone make 100 %."""
    found = shares(last(40, 4.0))
    parts = ("readable", "dark", "blown", "noisy")
    assert sum(found[f"zone_{part}_percent"] for part in parts) == pytest.approx(100.0)


def test_not_measurable_is_not_zero() -> None:
    """On the first frame, where noise is not known, nothing is said; an all clipped frame is unreadable all the same."""
    assert all(math.isnan(value) for value in readable_shares(frame_of(np.full((480, 640), 120, np.uint8))))
    assert shares(frame_of(np.full((480, 640), 235, np.uint8)))["readable_percent"] == 0.0


@given(st.floats(25.0, 200.0), st.floats(1.0, 12.0), st.floats(1.3, 3.0))
@settings(max_examples=5, deadline=None)
def test_more_noise_never_helps(level: float, sigma: float, factor: float) -> None:
    """With more noise the Rose k of an even picture falls, as long as the ends hide none of it."""
    # a fifth of a tile at the floor (0.84 sigma away) or a fiftieth at the ceiling (2.05 sigma) hides its noise
    loud_sigma = min(sigma * factor, level - 18.5, (232.5 - level) / 2.3)
    quiet = np.nanmedian(last(level, loud_sigma / factor, frames=5).view(readability))
    loud = np.nanmedian(last(level, loud_sigma, frames=5).view(readability))
    assert loud < quiet


@pytest.mark.parametrize("sigma", [9.0, 18.0])
def test_noise_that_reaches_the_floor_is_no_silence(sigma: float) -> None:
    """Where noise drives over a fifth of every tile into the floor it shows nothing: k is 0, not that of the noise left."""
    frame = last(25.0, sigma, frames=5)
    assert frame.tile_sums[:, 2].mean() > 0.2
    assert np.all(frame.view(readability) == 0.0)


def test_noise_hidden_by_the_ceiling_is_not_measurable() -> None:
    """Where every tile is clipped a little, its noise is not known and its k is NaN, neither good nor 0."""
    frame = last(195.0, 36.0, frames=5)
    assert 0.02 < frame.tile_sums[:, 3].mean() < 0.2
    assert np.isnan(frame.view(readability)).all()
    assert all(math.isnan(value) for value in readable_shares(frame))


def test_the_zone_is_the_centre() -> None:
    """What happens outside the central 60 % does not touch the zone's share."""
    generator = np.random.default_rng(1)
    scene = np.full((480, 640), 16.0)
    scene[96:384, 128:512] = 130.0
    pictures = [np.clip(noisy(scene, 1.5, generator), 16, 235) for _ in range(8)]
    for frame in chain(pictures):
        found = shares(frame)
    assert found["zone_readable_percent"] == 100.0
    assert found["readable_percent"] < 50.0


def test_tiles_under_the_overlay_do_not_count() -> None:
    """A tile more than half covered is left out of every share."""
    mask = np.zeros((480, 640), dtype=np.bool_)
    mask[:40, :320] = True
    generator = np.random.default_rng(1)
    scene = np.full((480, 640), 130.0)
    scene[:40, :320] = 16.0
    frames = chain([noisy(scene, 1.0, generator) for _ in range(6)], area_of(overlay=mask))
    for frame in frames:
        found = shares(frame)
    assert np.isnan(frames[-1].view(readability)[:8]).all()
    assert found["readable_percent"] == 100.0


def test_a_tile_smeared_flat_is_doubted() -> None:
    """A column of tiles smeared flat beside noisy ones has the lower k, although no noise is seen in it."""
    generator = np.random.default_rng(2)
    pictures = []
    for _ in range(14):
        picture = noisy(np.full((480, 640), 60.0), 4.0, generator)
        picture[:, :40] = 60
        pictures.append(picture)
    frames = chain(pictures, area_of())
    for frame in frames:
        frame.view(readability)
    k = frames[-1].view(readability).reshape(12, 16)
    assert np.median(k[:, 0]) < 0.5 * np.median(k[:, 1:])
