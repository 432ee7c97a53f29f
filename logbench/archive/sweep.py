"""A sweep: every recording checked, or given to a user's function, on as many processes as wanted.

Local worker processes by default, an existing dask cluster when its scheduler is given. Results
are kept after every few batches, so that a sweep can be stopped and resumed at any time; a lost
worker costs only the batches it was at. Workers of other machines must reach the archive under the
same path or URL and have the same version of the program.
"""

from __future__ import annotations

import functools
import hashlib
import importlib
import importlib.util
import inspect
import json
import os
import time
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, SupportsFloat

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from logbench.archive.archive import Archive
from logbench.archive.findings import check_entry, state_entry
from logbench.archive.looking import Progress
from logbench.archive.reading import open_entry
from logbench.archive.states import without_states
from logbench.archive.store import STATE, Entry, RemoteStore, Store, entries_of, open_store
from logbench.archive.tables import write_table
from logbench.errors import ArchiveError, LogbenchError, SignalUnknownError, UsageError
from logbench.recording.reader import Recording
from logbench.signals.catalog import catalog
from logbench.system.extras import lacks
from logbench.system.private import make_folder

if TYPE_CHECKING:
    from logbench.analysis.bands import Bands

Rows = list[dict[str, Any]]
Work = Callable[[str, Sequence[Entry]], Rows]
UserFunction = Callable[[Recording], Mapping[str, float | str | None]]

BATCH = 8
"""Recordings a task: what a lost worker costs at most."""

KEEP_EVERY_S = 5.0

_WORTH_PROCESSES = 60

USER_RESULTS = pa.schema(
    [*STATE.items(), ("version", pa.string()), ("name", pa.string()), ("number", pa.float64()),
     ("text", pa.string()), ("problem", pa.string())]
)  # fmt: skip
"""One row a result of a user's function; `version` is that of its source."""


@dataclass(frozen=True, slots=True)
class Swept:
    """What a sweep did: recordings done now, known before, and those with a problem."""

    done: int
    known: int
    problems: int
    seconds: float

    @property
    def per_s(self) -> float:
        """Recordings a second."""
        return self.done / self.seconds if self.seconds > 0 else 0.0


def processes_for(pending: int) -> int:
    """How many local worker processes so many recordings are worth; 1: in this process, where there
    are few (workers take seconds to start) or dask.distributed is not installed."""
    if pending < _WORTH_PROCESSES or importlib.util.find_spec("distributed") is None:
        return 1
    return max(1, os.cpu_count() or 1)


def sweep_checks(
    archive: Archive,
    *,
    scheduler: str | None = None,
    processes: int = 0,
    recordings: Sequence[str] | None = None,
    only: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Swept:
    """Run all checks, or `only` some, over what is pending and keep the findings.

    `scheduler`: `tcp://HOST:PORT` or `tls://…` of a dask cluster; None: `processes` on this
    computer (1: in this one, 0: as many as pay). Stopped by Ctrl-C, everything finished is kept and
    the next sweep goes on from there. Raises `ArchiveError`, `UsageError` for an unknown check.
    """
    chosen = None if only is None else _known_checks(only)
    entries = archive.pending(recordings, chosen)
    known = len(archive.entries(recordings)) - len(entries)
    keep = functools.partial(archive.keep, only=chosen)
    work = functools.partial(_checked, chosen, archive.bands)
    return _sweep(archive, work, entries, known, keep, scheduler, processes, progress)


def sweep_states(
    archive: Archive,
    *,
    processes: int = 0,
    recordings: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Swept:
    """Find what the cars were doing, where it is not kept yet: what a sweep of checks does by the
    way, without them. Raises `ArchiveError`."""
    everything = archive.entries(recordings)
    entries = without_states(everything, archive.states)
    known = len(everything) - len(entries)
    return _sweep(archive, _stated, entries, known, archive.keep, None, processes, progress)


def _known_checks(only: Sequence[str]) -> tuple[str, ...]:
    from logbench.analysis.run import require_checks  # brings scipy

    require_checks(only)
    if not only:
        raise UsageError("Name at least one check, or leave them out for all.")
    return tuple(sorted(set(only)))


def sweep_function(
    archive: Archive,
    function: str,
    out: Path,
    *,
    scheduler: str | None = None,
    processes: int = 0,
    recordings: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Swept:
    """Give every recording to `MODULE:FUNCTION` (a `UserFunction`), or take the numbers of a
    signal, recorded or computed; results to Parquet in `out`.

    The function's code runs as it is: only name one that you trust. What `out` already holds of
    the same function and file is not done again. Raises `ArchiveError`, `UsageError`.
    """
    version = _version_of(function)
    done = _known_results(out, version)
    everything = archive.entries(recordings)
    entries = [e for e in everything if e not in done]

    def keep(rows: Sequence[dict[str, Any]]) -> None:
        if rows:
            make_folder(out)
            table = pa.Table.from_pylist(list(rows), USER_RESULTS)
            write_table(table, out / f"{version}-{uuid.uuid4().hex}.parquet")

    work = functools.partial(_called, function, version)
    return _sweep(archive, work, entries, len(everything) - len(entries), keep, scheduler,
                  processes, progress)  # fmt: skip


def load_function(name: str) -> UserFunction:
    """The function of `MODULE:FUNCTION`, or the numbers of a signal. Raises `UsageError`."""
    if name.upper() in catalog():
        return functools.partial(_numbers_of, name.upper())
    module, colon, attribute = name.partition(":")
    if not colon:
        try:
            catalog().by_acronym(name)
        except SignalUnknownError as error:
            raise UsageError(f"'{name}' is not a MODULE:FUNCTION either: {error}") from error
    try:
        found = getattr(importlib.import_module(module), attribute)
    except (ImportError, AttributeError, ValueError) as error:
        raise UsageError(f"'{name}' is not a function: give MODULE:FUNCTION ({error}).") from error
    if not callable(found):
        raise UsageError(f"'{name}' cannot be called: give MODULE:FUNCTION.")
    made: UserFunction = found
    return made


def _numbers_of(signal: str, recording: Recording) -> dict[str, float]:
    """Count, lowest, mean and highest of a signal, recorded or computed."""
    from logbench.analysis.grid import with_computed  # brings scipy

    value = with_computed(recording, [signal]).trace(signal).value
    value = value[np.isfinite(value)]
    if not len(value):
        return {"samples": 0.0}
    return {"samples": float(len(value)), "lowest": float(value.min()),
            "mean": float(value.mean()), "highest": float(value.max())}  # fmt: skip


def _version_of(name: str) -> str:
    if name.upper() in catalog():
        name = repr(catalog().by_acronym(name))
        return hashlib.sha256(name.encode()).hexdigest()[:12]
    try:
        source = inspect.getsource(load_function(name))
    except (OSError, TypeError):
        source = ""
    return hashlib.sha256(f"{name}\0{source}".encode()).hexdigest()[:12]


def _known_results(out: Path, version: str) -> set[Entry]:
    known: set[Entry] = set()
    for path in out.glob(f"{version}-*.parquet"):
        try:
            table = pq.read_table(path, columns=[*STATE], memory_map=False)
        except (pa.ArrowException, OSError, ValueError) as error:
            raise ArchiveError(f"{path} is damaged: move it away and sweep again.") from error
        known.update(entries_of(table))
    return known


# --- what a worker does -------------------------------------------------------------------------


def _checked(
    only: tuple[str, ...] | None, bands: Bands | None, place: str, entries: Sequence[Entry]
) -> Rows:
    """The checks (None: all) over a batch, by the archive's bands."""
    store = _held(place, entries)
    return [row for entry in entries for row in check_entry(store, entry, only, bands)]


def _stated(place: str, entries: Sequence[Entry]) -> Rows:
    """What the cars were doing, over a batch."""
    store = _held(place, entries)
    return [row for entry in entries for row in state_entry(store, entry)]


def _same_version(
    versions: Mapping[str, str], work: Work, place: str, entries: Sequence[Entry]
) -> Rows:
    """A batch, at a worker of the same version only. Raises `ArchiveError`."""
    from logbench.archive import cluster

    cluster.require_versions(versions, cluster.versions(), "A worker")
    return work(place, entries)


def _held(place: str, entries: Sequence[Entry]) -> Store:
    """The archive's place; objects are fetched once, whole, for most of each is read."""
    store = open_store(place)
    if isinstance(store, RemoteStore):
        store.hold(entries)
    return store


def _called(name: str, version: str, place: str, entries: Sequence[Entry]) -> Rows:
    """A user's function over a batch; it travels to the workers by its name. Raises `ArchiveError`
    where that is another one there."""
    if _version_of(name) != version:
        raise ArchiveError(f"'{name}' is another function on a worker: put the same file there.")
    store = open_store(place)
    function = load_function(name)
    rows: Rows = []
    for entry in entries:
        common = entry.columns | {"version": version}
        try:
            results = dict(function(open_entry(store, entry)))
        except LogbenchError as error:
            rows.append(common | {"problem": str(error)})
        except Exception as error:  # the user's code may raise anything; the row keeps it
            rows.append(common | {"problem": repr(error)[:500]})
        else:
            rows += [common | _result(name, value) for name, value in results.items()]
    return rows


def _result(name: str, value: object) -> dict[str, Any]:
    if value is None or isinstance(value, str):
        return {"name": name, "text": value}
    if isinstance(value, SupportsFloat):
        return {"name": name, "number": float(value)}
    return {"name": name, "text": json.dumps(value, default=str)}


# --- the loop -----------------------------------------------------------------------------------


def _sweep(
    archive: Archive,
    work: Work,
    entries: list[Entry],
    known: int,
    keep: Callable[[Sequence[dict[str, Any]]], None],
    scheduler: str | None,
    processes: int,
    progress: Progress | None,
) -> Swept:
    begun = time.monotonic()
    place = archive.place
    processes = processes or processes_for(len(entries))
    batches = [entries[k : k + BATCH] for k in range(0, len(entries), BATCH)]
    held: Rows = []
    done: set[str] = set()
    problems = 0
    kept_at = begun
    try:
        for rows in _results(work, place, batches, scheduler, processes):
            held += rows
            done.update(row["recording"] for row in rows)
            problems += sum(bool(row.get("problem")) for row in rows)
            if progress is not None:
                progress(len(done), len(entries))
            if time.monotonic() - kept_at > KEEP_EVERY_S:
                keep(held)
                held, kept_at = [], time.monotonic()
    finally:
        keep(held)
    return Swept(len(done), known, problems, time.monotonic() - begun)


def _results(
    work: Work, place: str, batches: list[list[Entry]], scheduler: str | None, processes: int
) -> Iterator[Rows]:
    if scheduler is None and processes <= 1:
        for batch in batches:
            yield work(place, batch)
        return
    if not batches:
        return
    try:
        from distributed import as_completed

        from logbench.archive.cluster import client_of, versions
    except ModuleNotFoundError as error:
        raise ArchiveError(
            lacks("A sweep on several processes", "dask.distributed", "cluster")
        ) from error
    with client_of(scheduler, processes) as client, client.as_current():
        task = functools.partial(_same_version, versions(), work, place)
        futures = client.map(task, batches, pure=False)
        try:
            for future in as_completed(futures):  # type: ignore[no-untyped-call]
                yield future.result()
        finally:
            client.cancel(futures)  # type: ignore[no-untyped-call]
