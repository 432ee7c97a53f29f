"""What one drive tells of how its car moves from drive to drive: kept for each drive, and learned
from all of a car's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logbench.analysis.comparison.cells import choose_axis, rules_for, slots_of
from logbench.analysis.comparison.quantities import quantities_of
from logbench.analysis.comparison.units import units_of
from logbench.analysis.engine import Trait
from logbench.analysis.model import Coverage, Finding
from logbench.analysis.repeats import OF_CARS, CellMeans, Repeats, Scatter, spread_of_drives
from logbench.analysis.view import View

LEAST_DRIVES = 3
"""Of fewer drives nothing is learned."""


@dataclass(frozen=True, slots=True)
class CellMean:
    """One quantity in one cell of one drive: its mean with the variance of its error within the
    drive, at a mean engine speed and load; `axis` names what the load is."""

    number: str
    axis: str
    cell: int
    mean: float
    variance: float
    rpm: float
    load: float


@dataclass(frozen=True, slots=True)
class DayNumbers:
    """All of one drive: findings' numbers with their half widths (NaN: not known), by heading, and
    the means of quantities in cells; whether the engine ignites by `compression`."""

    findings: tuple[tuple[str, float, float], ...]
    cells: tuple[CellMean, ...]
    compression: bool = False


def numbers_of(view: View, findings: Sequence[Finding]) -> DayNumbers:
    """What is kept of a drive."""
    told = tuple(
        (f.heading, f.value, np.nan if f.uncertainty is None else f.uncertainty)
        for f in findings
        if f.value is not None and f.band is not None and f.coverage is Coverage.JUDGED
    )
    return DayNumbers(told, _cells(view), bool(view.engine.holds(Trait.COMPRESSION)))


def of_compression(drives: Sequence[DayNumbers]) -> bool:
    """Whether most of a car's drives show that its engine ignites by compression."""
    return 2 * sum(drive.compression for drive in drives) > len(drives)


def _cells(view: View) -> tuple[CellMean, ...]:
    axis = choose_axis([view], [view])
    if axis is None:
        return ()
    quantities = quantities_of([view], axis.signals)
    slots = slots_of([view], axis, quantities, rules_for([view], [view]))
    found = []
    for column, quantity in enumerate(quantities):
        known = np.isfinite(slots.values[:, column])
        if not known.any():
            continue
        side = np.zeros(int(known.sum()), dtype=np.intp)
        codes, cell = np.unique(slots.code[known], return_inverse=True)
        weight, y = slots.weight[known], slots.values[known, column]
        units, unit = units_of(side, side, cell, weight, y, quantity.quantum)
        total = np.bincount(unit, weight)
        rpm, load = (np.bincount(unit, weight * x[known]) / total for x in (slots.rpm, slots.load))
        found += [
            CellMean(quantity.key, axis.key, *row)
            for row in zip(
                codes[units.cell].tolist(),
                units.mean.tolist(),
                units.variance.tolist(),
                rpm.tolist(),
                load.tolist(),
                strict=True,
            )
        ]
    return tuple(found)


def learn(drives: Sequence[DayNumbers], known: Repeats = OF_CARS) -> Repeats:
    """How the numbers of a car move, from its drives (in any order), on top of what is `known`."""
    known = known.of_engine(of_compression(drives))
    own: dict[str, Scatter] = {}
    by_heading: dict[str, list[tuple[float, float]]] = {}
    by_quantity: dict[str, list[tuple[int, CellMean]]] = {}
    for index, drive in enumerate(drives):
        for name, value, half in drive.findings:
            by_heading.setdefault(name, []).append((value, half))
        for cell in drive.cells:
            by_quantity.setdefault(cell.number, []).append((index, cell))
    for name, pairs in by_heading.items():
        if len(pairs) >= LEAST_DRIVES:
            values, halves = np.array(pairs).T
            own[name] = spread_of_drives(known.of(name), values, halves)
    for name, cells in by_quantity.items():
        if len({index for index, _ in cells}) >= LEAST_DRIVES:
            own[name] = _means(cells).sharpen(known.of(name))
    learned = {name: scatter for name, scatter in own.items() if scatter.drives}
    return Repeats(learned, known.compression)


def _means(cells: Sequence[tuple[int, CellMean]]) -> CellMeans:
    """Those of one quantity, moved along their slopes to the middle of each cell's places."""
    places = {key: n for n, key in enumerate(dict.fromkeys((c.axis, c.cell) for _, c in cells))}
    at = np.array([places[c.axis, c.cell] for _, c in cells])
    drive = np.array([index for index, _ in cells])
    mean, variance = (np.array([getattr(c, n) for _, c in cells]) for n in ("mean", "variance"))
    where = np.array([(c.rpm / 1000.0, c.load / 50.0) for _, c in cells])
    count = np.bincount(at)
    away = where - np.column_stack([np.bincount(at, x) / count for x in where.T])[at]
    slopes, *_ = np.linalg.lstsq(away, mean - (np.bincount(at, mean) / count)[at], rcond=None)
    return CellMeans(drive, at, mean - away @ slopes, variance)
