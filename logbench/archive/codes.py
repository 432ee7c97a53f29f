"""The codes that jobs of an archive have read out of cars, as rows of the view `codes`.

They are read when they are first asked for, out of the jobs' own files, and kept beside the index:
a reading is written once, so only new and changed ones are read. Nothing in them is believed.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pyarrow as pa

from logbench.archive.columns import table_of
from logbench.archive.store import AT_ONCE, JOB_FILE, LocalStore, Store
from logbench.archive.tables import read_table, write_table
from logbench.errors import ArchiveError
from logbench.system.limits import READING_BYTES
from logbench.system.private import make_folder
from logbench.system.reading import json_of

log = logging.getLogger(__name__)

_OF_READING = ("file", "role", "at_utc")
_OF_CODE = ("ecu", "code", "status", "about")
CODES = pa.schema([(name, pa.string()) for name in ("job", *_OF_READING, *_OF_CODE)])
"""One row a code of a reading; `status`: `stored`, `pending` or `permanent`."""
_STATE = ("path", "file", "at_utc", "mtime_ns")
_KEPT = pa.schema([("path", pa.string()), ("mtime_ns", pa.int64()), *list(CODES)[1:]])
"""The same as it is kept, by the job's file; a reading without codes has one row without a code."""
_NAME = "codes-1.parquet"
_MOST = 2000
"""Codes of one reading; a car with twenty ECUs has some hundred at the most."""
_CHARS = 300


def codes_of(store: Store, readings: pa.Table, cache: Path) -> pa.Table:
    """The view, of the readings that there are (rows of `READINGS`). Never raises for a file."""
    kept = _load(cache)
    known: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in kept.to_pylist():
        known.setdefault(_state(row), []).append(row)
    wanted = [_entry(store, row) for row in readings.to_pylist()]
    new = [row for row in wanted if _state(row) not in known]
    with ThreadPoolExecutor(1 if isinstance(store, LocalStore) else AT_ONCE) as pool:
        for row, read in zip(new, pool.map(lambda one: _read(store, one), new), strict=True):
            known[_state(row)] = read
    rows = [row for one in wanted for row in known[_state(one)]]
    if new or len(rows) != kept.num_rows:
        _keep(cache, table_of([row for row in rows if row["mtime_ns"] is not None], _KEPT))
    shown = [{"job": _job(row)} | {n: row[n] for n in CODES.names[1:]} for row in rows]
    return table_of([row for row in shown if row["code"]], CODES)


def _state(row: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(row[name] for name in _STATE)


def _job(row: Mapping[str, Any]) -> str:
    return str(row["path"]).rpartition("/")[0]


def _entry(store: Store, reading: Mapping[str, Any]) -> dict[str, Any]:
    """A reading without its codes; in an object store its name alone tells its state."""
    path = f"{reading['job']}/{JOB_FILE}".lstrip("/")
    row = {"path": path, "mtime_ns": 0} | {name: reading[name] for name in _OF_READING}
    if isinstance(store, LocalStore):
        try:
            row["mtime_ns"] = store.path_of(_file(row)).stat().st_mtime_ns
        except (ArchiveError, OSError, ValueError):
            row["mtime_ns"] = -1
    return row


def _file(row: Mapping[str, Any]) -> str:
    return f"{_job(row)}/{row['file']}".lstrip("/")


def _read(store: Store, row: dict[str, Any]) -> list[dict[str, Any]]:
    """The rows of one reading; one that cannot be read has no code, and is read again where the
    disk or the network was the reason."""
    nothing = row | dict.fromkeys(_OF_CODE, "")
    try:
        with store.open(_file(row)) as file:
            data = file.read(READING_BYTES + 1)
        if len(data) > READING_BYTES:
            raise ValueError(len(data))
        return [row | one for one in _codes_in(json_of(data))] or [nothing]
    except OSError as error:
        log.info("codes of %s: %s", row["path"], error)
        return [nothing | {"mtime_ns": None}]
    except (ArchiveError, ValueError, TypeError, AttributeError, KeyError) as error:
        log.info("codes of %s: %s", row["path"], error)
        return [nothing]


def _codes_in(document: Any) -> Iterator[dict[str, str]]:
    """Of a reading as it lies in its file; `logbench.vehicle.records` owns the whole of it."""
    for one in document["codes"][:_MOST]:
        names = zip(_OF_CODE, ("ecu", "code", "state", "text"), strict=True)
        yield {name: str(one.get(key) or "")[:_CHARS] for name, key in names}


def _load(cache: Path) -> pa.Table:
    try:
        return read_table(cache / _NAME).cast(_KEPT)
    except (pa.ArrowException, OSError, ValueError):
        return pa.Table.from_batches([], _KEPT)


def _keep(cache: Path, table: pa.Table) -> None:
    try:
        make_folder(cache)
        write_table(table, cache / _NAME)
    except OSError as error:
        log.warning("the archive's cache cannot be kept: %s", error)
