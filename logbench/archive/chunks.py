"""What footers say of their column chunks.

WORKAROUND: pyarrow ends the whole process when some spoiled descriptions of a chunk are looked at
from Python (a histogram of another length than its column allows, statistics of another type than
the schema's). DuckDB reads the same descriptions and raises, so they are read by DuckDB.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from logbench.recording.footer import Chunk

SEVERAL = "several"
"""In place of an ECU, where a row group has samples of more than one."""
_AT_ONCE = 200
_COLUMNS = (
    "file_name, row_group_id, row_group_num_rows, column_id, type, stats_min_value, "
    "stats_max_value, data_page_offset, dictionary_page_offset, total_compressed_size, "
    "total_uncompressed_size, num_values"
)

CLOSED = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "python_enable_replacements": "false",
}
"""How DuckDB is always opened here: nothing is fetched, nothing of Python's is seen."""


@dataclass(frozen=True, slots=True)
class Described:
    """A chunk with what its file says of its content; nothing of it is believed yet."""

    chunk: Chunk
    kind: str
    """Physical type: `BYTE_ARRAY`, `INT64`, `DOUBLE`, …"""
    low: str | None
    """Lowest value as text; None where the file has no statistics."""
    high: str | None


def quoted(text: str) -> str:
    """A string as SQL writes it."""
    return "'" + text.replace("'", "''") + "'"


def literally(path: str) -> str:
    """A file's name where DuckDB takes patterns."""
    return re.sub(r"[*?\[]", r"[\g<0>]", path)


def chunks_of(paths: Sequence[str]) -> list[list[Described] | None]:
    """The chunks of each file (absolute names), in order; None where they make no sense, or DuckDB
    cannot read the schema, though pyarrow can: it would spoil every query over `samples`."""
    out: list[list[Described] | None] = []
    for start in range(0, len(paths), _AT_ONCE):
        out += _each_or_none(paths[start : start + _AT_ONCE])
    return out


def _each_or_none(paths: Sequence[str]) -> list[list[Described] | None]:
    """One answer a file by reading many at once; None for those at which DuckDB fails."""
    if not paths:
        return []
    try:
        return list(_read(_connection(), paths))
    except (duckdb.Error, ValueError, TypeError, OverflowError, MemoryError) as error:
        if isinstance(error, duckdb.FatalException | duckdb.InternalException):
            _kept.connection = None  # DuckDB refuses everything after such an error
        if len(paths) == 1:
            return [None]
    middle = len(paths) // 2
    return _each_or_none(paths[:middle]) + _each_or_none(paths[middle:])


class _Kept(threading.local):
    connection: duckdb.DuckDBPyConnection | None = None


_kept = _Kept()
"""One a thread: opening costs ten times what reading a footer does."""


def _connection() -> duckdb.DuckDBPyConnection:
    found = _kept.connection
    if found is None:
        found = _kept.connection = duckdb.connect(":memory:", config=dict(CLOSED))
        found.execute("SET enable_external_file_cache = false")
        found.execute("SET threads = 1")
    return found


def _read(connection: duckdb.DuckDBPyConnection, paths: Sequence[str]) -> list[list[Described]]:
    names = ",".join(quoted(literally(path)) for path in paths)
    connection.execute(f"SELECT count(*) FROM parquet_schema([{names}])").fetchall()
    sql = f"SELECT {_COLUMNS} FROM parquet_metadata([{names}])"
    by_path: dict[str, list[Described]] = {path: [] for path in paths}
    for row in connection.execute(sql).fetchall():
        path, group, rows, column, kind, low, high, data, dictionary, packed, unpacked, n = row
        places = [place for place in (data, dictionary) if place is not None]
        start = min(places) if places else -1
        chunk = Chunk(group, column, rows, start, packed, unpacked, n)
        by_path[path].append(Described(chunk, kind, low, high))
    return [by_path[path] for path in paths]
