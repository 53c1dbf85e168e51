"""Statistics of autocorrelated series: closed forms, published values, `arch`, and coverage."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from fieldscore import stats

Series = npt.NDArray[np.float64]


def ar1(phi: float, size: int, seed: int) -> Series:
    """AR(1) with innovations of variance 1, from its stationary distribution."""
    noise = np.random.default_rng(seed).standard_normal(size)
    noise[0] /= math.sqrt(1 - phi * phi)
    return np.asarray(lfilter([1.0], [1.0, -phi], noise))


def switching(up: float, down: float, size: int, seed: int) -> Series:
    """0/1 series with geometric runs of these mean lengths in samples."""
    generator = np.random.default_rng(seed)
    pairs = int(size / (up + down)) * 2 + 60
    runs = np.column_stack((generator.geometric(1 / up, pairs), generator.geometric(1 / down, pairs))).ravel()
    if generator.random() < down / (up + down):
        return np.repeat(np.tile([0.0, 1.0], pairs), runs[1:].tolist() + [1])[:size]
    return np.repeat(np.tile([1.0, 0.0], pairs), runs)[:size]


@pytest.mark.parametrize(("phi", "size"), [(0.0, 3000), (0.5, 1000), (0.9, 1000), (0.95, 3600)])
def test_effective_samples_of_ar1(phi: float, size: int) -> None:
    """AR(1) is worth n (1 - phi) / (1 + phi) samples, within a tenth in the median of 100 series."""
    # closed form; phi = .9, n = 1000: 52.63; phi = .5: 333.3
    truth = size * (1 - phi) / (1 + phi)
    measured = np.median([stats.effective_samples(ar1(phi, size, seed)) for seed in range(100)])
    assert measured == pytest.approx(truth, rel=0.1)


@pytest.mark.parametrize("phi", [0.5, 0.9])
def test_long_run_variance_of_ar1(phi: float) -> None:
    """AR(1) with unit innovations has long-run variance 1 / (1 - phi)^2, within a tenth in the median."""
    measured = np.median([stats.long_run_variance(ar1(phi, 3000, seed)) for seed in range(100)])
    assert measured == pytest.approx(1 / (1 - phi) ** 2, rel=0.1)


def test_effective_samples_of_a_switching_series() -> None:
    """A two-state series of mean runs 60 and 30 frames has the n_eff of AR(1) with phi = 1 - 1/60 - 1/30."""
    # closed form of the two-state Markov chain: rho_k = (1 - a - b)^k
    fade = 1 - 1 / 60 - 1 / 30
    measured = np.median([stats.effective_samples(switching(60, 30, 6000, seed)) for seed in range(100)])
    assert measured == pytest.approx(6000 * (1 - fade) / (1 + fade), rel=0.1)


def test_slow_drift_under_frame_noise_is_seen() -> None:
    """A slow drift a third the size of the frame noise still governs how many samples there are."""
    # closed form: variances add, and so do long-run variances
    truth = 9000 * 1.09 / (1 + 0.09 * 1.99 / 0.01)
    found = []
    for seed in range(60):
        drift = ar1(0.99, 9000, seed) * math.sqrt(1 - 0.99**2)
        noise = np.random.default_rng(seed + 900).standard_normal(9000)
        found.append(stats.effective_samples(0.3 * drift + noise))
    assert np.median(found) == pytest.approx(truth, rel=0.15)


def test_gaps_keep_their_place() -> None:
    """Losing every third 100 frames leaves n_eff between the kept share of it and the whole."""
    # exact for AR(1) .9 with that pattern: sum over pairs present of phi^|i-j|
    kept = (np.arange(3000) // 100) % 3 != 1
    places = np.flatnonzero(kept)
    pairs = sum(float((0.9 ** np.abs(places - place)).sum()) for place in places)
    truth = places.size**2 / pairs
    found = [stats.effective_samples(np.where(kept, ar1(0.9, 3000, seed), np.nan)) for seed in range(100)]
    assert np.median(found) == pytest.approx(truth, rel=0.1)
    assert truth < 3000 / 19


def test_effective_samples_never_exceed_the_values() -> None:
    """A series that alternates is worth its values, no more; a constant or single one does not tell."""
    assert stats.effective_samples(np.tile([0.0, 1.0], 300)) == 600
    assert math.isnan(stats.effective_samples(np.ones(50)))
    assert math.isnan(stats.effective_samples([1.0]))
    assert math.isnan(stats.effective_samples([]))
    assert stats.long_run_variance(np.full(50, 3.0)) == 0.0


@given(st.lists(st.floats(-1e6, 1e6) | st.just(math.nan), max_size=60))
def test_any_series_has_a_sane_answer(values: list[float]) -> None:
    """Whatever the series, n_eff is NaN or within 0..n and the interval, if any, holds the mean."""
    effective = stats.effective_samples(values)
    present = sum(not math.isnan(value) for value in values)
    assert math.isnan(effective) or 0 < effective <= present
    interval = stats.block_bootstrap_mean(values, resamples=50, min_effective=1.0)
    if interval.low is None or interval.high is None:
        assert interval.reason
    else:
        slack = 1e-9 * (1 + abs(interval.estimate))
        assert interval.low - slack <= interval.estimate <= interval.high + slack


@given(st.integers(0, 1000), st.floats(0.01, 100.0), st.floats(-50.0, 50.0))
def test_scale_and_shift_do_not_matter(seed: int, scale: float, shift: float) -> None:
    """n_eff and block length are the same in any unit."""
    series = ar1(0.6, 400, seed)
    other = scale * series + shift
    assert stats.effective_samples(other) == pytest.approx(stats.effective_samples(series), rel=1e-6)
    assert stats.automatic_block_length(other).circular == pytest.approx(
        stats.automatic_block_length(series).circular, rel=1e-6
    )


@pytest.mark.parametrize(("phi", "size", "tolerance"), [(0.5, 1000, 0.2), (0.9, 20000, 0.15)])
def test_block_length_of_ar1(phi: float, size: int, tolerance: float) -> None:
    """The block length comes near the closed one of AR(1), and the circular is 1.1447 times as long."""
    # Patton, Politis & White (2009): b_SB = (2 phi / (1 - phi^2))^(2/3) n^(1/3); phi = .5, n = 1000: 12.114
    truth = ((2 * phi / (1 - phi * phi)) ** 2 * size) ** (1 / 3)
    lengths = [stats.automatic_block_length(ar1(phi, size, seed)) for seed in range(40)]
    assert np.median([length.stationary for length in lengths]) == pytest.approx(truth, rel=tolerance)
    assert lengths[0].circular / lengths[0].stationary == pytest.approx(1.144714, abs=1e-6)


@pytest.mark.parametrize(("phi", "size"), [(0.5, 1000), (0.65, 5000), (0.9, 20000)])
def test_block_length_agrees_with_arch(phi: float, size: int) -> None:
    """The automatic block length is that of the `arch` package within a tenth, in the median of 20 series."""
    bootstrap = pytest.importorskip("arch.bootstrap")
    ratios = []
    for seed in range(20):
        series = ar1(phi, size, seed)
        theirs = float(bootstrap.optimal_block_length(series)["stationary"].iloc[0])
        ratios.append(stats.automatic_block_length(series).stationary / theirs)
    assert np.median(ratios) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("kind", ["CircularBlockBootstrap", "StationaryBootstrap"])
def test_resamples_agree_with_arch(kind: str) -> None:
    """Quantiles of our resampled means are those of `arch` at that block length, within Monte-Carlo error."""
    bootstrap = pytest.importorskip("arch.bootstrap")
    series = ar1(0.5, 1000, 0)
    ours = stats.resampled_means(series, 13, 20_000, seed=1)
    theirs = getattr(bootstrap, kind)(13, series, seed=3).conf_int(np.mean, 3000, method="percentile").ravel()
    # sd of a 2.5 % quantile of 3000 resamples: 0.05 sd; the stationary bootstrap's spread is a little smaller
    assert np.quantile(ours, (0.025, 0.975)) == pytest.approx(theirs, abs=0.2 * float(ours.std()))


def test_resampled_means_against_plain_drawing() -> None:
    """The cumulative-sum look-up equals the mean of the blocks drawn out in full, with gaps too."""
    series = ar1(0.7, 50, 4)
    series[[3, 4, 20, 49]] = np.nan
    fast = stats.resampled_means(series, 7, 200, seed=9)
    starts = np.random.default_rng(9).integers(0, 50, size=(200, 8))
    places = (starts[:, :, None] + np.arange(7)) % 50
    assert fast == pytest.approx(np.nanmean(series[places.reshape(200, -1)], axis=1), abs=1e-12)


def test_resampling_in_chunks_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many resamples are drawn at a time, they are the same ones."""
    series = ar1(0.5, 400, 1)
    whole = stats.resampled_means(series, 5, 300, seed=2)
    monkeypatch.setattr(stats, "_CHUNK", 1000)
    assert stats.resampled_means(series, 5, 300, seed=2) == pytest.approx(whole, abs=1e-12)


@pytest.mark.parametrize("size", [1, 2, 3, 48, 50, 333])
def test_lag_products_against_plain_sums(size: int) -> None:
    """Products at each lag by Fourier transform are the plain sums, with nothing wrapped round the end."""
    series = np.random.default_rng(size).standard_normal(size)
    plain = np.correlate(series, series, "full")[size - 1 :][: size // 2 + 1]
    assert stats._lag_products(series)[: plain.size] == pytest.approx(plain, abs=1e-9)


def test_resampling_refuses_nonsense() -> None:
    """A block longer than the series and a series of nothing are refused."""
    with pytest.raises(ValueError, match=r"block is 9: expected 1\.\.8"):
        stats.resampled_means(np.arange(8.0), 9, 10, 0)
    with pytest.raises(ValueError, match="the series has no value"):
        stats.resampled_means([math.nan, math.nan], 1, 10, 0)


@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(18, 20, 0.69897, 0.97213), (1, 10, 0.01788, 0.40415), (0, 10, 0.0, 0.27753)],
)
def test_wilson(hits: int, n: int, low: float, high: float) -> None:
    """Wilson's interval has the published bounds."""
    # Wilson (1927); values by statsmodels proportion_confint; 0 of 10: z^2 / (n + z^2)
    assert stats.wilson_interval(hits / n, n) == pytest.approx((low, high), abs=6e-6)


@given(st.floats(0.0, 1.0), st.floats(0.5, 1e5))
def test_wilson_holds_the_share_and_mirrors(share: float, n: float) -> None:
    """Wilson's interval lies in 0..1, holds the share, and mirrors when hits and misses change places."""
    low, high = stats.wilson_interval(share, n)
    assert 0.0 <= low <= share + 1e-12 and share - 1e-12 <= high <= 1.0
    assert stats.wilson_interval(1.0 - share, n) == pytest.approx((1.0 - high, 1.0 - low), abs=1e-9)


def test_wilson_refuses_nonsense() -> None:
    """A share in percent, no samples and a confidence in percent are plain errors."""
    with pytest.raises(ValueError, match="share is 60"):
        stats.wilson_interval(60.0, 30)
    with pytest.raises(ValueError, match="n is 0"):
        stats.wilson_interval(0.5, 0)
    with pytest.raises(ValueError, match="confidence is 95"):
        stats.wilson_interval(0.5, 30, confidence=95)


@pytest.mark.parametrize(
    ("name", "size"),
    [("ar.5", 300), ("ar.95", 3600), ("runs 2 s", 3600), ("runs 5 s / 1 s", 3600), ("gaps", 2400)],
)
def test_interval_covers_what_it_says(name: str, size: int) -> None:
    """A 95 % interval holds the true mean in 90 % of 200 series or more, and is not empty talk."""
    # 90 %: the aim with 30 effective samples or more; 99.9 % would mean intervals far too wide
    held = shown = 0
    for seed in range(200):
        truth = {"runs 2 s": 0.5, "runs 5 s / 1 s": 5 / 6}.get(name, 0.0)
        if name.startswith("runs"):
            series = switching(*((60, 60) if truth == 0.5 else (150, 30)), size, seed)
        else:
            series = ar1({"ar.5": 0.5, "ar.95": 0.95}.get(name, 0.9), size, seed)
        if name == "gaps":
            series[(np.arange(size) // 100) % 3 == 1] = np.nan
        interval = stats.block_bootstrap_mean(series, resamples=300, seed=seed)
        if interval.low is not None and interval.high is not None:
            shown += 1
            held += interval.low <= truth <= interval.high
    assert shown >= 190
    assert 0.9 <= held / shown < 0.999


def test_interval_of_independent_values() -> None:
    """For independent values the interval is Student's, a tenth wider at most for not knowing it."""
    series = np.random.default_rng(3).standard_normal(3000) + 7.0
    interval = stats.block_bootstrap_mean(series)
    assert interval.low is not None and interval.high is not None
    half = (interval.high - interval.low) / 2
    own = 1.96 * float(series.std()) / math.sqrt(interval.effective_samples)
    assert own < half < 1.2 * own
    assert interval.method == "bootstrap"
    assert interval.estimate == pytest.approx(float(series.mean()))
    assert interval.reason is None


def test_interval_is_deterministic_and_widens_with_confidence() -> None:
    """The same seed gives the same interval; more confidence a wider one."""
    series = ar1(0.5, 1000, 5)
    first = stats.block_bootstrap_mean(series, seed=4)
    assert first == stats.block_bootstrap_mean(series, seed=4)
    assert first != stats.block_bootstrap_mean(series, seed=5)
    wide = stats.block_bootstrap_mean(series, seed=4, confidence=0.99)
    assert None not in (first.low, first.high, wide.low, wide.high)
    assert wide.low < first.low < first.high < wide.high  # type: ignore[operator]


def test_difference_mirrors() -> None:
    """The interval of b - a is that of a - b mirrored, within Monte-Carlo error."""
    series = ar1(0.5, 1200, 6)
    one, other = stats.block_bootstrap_mean(series), stats.block_bootstrap_mean(-series)
    assert one.low is not None and one.high is not None
    assert other.low == pytest.approx(-one.high, abs=1e-9)
    assert other.high == pytest.approx(-one.low, abs=1e-9)


def test_no_interval_of_too_few_samples() -> None:
    """Under 30 effective samples there is no interval but the reason, with the estimate all the same."""
    series = ar1(0.98, 600, 1)
    interval = stats.block_bootstrap_mean(series)
    assert interval.low is None and interval.high is None
    assert interval.effective_samples < 30
    assert interval.estimate == pytest.approx(float(series.mean()))
    number = f"{interval.effective_samples:.1f}"
    assert interval.reason == f"{number} independent samples: an interval needs 30 or more"
    assert stats.block_bootstrap_mean(series, min_effective=1.0).low is not None


def test_nothing_to_measure() -> None:
    """No values at all give no estimate either, and say so."""
    for empty in ([], [math.nan, math.nan]):
        interval = stats.block_bootstrap_mean(empty)
        assert math.isnan(interval.estimate) and interval.low is None
        assert interval.reason == "no value"


def test_always_usable_takes_the_companion() -> None:
    """A flight usable in every frame gets Wilson's interval on the samples of the measure behind it."""
    readable = ar1(0.9, 3000, 2)
    interval = stats.block_bootstrap_mean(np.ones(3000), companion=readable)
    assert interval.effective_samples == pytest.approx(stats.effective_samples(readable))
    assert interval.method == "wilson" and interval.high == 1.0
    assert interval.low is not None
    # Wilson at a share of 1 with n_eff near 158: n / (n + z^2) = .976, with Student's factor a little lower
    n = interval.effective_samples
    assert n / (n + 2.5**2) < interval.low < n / (n + 1.96**2)


def test_always_usable_alone_has_no_interval() -> None:
    """A flight usable in every frame does not tell its memory: no interval without a companion, and why."""
    interval = stats.block_bootstrap_mean(np.ones(3000))
    assert interval.estimate == 1.0 and interval.low is None
    untold = "it does not tell how many independent samples it holds"
    assert interval.reason == f"the series never changes: {untold}"
    both = stats.block_bootstrap_mean(np.ones(3000), companion=np.zeros(3000))
    assert both.low is None
    assert both.reason == f"too few values, or none differs: {untold}"


def test_one_gap_is_one_event() -> None:
    """A single loss of 3 s in 120 s counts as one rare event: n_eff is at most 1 / (p (1 - p))."""
    # two-state Markov series: n_eff = events / (p (1 - p)) with Kish's number of events, here 1
    series = np.ones(3600)
    series[1000:1090] = 0.0
    interval = stats.block_bootstrap_mean(series, min_effective=10)
    assert 10 < interval.effective_samples <= 1 / (0.975 * 0.025) + 1e-9
    assert interval.low is not None and interval.low < 0.9
    slow = ar1(0.995, 3600, 3)
    assert stats.block_bootstrap_mean(series, companion=slow).effective_samples == pytest.approx(
        stats.effective_samples(slow)
    )


def test_companion_must_fit() -> None:
    """A companion of another length and a series of two dimensions are plain errors."""
    with pytest.raises(ValueError, match="companion has 5 values: expected 6"):
        stats.block_bootstrap_mean(np.ones(6), companion=np.ones(5))
    with pytest.raises(ValueError, match="series has 2 dimensions: expected 1"):
        stats.effective_samples(np.ones((2, 3)))


def test_companion_is_looked_at_where_the_series_is() -> None:
    """Where the 0/1 series is missing, the companion does not count."""
    readable = ar1(0.9, 3000, 2)
    usable = np.ones(3000)
    usable[1000:2000] = np.nan
    interval = stats.block_bootstrap_mean(usable, companion=readable)
    readable[1000:2000] = 1e6
    assert stats.block_bootstrap_mean(usable, companion=readable) == interval
