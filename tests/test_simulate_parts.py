"""The parts of the simulator: lens and world, sensor and curve obey their laws, recovery its definition."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldscore.simulate import CameraModel, Flash, FlightPlan, LinkLoss
from fieldscore.simulate.camera import Sensor, tone
from fieldscore.simulate.canvas import Moment, draw
from fieldscore.simulate.raster import pick, ratio
from fieldscore.simulate.route import Flightpath, Pose
from fieldscore.simulate.stage import Lens, Stage
from fieldscore.simulate.truth import edge_recovery
from fieldscore.simulate.world import GROUND_PX, TEXEL_M

SMALL = FlightPlan(seed=4, width=160, height=120)
CAMERA = CameraModel("test", gain_max=24.0, full_well=6000.0, read_noise=3.0)


def test_noise_tables_are_those_of_many_exposures() -> None:
    """Mean and variance of the code, clipping at black and white included, agree with 40000 exposures (3 % or
    0.05 code)."""
    sensor = Sensor(replace(CAMERA, black_offset=0.1), (16.0, 235.0))
    tables = sensor.tables(20.0, 0.2)
    rng = np.random.default_rng(1)
    for light in (0.0, 0.0004, 0.002, 0.01, 0.04, 0.049, 0.2):
        patch = np.full((200, 200), light, np.float32)
        codes = sensor.expose(patch, 20.0, rng)
        at = sensor.coarse_index(patch[:1, :1], 20.0)[0, 0]
        assert codes.mean() == pytest.approx(tables.mean[at], abs=0.15)
        assert codes.std() == pytest.approx(np.sqrt(tables.variance[at]), rel=0.03, abs=0.05)


def test_lens_takes_a_pixels_ray_back_to_the_pixel() -> None:
    """Projection is the inverse of the rays within 0.01 px, also in the corners of a barrel lens."""
    plan = replace(SMALL, sample_aspect=16 / 15)
    lens = Lens(plan, replace(CAMERA, barrel=0.2))
    right, down = lens.rays(1, 0)
    points = np.stack([right.ravel(), down.ravel(), np.ones(right.size)], axis=1).astype(np.float64) * 7.0
    yy, xx = np.mgrid[0:120, 0:160] + 0.5
    np.testing.assert_allclose(lens.project(points), np.stack([xx.ravel(), yy.ravel()], axis=1), atol=0.01)


@pytest.mark.parametrize("time_s", [4.0, 9.0])
def test_ground_stands_where_the_pinhole_law_puts_it(time_s: float) -> None:
    """Light at the pixels of ground places is that of the world there, and no longer 3 px beside them."""
    plan = replace(SMALL, width=640, height=480, scene="day_field", lamps=0, duration_s=20.0)
    stage = Stage(plan, replace(CAMERA, glare=0.0))
    pose = Flightpath(plan).pose(time_s)
    rng = np.random.default_rng(3)
    ground = pose.position * [1, 1, 0] + rng.uniform(-1, 1, (20000, 3)) * [9, 9, 0]
    seen = (ground - pose.position) @ pose.axes.T
    pixel = stage.lens.project(seen)
    near = np.linalg.norm(ground - pose.position, axis=1) < 6.0
    shown = near & (seen[:, 2] > 1.0) & (pixel > 8).all(axis=1) & (pixel < [632, 472]).all(axis=1)
    texel = (ground[shown, :2] / TEXEL_M + GROUND_PX / 2 - 0.5).astype(np.float32)
    world = np.log(pick(stage.world.ground[0], texel[None, :, 0], texel[None, :, 1], repeat=True)[0])
    picture = np.log(draw(stage, Moment(pose)).light)
    column, row = (pixel[shown] - 0.5).astype(np.float32).T

    def agreement(right: int, down: int) -> float:
        seen_there = pick(picture, column[None] + right, row[None] + down, repeat=True)[0]
        return float(np.corrcoef(world, seen_there)[0, 1])

    agrees = agreement(0, 0)
    beside = [agreement(x, y) for x, y in ((3, 0), (-3, 0), (0, 3), (0, -3))]
    assert shown.sum() > 300
    assert agrees > 0.93
    assert max(beside) < agrees - 0.01


def test_lamps_move_by_their_depth() -> None:
    """Sideways by 1 m, a lamp's bright disc moves by focal / depth pixels (1 px)."""
    stage = Stage(replace(SMALL, width=640, height=480), replace(CAMERA, glare=0.0, barrel=0.0))
    axes = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])
    tested = 0
    for lamp in stage.world.lamps:
        shown = []
        for side in (0.0, 1.0):
            pose = Pose(lamp - np.array([1.0 - side, 7.0, 1.5]), axes, 0.0)
            bright = draw(stage, Moment(pose)).light > 0.4 * stage.world.light.lamp_disc
            rows, columns = np.nonzero(bright[:, 240:440])
            near = np.abs(rows - (240 - stage.lens.focal * 1.5 / 7.0)) < 8
            shown.append(columns[near].mean() + 240.5 if near.any() else np.nan)
        if not np.isnan(shown).any():
            assert shown[0] - shown[1] == pytest.approx(stage.lens.focal / 7.0, abs=1.0)
            tested += 1
    assert tested >= 3


def test_recovery_of_an_exponential() -> None:
    """First order: the 10 % band is entered at 2.302585 time constants (IEC step response; check value ln
    10), to 1 ms."""
    t = np.arange(0.0, 8.0, 1 / 30)
    for tau, edge in ((0.2, 2.013), (0.35, 2.031)):
        level = np.where(t < edge, 60.0, 40.0 * (1.0 - np.exp(-(t - edge) / tau)))
        recovery, settled, reason = edge_recovery(t, level, edge, 7.0)
        assert (settled, reason) == (pytest.approx(40.0, rel=1e-4), "")
        assert recovery == pytest.approx(2.302585 * tau, abs=0.001)


def test_recovery_that_is_not_there() -> None:
    """A level that never comes to rest, or has no second to do so, has no recovery, and a reason."""
    t = np.arange(0.0, 6.0, 1 / 30)
    assert edge_recovery(t, 10.0 * t, 2.0, 5.0)[2].startswith("the level still moves")
    assert edge_recovery(t, np.full(t.size, 30.0), 2.0, 2.6)[2].startswith("less than a second")
    restless = 30.0 + 8.0 * np.sin(2 * np.pi * 3.0 * t)
    assert np.isnan(edge_recovery(t, restless, 2.0, 5.0)[0])
    assert edge_recovery(t, np.full(t.size, 30.0), 2.0, 5.0)[0] == 0.0


def test_another_camera_meets_the_same_places() -> None:
    """Two plans with one world share every thing in it; the place on the route comes back after a lap."""
    a, b = (Stage(replace(SMALL, seed=s), CAMERA) for s in (1, 2))
    assert a.world is b.world
    path = Flightpath(replace(SMALL, duration_s=40.0, speed_m_s=9.0))
    along = np.array([path.pose(t).along_m for t in np.arange(0.0, 38.0, 0.1)])
    assert along.max() <= path.route.length_m
    assert (np.diff(along) < -100.0).sum() >= 2


# BT.709 at 0.18 as computed by colour-science: 0.408848 with exact constants; sRGB at 0.18: 0.461356.
@pytest.mark.parametrize(("curve", "expected"), [("bt709", 0.408848), ("srgb", 0.461356), ("gamma", 0.18 ** (1 / 2.2))])
def test_tone_curves(curve: str, expected: float) -> None:
    """The plain curves have their published values; pedestal and shoulder keep black, white and order."""
    camera = CameraModel("test", tone_curve=curve)
    assert tone(camera, np.array(0.18)) == pytest.approx(expected, abs=2e-6)
    x = np.linspace(0.0, 4.0, 400)
    bent = tone(replace(camera, knee=0.8, headroom=4.0, black_offset=0.1), x)
    assert bent[0] == 0.0 and bent[-1] == pytest.approx(1.0)
    assert (np.diff(bent) >= 0).all() and bent[100] < 0.97
    assert tone(replace(camera, lifted_black=0.05), np.array(0.0)) == pytest.approx(0.05)


def test_unknown_kinds_are_refused() -> None:
    """A kind that does not exist is named, with those that do."""
    with pytest.raises(ValueError, match="'strobe'; expected one of fill, lamp"):
        Flash(1.0, 2.0, "strobe")
    with pytest.raises(ValueError, match="'fog'"):
        LinkLoss(1.0, 2.0, "fog")
    with pytest.raises(ValueError, match="multiples of 8"):
        FlightPlan(seed=1, width=641)
    with pytest.raises(ValueError, match="'moon'"):
        FlightPlan(seed=1, scene="moon")


@pytest.mark.parametrize("shape", [(4, 1), (1, 4), (1, 1), (2, 2)])
def test_a_number_over_a_few_pixels(shape: tuple[int, int]) -> None:
    """A number divided by a picture of any shape, four pixels above each other included, is divided pixel by pixel."""
    picture = np.arange(1, 1 + shape[0] * shape[1], dtype=np.float32).reshape(shape)
    np.testing.assert_allclose(ratio(2.0, picture), 2.0 / picture, rtol=1e-6)
