"""Statistics of autocorrelated series: how many independent samples a flight holds, and honest intervals.

Frames follow one another too closely to count as samples. Everything here starts from the long-run variance:
the variance of a mean of n values is that, over n. Series are one-dimensional; NaN is a missing value: it
counts for nothing but keeps its place, so that what lies either side of a gap stays that far apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

FloatArray = npt.NDArray[np.float64]

# Independent samples under which no interval is given; docs/decisions/bootstrap_interval.py
MIN_EFFECTIVE_SAMPLES = 30.0
DEFAULT_CONFIDENCE = 0.95
# The Monte-Carlo error of a 2.5 % quantile of so many resamples is about 3 % of the interval's half width
DEFAULT_RESAMPLES = 2000
# Bins a series is gathered into for its long-run variance; docs/decisions/bootstrap_interval.py. What matters
# to 30 or more independent samples shows at that scale, and no frame-to-frame noise drowns a slow drift.
_BINS = 48
# Only for the block length: neighbours are added in pairs until their correlation is under this, so that the
# lag rule works on the time scale of the series, not of its sampling
_COARSEN_ABOVE = 0.7
_FEWEST_BINS = 16  # coarser than that no block length can be estimated
_FEW_RUNS = 10  # runs of the rarer value of a 0/1 series under which its autocovariances tell too little
_LAGS_QUIET = 5  # Politis & White (2004), K_n: so many lags in a row within the band end the correlated part
_BAND = 2.0  # Politis & White (2004): the band is +-2 sqrt(log10 n / n)
_MOST_BLOCKS = 2000  # longer blocks than needed cost nothing once there are so many; keeps long flights fast
_CHUNK = 1 << 19  # block starts drawn at a time: 4 MB of look-ups
_MOST_SHORTFALL = 0.5  # share; a window over more of the series than that tells nothing
_MOST_LINK = 0.95  # lag-1 correlation of bins; more would divide by nearly nothing
_FEWEST_DEGREES = 4.0  # degrees of freedom: Student's factor is 1.4 there and explodes below
_NOTHING = 1e-12  # share of the variance that is rounding error


@dataclass(frozen=True)
class BlockLength:
    """Automatic block lengths in samples, for the stationary (mean length) and circular (fixed) bootstrap."""

    stationary: float
    circular: float


@dataclass(frozen=True)
class Interval:
    """A mean with its interval; `low` and `high` are None, with a `reason`, where none can be given.

    `effective_samples` is the number of independent samples the series is worth (NaN: unknown),
    `block_length` the bootstrap's in samples (NaN where none was used), `method` "bootstrap", "wilson" or
    "none".
    """

    low: float | None
    high: float | None
    estimate: float
    effective_samples: float
    block_length: float = math.nan
    confidence: float = DEFAULT_CONFIDENCE
    method: str = "none"
    reason: str | None = None


@dataclass(frozen=True)
class _Memory:
    """What the autocovariances of a series say; see `_memory_of`."""

    count: int  # values present
    variance: float  # of one value
    long_run: float  # long-run variance, in the same unit
    degrees: float  # degrees of freedom of the long-run variance


def long_run_variance(x: npt.ArrayLike) -> float:
    """Long-run variance: n times the variance of the mean of n values, in the square of the unit of `x`.

    Flat-top lag window (Politis & Romano 1995) with the automatic bandwidth of Politis & White (2004), on the
    prewhitened (Andrews & Monahan 1992) means of 48 bins; never under the always positive Bartlett window's.
    0 for a constant series, NaN with fewer than two values. Raises ValueError unless one-dimensional.
    """
    return _memory_of(_series(x)).long_run


def effective_samples(x: npt.ArrayLike) -> float:
    """Independent samples a series is worth: n variance / long-run variance, at most n.

    A series that alternates more than chance would is taken as worth its n, no more. NaN for a constant
    series, which does not tell, and with fewer than two values. Raises ValueError unless one-dimensional.
    """
    return _effective(_memory_of(_series(x)))


def automatic_block_length(x: npt.ArrayLike) -> BlockLength:
    """Block lengths that serve the variance of the mean best, in samples, at most a third of the series.

    Politis & White, Econometric Reviews 23:53 (2004), as corrected by Patton, Politis & White 28:372 (2009);
    a series that is sampled much faster than it changes is first gathered into coarser bins. NaN for a
    constant series and with fewer than two values. Raises ValueError unless one-dimensional.
    """
    series = _series(x)
    deviation, count = _deviations(series)
    if count < 2 or not deviation.any():  # one value has no variance
        return BlockLength(math.nan, math.nan)
    bins, width = _coarsened(deviation)
    long_run, moment, _ = _window(bins)
    if not long_run > 0.0:
        return BlockLength(1.0, 1.0)
    # b = (2 G^2 n / d)^(1/3): d = 2 g0^2 for the stationary (so the twos cancel), 4/3 g0^2 for the circular
    stationary = ((moment * width / long_run) ** 2 * count) ** (1.0 / 3.0)
    circular = 1.5 ** (1.0 / 3.0) * stationary
    longest = max(min(3.0 * math.sqrt(bins.size) * width, series.size / 3.0), 1.0)  # their upper limit
    return BlockLength(*(min(max(length, 1.0), longest) for length in (stationary, circular)))


def wilson_interval(share: float, n: float, *, confidence: float = DEFAULT_CONFIDENCE) -> tuple[float, float]:
    """Wilson score interval of a share (0..1) of `n` independent samples; `n` need not be whole.

    Wilson, JASA 22:209 (1927). Raises ValueError for a share outside 0..1, an n not above 0, or a confidence
    not between 0 and 1.
    """
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"share is {share}: expected 0..1")
    if not n > 0.0:
        raise ValueError(f"n is {n}: expected more than 0")
    return _wilson(share, n, _normal_quantile(confidence))


def block_bootstrap_mean(  # noqa: PLR0913 - all but the series have defaults
    x: npt.ArrayLike,
    *,
    confidence: float = DEFAULT_CONFIDENCE,
    resamples: int = DEFAULT_RESAMPLES,
    seed: int = 0,
    companion: npt.ArrayLike | None = None,
    min_effective: float = MIN_EFFECTIVE_SAMPLES,
) -> Interval:
    """The mean of an autocorrelated series with its interval; deterministic for a seed.

    A continuous series: quantiles of the circular block bootstrap about the mean, stretched to the long-run
    standard error and to Student's factor, kept within the range of the series. A 0/1 series: Wilson's
    interval on the effective samples with the same factor, since a few rare runs give a bootstrap too little
    to draw from. Settled in docs/decisions/bootstrap_interval.py.

    `companion`: a continuous series on the same time axis, moved by the same causes (what the 0/1 series was
    cut from). Where a 0/1 series changes too seldom to tell its memory, or never, the companion's stands in.

    No interval but a reason under `min_effective` independent samples. Raises ValueError for a series that is
    not one-dimensional, a companion of another length, or a confidence not between 0 and 1.
    """
    series = _series(x)
    normal = _normal_quantile(confidence)
    present = series[np.isfinite(series)]
    if present.size == 0:
        return Interval(None, None, math.nan, math.nan, confidence=confidence, reason="no value")
    estimate = float(present.mean())
    binary = bool(np.isin(present, (0.0, 1.0)).all())
    memory = _memory_of(series)
    effective = _effective(memory)
    if binary:
        memory, effective = _binary_memory(series, companion, memory)
    reason = _refusal(effective, min_effective, binary and companion is None)
    if reason is not None:
        return Interval(None, None, estimate, effective, confidence=confidence, reason=reason)
    student = float(stdtrit(max(memory.degrees, _FEWEST_DEGREES), 0.5 + confidence / 2.0))
    if binary:
        low, high = _wilson(estimate, effective, student)
        return Interval(low, high, estimate, effective, confidence=confidence, method="wilson")
    block = round(max(automatic_block_length(series).circular, series.size / _MOST_BLOCKS))
    offsets = resampled_means(series, block, resamples, seed) - estimate
    error = math.sqrt(memory.variance / effective)
    scatter = float(offsets.std())
    tail = 0.5 - confidence / 2.0
    # resamples that do not differ (an even block of a strictly alternating series) leave the error alone
    shape = np.quantile(offsets, (tail, 1.0 - tail)) / (normal * scatter) if scatter > 0.0 else (-1.0, 1.0)
    low, high = (estimate + student * max(error, scatter) * float(side) for side in shape)
    low, high = max(low, float(present.min())), min(high, float(present.max()))
    return Interval(low, high, estimate, effective, float(block), confidence, "bootstrap")


def resampled_means(x: npt.ArrayLike, block: int, resamples: int, seed: int) -> FloatArray:
    """Means of `resamples` circular block resamples in blocks of `block` samples; deterministic for a seed.

    Politis & Romano (1992). A block's sum is the difference of two cumulative sums, so a resample costs n /
    block look-ups. A missing value is missing in its block too: a resample's mean is over what its blocks
    hold, and one of nothing but missing values takes the mean of the series. Raises ValueError for a block
    that is not 1..n, and for a series without a value.
    """
    series = _series(x)
    size = series.size
    if not 1 <= block <= size:
        raise ValueError(f"block is {block}: expected 1..{size}, the length of the series")
    present = np.isfinite(series)
    if not present.any():
        raise ValueError("the series has no value: expected one at least")
    centre = float(series[present].mean())
    sums = _circular_sums(np.where(present, series - centre, 0.0), block)
    counts = None if present.all() else _circular_sums(present.astype(np.float64), block)
    blocks = math.ceil(size / block)
    generator = np.random.default_rng(seed)
    means = np.empty(resamples)
    rows = max(1, _CHUNK // blocks)
    for start in range(0, resamples, rows):
        stop = min(start + rows, resamples)
        chosen = generator.integers(0, size, size=(stop - start, blocks))
        total = sums[chosen].sum(axis=1)
        held = float(blocks * block) if counts is None else np.maximum(counts[chosen].sum(axis=1), 1.0)
        means[start:stop] = total / held
    return np.asarray(means + centre)


def _circular_sums(values: FloatArray, block: int) -> FloatArray:
    """Sum of the `block` values from each place on, going round at the end."""
    running = np.concatenate(([0.0], np.cumsum(np.concatenate((values, values[: block - 1])))))
    return np.asarray(running[block:] - running[:-block])


def _series(x: npt.ArrayLike) -> FloatArray:
    series = np.asarray(x, dtype=np.float64)
    if series.ndim != 1:
        raise ValueError(f"series has {series.ndim} dimensions: expected 1")
    return series


def _normal_quantile(confidence: float) -> float:
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence is {confidence}: expected between 0 and 1")
    return NormalDist().inv_cdf(0.5 + confidence / 2.0)


def _wilson(share: float, n: float, quantile: float) -> tuple[float, float]:
    weight = quantile * quantile / n
    centre = (share + weight / 2.0) / (1.0 + weight)
    half = quantile / (1.0 + weight) * math.sqrt(share * (1.0 - share) / n + weight / (4.0 * n))
    # at a share of 0 or 1 the bound is that share itself, which rounding would miss
    low = 0.0 if share == 0.0 else max(centre - half, 0.0)
    return low, 1.0 if share == 1.0 else min(centre + half, 1.0)


def _refusal(effective: float, least: float, alone: bool) -> str | None:
    """Why there is no interval, or None."""
    if math.isnan(effective):
        cause = "the series never changes" if alone else "too few values, or none differs"
        return f"{cause}: it does not tell how many independent samples it holds"
    if effective < least:
        return f"{effective:.1f} independent samples: an interval needs {least:g} or more"
    return None


def _effective(memory: _Memory) -> float:
    if not memory.variance > 0.0:
        return math.nan
    if not memory.long_run > 0.0:
        return float(memory.count)
    return min(memory.count * memory.variance / memory.long_run, float(memory.count))


def _binary_memory(series: FloatArray, companion: npt.ArrayLike | None, memory: _Memory) -> tuple[_Memory, float]:
    """Memory and independent samples of a 0/1 series: the fewest of what it tells where it changes seldom."""
    present = series[np.isfinite(series)]
    rare = 1.0 if 2 * present.sum() < present.size else 0.0
    steps = np.diff(np.concatenate(([0], (present == rare).astype(np.int8), [0])))
    runs = np.asarray(np.flatnonzero(steps == -1) - np.flatnonzero(steps == 1), dtype=np.float64)
    told = [_effective(memory)]
    if runs.size >= _FEW_RUNS:
        return memory, told[0]
    if 0.0 < present.mean() < 1.0:
        # Kish's effective number of the rarer runs, (sum L)^2 / sum L^2, over p (1 - p): for a two-state
        # Markov series of those mean run lengths that is its n_eff
        share = float(present.mean())
        told.append(float(runs.sum() ** 2 / (runs @ runs)) / (share * (1.0 - share)))
    if companion is not None:
        other = _series(companion)
        if other.size != series.size:
            raise ValueError(f"companion has {other.size} values: expected {series.size}")
        its_own = _memory_of(np.where(np.isfinite(series), other, np.nan))
        told.append(_effective(its_own))
        memory = memory if memory.variance > 0.0 else its_own
    known = [number for number in told if not math.isnan(number)]
    return memory, min(known, default=math.nan)


def _deviations(series: FloatArray) -> tuple[FloatArray, int]:
    """Deviations from the mean, 0 where a value is missing or all are equal; how many are present."""
    present = np.isfinite(series)
    deviation = np.zeros(series.size)
    values = series[present]
    if values.size and values.min() < values.max():
        deviation[present] = values - values.mean()
    return deviation, values.size


def _memory_of(series: FloatArray) -> _Memory:
    """Variance, long-run variance, and how well the latter is known.

    With deviations of 0 where a value is missing, the sum of their products at a lag is over the pairs that
    are there, which is just what the variance of the mean of the present values is made of (Parzen 1963).
    """
    deviation, count = _deviations(series)
    if count < 2:  # one value has no variance
        return _Memory(count, math.nan, math.nan, math.nan)
    variance = float(deviation @ deviation) / count
    width = math.ceil(series.size / _BINS)
    bins = _binned(deviation, width)
    if float(bins @ bins) <= _NOTHING * variance * count:
        return _Memory(count, variance, 0.0, float(bins.size))
    # Prewhitening (Andrews & Monahan, Econometrica 60:953, 1992, from memory): take the first-order memory
    # out, window what is left, put it back. The window alone cuts off the tail of a slowly fading memory, and
    # n_eff then reads a third too high where it is near 30.
    link = float(bins[1:] @ bins[:-1]) / float(bins @ bins)
    link += (1.0 + 3.0 * link) / bins.size  # bias of a measured lag-1 correlation: Kendall 1954, from memory
    link = _fading_of(min(max(link, -_MOST_LINK), _MOST_LINK), width)
    rest, _, degrees = _window(bins[1:] - link * bins[:-1])
    long_run = rest / (1.0 - link) ** 2 * bins.size / count
    variance += long_run / count  # taking off the series' own mean took so much off
    scatter = 1.0 / degrees + 2.0 * (1.0 + link) / (1.0 - link) / bins.size  # of the window, and of the link
    return _Memory(count, variance, long_run, 1.0 / scatter)


def _fading_of(correlation: float, width: int) -> float:
    """Factor by which a first-order memory fades from bin to bin, from the correlation of neighbouring bins.

    Sums over bins of `width` of an AR(1) series are more alike than its memory alone would make them, since
    what joins them sits at their border: correlation = f (1 - f^w)^2 / (1 - f)^2 / (w + 2 sum (w - k) f^k).
    """
    if width == 1 or correlation <= 0.0:
        return correlation if width == 1 else 0.0
    lags = np.arange(1, width)
    low, high = 0.0, 1.0 - 1e-9
    for _ in range(60):  # halvings: to the last digit
        middle = (low + high) / 2.0
        own = width + 2.0 * float((width - lags) @ middle**lags)
        shared = middle * ((1.0 - middle**width) / (1.0 - middle)) ** 2
        low, high = (middle, high) if shared < correlation * own else (low, middle)
    return float(low**width)


def _window(bins: FloatArray) -> tuple[float, float, float]:
    """Flat-top lag window: long-run variance of a bin, sum of lambda |k| gamma(k), degrees of freedom."""
    products = _lag_products(bins) / bins.size
    cut = _bandwidth(products, bins.size)
    lags = np.arange(1, cut + 1)
    tail = products[1 : cut + 1]
    flat_top = np.minimum(1.0, 2.0 * (1.0 - lags / cut))
    bartlett = 1.0 - lags / (cut + 1.0)
    long_run = float(products[0] + 2.0 * max(flat_top @ tail, bartlett @ tail))
    # each autocovariance is long_run / n low, since the mean of the series itself was taken off
    kept = 1.0 - min((1.0 + 2.0 * float(flat_top.sum())) / bins.size, _MOST_SHORTFALL)
    moment = 2.0 * float(flat_top @ (lags * tail))
    degrees = bins.size / (1.0 + 2.0 * float(flat_top @ flat_top))
    return long_run / kept, moment / kept, degrees


def _binned(deviation: FloatArray, width: int) -> FloatArray:
    """Sums over bins of `width` neighbours; the last bin may hold fewer."""
    padded = np.pad(deviation, (0, -deviation.size % width))
    return np.asarray(padded.reshape(-1, width).sum(axis=1))


def _coarsened(deviation: FloatArray) -> tuple[FloatArray, int]:
    """Bins wide enough that one does not foretell the next, and their width."""
    bins, width = deviation, 1
    while bins.size >= 2 * _FEWEST_BINS and float(bins[1:] @ bins[:-1]) > _COARSEN_ABOVE * float(bins @ bins):
        bins, width = _binned(bins, 2), 2 * width
    return bins, width


def _lag_products(bins: FloatArray) -> FloatArray:
    """Sums of products of a series with itself, at every lag up to half its length and at least one."""
    length = 1 << (2 * bins.size).bit_length()
    power = np.abs(np.fft.rfft(bins, length)) ** 2
    return np.asarray(np.fft.irfft(power, length)[: max(bins.size // 2 + 1, 2)])


def _bandwidth(products: FloatArray, size: int) -> int:
    """Lag at which the window ends: twice the last lag whose correlation stands out of the band."""
    band = _BAND * math.sqrt(math.log10(size) / size)
    quiet = max(_LAGS_QUIET, int(math.log10(size)))
    most = min(math.ceil(math.sqrt(size)) + quiet, products.size - 1)
    run = 0
    for lag in range(1, most + 1):
        run = 0 if abs(products[lag]) >= band * products[0] else run + 1
        if run == quiet:
            return min(2 * max(lag - quiet, 1), most)
    return most
