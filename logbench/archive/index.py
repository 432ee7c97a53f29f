"""The index: every recording's footer as rows, kept in a cache that may be dropped at any time.

The files stay the only truth: a row counts only as long as its file has the size and time it had
when the row was made. The cache lies in the user's own cache folder, never in the archive: what
comes with a foreign archive is not believed, and an archive may be read-only. It is kept in parts
(`kept.py`), renewed by `looking.py`, and read when rows are asked for.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import pyarrow as pa

from logbench.archive.columns import (
    FOOTER,
    JOBS,
    NOTES,
    READINGS,
    ROLES,
    SIGNALS,
    WORK,
    recordings_schema,
)
from logbench.archive.job_rows import jobs_of
from logbench.archive.kept import Gone, Kept, Part, State, load_kept, save_kept
from logbench.archive.looking import Progress, look_through
from logbench.archive.partitions import Chosen, Pair, columns_of
from logbench.archive.query import FarRecording, Files, Source, Sql
from logbench.archive.store import Problem, Store
from logbench.archive.tables import read_table, write_table
from logbench.errors import QueryError
from logbench.system.platforms import cache_home
from logbench.system.private import make_folder

log = logging.getLogger(__name__)

_FORMAT = "1"
"""Of the table of roles; part of its name, so that an older one is never read."""
_HELD = 8
"""Parts of which the states of all files are held in memory."""
_TOLD = "told_apart"
TOLD_APART = pa.schema([("car", pa.string()), ("vin", pa.string()), ("shown", pa.string())])
"""How cars are shown that stand with several VINs."""


@dataclass(frozen=True)
class Index:
    """All recordings, signals and jobs of an archive, and what is left out. Rows are read when they
    are asked for."""

    kept: Kept
    jobs: pa.Table
    roles: pa.Table
    """Recordings of jobs, before or after the work: see `ROLES`."""
    readings: pa.Table
    work: pa.Table
    problems: tuple[Problem, ...] = ()
    fresh: int = 0
    """Footers that had to be read this time."""
    lost: int = 0
    """Recordings whose part of what was kept could not be used, and was made anew."""
    told: pa.Table = field(default_factory=lambda: _empty(TOLD_APART))
    _states: dict[Path, dict[str, State]] = field(default_factory=dict, init=False)
    """Of the parts that were asked last."""

    def __len__(self) -> int:
        return self.kept.recordings

    @cached_property
    def recordings(self) -> pa.Table:
        """The view of that name, all of it in memory. Raises `QueryError`."""
        return self._all("recordings")

    @cached_property
    def signals(self) -> pa.Table:
        """As `recordings`."""
        return self._all("signals")

    @cached_property
    def notes(self) -> pa.Table:
        """As `recordings`."""
        return self._all("notes")

    @cached_property
    def far_files(self) -> list[FarRecording]:
        """What spares requests where the recordings are far away. Raises `QueryError`."""
        paths = tuple(str(part.file("recordings")) for part in self.kept.parts)
        if not paths:
            return []
        with Sql(self.views() | {"kept": Files("SELECT * FROM {files}", paths)}) as views:
            rows = views.run(_FAR_FILES).to_pylist()
        return [
            (row["recording"], row["size_bytes"], row[FOOTER],
             [(one["row_group"], one["signal"], one["ecu"]) for one in row["groups"] or []])
            for row in rows
        ]  # fmt: skip

    @cached_property
    def columns(self) -> dict[str, str]:
        """What the names of folders say, by the name of its column; each as SQL."""
        return columns_of(self.kept.said, recordings_schema().names)

    def state_of(self, path: str) -> State | None:
        """What is known of the file of a recording; None: there is no such recording, or its part
        cannot be used."""
        if not self.kept.parts:
            return None
        part = self.kept.parts[self.kept.at(path)]
        held = self._states.get(part.folder)
        if held is None:
            while len(self._states) >= _HELD:
                self._states.pop(next(iter(self._states)), None)
            try:
                held = self._states[part.folder] = part.states()
            except Gone as error:
                log.warning("%s cannot be used: %s", part.folder, error)
                return None
        state = held.get(path)
        return state if state is not None and state.footer_bytes else None

    def _all(self, name: str) -> pa.Table:
        with Sql(self.views()) as views:
            return views.run(f"SELECT * FROM {name}")

    def views(self, parts: Sequence[Part] | None = None) -> dict[str, Source]:
        """The views `recordings`, `signals`, `notes`, `jobs`, `readings`, of some parts only or of
        all, for `Sql`."""
        own = views_of(self.kept.parts if parts is None else parts, self.told, self.columns)
        rest = {"jobs": self.jobs, "readings": self.readings, "work": self.work}
        return own | rest | {"roles": self.roles}


_FAR_FILES = """SELECT k.recording, k.size_bytes, k.footer_bytes,
    CASE WHEN s.samples = k.samples THEN s.groups END AS groups
    FROM kept k LEFT JOIN (SELECT recording, sum(samples) AS samples,
        list({'row_group': row_group, 'signal': signal, 'ecu': ecu} ORDER BY row_group) AS groups
        FROM signals GROUP BY recording) s USING (recording) ORDER BY k.recording"""


def views_of(
    parts: Sequence[Part], told: pa.Table, columns: Mapping[str, str]
) -> dict[str, Source]:
    """What `Index.views` has of its parts."""
    if not parts:
        more = [pa.field(name, pa.string()) for name in columns]
        empty = {"recordings": pa.schema([*recordings_schema(), *more]), "signals": SIGNALS,
                 "notes": NOTES}  # fmt: skip
        return {name: _empty(schema) for name, schema in empty.items()}
    names = [f'r."{name}"' for name in recordings_schema().names if name != "car"]
    at = recordings_schema().names.index("car")
    join = f"LEFT JOIN {_TOLD} t ON t.car = r.car AND t.vin = r.vin" if told.num_rows else ""
    names.insert(at, "coalesce(t.shown, r.car) AS car" if join else "r.car")
    names += [f'{sql} AS "{name}"' for name, sql in columns.items()]
    recordings, signals = (
        tuple(str(part.file(kind)) for part in parts) for kind in ("recordings", "signals")
    )
    notes = """SELECT recording, said.start_s, said.end_s, said.kind, said.text
        FROM (SELECT recording, unnest(remarks) AS said FROM {files})"""
    return {
        **({_TOLD: told} if join else {}),
        "recordings": Files(f"SELECT {', '.join(names)} FROM {{files}} r {join}", recordings),
        "signals": Files("SELECT * FROM {files}", signals),
        "notes": Files(notes, recordings),
    }


def cache_folder(store: Store, base: Path | None = None) -> Path:
    """Where what is known of this archive is kept; `base` None: the user's cache folder."""
    name = hashlib.sha256(store.url.encode("utf-8", "surrogatepass")).hexdigest()[:20]
    return (base or cache_home() / "archives") / name


def build_index(
    store: Store, cache: Path, progress: Progress | None = None, chosen: Chosen | None = None
) -> Index:
    """List the archive, read the footers that are new or changed, keep the result. `chosen`: only
    folders of that name are looked into, the others stay as they are known.

    Raises `ArchiveError` when the place cannot be reached; never for a single file.
    """
    listing = store.listing(chosen or {})
    before = load_kept(cache) or Kept()
    looked = look_through(store, listing, cache, before, chosen or {}, progress)
    kept = looked.kept
    if kept.parts != before.parts:
        kept = replace(kept, namesakes=_namesakes(kept))
        _tried(lambda: save_kept(cache, kept))
    problems = [*listing.problems, *looked.passing, *_left_out(kept)]
    jobs, roles, readings, work = jobs_of(store, listing, problems)
    _keep_roles(cache, roles)
    made = Index(kept, jobs, roles, readings, work, tuple(problems))
    return replace(made, fresh=looked.fresh, lost=looked.lost)


def known_index(cache: Path) -> Index | None:
    """What was known of an archive when it was last looked through, the archive itself left alone:
    its jobs are not known. None where nothing is kept."""
    kept = load_kept(cache)
    if kept is None:
        return None
    none = _empty(JOBS), kept_roles(cache), _empty(READINGS), _empty(WORK)
    return Index(kept, *none, tuple(_left_out(kept)))


def kept_recordings(cache: Path) -> pa.Table | None:
    """The recordings of `known_index`; None where nothing is kept, or it cannot be read."""
    known = known_index(cache)
    try:
        return None if known is None else known.recordings
    except QueryError:
        return None


def _empty(schema: pa.Schema) -> pa.Table:
    return pa.Table.from_batches([], schema)


def _left_out(kept: Kept) -> Iterable[Problem]:
    for part in kept.parts:
        try:
            rows = read_table(part.file("problems")).to_pylist() if part.problems else []
        except Gone as error:
            log.warning("%s cannot be used: %s", part.folder, error)
            continue
        yield from (Problem(row["path"], row["kind"], row["sentence"]) for row in rows)


def _namesakes(kept: Kept) -> tuple[Pair, ...]:
    """Names of cars with several VINs, as they are written."""
    sql = """SELECT car, vin FROM (SELECT DISTINCT car, vin FROM recordings
        WHERE car != '' AND vin != '') QUALIFY count(*) OVER (PARTITION BY car) > 1 ORDER BY ALL"""
    with Sql(views_of(kept.parts, _empty(TOLD_APART), {})) as views:
        rows = views.run(sql).to_pylist()
    return tuple((row["car"], row["vin"]) for row in rows)


def rows_of(cache: Path, chosen: Callable[[Mapping[str, Any]], bool]) -> list[str]:
    """The names of recordings in what is kept of an archive whose rows are `chosen`; a part that
    cannot be used holds none."""
    found: list[str] = []
    for part in (load_kept(cache) or Kept()).parts:
        try:
            rows = read_table(part.file("recordings")).to_pylist()
        except Gone as error:
            log.warning("%s cannot be used: %s", part.folder, error)
            continue
        found += [row["recording"] for row in rows if chosen(row)]
    return found


def _roles_file(cache: Path) -> Path:
    return cache / f"roles-{_FORMAT}.parquet"


def kept_roles(cache: Path) -> pa.Table:
    """The same of the roles of jobs' recordings."""
    try:
        return read_table(_roles_file(cache)).cast(ROLES)
    except (pa.ArrowException, OSError, ValueError):
        return _empty(ROLES)


def _keep_roles(cache: Path, roles: pa.Table) -> None:
    """Where that cannot be, a repair is not known to who only reads what is kept."""
    if roles.equals(kept_roles(cache)):
        return

    def keep() -> None:
        make_folder(cache)
        write_table(roles, _roles_file(cache))

    _tried(keep)


def _tried(keep: Callable[[], None]) -> None:
    try:
        keep()
    except OSError as error:
        log.warning("the archive's cache cannot be kept: %s", error)
