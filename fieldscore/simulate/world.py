"""The allotments: ground, lamps, sky and things standing about, in linear light.

Light is in scene units: a surface that fills the sensor at gain 1 has 1.0. Everything is fixed by
`world_seed`, so that two flights with the same one meet the same places. Lengths in m, east-north-up, origin
in the middle of the plots.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldscore.simulate.model import FlightPlan
from fieldscore.simulate.raster import Array, Image, shrink, stretch
from fieldscore.simulate.route import Route

TEXEL_M = 0.125
GROUND_PX = 1024  # 128 m of ground, repeating beyond
DETAIL_TEXEL_M = 0.02
DETAIL_PX = 512
SKY_PX = (256, 2048)  # rows over SKY_SPAN_DEG of elevation, columns over 360 degrees of azimuth
SKY_SPAN_DEG = (-6.0, 58.0)
LAMP_HEIGHT_M = 4.6
LAMP_OF_PANE = 0.92  # share of its pane's radius that a lamp's disc fills
NEAR_LAMP_M2 = 1.5  # a lamp is a panel, not a point: its light stays finite close by
LAMP_DISC_M = 0.16  # radius of the bright glass
TINT_STEP = 4  # ground tint has one texel for so many of the albedo


@dataclass(frozen=True)
class Light:
    """Light of a scene: `ambient` on a level surface, `sky` at horizon and zenith, `lamp` in a pool below a
    lamp."""

    ambient: float
    horizon: float
    zenith: float
    lamp: float
    lamp_disc: float
    sun: float = 0.0
    sun_azimuth_deg: float = 0.0
    sun_elevation_deg: float = 0.0
    cloud: float = 0.0


# Ratios, not photometry: a town night is some 8 to 10 stops under a day; a lit pool lies 5 stops above unlit
# ground.
LIGHTS = {
    "night_estate": Light(ambient=0.0050, horizon=0.0028, zenith=0.0006, lamp=0.20, lamp_disc=22.0),
    "dusk_sun": Light(
        ambient=0.30,
        horizon=0.75,
        zenith=0.16,
        lamp=0.02,
        lamp_disc=4.0,
        sun=15000.0,
        sun_azimuth_deg=8.0,
        sun_elevation_deg=8.0,
        cloud=0.35,
    ),
    "day_field": Light(
        ambient=1.5,
        horizon=1.9,
        zenith=0.9,
        lamp=0.0,
        lamp_disc=0.0,
        sun=60000.0,
        sun_azimuth_deg=140.0,
        sun_elevation_deg=48.0,
        cloud=0.6,
    ),
}


@dataclass
class Quad:
    """A flat textured rectangle. `base` is its lower left corner (or foot, for a billboard that turns to the
    camera).

    `albedo` (h, w, 2): reflectance times coverage, and coverage. `light`: light on it, per texel; `glow`: own
    light.
    """

    base: Array
    across: Array
    up: Array
    albedo: Image
    tint: tuple[float, float] = (1.0, 1.0)
    billboard: bool = False
    lamp: int = -1
    glow: float = 0.0
    two_sided: bool = False


def pink(rng: np.random.Generator, shape: tuple[int, int], slope: float = 1.1, low_cut: float = 0.0) -> Image:
    """Repeating random texture with amplitude 1/f^slope, mean 0, standard deviation 1; float32 (h, w)."""
    fy = np.fft.fftfreq(shape[0])[:, None]
    fx = np.fft.rfftfreq(shape[1])[None, :]
    radius = np.hypot(fx, fy)
    gain = np.where(radius > low_cut, 1.0 / np.maximum(radius, 1.0 / max(shape)) ** slope, 0.0)
    spectrum = np.fft.rfft2(rng.standard_normal(shape)) * gain
    picture = np.fft.irfft2(spectrum, s=shape)
    picture -= picture.mean()
    return np.asarray(picture / picture.std(), dtype=np.float32)


class World:
    """Ground, lamps and sky of a plan; `things.build_world` puts the rest on it."""

    def __init__(self, plan: FlightPlan) -> None:
        """Lay the ground, place the lamps and paint the sky, all from `world_seed`."""
        self.light = LIGHTS[plan.scene]
        self.route = Route(plan.route)
        rng = np.random.default_rng([plan.world_seed, 3])
        self._rng = rng
        self._lay_ground()
        self.lamps = self._place_lamps(plan.lamps)
        self.lamp_power = self.light.lamp * plan.lamp_power
        self._light_ground()
        self.detail = (0.20 * pink(rng, (DETAIL_PX, DETAIL_PX), 0.8, 0.004)).astype(np.float32)
        self._paint_sky()
        self.quads: list[Quad] = []

    def texel(self, x: float, y: float) -> tuple[int, int]:
        """Column and row of the ground texture at a place."""
        return int(x / TEXEL_M + GROUND_PX / 2), int(y / TEXEL_M + GROUND_PX / 2)

    def _lay_ground(self) -> None:
        rng, n = self._rng, GROUND_PX
        grass = 0.17 * np.exp(0.34 * pink(rng, (n, n), 1.0))
        red, blue = np.full((n, n), 0.92, np.float32), np.full((n, n), 0.55, np.float32)
        ground = grass.astype(np.float32)
        for row in range(-9, 9):
            for column in range(-6, 6):
                self._lay_plot(ground, red, blue, column * 10.5 + 0.8, row * 7.0 + 0.7)
        self._lay_lane(ground, red, blue)
        self.albedo = np.clip(ground, 0.02, 0.8).astype(np.float32)
        small = (n // TINT_STEP, n // TINT_STEP)
        self.tint = np.stack([shrink(red, small), shrink(blue, small)], axis=2)

    def _lay_plot(self, ground: Image, red: Image, blue: Image, x: float, y: float) -> None:
        rng = self._rng
        if rng.random() < 0.18:
            return
        (c0, r0), (c1, r1) = self.texel(x, y), self.texel(x + 9.2, y + 5.6)
        rows, columns = slice(max(r0, 0), r1), slice(max(c0, 0), c1)
        shape = ground[rows, columns].shape
        if not all(shape):
            return
        crop = rng.choice(np.array([0.10, 0.13, 0.20, 0.26]))
        period = rng.uniform(0.5, 0.9) / TEXEL_M
        along = np.arange(shape[0])[:, None] if rng.random() < 0.5 else np.arange(shape[1])[None, :]
        stripes = 1.0 + 0.5 * np.sin(2 * np.pi * along / period)
        speckle = np.exp(0.25 * rng.standard_normal(shape))
        ground[rows, columns] = crop * stripes * speckle
        soil = rng.random() < 0.5
        red[rows, columns], blue[rows, columns] = (1.22, 0.62) if soil else (0.80, 0.50)
        for edge in (
            ground[rows, columns][:3],
            ground[rows, columns][-3:],
            ground[rows, columns][:, :3],
            ground[rows, columns][:, -3:],
        ):
            edge[...] = rng.uniform(0.3, 0.42)

    def _lay_lane(self, ground: Image, red: Image, blue: Image) -> None:
        """An asphalt lane with a dashed line and kerbs, and paths of pale gravel beside and across it."""
        rng, n = self._rng, GROUND_PX
        for y, half, albedo, tint in ((2.0, 2.3, 0.10, (1.0, 1.02)), (-26.0, 1.6, 0.33, (1.08, 0.85))):
            rows = slice(self.texel(0, y - half)[1], self.texel(0, y + half)[1])
            ground[rows] = albedo * np.exp(0.10 * rng.standard_normal((rows.stop - rows.start, n)))
            red[rows], blue[rows] = tint
            ground[rows][:2], ground[rows][-2:] = 0.34, 0.34
        middle = self.texel(0, 2.0)[1]
        for column in range(0, n, 32):
            ground[middle - 1 : middle + 1, column : column + 14] = 0.6
        columns = slice(self.texel(-6.2, 0)[0], self.texel(-4.4, 0)[0])
        ground[:, columns] = 0.36 * np.exp(0.12 * rng.standard_normal((n, columns.stop - columns.start)))
        red[:, columns], blue[:, columns] = 1.08, 0.85

    def _place_lamps(self, count: int) -> Array:
        """Lamp heads (count, 3) beside the route, alternating sides, 2.5 to 5 m off it."""
        rng, places = self._rng, []
        span = self.route.length_m if self.route.closed else 150.0
        for i in range(count):
            point, heading, _ = self.route.at((i + 0.35 + 0.25 * rng.random()) * span / count)
            side = (2.6 + 2.2 * rng.random()) * (1 if i % 2 else -1)
            places.append(
                [
                    point[0] - side * np.sin(heading),
                    point[1] + side * np.cos(heading),
                    LAMP_HEIGHT_M + rng.uniform(-0.6, 0.8),
                ]
            )
        return np.array(places, dtype=np.float64).reshape(-1, 3)

    def lamp_light(self, x: Array, y: Array, z: Array | float, level: bool) -> Array:
        """Light of all lamps at points: inverse square; on level ground with the cosine, else half of it."""
        total = np.zeros(np.broadcast(x, y).shape)
        for lx, ly, lz in self.lamps:
            drop = np.maximum(lz - z, 0.05)
            square = (x - lx) ** 2 + (y - ly) ** 2 + drop**2
            cosine = drop / np.sqrt(square)
            shade = 1.0 / (1.0 + np.exp(-(cosine - 0.12) / 0.04))  # the lamp's hood keeps its light down
            face = cosine if level else 0.25 + 0.5 * np.sqrt(np.maximum(1.0 - cosine**2, 0.0))
            total += self.lamp_power * LAMP_HEIGHT_M**2 / (square + NEAR_LAMP_M2) * face * shade
        return total

    def _light_ground(self) -> None:
        axis = (np.arange(GROUND_PX) - GROUND_PX / 2 + 0.5) * TEXEL_M
        x, y = np.meshgrid(axis, axis)
        patches = 1.0 + 0.10 * pink(self._rng, (GROUND_PX, GROUND_PX), 1.6)
        lamps = self.lamp_light(x, y, 0.0, True)
        total = self.light.ambient * np.clip(patches, 0.5, 1.6) + lamps
        self.irradiance = total.astype(np.float32)
        self._lamp_share = (lamps / total).astype(np.float32)
        self.pyramids()

    def pyramids(self) -> None:
        """Bring albedo and light together at three sizes (1, 4, 16 texels); the lamps' part also apart."""
        lit = self.albedo * self.irradiance
        sizes = [(GROUND_PX // 4**level, GROUND_PX // 4**level) for level in range(3)]
        self.ground = [shrink(lit, size) for size in sizes]
        self.ground_lamps = [shrink(lit * self._lamp_share, size) for size in sizes]
        self.ground_albedo = [shrink(self.albedo, size) for size in sizes]

    def shadow(self, x: float, y: float, radius: float, depth: float) -> None:
        """Darken the ground below a thing (m), before `pyramids` is called again."""
        column, row = self.texel(x, y)
        r = max(int(radius / TEXEL_M), 1)
        rows, columns = slice(max(row - 2 * r, 0), row + 2 * r), slice(max(column - 2 * r, 0), column + 2 * r)
        yy, xx = np.mgrid[rows, columns][:, :GROUND_PX, :GROUND_PX]
        part = self.irradiance[rows, columns]
        yy, xx = yy[: part.shape[0], : part.shape[1]], xx[: part.shape[0], : part.shape[1]]
        part *= (1.0 - depth * np.exp(-((xx - column) ** 2 + (yy - row) ** 2) / (r * r))).astype(np.float32)

    def _paint_sky(self) -> None:
        rng, (rows, columns), light = self._rng, SKY_PX, self.light
        elevation = np.linspace(*SKY_SPAN_DEG, rows)[:, None]
        up = np.clip(elevation / SKY_SPAN_DEG[1], 0.0, 1.0)
        town = 1.0 + 0.5 * np.cos(np.deg2rad(np.linspace(0, 360, columns, endpoint=False) - 200.0))[None, :]
        sky = light.zenith + (light.horizon - light.zenith) * np.exp(-4.0 * up) * town
        clouds = stretch(pink(rng, (rows // 2, columns // 2), 1.5), (columns, rows))
        sky = sky * (1.0 + light.cloud * np.clip(clouds, 0.0, 2.5) * np.clip(up * 4.0, 0.0, 1.0))
        sky = sky * (1.0 + 0.03 * clouds)
        skyline = self._skyline(columns)[None, :]
        below = 1.0 / (1.0 + np.exp((elevation - skyline) / 0.12))
        wood = 0.10 * light.ambient * np.exp(0.5 * pink(rng, SKY_PX, 0.9))
        self.far = 0.5 * light.horizon + 0.06 * light.ambient  # what distance fades to
        self.sky = np.asarray(sky * (1 - below) + (0.6 * wood + 0.25 * self.far) * below, dtype=np.float32)
        if light.sun == 0.0:
            self._far_windows(rng, skyline[0], elevation[:, 0])

    def _skyline(self, columns: int) -> Array:
        """Elevation (deg) of woods and roofs around the plots, per azimuth column."""
        rng = self._rng
        woods = 2.4 + 1.1 * pink(rng, (2, columns), 0.9)[0].astype(np.float64)
        for _ in range(26):
            start, width = rng.integers(0, columns), int(rng.integers(12, 40))
            woods[start : start + width] = rng.uniform(2.5, 5.0)
        return np.asarray(np.clip(woods, 0.6, 7.0))

    def _far_windows(self, rng: np.random.Generator, skyline: Array, elevation: Array) -> None:
        for _ in range(60):
            column = int(rng.integers(0, SKY_PX[1]))
            height = rng.uniform(0.6, max(float(skyline[column]) - 0.3, 0.7))
            row = int(np.argmin(np.abs(elevation - height)))
            self.sky[row : row + 2, column : column + 2] += np.float32(rng.choice(np.array([0.02, 0.05, 0.3])))
