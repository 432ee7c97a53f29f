"""The difference of one quantity between two sides, in each cell and overall."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.analysis.alignment import Values
from logbench.analysis.comparison.cells import MIN_SLOTS, SLOT_S, Slots
from logbench.analysis.comparison.quantities import REPEATABILITY, Quantity
from logbench.analysis.statistics import UNKNOWN, Interval, Uncertainty, interval, of_sum, pieces_of

MIN_SECONDS = 20.0
"""Each side needs this much steady running in shared cells for an overall difference."""

RIDGE = 1e-3
"""Pull of the surface's slopes towards none, as a share of the samples' own spread."""


PIECE = 15
"""Slots of one visit that count as one observation of the surface: half a minute."""


@dataclass(frozen=True, slots=True)
class CellDifference:
    """One quantity in one cell: means in its unit, after less before, steady seconds of each."""

    code: int
    before: float
    after: float
    difference: Interval
    weight: float
    before_s: float
    after_s: float


@dataclass(frozen=True, slots=True)
class Difference:
    """One quantity over all cells that both sides visited.

    `overall` is None where there is too little; `before` and `after` are means over the same cells
    with the same weights. `p_heterogeneous` tests whether the cells differ alike.
    """

    overall: Interval | None
    before: float
    after: float
    cells: tuple[CellDifference, ...]
    before_s: float
    after_s: float


@dataclass(frozen=True, slots=True)
class _Part:
    """One side's known slots in shared cells: `cell` indexes the shared cells."""

    y: Values
    x: Values
    cell: npt.NDArray[np.intp]
    weight: Values
    recording: npt.NDArray[np.intp]

    def sums(self, values: Values, count: int) -> Values:
        return np.bincount(self.cell, self.weight * values, count).astype(np.float64)


def difference_of(
    quantity: Quantity, column: int, before: Slots, after: Slots, *, extra: float = 0.0
) -> Difference:
    """The difference of the quantity in column `column` of both sides' values; `extra` is a further
    relative standard deviation from outside of both drives."""
    known = [np.isfinite(side.values[:, column]) for side in (before, after)]
    purge = quantity.needs_closed_loop and all(_purge_known(s) for s in (before, after))
    if purge:
        known = [k & np.isfinite(s.purge) for k, s in zip(known, (before, after), strict=True)]
    counts = [Counter(s.code[k].tolist()) for s, k in zip((before, after), known, strict=True)]
    shared = sorted(c for c in counts[0] if min(counts[0][c], counts[1][c]) >= MIN_SLOTS)
    codes = np.array(shared, dtype=np.intp)
    seconds = [SLOT_S * sum(c[code] for code in shared) for c in counts]
    if not shared:
        nan = float("nan")
        return Difference(None, nan, nan, (), *seconds)
    parts = [
        _part(side, k, column, codes, purge) for side, k in zip((before, after), known, strict=True)
    ]
    surface = _surface(column, (before, after), known, purge)
    apart = _place_alike(parts, surface, len(codes))
    return _differences(quantity, extra, parts, codes, counts, seconds, surface, apart)


def _purge_known(side: Slots) -> bool:
    """Whether commanded purge was recorded: its vapour is fuel that the trims take back."""
    return bool(np.isfinite(side.purge).mean() > 0.95) if len(side) else False


def _part(
    side: Slots,
    known: npt.NDArray[np.bool_],
    column: int,
    codes: npt.NDArray[np.intp],
    purge: bool,
) -> _Part:
    keep = np.flatnonzero(known & np.isin(side.code, codes))
    cell = np.searchsorted(codes, side.code[keep])
    x = _features(side, keep, purge)
    y = side.values[keep, column].copy()
    return _Part(y, x, cell, side.weight[keep], side.recording[keep])


def _features(side: Slots, keep: npt.NDArray[np.intp], purge: bool) -> Values:
    """Engine speed and load up to their squares and product, and with `purge` the commanded purge,
    shape (len(keep), 5 or 6)."""
    rpm, load = side.rpm[keep] / 1000.0, side.load[keep] / 50.0
    columns = [rpm, load, rpm * load, rpm**2, load**2]
    if purge:
        columns.append(side.purge[keep] / 10.0)
    return np.column_stack(columns)


@dataclass(frozen=True, slots=True)
class _Surface:
    """How a quantity leans on engine speed and load: `slopes` of the features
    and their covariance."""

    slopes: Values
    covariance: Values
    degrees: float


def _surface(
    column: int, sides: Sequence[Slots], known: Sequence[npt.NDArray[np.bool_]], purge: bool
) -> _Surface:
    """A smooth surface through all known slots of both sides, shifted between the sides, with a
    covariance that takes each visit, or half a minute of a long one, as one observation (Liang and
    Zeger, Biometrika 73, 1986; from memory)."""
    kept = [np.flatnonzero(k) for k in known]
    x = np.concatenate([_features(s, k, purge) for s, k in zip(sides, kept, strict=True)])
    y = np.concatenate([s.values[k, column] for s, k in zip(sides, kept, strict=True)])
    w = np.concatenate([s.weight[k] for s, k in zip(sides, kept, strict=True)])
    after = np.repeat([0.0, 1.0], [len(k) for k in kept])
    piece = [pieces_of(s.visit[k], PIECE) for s, k in zip(sides, kept, strict=True)]
    visit = np.concatenate((piece[0], piece[1] + int(piece[0].max()) + 1))
    full = np.column_stack((x, 1.0 - after, after))
    scale = np.sqrt((w[:, None] * full**2).sum(axis=0) / w.sum())
    scale[scale == 0.0] = 1.0  # a purge that never flows
    full = full / scale
    pull = np.diag([RIDGE] * x.shape[1] + [0.0, 0.0]) * w.sum()
    inverse = np.linalg.inv((full * w[:, None]).T @ full + pull)
    beta = inverse @ ((full * w[:, None]).T @ y)
    pushes = full * (w * (y - full @ beta))[:, None]
    count = int(visit.max()) + 1
    per_visit = np.column_stack([np.bincount(visit, p, minlength=count) for p in pushes.T])
    visits = int(np.count_nonzero(np.bincount(visit)))
    degrees = max(1.0, visits - full.shape[1])
    covariance = inverse @ (per_visit.T @ per_visit) @ inverse * visits / degrees
    n = x.shape[1]
    return _Surface(
        beta[:n] / scale[:n], covariance[:n, :n] / np.outer(scale[:n], scale[:n]), degrees
    )


def _place_alike(parts: list[_Part], surface: _Surface, count: int) -> Values:
    """Moves each value along the surface to the middle of both sides' places in its cell, since two
    drives are never at quite the same spot.

    Returns how far apart the sides were, shape (cells, features).
    """
    places = []
    for part in parts:
        total = part.sums(np.ones(len(part.y)), count)
        places.append(np.column_stack([part.sums(x, count) / total for x in part.x.T]))
    middle = 0.5 * (places[0] + places[1])
    for part in parts:
        part.y[:] -= (part.x - middle[part.cell]) @ surface.slopes
    return np.asarray(places[1] - places[0])


def _unexplained(
    uneven: Values, weight: Values, parts: list[_Part], evidence: list[Values]
) -> Values:
    """What is left of the differences' unevenness over the cells, (cells,), after a smooth course
    over the operating points: over the inverse of the airflow, the load and the engine speed, as
    many of them as the cells allow. A fault acts smoothly (unmetered air with the inverse of the
    airflow); the rest is what single visits have of their own, and so uncertainty."""
    count = len(uneven)
    places = [sum(part.sums(part.x[:, k], count) for part in parts) / sum(evidence) for k in (0, 1)]
    rpm, load = places
    columns = [np.ones(count), 1.0 / np.maximum(rpm * load, 0.05), load, rpm]
    used = np.column_stack(columns[: 1 + min(3, max(0, (count - 2) // 2))])
    root = np.sqrt(weight)
    fit, *_ = np.linalg.lstsq(used * root[:, None], uneven * root, rcond=None)
    left = uneven - used @ fit
    return np.asarray(left * np.sqrt(count / max(1, count - used.shape[1])))


def _placing(surface: _Surface, apart: Values) -> Uncertainty:
    """What the slopes' uncertainty does to a difference between places `apart`."""
    variance = max(0.0, float(apart @ surface.covariance @ apart))
    return Uncertainty(float(np.sqrt(variance)), surface.degrees)


def _differences(
    quantity: Quantity,
    extra: float,
    parts: list[_Part],
    codes: npt.NDArray[np.intp],
    counts: Sequence[Mapping[int, int]],
    seconds: list[float],
    surface: _Surface,
    apart: Values,
) -> Difference:
    count = len(codes)
    evidence = [part.sums(np.ones(len(part.y)), count) for part in parts]
    means = [part.sums(part.y, count) / e for part, e in zip(parts, evidence, strict=True)]
    both = evidence[0] * evidence[1] / (evidence[0] + evidence[1])
    share = both / both.sum()
    delta = means[1] - means[0]
    value = float(share @ delta)
    left = _unexplained(delta - value, both, parts, evidence) / sum(evidence)
    uneven = (-left * evidence[1], left * evidence[0])
    found, per_evidence = [], []
    for side, part in enumerate(parts):
        residual = part.y - means[side][part.cell] + uneven[side][part.cell]
        scores = (share / evidence[side])[part.cell] * part.weight * residual
        found.append(of_sum(scores, part.recording))
        per_evidence.append(found[-1].se ** 2 / float(np.sum(share**2 / evidence[side])))
    level = float(share @ (means[0] + means[1])) / 2.0
    absolute, relative = REPEATABILITY[quantity.kind]
    repeatability = absolute + float(np.hypot(relative, extra)) * abs(level)
    floor = float(np.hypot(repeatability, quantity.quantum / 12.0))
    cells = []
    for k, code in enumerate(codes.tolist()):
        own = [
            Uncertainty(float(np.sqrt(v / e[k])), u.degrees)
            for v, e, u in zip(per_evidence, evidence, found, strict=True)
        ]
        own.append(_placing(surface, apart[k]))
        cells.append(
            CellDifference(
                code,
                float(means[0][k]),
                float(means[1][k]),
                interval(float(delta[k]), *own, floor=floor),
                float(share[k]),
                counts[0][code] * SLOT_S,
                counts[1][code] * SLOT_S,
            )
        )
    found.append(_placing(surface, share @ apart))
    enough = min(seconds) >= MIN_SECONDS and UNKNOWN not in found
    return Difference(
        overall=interval(value, *found, floor=floor) if enough else None,
        before=float(share @ means[0]),
        after=float(share @ means[1]),
        cells=tuple(cells),
        before_s=seconds[0],
        after_s=seconds[1],
    )
