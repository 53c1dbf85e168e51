"""What stands about on the allotments: lamps, poles, gates, sheds, trees, bean rows, hedges."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from fieldscore.simulate.model import FlightPlan
from fieldscore.simulate.raster import Array, Image
from fieldscore.simulate.world import LAMP_DISC_M, LAMP_OF_PANE, Quad, World, pink

GATES = 5
GATE_OPENING_M = 1.9
CLEAR_OF_ROUTE_M = 1.9
UP = np.array([0.0, 0.0, 1.0])


def build_world(plan: FlightPlan) -> World:
    """The world of a plan with everything put up; plans that share a world get the very same one."""
    return _built(
        FlightPlan(
            seed=0,
            world_seed=plan.world_seed,
            route=plan.route,
            scene=plan.scene,
            lamps=plan.lamps,
            lamp_power=plan.lamp_power,
        )
    )


@lru_cache(maxsize=4)
def _built(plan: FlightPlan) -> World:
    """Put everything up, cast its shadows, and bring ground and light together."""
    world = World(plan)
    rng = np.random.default_rng([plan.world_seed, 5])
    _lamps(world)
    _poles(world, rng)
    _gates(world, rng)
    _sheds(world, rng)
    _bean_rows(world, rng)
    _trees(world, rng)
    world.pyramids()
    return world


def _solid(reflectance: Image) -> Image:
    """Fully covering texture from reflectances, with a see-through rim of one texel against jagged edges."""
    cover = np.zeros((reflectance.shape[0] + 2, reflectance.shape[1] + 2), np.float32)
    cover[1:-1, 1:-1] = 1.0
    inner = np.pad(reflectance, 1, mode="edge")
    return np.stack([inner * cover, cover], axis=2).astype(np.float32)


def _stripes(rng: np.random.Generator, bands: int, bright: float) -> Image:
    band = (np.arange(64) * bands // 64) % 2
    column = np.where(band[:, None] == 1, 0.06, bright) * np.exp(0.08 * rng.standard_normal((64, 6)))
    return np.asarray(column, dtype=np.float32)


def _span(world: World) -> float:
    return world.route.length_m if world.route.closed else 180.0


def _lamps(world: World) -> None:
    yy, xx = np.mgrid[-1.0:1.0:32j, -1.0:1.0:32j]
    disc = np.clip((LAMP_OF_PANE - np.hypot(xx, yy)) * 12.0, 0.0, 1.0)
    glass = np.stack([disc, disc], axis=2).astype(np.float32)
    post = _solid(np.full((40, 4), 0.22, np.float32))
    for i, (x, y, z) in enumerate(world.lamps):
        foot = np.array([x, y, 0.0])
        world.quads.append(Quad(foot, np.array([0.13, 0, 0]), UP * z, post, billboard=True))
        size = 2 * LAMP_DISC_M
        world.quads.append(
            Quad(
                np.array([x, y, z - LAMP_DISC_M]),
                np.array([size, 0, 0]),
                UP * size,
                glass,
                tint=(1.25, 0.55),
                billboard=True,
                lamp=i,
                glow=world.light.lamp_disc,
            )
        )


def _poles(world: World, rng: np.random.Generator) -> None:
    """Slender poles close to the line, striped like slalom sticks: what a pilot must see in time."""
    for along in np.arange(4.0, _span(world), 5.2):
        point, heading, _ = world.route.at(float(along))
        side = rng.choice(np.array([-1.0, 1.0])) * rng.uniform(2.0, 4.2)
        foot = np.array([point[0] - side * np.sin(heading), point[1] + side * np.cos(heading), 0.0])
        height = rng.uniform(2.0, 4.2)
        paint = _solid(_stripes(rng, int(rng.integers(4, 9)), rng.uniform(0.35, 0.7)))
        tint = (1.5, 0.7) if rng.random() < 0.5 else (1.0, 0.9)
        world.quads.append(Quad(foot, np.array([0.11, 0, 0]), UP * height, paint, tint, billboard=True))
        world.shadow(foot[0], foot[1], 0.25, 0.4)


def _gates(world: World, rng: np.random.Generator) -> None:
    """Square frames over the route; one every fifth of it."""
    outer = GATE_OPENING_M + 0.5
    n = 96
    edge = int(n * 0.25 / outer)
    frame = np.zeros((n, n, 2), np.float32)
    checks = 0.18 + 0.5 * (np.add.outer(np.arange(n) // 12, np.arange(n) // 12) % 2)
    frame[..., 0], frame[..., 1] = checks, 1.0
    frame[edge : n - edge, edge : n - edge] = 0.0
    frame[[0, -1]] = 0.0
    frame[:, [0, -1]] = 0.0
    for i in range(GATES):
        point, heading, _ = world.route.at((i + 0.8) * _span(world) / GATES)
        across = np.array([np.sin(heading), -np.cos(heading), 0.0]) * outer
        foot = np.array([point[0], point[1], 1.15]) - across / 2
        paint = (frame * np.array([rng.uniform(0.7, 1.2), 1.0])).astype(np.float32)
        world.quads.append(Quad(foot, across, UP * outer, paint, (1.35, 0.75), two_sided=True))
        for end in (foot, foot + across):
            leg = _solid(np.full((24, 3), 0.15, np.float32))
            world.quads.append(
                Quad(np.array([end[0], end[1], 0.0]), np.array([0.08, 0, 0]), UP * 1.2, leg, billboard=True)
            )


def _sites(world: World, rng: np.random.Generator, count: int, reach: float, clear: float) -> Array:
    """Random places at least `clear` m from the route, (n, 2)."""
    places = rng.uniform(-reach, reach, (count * 6, 2))
    places = places[world.route.distance_m(places[:, 0], places[:, 1]) > clear]
    return places[:count]


def _sheds(world: World, rng: np.random.Generator) -> None:
    for x, y in _sites(world, rng, 26, 46.0, CLEAR_OF_ROUTE_M + 2.6):
        w, d, h = rng.uniform(1.8, 4.0), rng.uniform(1.6, 2.8), rng.uniform(1.9, 2.8)
        turn = rng.choice(np.array([0.0, 0.05, -0.08, 1.57]))
        a = np.array([np.cos(turn), np.sin(turn), 0.0])
        b = np.array([-np.sin(turn), np.cos(turn), 0.0])
        base, shade = np.array([x, y, 0.0]), rng.uniform(0.12, 0.5)
        tint = [(1.2, 0.7), (0.85, 0.8), (1.0, 1.0), (1.3, 0.8)][int(rng.integers(0, 4))]
        for origin, across in (
            (base, a * w),
            (base + a * w, b * d),
            (base + a * w + b * d, -a * w),
            (base + b * d, -b * d),
        ):
            world.quads.append(Quad(origin, across, UP * h, _solid(_boards(rng, shade)), tint))
        roof = _solid((0.16 * np.exp(0.3 * pink(rng, (32, 32), 0.9))).astype(np.float32))
        world.quads.append(Quad(base + UP * h, a * w, b * d, roof, (1.1, 0.9)))
        centre = base + a * w / 2 + b * d / 2
        world.shadow(centre[0], centre[1], max(w, d) * 0.7, 0.6)


def _boards(rng: np.random.Generator, shade: float) -> Image:
    """A plank wall with a door or window."""
    wall = shade * (0.8 + 0.4 * rng.random((1, 16)))
    wall = np.repeat(np.repeat(wall, 64, axis=0), 4, axis=1) * np.exp(0.12 * pink(rng, (64, 64), 0.8))
    wall[:, ::4] *= 0.6
    left = int(rng.integers(8, 36))
    if rng.random() < 0.5:
        wall[18:, left : left + 18] = shade * 0.35
    else:
        wall[16:34, left : left + 20] = 0.04
        wall[16:34:17, left : left + 20] = 0.5
    return np.asarray(wall, dtype=np.float32)


def _bean_rows(world: World, rng: np.random.Generator) -> None:
    """Rows of thin sticks, and low hedges along some plots."""
    stick = _solid(np.full((24, 2), 0.3, np.float32))
    for x, y in _sites(world, rng, 14, 34.0, CLEAR_OF_ROUTE_M + 1.2):
        for k in range(5):
            if world.route.distance_m(np.array([x + 0.8 * k]), np.array([y]))[0] > CLEAR_OF_ROUTE_M:
                world.quads.append(
                    Quad(
                        np.array([x + 0.8 * k, y, 0.0]),
                        np.array([0.05, 0, 0]),
                        UP * rng.uniform(1.6, 2.1),
                        stick,
                        (1.2, 0.7),
                        billboard=True,
                    )
                )
    for x, y in _sites(world, rng, 12, 44.0, CLEAR_OF_ROUTE_M + 4.0):
        leaves = np.clip(0.13 * np.exp(0.6 * pink(rng, (48, 96), 0.7)), 0.02, 0.5).astype(np.float32)
        across = np.array([5.0, 0, 0]) if rng.random() < 0.5 else np.array([0, 5.0, 0])
        world.quads.append(Quad(np.array([x, y, 0.0]), across, UP * rng.uniform(0.9, 1.6), _solid(leaves), (0.8, 0.45)))


def _trees(world: World, rng: np.random.Generator) -> None:
    yy, xx = np.mgrid[-1.0:1.0:80j, -1.0:1.0:64j]
    for x, y in _sites(world, rng, 42, 60.0, CLEAR_OF_ROUTE_M + 2.4):
        outline = 0.78 + 0.16 * pink(rng, (80, 64), 1.2)
        crown = np.clip((outline - np.hypot(xx, 1.15 * (yy + 0.25))) * 9.0, 0.0, 1.0)
        cover = np.maximum(crown, ((np.abs(xx) < 0.06) & (yy > 0.2)).astype(np.float64))
        cover[:, [0, -1]] = 0.0
        cover[0] = 0.0
        leaf = np.clip(0.11 * np.exp(0.55 * pink(rng, (80, 64), 0.8)) * (1.0 - 0.4 * yy), 0.01, 0.5)
        size = rng.uniform(2.6, 6.5)
        paint = np.stack([leaf * cover, cover], axis=2).astype(np.float32)
        world.quads.append(
            Quad(
                np.array([x, y, 0.0]),
                np.array([size * 0.75, 0, 0]),
                UP * size,
                paint,
                (0.85, 0.5),
                billboard=True,
            )
        )
        world.shadow(x, y, size * 0.3, 0.55)
