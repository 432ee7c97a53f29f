"""SQL over the archive: nothing is written, and nothing outside the archive is in reach.

DuckDB runs in memory with its access to files, the network, extensions and Python's variables
switched off and its settings locked. For archives on this computer the one exception are the
recordings themselves, each by its full name, so that `samples` can be read; links among them were
refused when the archive was listed. For object stores `samples` comes through pyarrow.

Statements of the program's own, with parameters for what anybody typed, are run where they are
asked. What a person wrote as SQL goes to a process of its own: `questions.py`.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

import duckdb
import pyarrow as pa

from logbench.archive.chunks import CLOSED, SEVERAL, literally, quoted
from logbench.archive.far_file import FarFile, Fetch
from logbench.archive.room import Room
from logbench.archive.views import ALIGNED, BASE, MADE
from logbench.errors import QueryError

if TYPE_CHECKING:
    from logbench.archive.store import Store

SAMPLES_SCHEMA = pa.schema(
    [("recording", pa.string()), ("signal", pa.string()), ("ecu", pa.string()),
     ("t_ns", pa.int64()), ("t_s", pa.float64()), ("value", pa.float64())]
)  # fmt: skip
"""One row a sample; `t_ns` and `t_s` on the recording's own clock, `value` in the signal's unit."""
_STORED = pa.schema(
    [("recording", pa.string()), ("signal", pa.string()), ("ecu", pa.string()),
     ("t", pa.int64()), ("value", pa.float64())]
)  # fmt: skip
Group = tuple[int, str, str]
"""Of a row group the number, the signal and the ECU."""
FarRecording = tuple[str, int, int, Sequence[Group]]
"""Its path, its size, how long its footer is, and its row groups."""
_PATTERN = re.compile(r"[*?\[]")
"""DuckDB takes a name with one of these for a pattern."""


@dataclass(frozen=True, slots=True)
class Files:
    """A view over Parquet files of the program's own."""

    sql: str
    """A SELECT, in which `{files}` stands for their rows."""
    paths: tuple[str, ...]
    """Absolute."""

    @property
    def select(self) -> str:
        """The whole statement."""
        names = ",".join(quoted(literally(path)) for path in self.paths)
        files = f"read_parquet([{names}], hive_partitioning = false)"
        return self.sql.replace("{files}", files)


Source: TypeAlias = "pa.Table | Files"
"""What a view of an archive is made of."""


@dataclass(frozen=True, slots=True)
class Samples:
    """What the view `samples` reads: recordings below a folder, and others by what pyarrow opens,
    a name on this computer or a file object."""

    root: str = ""
    """The folder, with `/` at its end."""
    files: Sequence[str] = ()
    """Paths below it, all of them found sound."""
    others: Mapping[str, tuple[Any, Sequence[Group]]] = field(default_factory=dict)
    """By the recording's path in the archive; with its row groups, where they are known: who asks
    for one signal opens no other."""
    computed: str = ""
    """A Parquet file of further rows with the columns of the view."""


def samples_below(folder: str, recordings: Iterable[str]) -> Samples:
    """Of recordings below a folder of this computer."""
    root = f"{folder}/"
    odd = {path: (root + path, ()) for path in recordings if _PATTERN.search(root + path)}
    return Samples(root, [path for path in recordings if path not in odd], odd)


def samples_of(
    store: Store, recordings: Sequence[str], files: Iterable[FarRecording] = ()
) -> Samples:
    """Of recordings of an archive, read from where it is; of an object store by its `files`
    (`Index.far_files`)."""
    if store.root is not None:
        return samples_below(str(store.root), recordings)
    from logbench.archive.store import RemoteStore  # brings more than a process for SQL needs

    assert isinstance(store, RemoteStore)
    wanted = set(recordings)
    return far_samples((far for far in files if far[0] in wanted), store.fetcher)


def far_samples(files: Iterable[FarRecording], fetcher: Callable[[str], Fetch]) -> Samples:
    """Of recordings that are fetched in pieces."""
    others = {
        path: (FarFile(fetcher(path), size, footer_bytes), groups)
        for path, size, footer_bytes, groups in files
    }
    return Samples(others=others)


class Sql:
    """The views of an archive for one or more queries; use as a context manager."""

    def __init__(
        self,
        views: Mapping[str, Source],
        samples: Samples | None = None,
        room: Room | None = None,
        aligned: str = "",
        *,
        shut: bool = True,
    ) -> None:
        """`aligned`: the SELECT behind the view of that name; `shut`: nothing else can be read or
        written, which holds for all but a relation in somebody's own Python. Raises
        `QueryError` where a recording of `samples` cannot be read."""
        room = room or Room()
        self._connection = duckdb.connect(":memory:", config=dict(CLOSED))
        run, samples = self._connection.execute, samples or Samples()
        files = [path for view in views.values() if isinstance(view, Files) for path in view.paths]
        files += [samples.root + path for path in samples.files]
        try:
            with refusals():
                run(f"SET allowed_paths = [{','.join(map(quoted, files))}]")
                for name, view in views.items():
                    if isinstance(view, Files):
                        run(f"CREATE VIEW {name} AS {view.select}")
                    else:
                        self._connection.register(name, view)
                self._samples(samples)
                for name, made in (MADE | {ALIGNED: aligned}).items():
                    if made and BASE.get(name, name) in (*views, ALIGNED):
                        run(f"CREATE VIEW {name} AS {made}")
        except QueryError:
            self._connection.close()
            raise
        with suppress(duckdb.InvalidInputException):
            # WORKAROUND: DuckDB 2.0 refuses this in a notebook without ipywidgets; there
            # is no bar there
            run("SET enable_progress_bar = false")
        run("SET enable_external_file_cache = false")  # nothing is read twice in one query
        run("SET asof_loop_join_threshold = 0")  # row by row takes minutes where rows are misjudged
        run(f"SET temp_directory = {quoted(room.folder)}")
        run(f"SET memory_limit = '{room.memory_bytes} B'")
        if room.folder:
            run(f"SET max_temp_directory_size = '{room.folder_bytes} B'")
        if shut:
            run("SET enable_external_access = false")
            run("SET lock_configuration = true")

    def __enter__(self) -> Sql:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of everything."""
        self._connection.close()

    def _samples(self, samples: Samples) -> None:
        run = self._connection.execute
        parts = []
        columns = "signal, ecu, t AS t_ns, t / 1e9 AS t_s, value"
        if samples.files:
            names = ",".join(quoted(samples.root + path) for path in samples.files)
            parts.append(
                f"SELECT substr(filename, {len(samples.root) + 1}) AS recording, {columns} "
                f"FROM read_parquet([{names}], filename = true, hive_partitioning = false)"
            )
        if samples.others:
            self._connection.register("samples_of_store", _dataset(samples))
            parts.append(f"SELECT recording, {columns} FROM samples_of_store")
        if samples.computed:
            parts.append(f"SELECT * FROM read_parquet({quoted(literally(samples.computed))})")
        if parts:
            run(f"CREATE VIEW samples AS {' UNION ALL '.join(parts)}")
        else:
            self._connection.register("samples", pa.Table.from_batches([], SAMPLES_SCHEMA))

    def run(self, sql: str, parameters: Sequence[object] = ()) -> pa.Table:
        """The answer to one statement of the program's own. Raises `QueryError` when it needs more
        memory than there is room for, or a recording cannot be read."""
        with refusals():
            return self._stoppable(
                lambda: self._connection.sql(sql, params=list(parameters)).to_arrow_table()
            )

    def _stoppable(self, answer: Callable[[], pa.Table]) -> pa.Table:
        """Ctrl-C comes to the main thread only, and while DuckDB works there, now and then not at
        all: it works on another, and is told."""
        if threading.current_thread() is not threading.main_thread():
            return answer()
        with ThreadPoolExecutor(1, "query") as pool:
            coming = pool.submit(answer)
            try:
                while not coming.done():
                    wait([coming], 0.05)
            except KeyboardInterrupt:
                self._connection.interrupt()
                raise
            return coming.result()

    def relation(self, sql: str) -> duckdb.DuckDBPyRelation:
        """A statement of the program's own that is not run yet. Raises `QueryError`."""
        with refusals():
            return self._connection.sql(sql)

    def stream(self, sql: str, rows: int) -> pa.RecordBatchReader:
        """The answer to one SELECT that a person wrote, so many rows at a time, as it is made.

        Raises `QueryError` for any other statement, and with its reading `refusals`.
        """
        statements = self._connection.extract_statements(sql)
        if len(statements) != 1:
            raise QueryError("Give exactly one SQL statement, beginning with SELECT.")
        kind = statements[0].type
        if kind is not duckdb.StatementType.SELECT:
            raise QueryError(f"The archive is only read: {kind.name} is refused, use SELECT.")
        return self._connection.sql(sql).to_arrow_reader(rows)


@contextmanager
def refusals() -> Iterator[None]:
    """What DuckDB, or pyarrow for it, does not do, as a `QueryError`."""
    try:
        yield
    except (duckdb.Error, pa.ArrowException, MemoryError, OSError) as error:
        raise _refused(error) from error


def _refused(error: Exception) -> QueryError:
    hint = ""
    if re.search(r"parquet|thrift|TProtocol|snappy|zstd|page", str(error), re.IGNORECASE):
        hint = " A recording may be damaged: 'archive verify' finds it."
    first = re.sub(r"\s+", " ", str(error).split("\n\n")[0]).strip()[:300]
    return QueryError(f"The query cannot be answered: {first or type(error).__name__}{hint}")


def _dataset(samples: Samples) -> Any:
    """Recordings as one table whose column `recording` is known per file, so that a condition on it
    spares the other files, and one on `signal` or `ecu` the other row groups where these are known:
    the statistics of a column of names are not looked at."""
    import pyarrow.compute as pc
    import pyarrow.dataset as ds
    import pyarrow.fs as pafs

    layout = ds.ParquetFileFormat()
    filesystem = pafs.LocalFileSystem()
    fragments = []
    for path, (file, groups) in samples.others.items():
        place, mine = filesystem if isinstance(file, str) else None, pc.field("recording") == path
        for group, signal, ecu in groups:
            known = mine & (pc.field("signal") == signal)
            if ecu != SEVERAL:
                known &= pc.field("ecu") == ecu
            fragments.append(layout.make_fragment(file, place, known, [group]))
        if not groups:
            fragments.append(layout.make_fragment(file, place, mine))
    return ds.FileSystemDataset(fragments, _STORED, layout, filesystem)
