"""What a simulated flight, its camera and its recording chain are: plain frozen descriptions, no pictures."""

from __future__ import annotations

from dataclasses import dataclass, field

from fieldscore.video import Encoding

SCENES = ("night_estate", "dusk_sun", "day_field")
ROUTES = ("lap", "lane", "yard")
FLASH_KINDS = ("fill", "lamp")
LOSS_KINDS = ("snow", "blue", "black", "frozen", "torn", "blocks")
METERINGS = ("mean", "centre", "highlight")
TONE_CURVES = ("gamma", "bt709", "srgb")


def _known(what: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise ValueError(f"{what} is {value!r}; expected one of {', '.join(allowed)}")


@dataclass(frozen=True)
class Flash:
    """A torch lit from `on_s` to `off_s` (s); `off_s` None leaves it lit to the end.

    kind "fill": it shines from beside the camera on what the camera sees. "lamp": it shines into the lens
    from `bearing_deg` right and `rise_deg` up of the axis. `strength` is relative to the scene unit (see
    `world`).
    """

    on_s: float
    off_s: float | None
    kind: str = "fill"
    strength: float = 1.0
    bearing_deg: float = 0.0
    rise_deg: float = 0.0
    rise_time_s: float = 0.004  # a white LED with its driver; from memory, common practice

    def __post_init__(self) -> None:
        """Refuse an unknown kind."""
        _known("flash kind", self.kind, FLASH_KINDS)


@dataclass(frozen=True)
class FlightPlan:
    """Where, how and in which world one flight goes. Two plans with one `world_seed` and `route` meet the
    same places.

    `seed` drives what differs from flight to flight: wobble, gusts of speed, noise. Lengths m, angles
    degrees.
    """

    seed: int
    world_seed: int = 7
    route: str = "lap"
    scene: str = "night_estate"
    width: int = 640
    height: int = 480
    frame_rate: float = 30.0
    duration_s: float = 16.0
    ground_before_s: float = 1.0
    ground_after_s: float = 1.0
    speed_m_s: float = 8.0
    speed_variation: float = 0.2
    start_m: float = 0.0
    lateral_offset_m: float = 0.0
    altitude_m: float = 2.4
    tilt_deg: float = -6.0
    roll_deg: float = 0.0
    wobble_deg: float = 1.2
    lamps: int = 7
    lamp_power: float = 1.0
    lamp_flicker: float = 0.0  # share by which the lamps' light swings about its mean
    lamp_flicker_hz: float = 100.0  # twice the mains
    flashes: tuple[Flash, ...] = ()
    rain: float = 0.0
    noise_seed: int = 0  # another number flies the same flight with another noise
    haze_m: float = 140.0  # distance over which light fades to that of the distance by 1/e; 140 is fog, 3000 clear air
    sample_aspect: float = 1.0

    def __post_init__(self) -> None:
        """Refuse what cannot be flown."""
        _known("route", self.route, ROUTES)
        _known("scene", self.scene, SCENES)
        if self.width % 8 or self.height % 8 or min(self.width, self.height) < 64:
            raise ValueError(f"picture size is {self.width}x{self.height}; expected multiples of 8, at least 64")
        if self.duration_s <= 0 or self.frame_rate <= 0:
            raise ValueError("duration_s and frame_rate must be positive")

    @property
    def airtime_s(self) -> tuple[float, float]:
        """First and last instant off the ground (s); equal when the flight never leaves it."""
        begin = min(self.ground_before_s, self.duration_s)
        return begin, max(begin, self.duration_s - self.ground_after_s)


@dataclass(frozen=True)
class CameraModel:
    """A camera: lens, exposure loop, sensor, tone curve.

    Light is in scene units: 1.0 fills the sensor at gain 1 with the longest shutter. Gain below 1 is a
    shorter shutter, above 1 it amplifies (and its noise with it). Electrons refer to one pixel.
    """

    name: str
    hfov_deg: float = 105.0
    barrel: float = 0.10  # ray radius = r (1 + barrel r^2), r in focal lengths
    glare: float = 1.0  # scale of the veil and glow of the lens; 1 = a small plastic lens, 0 = none
    shading_stops: float = 0.0  # how much darker than the middle the lens leaves the corners
    metering: str = "mean"
    target: float = 0.42  # metered signal the loop aims at, of full scale after a 0.45 power
    ae_delay_frames: int = 2
    ae_time_constant_s: float = 0.25
    ae_rate_limit_stops_s: float = 24.0
    gain_min: float = 1.0 / 512.0
    gain_max: float = 32.0
    hunting_stops: float = 0.0  # peak to peak
    hunting_period_s: float = 1.5
    full_well: float = 9000.0
    read_noise: float = 2.5
    tone_curve: str = "gamma"
    gamma: float = 2.2
    knee: float = 1.0  # tone signal where the shoulder begins; 1 = no shoulder
    headroom: float = 1.0  # light the shoulder squeezes in, in units of full scale
    black_offset: float = 0.0  # tone signal taken away at the bottom ("black set down")
    lifted_black: float = 0.0  # tone signal added at the bottom
    cast_red_stops: float = 0.0  # log2(R/G) of a grey surface
    cast_blue_stops: float = 0.0  # log2(B/G) of a grey surface
    chroma_noise: float = 0.6  # of the luma noise, per chroma sample
    blur_samples: int = 1  # pictures averaged over one exposure: motion blur, at as many times the work

    def __post_init__(self) -> None:
        """Refuse an unknown curve or metering."""
        _known("metering", self.metering, METERINGS)
        _known("tone_curve", self.tone_curve, TONE_CURVES)


@dataclass(frozen=True)
class LinkLoss:
    """The picture is lost from `from_s` (included) to `to_s` (excluded), in the way `kind` says."""

    from_s: float
    to_s: float
    kind: str = "snow"

    def __post_init__(self) -> None:
        """Refuse an unknown kind."""
        _known("link loss kind", self.kind, LOSS_KINDS)


@dataclass(frozen=True)
class OsdItem:
    """One overlay text. `text` may hold {timer}, {volts}, {speed}; x, y are shares of the picture, of the
    text's foot."""

    text: str
    x: float
    y: float
    scale: float = 1.0


DEFAULT_OSD = (
    OsdItem("PLOT 7", 0.04, 0.09),
    OsdItem("{timer}", 0.80, 0.09),
    OsdItem("{volts}V", 0.04, 0.95),
    OsdItem("{speed}km/h", 0.74, 0.95),
)


@dataclass(frozen=True)
class Chain:
    """What happens after the camera: overlay, analogue link, losses, borders, coding.

    `floor_code`, `ceiling_code`: codes of the camera's black and white; None = nominal of the range.
    `bandwidth` is a share of the luma sampling rate (0.311 = 4.2 MHz at 13.5 MHz); None = digital.
    `border_px`: top, bottom, left, right. Interlaced: top field first, two instants a frame.
    """

    encoding: Encoding = field(default_factory=Encoding)
    full_range: bool = False
    floor_code: int | None = None
    ceiling_code: int | None = None
    bandwidth: float | None = None
    link_noise: float = 0.0  # codes rms, before the bandwidth limit
    line_noise: float = 0.0  # codes rms, one value a line
    interlaced: bool = False
    osd: tuple[OsdItem, ...] = DEFAULT_OSD
    link_losses: tuple[LinkLoss, ...] = ()
    border_px: tuple[int, int, int, int] = (0, 0, 0, 0)

    @property
    def codes(self) -> tuple[float, float]:
        """Code of the camera's signal 0 and 1."""
        low, high = (0, 255) if self.full_range else (16, 235)
        return float(low if self.floor_code is None else self.floor_code), float(
            high if self.ceiling_code is None else self.ceiling_code
        )

    @property
    def nominal(self) -> tuple[float, float]:
        """Nominal black and white of the code range (BT.601 for narrow)."""
        return (0.0, 255.0) if self.full_range else (16.0, 235.0)
