"""The ratios of engine to road speed that a recording shows."""

from __future__ import annotations

import numpy as np

from logbench.analysis.alignment import Values

APART = 0.10
"""Gears differ by at least 10 % of their ratio. [CP]"""
REACH = 0.15
"""So far from the ratio of its gear a slipping one may lie, where no other gear is nearer. [CP]"""
LEAST_SHARE, LEAST_ON_PEAK = 0.04, 5
"""A ratio counts as a gear when that share of the samples, and so many, lie on it."""


def find_gears(ratio: Values) -> tuple[Values, np.ndarray]:
    """Ratios of the gears seen, highest first, and for each sample its gear or -1.

    A gear is a peak of the histogram of log(ratio) in steps of 1 % that holds at least
    `LEAST_SHARE` of the samples and `LEAST_ON_PEAK` of them within 3 % on both sides, and no higher
    peak within `APART`.
    """
    log = np.log(ratio)
    low = float(log.min())
    place = ((log - low) / 0.01).astype(int)
    count = np.bincount(place, minlength=int(place.max()) + 1).astype(float)
    smooth = np.convolve(count, np.ones(7), mode="same")
    reach = round(APART / 0.01)
    peaks: list[int] = []
    for k in np.argsort(-smooth):
        if smooth[k] < max(LEAST_SHARE * len(ratio), LEAST_ON_PEAK):
            break
        if all(abs(k - p) >= reach for p in peaks):
            peaks.append(int(k))
    centers = []
    for p in sorted(peaks, reverse=True):
        near = np.abs(place - p) <= 3
        centers.append(float(np.median(ratio[near])))
    gears = np.array(centers)
    if len(gears) == 0:
        return gears, np.full(len(ratio), -1)
    away = np.abs(log[:, None] - np.log(gears)[None, :])
    nearest = np.argmin(away, axis=1)
    return gears, np.where(away[np.arange(len(log)), nearest] <= REACH, nearest, -1)
