"""The index as it is kept: parts of some ten thousand recordings, each for a range of paths.

A part is a folder with three tables: recordings, their signals, and what is left out. The list of
the parts says what each spans, so that who looks for something opens only those that may hold it. A
part that changes is written anew beside the others and then takes its place in the list, in one
step: nothing of another part is read or written for it, and one that is broken costs only itself.
"""

from __future__ import annotations

import hashlib
import json
import logging
import shutil
import time
import uuid
from bisect import bisect_right
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from logbench.archive.columns import FOOTER, PROBLEMS, SIGNALS, kept_schema
from logbench.archive.partitions import Pair, pairs_of
from logbench.archive.store import Entry, entries_of
from logbench.archive.tables import read_table, write_file, write_table
from logbench.system.private import make_folder

log = logging.getLogger(__name__)

RECORDINGS_A_PART = 20_000
_ROWS_A_GROUP = {"recordings": 4_096, "signals": 65_536, "problems": 4_096}
"""Rows read at a time where few of a part are wanted: recordings lie newest first."""
_FORMAT = "2"
"""Of the cache's files; part of their folder's name, so that an older one is never read."""
_LEFT_OVER_S = 3600.0
"""From which age on a part that is not listed is taken away: another program may be at it."""
_STATE = ("recording", "size_bytes", "mtime_ns", "notes_mtime_ns", FOOTER)

Tables = tuple[pa.Table, pa.Table, pa.Table]
"""Recordings, signals and what is left out."""
Gone = (pa.ArrowException, OSError, ValueError, KeyError, TypeError)
"""What a part that cannot be used raises."""


class State(NamedTuple):
    """What is known of one file: its state, and that of the notes beside it (0: there are none)."""

    entry: Entry
    noted: int
    footer_bytes: int


@dataclass(frozen=True, slots=True)
class Part:
    """One part; it is never changed once it is written."""

    folder: Path
    first: str
    """Its first path: it is about all from there to the next part's."""
    recordings: int
    problems: int
    oldest: str
    """The least that is known of a start, ISO 8601; empty where there is none, or nothing known."""
    newest: str
    said: tuple[Pair, ...]
    """What the folders in its paths say."""

    def file(self, kind: str) -> Path:
        """Of `recordings`, `signals`, `problems`."""
        return self.folder / f"{kind}.parquet"

    def tables(self) -> Tables:
        """All its rows. Raises `Gone`."""
        found = [read_table(self.file(kind)) for kind in _schemas()]
        a, b, c = (
            table.cast(schema) for table, schema in zip(found, _schemas().values(), strict=True)
        )
        return a, b, c

    def states(self) -> dict[str, State]:
        """By path, of recordings and of what is left out. Raises `Gone`."""
        found: dict[str, State] = {}
        with pq.ParquetFile(self.file("recordings"), memory_map=False) as file:
            rows = file.read([*_STATE], use_threads=False)
        more = (rows[name].to_pylist() for name in _STATE[3:])
        for entry, noted, footer_bytes in zip(entries_of(rows), *more, strict=True):
            found[entry.path] = State(entry, noted, footer_bytes)
        if self.problems:
            for entry in entries_of(read_table(self.file("problems")), "path"):
                found[entry.path] = State(entry, 0, 0)
        if len(found) != self.recordings + self.problems:
            raise ValueError(f"{self.folder} has other rows than it was written with")
        return found


@dataclass(frozen=True, slots=True)
class Kept:
    """All parts of an archive, in order of their paths."""

    parts: tuple[Part, ...] = ()
    namesakes: tuple[Pair, ...] = ()
    """Names of cars that stand with several VINs, with each of these."""

    @property
    def recordings(self) -> int:
        """How many there are."""
        return sum(part.recordings for part in self.parts)

    @property
    def said(self) -> set[Pair]:
        """What folders say anywhere."""
        return {pair for part in self.parts for pair in part.said}

    def at(self, path: str) -> int:
        """The number of the part that a path belongs to; there must be one."""
        return max(0, bisect_right([part.first for part in self.parts], path) - 1)

    def of_paths(self, paths: Iterable[str]) -> tuple[Part, ...]:
        """The parts that some paths belong to."""
        if not self.parts:
            return ()
        return tuple(self.parts[k] for k in sorted({self.at(path) for path in paths}))


def _schemas() -> dict[str, pa.Schema]:
    return {"recordings": kept_schema(), "signals": SIGNALS, "problems": PROBLEMS}


def _mark() -> str:
    text = "\n".join(str(schema) for schema in _schemas().values())
    return hashlib.sha256(text.encode()).hexdigest()[:20]


# --- the list of parts --------------------------------------------------------------------------


def index_folder(cache: Path) -> Path:
    """Where the index of an archive is kept."""
    return cache / f"index-{_FORMAT}"


def load_kept(cache: Path) -> Kept | None:
    """What is kept of an archive; None where there is nothing, or its list cannot be used."""
    folder = index_folder(cache)
    try:
        said = json.loads((folder / "parts.json").read_bytes())
        if said["mark"] != _mark():
            return None  # of another version of the program
        parts = [
            Part(folder / _own(name), str(first), int(n), int(bad), str(old), str(new),
                 tuple((str(k), str(v)) for k, v in pairs))
            for name, first, n, bad, old, new, pairs in said["parts"]
        ]  # fmt: skip
        names = tuple((str(car), str(vin)) for car, vin in said["namesakes"])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, LookupError) as error:
        log.warning("the list of the archive's index is made anew: %s", error)
        return None
    return Kept(tuple(parts), names)


def _own(name: str) -> str:
    return uuid.UUID(hex=name).hex


def save_kept(cache: Path, kept: Kept, left_over_s: float = _LEFT_OVER_S) -> None:
    """List the parts, and take those away that are listed no more once they are so old. Raises
    `OSError`."""
    folder = index_folder(cache)
    make_folder(folder)
    listed = [
        (p.folder.name, p.first, p.recordings, p.problems, p.oldest, p.newest, p.said)
        for p in kept.parts
    ]
    said = {"mark": _mark(), "parts": listed, "namesakes": kept.namesakes}
    write_file(json.dumps(said).encode(), folder / "parts.json")
    here = {part.folder.name for part in kept.parts}
    for other in folder.iterdir():
        is_old = time.time() - other.stat().st_mtime >= left_over_s
        if other.is_dir() and other.name not in here and is_old:
            shutil.rmtree(other, ignore_errors=True)


# --- parts ----------------------------------------------------------------------------------------


def written(into: Path, tables: Tables) -> list[Part]:
    """Write rows as a part in a folder, or as several where they are many; none where there are no
    rows. Raises `OSError`."""
    recordings, _, bad = tables
    paths = sorted([*recordings["recording"].to_pylist(), *bad["path"].to_pylist()])
    if not paths:
        return []
    many = len(paths) > 2 * RECORDINGS_A_PART
    count = -(-len(paths) // RECORDINGS_A_PART) if many else 1
    cuts = [paths[k * len(paths) // count] for k in range(count)]
    return [
        _written(into / uuid.uuid4().hex, within(tables, low, high))
        for low, high in zip(cuts, [*cuts[1:], None], strict=True)
    ]


def within(tables: Tables, low: str, high: str | None) -> Tables:
    """The rows of paths from `low` on, below `high`."""
    a, b, c = (
        table.filter(_between(table[key], low, high))
        for table, key in zip(tables, ("recording", "recording", "path"), strict=True)
    )
    return a, b, c


def _between(paths: pa.ChunkedArray, low: str, high: str | None) -> pa.ChunkedArray:
    above = pa.compute.greater_equal(paths, low)
    return above if high is None else pa.compute.and_(above, pa.compute.less(paths, high))


def without(tables: Tables, paths: Collection[str]) -> Tables:
    """The rows of all other paths."""
    gone = pa.array(list(paths), pa.string())
    a, b, c = (
        table.filter(pa.compute.invert(pa.compute.is_in(table[key], value_set=gone)))
        for table, key in zip(tables, ("recording", "recording", "path"), strict=True)
    )
    return a, b, c


def _written(folder: Path, tables: Tables) -> Part:
    recordings, _, bad = tables
    make_folder(folder)
    order = [("started", "descending"), ("recording", "ascending")]
    ordered = (recordings.sort_by(order), *tables[1:])
    for (kind, schema), table in zip(_schemas().items(), ordered, strict=True):
        write_table(table.cast(schema), folder / f"{kind}.parquet", _ROWS_A_GROUP[kind])
    paths = [*recordings["recording"].to_pylist(), *bad["path"].to_pylist()]
    folders = {path.rpartition("/")[0] for path in recordings["recording"].to_pylist()}
    said = {pair for folder in folders for pair in pairs_of(f"{folder}/").items()}
    span = pa.compute.min_max(recordings["started"]).as_py()
    return Part(
        folder, min(paths), recordings.num_rows, bad.num_rows,
        span["min"] or "", span["max"] or "", tuple(sorted(said)),
    )  # fmt: skip


def give_up_broken(kept: Kept) -> int:
    """Look at every part as a whole, and take those away that cannot be used, for the next look to
    make them anew; how many."""
    broken = 0
    for part in kept.parts:
        try:
            part.tables()
        except Gone as error:
            log.warning("%s cannot be used: %s", part.folder, error)
            part.file("recordings").unlink(missing_ok=True)
            broken += 1
    return broken


# --- forgetting -----------------------------------------------------------------------------------


def forget_rows(cache: Path, names: Sequence[str]) -> None:
    """Take recordings, and job files that are gone, out of everything kept of an archive, findings
    too, and let go of copies that were fetched. Raises `OSError`, `ArrowException`."""
    if not names:
        return
    forget_judged(cache, names)
    kept = load_kept(cache)
    if kept is not None:
        parts: list[Part] = []
        for part in kept.parts:
            tables = part.tables()
            less = without(tables, names)
            same = all(a.num_rows == b.num_rows for a, b in zip(tables, less, strict=True))
            parts += [part] if same else written(index_folder(cache), less)
        rows = [read_table(part.file("recordings")) for part in parts]
        left = {vin for table in rows for vin in table["vin"].to_pylist()}
        kept = Kept(tuple(parts), tuple(one for one in kept.namesakes if one[1] in left))
        save_kept(cache, kept, left_over_s=0)
    shutil.rmtree(cache / "fetched", ignore_errors=True)


def forget_judged(cache: Path, names: Sequence[str]) -> None:
    """Take recordings out of what is kept beside the index: findings, what the cars were doing and
    so on. Raises `OSError`, `ArrowException`."""
    gone, index = pa.array(names, pa.string()), index_folder(cache)
    for path in cache.rglob("*.parquet") if names else ():
        if index in path.parents:
            continue
        table = read_table(path)
        key = next((name for name in ("recording", "path") if name in table.column_names), None)
        if key is not None:
            here = pa.compute.is_in(table[key], value_set=gone)
            write_table(table.filter(pa.compute.invert(here)), path)
