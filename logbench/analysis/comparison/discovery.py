"""Control of false discoveries: many signals and cells are looked at, some differ by chance."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import stats

LEVEL = 0.05
"""Share of false ones that the list of changes may hold on average."""


def adjusted(p_values: Sequence[float]) -> npt.NDArray[np.float64]:
    """p values adjusted after Benjamini and Hochberg (Journal of the Royal Statistical Society B,
    57, 1995, 289-300; from memory), in the order given, by `scipy.stats.false_discovery_control`.

    A change whose adjusted value is at most `LEVEL` is listed. NaN (not comparable) stays NaN and
    does not count. Where nothing has changed, the chance of a list with any change in it is held
    too; that signals of one engine hang together is covered by measurement (docs/comparison.md).
    """
    p = np.asarray(p_values, dtype=np.float64)
    out = np.full(p.shape, np.nan)
    known = np.isfinite(p)
    if known.any():
        out[known] = stats.false_discovery_control(np.clip(p[known], 0.0, 1.0), method="bh")
    return out
