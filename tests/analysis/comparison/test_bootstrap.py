"""The closed form of the block bootstrap against scipy's bootstrap, theory, and real draws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats

from logbench.analysis.comparison.bootstrap import (
    UNKNOWN,
    block_length,
    interval,
    of_sum,
    resampled_sums,
)


def ar1(n: int, rho: float, rng: np.random.Generator) -> np.ndarray:
    """A first-order autoregression with unit innovations."""
    return signal.lfilter([1.0], [1.0, -rho], rng.normal(size=n + 200))[200:]


@pytest.mark.parametrize("seed", range(5))
def test_independent_samples_give_scipys_bootstrap(seed):
    x = np.random.default_rng(seed).gamma(3.0, size=300)
    ours = of_sum((x - x.mean()) / len(x), 1.0)
    assert block_length(x) <= 4.0
    theirs = stats.bootstrap(
        (x,), np.mean, n_resamples=4000, method="percentile", rng=np.random.default_rng(seed)
    )
    assert ours.se == pytest.approx(theirs.standard_error, rel=0.06)
    ends = interval(float(x.mean()), ours)
    width = theirs.confidence_interval.high - theirs.confidence_interval.low
    assert 2.0 * ends.half_width == pytest.approx(width, rel=0.06)


@pytest.mark.parametrize("block", [1.0, 5.0, 20.0])
def test_closed_form_is_what_drawing_blocks_converges_to(block):
    x = ar1(400, 0.7, np.random.default_rng(3))
    scores = (x - x.mean()) / len(x)
    drawn = resampled_sums(scores, block, 20_000, seed=1).std()
    share = of_sum(scores, block).block / 400
    share *= 400 / min(400.0, of_sum(scores, block).blocks * block)
    corrected = of_sum(scores, block).se * np.sqrt(1.0 - share + share**2 / 3.0)
    assert drawn == pytest.approx(corrected, rel=0.02)


def test_block_length_is_one_for_independent_samples_and_grows_with_correlation():
    rng = np.random.default_rng(7)
    lengths = {
        rho: np.median([block_length(ar1(500, rho, rng)) for _ in range(60)])
        for rho in (0.0, 0.5, 0.9)
    }
    assert lengths[0.0] <= 3.0
    assert lengths[0.0] < lengths[0.5] < lengths[0.9]


def test_block_length_near_the_formula_for_an_autoregression():
    # For AR(1) the optimal length of the circular bootstrap is (2 (g/s)^2 / (4/3))^(1/3) n^(1/3)
    # with g = sum |k| R(k) and s = sum R(k): g/s = 2 rho / (1 - rho^2) (Politis and White 2004).
    n, rho = 4000, 0.6
    rng = np.random.default_rng(11)
    wanted = (1.5 * (2.0 * rho / (1.0 - rho**2)) ** 2) ** (1.0 / 3.0) * n ** (1.0 / 3.0)
    found = np.median([block_length(ar1(n, rho, rng)) for _ in range(40)])
    assert (found + 1.0) / 2.0 == pytest.approx(wanted, rel=0.2)


@pytest.mark.parametrize(("n", "rho"), [(60, 0.0), (60, 0.6), (200, 0.8), (600, 0.9)])
def test_interval_of_a_mean_covers_the_truth(n, rho):
    rng = np.random.default_rng(5)
    hits, count = 0, 600
    for _ in range(count):
        x = ar1(n, rho, rng)
        length = block_length(x)
        found = interval(float(x.mean()), of_sum((x - x.mean()) / n, length))
        hits += abs(found.value) <= found.half_width
    assert 0.88 <= hits / count <= 0.98


def test_textbook_interval_of_correlated_samples_does_not_cover():
    # what the block bootstrap is for: independent-sample intervals of the same series fail
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(300):
        x = ar1(200, 0.8, rng)
        hits += abs(x.mean()) <= 1.96 * x.std(ddof=1) / np.sqrt(200)
    assert hits / 300 < 0.6


def test_interval_adds_variances_and_degrees_as_welch_does():
    rng = np.random.default_rng(2)
    a, b = rng.normal(0, 1, 12), rng.normal(0.4, 3, 9)
    welch = stats.ttest_ind(b, a, equal_var=False)
    parts = [
        type(UNKNOWN)(float(x.std(ddof=1) / np.sqrt(len(x))), len(x) - 1.0, 1.0, len(x))
        for x in (a, b)
    ]
    found = interval(float(b.mean() - a.mean()), *parts)
    assert found.p == pytest.approx(welch.pvalue)
    ends = welch.confidence_interval()
    assert (found.low, found.high) == pytest.approx((ends.low, ends.high))


def test_too_few_samples_give_no_number():
    assert of_sum(np.array([1.0, -1.0]), 1.0) is UNKNOWN
    assert np.isnan(interval(1.0, UNKNOWN).p)


def test_constant_signals_that_agree_show_nothing():
    found = interval(0.0, of_sum(np.zeros(50), 1.0))
    assert (found.half_width, found.p) == (0.0, 1.0)
