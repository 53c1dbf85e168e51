"""A whole flight: world, camera, chain, clip and truth, one instant after another."""

from __future__ import annotations

from dataclasses import asdict
from fractions import Fraction
from functools import lru_cache
from operator import itemgetter
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.simulate.camera import ExposureLoop, NoiseTables, Sensor
from fieldscore.simulate.canvas import Light, Moment, Scene, draw
from fieldscore.simulate.chain import Mask, Overlay, Planes, Recorder
from fieldscore.simulate.model import CameraModel, Chain, Flash, FlightPlan, LinkLoss
from fieldscore.simulate.raster import Array, Image, shrink
from fieldscore.simulate.route import Flightpath
from fieldscore.simulate.stage import Stage
from fieldscore.simulate.truth import (
    OBJECT_CONTRAST,
    OBJECT_SIZE_PX,
    PERCENTILES,
    TILE_COLUMNS,
    TILE_ROWS,
    TrueEvent,
    Truth,
    edge_recovery,
)
from fieldscore.units import to_linear
from fieldscore.video import ClipWriter

NEAR_END_CODES = 2  # compression wobbles, so the ends of the range are taken so wide
TINT_LIMIT_PERCENT = 25.0  # tiles darker than this make the cast in the dark
EVERY_PIXEL_WIDTH = 400  # wider pictures give their expected levels and noise on every second pixel and line
SHUTTER_SAMPLES = 16  # of a torch's edge within one exposure
COLUMNS = (
    "time_s",
    "exposure_stops",
    "gain",
    "along_m",
    "level_percent",
    *(f"p{p}_percent" for p in PERCENTILES),
    "clipped_percent",
    "crushed_percent",
    "clean_percent",
    "link",
    "lamp_in_view",
    "lamp_number",
    "lamp_radius_percent",
    "veil_light",
)


def torch_light(flash: Flash, time_s: float, window_s: float) -> float:
    """Share of its full light that a torch gives a picture whose exposure of `window_s` ends at `time_s`."""
    t = time_s + window_s * ((np.arange(SHUTTER_SAMPLES) + 0.5) / SHUTTER_SAMPLES - 1.0)
    lit = np.clip((t - flash.on_s) / flash.rise_time_s, 0.0, 1.0)
    if flash.off_s is not None:
        lit = lit * np.clip(1.0 - (t - flash.off_s) / flash.rise_time_s, 0.0, 1.0)
    return float(lit.mean())


class _Ledger:
    """Collects the truth while the clip is made."""

    def __init__(self, sim: _Simulation) -> None:
        self.sim = sim
        self.rows: list[list[float]] = []
        self.tiles: list[tuple[int, Array, Array, Array, Array, Array]] = []

    def exposure(self, scene: Scene, instant: int, gain: float, tables: NoiseTables) -> float:
        """Expected level (% of nominal) of the picture; and the tile rows when this instant has them."""
        sim = self.sim
        index = sim.sensor.coarse_index(scene.light[:: sim.stride, :: sim.stride], gain)
        mean = np.take(tables.mean, index)
        free = sim.free[instant % sim.fields][:: sim.stride, :: sim.stride]
        black, white = sim.chain.nominal
        if instant % sim.tile_every == 0:
            self._tile_rows(instant, index, mean, free, tables)
        return float(100.0 * (mean[free].mean() - black) / (white - black))

    def _tile_rows(
        self, instant: int, index: npt.NDArray[np.uint16], mean: Image, free: Mask, tables: NoiseTables
    ) -> None:
        sim = self.sim
        width, lines = sim.object_px
        inner = tuple(slice(-(-s.start // sim.stride), -(-s.stop // sim.stride)) for s in sim.inner)
        cover = tile_means(free.astype(np.float32)[inner])
        weigh = np.maximum(cover, 1e-6)

        def over(values: Image) -> Array:
            return tile_means((values * free)[inner]) / weigh

        variance = over(np.take(tables.variance, index))
        sigma = np.sqrt(sim.recorder.noise_variance(variance))
        block = np.sqrt(sim.recorder.block_variance(variance, width, lines))
        step = over(np.take(tables.step, index))
        black, white = sim.chain.nominal
        level = 100.0 * (over(mean) - black) / (white - black)
        for values in (sigma, step, level):
            values[cover < 0.02] = np.nan
        self.tiles.append(
            (instant, step / sigma * np.sqrt(width * lines), step / block, sigma, level, np.full(2, np.nan))
        )

    def cast(self, planes: Planes) -> None:
        """log2 R/G and B/G of the mean of the dark tiles, as the uncompressed planes have it (BT.601, sRGB
        curve)."""
        _, _, _, _, level, cast = self.tiles[-1]
        dark = (level < TINT_LIMIT_PERCENT) & ~self.sim.cnr_mask
        if not dark.any():
            return
        inner, chain = self.sim.inner, self.sim.chain
        means = [
            float(_plane_tiles(plane, planes.luma, inner)[dark].mean()) for plane in (planes.luma, planes.cb, planes.cr)
        ]
        black, white = chain.nominal
        y = (means[0] - black) / (white - black)
        span = 255.0 if chain.full_range else 224.0
        blue, red = y + 1.772 * (means[1] - 128.0) / span, y + 1.402 * (means[2] - 128.0) / span
        green = (y - 0.299 * red - 0.114 * blue) / 0.587
        r, g, b = (float(to_linear(np.array(v), "srgb")) for v in (red, green, blue))
        if min(r, g, b) > 0.0:
            cast[:] = np.log2(r / g), np.log2(b / g)

    def row(self, planes: Planes, link: bool, head: list[float], tail: list[float]) -> None:
        """Add one instant: levels from the coded luma, where the picture is there; `head` and `tail` go about
        them."""
        sim = self.sim
        parity = len(self.rows) % sim.fields
        levels = [float("nan")] * (len(PERCENTILES) + 3)
        if not link and self.tiles[-1][0] == len(self.rows):
            for values in self.tiles[-1][1:]:
                np.asarray(values)[...] = np.nan
        if link:
            counts = cv2.calcHist([planes.luma], [0], sim.free_u8[parity], [256], [0, 256]).ravel().astype(np.float64)
            levels = picture_levels(counts, sim.chain.nominal, sim.sensor.ends)
        self.rows.append([*head, *levels, *tail])


def picture_levels(counts: Array, nominal: tuple[float, float], ends: tuple[int, int]) -> list[float]:
    """Level %, percentiles %, clipped % and crushed % from the counts (256) of the picture's codes."""
    total, codes = counts.sum(), np.arange(256.0)
    black, white = nominal
    percent = 100.0 / (white - black)
    cumulated = np.cumsum(counts)
    ranks = [float(np.searchsorted(cumulated, p / 100.0 * total)) for p in PERCENTILES]
    clipped = counts[ends[1] - NEAR_END_CODES :].sum() / total
    crushed = counts[: ends[0] + NEAR_END_CODES + 1].sum() / total
    return [
        float((counts @ codes / total - black) * percent),
        *((r - black) * percent for r in ranks),
        float(100.0 * clipped),
        float(100.0 * crushed),
    ]


@lru_cache(maxsize=8)
def shading(shape: tuple[int, ...], stops: float, aspect: float) -> Image:
    """Share [rows, columns] of the light that a lens leaves: all in the middle, `stops` less in the corners.

    Falls off as natural illumination does, by the fourth power of the cosine of an angle. `aspect`: width over height.
    """
    rows, columns = shape
    y, x = (np.arange(rows) + 0.5) / rows * 2.0 - 1.0, (np.arange(columns) + 0.5) / columns * 2.0 - 1.0
    corner = 2.0 ** (stops / 2.0) - 1.0  # square of the tangent of that angle in the corners
    square = ((aspect * x[None, :]) ** 2 + y[:, None] ** 2) / (aspect**2 + 1.0)
    return np.asarray((1.0 + corner * square) ** -2.0, dtype=np.float32)


def tile_means(part: Image) -> Array:
    """Means over 12 x 16 tiles of a picture."""
    return shrink(part, (TILE_COLUMNS, TILE_ROWS)).astype(np.float64)


def _plane_tiles(plane: npt.NDArray[np.uint8], luma: npt.NDArray[np.uint8], inner: tuple[slice, slice]) -> Array:
    """Tile means of a plane that may be smaller than its luma."""
    down, across = luma.shape[0] // plane.shape[0], luma.shape[1] // plane.shape[1]
    rows, columns = inner
    part = plane[rows.start // down : rows.stop // down, columns.start // across : columns.stop // across]
    return tile_means(part.astype(np.float32))


class _Simulation:
    """The parts of one run, made once."""

    def __init__(self, plan: FlightPlan, camera: CameraModel, chain: Chain, tile_every: int) -> None:
        self.plan, self.camera, self.chain, self.tile_every = plan, camera, chain, tile_every
        self.fields = 2 if chain.interlaced else 1
        self._aspect = plan.width * plan.sample_aspect / plan.height
        self.path = Flightpath(plan)
        self.stage = Stage(plan, camera)
        self.sensor = Sensor(camera, chain.codes)
        self.recorder = Recorder(camera, chain, self.sensor.ends)
        self.overlay = Overlay(plan, chain, self.path.speed_m_s)
        self.interval_s = 1.0 / plan.frame_rate / self.fields
        self.rng = np.random.default_rng([plan.seed, 23, *([plan.noise_seed] if plan.noise_seed else [])])
        self._masks()
        h = plan.height // self.fields
        self.loop = ExposureLoop(camera, self.interval_s, (h // 8, plan.width // 8))

    def _masks(self) -> None:
        plan = self.plan
        top, bottom, left, right = self.chain.border_px
        inside = np.zeros((plan.height, plan.width), np.bool_)
        inside[top : plan.height - bottom, left : plan.width - right] = True
        free = inside & ~self.overlay.mask
        self.free = [np.ascontiguousarray(free[p :: self.fields]) for p in range(self.fields)]
        self.free_u8 = [f.astype(np.uint8) for f in self.free]
        step = self.fields
        self.inner = (slice(-(-top // step), (plan.height - bottom) // step), slice(left, plan.width - right))
        self.stride = 2 if plan.width > EVERY_PIXEL_WIDTH else 1
        part = free[top : plan.height - bottom, left : plan.width - right].astype(np.float32)
        share = shrink(part, (TILE_COLUMNS, TILE_ROWS))
        self.cnr_mask = np.asarray(share < 0.5)

    @property
    def object_px(self) -> tuple[float, float]:
        """Width and lines of the reference object in one instant: 8 x 8 at 480 lines; a field has half its
        lines."""
        side = OBJECT_SIZE_PX * self.plan.height / 480.0
        return side, side / self.fields

    def scene(self, time_s: float, gain: float, parity: int) -> Scene:
        """Light on the sensor for the picture whose exposure ends at `time_s`."""
        window = self.interval_s * min(gain, 1.0)
        samples = self.camera.blur_samples
        scene = self._sharp(time_s, window, 0.0, parity)
        for k in range(1, samples):
            other = self._sharp(time_s, window, window * k / samples, parity)
            scene.light += other.light
            scene.small += other.small
        if samples > 1:
            scene.light /= samples
            scene.small /= samples
        if self.plan.rain:
            self._rain(scene)
        if self.camera.shading_stops:
            for picture in (scene.light, scene.small):
                picture *= shading(picture.shape, self.camera.shading_stops, self._aspect)
        return scene

    def _sharp(self, time_s: float, window: float, earlier_s: float, parity: int) -> Scene:
        """The scene as seen `earlier_s` before the end of an exposure, under that exposure's mean of torch
        and lamps."""
        plan = self.plan
        torch, facing = 0.0, []
        for flash in plan.flashes:
            share = torch_light(flash, time_s, window)
            if share > 0.0 and flash.kind == "fill":
                torch += share * flash.strength
            elif share > 0.0:
                slopes = np.tan(np.deg2rad([flash.bearing_deg, -flash.rise_deg]))
                facing.append((float(slopes[0]), float(slopes[1]), share * flash.strength))
        swing = 2.0 * np.pi * plan.lamp_flicker_hz * (time_s - window / 2.0)
        flicker = plan.lamp_flicker * float(np.cos(swing) * np.sinc(plan.lamp_flicker_hz * window))
        pose = self.path.pose(max(time_s - earlier_s, 0.0))
        return draw(self.stage, Moment(pose, self.fields, parity, torch, tuple(facing), flicker))

    def _rain(self, scene: Scene) -> None:
        """Drops near the lens: short bright streaks, other ones in each picture."""
        h, w = scene.light.shape
        bright = 1.5 * float(scene.light.mean())
        for _ in range(int(self.rng.poisson(40.0 * self.plan.rain))):
            x, y = int(self.rng.integers(0, w)), int(self.rng.integers(0, h))
            fall = int(self.rng.integers(4, 16)) * h // 480 + 2
            lean = int(self.rng.integers(-2, 3))
            cv2.line(scene.light, (x, y), (x + lean, y + fall // self.fields), bright, 1)

    def loss_at(self, time_s: float) -> LinkLoss | None:
        """The loss in force, if any."""
        return next((k for k in self.chain.link_losses if k.from_s - 1e-9 <= time_s < k.to_s - 1e-9), None)


def simulate(plan: FlightPlan, camera: CameraModel, chain: Chain, path: Path, *, tile_every: int = 1) -> Truth:
    """Fly the plan with a camera, record it to `path` and return what is known about the clip.

    The truth is also written beside the clip (NAME.truth.json, NAME.truth.npz). `tile_every`: every so many
    instants have tile rows in it. The same arguments give the same bytes with the same libraries. Raises
    ValueError for a chain it cannot make (pixel format, lines of an interlaced picture).
    """
    if chain.interlaced and plan.height % 16:
        raise ValueError(f"interlaced picture of {plan.height} lines; expected a multiple of 16")
    sim = _Simulation(plan, camera, chain, tile_every)
    ledger = _Ledger(sim)
    frames = round(plan.duration_s * plan.frame_rate)
    first = sim.scene(0.0, 1.0, 0)
    sim.loop.settle(first.small)
    with ClipWriter(path, plan.width, plan.height, rate_fraction(plan.frame_rate), chain.encoding) as writer:
        for frame in range(frames):
            parts = [_instant(sim, ledger, frame * sim.fields + p) for p in range(sim.fields)]
            writer.write(_weave(parts))
    truth = _close(sim, ledger)
    truth.save(path)
    return truth


def rate_fraction(frame_rate: float) -> Fraction:
    """30 to 30/1, 29.97 to 30000/1001 and so on."""
    whole = Fraction(frame_rate).limit_denominator(1)
    ntsc = Fraction(round(frame_rate) * 1000, 1001)
    return ntsc if abs(float(ntsc) - frame_rate) < abs(float(whole) - frame_rate) else whole


def _instant(sim: _Simulation, ledger: _Ledger, instant: int) -> Planes:
    time_s, parity = instant * sim.interval_s, instant % sim.fields
    gain = sim.loop.gain_at(time_s)
    scene = sim.scene(time_s, gain, parity)
    tables = sim.sensor.tables(gain, OBJECT_CONTRAST)
    clean = ledger.exposure(scene, instant, gain, tables)
    codes = sim.sensor.expose(scene.light, gain, sim.rng)
    typical = float(np.sqrt(np.take(tables.variance, sim.sensor.coarse_index(scene.small, gain)).mean()))
    overlay = sim.overlay.at(time_s)[parity :: sim.fields]
    planes = sim.recorder.record(codes, scene.tint, typical, overlay, sim.rng)
    if instant % sim.tile_every == 0:
        ledger.cast(planes)
    loss = sim.loss_at(time_s)
    out = sim.recorder.lose(planes, loss, parity, sim.rng)
    sim.recorder.borders(out, sim.fields)
    lamps = _lamps_at_ceiling(sim, scene, gain)
    head = [time_s, float(np.log2(gain)), gain, sim.path.pose(time_s).along_m]
    number, radius = max(
        ((one.number, one.radius) for one in lamps if one.number >= 0), key=itemgetter(1), default=(-1, 0.0)
    )
    about = [float(len(lamps)), float(number), 100.0 * radius, scene.veil]
    ledger.row(out, loss is None, head, [clean, float(loss is None), *about])
    sim.loop.meter(scene.small, gain)
    return out


def _lamps_at_ceiling(sim: _Simulation, scene: Scene, gain: float) -> list[Light]:
    light = np.array([[scene.light[int(one.y), int(one.x)] * gain for one in scene.lamps]], np.float32)
    if not scene.lamps:
        return []
    hot = sim.sensor.codes(light)[0] >= sim.sensor.ends[1] - NEAR_END_CODES
    return [one for one, at_end in zip(scene.lamps, hot.tolist(), strict=True) if at_end]


def _weave(parts: list[Planes]) -> list[npt.NDArray[np.uint8]]:
    """Two fields to one frame, line by line; a whole frame as it is."""
    if len(parts) == 1:
        return [parts[0].luma, parts[0].cb, parts[0].cr]
    out = []
    for name in ("luma", "cb", "cr"):
        top, bottom = (getattr(p, name) for p in parts)
        woven = np.empty((top.shape[0] * 2, top.shape[1]), np.uint8)
        woven[0::2], woven[1::2] = top, bottom
        out.append(woven)
    return out


def _close(sim: _Simulation, ledger: _Ledger) -> Truth:
    table = np.array(ledger.rows)
    columns = {name: table[:, i] for i, name in enumerate(COLUMNS)}
    columns["exposure_stops"] = columns["exposure_stops"] - columns["exposure_stops"][0]
    index, cnr, block, noise, level, cast = (np.array(part) for part in zip(*ledger.tiles, strict=True))
    chain, plan = sim.chain, sim.plan
    return Truth(
        meta={"plan": asdict(plan), "camera": asdict(sim.camera), "chain": asdict(chain)},
        floor_code=sim.sensor.ends[0], ceiling_code=sim.sensor.ends[1], frame_rate=plan.frame_rate,
        interlaced=chain.interlaced, airtime_s=plan.airtime_s, border_px=chain.border_px,
        overlay=sim.overlay.mask,
        columns=columns, tile_index=index.astype(np.int64), cnr=cnr, cnr_block=block, noise_codes=noise,
        tile_level_percent=level,
        cast_stops=cast, cnr_mask=sim.cnr_mask, events=_events(sim, columns),
    )  # fmt: skip


def _events(sim: _Simulation, columns: dict[str, Array]) -> list[TrueEvent]:
    plan, (black, white) = sim.plan, sim.chain.nominal
    edges = [(f.on_s, "flash_on", f.rise_time_s) for f in plan.flashes]
    edges += [(f.off_s, "flash_off", f.rise_time_s) for f in plan.flashes if f.off_s is not None]
    edges = sorted(e for e in edges if e[0] < plan.duration_s)
    floor_percent = 100.0 * (sim.sensor.ends[0] - black) / (white - black)
    above = columns["clean_percent"] - floor_percent
    events = []
    for k, (at, kind, rise) in enumerate(edges):
        until = edges[k + 1][0] if k + 1 < len(edges) else plan.duration_s + 1e-6
        middle = at + rise / 2.0  # an edge stands where half the light is there
        recovery, settled, reason = edge_recovery(columns["time_s"], above, middle, until)
        events.append(TrueEvent(kind, middle, recovery, settled, reason))
    return events
