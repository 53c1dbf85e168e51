"""From stage and moment to light on the sensor: one ray a pixel, ground, sky, things, and what the lens
spreads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np

from fieldscore.simulate.glare import add_glare, sun_veil
from fieldscore.simulate.raster import (
    Array,
    Image,
    affine,
    exponential,
    hypotenuse,
    mix,
    pick,
    ratio,
)
from fieldscore.simulate.route import Pose
from fieldscore.simulate.stage import Stage, toward_sun
from fieldscore.simulate.world import DETAIL_TEXEL_M, GROUND_PX, LAMP_OF_PANE, SKY_PX, SKY_SPAN_DEG, TEXEL_M, TINT_STEP

NEAR_M = 0.06  # nearer than this a thing is behind the lens
REACH_M = 95.0  # things farther away are left to the skyline
DETAIL_REACH_M = 9.0  # where the fine ground texture has faded out
GROUND_REACH_M = 400.0
SKY_TINT = {"night_estate": (1.05, 0.95), "dusk_sun": (1.15, 0.95), "day_field": (0.85, 1.35)}
TORCH_BEAM = 0.42  # rms half width of a flood torch's beam, in focal lengths
TORCH_NEAR_M = 1.2  # a torch is held a little behind the lens, so its light stays finite close by
TORCH_DISC = 0.035  # radius of a torch that faces the lens, in focal lengths: 7 cm across at 1 m
SUN_RADIUS_RAD = float(np.deg2rad(0.265))  # the sun is 0.53 degrees wide
TINT_SMALL = 4


@dataclass(frozen=True)
class Moment:
    """What is special about one picture: pose, lines (all, or one field), torches, flicker of the lamps.

    `torch`: light of a torch beside the camera; `facing`: slopes right and down, and light, of torches that
    shine into the lens; `flicker`: share by which the lamps are brighter than their mean just now.
    """

    pose: Pose
    line_step: int = 1
    first_line: int = 0
    torch: float = 0.0
    facing: tuple[tuple[float, float, float], ...] = ()
    flicker: float = 0.0


class Light(NamedTuple):
    """A lamp, torch or the sun in the picture: pixel place, number of the lamp (-1: no lamp's), radius in picture heights."""

    x: float
    y: float
    number: int = -1
    radius: float = 0.0


@dataclass
class Scene:
    """Light of one instant: `light` (h, w) in scene units, `small` the same reduced, `tint` (h/4, w/4, 2) R
    and B to G.

    `lamps` are the lamps, torches and the sun inside the picture that nothing hides; `veil` is the mean light that glare
    added.
    """

    light: Image
    small: Image
    tint: Image
    lamps: list[Light]
    veil: float


@dataclass(frozen=True)
class _Seen:
    """A thing as it stands to the camera: corners from the lens (4, 3), in its axes, in pixels; its normal;
    its distance."""

    number: int
    corners: Array
    axes: Array
    pixels: Array
    normal: Array
    distance: float


def draw(stage: Stage, moment: Moment) -> Scene:
    """The light that a moment puts on the sensor."""
    canvas = _Canvas(stage, moment)
    canvas.ground_and_sky()
    canvas.things()
    for right, down, strength in moment.facing:
        canvas.facing_lamp(right, down, strength)
    return canvas.finish()


class _Canvas:
    """One picture being drawn."""

    def __init__(self, stage: Stage, moment: Moment) -> None:
        self.stage, self.world, self.moment, self.pose = stage, stage.world, moment, moment.pose
        self.ray_x, self.ray_y = stage.lens.rays(moment.line_step, moment.first_line)
        h, w = self.ray_x.shape
        self.light: Image = np.zeros((h, w), np.float32)
        self.tint: Image = np.zeros((h // TINT_SMALL, w // TINT_SMALL, 2), np.float32)
        self.lamps: list[Light] = []
        self.sun_hidden = False

    def along(
        self, vector: Array, rows: slice = slice(None), columns: slice = slice(None), scale: float = 1.0
    ) -> Image:
        """scale * (ray . vector) over a window; rays are right*x + down*y + forward in world axes."""
        a = scale * (self.pose.axes @ vector)
        return mix(self.ray_x[rows, columns], float(a[0]), self.ray_y[rows, columns], float(a[1]), float(a[2]))

    def ground_and_sky(self) -> None:
        """Fill the picture with ground below the horizon and sky above."""
        down = self.along(np.array([0.0, 0.0, -1.0]))
        ground = np.flatnonzero(down.max(axis=1) > 0.002)
        sky = np.flatnonzero(down.min(axis=1) <= 2.0 / self.stage.lens.focal)
        self.tint[:] = SKY_TINT[self.stage.plan.scene]
        if sky.size:
            self._sky(slice(int(sky[0]), int(sky[-1]) + 1))
        if ground.size:
            self._ground(down, slice(int(ground[0]), int(ground[-1]) + 1), bool(sky.size))

    def _sky(self, rows: slice) -> None:
        east, north, up = (self.along(v, rows) for v in np.eye(3))
        azimuth = np.asarray(cv2.phase(east, north), np.float32)
        elevation = np.rad2deg(np.arctan(up / hypotenuse(east, north)))
        span = SKY_SPAN_DEG[1] - SKY_SPAN_DEG[0]
        row = (elevation - np.float32(SKY_SPAN_DEG[0])) * np.float32((SKY_PX[0] - 1) / span)
        row = np.clip(row, 0, SKY_PX[0] - 1).astype(np.float32)
        column = azimuth * np.float32(SKY_PX[1] / (2 * np.pi))
        self.light[rows] = pick(self.world.sky, column, row, repeat=True)
        if self.world.light.sun:
            self._sun(rows, up)

    def _sun(self, rows: slice, up: Image) -> None:
        """The disc, and the bright sky about it (aureole), where the skyline leaves it free."""
        light, toward = self.world.light, toward_sun(self.world.light)
        side = np.array([-toward[1], toward[0], 0.0]) / np.hypot(toward[0], toward[1])
        ahead = self.along(toward, rows)
        inverse = ratio(1.0, np.maximum(ahead, np.float32(1e-3)))
        off = hypotenuse(self.along(side, rows) * inverse, self.along(np.cross(toward, side), rows) * inverse)
        off[ahead <= 0] = 9.0
        edge = 0.7 / self.stage.lens.focal
        disc = np.clip((SUN_RADIUS_RAD - off) / edge + 0.5, 0.0, 1.0)
        aureole = light.horizon * (
            8.0 * exponential(off * np.float32(-1 / 0.06)) + 2.0 * exponential(off * np.float32(-1 / 0.30))
        )
        self.light[rows] += (disc * light.sun + aureole) * np.clip(up * 60.0 - 2.0, 0.0, 1.0)

    def _ground(self, down: Image, rows: slice, with_sky: bool) -> None:
        pose, world, moment, focal = self.pose, self.world, self.moment, self.stage.lens.focal
        part = down[rows]
        height = float(pose.position[2])
        reach = ratio(height, np.maximum(part, np.float32(height / GROUND_REACH_M)))
        x = self.along(np.array([1.0, 0, 0]), rows) * reach
        y = self.along(np.array([0, 1.0, 0]), rows) * reach
        u = affine(x, 1 / TEXEL_M, float(pose.position[0]) / TEXEL_M + GROUND_PX / 2 - 0.5)
        v = affine(y, 1 / TEXEL_M, float(pose.position[1]) / TEXEL_M + GROUND_PX / 2 - 0.5)
        # A pixel covers reach^2 / (height focal) of ground lengthwise: take the texture of that size,
        # blended.
        size = np.maximum(reach * reach * np.float32(1 / (height * focal * TEXEL_M)), np.float32(1.0))
        level = np.minimum(np.asarray(cv2.log(size), np.float32) * np.float32(1 / np.log(4.0)) - np.float32(0.35), 2.0)
        light = _blend(world.ground, u, v, level)
        if moment.flicker:
            light += np.float32(moment.flicker) * _blend(world.ground_lamps, u, v, level)
        near = np.clip(1.0 - reach * np.float32(1 / DETAIL_REACH_M), 0.0, 1.0)
        self._detail(light, x, y, near)
        light = world.far + (light - world.far) * exponential(reach * np.float32(-1 / self.stage.plan.haze_m))
        if moment.torch:
            albedo = _blend(world.ground_albedo, u, v, level)
            self._detail(albedo, x, y, near)
            light += albedo * self._beam(rows, slice(None)) * (moment.torch / (reach + TORCH_NEAR_M) ** 2)
        if with_sky:
            cover = np.clip(part * np.float32(0.7 * focal), 0.0, 1.0)  # the horizon's edge, one pixel soft
            self.light[rows] += (light - self.light[rows]) * cover
        else:
            self.light[rows] = light
        self._ground_tint(u, v, part, rows)

    def _detail(self, light: Image, x: Image, y: Image, near: Image) -> None:
        """Fine texture of the ground close by, multiplied in."""
        rows = np.flatnonzero(near.max(axis=1) > 0.01)
        if not rows.size:
            return
        w = slice(int(rows[0]), int(rows[-1]) + 1)
        px, py = (float(p) / DETAIL_TEXEL_M for p in self.pose.position[:2])
        fine = pick(
            self.world.detail,
            affine(x[w], 1.0 / DETAIL_TEXEL_M, px),
            affine(y[w], 1.0 / DETAIL_TEXEL_M, py),
            repeat=True,
        )
        light[w] *= np.maximum(1.0 + fine * near[w], 0.05)

    def _ground_tint(self, u: Image, v: Image, down: Image, rows: slice) -> None:
        first = -(-rows.start // TINT_SMALL)
        if first * TINT_SMALL >= rows.stop:
            return
        step = slice(first * TINT_SMALL - rows.start, None, TINT_SMALL)
        scale = np.float32(1.0 / TINT_STEP)
        tint = pick(self.world.tint, u[step, ::TINT_SMALL] * scale, v[step, ::TINT_SMALL] * scale, repeat=True)
        target = self.tint[first : first + len(tint)]
        below = (down[step, ::TINT_SMALL] > 0)[: len(target), : target.shape[1], None]
        np.copyto(target, tint[: len(target), : target.shape[1]], where=below)

    def _beam(self, rows: slice, columns: slice) -> Image:
        square = self.ray_x[rows, columns] ** 2 + self.ray_y[rows, columns] ** 2
        return exponential(square * np.float32(-0.5 / TORCH_BEAM**2)) + np.float32(0.06)

    def things(self) -> None:
        """Draw what stands about, far to near, and note the lamps that nothing hides."""
        noted: list[Light] = []
        for seen in self._in_view():
            self._thing(seen)
            lamp = self.world.quads[seen.number].lamp
            if lamp >= 0:
                x, y = self._place(seen.pixels.mean(axis=0))
                if 0 <= x < self.light.shape[1] and 0 <= y < self.light.shape[0]:
                    side = np.sqrt(cv2.contourArea(seen.pixels.astype(np.float32))) / self.moment.line_step
                    radius = LAMP_OF_PANE * float(side) / 2 / self.light.shape[0]
                    noted.append(Light(float(int(x)), float(int(y)), lamp, radius))
        self.lamps += [one for one in noted if self.light[int(one.y), int(one.x)] > 0.3 * self.world.light.lamp_disc]
        if self.world.light.sun:
            self._note_sun()

    def _place(self, pixel: Array) -> tuple[float, float]:
        """Column and row in this picture of a full-frame pixel place."""
        return float(pixel[0]), float(pixel[1] - self.moment.first_line) / self.moment.line_step

    def _in_view(self) -> list[_Seen]:
        """Things that may touch the picture, far to near."""
        stage, eye = self.stage, self.pose.position
        corners = stage.corners - eye
        flat = stage.corners[stage.billboard]
        foot, top = flat[:, 0] - eye, flat[:, 3] - eye
        away = np.maximum(np.hypot(foot[:, 0], foot[:, 1]), 1e-6)
        half = np.stack([foot[:, 1] / away, -foot[:, 0] / away, np.zeros(len(foot))], axis=1)
        half *= stage.width[stage.billboard][:, None] / 2
        corners[stage.billboard] = np.stack([foot - half, foot + half, top + half, top - half], axis=1)
        axes = corners @ self.pose.axes.T
        distance = np.linalg.norm(corners.mean(axis=1), axis=1)
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 3] - corners[:, 0])
        facing = np.einsum("ij,ij->i", normal, corners[:, 0])
        shown = (axes[..., 2].max(axis=1) > NEAR_M) & (distance < REACH_M) & ((facing < -1e-9) | stage.two_sided)
        pixels = stage.lens.project(axes.reshape(-1, 3)).reshape(-1, 4, 2)
        return [
            _Seen(int(i), corners[i], axes[i], pixels[i], normal[i], float(distance[i]))
            for i in np.argsort(-distance, kind="stable")
            if shown[i]
        ]

    def _note_sun(self) -> None:
        """Whether the sun stands in the picture and nothing hides it."""
        toward = self.pose.axes @ toward_sun(self.world.light)
        if toward[2] <= 0.05:
            return
        x, y = self._place(self.stage.lens.project(toward[None])[0])
        h, w = self.light.shape
        if 0 <= x < w and 0 <= y < h:
            self.sun_hidden = bool(self.light[int(y), int(x)] < 0.2 * self.world.light.sun)
            if not self.sun_hidden:
                self.lamps.append(Light(x, y))

    def _window(self, seen: _Seen) -> tuple[slice, slice] | None:
        """Rows and columns of this picture that a thing can touch."""
        h, w = self.light.shape
        pixels = seen.pixels
        if seen.axes[:, 2].min() <= NEAR_M:
            pixels = self.stage.lens.project(_cut_near(seen.axes))
        x0, y0 = self._place(np.clip(pixels.min(axis=0) - 2.0, -1e6, 1e6))
        x1, y1 = self._place(np.clip(pixels.max(axis=0) + 3.0, -1e6, 1e6))
        rows = slice(max(int(y0 - 1.0), 0), min(int(y1 + 1.0), h))
        columns = slice(max(int(x0), 0), min(int(x1), w))
        return (rows, columns) if rows.start < rows.stop and columns.start < columns.stop else None

    def _texture(self, seen: _Seen) -> tuple[Image, Image]:
        """Lit and unlit texture whose texels are about as large as pixels."""
        sizes, p = self.stage.lit[seen.number], seen.pixels
        wide = max(float(np.abs(p[1] - p[0]).max()), float(np.abs(p[2] - p[3]).max()), 0.4)
        tall = max(float(np.abs(p[3] - p[0]).max()), float(np.abs(p[2] - p[1]).max())) / self.moment.line_step
        h, w = sizes[0][0].shape[:2]
        level = int(np.clip(np.floor(np.log2(min(w / wide, h / max(tall, 0.4)))), 0, len(sizes) - 1))
        return sizes[level]

    def _thing(self, seen: _Seen) -> None:
        window = self._window(seen)
        if window is None:
            return
        rows, columns = window
        quad, (lit, albedo), corner = self.world.quads[seen.number], self._texture(seen), seen.corners
        h, w = lit.shape[:2]
        across, up = corner[1] - corner[0], corner[3] - corner[0]
        across, up = across / (across @ across), up / (up @ up)
        reach = ratio(float(seen.normal @ corner[0]), self.along(seen.normal, rows, columns))
        u = self.along(across, rows, columns, float(w)) * reach - np.float32(w * (corner[0] @ across) + 0.5)
        v = self.along(up, rows, columns, -float(h)) * reach + np.float32(h * (1.0 + corner[0] @ up) - 0.5)
        if seen.axes[:, 2].min() <= NEAR_M:
            u[reach <= 0] = -1e4
        got = pick(lit, u, v, repeat=False)
        light, cover = (
            got[..., 0] * np.float32(1.0 + self.moment.flicker * self.stage.lamp_share[seen.number]),
            got[..., 1],
        )
        if not quad.glow:
            haze = float(np.exp(-seen.distance / self.stage.plan.haze_m))
            light = light * np.float32(haze) + cover * np.float32((1 - haze) * self.world.far)
            if self.moment.torch:
                fall = np.float32(self.moment.torch / (seen.distance + TORCH_NEAR_M) ** 2)
                light += pick(albedo, u, v, repeat=False)[..., 0] * self._beam(rows, columns) * fall
        part = self.light[rows, columns]
        part *= 1.0 - cover
        part += light
        self._thing_tint(quad.tint, cover, rows, columns)

    def _thing_tint(self, tint: tuple[float, float], cover: Image, rows: slice, columns: slice) -> None:
        row, column = -(-rows.start // TINT_SMALL), -(-columns.start // TINT_SMALL)
        sampled = cover[row * TINT_SMALL - rows.start :: TINT_SMALL, column * TINT_SMALL - columns.start :: TINT_SMALL]
        part = self.tint[row : row + sampled.shape[0], column : column + sampled.shape[1]]
        part += (np.array(tint, np.float32) - part) * sampled[: part.shape[0], : part.shape[1], None]

    def facing_lamp(self, right: float, down: float, strength: float) -> None:
        """A torch that shines into the lens from a direction given by its ray slopes."""
        off = hypotenuse(self.ray_x - np.float32(right), self.ray_y - np.float32(down))
        disc = np.clip((np.float32(TORCH_DISC) - off) * np.float32(self.stage.lens.focal) + np.float32(0.5), 0.0, 1.0)
        self.light += disc * np.float32(strength)
        row, column = divmod(int(np.argmin(off)), off.shape[1])
        if float(off[row, column]) < TORCH_DISC:
            self.lamps.append(Light(float(column), float(row)))

    def finish(self) -> Scene:
        """Add what the lens spreads."""
        sun = sun_veil(self.stage, self.pose, self.sun_hidden)
        small, veil = add_glare(self.light, self.stage, self.moment.line_step, sun)
        return Scene(self.light, small, self.tint, self.lamps, veil)


def _blend(sizes: list[Image], u: Image, v: Image, level: Image) -> Image:
    """Ground texture at texel places of the finest size, between the sizes as `level` says (0 finest)."""
    low, high = level.min(axis=1), level.max(axis=1)
    total = np.zeros(u.shape, np.float32)
    for k, texture in enumerate(sizes):
        rows = np.flatnonzero((low < k + 1) & (high > k - 1))
        if not rows.size:
            continue
        w = slice(int(rows[0]), int(rows[-1]) + 1)
        scale = 4.0**-k
        got = pick(
            texture,
            affine(u[w], scale, 0.5 * scale - 0.5),
            affine(v[w], scale, 0.5 * scale - 0.5),
            repeat=True,
        )
        total[w] += got * np.maximum(1.0 - np.abs(np.maximum(level[w], np.float32(0.0)) - np.float32(k)), 0.0)
    return total


def _cut_near(corners: Array) -> Array:
    """A camera-space outline (n, 3) cut off at the near plane."""
    kept = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if a[2] > NEAR_M:
            kept.append(a)
        if (a[2] > NEAR_M) != (b[2] > NEAR_M):
            kept.append(a + (b - a) * (NEAR_M * 1.001 - a[2]) / (b[2] - a[2]))
    return np.array(kept)
