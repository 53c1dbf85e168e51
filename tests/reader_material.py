"""The files that a reader of the documents has: short flights of one route, torch tests, thresholds of their own."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

from fieldscore.simulate import simulate
from fieldscore.simulate.demo import CAMERA_A, CAMERA_B, DEMOS, NIGHT, TORCH, Demo
from fieldscore.simulate.model import Chain, Flash
from fieldscore.video import Encoding

SIZE = {"width": 160, "height": 128}  # of whole macroblocks, as an interlaced clip must be
RATE = 20.0  # frames a second
LAP_S, TORCH_S, DEMO_S = 6.0, 5.0, 0.5
TILES_EVERY = 10_000  # frames: the truth of tiles is not read here
CODED = Chain(encoding=Encoding(codec="h264", crf=None, bit_rate=300_000))


def short_demos() -> tuple[Demo, ...]:
    """The demo clips, each small and half a second long: the command is what is tried, the clips have tests of their own."""
    short = []
    for demo in DEMOS:
        plan = replace(demo.plan, duration_s=DEMO_S, ground_before_s=0.0, ground_after_s=0.0, flashes=(), **SIZE)
        chain = replace(demo.chain, link_losses=(), border_px=(0, 0, 0, 0))
        short.append(replace(demo, plan=plan, chain=chain))
    return tuple(short)


def write_readers_files(folder: Path) -> None:
    """Write the files that the guide names, and a folder `clips`, into a folder.

    Four flights of one route with two cameras in turns, a torch test with each, `clip.mp4`, and thresholds in `mine.toml`.
    """
    lap = replace(NIGHT, duration_s=LAP_S, ground_before_s=0.3, ground_after_s=0.2, frame_rate=RATE, **SIZE)
    flown = {
        "a-1.mp4": (lap, CAMERA_A),
        "b-1.mp4": (replace(lap, seed=102, speed_m_s=8.3), CAMERA_B),
        "b-2.mp4": (replace(lap, seed=105, speed_m_s=8.8), CAMERA_B),
        "a-2.mp4": (replace(lap, seed=106, speed_m_s=8.9), CAMERA_A),
    }
    torch = replace(
        TORCH,
        duration_s=TORCH_S,
        ground_before_s=TORCH_S,
        flashes=(Flash(1.013, 3.024, "fill", 12.0),),
        frame_rate=RATE,
        **SIZE,
    )
    flown |= {"camera-a.mp4": (torch, CAMERA_A), "camera-b.mp4": (replace(torch, seed=107), CAMERA_B)}
    for name, (plan, camera) in flown.items():
        simulate(plan, camera, CODED, folder / name, tile_every=TILES_EVERY)
    shutil.copy(folder / "a-1.mp4", folder / "clip.mp4")
    (folder / "clips").mkdir()
    for name in ("a-1.mp4", "b-1.mp4"):
        shutil.copy(folder / name, folder / "clips" / name)
    (folder / "mine.toml").write_text("usable_zone_readable_percent = 50\n", encoding="utf-8")
