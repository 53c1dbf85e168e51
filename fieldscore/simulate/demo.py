"""The demo: a small club flies the allotments. All invented; the truth is written beside each clip."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from fieldscore.simulate.model import CameraModel, Chain, Flash, FlightPlan, LinkLoss
from fieldscore.simulate.run import simulate
from fieldscore.video import Encoding

TILES_EVERY_S = 0.1

# Camera A: big pixels, much gain, lifted toe, lens with little glare, but slow to come back after a flash.
CAMERA_A = CameraModel(
    "camera A",
    hfov_deg=108.0,
    barrel=0.10,
    glare=0.7,
    metering="centre",
    target=0.44,
    ae_delay_frames=2,
    ae_time_constant_s=0.28,
    gain_max=40.0,
    full_well=8000.0,
    read_noise=2.5,
    gamma=2.3,
    knee=0.85,
    headroom=2.5,
    cast_red_stops=0.06,
    cast_blue_stops=-0.05,
)
# Camera B: less gain, black set down, metering on highlights: darker nights, quick exposure, reddish dark.
CAMERA_B = CameraModel(
    "camera B",
    hfov_deg=100.0,
    barrel=0.14,
    glare=1.3,
    metering="highlight",
    target=0.50,
    ae_delay_frames=1,
    ae_time_constant_s=0.12,
    gain_max=14.0,
    full_well=5500.0,
    read_noise=4.0,
    gamma=2.2,
    black_offset=0.10,
    cast_red_stops=0.28,
    cast_blue_stops=0.12,
    hunting_stops=0.10,
    hunting_period_s=0.9,
)
CAMERA_C = CameraModel(
    "camera C",
    hfov_deg=112.0,
    barrel=0.12,
    metering="mean",
    target=0.46,
    ae_delay_frames=3,
    ae_time_constant_s=0.20,
    gain_max=24.0,
    full_well=8000.0,
    read_noise=3.0,
    tone_curve="bt709",
    lifted_black=0.03,
)


@dataclass(frozen=True)
class Demo:
    """One demo clip: file name, what it shows, and what it is made of."""

    file: str
    shows: str
    plan: FlightPlan
    camera: CameraModel
    chain: Chain


NIGHT = FlightPlan(
    seed=101, scene="night_estate", duration_s=16.0, speed_m_s=8.6, ground_before_s=1.2, ground_after_s=0.8
)
DIGITAL = Chain(encoding=Encoding(codec="h264", crf=None, bit_rate=900_000))
TORCH = FlightPlan(
    seed=103,
    scene="night_estate",
    duration_s=14.0,
    ground_before_s=14.0,
    ground_after_s=0.0,
    start_m=31.0,
    flashes=(Flash(2.013, 5.024, "fill", 12.0), Flash(8.008, 11.011, "fill", 12.0)),
)
ANALOGUE = Chain(
    encoding=Encoding(codec="h264", crf=None, bit_rate=1_000_000, interlaced=True),
    floor_code=20,
    ceiling_code=228,
    bandwidth=0.311,
    link_noise=2.0,
    line_noise=0.6,
    interlaced=True,
    border_px=(4, 4, 8, 8),
    link_losses=(
        LinkLoss(4.4, 5.0, "torn"),
        LinkLoss(5.0, 6.2, "snow"),
        LinkLoss(9.2, 9.8, "frozen"),
        LinkLoss(11.4, 11.8, "blue"),
    ),
)

DEMOS = (
    Demo("night-lap-camera-a.mp4", "one lap of the allotments at night with camera A", NIGHT, CAMERA_A, DIGITAL),
    Demo(
        "night-lap-camera-b.mp4",
        "the same lap on the same night with camera B, flown half a metre farther out",
        replace(NIGHT, seed=102, lateral_offset_m=0.5, speed_m_s=8.1),
        CAMERA_B,
        DIGITAL,
    ),
    Demo(
        "torch-test-camera-a.mp4",
        "camera A on the ground at night; a torch is lit twice beside it",
        TORCH,
        CAMERA_A,
        Chain(encoding=Encoding(codec="h264", crf=None, bit_rate=900_000)),
    ),
    Demo(
        "analogue-link.mp4",
        "dusk over the yard by an analogue link, interlaced, with torn, snowy, frozen and blue spells",
        FlightPlan(
            seed=104,
            scene="dusk_sun",
            route="yard",
            width=720,
            height=576,
            frame_rate=25.0,
            duration_s=14.0,
            sample_aspect=16 / 15,
        ),
        CAMERA_C,
        ANALOGUE,
    ),
    Demo(
        "low-sun.mp4",
        "down the lane into the low sun, camera B",
        FlightPlan(seed=105, scene="dusk_sun", route="lane", duration_s=14.0, start_m=8.0),
        CAMERA_B,
        Chain(encoding=Encoding(codec="h264", crf=None, bit_rate=1_000_000, full_range=True), full_range=True),
    ),
)


def write_demo(directory: Path, progress: Callable[[str], None] | None = None) -> list[Path]:
    """Write every demo clip with its truth into `directory` (made when missing); returns the clips' paths.

    `progress` hears one line a clip. The same libraries give the same bytes each time.
    """
    directory.mkdir(parents=True, exist_ok=True)
    clips = []
    for demo in DEMOS:
        if progress is not None:
            progress(f"{demo.file}: {demo.shows}")
        instants_s = demo.plan.frame_rate * (2 if demo.chain.interlaced else 1)
        simulate(
            demo.plan,
            demo.camera,
            demo.chain,
            directory / demo.file,
            tile_every=max(round(TILES_EVERY_S * instants_s), 1),
        )
        clips.append(directory / demo.file)
    return clips
