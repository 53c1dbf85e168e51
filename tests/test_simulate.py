"""The simulator's truth is checked against its own clips, since every measure is judged by it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from fieldscore.simulate import (
    DEMOS,
    CameraModel,
    Chain,
    Flash,
    FlightPlan,
    LinkLoss,
    Truth,
    load_truth,
    simulate,
)
from fieldscore.video import Encoding, Flight

CLIPS = Path(__file__).parent.parent / "clips"
LOSSLESS = Encoding(codec="ffv1")
SMALL = FlightPlan(
    seed=4, width=160, height=120, frame_rate=30.0, duration_s=1.0, ground_before_s=0.1, ground_after_s=0.1
)
STILL = replace(SMALL, duration_s=2.0, ground_before_s=2.0, ground_after_s=0.0)
CAMERA = CameraModel("test", gain_max=24.0, full_well=6000.0, read_noise=3.0)
QUIET = replace(CAMERA, full_well=1e9, read_noise=0.0, chroma_noise=0.0)
PLAIN = Chain(encoding=LOSSLESS, osd=())


def luma(path: Path) -> npt.NDArray[np.float64]:
    """Luma of all pictures of a clip, (n, h, w)."""
    return np.array([frame.luma.copy() for frame in Flight([path]).frames()], dtype=np.float64)


def tiles(picture: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Means over 12 x 16 tiles of (..., 120, 160)."""
    return picture.reshape(*picture.shape[:-2], 12, 10, 16, 10).mean(axis=(-3, -1))


def fly(tmp_path: Path, plan: FlightPlan, camera: CameraModel, chain: Chain, name: str = "a") -> tuple[Truth, Path]:
    """A simulated clip and its truth."""
    path = tmp_path / f"{name}.mkv"
    return simulate(plan, camera, chain, path), path


def test_same_arguments_same_bytes(tmp_path: Path) -> None:
    """The same plan, camera and chain give the same clip and truth, byte for byte; another seed does not."""
    plan = replace(SMALL, duration_s=0.4)
    chain = Chain(encoding=Encoding(codec="h264"))
    a, first = fly(tmp_path, plan, CAMERA, chain, "a")
    b, second = fly(tmp_path, plan, CAMERA, chain, "b")
    _, third = fly(tmp_path, replace(plan, seed=5), CAMERA, chain, "c")
    assert first.read_bytes() == second.read_bytes()
    assert first.read_bytes() != third.read_bytes()
    np.testing.assert_array_equal(a.cnr, b.cnr)
    for name, column in a.columns.items():
        np.testing.assert_array_equal(column, b.columns[name])


def test_levels_are_those_of_the_coded_luma(tmp_path: Path) -> None:
    """Level, percentiles, clipped and crushed shares equal those of the lossless clip outside the overlay."""
    truth, path = fly(
        tmp_path, replace(SMALL, duration_s=0.5), replace(CAMERA, black_offset=0.15), Chain(encoding=LOSSLESS)
    )
    assert 0.0 < truth.overlay.mean() < 0.2
    for row, picture in enumerate(luma(path)):
        free = picture[~truth.overlay]
        assert truth.level_percent[row] == pytest.approx((free.mean() - 16) / 2.19, abs=1e-6)
        assert truth.clipped_percent[row] == pytest.approx(100 * (free >= truth.ceiling_code - 2).mean(), abs=1e-6)
        assert truth.crushed_percent[row] == pytest.approx(100 * (free <= truth.floor_code + 2).mean(), abs=1e-6)
        assert truth.p50_percent[row] == pytest.approx((np.median(free) - 16) / 2.19, abs=0.5)
    assert truth.crushed_percent.max() > 5.0  # black set down crushes something at night


def test_exposure_is_the_gain_of_the_pictures(tmp_path: Path) -> None:
    """On a still scene the linear light of unclipped pixels moves by the stated exposure (0.01 stop)."""
    camera = replace(QUIET, hunting_stops=1.0, hunting_period_s=0.8, gain_max=500.0)
    truth, path = fly(tmp_path, STILL, camera, PLAIN)
    light = np.clip((luma(path) - 16) / 219, 0, 1) ** camera.gamma
    fit = (light.max(axis=0) < 0.7) & (light.min(axis=0) > 0.02)
    assert fit.sum() > 1000
    seen = np.log2(light[:, fit].sum(axis=1) / light[0, fit].sum())
    assert np.ptp(truth.exposure_stops) > 0.5
    np.testing.assert_allclose(seen, truth.exposure_stops, atol=0.01)


@pytest.mark.parametrize(
    "chain",
    [PLAIN, replace(PLAIN, bandwidth=0.311, link_noise=3.0, line_noise=1.0)],
    ids=["digital", "analogue"],
)
def test_noise_is_what_a_still_scene_shows(tmp_path: Path, chain: Chain) -> None:
    """Temporal noise of a still scene equals `noise_codes` in each tile (6 %, where the picture is not
    clipped flat)."""
    truth, path = fly(tmp_path, STILL, replace(CAMERA, black_offset=0.05), chain)
    pictures = luma(path)[10:]
    measured = np.sqrt(tiles(pictures.var(axis=0, ddof=1)))
    stated = np.sqrt((truth.noise_codes[10:] ** 2).mean(axis=0))
    fit = stated > 1.0
    assert fit.mean() > 0.9
    np.testing.assert_allclose(measured[fit], stated[fit], rtol=0.06)


def test_block_noise_of_an_analogue_link(tmp_path: Path) -> None:
    """Where the band limit ties pixels together, `cnr_block` follows the noise of block means, and `cnr` is
    above it."""
    plan = replace(STILL, width=320, height=240)  # an object of 4 x 4 px
    chain = replace(PLAIN, bandwidth=0.2, link_noise=6.0, line_noise=2.0)
    truth, path = fly(tmp_path, plan, CAMERA, chain)
    pictures = luma(path)
    blocks = pictures.reshape(len(pictures), 60, 4, 80, 4).mean(axis=(2, 4))
    measured = np.sqrt(blocks.var(axis=0, ddof=1).reshape(12, 5, 16, 5).mean(axis=(1, 3)))
    stated = np.median(truth.cnr / truth.cnr_block * truth.noise_codes / 4.0, axis=0)
    np.testing.assert_allclose(np.median(measured / stated), 1.0, atol=0.03)
    assert np.nanmedian(truth.cnr / truth.cnr_block) > 1.3


def test_object_step_and_rose_k(tmp_path: Path) -> None:
    """k is step / noise * sqrt(pixels), where the step is that of light 20 % up through the whole curve."""
    truth, path = fly(tmp_path, STILL, QUIET, PLAIN)
    light = np.clip((luma(path)[0] - 16) / 219, 0, 1) ** QUIET.gamma
    step = 16 + 219 * np.minimum(light * 1.2, 1.0) ** (1 / QUIET.gamma) - luma(path)[0]
    k = tiles(step) / truth.noise_codes[0] * 2.0  # the object is 2 x 2 px at 120 lines
    np.testing.assert_allclose(truth.cnr[0], k, rtol=0.03, atol=0.3)
    np.testing.assert_allclose(truth.noise_codes[0], np.sqrt(1 / 12), rtol=0.02)


def test_overlay_mask_is_what_the_overlay_touches(tmp_path: Path) -> None:
    """Clips with and without overlay differ inside the mask only, and nearly everywhere in it."""
    plan = replace(SMALL, duration_s=1.6)
    truth, with_osd = fly(tmp_path, plan, CAMERA, Chain(encoding=LOSSLESS), "osd")
    _, without = fly(tmp_path, plan, CAMERA, PLAIN, "plain")
    touched = (luma(with_osd) != luma(without)).any(axis=0)
    assert not (touched & ~truth.overlay).any()
    assert touched.sum() > 0.97 * truth.overlay.sum()
    assert truth.cnr_mask.sum() < 40
    assert (tiles(truth.overlay.astype(float)) > 0.5).sum() == truth.cnr_mask.sum()


def test_analogue_overlay_stays_in_its_mask(tmp_path: Path) -> None:
    """The band limit smears the overlay sideways; the mask is wide enough for that."""
    chain = Chain(encoding=LOSSLESS, bandwidth=0.25)
    plan = replace(SMALL, duration_s=0.3)
    truth, with_osd = fly(tmp_path, plan, CAMERA, chain, "osd")
    _, without = fly(tmp_path, plan, CAMERA, replace(chain, osd=()), "plain")
    assert np.abs(luma(with_osd) - luma(without))[:, ~truth.overlay].max() <= 0


def test_link_is_lost_when_stated(tmp_path: Path) -> None:
    """Each kind of loss fills exactly its stated frames; those have no level and no tile rows."""
    kinds = ("snow", "blue", "black", "frozen", "torn", "blocks")
    losses = tuple(LinkLoss(0.2 + 0.2 * i, 0.3 + 0.2 * i, kind) for i, kind in enumerate(kinds))
    plan = replace(SMALL, duration_s=1.5)
    truth, path = fly(tmp_path, plan, CAMERA, replace(PLAIN, link_losses=losses), "lost")
    _, whole = fly(tmp_path, plan, CAMERA, PLAIN, "whole")
    lost = np.zeros(45, bool)
    for i in range(len(kinds)):
        lost[6 + 6 * i : 9 + 6 * i] = True
    np.testing.assert_array_equal(truth.link == 0, lost)
    np.testing.assert_array_equal(np.isnan(truth.level_percent), lost)
    np.testing.assert_array_equal(np.isnan(truth.cnr).all(axis=(1, 2)), lost)
    assert not np.isnan(truth.exposure_stops).any()
    got, sent = luma(path), luma(whole)
    np.testing.assert_array_equal(got[:6], sent[:6])
    assert (got[6:9].std(axis=(1, 2)) > 30).all()
    assert (got[12] == 41).all()
    assert (got[18] == 16).all()
    for k in (24, 25, 26):
        np.testing.assert_array_equal(got[k], got[23])
    assert (np.abs(got[30] - got[29]) > 8).mean() > 0.2


def test_fields_are_instants(tmp_path: Path) -> None:
    """Interlaced: two instants a frame, top first; the levels are those of the field's lines, and motion goes
    on."""
    plan = replace(SMALL, width=160, height=128, frame_rate=25.0, duration_s=0.6, ground_before_s=0.0, speed_m_s=14.0)
    encoding = Encoding(codec="ffv1", interlaced=False)
    truth, path = fly(tmp_path, plan, QUIET, Chain(encoding=encoding, osd=(), interlaced=True))
    frames = luma(path)
    assert len(truth.time_s) == 2 * len(frames) == 30
    np.testing.assert_allclose(np.diff(truth.time_s), 0.02)
    for k, picture in enumerate(frames):
        for parity in (0, 1):
            level = (picture[parity::2].mean() - 16) / 2.19
            assert truth.level_percent[2 * k + parity] == pytest.approx(level, abs=1e-6)
    assert (np.diff(truth.along_m)[8:18] > 0.005).all()


def test_borders_are_no_picture(tmp_path: Path) -> None:
    """Borders are black in the clip, of the stated size, and no part of the levels."""
    truth, path = fly(tmp_path, replace(SMALL, duration_s=0.2), CAMERA, replace(PLAIN, border_px=(8, 4, 6, 10)))
    picture = luma(path)[0]
    inside = picture[8:116, 6:150]
    assert (picture[:8] == 16).all() and (picture[116:] == 16).all()
    assert (picture[:, :6] == 16).all() and (picture[:, 150:] == 16).all()
    assert (inside[:, 0] != 16).any() and (inside[:, -1] != 16).any()
    assert truth.level_percent[0] == pytest.approx((inside.mean() - 16) / 2.19, abs=1e-6)


def test_torch_dazzles_and_a_slow_camera_takes_longer(tmp_path: Path) -> None:
    """A torch drives the gain down; after it the slower exposure loop recovers later."""
    plan = replace(STILL, duration_s=3.8, ground_before_s=3.8, flashes=(Flash(0.31, 1.52, "fill", 12.0),))
    found = {}
    for tau in (0.1, 0.3):
        truth, _ = fly(tmp_path, plan, replace(CAMERA, ae_time_constant_s=tau), PLAIN, f"torch{tau}")
        on, off = truth.events
        assert (on.kind, off.kind) == ("flash_on", "flash_off")
        assert on.time_s == pytest.approx(0.312, abs=1e-9)
        frame = int(np.ceil(off.time_s * 30))
        assert truth.exposure_stops[frame] < -1.5
        assert truth.level_percent[frame + 1] < 0.6 * off.settled_percent
        found[tau] = off.recovery_s
    assert 0.1 < found[0.1] < 0.6 * found[0.3]


def test_facing_torch_is_a_lamp_in_view(tmp_path: Path) -> None:
    """A torch into the lens clips where it stands and veils the rest while it is lit, and is counted as a
    lamp."""
    plan = replace(STILL, duration_s=1.2, ground_before_s=1.2, lamps=0,
                   flashes=(Flash(0.41, None, "lamp", 40.0, bearing_deg=8.0, rise_deg=5.0),))  # fmt: skip
    truth, path = fly(tmp_path, plan, CAMERA, PLAIN)
    assert truth.lamp_in_view[:12].max() == 0
    assert truth.lamp_in_view[13:].min() == 1
    assert truth.veil_light[13] > 5 * truth.veil_light[11]
    row, column = np.unravel_index(int(luma(path)[13].argmax()), (120, 160))
    assert luma(path)[13].max() == truth.ceiling_code
    assert column > 84 and row < 58


def test_cast_is_that_of_the_planes(tmp_path: Path) -> None:
    """A camera 0.4 stop redder has R/G 0.4 stop up under its own curve (0.04); the truth's figure is under
    sRGB's."""
    plan = replace(STILL, duration_s=0.1, ground_before_s=0.1)
    ratios, casts = [], []
    for name, red in (("neutral", 0.0), ("red", 0.4)):
        truth, path = fly(tmp_path, plan, replace(QUIET, cast_red_stops=red), PLAIN, name)
        frame = next(iter(Flight([path]).frames()))
        assert frame.chroma is not None
        y = (frame.luma.astype(float).reshape(60, 2, 80, 2).mean(axis=(1, 3)) - 16) / 219
        blue, red_ = ((c.astype(float) - 128) / 224 for c in frame.chroma)
        r, b = y + 1.402 * red_, y + 1.772 * blue
        g = (y - 0.299 * r - 0.114 * b) / 0.587
        middle = (y > 0.15) & (y < 0.5)
        ratios.append(np.log2((r[middle].mean() / g[middle].mean()) ** QUIET.gamma))
        casts.append(truth.cast_stops[0])
    assert ratios[1] - ratios[0] == pytest.approx(0.4, abs=0.04)
    # sRGB's slope in the dark is 1.5 to 2 against the camera's 2.2, so the same cast is smaller under it.
    assert 0.25 < casts[1][0] - casts[0][0] < 0.4
    assert abs(casts[1][1] - casts[0][1]) < 0.05


def test_lamp_flicker_is_seen_and_averages_out(tmp_path: Path) -> None:
    """100 Hz lamps at 60 pictures a second beat; an exposure of whole periods shows none."""
    plan = replace(STILL, frame_rate=60.0, duration_s=0.5, ground_before_s=0.5, lamp_flicker=0.8, lamp_power=3.0)
    slow = replace(QUIET, ae_time_constant_s=50.0)
    beat, _ = fly(tmp_path, plan, slow, PLAIN, "beat")
    still, _ = fly(tmp_path, replace(plan, frame_rate=25.0), slow, PLAIN, "still")  # 40 ms = 4 periods
    assert np.ptp(beat.level_percent) > 1.0
    assert np.ptp(still.level_percent) < 0.1


def test_truth_is_kept_beside_the_clip(tmp_path: Path) -> None:
    """What is loaded is what was returned: exact in time, 0.5 % in the tiles."""
    plan = replace(SMALL, duration_s=0.4)
    truth, path = fly(tmp_path, plan, CAMERA, Chain(encoding=LOSSLESS, link_losses=(LinkLoss(0.2, 0.3),)))
    kept = load_truth(path)
    np.testing.assert_array_equal(kept.time_s, truth.time_s)
    np.testing.assert_array_equal(kept.overlay, truth.overlay)
    np.testing.assert_array_equal(kept.cnr_mask, truth.cnr_mask)
    np.testing.assert_allclose(kept.cnr, truth.cnr, rtol=0.005, atol=1e-4)
    np.testing.assert_allclose(kept.level_percent, truth.level_percent, rtol=1e-6)
    assert kept.meta["plan"]["seed"] == plan.seed


def test_demo_clips_are_small_and_have_their_truth() -> None:
    """Each demo clip in the repository is under 2 MB, its truth under 300 kB, and they belong together."""
    for demo in DEMOS:
        path = CLIPS / demo.file
        assert 0 < path.stat().st_size < 2_000_000
        assert path.with_suffix("").with_suffix(".truth.npz").stat().st_size < 300_000
        truth = load_truth(path)
        instants = demo.plan.duration_s * demo.plan.frame_rate * (2 if demo.chain.interlaced else 1)
        assert len(truth.time_s) == round(instants)
        assert truth.meta["plan"]["seed"] == demo.plan.seed
        assert truth.meta["camera"]["name"] == demo.camera.name
