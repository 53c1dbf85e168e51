"""The camera behind the lens: exposure loop, sensor noise, tone curve. Light in, code values out."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldscore.simulate.model import CameraModel
from fieldscore.simulate.raster import Array, Image, root

METER_POWER = 0.45  # cameras meter about what they show: light to a power near that of their curve
FINE = 65535  # steps of the curve's table, on a square-root axis: under 0.1 code apart even next to black
COARSE = 4095  # steps of the noise tables on the same axis
OVERFLOW = 4.0  # light beyond so many times full scale needs no exact figure: it is white with any noise
NODES = 41  # of the quadrature over the noise, out to 4.5 sigma


def _plain(camera: CameraModel, x: Array) -> Array:
    """The named curve alone, also beyond full scale, where only a shoulder brings it back."""
    if camera.tone_curve == "bt709":
        alpha, beta = 1.09929682680944, 0.018053968510807  # exact continuous constants of BT.709's curve
        return np.where(x < beta, 4.5 * x, alpha * np.maximum(x, beta) ** 0.45 - (alpha - 1.0))
    if camera.tone_curve == "srgb":  # IEC 61966-2-1, from memory
        return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 0.0031308) ** (1 / 2.4) - 0.055)
    return np.asarray(x ** (1.0 / camera.gamma))


def tone(camera: CameraModel, light: Array) -> Array:
    """Tone signal 0..1 for light on the sensor after gain (1 = full scale), curve, shoulder and pedestal
    included."""
    v = _plain(camera, np.clip(light, 0.0, camera.headroom))
    if camera.knee < 1.0:
        top = float(_plain(camera, np.array(camera.headroom)))
        slope = (top - camera.knee) / (1.0 - camera.knee)  # the shoulder leaves the knee with the curve's own slope
        above = np.clip((v - camera.knee) / (top - camera.knee), 0.0, 1.0)
        v = np.where(v > camera.knee, camera.knee + (1.0 - camera.knee) * (1.0 - (1.0 - above) ** slope), v)
    v = np.clip((v - camera.black_offset) / (1.0 - camera.black_offset), 0.0, 1.0)
    return np.asarray(camera.lifted_black + (1.0 - camera.lifted_black) * v)


@dataclass(frozen=True)
class NoiseTables:
    """Per step of light (square-root axis): mean code with noise, its variance, and the step of the reference
    object."""

    mean: Image
    variance: Image
    step: Image


class Sensor:
    """Turns light into codes under a gain, with noise; and knows exactly what noise it makes."""

    def __init__(self, camera: CameraModel, codes: tuple[float, float]) -> None:
        """`codes`: code values of tone signal 0 and 1."""
        self.camera = camera
        low, high = codes
        axis = np.linspace(0.0, 1.0, FINE + 1) ** 2 * camera.headroom
        self._curve = (low + (high - low) * tone(camera, axis)).astype(np.float32)
        self._coarse = (np.linspace(0.0, 1.0, COARSE + 1) ** 2 * OVERFLOW * camera.headroom).astype(np.float32)

    @property
    def ends(self) -> tuple[int, int]:
        """Code of no light and of full light: the floor and ceiling this chain really reaches."""
        return round(float(self._curve[0])), round(float(self._curve[-1]))

    def _index(self, light: Image, steps: int, top: float) -> npt.NDArray[np.uint16]:
        step = root(np.clip(light, 0.0, top))
        step *= np.float32(steps / np.sqrt(top))
        step += np.float32(0.5)
        return step.astype(np.uint16)

    def codes(self, light: Image) -> Image:
        """Code values, not rounded, of light after gain."""
        return np.asarray(np.take(self._curve, self._index(light, FINE, self.camera.headroom)))

    def sigma(self, light: Image, gain: float) -> Image:
        """Noise of light after gain: shot noise of its electrons and read noise, both amplified."""
        amplified = max(gain, 1.0)
        read = (amplified * self.camera.read_noise / self.camera.full_well) ** 2
        return root(
            np.maximum(light, np.float32(0.0)) * np.float32(amplified / self.camera.full_well) + np.float32(read)
        )

    def expose(self, light: Image, gain: float, rng: np.random.Generator) -> Image:
        """Codes with noise, not rounded; `light` in scene units."""
        x = np.minimum(light * np.float32(gain), np.float32(OVERFLOW * self.camera.headroom))
        noise = rng.standard_normal(x.shape, dtype=np.float32)
        noise *= self.sigma(x, gain)
        noise += x
        return self.codes(noise)

    def tables(self, gain: float, contrast: float) -> NoiseTables:
        """Mean and variance of the code at each light under this gain, by quadrature over the noise, clipping
        included."""
        z = np.linspace(-4.5, 4.5, NODES)
        weight = np.exp(-0.5 * z * z)
        weight /= weight.sum()
        x = self._coarse
        code = self.codes(x[:, None] + self.sigma(x[:, None], gain) * z.astype(np.float32)).astype(np.float64)
        mean = code @ weight
        variance = np.maximum((code * code) @ weight - mean**2, 0.0)
        step = self.codes(x[:, None] * np.float32(1.0 + contrast)) - self.codes(x[:, None])
        return NoiseTables(mean.astype(np.float32), variance.astype(np.float32), step[:, 0])

    def coarse_index(self, light: Image, gain: float) -> npt.NDArray[np.uint16]:
        """Index into the `tables` of light in scene units."""
        return self._index(light * np.float32(gain), COARSE, OVERFLOW * self.camera.headroom)


class ExposureLoop:
    """Automatic exposure: meters late pictures, and moves the gain toward the target, a share of the error a
    step."""

    def __init__(self, camera: CameraModel, interval_s: float, shape: tuple[int, int]) -> None:
        """`interval_s`: time between pictures; `shape`: of the reduced pictures it will meter."""
        self.camera, self.interval_s = camera, interval_s
        self.log_gain = 0.0  # stops, without hunting
        self._late: deque[float] = deque(maxlen=camera.ae_delay_frames + 1)
        yy, xx = np.mgrid[-1.0 : 1.0 : shape[0] * 1j, -1.0 : 1.0 : shape[1] * 1j]
        weight = np.exp(-(xx**2 + yy**2) / 0.5) if camera.metering == "centre" else np.ones(shape)
        self._weight = weight / weight.sum()

    def _error(self, small: Image, gain: float) -> float:
        """Stops that the gain is short of the target; saturated light counts as full scale, as it does in a
        camera."""
        seen = np.clip(small.astype(np.float64) * gain, 0.0, 1.0) ** METER_POWER
        if self.camera.metering == "highlight":
            metered = 0.5 * float(np.percentile(seen, 97.0)) + 0.5 * float(np.sum(seen * self._weight))
        else:
            metered = float(np.sum(seen * self._weight))
        return float(np.log2(self.camera.target / max(metered, 1e-4)) / METER_POWER)

    def _limit(self, stops: float) -> float:
        return float(np.clip(stops, np.log2(self.camera.gain_min), np.log2(self.camera.gain_max)))

    def settle(self, small: Image) -> None:
        """Bring the loop to rest on a still picture, as a camera that was switched on a while ago."""
        for _ in range(400):
            self.log_gain = self._limit(self.log_gain + 0.15 * self._error(small, 2.0**self.log_gain))
        self._late.clear()

    def gain_at(self, time_s: float) -> float:
        """Gain in force for a picture taken now."""
        camera = self.camera
        hunt = 0.5 * camera.hunting_stops * np.sin(2 * np.pi * time_s / camera.hunting_period_s)
        return float(2.0 ** self._limit(self.log_gain + hunt))

    def meter(self, small: Image, gain: float) -> None:
        """Take in the picture just made and move on by one interval."""
        camera = self.camera
        self._late.append(self._error(small, gain))
        if len(self._late) <= camera.ae_delay_frames:
            return
        move = self._late[0] * (1.0 - np.exp(-self.interval_s / camera.ae_time_constant_s))
        most = camera.ae_rate_limit_stops_s * self.interval_s
        self.log_gain = self._limit(self.log_gain + float(np.clip(move, -most, most)))
