"""What each drive of each side has in each shared cell, and the difference that varies least."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.analysis.alignment import Values
from logbench.analysis.repeats import CellMeans, Scatter
from logbench.analysis.statistics import Uncertainty

Ints = npt.NDArray[np.intp]

TINY = 1e-9
"""Variance, in units of the level squared, that keeps means without any error apart from zero."""


@dataclass(frozen=True, slots=True)
class Units:
    """k units, a drive in a cell: `side` 0 or 1, `drive` and `cell` numbered, `mean` of its slots,
    their `evidence`, and `noise`, the variance of a mean of evidence 1."""

    side: Ints
    drive: Ints
    cell: Ints
    mean: Values
    evidence: Values
    noise: float

    @property
    def level(self) -> float:
        """What size the quantity is."""
        return float(np.average(self.mean, weights=self.evidence))

    @property
    def variance(self) -> Values:
        """Error within the drive of each mean, roughly: good enough to weigh by."""
        return self.noise / self.evidence + TINY * (1.0 + self.level**2)

    def covariance(self, scatter: Scatter) -> Values:
        """What the days do to the means, (k, k)."""
        same = self.drive[:, None] == self.drive[None, :]
        return np.asarray(scatter.drive**2 * same + np.diag(np.full(len(same), scatter.cell**2)))

    def part(self, weights: Values, side: int, of: Values | None = None) -> float:
        """One side's part of a contrast of the means, or of other values, (k,)."""
        values = self.mean if of is None else of
        return float((weights * values)[self.side == side].sum())

    def contrast(self, scatter: Scatter) -> Values:
        """Weights, (k,), of the means in the difference of the sides: generalized least squares,
        where cells have levels of their own and a drive is off in all its cells alike and in each
        by itself. They sum to nothing in each cell, and to 1 over one side."""
        covariance = self.covariance(scatter) + np.diag(self.variance)
        cells = self.cell[:, None] == np.unique(self.cell)
        known = np.column_stack((cells, self.side == 1)).astype(np.float64)
        pull = np.linalg.solve(covariance, known)
        return np.asarray(np.linalg.solve(known.T @ pull, pull.T)[-1])

    def in_cell(self, cell: int, scatter: Scatter) -> Values:
        """The same of one cell alone."""
        weight = (self.cell == cell) / (scatter.single**2 + self.variance)
        total = np.bincount(self.side, weight, 2)[self.side]
        return np.asarray(np.where(self.side == 1, weight, -weight) / total)

    def between(self, weights: Values, scatter: Scatter) -> Uncertainty:
        """What the days add to the error of a contrast."""
        drives = np.bincount(self.drive, weights)
        return scatter.error(float(drives @ drives), float(weights @ weights))

    def sharpen(self, scatter: Scatter) -> Scatter:
        """`scatter`, learned from the drives of each side that has several in the same cells."""
        for side in (0, 1):
            mine = self.side == side
            parts = (x[mine] for x in (self.drive, self.cell, self.mean, self.variance))
            scatter = CellMeans(*parts).sharpen(scatter)
        return scatter


def units_of(
    side: Ints, drive: Ints, cell: Ints, weight: Values, y: Values, quantum: float
) -> tuple[Units, Ints]:
    """The units of all slots, (n,) each: their side, drive, cell, evidence and value, whose step on
    the wire is `quantum`; and the unit that each slot is in."""
    code, first, unit = np.unique(
        drive * (int(cell.max()) + 1) + cell, return_index=True, return_inverse=True
    )
    evidence = np.bincount(unit, weight).astype(np.float64)
    mean = np.bincount(unit, weight * y) / evidence
    square = float(np.sum(weight * (y - mean[unit]) ** 2))
    noise = square / max(1.0, float(len(y) - len(code))) + quantum**2 / 12.0
    return Units(side[first], drive[first], cell[first], mean, evidence, noise), unit
