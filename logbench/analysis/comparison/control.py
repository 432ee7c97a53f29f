"""Many numbers are looked at, some differ by chance: what of them may be claimed.

Numbers of one family (`analysis/repeatability.toml`) are one piece of evidence. A family is shown
to have changed by Simes' test of its members (Biometrika 73, 1986, 751-754), the families among
each other by the weighted procedure of Benjamini and Hochberg (Genovese, Roeder, Wasserman,
Biometrika 93, 2006, 509-524), and members of a family that is shown by theirs at a level in
proportion (Benjamini, Bogomolov, Journal of the Royal Statistical Society B, 76, 2014, 297-318; all
from memory). Where nothing has changed, the chance of any claim at all is held by it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy import stats

from logbench.analysis.alignment import Values

FALSE_SHARE = 0.05
"""Share of false ones that the list of changes may hold on average."""


def adjusted_p(p_values: Sequence[float]) -> Values:
    """p values adjusted after Benjamini and Hochberg (Journal of the Royal Statistical Society B,
    57, 1995, 289-300; from memory), in the order given, by `scipy.stats.false_discovery_control`.

    NaN (not comparable) stays NaN and does not count.
    """
    p = np.asarray(p_values, dtype=np.float64)
    out = np.full(p.shape, np.nan)
    known = np.isfinite(p)
    if known.any():
        out[known] = stats.false_discovery_control(np.clip(p[known], 0.0, 1.0), method="bh")
    return out


def shown(
    p_values: Sequence[float], families: Sequence[str], weights: Mapping[str, float] | None = None
) -> list[bool]:
    """Which of the numbers are shown to have changed, each of a family; NaN never is. `weights`:
    the shares, below 1 in all, that some families have of the attention; the others share the
    rest."""
    within = {
        family: adjusted_p(
            [p if f == family else np.nan for p, f in zip(p_values, families, strict=True)]
        )
        for family in dict.fromkeys(families)
    }
    whole = {f: float(np.nanmin(p)) for f, p in within.items() if np.isfinite(p).any()}
    if not whole:
        return [False] * len(p_values)
    weight = _weights(list(whole), weights or {})
    of_families = adjusted_p([p / w for p, w in zip(whole.values(), weight, strict=True)])
    found = {f: w for f, p, w in zip(whole, of_families, weight, strict=True) if p <= FALSE_SHARE}
    share = len(found) / len(whole)
    return [
        family in found and bool(within[family][k] <= FALSE_SHARE * min(1.0, share * found[family]))
        for k, family in enumerate(families)
    ]


def _weights(families: Sequence[str], shares: Mapping[str, float]) -> Values:
    """One a family, 1 on average."""
    named = sum(shares.get(family, 0.0) for family in families)
    others = sum(family not in shares for family in families)
    rest = (1.0 - named) / others if others else 0.0
    weight = np.array([shares.get(family, rest) for family in families])
    return np.asarray(weight * len(families) / weight.sum())
