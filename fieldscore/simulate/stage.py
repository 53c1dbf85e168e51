"""A plan's world made ready for one camera: the lens's rays, and every thing lit and at several sizes."""

from __future__ import annotations

import numpy as np

from fieldscore.simulate.model import CameraModel, FlightPlan
from fieldscore.simulate.raster import Array, Image, shrink
from fieldscore.simulate.things import build_world
from fieldscore.simulate.world import Light, Quad


class Lens:
    """Pinhole and barrel distortion: the ray through a pixel at radius r (focal lengths) leaves at r (1 +
    barrel r^2)."""

    def __init__(self, plan: FlightPlan, camera: CameraModel) -> None:
        """Fit the focal length so that the picture's width spans the camera's field of view."""
        self.width, self.height, self.barrel = plan.width, plan.height, camera.barrel
        edge = np.array([np.tan(np.deg2rad(camera.hfov_deg) / 2.0)])
        self.focal = plan.width / 2.0 / float(self._radius(edge)[0])
        self.focal_y = self.focal * plan.sample_aspect
        self._rays: dict[tuple[int, int], tuple[Image, Image]] = {}

    def _radius(self, ray: Array) -> Array:
        """Radius on the sensor of a ray's radius, both in focal lengths (Newton on r + barrel r^3)."""
        k = self.barrel
        r = np.minimum(ray, np.cbrt(ray / k)) if k > 0.0 else ray
        for _ in range(10):
            r = r - (r + k * r**3 - ray) / (1.0 + 3.0 * k * r * r)
        return r

    def rays(self, line_step: int, first_line: int) -> tuple[Image, Image]:
        """Ray slopes right and down of every pixel (h, w) of the lines first_line, first_line + line_step,
        ..."""
        key = (line_step, first_line)
        if key not in self._rays:
            x = (np.arange(self.width) + 0.5 - self.width / 2) / self.focal
            y = (np.arange(first_line, self.height, line_step) + 0.5 - self.height / 2) / self.focal_y
            bend = 1.0 + self.barrel * (x[None, :] ** 2 + y[:, None] ** 2)
            self._rays[key] = ((x * bend).astype(np.float32), (y[:, None] * bend).astype(np.float32))
        return self._rays[key]

    def project(self, points: Array) -> Array:
        """Full-frame pixel places (n, 2) of points (n, 3) in camera axes: right, down, forward."""
        ray = points[:, :2] / np.maximum(points[:, 2:], 1e-6)
        radius = np.maximum(np.hypot(ray[:, 0], ray[:, 1]), 1e-9)
        place = ray * (self._radius(radius) / radius)[:, None] * np.array([self.focal, self.focal_y])
        return np.asarray(place + np.array([self.width / 2, self.height / 2]))


def toward_sun(light: Light) -> Array:
    """Unit vector toward the sun."""
    a, e = np.deg2rad([light.sun_azimuth_deg, light.sun_elevation_deg])
    return np.array([np.cos(a) * np.cos(e), np.sin(a) * np.cos(e), np.sin(e)])


class Stage:
    """World, lens, and the things of the world lit once for all pictures."""

    def __init__(self, plan: FlightPlan, camera: CameraModel) -> None:
        """Build the world of the plan and light its things."""
        self.plan, self.camera = plan, camera
        self.world = build_world(plan)
        self.lens = Lens(plan, camera)
        quads = self.world.quads
        self.corners = np.stack(
            [np.stack([q.base, q.base + q.across, q.base + q.across + q.up, q.base + q.up]) for q in quads]
        )
        self.billboard = np.array([q.billboard for q in quads])
        self.two_sided = np.array([q.two_sided or q.billboard for q in quads])
        self.width = np.array([float(np.linalg.norm(q.across)) for q in quads])
        self.lamp_share = np.ones(len(quads))  # of a thing's light, for lamps that flicker
        self.lit = [self._light_quad(i, q) for i, q in enumerate(quads)]

    def _light_quad(self, number: int, quad: Quad) -> list[tuple[Image, Image]]:
        """Lit and unlit textures of a thing at falling sizes, each (h, w, 2): light or reflectance, and
        coverage."""
        h, w = quad.albedo.shape[:2]
        if quad.glow:
            lit = (quad.albedo * np.array([quad.glow, 1.0])).astype(np.float32)
        else:
            v = (np.arange(h)[::-1, None] + 0.5) / h
            u = (np.arange(w)[None, :] + 0.5) / w - 0.5 * quad.billboard
            place = quad.base + u[..., None] * quad.across + v[..., None] * quad.up
            fall = self.world.lamp_light(place[..., 0], place[..., 1], place[..., 2], abs(quad.up[2]) < 1e-9)
            sky = self._sky_light(quad)
            self.lamp_share[number] = float(fall.mean() / (fall.mean() + sky))
            lit = (quad.albedo * np.stack([fall + sky, np.ones_like(fall)], axis=2)).astype(np.float32)
        levels, albedo = [(lit, quad.albedo)], quad.albedo
        while min(h, w) >= 2 and max(h, w) > 3:
            h, w = max(h // 2, 1), max(w // 2, 1)
            lit, albedo = shrink(lit, (w, h)), shrink(albedo, (w, h))
            levels.append((lit, albedo))
        return levels

    def _sky_light(self, quad: Quad) -> float:
        """Light of sky and sun on a thing; upright ones see half the sky."""
        light = self.world.light
        if not light.sun:
            return 0.74 * light.ambient
        normal = np.cross(quad.across, quad.up)
        side = float(normal @ toward_sun(light)) / float(np.linalg.norm(normal))
        return (0.62 + 0.7 * (0.3 if quad.billboard else max(side, 0.0))) * light.ambient
