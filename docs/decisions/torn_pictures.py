"""Which likeness to the frame before, and over how many frames, says that a picture is torn?

Run: python docs/decisions/torn_pictures.py FLIGHT... (sound flights, simulated or real). Spells of torn pictures are put into
each: bands slid sideways (around, or leaving black), bands slid up or down, a shear that grows, and halves from earlier. Quick
turns of the camera are put into each, too: those must not be called torn. Prints the share of torn frames found, the longest
row of unlike frames in each turn, and by how much motion changes from frame to frame for what it is (medians); frames of the flight
itself that are called torn are counted. Fast flights low over ground are as unlike as tears, and only their motion tells them.

Tried without gain: jumps of the offset between stripes of a frame and of the one before (found a quarter), breaks between rows
of one frame (no more in torn frames than in whole ones), likeness of pictures with even contrast (tears and turns come closer).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.analyse import look_at
from fieldscore.criteria import Criteria
from fieldscore.frame import PictureArea
from fieldscore.measures import COLUMNS
from fieldscore.measures.movement import movement
from fieldscore.motion import registration
from fieldscore.running import runs
from fieldscore.sequence import chained
from fieldscore.timeline import Timeline
from fieldscore.torn import TORN_AT_LEAST, TORN_LIKENESS, torn
from fieldscore.video import CodedFrame, Flight

TEARS = ("slid around", "slid, black left", "slid up or down", "sheared", "half from 5 before", "half from 12 before")
TURNS = tuple((axis, speed) for axis in ("pitch", "yaw", "roll") for speed in (200, 400, 600, 800))
SPELL_S, EVERY_S, FIRST_S = 0.4, 1.5, 0.5
VIEW_DEG, SWING_DEG, SHUTTER = 105.0, 25.0, 0.5
FRAMES = 150
Luma = npt.NDArray[np.uint8]


def main(paths: list[Path]) -> None:
    """Print a table for tears and one for turns."""
    for path in paths:
        flight = Flight([path])
        area = look_at(flight, Criteria(), path.stem).area
        frames = [(np.array(one.luma), one.time_s) for one, _ in zip(flight.frames(), range(FRAMES), strict=False)]
        timeline = _timeline(area, frames)
        print(
            f"{path.stem}: {np.count_nonzero(torn(timeline))} of {len(frames)} sound frames called torn, {_change(timeline)}"
        )
        for kind in TEARS:
            shown, true = _torn(kind, frames)
            timeline = _timeline(area, shown)
            found, others = torn(timeline), np.count_nonzero(torn(timeline) & ~true)
            print(
                f"  {kind}: {100 * found[true].mean():.0f} % found, {others} others called torn, {_change(timeline, true)}"
            )
        for axis, speed in TURNS:
            timeline = _timeline(area, list(_turned(axis, speed, frames)))
            longest = max((stop - start for start, stop in runs(timeline["likeness"] < TORN_LIKENESS)), default=0)
            print(f"  {axis} {speed} degrees a second: longest row of unlike frames {longest}, {_change(timeline)}")


def _change(timeline: Timeline, rows: npt.NDArray[np.bool_] | None = None) -> str:
    rows = np.ones(len(timeline), dtype=np.bool_) if rows is None else rows & np.roll(rows, 1)
    motion, change = (np.nanmedian(timeline[one][rows]) for one in ("motion_percent", "motion_change_percent"))
    return f"motion changes by {change / motion:.2f} of itself"


def _timeline(area: PictureArea, frames: list[tuple[Luma, float]]) -> Timeline:
    names = ("likeness", "motion_percent", "motion_change_percent")
    shown = (CodedFrame(luma, None, time_s, 8, damaged=False, file_index=0) for luma, time_s in frames)
    rows = []
    for one in chained(shown, area):
        found = one.paced(registration)
        rows.append((np.nan if found is None else found.likeness, *movement(one)))
    values = {column.name: np.full(len(frames), np.nan) for column in COLUMNS}
    values.update(zip(names, np.array(rows).T, strict=True))
    return Timeline(np.array([time_s for _, time_s in frames]), values, COLUMNS, {})


def _torn(kind: str, frames: list[tuple[Luma, float]]) -> tuple[list[tuple[Luma, float]], npt.NDArray[np.bool_]]:
    """The frames with spells of torn ones, and which those are."""
    rng = np.random.default_rng(5)
    shown, true = [], []
    for number, (luma, time_s) in enumerate(frames):
        wrong = (time_s - FIRST_S) % EVERY_S < SPELL_S and time_s > FIRST_S
        true.append(wrong)
        shown.append((_tear(kind, frames, number, rng) if wrong else luma, time_s))
    return shown, np.array(true)


def _tear(kind: str, frames: list[tuple[Luma, float]], number: int, rng: np.random.Generator) -> Luma:
    whole = frames[number][0]
    height, width = whole.shape
    out = whole.copy()
    if kind.startswith("half"):
        row = int(rng.integers(height // 4, 3 * height // 4))
        out[row:] = frames[max(0, number - int(kind.split()[2]))][0][row:]
        return out
    if kind == "sheared":
        first, slant = int(rng.integers(0, height // 2)), rng.uniform(0.5, 2.0) * rng.choice([-1, 1])
        for row in range(first, height):
            out[row] = np.roll(whole[row], int(slant * (row - first)))
        return out
    edges = [0, *np.sort(rng.integers(0, height, 4)).tolist(), height]
    for top, bottom in zip(edges, edges[1:], strict=False):
        if kind == "slid up or down":
            out[top:bottom] = whole[(np.arange(top, bottom) + int(rng.integers(-height // 3, height // 3))) % height]
            continue
        slide = int(rng.integers(-width // 3, width // 3))
        out[top:bottom] = np.roll(whole[top:bottom], slide, axis=1)
        if kind == "slid, black left":
            out[top:bottom, : max(slide, 0)], out[top:bottom, width + min(slide, 0) :] = 16, 16
    return out


def _turned(axis: str, speed: float, frames: list[tuple[Luma, float]]) -> Iterator[tuple[Luma, float]]:
    """The frames as a camera sees them that swings to and fro at a speed in degrees a second, half of each interval exposed."""
    height, width = frames[0][0].shape
    focal = width / 2 / np.tan(np.deg2rad(VIEW_DEG / 2))
    lens = np.array([[focal, 0, width / 2], [0, focal, height / 2], [0, 0, 1.0]])
    enlarged = np.array([[1.35, 0, -0.175 * width], [0, 1.35, -0.175 * height], [0, 0, 1.0]])
    interval = frames[1][1] - frames[0][1]
    for luma, time_s in frames:
        light = np.zeros(luma.shape, dtype=np.float32)
        shutter = np.linspace(-0.5, 0.5, 5) * SHUTTER * interval
        for moment in time_s + shutter:
            phase = moment * speed / SWING_DEG % 4
            angle = SWING_DEG * (phase if phase < 1 else 2 - phase if phase < 3 else phase - 4)  # noqa: PLR2004 - quarters
            turn = lens @ _rotation(axis, np.deg2rad(angle)) @ np.linalg.inv(lens) @ enlarged
            light += cv2.warpPerspective(luma.astype(np.float32), turn, (width, height), borderMode=cv2.BORDER_REFLECT)
        yield np.clip(light / len(shutter), 0, 255).astype(np.uint8), time_s


def _rotation(axis: str, angle: float) -> npt.NDArray[np.float64]:
    c, s = np.cos(angle), np.sin(angle)
    if axis == "pitch":
        return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]] if axis == "yaw" else [[c, -s, 0], [s, c, 0], [0, 0, 1]])


if __name__ == "__main__":
    main([Path(word) for word in sys.argv[1:]])
    print(
        f"Torn frames mostly stay under {TORN_LIKENESS} for {TORN_AT_LEAST} in a row, turns and gates flown past do not; half of an"
    )
    print(
        "earlier picture is too like to be found. Motion of torn ones changes by 1.4 of itself and more, of a fast flight low over"
    )
    print(
        "ground by 0.3, of most turns by less than 0.9 (at 1.1 a third of the tears is lost, at 0.7 sound frames beside them).\n"
        "Sets TORN_LIKENESS, TORN_AT_LEAST and TORN_CHANGE in fieldscore/torn.py."
    )
