"""Means of samples that are not independent, with an honest interval."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

MIN_SAMPLES = 5
"""Fewer samples give a mean, but no interval."""

MIN_STRETCHES = 6
"""With fewer stretches their scatter says little: they may just be different operating points."""

LONG_STRETCH = 40
"""Samples from which a stretch has a mean of its own."""

MOST_POINTS = 1500
"""Longer series are averaged in blocks before their autocorrelation is looked at."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A mean with the half width of its 95 % interval.

    `half_width` is NaN where it cannot be told. `n` samples carry the information of
    `n_effective` independent ones. `sd` is the standard deviation of the single samples.
    """

    mean: float
    half_width: float
    n: int
    n_effective: float
    sd: float

    def widened(self, relative_half: float) -> Estimate:
        """The same with a relative 95 % half width that is common to all samples, in quadrature:
        a mean of many does not lessen it. Where there was no interval it is the only one."""
        own = self.half_width if np.isfinite(self.half_width) else 0.0
        return replace(self, half_width=float(np.hypot(own, relative_half * self.mean)))


@lru_cache(maxsize=512)
def t_quantile(degrees: int) -> float:
    """97.5 % quantile of Student's t; degrees of freedom at least 1."""
    return float(special.stdtrit(max(1, degrees), 0.975))


def effective_size(values: npt.NDArray[np.float64], group: npt.NDArray[np.intp]) -> float:
    """How many independent samples `values` are worth, between 1 and n.

    `values`, `group`: shape (n,); samples of one stretch share a group and follow each other. The
    autocorrelation of the deviations from `_centres` is pooled over the groups and summed while it
    stays positive in pairs (initial positive sequence: Geyer, Statistical Science 7, 1992, 473-483;
    from memory).
    """
    n = len(values)
    if n < 2:
        return float(n)
    x = values - _centres(values, group)
    variance = float(x @ x) / n
    if variance <= 0.0:
        return float(n)
    limit = min(n - 1, max(2, n // 3), 400)
    tau = 1.0
    for lag in range(1, limit, 2):
        pair = 0.0
        for k in (lag, lag + 1):
            product = x[:-k] * x[k:]
            same = group[:-k] == group[k:]
            count = int(np.count_nonzero(same))
            if count >= 2:
                pair += float(product[same].sum()) / count / variance
        if pair <= 0.0:
            break
        tau += 2.0 * pair
    return float(np.clip(n / tau, 1.0, n))


def _centres(
    values: npt.NDArray[np.float64], group: npt.NDArray[np.intp]
) -> npt.NDArray[np.float64]:
    """What each sample varies about: its stretch's mean where that is long (a fifth of all samples
    or `LONG_STRETCH`), since stretches are at different operating points; else the overall mean."""
    _, inverse = np.unique(group, return_inverse=True)
    count = np.bincount(inverse)
    means = np.bincount(inverse, weights=values) / count
    long = count >= min(LONG_STRETCH, 0.2 * len(values))
    return np.asarray(np.where(long, means, values.mean())[inverse])


def estimate(
    values: npt.NDArray[np.float64],
    group: npt.NDArray[np.intp] | None = None,
    quantum: float = 0.0,
) -> Estimate:
    """Mean of `values` (shape (n,), NaN left out) with a 95 % interval.

    `group` numbers the stretch each sample belongs to (default: one). The interval is the wider of
    two: from the scatter of the samples over their effective number, and from the scatter between
    stretches where there are `MIN_STRETCHES` or more. `quantum` is the resolution of one sample: an
    interval is never narrower than its rounding error.
    """
    good = np.isfinite(values)
    x = values[good]
    g = np.zeros(len(x), dtype=np.intp) if group is None else group[good]
    n = len(x)
    if n == 0:
        return Estimate(float("nan"), float("nan"), 0, 0.0, float("nan"))
    mean = float(x.mean())
    if n < MIN_SAMPLES:
        return Estimate(mean, float("nan"), n, float(n), float("nan"))
    sd = float(x.std(ddof=1))
    blocks, block_group = _blocks(x, g)
    size = effective_size(blocks, block_group)
    scatter = float(np.sqrt(np.sum((blocks - _centres(blocks, block_group)) ** 2)))
    scatter /= float(np.sqrt(max(1, len(blocks) - 1)))
    half = t_quantile(int(size) - 1) * scatter / float(np.sqrt(size))
    half = max(half, _between(x, g, mean), quantum / float(np.sqrt(12.0)))
    return Estimate(mean, half, n, size, sd)


def _blocks(
    x: npt.NDArray[np.float64], group: npt.NDArray[np.intp]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.intp]]:
    """Means of consecutive samples of one group, so that at most about `MOST_POINTS` remain."""
    size = -(-len(x) // MOST_POINTS)
    if size == 1:
        return x, group
    starts = np.flatnonzero(np.diff(group, prepend=group[0] - 1))
    place = np.arange(len(x)) - np.repeat(starts, np.diff(np.append(starts, len(x))))
    block = np.cumsum((place % size) == 0) - 1
    count = np.bincount(block)
    full = count == size
    means = np.bincount(block, weights=x) / count
    first = np.flatnonzero((place % size) == 0)
    return means[full], group[first][full]


def _between(x: npt.NDArray[np.float64], group: npt.NDArray[np.intp], mean: float) -> float:
    """Half width from the scatter of the stretches' means, weighted by their samples; 0 below
    `MIN_STRETCHES`."""
    labels, inverse = np.unique(group, return_inverse=True)
    k = len(labels)
    if k < MIN_STRETCHES:
        return 0.0
    count = np.bincount(inverse).astype(float)
    means = np.bincount(inverse, weights=x) / count
    weight = count / count.sum()
    variance = float(np.sum(weight**2 * (means - mean) ** 2)) * k / (k - 1)
    return t_quantile(k - 1) * float(np.sqrt(variance))


def detrended(
    values: npt.NDArray[np.float64], against: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """`values` without their straight-line trend over `against`, with their mean kept; as they are
    where there are fewer than `MIN_SAMPLES` finite pairs. For a mean over a known sweep, whose
    trend is no uncertainty."""
    good = np.isfinite(values) & np.isfinite(against)
    if good.sum() < MIN_SAMPLES:
        return values
    x = against - against[good].mean()
    square = float(x[good] @ x[good])
    if square <= 0.0:
        return values
    return np.asarray(values - x * float(x[good] @ values[good]) / square)


def slope_per_s(t_s: npt.NDArray[np.float64], values: npt.NDArray[np.float64]) -> float:
    """Slope of the least-squares line in units per second; NaN below two different times."""
    good = np.isfinite(values)
    t, x = t_s[good], values[good]
    if len(t) < 2:
        return float("nan")
    t = t - t.mean()
    square = float(t @ t)
    return float(t @ x) / square if square > 0.0 else float("nan")
