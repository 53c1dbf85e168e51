"""Simulated flights unlike each other, with known truth, for the accuracy table: other seeds and settings than the demo's."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from fieldscore.simulate import CameraModel, Chain, FlightPlan, LinkLoss, simulate
from fieldscore.video import Encoding

TILES_EVERY = 8  # frames between two tile truths


@dataclass(frozen=True)
class Case:
    """One flight of the set; the codec is told by the file name."""

    name: str
    suffix: str
    plan: FlightPlan
    camera: CameraModel
    chain: Chain


def _h264(crf: float = 23, **more: object) -> Encoding:
    return Encoding(codec="h264", crf=crf, **more)  # type: ignore[arg-type]


def _mjpeg(quality: int = 5) -> Encoding:
    return Encoding(codec="mjpeg", quality=quality, pixel_format="yuvj422p", full_range=True)


def cases(seed: int = 0, duration_s: float = 9.0) -> tuple[Case, ...]:
    """The set for one seed: nights, dusk and day; gamma, knee, black set down; H.264, MJPEG, MPEG-4, HEVC, fields."""

    def plan(number: int, scene: str = "night_estate", **more: object) -> FlightPlan:
        settings = {
            "duration_s": duration_s,
            "ground_before_s": 1.0,
            "ground_after_s": 0.8,
            "start_m": 23.0 * number,
            **more,
        }
        return FlightPlan(seed=1000 + 100 * seed + number, world_seed=50 + seed, scene=scene, **settings)  # type: ignore[arg-type]

    dim = CameraModel("dim", gain_max=6.0, full_well=4000.0, read_noise=4.0, metering="highlight", target=0.45)
    clean = CameraModel("clean", gain_max=48.0, full_well=14000.0, read_noise=1.6, knee=0.8, headroom=3.0)
    crush = CameraModel("crush", gain_max=10.0, full_well=6000.0, read_noise=3.0, black_offset=0.12, gamma=2.2)
    broad = CameraModel("broad", gain_max=12.0, full_well=8000.0, tone_curve="bt709", hfov_deg=125.0, barrel=0.2)
    soft = CameraModel("soft", gain_max=8.0, full_well=5000.0, read_noise=5.0, tone_curve="srgb", lifted_black=0.04)
    still = {"speed_m_s": 4.0, "altitude_m": 3.5}
    analogue = Chain(
        encoding=_h264(20, interlaced=True),
        floor_code=20,
        ceiling_code=228,
        bandwidth=0.311,
        link_noise=2.5,
        line_noise=0.5,
        interlaced=True,
        border_px=(4, 4, 8, 8),
        link_losses=(LinkLoss(5.0, 5.8, "snow"),),
    )
    return (
        Case("night-dim-h264", ".mp4", plan(1), dim, Chain(encoding=_h264(23))),
        Case(
            "night-dim-low-rate",
            ".mp4",
            plan(2),
            dim,
            Chain(encoding=Encoding(codec="h264", crf=None, bit_rate=900_000)),
        ),
        Case("night-dim-mjpeg", ".avi", plan(3, **still), dim, Chain(encoding=_mjpeg(), full_range=True)),
        Case("night-crush-h264", ".mp4", plan(4), crush, Chain(encoding=_h264(21))),
        Case("night-crush-mjpeg", ".avi", plan(5), crush, Chain(encoding=_mjpeg(8), full_range=True)),
        Case("night-clean-hevc", ".mp4", plan(6), clean, Chain(encoding=Encoding(codec="hevc", crf=24))),
        Case("night-soft-mpeg4", ".avi", plan(7, **still), soft, Chain(encoding=Encoding(codec="mpeg4", quality=4))),
        Case("night-soft-rain", ".mp4", plan(8, rain=0.5), soft, Chain(encoding=_h264(23))),
        Case(
            "night-broad-60",
            ".mp4",
            plan(9, frame_rate=60.0, duration_s=duration_s / 2),
            broad,
            Chain(encoding=_h264(23)),
        ),
        Case(
            "dusk-analogue",
            ".mp4",
            plan(10, "dusk_sun", width=720, height=576, frame_rate=25.0, sample_aspect=16 / 15),
            broad,
            analogue,
        ),
        Case(
            "dusk-sun-mjpeg",
            ".avi",
            plan(11, "dusk_sun", route="lane", start_m=8.0),
            crush,
            Chain(encoding=_mjpeg(), full_range=True),
        ),
        Case(
            "day-hd",
            ".mp4",
            plan(12, "day_field", width=1280, height=720, duration_s=duration_s / 2),
            clean,
            Chain(encoding=_h264(24)),
        ),
    )


def write(directory: Path, seed: int = 0, duration_s: float = 9.0) -> Iterator[Path]:
    """Write every flight of a seed that is not there yet; gives each clip's path as it is done."""
    directory.mkdir(parents=True, exist_ok=True)
    for case in cases(seed, duration_s):
        path = directory / f"{case.name}{case.suffix}"
        if not path.exists():
            simulate(case.plan, case.camera, case.chain, path, tile_every=TILES_EVERY)
        yield path
