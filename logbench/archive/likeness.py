"""'Drives like this one': recordings compared by their grids of derived signals.

A grid has cells of engine speed and load; in each, the mean of every derived signal. Two
recordings are as far apart as their cells differ, in units of what two drives of one untouched car
differ by, over the cells that both have. Drives over different roads are comparable that way, as
far as they share cells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from logbench.analysis import derived
from logbench.analysis.airflow import find_displacement
from logbench.analysis.comparison.quantities import efficiency
from logbench.analysis.grid import RecordingLike
from logbench.analysis.repeats import OF_CARS, TINY, Repeats
from logbench.analysis.view import View
from logbench.archive.archive import Archive
from logbench.archive.findings import checks_version
from logbench.archive.looking import Progress
from logbench.archive.reading import open_entry
from logbench.archive.repeats import learn_of
from logbench.archive.store import STATE, Entry, Store, entries_of
from logbench.archive.tables import read_table, write_table
from logbench.errors import ArchiveError, LogbenchError
from logbench.system.private import make_folder

Values = npt.NDArray[np.float64]

RPM_EDGES = (450.0, 900.0, 1300.0, 1800.0, 2300.0, 3000.0, 4000.0, 7500.0)
LOAD_EDGES = (0.0, 25.0, 40.0, 60.0, 80.0, 101.0)
CELLS = (len(RPM_EDGES) - 1) * (len(LOAD_EDGES) - 1)
LEAST_SLOTS = 10
"""Two seconds on the view's time base: a cell with less is empty."""

QUANTITIES = (
    ("total fuel trim, bank 1", "TOTAL_TRIM1"),
    ("total fuel trim, bank 2", "TOTAL_TRIM2"),
    ("efficiency to the manifold, %", "VE"),
    ("airflow per liter and 1,000 rpm, g/s", "MAF"),
    ("ignition advance, deg", "SPARKADV"),
)
"""Name, and the number whose scatter between drives it has."""

LEAST_COMMON = 3
"""Cells that two recordings must share, of one quantity at least."""

SIZE = CELLS * len(QUANTITIES)
_GRIDS = pa.schema({**STATE, "grid": pa.list_(pa.float32())})
"""Of the cache: the grids of all recordings, made once."""


@dataclass(frozen=True, slots=True)
class Alike:
    """How near a recording is: 0 is the same, 1 differs as two drives of one untouched car do, on
    average."""

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
    inside = (rpm < RPM_EDGES[-1]) & (load < LOAD_EDGES[-1]) & np.asarray(view.conditions.warm)
    for k, values in enumerate(_quantities(view, rpm)):
        if values is not None:
            used = inside & np.isfinite(values)
            out[k] = _means(rpm[used], load[used], values[used])
    return out.ravel()


def _means(rpm: Values, load: Values, values: Values) -> Values:
    edges = [RPM_EDGES, LOAD_EDGES]
    count, _, _ = np.histogram2d(rpm, load, edges)
    total, _, _ = np.histogram2d(rpm, load, edges, weights=values)
    return np.where(count >= LEAST_SLOTS, total / np.maximum(count, 1), np.nan).ravel()


def _quantities(view: View, rpm: Values) -> list[Values | None]:
    trims = [view.grid.linear(f"TOTAL_TRIM{bank}") for bank in (1, 2)]
    maf, liters = view.grid.linear("MAF"), view.once(find_displacement).liters
    per_liter = None
    if maf is not None and liters is not None:
        per_liter = derived.airflow_per_liter_1000rpm(maf, rpm, liters)
    return [*trims, efficiency().make(view), per_liter, view.grid.linear("SPARKADV")]


def _scale(grid: Values, repeats: Repeats) -> Values:
    """What two drives of the untouched car differ by in each cell, of the shape of `grid`,
    (quantities, cells): a standard deviation."""
    scatters = [repeats.of(number) for _, number in QUANTITIES]
    single = [[s.at(level).single for level in row] for s, row in zip(scatters, grid, strict=True)]
    return math.sqrt(2.0) * np.maximum(single, TINY)


def nearest(
    mine: Values,
    others: Values,
    names: list[str],
    count: int = 10,
    repeats: Repeats = OF_CARS,
) -> list[Alike]:
    """The nearest recordings. `mine`: shape (SIZE,); `others`: shape (n, SIZE), `names` theirs;
    `repeats`: how far the car moves from drive to drive.

    Recordings with too few common cells are left out.
    """
    if not len(others):
        return []
    a = mine.reshape(1, len(QUANTITIES), CELLS)
    scale = _scale(a[0], repeats)
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


def grids_of(
    store: Store, cache: Path, entries: list[Entry], progress: Progress | None = None
) -> Values:
    """One row a recording, shape (n, SIZE), NaN where a cell is empty or a file cannot be read.

    Those that the present version of the checks has made of the present files come out of the
    cache. Stopped half way (`progress` raises), what is made is kept. Raises `ArchiveError` where
    they cannot be kept.
    """
    file = cache / f"grids-{checks_version()}.parquet"
    kept = _kept(file)
    made = False
    try:
        for done, entry in enumerate(entries):
            if progress is not None and done % 20 == 0:
                progress(done, len(entries))
            if entry not in kept:
                try:
                    kept[entry] = grid_of(open_entry(store, entry))
                except LogbenchError:
                    kept[entry] = np.full(SIZE, np.nan)
                made = True
    finally:
        if made:
            _keep(file, {e: kept[e] for e in entries if e in kept})
    return np.array([kept[entry] for entry in entries]).reshape(-1, SIZE)


def similar_drives(
    archive: Archive, name: str, count: int = 10, progress: Progress | None = None
) -> list[Alike]:
    """The recordings nearest to one, by their grids of derived signals; itself left out.

    The first time takes about as long as a sweep. Raises `ArchiveError`.
    """
    path = archive.resolve(name)
    entries = archive.entries()
    names = [entry.path for entry in entries]
    grids = grids_of(archive.store, archive.cache, entries, progress)
    mine = names.index(path)
    others = [k for k in range(len(names)) if k != mine]
    index, facts = archive.index, archive.open(path).facts
    repeats = learn_of(index.recordings, index.roles, archive.cache, archive.cars, [facts])
    return nearest(grids[mine], grids[others], [names[k] for k in others], count, repeats)


def _kept(file: Path) -> dict[Entry, Values]:
    try:
        table = read_table(file)
        if table.schema != _GRIDS:
            return {}
        grids = np.array(table["grid"].to_pylist(), dtype=np.float64).reshape(-1, SIZE)
    except (pa.ArrowException, OSError, ValueError):
        return {}
    return dict(zip(entries_of(table), grids, strict=True))


def _keep(file: Path, grids: dict[Entry, Values]) -> None:
    rows = [entry.columns | {"grid": grid.astype(np.float32)} for entry, grid in grids.items()]
    try:
        make_folder(file.parent)
        write_table(pa.Table.from_pylist(rows, _GRIDS), file)
    except OSError as error:
        raise ArchiveError(f"{file} cannot be written ({error.strerror}).") from error
