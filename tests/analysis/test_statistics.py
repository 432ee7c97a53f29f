"""Means and sums with intervals: scipy is the reference for independent data; theory, statsmodels
and arch for correlated."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from arch.bootstrap import CircularBlockBootstrap, optimal_block_length
from scipy import signal, stats

from logbench.analysis.statistics import (
    MIN_SAMPLES,
    MOST_POINTS,
    UNKNOWN,
    Spread,
    Uncertainty,
    correlation_length,
    detrended,
    estimate,
    half_width_of_few,
    interval,
    of_sum,
    spread_of_pieces,
    t_quantile,
)


def one(n: int) -> np.ndarray:
    """All samples in one stretch."""
    return np.zeros(n, dtype=np.intp)


def ar1(rng: np.random.Generator, n: int, phi: float) -> np.ndarray:
    noise = rng.normal(size=n + 200)
    return signal.lfilter([1.0], [1.0, -phi], noise)[200:]


def test_quantile_is_scipys():
    for degrees in (1, 4, 29, 1000):
        assert t_quantile(degrees) == pytest.approx(stats.t.ppf(0.975, degrees), rel=1e-9)


def test_independent_samples_give_the_textbook_interval():
    # the pairs of autocorrelations of white noise end at once for this seed: no correction
    x = np.random.default_rng(5).normal(3.0, 2.0, 200)
    low, high = stats.t.interval(0.95, len(x) - 1, loc=x.mean(), scale=stats.sem(x))
    got = estimate(x)
    assert got.mean == pytest.approx(x.mean())
    assert got.half_width == pytest.approx((high - low) / 2, rel=0.25)
    assert 0.6 * len(x) <= got.n_effective <= len(x)


@pytest.mark.parametrize("phi", [0.5, 0.8, 0.9])
def test_correlated_samples_count_for_less(phi):
    # variance of the mean of an AR(1) series: sigma^2/n * (1+phi)/(1-phi), any textbook on time
    # series (from memory: Priestley 1981)
    lengths = [
        correlation_length(ar1(np.random.default_rng(seed), 1500, phi), one(1500))
        for seed in range(30)
    ]
    assert np.median(lengths) == pytest.approx((1 + phi) / (1 - phi), rel=0.25)


@pytest.mark.parametrize("phi", [0.0, 0.7, 0.9])
def test_the_interval_covers_the_true_mean(phi):
    hits = 0
    for seed in range(300):
        got = estimate(ar1(np.random.default_rng(1000 + seed), 400, phi))
        hits += abs(got.mean) <= got.half_width
    assert 0.88 <= hits / 300 <= 0.995


def test_long_series_are_worth_the_same_in_blocks():
    x = ar1(np.random.default_rng(2), 8 * MOST_POINTS, 0.9)
    got = estimate(x)
    theory = 1.96 * x.std() * np.sqrt(1.9 / 0.1 / len(x))
    assert got.half_width == pytest.approx(theory, rel=0.3)


def test_stretches_at_other_operating_points_are_no_scatter_of_one():
    rng = np.random.default_rng(3)
    group = np.repeat([0, 1], 300).astype(np.intp)
    x = rng.normal(0.0, 0.5, 600) + 20.0 * group
    assert estimate(x, group).half_width < 0.3
    many = np.repeat(np.arange(12), 50).astype(np.intp)
    scattered = rng.normal(0.0, 0.5, 600) + rng.normal(0.0, 5.0, 12)[many]
    assert estimate(scattered, many).half_width > 1.5


def test_little_or_nothing_gives_no_interval():
    assert np.isnan(estimate(np.array([])).mean)
    few = estimate(np.array([1.0, 2.0, np.nan]))
    assert few.mean == 1.5
    assert few.n == 2
    assert np.isnan(few.half_width)


def test_a_constant_reading_is_known_to_its_resolution_only():
    got = estimate(np.full(100, 4.0), quantum=0.78125)
    assert got.half_width == pytest.approx(0.78125 / np.sqrt(12))


def test_a_trend_over_a_sweep_is_taken_out_and_the_mean_kept():
    rng = np.random.default_rng(6)
    rpm = np.linspace(3000, 5000, 40)
    x = 80 + 0.01 * (rpm - 4000) + rng.normal(0, 0.1, 40)
    got = detrended(x, rpm)
    assert got.mean() == pytest.approx(x.mean())
    assert got.std() < 0.2
    assert detrended(x[:3], rpm[:3]) is not None


def test_ends_of_a_stretch_do_not_follow_each_other():
    # two stretches that each fall from 1 to -1: across the seam the series leaps, and only a
    # group for each keeps that leap out of the autocorrelation
    fall = np.linspace(1.0, -1.0, 20)
    x = np.concatenate([fall] * 12)
    apart = np.repeat(np.arange(12), 20).astype(np.intp)
    pairs = [x[:-1][apart[:-1] == apart[1:]], x[1:][apart[:-1] == apart[1:]]]
    first = float(np.mean(pairs[0] * pairs[1]) / np.mean(x**2))
    assert correlation_length(x, apart) > 1.0 + 2.0 * first
    assert correlation_length(x, apart) > correlation_length(x, one(len(x)))


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
def test_sum_is_the_truncated_kernel_of_statsmodels(phi):
    # the sum of autocovariances up to a lag is the "uniform" kernel of a covariance robust to
    # heteroskedasticity and autocorrelation (HAC); statsmodels is given our last lag
    n = 600
    for seed in range(5):
        x = ar1(np.random.default_rng(40 + seed), n, phi)
        away = x - x.mean()
        rho = np.correlate(away, away, "full")[n - 1 :] / (n - np.arange(n)) / away.var()
        pairs = rho[1:-1:2] + rho[2::2]
        last = 2 * int(np.argmax(pairs[:199] <= 0.0))
        theirs = sm.OLS(x, np.ones(n)).fit(
            cov_type="HAC",
            cov_kwds={"maxlags": last, "kernel": "uniform", "use_correction": False},
        )
        assert of_sum(away / n, one(n)).se == pytest.approx(theirs.bse[0], rel=0.05)


@pytest.mark.parametrize("phi", [0.3, 0.6, 0.8])
def test_sum_agrees_with_newey_west_and_with_drawn_blocks(phi):
    # Newey and West (Bartlett's kernel, long enough for little bias) by statsmodels; circular
    # blocks of the length of Politis and White by arch
    n, ours, west, drawn = 1200, [], [], []
    for seed in range(8):
        x = ar1(np.random.default_rng(70 + seed), n, phi)
        ours.append(of_sum((x - x.mean()) / n, one(n)).se)
        fit = sm.OLS(x, np.ones(n)).fit(cov_type="HAC", cov_kwds={"maxlags": 60})
        west.append(fit.bse[0])
        length = int(np.ceil(optimal_block_length(x)["circular"].iloc[0]))
        blocks = CircularBlockBootstrap(length, x, seed=seed)
        drawn.append(float(np.sqrt(blocks.cov(np.mean, reps=400).item())))
    assert np.median(ours) == pytest.approx(np.median(west), rel=0.15)
    assert np.median(ours) == pytest.approx(np.median(drawn), rel=0.15)


@pytest.mark.parametrize("seed", range(3))
def test_independent_samples_give_scipys_bootstrap(seed):
    x = np.random.default_rng(seed).gamma(3.0, size=300)
    theirs = stats.bootstrap(
        (x,), np.mean, n_resamples=4000, method="percentile", rng=np.random.default_rng(seed)
    )
    ends = interval(float(x.mean()), of_sum((x - x.mean()) / len(x), one(len(x))))
    width = theirs.confidence_interval.high - theirs.confidence_interval.low
    # white noise of one draw is never quite white: a lag or two may be counted
    assert width * 0.94 <= 2.0 * ends.half_width <= width * 1.3


@pytest.mark.parametrize(("n", "phi"), [(60, 0.0), (60, 0.6), (200, 0.8), (600, 0.9)])
def test_interval_of_a_sum_covers_the_truth(n, phi):
    rng = np.random.default_rng(5)
    hits, count = 0, 600
    for _ in range(count):
        x = ar1(rng, n, phi)
        found = interval(float(x.mean()), of_sum((x - x.mean()) / n, one(n)))
        hits += abs(found.value) <= found.half_width
    assert 0.88 <= hits / count <= 0.98


def test_weights_that_few_samples_carry_cost_degrees_of_freedom():
    x = np.random.default_rng(8).normal(size=200)
    weight = np.where(np.arange(200) % 20 == 0, 1.0, 0.01)
    few = of_sum(weight * (x - np.average(x, weights=weight)), one(200))
    assert few.degrees < 20.0 < of_sum(x - x.mean(), one(200)).degrees


def test_textbook_interval_of_correlated_samples_does_not_cover():
    # what the correlation length is for: independent-sample intervals of the same series fail
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(300):
        x = ar1(rng, 200, 0.8)
        hits += abs(x.mean()) <= 1.96 * x.std(ddof=1) / np.sqrt(200)
    assert hits / 300 < 0.6


def test_interval_adds_variances_and_degrees_as_welch_does():
    rng = np.random.default_rng(2)
    a, b = rng.normal(0, 1, 12), rng.normal(0.4, 3, 9)
    welch = stats.ttest_ind(b, a, equal_var=False)
    parts = [Uncertainty(float(x.std(ddof=1) / np.sqrt(len(x))), len(x) - 1.0) for x in (a, b)]
    found = interval(float(b.mean() - a.mean()), *parts)
    assert found.p == pytest.approx(welch.pvalue)
    ends = welch.confidence_interval()
    assert (found.low, found.high) == pytest.approx((ends.low, ends.high))


def test_too_few_samples_give_no_number():
    assert of_sum(np.array([1.0, -1.0]), one(2)) is UNKNOWN
    assert of_sum(np.zeros(MIN_SAMPLES), one(MIN_SAMPLES)) is not UNKNOWN
    assert np.isnan(interval(1.0, UNKNOWN).p)


def test_constant_signals_that_agree_show_nothing():
    found = interval(0.0, of_sum(np.zeros(50), one(50)))
    assert (found.half_width, found.p) == (0.0, 1.0)


def test_stretches_that_differ_widen_the_interval_as_students_t_of_their_means():
    means = np.array([1.0, 4.0, 2.0, 7.0, 3.0, 5.0])
    group = np.repeat(np.arange(6), 40)
    found = estimate(np.repeat(means, 40), group)
    assert found.half_width == pytest.approx(stats.t.ppf(0.975, 5) * stats.sem(means))


def test_few_independent_values_have_students_interval():
    values = np.array([1.0, 2.0, 4.0, 8.0])
    assert half_width_of_few(values) == pytest.approx(stats.t.ppf(0.975, 3) * stats.sem(values))
    assert np.isnan(half_width_of_few(values[:1]))


def test_the_spread_about_the_lines_of_short_pieces_is_that_of_the_noise():
    """Standard deviation 1 about slopes of 3 in pieces of five samples."""
    rng = np.random.default_rng(5)
    t = np.arange(10_000.0)
    found = spread_of_pieces(t, 3.0 * t + rng.normal(size=len(t)), (t // 5).astype(np.intp))
    assert found.sd == pytest.approx(1.0, rel=0.05)
    assert found.low < 1.0 < found.high


def test_of_a_spread_the_side_of_the_limit_decides():
    found = Spread(sd=2.0, low=1.5, high=3.0)
    assert found.towards(1.0) == 0.5
    assert found.towards(5.0) == 1.0


def test_a_floor_counts_as_well_known():
    found = interval(1.0, floor=2.0)
    assert found.se == 2.0
    assert found.half_width == pytest.approx(2.0 * stats.norm.ppf(0.975), rel=1e-4)
