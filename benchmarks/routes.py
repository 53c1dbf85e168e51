"""Simulated flights over the same and over foreign routes, with known places, for the benchmark of route alignment."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from fieldscore.simulate import CameraModel, Chain, FlightPlan, LinkLoss, simulate
from fieldscore.video import Encoding

Settings = dict[str, object]


@dataclass(frozen=True)
class Flown:
    """One flight of the set."""

    name: str
    suffix: str
    plan: FlightPlan
    camera: CameraModel
    chain: Chain


@dataclass(frozen=True)
class Pair:
    """Two flights of the set by name; `what` says how they differ."""

    what: str
    a: str
    b: str
    same: bool


DIM = CameraModel("dim", gain_max=6.0, full_well=4000.0, read_noise=4.0, metering="highlight", target=0.45)
CLEAN = CameraModel("clean", gain_max=48.0, full_well=14000.0, read_noise=1.6, knee=0.8, headroom=3.0)
CRUSH = CameraModel("crush", gain_max=10.0, full_well=6000.0, read_noise=3.0, black_offset=0.12)
BROAD = CameraModel("broad", gain_max=12.0, full_well=8000.0, tone_curve="bt709", hfov_deg=130.0, barrel=0.2)
NARROW = CameraModel("narrow", gain_max=12.0, full_well=8000.0, hfov_deg=85.0, barrel=0.04)
PLAIN = Chain(encoding=Encoding(crf=23))
BARE = Chain(encoding=Encoding(crf=23), osd=())
POOR = Chain(encoding=Encoding(codec="h264", crf=None, bit_rate=350_000))
MJPEG = Chain(encoding=Encoding(codec="mjpeg", quality=8, pixel_format="yuvj422p", full_range=True), full_range=True)
LOSSY = replace(
    PLAIN, link_losses=(LinkLoss(4.0, 5.2, "snow"), LinkLoss(8.0, 9.0, "blue"), LinkLoss(11.0, 11.6, "frozen"))
)


def flights(seed: int) -> dict[str, Flown]:
    """Every flight of a seed by name."""
    made: dict[str, Flown] = {}
    base: Settings = {"width": 320, "height": 240, "frame_rate": 25.0, "duration_s": 15.0, "ground_before_s": 0.6,
                      "ground_after_s": 0.6, "lamps": 9, "start_m": 11.0 * (seed % 7)}  # fmt: skip

    def fly(
        name: str, route: str, scene: str, camera: CameraModel, chain: Chain = PLAIN, world: int = 0, **more: object
    ) -> None:
        suffix = ".avi" if chain.encoding.codec == "mjpeg" else ".mp4"
        plan = FlightPlan(  # type: ignore[arg-type]
            **{**base, "seed": 3000 + 100 * seed + len(made), "world_seed": 300 + 20 * seed + world, "route": route,
               "scene": scene, **more}
        )  # fmt: skip
        made[name] = Flown(name, suffix, plan, camera, chain)

    start = float(str(base["start_m"]))
    night, dusk, day = ("lap", "night_estate"), ("lane", "dusk_sun"), ("yard", "day_field")
    fly("night", *night, CLEAN)
    fly("night-again", *night, CLEAN)
    fly("night-dim", *night, DIM, BARE)
    fly("night-crush", *night, CRUSH, MJPEG)
    fly("night-fast", *night, CLEAN, speed_m_s=12.0, duration_s=11.0)
    fly("night-slow-dim", *night, DIM, speed_m_s=5.0, duration_s=20.0)
    fly("night-offset", *night, CLEAN, lateral_offset_m=1.0)
    fly("night-part", *night, CRUSH, start_m=start + 40.0, duration_s=8.0)
    fly("night-laps", *night, BROAD, speed_m_s=9.0, duration_s=30.0)
    fly("night-lossy", *night, CLEAN, LOSSY)
    fly("dusk", *dusk, CLEAN)
    fly("dusk-broad", *dusk, BROAD)
    fly("dusk-pauses", *dusk, CRUSH, speed_variation=0.93, duration_s=18.0)
    fly("dusk-roll", *dusk, CLEAN, roll_deg=5.0, altitude_m=2.9)
    fly("dusk-wide", *dusk, CRUSH, width=432)
    fly("dusk-poor", *dusk, DIM, POOR, lateral_offset_m=-0.8)
    fly("day", *day, CLEAN)
    fly("day-narrow", *day, NARROW)
    fly("day-late", *day, CRUSH, MJPEG, start_m=start + 30.0)
    fly("day-dim-fast", *day, DIM, BARE, speed_m_s=14.0, duration_s=9.0, wobble_deg=2.0)
    fly("day-lossy", *day, CRUSH, LOSSY, lateral_offset_m=0.6, roll_deg=-4.0)
    fly("day-broad-slow", *day, BROAD, speed_m_s=5.0, duration_s=18.0, frame_rate=30.0)
    fly("night-lane", "lane", "night_estate", CLEAN)
    fly("night-lane-dim", "lane", "night_estate", DIM, speed_variation=0.5, altitude_m=2.9)
    fly("other-night", *night, CLEAN, world=1)
    fly("other-night-dim", *night, DIM, world=2, speed_m_s=7.0)
    fly("other-dusk", *dusk, CLEAN, world=3)
    fly("other-dusk-crush", *dusk, CRUSH, world=4, speed_m_s=9.0)
    fly("other-day", *day, CLEAN, world=5)
    fly("other-day-broad", *day, BROAD, world=6, speed_m_s=7.0)
    return made


def pairs() -> tuple[Pair, ...]:
    """The pairs: first those of one route, then the foreign ones."""
    same = (
        ("same camera again", "night", "night-again"),
        ("dim camera, no overlay", "night", "night-dim"),
        ("crushing camera, MJPEG", "night", "night-crush"),
        ("speed 12 against 8 m/s", "night", "night-fast"),
        ("speed 5 against 12 m/s, dim", "night-fast", "night-slow-dim"),
        ("line 1 m to the side", "night", "night-offset"),
        ("part of the route", "night", "night-part"),
        ("two laps against one, broad lens", "night", "night-laps"),
        ("link lost three times", "night-dim", "night-lossy"),
        ("dim against crushing", "night-dim", "night-crush"),
        ("lens 130 against 105 degrees", "dusk", "dusk-broad"),
        ("near stops in the air", "dusk", "dusk-pauses"),
        ("roll 5 degrees, 0.5 m higher", "dusk", "dusk-roll"),
        ("16:9 against 4:3", "dusk", "dusk-wide"),
        ("low bit rate, 0.8 m to the side", "dusk", "dusk-poor"),
        ("broad lens, near stops", "dusk-broad", "dusk-pauses"),
        ("lens 85 against 105 degrees", "day", "day-narrow"),
        ("started 30 m later, MJPEG", "day", "day-late"),
        ("speed 14 against 8 m/s, wobbling", "day", "day-dim-fast"),
        ("link lost, 0.6 m aside, roll 4 degrees", "day", "day-lossy"),
        ("broad lens, 5 m/s, 30 against 25 frames", "day", "day-broad-slow"),
        ("lens 85 against 130 degrees", "day-narrow", "day-broad-slow"),
        ("night lane, 0.5 m higher, speed swings", "night-lane", "night-lane-dim"),
    )  # fmt: skip
    foreign = (
        ("same shape in another world", "night", "other-night"),
        ("same shape in another world, dim", "night-dim", "other-night-dim"),
        ("same shape in another world", "dusk", "other-dusk"),
        ("same shape, crushing", "dusk-wide", "other-dusk-crush"),
        ("same shape in another world", "day", "other-day"),
        ("same shape, broad lens", "day-broad-slow", "other-day-broad"),
        ("another route of the same world", "night", "night-lane"),
        ("another route of the same world, dim", "night-dim", "night-lane-dim"),
        ("another route in another world", "night-lane", "other-night-dim"),
        ("another scene", "dusk", "day"),
        ("same shape, laps", "night-laps", "other-night"),
        ("same shape, link lost", "day-lossy", "other-day"),
        ("same shape, part", "night-part", "other-night"),
    )  # fmt: skip
    return tuple(Pair(*one, same=True) for one in same) + tuple(Pair(*one, same=False) for one in foreign)


def write(directory: Path, seed: int) -> Iterator[tuple[str, Path]]:
    """Write every flight of a seed that is not there yet; gives names and paths as they are done."""
    directory.mkdir(parents=True, exist_ok=True)
    for name, one in flights(seed).items():
        path = directory / f"{seed}-{name}{one.suffix}"
        if not path.with_suffix(".truth.json").exists():
            simulate(one.plan, one.camera, one.chain, path, tile_every=1000)
        yield name, path
