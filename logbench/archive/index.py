"""The index: every recording's footer as rows, kept in a cache that may be dropped at any time.

The files stay the only truth: a row counts only as long as its file has the size and time it had
when the row was made. The cache lies in the user's own cache folder, never in the archive: what
comes with a foreign archive is not believed, and an archive may be read-only.
"""

from __future__ import annotations

import hashlib
import logging
import shutil
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from logbench.archive.columns import (
    FOOTER,
    JOBS,
    PROBLEMS,
    READINGS,
    ROLES,
    SIGNALS,
    WORK,
    Known,
    kept_schema,
    notes_of,
    record_of,
    shown,
    table_of,
)
from logbench.archive.reading import Footer, read_footers
from logbench.archive.store import Entry, Listing, Problem, Store, entries_of
from logbench.errors import LogbenchError
from logbench.recording.corrections import corrected
from logbench.recording.notes import Remark, beside_in
from logbench.recording.storage import replacing
from logbench.system.limits import JOB_BYTES, NOTES_BYTES, NOTES_SEARCHED_CHARS
from logbench.system.platforms import cache_home
from logbench.system.private import make_folder, owner_only
from logbench.system.reading import toml_of

log = logging.getLogger(__name__)

_FORMAT = "1"
"""Of the cache's files; part of their names, so that an older one is never read."""

_AT_ONCE = 100
"""Footers read between two words about how far it is."""

Progress = Callable[[int, int], None]
"""Told (done, of)."""


@dataclass(frozen=True, slots=True)
class Index:
    """All recordings, signals and jobs of an archive, and what is left out."""

    recordings: pa.Table
    signals: pa.Table
    jobs: pa.Table
    roles: pa.Table
    """Recordings of jobs, before or after the work: see `ROLES`."""
    notes: pa.Table
    readings: pa.Table
    work: pa.Table
    footers: Mapping[str, int]
    """By recording: bytes of its footer."""
    problems: tuple[Problem, ...]
    fresh: int
    """Footers that had to be read this time."""


def cache_folder(store: Store, base: Path | None = None) -> Path:
    """Where what is known of this archive is kept; `base` None: the user's cache folder."""
    name = hashlib.sha256(store.url.encode("utf-8", "surrogatepass")).hexdigest()[:20]
    return (base or cache_home() / "archives") / name


def build_index(store: Store, cache: Path, progress: Progress | None = None) -> Index:
    """List the archive, read the footers that are new or changed, keep the result.

    Raises `ArchiveError` when the place cannot be reached; never for a single file.
    """
    listing = store.listing()
    kept = _load(cache)
    known = _known(kept)
    pairs = [] if kept is None else kept[0].select(["recording", "notes_mtime_ns"]).to_pylist()
    noted = {row["recording"]: row["notes_mtime_ns"] for row in pairs}
    new = [
        e
        for e in listing.recordings
        if known.get(e.path) != e or noted.get(e.path, 0) != listing.noted(e.path)
    ]
    if kept is not None and not new and len(known) == len(listing.recordings):
        recordings, signals, bad = kept
    else:
        recordings, signals, bad = _merged(store, listing, kept, new, progress)
        if kept is not None:
            beside = [entry.path for entry in new if known.get(entry.path) == entry]
            _forget_judged(cache, kept[0], recordings, beside)
        passing = pa.compute.is_in(bad["kind"], value_set=pa.array(["unreadable", "link"]))
        _save(cache, recordings, signals, bad.filter(pa.compute.invert(passing)))
    problems = [*listing.problems, *(Problem(r["path"], r["kind"], r["sentence"])
                                     for r in bad.to_pylist())]  # fmt: skip
    jobs, roles, readings, work = _jobs(store, listing, problems)
    _keep_roles(cache, roles)
    notes = notes_of(recordings)
    footers = dict(zip(*(recordings[n].to_pylist() for n in ("recording", FOOTER)), strict=True))
    return Index(shown(recordings), signals, jobs, roles, notes, readings, work, footers,
                 tuple(problems), len(new))  # fmt: skip


def kept_recordings(cache: Path) -> pa.Table | None:
    """Those of when the archive was last looked through, the archive itself left alone; None where
    nothing is kept."""
    try:
        found = read_table(_names(cache)[0]).replace_schema_metadata(None)
    except (pa.ArrowException, OSError, ValueError):
        return None
    return shown(found) if found.schema == kept_schema() else None


def rows_of(cache: Path, chosen: Callable[[Mapping[str, Any]], bool]) -> list[str]:
    """The names of recordings in what is kept of an archive whose rows are `chosen`."""
    kept = _load(cache)
    rows = [] if kept is None else kept[0].to_pylist()
    return [row["recording"] for row in rows if chosen(row)]


def forget_rows(cache: Path, names: Sequence[str]) -> None:
    """Take recordings, and job files that are gone, out of everything kept of an archive, findings
    too, and let go of copies that were fetched. Raises `OSError`, `ArrowException`."""
    if not names:
        return
    gone = pa.array(names, pa.string())
    for path in cache.rglob("*.parquet"):
        table = read_table(path)
        key = next((name for name in ("recording", "path") if name in table.column_names), None)
        if key is not None:
            here = pa.compute.is_in(table[key], value_set=gone)
            write_table(table.filter(pa.compute.invert(here)), path)
    shutil.rmtree(cache / "fetched", ignore_errors=True)


def _forget_judged(cache: Path, before: pa.Table, now: pa.Table, noted: list[str]) -> None:
    """Findings of recordings whose facts were corrected since. `noted`: those whose files are as
    they were, and what stands beside them is not."""
    columns = [n for n in shown(now).column_names if n not in ("notes", "notes_mtime_ns")]
    here = pa.array(noted, pa.string())
    rows = [
        table.filter(pa.compute.is_in(table["recording"], value_set=here)).select(columns)
        for table in (before, now)
    ]
    old, new = ({row["recording"]: row for row in table.to_pylist()} for table in rows)
    try:
        forget_rows(cache, [path for path in noted if old.get(path) != new.get(path)])
    except (OSError, pa.ArrowException) as error:
        log.warning("findings of before a correction are kept: %s", error)


_Tables = tuple[pa.Table, pa.Table, pa.Table]


def _known(kept: _Tables | None) -> dict[str, Entry]:
    if kept is None:
        return {}
    out: dict[str, Entry] = {}
    for table, name in ((kept[0], "recording"), (kept[2], "path")):
        out.update((entry.path, entry) for entry in entries_of(table, name))
    return out


def _merged(
    store: Store,
    listing: Listing,
    kept: _Tables | None,
    new: list[Entry],
    progress: Progress | None,
) -> _Tables:
    footers = _read(store, new, progress)
    recordings: list[dict[str, Any]] = []
    signals: list[dict[str, Any]] = []
    bad: list[dict[str, Any]] = []
    for entry, footer in zip(new, footers, strict=True):
        if isinstance(footer, Footer):
            recordings.append(_row(store, footer.known, listing.notes.get(entry.path)))
            signals += footer.signals
        else:
            bad.append({"path": footer.path, "kind": footer.kind, "sentence": footer.sentence,
                        "size_bytes": entry.size, "mtime_ns": entry.mtime_ns})  # fmt: skip
    made = (
        pa.Table.from_pylist(recordings, kept_schema()),
        pa.Table.from_pylist(signals, SIGNALS),
        pa.Table.from_pylist(bad, PROBLEMS),
    )
    if kept is None:
        return made
    changed = {entry.path for entry in new}
    present = pa.array([e.path for e in listing.recordings if e.path not in changed], pa.string())
    stays = [
        table.filter(pa.compute.is_in(table[name], value_set=present))
        for table, name in zip(kept, ("recording", "recording", "path"), strict=True)
    ]
    joined = [pa.concat_tables(pair).combine_chunks() for pair in zip(stays, made, strict=True)]
    return joined[0], joined[1], joined[2]


def _row(store: Store, known: Known, beside: Entry | None) -> dict[str, Any]:
    """A recording with the notes beside it, a line each, and its facts as they are corrected there;
    where that cannot be read, why."""
    if beside is None:
        return record_of(known)
    said: Sequence[Remark] = ()
    try:
        with store.open(beside.path) as file:
            document = beside_in(file.read(NOTES_BYTES + 1), beside.path)
        text = "\n".join(note.said for note in document.notes)
        if document.is_of(known.facts.samples_sha256):
            said = document.notes
            known = replace(known, facts=corrected(known.facts, document.corrections))
    except (LogbenchError, OSError) as error:
        text = str(error)
    notes = {"notes": text[:NOTES_SEARCHED_CHARS], "notes_mtime_ns": beside.mtime_ns}
    return record_of(known, said) | notes


def _read(store: Store, entries: list[Entry], progress: Progress | None) -> list[Footer | Problem]:
    """Footers in order."""
    out: list[Footer | Problem] = []
    length = 0
    for start in range(0, len(entries), _AT_ONCE):
        out += read_footers(store, entries[start : start + _AT_ONCE], length)
        known = [f.known.footer_bytes for f in out if isinstance(f, Footer)]
        length = max(known, default=0)
        if progress is not None:
            progress(len(out), len(entries))
    return out


def _jobs(store: Store, listing: Listing, problems: list[Problem]) -> tuple[pa.Table, ...]:
    """All jobs, the roles of their recordings, their readings, and what was done in them."""
    rows, roles, readings, work = [], [], [], []
    for entry in listing.jobs:
        try:
            if entry.size > JOB_BYTES:
                sentence = f"{entry.path} is {entry.size / 1e6:.0f} MB long, which no job is."
                problems.append(Problem(entry.path, "enormous", sentence))
                continue
            with store.open(entry.path) as file:
                data = file.read(JOB_BYTES)
            job = toml_of(data)
            told, read = _role_rows(entry.path, job), _reading_rows(entry.path, job)
            done = _work_rows(entry.path, job)
            rows.append(_job_row(entry.path, job))
            roles += told
            readings += read
            work += done
        except (OSError, ValueError, TypeError, AttributeError):
            sentence = f"{entry.path} is not a job that can be read: correct or remove it."
            problems.append(Problem(entry.path, "damaged", sentence))
    made = ((rows, JOBS), (roles, ROLES), (readings, READINGS), (work, WORK))
    return tuple(table_of(found, schema) for found, schema in made)


def _role_rows(path: str, job: dict[str, Any]) -> list[dict[str, Any]]:
    folder = path.rpartition("/")[0]
    return [
        {"recording": f"{folder}/{one['file']}".lstrip("/"), "job": folder, "role": one["role"]}
        for one in job.get("recordings", [])
        if one.get("role") in ("before", "after") and isinstance(one.get("file"), str)
    ]


def _reading_rows(path: str, job: dict[str, Any]) -> list[dict[str, Any]]:
    names = [name for name in READINGS.names if name != "job"]
    return [
        {"job": path.rpartition("/")[0]} | {name: str(one.get(name, "")) for name in names}
        for one in job.get("readings", [])
    ]


def _work_rows(path: str, job: dict[str, Any]) -> list[dict[str, Any]]:
    folder = path.rpartition("/")[0]
    return [
        {"job": folder, "at_utc": str(one.get("at_utc", "")), "kind": str(one.get("kind", "work")),
         "text": str(one.get("text", ""))}
        for one in [*job.get("work", []), *job.get("events", [])]
    ]  # fmt: skip


def _job_row(path: str, job: dict[str, Any]) -> dict[str, Any]:
    """The few fields that are searched; `logbench.job` owns the whole schema."""
    vehicle = job.get("vehicle", {})
    notes = [str(n.get("text", "")) for n in [*job.get("notes", []), *job.get("work", [])]]
    displacement = vehicle.get("displacement_l")
    return {
        "job": path.rpartition("/")[0],
        "title": str(job.get("title", "")),
        "created_utc": str(job.get("created_utc", "")),
        "car": str(vehicle.get("label", "") or vehicle.get("vin", "")),
        "vin": str(vehicle.get("vin", "")),
        "displacement_l": None if displacement is None else float(displacement),
        "concern": str(job.get("concern", "")),
        "conclusion": str(job.get("conclusion", "")),
        "notes": "\n".join(notes),
        "recordings": len(job.get("recordings", [])),
    }


# --- the cache ----------------------------------------------------------------------------------


def _names(cache: Path) -> tuple[Path, Path, Path]:
    kinds = ("recordings", "signals", "problems")
    a, b, c = (cache / f"{kind}-{_FORMAT}.parquet" for kind in kinds)
    return a, b, c


def _load(cache: Path) -> _Tables | None:
    """What was kept; None where there is nothing or it cannot be used."""
    schemas = (kept_schema(), SIGNALS, PROBLEMS)
    try:
        read = [read_table(path) for path in _names(cache)]
        stamps = {(t.schema.metadata or {}).get(b"logbench.index") for t in read}
        if len(stamps) != 1:
            return None  # another program was writing
        a, b, c = (t.replace_schema_metadata(None) for t in read)
        if tuple(t.schema for t in (a, b, c)) != schemas:
            return None
        return a, b, c
    except FileNotFoundError:
        return None
    except (pa.ArrowException, OSError, ValueError) as error:
        log.info("the archive's cache is made anew: %s", error)
        return None


def _save(cache: Path, *parts: pa.Table) -> None:
    """Keep for the next time; where that cannot be, the next time takes longer."""
    stamp = uuid.uuid4().hex
    try:
        make_folder(cache)
        for table, path in zip(parts, _names(cache), strict=True):
            marked = table.replace_schema_metadata({"logbench.index": stamp})
            write_table(marked, path)
    except OSError as error:
        log.warning("the archive's cache cannot be kept: %s", error)


def _roles_file(cache: Path) -> Path:
    return cache / f"roles-{_FORMAT}.parquet"


def kept_roles(cache: Path) -> pa.Table:
    """The same of the roles of jobs' recordings."""
    try:
        return read_table(_roles_file(cache)).cast(ROLES)
    except (pa.ArrowException, OSError, ValueError):
        return pa.Table.from_batches([], ROLES)


def _keep_roles(cache: Path, roles: pa.Table) -> None:
    """Where that cannot be, a repair is not known to who only reads what is kept."""
    if roles.equals(kept_roles(cache)):
        return
    try:
        make_folder(cache)
        write_table(roles, _roles_file(cache))
    except OSError as error:
        log.warning("the archive's cache cannot be kept: %s", error)


def read_table(path: Path) -> pa.Table:
    """Read a Parquet file of ours (without `pq.read_table`, whose imports take 0.1 s). Raises
    `OSError`, `ArrowException`, `ValueError`."""
    with pq.ParquetFile(path, memory_map=False) as file:
        return file.read(use_threads=False)


def write_table(table: pa.Table, path: Path, rows_a_group: int | None = None) -> None:
    """Write a Parquet file of ours in one step (never half of one). Raises `OSError`."""
    with replacing(path) as part, open(part, "xb", opener=owner_only) as file:
        pq.write_table(table, file, compression="zstd", row_group_size=rows_a_group)
