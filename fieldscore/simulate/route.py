"""The way through the world: route geometry by arc length, and the pose of the camera at any instant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldscore.simulate.model import FlightPlan

Array = npt.NDArray[np.float64]

STEP_M = 0.05  # arc-length table step; far below what a camera at 2 m resolves
GROUND_HEIGHT_M = 0.35  # lens height standing on a take-off box
CLIMB_S = 1.4  # take-off and landing ramps
GRAVITY = 9.81  # m/s^2
PACE_STEP_S = 1.0 / 240.0


@dataclass(frozen=True)
class Pose:
    """Camera position (m) and its axes as rows right, down, forward in world axes (east, north, up)."""

    position: Array
    axes: Array
    along_m: float


class Route:
    """A path over the ground by arc length. "lap" and "yard" are closed, "lane" is open."""

    def __init__(self, name: str) -> None:
        """`name`: one of `model.ROUTES`."""
        self.closed = name != "lane"
        turn = np.linspace(0.0, 2.0 * np.pi, 6001)
        if name == "lap":
            radius = 17.5 * (1.0 + 0.20 * np.cos(2 * turn + 0.4) + 0.10 * np.cos(3 * turn - 1.1))
            points = np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=1)
        elif name == "yard":
            points = np.stack(
                [
                    19.0 * np.sin(turn) + 3.0 * np.sin(2 * turn),
                    12.0 * np.sin(2 * turn + 0.5) + 9.0 * np.cos(turn),
                ],
                axis=1,
            )
        else:
            x = np.linspace(-55.0, 200.0, 6001)
            points = np.stack([x, -9.0 + 5.0 * np.sin(x / 17.0) + 1.5 * np.sin(x / 6.1 + 1.0)], axis=1)
        seg = np.hypot(*np.diff(points, axis=0).T)
        arc = np.concatenate([[0.0], np.cumsum(seg)])
        self.length_m = float(arc[-1])
        self._s = np.arange(0.0, self.length_m, STEP_M)
        self._x = np.interp(self._s, arc, points[:, 0])
        self._y = np.interp(self._s, arc, points[:, 1])
        heading = np.unwrap(np.arctan2(np.gradient(self._y), np.gradient(self._x)))
        # The camera looks where the path goes over the next metres, as a pilot turns in ahead of the bend.
        self._heading = self._smooth(heading, 1.5)
        self._curvature = self._smooth(np.gradient(self._heading) / STEP_M, 3.0)

    def _smooth(self, values: Array, length_m: float) -> Array:
        n = int(length_m / STEP_M) | 1
        if self.closed:
            lap_turn = np.round((values[-1] - values[0]) / (2 * np.pi)) * 2 * np.pi
            padded = np.concatenate([values[-n:] - lap_turn, values, values[:n] + lap_turn])
        else:
            padded = np.pad(values, n, mode="edge")
        kernel = np.hanning(n + 2)[1:-1]
        return np.convolve(padded, kernel / kernel.sum(), mode="same")[n:-n]

    def wrap(self, along_m: float) -> float:
        """Distance along the route, brought into one lap (closed) or kept inside (open)."""
        return along_m % self.length_m if self.closed else min(max(along_m, 0.0), self.length_m - STEP_M)

    def at(self, along_m: float) -> tuple[Array, float, float]:
        """Point (m), heading (rad, from east to north) and curvature (1/m) there."""
        i = min(int(self.wrap(along_m) / STEP_M), self._s.size - 1)
        j = (i + 1) % self._s.size if self.closed else min(i + 1, self._s.size - 1)
        f = self.wrap(along_m) / STEP_M - i
        point = np.array([self._x[i] * (1 - f) + self._x[j] * f, self._y[i] * (1 - f) + self._y[j] * f])
        turn = (self._heading[j] - self._heading[i] + np.pi) % (2 * np.pi) - np.pi
        return point, float(self._heading[i] + f * turn), float(self._curvature[i])

    def distance_m(self, x: Array, y: Array) -> Array:
        """Distance of points from the route (m)."""
        px, py = self._x[::10], self._y[::10]
        return np.asarray(np.sqrt(((x[..., None] - px) ** 2 + (y[..., None] - py) ** 2).min(axis=-1)))


class _Wobble:
    """A smooth random angle: a few sines, 0.3 to 5 Hz, falling with frequency."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.hz = np.array([0.31, 0.73, 1.3, 2.2, 4.9]) * rng.uniform(0.85, 1.15, 5)
        self.phase = rng.uniform(0, 2 * np.pi, 5)
        self.weight = np.array([1.0, 0.7, 0.4, 0.22, 0.08])

    def at(self, time_s: float) -> float:
        """Value of the wobble at a time (s)."""
        return float(np.sum(self.weight * np.sin(2 * np.pi * self.hz * time_s + self.phase)))


class Flightpath:
    """The pose of the camera at any instant of a plan."""

    def __init__(self, plan: FlightPlan) -> None:
        """Draw the wobble and the pace of this flight from its seed."""
        self.plan = plan
        self.route = Route(plan.route)
        rng = np.random.default_rng([plan.seed, 11])
        self._yaw, self._pitch, self._roll, self._height, self._side = (_Wobble(rng) for _ in range(5))
        t = np.arange(0.0, plan.duration_s + 1.0, PACE_STEP_S)
        pace = 1.0 + plan.speed_variation * np.sin(2 * np.pi * rng.uniform(0.05, 0.12) * t + rng.uniform(0, 6.28))
        self._time = t
        self._speed = plan.speed_m_s * pace * np.array([self.airborne(float(v)) for v in t])
        self._along = plan.start_m + np.concatenate([[0.0], np.cumsum(self._speed[:-1]) * PACE_STEP_S])

    def airborne(self, time_s: float) -> float:
        """0 on the ground, 1 at full height, a smooth ramp between."""
        begin, end = self.plan.airtime_s
        up = np.clip((time_s - begin) / CLIMB_S, 0.0, 1.0)
        down = np.clip((end - time_s) / CLIMB_S, 0.0, 1.0)
        ramp = min(up, down)
        return float(ramp * ramp * (3.0 - 2.0 * ramp))

    def speed_m_s(self, time_s: float) -> float:
        """Speed along the route."""
        return float(np.interp(time_s, self._time, self._speed))

    def pose(self, time_s: float) -> Pose:
        """Where the camera is and looks at `time_s`."""
        plan, air = self.plan, self.airborne(time_s)
        along = float(np.interp(time_s, self._time, self._along))
        speed = float(np.interp(time_s, self._time, self._speed))
        point, heading, curvature = self.route.at(along)
        side = plan.lateral_offset_m + 0.25 * air * self._side.at(time_s)
        left = np.array([-np.sin(heading), np.cos(heading)])
        height = GROUND_HEIGHT_M + air * (plan.altitude_m - GROUND_HEIGHT_M + 0.12 * self._height.at(time_s))
        wobble = np.deg2rad(plan.wobble_deg) * air
        yaw = heading + wobble * self._yaw.at(time_s)
        pitch = np.deg2rad(plan.tilt_deg) * air + wobble * self._pitch.at(time_s)
        bank = np.clip(-0.7 * np.arctan(speed**2 * curvature / GRAVITY), -0.6, 0.6)
        roll = np.deg2rad(plan.roll_deg) + air * bank + wobble * self._roll.at(time_s)
        position = np.array([*(point - side * left), height])
        return Pose(position, _axes(yaw, pitch, roll), self.route.wrap(along) if self.route.closed else along)


def _axes(yaw: float, pitch: float, roll: float) -> Array:
    forward = np.array([np.cos(pitch) * np.cos(yaw), np.cos(pitch) * np.sin(yaw), np.sin(pitch)])
    right = np.array([np.sin(yaw), -np.cos(yaw), 0.0])
    down = np.cross(forward, right)
    c, s = np.cos(roll), np.sin(roll)
    return np.stack([c * right + s * down, -s * right + c * down, forward])
