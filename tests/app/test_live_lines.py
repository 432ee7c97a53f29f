"""The quick way for a few samples draws what the way for many does."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.plot import lines
from logbench.plot.pyramid import Buckets, Pyramid


@pytest.mark.parametrize("seed", range(40))
def test_few_samples_give_the_same_lines(seed: int):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(0, 9))
    t_ns = np.cumsum(rng.choice([1, 2, 50], count)) * 1_000_000
    value = rng.normal(size=count).astype(np.float32)
    value[rng.random(count) < 0.3] = np.nan
    buckets = Buckets(t_ns, value, value, 1)
    px_per_ns, base, scale, gap_ns = 3e-6, 90.0, 7.0, 2e6
    y = base - buckets.low.astype(np.float64) * scale
    many = lines.polyline(buckets, buckets.t_ns * px_per_ns, y, gap_ns)
    few = lines.short_polyline(buckets, (px_per_ns, base, scale), gap_ns)
    assert few.shape[1] == 4
    for ours, theirs in zip(sorted(few.tolist()), sorted(many.tolist()), strict=True):
        assert ours == pytest.approx(theirs)


@pytest.mark.parametrize("seed", range(20))
def test_extremes_of_few_and_of_many_samples(seed: int):
    """Against numpy over everything, with NaN among the values."""
    rng = np.random.default_rng(seed)
    t_ns = np.arange(5000, dtype=np.int64) * 1000
    value = rng.normal(size=5000)
    value[rng.random(5000) < 0.2] = np.nan
    pyramid = Pyramid.of(t_ns, value)
    for width in (1, 30, 45, 3000):
        first = int(rng.integers(0, 5000 - width))
        found = pyramid.extremes(int(t_ns[first]), int(t_ns[first + width - 1]))
        inside = value[first : first + width]
        if np.isnan(inside).all():
            continue
        assert found is not None
        assert found[0] <= np.nanmin(inside) + 1e-6  # buckets are single precision
        assert found[1] >= np.nanmax(inside) - 1e-6
