"""The difference of one quantity between two sides, in each cell and overall."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from logbench.analysis.alignment import Values
from logbench.analysis.comparison.cells import MIN_SLOTS, SLOT_S, Slots
from logbench.analysis.comparison.quantities import Quantity
from logbench.analysis.comparison.units import Units, units_of
from logbench.analysis.repeats import Scatter
from logbench.analysis.statistics import UNKNOWN, Interval, Uncertainty, interval, of_sum, pieces_of

MIN_SECONDS = 20.0
"""Each side needs this much steady running in shared cells for an overall difference."""

RIDGE = 1e-3
"""Pull of the surface's slopes towards none, as a share of the samples' own spread."""


LEVEL_FIRST = 0.9
"""Share of the attention that the difference over all cells has beside the unevenness of single
ones (our choice)."""

MOST_DRIVES = 10_000
"""Of one side."""

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
    shares: tuple[tuple[int, float, float], ...] = ()
    """Of each drive in it the side (0 before, 1 after), its weight in the difference over all
    cells, and its mean."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One quantity over all cells that both sides visited.

    `overall` is None where there is too little; `before` and `after` are means over the same cells
    with the same weights. `p_uneven`: p value of the cells differing alike; NaN with one cell.
    """

    overall: Interval | None
    before: float
    after: float
    cells: tuple[CellDifference, ...]
    before_s: float
    after_s: float
    scatter: Scatter
    """Of the quantity between drives, as it was used."""
    p_uneven: float = float("nan")

    @property
    def differs(self) -> bool:
        """Whether the 95 % interval over all cells holds no 0."""
        return self.overall is not None and abs(self.overall.value) > self.overall.half_width

    @property
    def p(self) -> float:
        """p value of nothing having changed, neither in level nor in single cells; NaN where there
        is too little."""
        if self.overall is None or not np.isfinite(self.p_uneven):
            return float("nan") if self.overall is None else self.overall.p
        return min(1.0, self.overall.p / LEVEL_FIRST, self.p_uneven / (1.0 - LEVEL_FIRST))


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
    quantity: Quantity,
    column: int,
    before: Slots,
    after: Slots,
    scatter: Scatter,
    *,
    extra: float = 0.0,
) -> Difference:
    """The difference of the quantity in column `column` of both sides' values; `scatter` is what is
    known of it between drives, `extra` a further relative standard deviation from outside of both
    drives."""
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
        return Difference(None, nan, nan, (), seconds[0], seconds[1], scatter)
    parts = [
        _part(side, k, column, codes, purge) for side, k in zip((before, after), known, strict=True)
    ]
    surface = _surface(column, (before, after), known, purge)
    apart = _place_alike(parts, surface, len(codes))
    return _differences(quantity, scatter, extra, parts, codes, counts, seconds, surface, apart)


def _purge_known(side: Slots) -> bool:
    """Whether commanded purge was recorded: its vapor is fuel that the trims take back."""
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
    """A smooth surface through all known slots of both sides, shifted from drive to drive, with a
    covariance that takes each visit, or half a minute of a long one, as one observation (Liang and
    Zeger, Biometrika 73, 1986; from memory)."""
    kept = [np.flatnonzero(k) for k in known]
    x = np.concatenate([_features(s, k, purge) for s, k in zip(sides, kept, strict=True)])
    y = np.concatenate([s.values[k, column] for s, k in zip(sides, kept, strict=True)])
    w = np.concatenate([s.weight[k] for s, k in zip(sides, kept, strict=True)])
    drive = np.concatenate(
        [s.recording[k] + MOST_DRIVES * n for n, (s, k) in enumerate(zip(sides, kept, strict=True))]
    )
    shift = (drive[:, None] == np.unique(drive)).astype(np.float64)
    piece = [pieces_of(s.visit[k], PIECE) for s, k in zip(sides, kept, strict=True)]
    visit = np.concatenate((piece[0], piece[1] + int(piece[0].max()) + 1))
    full = np.column_stack((x, shift))
    scale = np.sqrt((w[:, None] * full**2).sum(axis=0) / w.sum())
    scale[scale == 0.0] = 1.0  # a purge that never flows
    full = full / scale
    pull = np.diag([RIDGE] * x.shape[1] + [0.0] * shift.shape[1]) * w.sum()
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


def _placing(surface: _Surface, apart: Values) -> Uncertainty:
    """What the slopes' uncertainty does to a difference between places `apart`."""
    variance = max(0.0, float(apart @ surface.covariance @ apart))
    return Uncertainty(float(np.sqrt(variance)), surface.degrees)


@dataclass(frozen=True, slots=True)
class _Errors:
    """All that a contrast of the units is uncertain by. Per side: `within` of the overall contrast,
    and what a mean of evidence 1 is `worth`, samples that follow each other minded."""

    units: Units
    scatter: Scatter
    within: tuple[Uncertainty, ...]
    worth: Values
    surface: _Surface
    apart: Values
    floor: float

    def single(self, weights: Values, place: Values) -> list[Uncertainty]:
        """Those of one cell's contrast, with the places of both sides `place` apart."""
        evenly = weights**2 / self.units.evidence
        within = [
            Uncertainty(
                float(np.sqrt(self.worth[k] * evenly[self.units.side == k].sum())), u.degrees
            )
            for k, u in enumerate(self.within)
        ]
        return [*within, _placing(self.surface, place), self.units.between(weights, self.scatter)]

    def unevenness(self, value: float, delta: Values, weights: Sequence[Values]) -> float:
        """p value of the cells' differences, (k,), all being `value`, but for what days and samples
        do to single cells: Hotelling's way, by F."""
        if len(delta) < 2:
            return float("nan")
        variance = np.diag(self.worth[self.units.side] / self.units.evidence)
        a = np.array(weights)
        covariance = a @ (self.units.covariance(self.scatter) + variance) @ a.T
        covariance += np.eye(len(delta)) * (self.floor**2 + 1e-12)
        covariance += self.apart @ self.surface.covariance @ self.apart.T
        away = delta - value
        square = float(away @ np.linalg.solve(covariance, away)) / (len(delta) - 1)
        return float(special.fdtrc(len(delta) - 1, self.scatter.degrees, square))


def _differences(
    quantity: Quantity,
    scatter: Scatter,
    extra: float,
    parts: list[_Part],
    codes: npt.NDArray[np.intp],
    counts: Sequence[Mapping[int, int]],
    seconds: list[float],
    surface: _Surface,
    apart: Values,
) -> Difference:
    units, unit = _units_of(parts, quantity.quantum)
    scatter = units.sharpen(scatter).at(units.level, extra)
    weights = units.contrast(scatter)
    per_evidence = weights / units.evidence
    within = tuple(
        of_sum(per_evidence[k] * part.weight * (part.y - units.mean[k]), part.recording)
        for part, k in zip(parts, unit, strict=True)
    )
    evenly = np.bincount(units.side, weights * per_evidence, 2)
    worth = np.array([u.se**2 for u in within]) / evenly
    floor = quantity.quantum / 12.0
    errors = _Errors(units, scatter, within, worth, surface, apart, floor)
    single = [units.in_cell(k, scatter) for k in range(len(codes))]
    cells = tuple(
        CellDifference(
            code,
            -units.part(own, 0),
            units.part(own, 1),
            interval(float(own @ units.mean), *errors.single(own, apart[k]), floor=floor),
            units.part(weights * (units.cell == k), 1, np.ones(len(weights))),
            counts[0][code] * SLOT_S,
            counts[1][code] * SLOT_S,
            tuple(
                (int(units.side[n]), float(weights[n]), float(units.mean[n]))
                for n in np.flatnonzero(units.cell == k)
            ),
        )
        for k, (code, own) in enumerate(zip(codes.tolist(), single, strict=True))
    )
    share = np.array([cell.weight for cell in cells])
    total = [*within, _placing(surface, share @ apart), units.between(weights, scatter)]
    value = float(weights @ units.mean)
    enough = min(seconds) >= MIN_SECONDS and UNKNOWN not in within
    delta = np.array([cell.difference.value for cell in cells])
    return Difference(
        overall=interval(value, *total, floor=floor) if enough else None,
        before=-units.part(weights, 0),
        after=units.part(weights, 1),
        cells=cells,
        before_s=seconds[0],
        after_s=seconds[1],
        scatter=scatter,
        p_uneven=errors.unevenness(value, delta, single) if enough else float("nan"),
    )


def _units_of(parts: Sequence[_Part], quantum: float) -> tuple[Units, list[npt.NDArray[np.intp]]]:
    """The units of both sides, and of each side's slots the unit they are in."""
    side = np.repeat([0, 1], [len(part.y) for part in parts])
    drive = np.concatenate([part.recording for part in parts]) + side * MOST_DRIVES
    cell, weight, y = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("cell", "weight", "y")
    )
    units, unit = units_of(side, np.unique(drive, return_inverse=True)[1], cell, weight, y, quantum)
    return units, [unit[side == k] for k in (0, 1)]
