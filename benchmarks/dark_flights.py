"""Simulated flights whose exposure moves, for the table of the dark: hunting, lamps, knee, black set down, rain, fields."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from benchmarks.flights import Case
from benchmarks.twins import twin_of
from fieldscore.simulate import CameraModel, Chain, FlightPlan, LinkLoss, simulate
from fieldscore.video import Encoding

CLEAR_AIR_M = 3000.0  # 1/e distance; visibility is 3.9 times that (Koschmieder, from memory): 12 km
TILES_EVERY = 8  # frames between two tile truths


def dark_cases(seed: int = 0, duration_s: float = 10.0) -> tuple[Case, ...]:
    """The set for one seed; every camera has a cast of its own and an exposure that moves both ways; all lenses but one shade."""

    def plan(number: int, scene: str = "night_estate", **more: object) -> FlightPlan:
        settings = {
            "duration_s": duration_s,
            "ground_before_s": 1.0,
            "ground_after_s": 0.8,
            "start_m": 17.0 * number,
            "haze_m": CLEAR_AIR_M,
            **more,
        }
        return FlightPlan(seed=3000 + 100 * seed + number, world_seed=80 + seed, scene=scene, **settings)  # type: ignore[arg-type]

    def h264(crf: float = 23, **more: object) -> Encoding:
        return Encoding(codec="h264", crf=crf, **more)  # type: ignore[arg-type]

    hunt = CameraModel("hunt", gain_max=64.0, full_well=12000.0, read_noise=1.5, hunting_stops=0.5, hunting_period_s=1.2,
                       shading_stops=0.8, cast_red_stops=0.15, cast_blue_stops=-0.2)  # fmt: skip
    eager = CameraModel("eager", gain_max=40.0, full_well=9000.0, read_noise=2.0, metering="highlight", target=0.45,
                        ae_time_constant_s=0.1, shading_stops=1.2, cast_red_stops=-0.1, cast_blue_stops=0.3)  # fmt: skip
    knee = CameraModel("knee", gain_max=48.0, full_well=14000.0, read_noise=1.6, knee=0.75, headroom=3.0, metering="centre",
                       tone_curve="srgb", cast_blue_stops=0.15)  # fmt: skip
    crush = CameraModel("crush", gain_max=48.0, full_well=8000.0, read_noise=2.0, black_offset=0.12, metering="highlight",
                        shading_stops=0.9, cast_red_stops=0.25)  # fmt: skip
    lifted = CameraModel("lifted", gain_max=40.0, full_well=6000.0, read_noise=3.0, lifted_black=0.05, hunting_stops=0.3,
                         hunting_period_s=0.8, hfov_deg=120.0, barrel=0.15, shading_stops=1.4)  # fmt: skip
    broad = CameraModel("broad", gain_max=64.0, full_well=8000.0, tone_curve="bt709", hfov_deg=125.0, barrel=0.2,
                        hunting_stops=0.4, hunting_period_s=2.5, shading_stops=1.6)  # fmt: skip
    still = {"speed_m_s": 5.0, "altitude_m": 3.0}
    mjpeg = Encoding(codec="mjpeg", quality=5, pixel_format="yuvj422p", full_range=True)
    lost = (LinkLoss(6.0, 6.5, "snow"),)
    analogue = Chain(encoding=h264(20, interlaced=True), floor_code=20, ceiling_code=228, bandwidth=0.311, link_noise=2.5,
                     line_noise=0.5, interlaced=True, border_px=(4, 4, 8, 8), link_losses=lost)  # fmt: skip
    quick = {"frame_rate": 60.0, "duration_s": 0.6 * duration_s, "speed_m_s": 12.0}
    fields = {"width": 720, "height": 576, "frame_rate": 25.0, "sample_aspect": 16 / 15}
    starved = Encoding(codec="h264", crf=None, bit_rate=1_200_000)
    return (
        Case("hunting", ".mp4", plan(1, **still), hunt, Chain(encoding=h264())),
        Case("lamps-highlight", ".mp4", plan(2, lamps=9, lamp_power=2.0), eager, Chain(encoding=h264())),
        Case("lamps-mjpeg", ".avi", plan(3, lamp_power=3.0, **still), eager, Chain(encoding=mjpeg, full_range=True)),
        Case("knee-hevc", ".mp4", plan(4, lamp_power=2.0), knee, Chain(encoding=Encoding(codec="hevc", crf=24))),
        Case("black-set-down", ".mp4", plan(5, lamp_power=2.0), crush, Chain(encoding=h264(21))),
        Case("lifted-rain", ".mp4", plan(6, rain=0.5, **still), lifted, Chain(encoding=h264(22))),
        Case("low-rate", ".mp4", plan(7, lamp_power=2.0), eager, Chain(encoding=starved)),
        Case("fast-60", ".mp4", plan(8, **quick), broad, Chain(encoding=h264())),
        Case("sun-mjpeg", ".avi", plan(9, "dusk_sun", route="lane", start_m=8.0), broad, Chain(encoding=mjpeg, full_range=True)),
        Case("fields", ".mp4", plan(10, "dusk_sun", **fields), hunt, analogue),
        Case("day-hunting", ".mp4", plan(11, "day_field"), hunt, Chain(encoding=h264(24))),
        Case("analogue-night", ".mp4", plan(12, lamp_power=2.0, **fields), eager, analogue),
    )  # fmt: skip


def write_dark(directory: Path, seed: int = 0, duration_s: float = 10.0) -> Iterator[tuple[Path, Path]]:
    """Write every flight of a seed, and its twin with another noise, that is not there yet; gives both paths as they are done."""
    directory.mkdir(parents=True, exist_ok=True)
    for case in dark_cases(seed, duration_s):
        path = directory / f"{case.name}{case.suffix}"
        if not path.exists():
            simulate(case.plan, case.camera, case.chain, path, tile_every=TILES_EVERY)
        yield path, twin_of(case, path)
