"""What the light of the same surfaces at two times says: a change of exposure, of veil, and hints at what the flight shares.

Where all surfaces brighten by one factor, the exposure changed; what darker surfaces gain beyond that is veil. Some things
stay the same through a flight, yet bend every comparison: where the recording's true black lies and how flat its curve is at
the top, how much light the lens spreads about bright sources (glow.py) and over dark surfaces in the middle, and how much less
it leaves away from there (shading.py). A link says what a unit of each would do to it, and what it says of each.
"""

from __future__ import annotations

from collections.abc import Sequence
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
# Stops of change from which on dark and bright patches differ enough to tell where black is, and whether the curve flattens
_TELLS_CURVE = 0.08
_FLOOR_STEP = 0.08  # level fraction over which the effect of the floor is differenced: as far as one is set down
_VEIL_RIDGE = 1e-3  # of the weight: keeps the fit defined where all patches are alike
# Strength of glow in units of white: a lens spreads 1 to 5 % of light that is 10 times white, or more
GLOW_SPREAD = 0.5
# Share of its neighbours' light that a patch loses: what comes nearer is less blurred, and what is followed a little beside its
# place is mixed with what lies there. It is 0.02 to 0.08 (docs/decisions/detail.py).
DETAIL_SPREAD = 0.2
# The same for each patch's side that it has moved: the farther, the more it is followed beside its place
MOVED_SPREAD = 0.1
# Stops by which bands of light swing about their mean: of a lamp between a third and all of its light 0.5
BANDS_SPREAD = 0.5
SHADING_SPREAD = 0.7  # stops in the corners: half a stop to two are usual; common practice, no source
# By how much shading may differ from the square law, in quarters of a stop halfway: a cosine's fourth power, 0.2 to 0.5, of a flat
# projection as wide as 150 degrees 8
HALFWAY_SPREAD = 1.0
OUTER_SPREAD = 0.05  # of the median patch's light: veil that is missing in the corners (docs/decisions/shading.py)
# Share of a change that white does not show where the camera's curve is flatter at the top than the named one (a knee, a
# logarithm): for each doubling of level below it the less, none from `_TOE` of white on (docs/decisions/shoulder.py).
SHOULDER_SPREAD, _TOE = 0.12, 0.05
_TELLS_GLOW = 1e-4  # stops: a glow that changes no patch by more says nothing
_NATURAL = 1.4427  # stops of a small relative change: 1 / ln 2


# What a flight shares: a level fraction, units of white, stops in the corners, quarters of a stop beside these halfway there,
# veil that is missing in the corners, of the median patch's light, and the share of a change that is not seen at white ...
BLACK, GLOW, SHADING, HALFWAY, OUTER, SHOULDER = range(6)
# ... and what black and shoulder do to light that moves in or out of the shade, for each stop in the corners
BLACK_OF_SHADING, SHOULDER_OF_SHADING = 6, 7
SHARED, EFFECTS = 6, 8
_HALF = np.triu_indices(EFFECTS)  # of the information, which is the same on both sides of its diagonal
NO_EFFECTS = bytes(4 * (3 * EFFECTS + len(_HALF[0])))
_SHADE = 0.25  # stops of shading over which that is told


@dataclass(frozen=True, slots=True)
class Surfaces:
    """The same surfaces [patches] at two times: their linear light, `old` and `new`.

    `detail`: by how much each is lighter than those beside it, in stops of a small change; `moved`: how far it moved, in patches.
    `gained`: how much more glow of unit sources lies on it now; None without a source. `shine`: the glow of unit sources over the
    whole picture now, as light.
    `outward`: stops by which each lies farther out now, under a unit of shading, and `halfway`, of what may come beside that
    (shading.py); None where it is not asked. `banded` [k, patches]: what bands of light may do to each (bands.py); None where
    there are none.
    """

    old: Doubles
    new: Doubles
    detail: Doubles | None = None
    gained: Doubles | None = None
    shine: float = 0.0
    outward: Doubles | None = None
    halfway: Doubles | None = None
    moved: Doubles | None = None
    banded: Doubles | None = None


@dataclass(frozen=True, slots=True)
class ExposureLink:
    """Change of light between two rows of the Timeline.

    `change` (stops) and `veil` (light added, in units of the median patch's light, as stops for that patch) with their
    `precision` [3]: the entries 11, 12 and 22 of the inverse covariance. `light`: linear light of the median patch in
    the older frame, 1 = nominal white. `shine`: how much light a unit of glow lays over the picture, in units of the median
    patch's light. `effects`: see `effects_of` and `packed_effects`.
    """

    before: int
    after: int
    change: float
    veil: float
    precision: tuple[float, float, float]
    light: float
    shine: float = 0.0
    effects: bytes = NO_EFFECTS


def effects_of(links: Sequence[ExposureLink]) -> Doubles:
    """What one unit of each shared thing and of black of shading would do to each link, and what it says of them: [links, 8, 11].

    The first two of the eleven, in stops, are to be added to the link's change and veil; then the terms of the least-squares
    estimate, information^-1 score, from what change and veil do not explain: score, and a row of the information [8].
    """
    packed = np.frombuffer(b"".join(link.effects for link in links), dtype=np.float32).reshape(len(links), -1)
    effects = np.empty((len(links), EFFECTS, 3 + EFFECTS))
    effects[:, :, :3] = packed[:, : 3 * EFFECTS].reshape(len(links), EFFECTS, 3)
    rows, columns = _HALF
    effects[:, rows, 3 + columns] = effects[:, columns, 3 + rows] = packed[:, 3 * EFFECTS :]
    return effects


def packed_effects(effects: Doubles) -> bytes:
    """What `effects_of` unpacks for one link, from its effects [8, 11]; an hour has tens of thousands of links."""
    rows, columns = _HALF
    told = np.concatenate([effects[:, :3].ravel(), effects[rows, 3 + columns]])
    return told.astype(np.float32).tobytes()


def fit(before: int, after: int, surfaces: Surfaces, curve: str = DEFAULT_CURVE) -> ExposureLink | None:
    """Fit a link between two rows to the same surfaces, robustly; None where they differ too much."""
    old, new = surfaces.old, surfaces.new
    ratio, light = np.log2(new / old), np.sqrt(old * new)
    middle = _median(light)
    features = [np.ones_like(ratio), np.minimum(middle / light, _DIM)]
    beside = [] if surfaces.detail is None else [(surfaces.detail, DETAIL_SPREAD)]
    if surfaces.detail is not None and surfaces.moved is not None:
        beside.append((surfaces.detail * surfaces.moved, MOVED_SPREAD))
    if surfaces.banded is not None:
        beside += [(one, BANDS_SPREAD) for one in surfaces.banded]
    aside = [one for one, _ in beside]
    glow = None if surfaces.gained is None else _NATURAL * surfaces.gained / np.maximum(light, middle / _DIM)
    if glow is not None and np.abs(glow).max() >= _TELLS_GLOW:
        beside.append((glow, GLOW_SPREAD))
    else:
        glow = None
    outer = None if surfaces.outward is None else surfaces.outward * features[1]
    for one, spread in (
        (surfaces.outward, SHADING_SPREAD),
        (surfaces.halfway, HALFWAY_SPREAD),
        (outer, OUTER_SPREAD),
    ):
        if one is not None:
            beside.append((one, spread))
    weight, sigma, whole = _robust(
        ratio, np.array([*features, *(one for one, _ in beside)]), [one for _, one in beside]
    )
    if sigma > _MOST_SIGMA:
        return None
    for one, share in zip(aside, whole[len(features) :], strict=False):
        ratio = ratio - share * one
    both = np.array(features)
    weighted = both * weight
    normal = weighted @ both.T
    normal[1, 1] += _VEIL_RIDGE * normal[0, 0]
    found = _solved(normal, weighted @ ratio)
    left = ratio - found @ both
    certain = 1.0 / (sigma**2 * _ALIKE_PATCHES)
    change = float(found[0])
    units = np.zeros((EFFECTS, len(ratio)))  # stops by which a unit of each would have the ratios greater
    unseen = _of_shoulder(light, curve)
    if abs(change) >= _TELLS_CURVE:
        units[BLACK], units[SHOULDER] = _of_floor(light, change, curve), change * unseen
    if glow is not None:
        units[GLOW] = -glow
    if surfaces.outward is not None and outer is not None:
        units[SHADING], units[OUTER] = surfaces.outward, outer
        if surfaces.halfway is not None:
            units[HALFWAY] = surfaces.halfway
        counted = float(_solved(normal, weighted @ surfaces.outward)[0])  # of a unit, in the change that was found
        shaded = counted - surfaces.outward
        units[BLACK_OF_SHADING] = shaded * _of_floor(light, _SHADE, curve) / _SHADE
        units[SHOULDER_OF_SHADING] = shaded * unseen
    effects = np.empty((EFFECTS, 3 + EFFECTS))
    effects[:, :2] = _solved(normal, weighted @ units.T).T
    beyond = units - effects[:, :2] @ both
    weighing = weight * beyond * certain
    effects[:, 2], effects[:, 3:] = -weighing @ left, weighing @ beyond.T
    precision = normal * certain
    return ExposureLink(
        before,
        after,
        change,
        float(found[1]),
        (float(precision[0, 0]), float(precision[0, 1]), float(precision[1, 1])),
        _median(old),
        surfaces.shine / middle,
        packed_effects(effects),
    )


def _robust(ratio: Doubles, features: Doubles, spreads: Sequence[float]) -> tuple[Doubles, float, Doubles]:
    """Weight [patches] of each patch, their robust sigma in stops, and what was found, from a fit of all features [k, patches].

    Those after exposure and veil are held near 0 within their `spreads`. With glow, detail and shading among them, patches are not
    thrown out for what these do to them.
    """
    found: Doubles = np.zeros(len(features))
    found[0] = _median(ratio)
    weight: Doubles = np.ones_like(ratio)
    sigma = 1.0
    held = np.diag([0.0, 0.0, *(one**-2.0 for one in spreads)]) * _ALIKE_PATCHES
    for _ in range(_STEPS):
        left = ratio - found @ features
        sigma = 1.4826 * _median(np.abs(left)) + _LEAST_SIGMA
        weight = np.square(np.maximum(1.0 - np.square(left / (_TUKEY * sigma)), 0.0))
        weighted = features * weight
        normal = weighted @ features.T
        normal[1, 1] += _VEIL_RIDGE * normal[0, 0]
        right = weighted @ ratio
        found = np.asarray(np.linalg.solve(normal + held * sigma**2, right)) if spreads else _solved(normal, right)
    return weight, sigma, found


def _median(values: Doubles) -> float:
    """The upper median: of hundreds of patches as good as the median, at a third of its cost."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def _solved(normal: Doubles, right: Doubles) -> Doubles:
    """Solution [2, ...] of two equations, written out: a tenth of the time of a general solver."""
    (a, b), (c, d) = normal.tolist()
    x, y = right
    whole = a * d - b * c
    return np.array([(d * x - b * y) / whole, (a * y - c * x) / whole])


def _of_floor(light: Doubles, change: float, curve: str) -> Doubles:
    """Stops [patches] by which a change of light would read otherwise, a level fraction that black is set down by.

    From the change that was found, not from the patches' own: their errors would pass for an effect of the floor.
    """
    levels = (from_linear(light * 2.0 ** (sign * change / 2.0), curve) for sign in (-1.0, 1.0))
    old, new = (to_linear(level + _FLOOR_STEP, curve) for level in levels)
    return np.asarray((np.log2(new / old) - change) / _FLOOR_STEP)


def _of_shoulder(light: Doubles, curve: str) -> Doubles:
    """Share [patches] of a change that each does not show, under a curve that hides all of it at white.

    In the logarithm of level, since most of a night is dark, and a camera's curve flattens by and by.
    """
    level = np.clip(from_linear(light, curve), _TOE, 1.0)
    return np.asarray(1.0 - np.log(level) / np.log(_TOE))
