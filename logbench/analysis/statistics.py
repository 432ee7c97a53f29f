"""Means and sums of samples that follow each other and are not independent, with honest intervals:
the one estimator of checks, comparison and trends.

What follows a sample closely says little new. How little is read from the samples themselves: their
autocorrelation is summed while it stays positive in pairs (`correlation_length`), which is the
number of samples that are worth one. Of autoregressions of 60 to 1,500 samples this covers the
truth more often than a moving-block bootstrap with the block length of Politis and White, at the
same width where both cover (measured; docs/comparison.md).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

Values = npt.NDArray[np.float64]
Groups = npt.NDArray[np.intp]

MIN_SAMPLES = 5
"""Fewer samples give a mean, but no interval."""

MIN_STRETCHES = 6
"""With fewer stretches their scatter says little: they may just be different operating points."""

LONG_STRETCH = 40
"""Samples from which a stretch has a mean of its own."""

MOST_POINTS = 1500
"""Longer series are averaged in blocks before their autocorrelation is looked at."""


MOST_DEGREES = 1e6
"""From here on Student's t is the normal distribution."""


NORMAL_95 = 1.959964
"""Half width of the normal distribution's 95 % interval, in standard deviations."""


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


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Standard error with its degrees of freedom; NaN and 0 where it cannot be told."""

    se: float
    degrees: float


UNKNOWN = Uncertainty(float("nan"), 0.0)


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its 95 % interval, p value against 0, and what it could have missed.

    `half_width` and `detectable` in the unit of `value`; NaN where there is no standard error.
    """

    value: float
    se: float
    degrees: float
    half_width: float
    p: float
    detectable: float
    """The size of a true change that would be found four times in five at the 5 % level."""

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        return self.value - self.half_width

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self.value + self.half_width


@lru_cache(maxsize=512)
def t_quantile(degrees: float, share: float = 0.975) -> float:
    """Quantile of Student's t; degrees of freedom at least 1."""
    return float(special.stdtrit(max(1.0, degrees), share))


def correlation_length(deviations: Values, group: Groups) -> float:
    """How many samples are worth an independent one, between 1 and n.

    `deviations`, from what the samples vary about, and `group`: shape (n,); samples of one stretch
    share a group and follow each other. The autocorrelation is pooled over the groups and summed
    while it stays positive in pairs (initial positive sequence: Geyer, Statistical Science 7, 1992,
    473-483; from memory).
    """
    n = len(deviations)
    if n < 2:
        return 1.0
    x = deviations
    variance = float(x @ x) / n
    if variance <= 0.0:
        return 1.0
    limit = min(n - 1, max(2, n // 3), 400)
    one_stretch = bool((group[1:] == group[:-1]).all())
    tau = 1.0
    for lag in range(1, limit, 2):
        pair = 0.0
        for k in (lag, lag + 1):
            product = x[:-k] * x[k:]
            if not one_stretch:
                product = product[group[:-k] == group[k:]]
            if len(product) >= 2:
                pair += float(product.sum()) / len(product) / variance
        if pair <= 0.0:
            break
        tau += 2.0 * pair
    return float(np.clip(tau, 1.0, n))


def _centers(values: Values, group: Groups) -> Values:
    """What each sample varies about: its stretch's mean where that is long (a fifth of all samples
    or `LONG_STRETCH`), since stretches are at different operating points; else the overall mean."""
    _, inverse = np.unique(group, return_inverse=True)
    count = np.bincount(inverse)
    means = np.bincount(inverse, weights=values) / count
    long = count >= min(LONG_STRETCH, 0.2 * len(values))
    return np.asarray(np.where(long, means, values.mean())[inverse])


def estimate(
    values: Values,
    group: Groups | None = None,
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
    away = blocks - _centers(blocks, block_group)
    size = len(blocks) / correlation_length(away, block_group)
    scatter = float(np.sqrt(np.sum(away**2)))
    scatter /= float(np.sqrt(max(1, len(blocks) - 1)))
    half = t_quantile(int(size) - 1) * scatter / float(np.sqrt(size))
    half = max(half, _between(x, g, mean), quantum / float(np.sqrt(12.0)))
    return Estimate(mean, half, n, size, sd)


def _blocks(x: Values, group: Groups) -> tuple[Values, Groups]:
    """Means of consecutive samples of one group, so that at most about `MOST_POINTS` remain."""
    size = -(-len(x) // MOST_POINTS)
    if size == 1:
        return x, group
    block = pieces_of(group, size)
    count = np.bincount(block)
    full = count == size
    means = np.bincount(block, weights=x) / count
    first = np.flatnonzero(np.diff(block, prepend=-1))
    return means[full], group[first][full]


def pieces_of(group: Groups, size: int) -> Groups:
    """The piece that each sample is in, shape of `group`: stretches of one group, numbered one
    after the other, cut after every `size` samples."""
    starts = np.flatnonzero(np.diff(group, prepend=group[0] - 1))
    place = np.arange(len(group)) - np.repeat(starts, np.diff(np.append(starts, len(group))))
    return np.asarray(np.cumsum(place % size == 0) - 1)


def _between(x: Values, group: Groups, mean: float) -> float:
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


def of_sum(scores: Values, group: Groups) -> Uncertainty:
    """Uncertainty of the sum of weighted deviations (shape (n,), in order of time, mean 0 up to
    noise); `group` as in `correlation_length`. As many samples count as really carry weight."""
    n = len(scores)
    if n < MIN_SAMPLES:
        return UNKNOWN
    away = scores - scores.mean()
    square = float(away @ away)
    tau = correlation_length(away, group)
    carrying = float(np.abs(scores).sum()) ** 2 / square * math.pi / 2.0 if square > 0.0 else n
    size = float(np.clip(carrying, 1.0, n)) / tau
    return Uncertainty(math.sqrt(square * tau), max(1.0, size - 1.0))


def interval(value: float, *parts: Uncertainty, floor: float = 0.0) -> Interval:
    """95 % interval of `value`, whose variance is the sum of `parts` (independent of each other)
    and of `floor` squared, taken as well known. Degrees of freedom after Welch and Satterthwaite.
    """
    variances = [part.se**2 for part in parts]
    total = sum(variances) + floor**2
    if not math.isfinite(total) or not math.isfinite(value):
        nan = float("nan")
        return Interval(value, nan, 0.0, nan, nan, nan)
    if total <= 0.0:
        p = 1.0 if value == 0.0 else 0.0
        return Interval(value, 0.0, float("inf"), 0.0, p, 0.0)
    spread = sum(
        v**2 / part.degrees for v, part in zip(variances, parts, strict=True) if part.degrees > 0
    )
    degrees = min(total**2 / spread, MOST_DEGREES) if spread > 0.0 else MOST_DEGREES
    se = math.sqrt(total)
    outer, power = t_quantile(degrees), t_quantile(degrees, 0.8)
    p = float(2.0 * special.stdtr(degrees, -abs(value) / se))
    return Interval(value, se, degrees, outer * se, p, (outer + power) * se)


def half_width_of_few(values: Values) -> float:
    """95 % half width of the mean of some independent values (shape (n,), no NaN) by Student's t;
    NaN below two."""
    n = len(values)
    return t_quantile(n - 1) * float(np.std(values, ddof=1) / np.sqrt(n)) if n > 1 else math.nan


@dataclass(frozen=True, slots=True)
class Spread:
    """A standard deviation with its 95 % interval, which reaches further up than down; NaN where it
    cannot be told."""

    sd: float
    low: float
    high: float

    def towards(self, limit: float) -> float:
        """The half width on the side of a limit, which is the one that decides."""
        return self.sd - self.low if self.sd > limit else self.high - self.sd


def spread_of_pieces(t: Values, values: Values, group: Groups) -> Spread:
    """Standard deviation of `values` (shape (n,), no NaN) at the times `t` about the straight line
    of their own piece, its interval by chi-square; NaN below three samples in a piece.

    `group` numbers the pieces, from 0, none empty. The median piece counts, so that an event in few
    of them does not; its mean square is held against what the median of so few degrees of freedom
    would be.
    """
    count = np.bincount(group)
    if len(count) == 0 or count.min() < 3:
        return Spread(math.nan, math.nan, math.nan)

    def centered(x: Values) -> Values:
        return np.asarray(x - (np.bincount(group, weights=x) / count)[group])

    x, away = centered(t), centered(values)
    square_t = np.bincount(group, weights=x * x)
    slope = np.bincount(group, weights=x * away) / np.where(square_t > 0.0, square_t, 1.0)
    away = away - slope[group] * x
    degrees = np.maximum(1.0, count / correlation_length(away, group) - 2.0)
    square = np.bincount(group, weights=away**2) / (count - 2)
    median_share = special.chdtri(degrees, 0.5) / degrees
    sd = math.sqrt(float(np.median(square / median_share)))
    known = 2.0 / math.pi * float(degrees.sum())  # a median knows so much of what a mean would
    low, high = (sd * math.sqrt(known / float(special.chdtri(known, p))) for p in (0.025, 0.975))
    return Spread(sd, low, high)


def detrended(values: Values, against: Values) -> Values:
    """`values` without their straight-line trend over `against`, with their mean kept; as they are
    where there are fewer than `MIN_SAMPLES` finite pairs. For a mean over a known sweep, whose
    trend is not uncertainty."""
    good = np.isfinite(values) & np.isfinite(against)
    if good.sum() < MIN_SAMPLES:
        return values
    x = against - against[good].mean()
    square = float(x[good] @ x[good])
    if square <= 0.0:
        return values
    return np.asarray(values - x * float(x[good] @ values[good]) / square)
