"""Means with intervals: scipy is the reference for independent data, theory for correlated."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats

from logbench.analysis.statistics import (
    MOST_POINTS,
    detrended,
    effective_size,
    estimate,
    slope_per_s,
    t_quantile,
)


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
    sizes = [
        effective_size(ar1(np.random.default_rng(seed), 1500, phi), np.zeros(1500, dtype=np.intp))
        for seed in range(30)
    ]
    assert np.median(sizes) == pytest.approx(1500 * (1 - phi) / (1 + phi), rel=0.25)


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


def test_slope_is_the_regression_line():
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(0, 100, 50))
    x = 3.0 * t + rng.normal(size=50)
    assert slope_per_s(t, x) == pytest.approx(stats.linregress(t, x).slope)
    assert np.isnan(slope_per_s(np.array([1.0, 1.0]), np.array([1.0, 2.0])))


def test_a_trend_over_a_sweep_is_taken_out_and_the_mean_kept():
    rng = np.random.default_rng(6)
    rpm = np.linspace(3000, 5000, 40)
    x = 80 + 0.01 * (rpm - 4000) + rng.normal(0, 0.1, 40)
    got = detrended(x, rpm)
    assert got.mean() == pytest.approx(x.mean())
    assert got.std() < 0.2
    assert detrended(x[:3], rpm[:3]) is not None
