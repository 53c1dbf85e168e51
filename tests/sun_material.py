"""Made small pictures of the sun, lamps and lit walls, for the tests that tell one from another."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.record import Evidence
from fieldscore.sun import LightStretch, bright_stretches
from fieldscore.units import from_linear

ROWS, COLUMNS = 180, 240
STEP_S = 0.25
Luma = npt.NDArray[np.uint8]


def made(light: npt.NDArray[np.float64]) -> Luma:
    """A small picture of light in shares of the ceiling's."""
    return np.round(255.0 * from_linear(np.clip(light, 0.0, 1.0), "srgb")).astype(np.uint8)


def away(x: float, y: float) -> npt.NDArray[np.float64]:
    """Distance in px of every pixel from a place."""
    row, column = np.mgrid[:ROWS, :COLUMNS]
    return np.hypot(column - x, row - y)


def sunny(x: float = 120.0, y: float = 70.0, core: float = 14.0, sky: float = 0.15) -> Luma:
    """A lit sky with a core from which light falls away as a lens spreads it, over dark ground."""
    light = sky + 1.2 / np.maximum(away(x, y) / core, 0.1) ** 1.3
    light[round(y + 1.5 * core) :] *= 0.15
    return made(light)


def lamp(x: float = 120.0, y: float = 60.0, radius: float = 8.0, glow: float = 0.05) -> Luma:
    """A disc at the ceiling with a little glow, in a dark sky over dim ground."""
    far = away(x, y)
    light = 0.01 + glow * np.exp(-far / (3.0 * radius))
    light[120:] += 0.06
    light[far <= radius] = 1.0
    return made(light)


def torch_spot() -> Luma:
    """The spot of a torch on the ground under a dark sky: as round and as soft as the sun."""
    light = 1.2 / np.maximum(away(120.0, 140.0) / 14.0, 0.1) ** 1.3
    light[:80] = 0.015
    return made(light)


def hazy(sky: float, over: float, reach: float = 6.0) -> Luma:
    """A core in an even sky that a halo lifts by `over` at its edge, by less further out and by nothing from `reach` radii on."""
    far = away(120.0, 70.0) / 14.0
    light = sky + over * np.clip((reach - far) / (reach - 1.0), 0.0, 1.0)
    light[far <= 1.0] = 1.0
    light[91:] *= 0.15
    return made(light)


def lit_ground(horizon: int) -> Luma:
    """A patch of ground, as round and as soft as the sun, on dark ground, and a bright sky above the horizon's row."""
    light = 0.05 + 1.2 / np.maximum(away(120.0, 130.0) / 14.0, 0.1) ** 1.3
    light[:horizon] = 0.45
    return made(light)


def behind_a_tree() -> Luma:
    """The sun with a tree to its left, which hides a third of what is next to it above."""
    picture = sunny()
    picture[:, 85:110] = 20
    return picture


def on_its_side() -> Luma:
    """The sun seen lying on the ground: the sky is to the right, and above it ground as below."""
    light = 0.15 + 1.2 / np.maximum(away(120.0, 60.0) / 14.0, 0.1) ** 1.3
    light[:, :100] *= 0.3
    return made(light)


def barred() -> Luma:
    """A soft source at the upper edge behind bars, which hide two fifths of its light, with a dark wall to its left."""
    picture = several((120.0, 5.0, 14.0))
    picture[:, np.arange(COLUMNS) % 5 < 2] = 20
    picture[:16, 110:130] = 255  # the core
    picture[:, :108] = 20
    return picture


def white_horizon() -> Luma:
    """A core in snow along the horizon, which is as bright to the sides as at the core, with a bush over part of it."""
    rows = np.mgrid[:ROWS, :COLUMNS][0]
    light = np.maximum(np.abs(rows - 140) / 10.0, 1.6) ** -0.9
    light[95:150, 85:113] = 0.01
    light[away(120.0, 140.0) <= 14.0] = 1.0
    return made(light)


def several(*cores: tuple[float, float, float]) -> Luma:
    """Cores like the sun's, each at x, y with a size, in one dusky sky."""
    light = np.full((ROWS, COLUMNS), 0.12)
    for x, y, core in cores:
        light += 0.9 / np.maximum(away(x, y) / core, 0.1) ** 1.6
    return made(light)


def evidence(pictures: Iterable[Luma]) -> Evidence:
    """Small pictures a quarter of a second apart."""
    files = tuple(cv2.imencode(".jpg", one, [cv2.IMWRITE_JPEG_QUALITY, 60])[1].tobytes() for one in pictures)
    return Evidence(STEP_S * np.arange(len(files)), files, np.zeros((0, 256), dtype=np.uint16))


def named(pictures: Iterable[Luma], ceiling: float = 1.0) -> tuple[LightStretch, ...]:
    return bright_stretches(evidence(pictures), ceiling, "srgb")
