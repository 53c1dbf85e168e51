"""What the light of the same surfaces at two times says: a change of exposure, of veil, and hints at what the flight shares.

Where all surfaces brighten by one factor, the exposure changed; what darker surfaces gain beyond that is veil. Two things
stay the same through a flight, yet bend every comparison: where the recording's true black lies, and how much light the lens
spreads about bright sources (glow.py). A link says what a unit of each would do to it, and what it says of each.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldscore.units import DEFAULT_CURVE, from_linear, to_linear

Doubles = npt.NDArray[np.float64]

_STEPS = 3  # reweightings of the robust fit; more do not change it
_TUKEY = 3.0  # robust sigmas beyond which a patch is left out (biweight)
_LEAST_SIGMA = 0.01  # stops; what even perfect patches differ by
_MOST_SIGMA = 0.7  # stops between patches from which on the frames do not show the same surfaces
_ALIKE_PATCHES = 4.0  # neighbouring patches share their errors: so many count as one
_DIM = 6.0  # times darker than the median patch from which on a patch's share of veil is not followed further
_TELLS_FLOOR = 0.08  # stops of change from which on dark and bright patches differ enough to tell where black is
_FLOOR_STEP = 0.08  # level fraction over which the effect of the floor is differenced: as far as one is set down
_VEIL_RIDGE = 1e-3  # of the weight: keeps the fit defined where all patches are alike
GLOW_SPREAD = (
    0.5  # strength of glow in units of white: a lens spreads 1 to 5 % of light that is 10 times white, or more
)
_TELLS_GLOW = 1e-4  # stops: a glow that changes no patch by more says nothing
_NATURAL = 1.4427  # stops of a small relative change: 1 / ln 2


@dataclass(frozen=True, slots=True)
class Effect:
    """What one unit of something that a flight shares would do to a link, and what the link says of it.

    `change` and `veil` (stops a unit) are to be added to those of the link; `score` and `information` are the
    terms of the least-squares estimate, score / information, from what change and veil do not explain.
    """

    change: float
    veil: float
    score: float
    information: float


NO_EFFECT = Effect(0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class ExposureLink:
    """Change of light between two rows of the Timeline.

    `change` (stops) and `veil` (light added, in units of the median patch's light, as stops for that patch) with their
    `precision` [3]: the entries 11, 12 and 22 of the inverse covariance. `light`: linear light of the median patch in
    the older frame, 1 = nominal white. `floor`: a level fraction of black set down (or, negative, lifted). `glow`: light that
    clipped sources spread, in units of white; `shine`: how much light a unit of it lays over the picture, in units of the
    median patch's light.
    """

    before: int
    after: int
    change: float
    veil: float
    precision: tuple[float, float, float]
    light: float
    floor: Effect = NO_EFFECT
    glow: Effect = NO_EFFECT
    shine: float = 0.0


def fit(  # noqa: PLR0913, PLR0917 - what a comparison of two frames is
    before: int,
    after: int,
    old: Doubles,
    new: Doubles,
    curve: str = DEFAULT_CURVE,
    gained: Doubles | None = None,
    shine: float = 0.0,
) -> ExposureLink | None:
    """Fit a link to the light [patches] of the same surfaces, robustly; None where they differ too much.

    `gained` [patches]: change of the glow of unit sources at each; None without a source. `shine`: their mean glow, as light.
    """
    ratio, light = np.log2(new / old), np.sqrt(old * new)
    middle = _median(light)
    features = np.stack([np.ones_like(ratio), np.minimum(middle / light, _DIM)])
    glow = None if gained is None else _NATURAL * gained / np.maximum(light, middle / _DIM)
    if glow is not None and np.abs(glow).max() < _TELLS_GLOW:
        glow = None
    weight, sigma = _weights(ratio, features if glow is None else np.vstack([features, glow]))
    if sigma > _MOST_SIGMA:
        return None
    weighted = features * weight
    normal = weighted @ features.T
    normal[1, 1] += _VEIL_RIDGE * normal[0, 0]
    found = _solved(normal, weighted @ ratio)
    left = ratio - found @ features
    certain = 1.0 / (sigma**2 * _ALIKE_PATCHES)

    def effect(stops: Doubles) -> Effect:
        """Of what changes the ratios by so many stops [patches]."""
        on_fit = _solved(normal, weighted @ stops)
        beyond = stops - on_fit @ features
        weighing = weight * beyond * certain
        return Effect(float(on_fit[0]), float(on_fit[1]), float(-weighing @ left), float(weighing @ beyond))

    change = float(found[0])
    precision = normal * certain
    return ExposureLink(
        before,
        after,
        change,
        float(found[1]),
        (float(precision[0, 0]), float(precision[0, 1]), float(precision[1, 1])),
        _median(old),
        effect(_of_floor(light, change, curve)) if abs(change) >= _TELLS_FLOOR else NO_EFFECT,
        NO_EFFECT if glow is None else effect(-glow),
        shine / middle,
    )


def _weights(ratio: Doubles, features: Doubles) -> tuple[Doubles, float]:
    """Weight [patches] of each patch and their robust sigma in stops, from a fit of all features [k, patches].

    With the glow among them, patches beside a lamp are not thrown out for what it does to them.
    """
    found: Doubles = np.zeros(len(features))
    found[0] = _median(ratio)
    weight: Doubles = np.ones_like(ratio)
    sigma = 1.0
    for _ in range(_STEPS):
        left = ratio - found @ features
        sigma = 1.4826 * _median(np.abs(left)) + _LEAST_SIGMA
        weight = np.square(np.maximum(1.0 - np.square(left / (_TUKEY * sigma)), 0.0))
        weighted = features * weight
        normal = weighted @ features.T
        normal[1, 1] += _VEIL_RIDGE * normal[0, 0]
        if len(features) > 2:  # noqa: PLR2004 - more than exposure and veil
            normal[2, 2] += _ALIKE_PATCHES * (sigma / GLOW_SPREAD) ** 2
            found = np.asarray(np.linalg.solve(normal, weighted @ ratio))
        else:
            found = _solved(normal, weighted @ ratio)
    return weight, sigma


def _median(values: Doubles) -> float:
    """The upper median: of hundreds of patches as good as the median, at a third of its cost."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def _solved(normal: Doubles, right: Doubles) -> Doubles:
    """Solution [2] of two equations, written out: a tenth of the time of a general solver."""
    (a, b), (c, d) = normal.tolist()
    x, y = right.tolist()
    whole = a * d - b * c
    return np.array([(d * x - b * y) / whole, (a * y - c * x) / whole])


def _of_floor(light: Doubles, change: float, curve: str) -> Doubles:
    """Stops [patches] by which a change of exposure would read otherwise, a level fraction that black is set down by.

    From the change that was found, not from the patches' own: their errors would pass for an effect of the floor.
    """
    levels = (from_linear(light * 2.0 ** (sign * change / 2.0), curve) for sign in (-1.0, 1.0))
    old, new = (to_linear(level + _FLOOR_STEP, curve) for level in levels)
    return np.asarray((np.log2(new / old) - change) / _FLOOR_STEP)
