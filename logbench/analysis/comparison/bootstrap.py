"""Uncertainty of weighted sums of samples that follow each other in time and are not independent.

The moving-block bootstrap (Kuensch, Annals of Statistics 17, 1989, 1217-1241; circular: Politis and
Romano 1992; both from memory) draws whole blocks of consecutive samples, so that what is alike
within a block stays alike. For a sum, the variance that infinitely many draws would give has a
closed form, the variance of the block sums, which is used here: no random numbers, no noise of
resampling, and quick. `resampled_sums` draws for real; the tests hold the two against each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

Values = npt.NDArray[np.float64]

LONGEST_SHARE = 0.4
"""A block is at most this share of the samples; what stays alike for longer cannot be told from a
true difference, and costs degrees of freedom."""

MOST_DEGREES = 1e6
"""From here on Student's t is the normal distribution."""

FEWEST = 4
"""Fewer samples give no interval."""


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Standard error of a sum with its degrees of freedom; NaN and 0 where it cannot be told.

    `block` is the block length in samples, `blocks` how many independent ones the sum is worth.
    """

    se: float
    degrees: float
    block: float
    blocks: float


UNKNOWN = Uncertainty(float("nan"), 0.0, float("nan"), 0.0)


def block_length(x: Values) -> float:
    """Block length in samples for the mean of the series `x` (shape (n,), no NaN), from the data.

    The automatic choice of Politis and White (Econometric Reviews 23, 2004, 53-70, as corrected
    2009; from memory) for the circular bootstrap: autocorrelations are followed until they stay
    small, and the length that gives the least error of the variance follows from them. An interval
    that shall cover the truth wants longer blocks than the best variance does (Sun, Phillips and
    Jin, Econometrica 76, 2008, 175-194; from memory): what exceeds 1 counts twice, which coverage
    of autoregressions bears out (tests/analysis/comparison/test_bootstrap.py). Between 1 and
    `LONGEST_SHARE` of n.
    """
    n = len(x)
    longest = max(1.0, n * LONGEST_SHARE)
    if n < FEWEST:
        return 1.0
    covariance = _autocovariance(x)
    if covariance[0] <= 0.0:
        return 1.0
    rho = covariance / covariance[0]
    small = 2.0 * math.sqrt(math.log10(n) / n)
    run = max(5, math.ceil(math.sqrt(math.log10(n))))
    most = min(n - 1, math.ceil(math.sqrt(n)) + run)
    over = np.flatnonzero(np.abs(rho[1 : most + 1]) > small)
    last = _last_before_quiet(over + 1, run)
    reach = min(2 * last, most)
    if reach == 0:
        return 1.0
    lags = np.arange(1, reach + 1)
    taper = np.clip(2.0 * (1.0 - lags / reach), 0.0, 1.0)
    spectrum = covariance[0] + 2.0 * float(np.sum(taper * covariance[1 : reach + 1]))
    slope = 2.0 * float(np.sum(taper * lags * covariance[1 : reach + 1]))
    if spectrum <= 0.0:
        return min(longest, float(last))
    length = (2.0 * slope**2 / (4.0 / 3.0 * spectrum**2)) ** (1.0 / 3.0) * n ** (1.0 / 3.0)
    return float(np.clip(2.0 * length - 1.0, 1.0, longest))


def _autocovariance(x: Values) -> Values:
    """Autocovariance at lags 0 to n-1, divided by n, by the fast Fourier transform."""
    n = len(x)
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(x - x.mean(), size)
    return np.asarray(np.fft.irfft(spectrum * np.conj(spectrum), size)[:n] / n)


def _last_before_quiet(over: npt.NDArray[np.intp], run: int) -> int:
    """The last lag of `over` (in order) that comes before `run` lags without one; 0 for none."""
    last = 0
    for lag in over:
        if lag - last > run:
            break
        last = int(lag)
    return last


def of_sum(scores: Values, block: float) -> Uncertainty:
    """Uncertainty of the sum of `scores` (shape (n,), in order of time, mean 0 up to noise).

    The variance of circular block sums, scaled to all samples and corrected for the share b that a
    block has of the whole: its expectation is too small by 1 - b + b**2/3 (Kiefer and Vogelsang,
    Econometric Theory 21, 2005, 1130-1164; from memory), and the degrees of freedom are 1.5/b, that
    of a triangular spectral window. What counts for b is how many samples really carry weight.
    """
    n = len(scores)
    if n < FEWEST:
        return UNKNOWN
    length = int(np.clip(round(block), 1, n))
    sums = _block_sums(scores - scores.mean(), length)
    variance = float(np.mean(sums**2)) * n / length
    absolute = np.abs(scores)
    square = float(np.sum(scores**2))
    carrying = float(absolute.sum() ** 2 / square) * math.pi / 2.0 if square > 0.0 else float(n)
    worth = float(np.clip(carrying, 1.0, n))
    share = min(length / worth, 1.0)
    variance /= 1.0 - share + share**2 / 3.0
    degrees = max(1.0, 1.5 / share)
    return Uncertainty(math.sqrt(variance), degrees, float(length), worth / length)


def _block_sums(x: Values, length: int) -> Values:
    """Sum of each `length` consecutive values, going round at the end; shape (n,)."""
    total = np.concatenate(([0.0], np.cumsum(np.concatenate((x, x[: length - 1])))))
    return np.asarray(total[length:] - total[:-length])


def resampled_sums(scores: Values, block: float, count: int, seed: int) -> Values:
    """`count` sums of circular blocks drawn at random, scaled to the length of `scores`: shows
    what `of_sum` gives in closed form (without its small-sample corrections)."""
    n = len(scores)
    length = int(np.clip(round(block), 1, n))
    blocks = max(1, round(n / length))
    sums = _block_sums(scores - scores.mean(), length)
    drawn = np.random.default_rng(seed).integers(0, n, size=(count, blocks))
    return np.asarray(sums[drawn].sum(axis=1) * math.sqrt(n / (blocks * length)))


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
    outer, power = (float(special.stdtrit(degrees, q)) for q in (0.975, 0.8))
    p = float(2.0 * special.stdtr(degrees, -abs(value) / se))
    return Interval(value, se, degrees, outer * se, p, (outer + power) * se)
