"""SQL over the archive: read-only, one statement, and nothing outside the archive in reach.

DuckDB runs in memory with its access to files, the network, extensions and Python's variables
switched off and its settings locked. For archives on this computer the one exception are the
recordings themselves, each by its full name, so that `samples` can be read; links among them were
refused when the archive was listed. For object stores `samples` comes through pyarrow.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import duckdb
import pyarrow as pa

from logbench.archive.chunks import CLOSED, quoted
from logbench.archive.store import RemoteStore, Store
from logbench.errors import QueryError

MEMORY = "2GB"
SAMPLES_SCHEMA = pa.schema(
    [("recording", pa.string()), ("signal", pa.string()), ("ecu", pa.string()),
     ("t_ns", pa.int64()), ("t_s", pa.float64()), ("value", pa.float64())]
)  # fmt: skip
"""One row a sample; `t_ns` and `t_s` on the recording's own clock, `value` in the signal's unit."""


class Sql:
    """The views of an archive for one or more queries; use as a context manager."""

    def __init__(
        self, store: Store, views: Mapping[str, pa.Table], recordings: Sequence[str]
    ) -> None:
        """`recordings`: paths that `samples` reads; all of them have been found sound."""
        self._connection = duckdb.connect(":memory:", config=dict(CLOSED))
        self._kept: list[Any] = []
        for name, table in views.items():
            self._connection.register(name, table)
        try:
            self._samples(store, recordings)
        except duckdb.Error as error:
            self._connection.close()
            raise _refused(error) from error
        run = self._connection.execute
        run("SET enable_progress_bar = false")
        run("SET enable_external_file_cache = false")  # nothing is read twice in one query
        run("SET temp_directory = ''")
        run(f"SET memory_limit = '{MEMORY}'")
        run("SET enable_external_access = false")
        run("SET lock_configuration = true")

    def __enter__(self) -> Sql:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of everything."""
        self._connection.close()

    def _samples(self, store: Store, recordings: Sequence[str]) -> None:
        if not recordings:
            self._connection.register("samples", pa.Table.from_batches([], SAMPLES_SCHEMA))
        elif store.root is not None:
            root = f"{store.root}/"
            names = ",".join(quoted(root + path) for path in recordings)
            self._connection.execute(f"SET allowed_paths = [{names}]")
            self._connection.execute(
                f"CREATE VIEW samples AS SELECT substr(filename, {len(root) + 1}) AS recording, "
                "signal, ecu, t AS t_ns, t / 1e9 AS t_s, value "
                f"FROM read_parquet([{names}], filename = true, hive_partitioning = false)"
            )
        else:
            assert isinstance(store, RemoteStore)
            self._connection.register("samples_of_store", _dataset(store, recordings))
            self._connection.execute(
                "CREATE VIEW samples AS SELECT recording, signal, ecu, t AS t_ns, t / 1e9 AS t_s, "
                "value FROM samples_of_store"
            )

    def run(self, sql: str, parameters: Sequence[object] = ()) -> pa.Table:
        """The answer to one reading statement.

        Raises `QueryError` when it is another statement, is wrong, reaches outside, or needs more
        memory than `MEMORY`.
        """
        try:
            statements = self._connection.extract_statements(sql)
            if len(statements) != 1:
                raise QueryError("Give exactly one SQL statement, beginning with SELECT.")
            kind = statements[0].type
            if kind not in {duckdb.StatementType.SELECT, duckdb.StatementType.EXPLAIN}:
                raise QueryError(f"The archive is only read: {kind.name} is refused, use SELECT.")
            if kind is duckdb.StatementType.EXPLAIN:
                rows = self._connection.execute(sql, list(parameters)).fetchall()
                return pa.table({"plan": [str(row[-1]) for row in rows]})
            answer = self._connection.sql(sql, params=list(parameters))
            return answer.to_arrow_table()
        except duckdb.Error as error:
            raise _refused(error) from error
        except KeyboardInterrupt:
            self._connection.interrupt()  # it stops, and not only the waiting for it
            raise


def _refused(error: duckdb.Error) -> QueryError:
    hint = ""
    if re.search(r"parquet|thrift|TProtocol|snappy|zstd|page", str(error), re.IGNORECASE):
        hint = " A recording may be damaged: 'archive check' finds it."
    first = re.sub(r"\s+", " ", str(error).split("\n\n")[0]).strip()[:300]
    return QueryError(f"The query cannot be answered: {first}{hint}")


def _dataset(store: RemoteStore, recordings: Sequence[str]) -> Any:
    """The recordings as one table whose column `recording` is known per file, so that a condition
    on it spares the other files, and one on `signal` the other row groups."""
    import pyarrow.compute as pc
    import pyarrow.dataset as ds

    layout = ds.ParquetFileFormat()
    schema = pa.schema(
        [("recording", pa.string()), ("signal", pa.string()), ("ecu", pa.string()),
         ("t", pa.int64()), ("value", pa.float64())]
    )  # fmt: skip
    fragments = [
        layout.make_fragment(
            store.full(path),
            store.filesystem,
            partition_expression=pc.field("recording") == path,
        )
        for path in recordings
    ]
    return ds.FileSystemDataset(fragments, schema, layout, store.filesystem)
