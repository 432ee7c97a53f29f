"""Similar drives: the grids of all recordings, made once and kept, and the nearest of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from logbench.archive.archive import Archive
from logbench.archive.findings import checks_version
from logbench.archive.index import Progress, write_table
from logbench.archive.likeness import SIZE, Alike, grid_of, nearest
from logbench.archive.reading import open_entry
from logbench.archive.store import STATE, Entry, Store, entries_of
from logbench.errors import ArchiveError, LogbenchError

_Grid = npt.NDArray[np.float64]

_GRIDS = pa.schema({**STATE, "grid": pa.list_(pa.float32())})


def grids_of(
    store: Store, cache: Path, entries: list[Entry], progress: Progress | None = None
) -> _Grid:
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
                kept[entry] = _grid(store, entry)
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
    return nearest(grids[mine], grids[others], [names[k] for k in others], count)


def _grid(store: Store, entry: Entry) -> _Grid:
    try:
        return grid_of(open_entry(store, entry))
    except LogbenchError:
        return np.full(SIZE, np.nan)


def _kept(file: Path) -> dict[Entry, _Grid]:
    try:
        table = pq.read_table(file, memory_map=False)
        if table.schema != _GRIDS:
            return {}
        grids = np.array(table["grid"].to_pylist(), dtype=np.float64).reshape(-1, SIZE)
    except (pa.ArrowException, OSError, ValueError):
        return {}
    return dict(zip(entries_of(table), grids, strict=True))


def _keep(file: Path, grids: dict[Entry, _Grid]) -> None:
    columns = [*map(list, zip(*grids, strict=True))]
    columns.append([grid.astype(np.float32).tolist() for grid in grids.values()])
    arrays = [pa.array(c, f.type) for c, f in zip(columns, _GRIDS, strict=True)]
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        write_table(pa.Table.from_arrays(arrays, schema=_GRIDS), file)
    except OSError as error:
        raise ArchiveError(f"{file} cannot be written ({error.strerror}).") from error
