"""'Drives like this one': recordings compared by their grids of derived signals.

A grid has cells of engine speed and load; in each, the mean of every derived signal. Two
recordings are as far apart as their cells differ, in units of what counts as different in the
workshop, over the cells that both have. Drives over different roads are comparable that way, as
far as they share cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.analysis import derived
from logbench.analysis.airflow import find_displacement
from logbench.analysis.grid import RecordingLike
from logbench.analysis.view import View

Values = npt.NDArray[np.float64]

RPM_EDGES = (450.0, 900.0, 1300.0, 1800.0, 2300.0, 3000.0, 4000.0, 7500.0)
LOAD_EDGES = (0.0, 25.0, 40.0, 60.0, 80.0, 101.0)
CELLS = (len(RPM_EDGES) - 1) * (len(LOAD_EDGES) - 1)
LEAST_SLOTS = 10
"""Two seconds on the view's time base: a cell with less is empty."""

QUANTITIES = (
    ("total trim, bank 1", 5.0),
    ("total trim, bank 2", 5.0),
    ("efficiency to the manifold, %", 10.0),
    ("airflow per litre and 1,000 rpm, g/s", 1.0),
    ("ignition advance, deg", 5.0),
)
"""Name, and the difference that counts as one. Common practice, no source."""

LEAST_COMMON = 3
"""Cells that two recordings must share, of one quantity at least."""

SIZE = CELLS * len(QUANTITIES)


@dataclass(frozen=True, slots=True)
class Alike:
    """How near a recording is: 0 is the same, 1 differs by what counts as one, on average."""

    recording: str
    distance: float
    common_cells: int
    parts: dict[str, float]
    """Distance by quantity, of those that both have."""


def grid_of(recording: RecordingLike) -> Values:
    """Means per quantity and cell, float64, shape (SIZE,); NaN where a cell is empty."""
    view = View(recording)
    out = np.full((len(QUANTITIES), CELLS), np.nan)
    rpm = view.grid.linear("RPM")
    load = view.grid.linear("LOAD_PCT")
    if rpm is None or load is None or not len(rpm):
        return out.ravel()
    row = np.digitize(rpm, RPM_EDGES) - 1
    column = np.digitize(load, LOAD_EDGES) - 1
    width = len(LOAD_EDGES) - 1
    inside = (row >= 0) & (row < len(RPM_EDGES) - 1) & (column >= 0) & (column < width)
    inside &= np.isfinite(rpm) & np.isfinite(load) & np.asarray(view.conditions.warm)
    cell = np.where(inside, row * width + column, 0)
    for k, values in enumerate(_quantities(view, rpm)):
        if values is not None:
            out[k] = _means(values, cell, inside & np.isfinite(values))
    return out.ravel()


def _means(values: Values, cell: npt.NDArray[np.intp], used: npt.NDArray[np.bool_]) -> Values:
    count = np.bincount(cell[used], minlength=CELLS)
    total = np.bincount(cell[used], weights=values[used], minlength=CELLS)
    enough = count >= LEAST_SLOTS
    return np.where(enough, total / np.maximum(count, 1), np.nan)


def _quantities(view: View, rpm: Values) -> list[Values | None]:
    grid = view.grid

    def trim(bank: int) -> Values | None:
        short, long = grid.linear(f"SHRTFT{bank}"), grid.linear(f"LONGFT{bank}")
        return None if short is None or long is None else derived.total_trim_pct(short, long)

    maf, manifold, degc = grid.linear("MAF"), grid.linear("MAP"), grid.slow("IAT", "AAT")
    litres = view.once(find_displacement).litres
    ve = per_litre = None
    if maf is not None and litres is not None:
        per_litre = derived.airflow_per_litre_1000rpm(maf, rpm, litres)
        if manifold is not None:
            air = np.full(len(rpm), 25.0) if degc is None else degc
            ve = derived.volumetric_efficiency(maf, rpm, litres, manifold, air) * 100.0
    return [trim(1), trim(2), ve, per_litre, grid.linear("SPARKADV")]


def nearest(mine: Values, others: Values, names: list[str], count: int = 10) -> list[Alike]:
    """The nearest recordings. `mine`: shape (SIZE,); `others`: shape (n, SIZE), `names` theirs.

    Recordings with too few common cells are left out.
    """
    if not len(others):
        return []
    scale = np.array([size for _, size in QUANTITIES])[None, :, None]
    a = mine.reshape(1, len(QUANTITIES), CELLS)
    b = others.reshape(len(others), len(QUANTITIES), CELLS)
    apart = ((b - a) / scale) ** 2
    shared = np.isfinite(apart)
    cells = shared.sum(axis=2)
    usable = cells >= LEAST_COMMON
    per = np.where(shared, apart, 0.0).sum(axis=2) / np.maximum(cells, 1)
    rows = usable.any(axis=1)
    mean = np.where(usable, per, 0.0).sum(axis=1) / np.maximum(usable.sum(axis=1), 1)
    distance = np.where(rows, np.sqrt(mean), np.inf)
    order = np.argsort(distance, kind="stable")[:count]
    return [
        Alike(
            names[i],
            float(distance[i]),
            int(cells[i].max()),
            {
                QUANTITIES[k][0]: float(np.sqrt(per[i, k]))
                for k in range(len(QUANTITIES))
                if usable[i, k]
            },
        )
        for i in order
        if np.isfinite(distance[i])
    ]
