"""After the camera: colour planes, overlay, the limited band of an analogue link, losses of the link,
borders."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fieldscore.simulate.model import CameraModel, Chain, FlightPlan, LinkLoss
from fieldscore.simulate.raster import Image, shrink, stretch
from fieldscore.units import QUANTISATION_VARIANCE

Codes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

KERNEL_HALF = 6  # taps either side of the band limit's windowed sinc
# BT.601: Cb = (B' - Y') / 1.772, Cr = (R' - Y') / 1.402, luma weights 0.299, 0.587, 0.114.
CB_DIVISOR, CR_DIVISOR = 1.772, 1.402
CHROMA_SPAN = {False: 224.0, True: 255.0}  # codes for -0.5..0.5, narrow and full
SUBSAMPLING = {
    "yuv420p": (2, 2),
    "yuv422p": (2, 1),
    "yuv444p": (1, 1),
}  # luma columns and lines a chroma sample
BLUE_SCREEN = (41, 240, 110)  # Y', Cb, Cr of pure blue, narrow range, BT.601


@dataclass
class Planes:
    """One instant as coded: luma (h, w) and the two chroma planes."""

    luma: Codes
    cb: Codes
    cr: Codes

    def copy(self) -> Planes:
        """Planes of their own."""
        return Planes(self.luma.copy(), self.cb.copy(), self.cr.copy())


def band_limit(bandwidth: float | None) -> npt.NDArray[np.float64]:
    """Taps of the horizontal low-pass (sum 1); a single 1 when there is no limit."""
    if bandwidth is None:
        return np.ones(1)
    n = np.arange(-KERNEL_HALF, KERNEL_HALF + 1)
    taps = np.sinc(2.0 * bandwidth * n) * np.hamming(n.size)
    return np.asarray(taps / taps.sum())


class Overlay:
    """On-screen text of a flight: what stands in each frame, and every pixel it ever touches."""

    def __init__(self, plan: FlightPlan, chain: Chain, speed_m_s: Callable[[float], float]) -> None:
        """`speed_m_s`: speed to show at a time (s)."""
        self.plan, self.chain, self._speed = plan, chain, speed_m_s
        self._drawn: tuple[tuple[str, ...], Codes] | None = None
        touched: Codes = np.zeros((plan.height, plan.width), np.uint8)
        if chain.osd:
            for time_s in np.arange(0.0, plan.duration_s + 0.25, 0.25):
                touched |= (self.at(float(time_s)) > 0).astype(np.uint8)
        if chain.bandwidth is not None:
            touched = np.asarray(cv2.dilate(touched, np.ones((1, 2 * KERNEL_HALF + 1), np.uint8)), np.uint8)
        self.mask: Mask = touched.astype(np.bool_)

    def _texts(self, time_s: float) -> tuple[str, ...]:
        air = max(time_s - self.plan.airtime_s[0], 0.0)
        half_s = np.floor(time_s * 2.0 + 1e-6) / 2.0
        fields = {
            "timer": f"{int(air + 1e-6) // 60:02d}:{int(air + 1e-6) % 60:02d}",
            "volts": f"{16.6 - 0.012 * half_s - 0.02 * self._speed(half_s):.1f}",
            "speed": f"{round(3.6 * self._speed(half_s)):d}",
        }
        return tuple(item.text.format(**fields) for item in self.chain.osd)

    def at(self, time_s: float) -> Codes:
        """The overlay (h, w): 0 nothing, 1 black outline, 2 white."""
        texts = self._texts(time_s)
        if self._drawn is None or self._drawn[0] != texts:
            plan = self.plan
            canvas = np.zeros((plan.height, plan.width), np.uint8)
            size = 0.9 * plan.height / 480.0
            thick = max(round(2 * plan.height / 480.0), 1)
            for value, width in ((1, thick + max(2 * thick, 2)), (2, thick)):
                for item, text in zip(self.chain.osd, texts, strict=True):
                    place = (int(item.x * plan.width), int(item.y * plan.height))
                    cv2.putText(canvas, text, place, cv2.FONT_HERSHEY_SIMPLEX, size * item.scale, value, width)
            self._drawn = (texts, canvas)
        return self._drawn[1]


class Recorder:
    """Brings the camera's picture into coded planes, the way the chain does."""

    def __init__(self, camera: CameraModel, chain: Chain, ends: tuple[int, int]) -> None:
        """`ends`: codes of black and white. Raises ValueError for a pixel format other than 8-bit 4:2:0,
        4:2:2, 4:4:4."""
        self.camera, self.chain, self.ends = camera, chain, ends
        self.taps = band_limit(chain.bandwidth)
        plain = chain.encoding.pixel_format.replace("yuvj", "yuv")
        if plain not in SUBSAMPLING:
            raise ValueError(f"pixel format {plain!r}; expected one of {', '.join(SUBSAMPLING)}")
        self.subsampling = SUBSAMPLING[plain]
        self._held: dict[int, Planes] = {}

    def noise_variance(self, camera_variance: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
        """Variance (codes^2) in the uncompressed output for the camera's own; rounding (1/12) included."""
        chain = self.chain
        kept = float(np.sum(self.taps**2))
        return np.asarray(kept * (camera_variance + chain.link_noise**2) + chain.line_noise**2 + QUANTISATION_VARIANCE)

    def block_variance(
        self, camera_variance: npt.NDArray[np.floating], width: float, lines: float
    ) -> npt.NDArray[np.floating]:
        """Variance (codes^2) of the mean over a block: the band limit ties neighbours together, line noise
        whole lines."""
        chain = self.chain
        spread = np.convolve(self.taps, np.ones(max(round(width), 1)) / max(round(width), 1))
        kept = float(np.sum(spread**2)) / lines
        return np.asarray(
            kept * (camera_variance + chain.link_noise**2)
            + chain.line_noise**2 / lines
            + QUANTISATION_VARIANCE / (width * lines)
        )

    def record(self, codes: Image, tint: Image, sigma: float, overlay: Codes, rng: np.random.Generator) -> Planes:
        """Code values of the camera to coded planes, without losses and borders. `sigma`: the camera's noise,
        codes."""
        chain = self.chain
        cb, cr = self._chroma(codes, tint, sigma, overlay, rng)
        y = codes
        if chain.osd:
            y = y.copy()
            y[overlay == 1] = self.ends[0]
            y[overlay == 2] = self.ends[1]
        if chain.link_noise:
            y = y + np.float32(chain.link_noise) * rng.standard_normal(y.shape, dtype=np.float32)
        if self.taps.size > 1:
            y = np.asarray(cv2.filter2D(y, -1, self.taps[None, :], borderType=cv2.BORDER_REFLECT_101), np.float32)
        if chain.line_noise:
            y = y + np.float32(chain.line_noise) * rng.standard_normal((y.shape[0], 1), dtype=np.float32)
        low, high = (0, 255) if chain.full_range else (1, 254)  # 0 and 255 are reserved for sync in BT.601
        return Planes(np.clip(np.rint(y), low, high).astype(np.uint8), cb, cr)

    def _chroma(
        self, codes: Image, tint: Image, sigma: float, overlay: Codes, rng: np.random.Generator
    ) -> tuple[Codes, Codes]:
        chain, camera = self.chain, self.camera
        size = (codes.shape[1] // self.subsampling[0], codes.shape[0] // self.subsampling[1])
        black, white = chain.nominal
        level = np.clip((shrink(codes, size) - black) / (white - black), 0.0, 1.0)
        ratio = tint * np.array([2.0**camera.cast_red_stops, 2.0**camera.cast_blue_stops], np.float32)
        ratio = np.asarray(cv2.pow(ratio, 1.0 / camera.gamma), np.float32)
        # Scaled so that the luma of (R', 1, B') stays what it is: the tint colours the picture, it does not
        # light it.
        total = 0.299 * ratio[..., 0] + 0.587 + 0.114 * ratio[..., 1]
        cast = np.stack(
            [(ratio[..., 1] / total - 1.0) / CB_DIVISOR, (ratio[..., 0] / total - 1.0) / CR_DIVISOR], axis=2
        )
        colour = stretch(cast, size)
        pale = 1.0 - level**8  # highlights run to white
        covered = shrink((overlay > 0).astype(np.float32), size)
        noise = np.float32(camera.chroma_noise * sigma / np.sqrt(self.subsampling[0] * self.subsampling[1]))
        planes = []
        for k in range(2):
            c = CHROMA_SPAN[chain.full_range] * colour[..., k] * level * pale
            c += noise * rng.standard_normal(c.shape, dtype=np.float32)
            c = 128.0 + c * (1.0 - covered)
            planes.append(np.clip(np.rint(c), 1, 254).astype(np.uint8))
        return planes[0], planes[1]

    def lose(self, planes: Planes, loss: LinkLoss | None, parity: int, rng: np.random.Generator) -> Planes:
        """What arrives: the picture, or what the loss makes of it. Good pictures are kept for the frozen
        kinds."""
        if loss is None:
            self._held[parity] = planes
            return planes
        held = self._held.get(parity, planes)
        out = planes.copy()
        if loss.kind == "frozen":
            out = held.copy()
        elif loss.kind == "black":
            out.luma[:], out.cb[:], out.cr[:] = int(self.chain.nominal[0]), 128, 128
        elif loss.kind == "blue":
            out.luma[:], out.cb[:], out.cr[:] = BLUE_SCREEN
        elif loss.kind == "snow":
            self._snow(out, slice(None), rng)
        elif loss.kind == "torn":
            self._tear(out, rng)
        else:
            self._break_up(out, held, rng)
        return out

    @staticmethod
    def _snow(out: Planes, rows: slice, rng: np.random.Generator) -> None:
        part = out.luma[rows]
        grain = rng.standard_normal(part.shape, dtype=np.float32)
        grain = cv2.blur(grain, (3, 1)) * np.float32(85.0)
        grain += 12.0 * rng.standard_normal((part.shape[0], 1), dtype=np.float32)
        part[:] = np.clip(108.0 + grain, 2, 253).astype(np.uint8)
        for plane in (out.cb, out.cr):
            ratio = out.luma.shape[0] // plane.shape[0]
            chroma = plane[slice(rows.start and rows.start // ratio, rows.stop and rows.stop // ratio)]
            chroma[:] = np.clip(128.0 + 18.0 * rng.standard_normal(chroma.shape), 1, 254).astype(np.uint8)

    def _tear(self, out: Planes, rng: np.random.Generator) -> None:
        """Lines lose their sync: they slide sideways in bands, and some bands are snow."""
        h, w = out.luma.shape
        edges = np.sort(rng.integers(0, h, 7))
        for top, bottom in zip([0, *edges], [*edges, h], strict=True):
            if bottom - top < 2:
                continue
            if rng.random() < 0.3:
                self._snow(out, slice(int(top), int(bottom)), rng)
                continue
            shift, slant = int(rng.integers(-w // 3, w // 3)), rng.uniform(-1.5, 1.5)
            for row in range(int(top), int(bottom)):
                out.luma[row] = np.roll(out.luma[row], shift + int(slant * (row - top)))

    @staticmethod
    def _break_up(out: Planes, held: Planes, rng: np.random.Generator) -> None:
        """Macroblocks of an older picture, displaced, over most of the frame."""
        h, w = out.luma.shape
        for top in range(0, h - 15, 16):
            for left in range(0, w - 15, 16):
                if rng.random() < 0.7:
                    y = min(max(top + int(rng.integers(-24, 24)), 0), h - 16)
                    x = min(max(left + int(rng.integers(-48, 48)), 0), w - 16)
                    out.luma[top : top + 16, left : left + 16] = held.luma[y : y + 16, x : x + 16]

    def borders(self, planes: Planes, line_step: int) -> None:
        """Black borders over the planes, in place; rows counted in frame lines."""
        top, bottom, left, right = self.chain.border_px
        for plane, code in ((planes.luma, int(self.chain.nominal[0])), (planes.cb, 128), (planes.cr, 128)):
            down = planes.luma.shape[0] * line_step // plane.shape[0]
            across = planes.luma.shape[1] // plane.shape[1]
            h, w = plane.shape
            plane[: top // down] = code
            plane[h - bottom // down :] = code
            plane[:, : left // across] = code
            plane[:, w - right // across :] = code
