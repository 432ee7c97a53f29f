"""A person's questions in SQL, each answered by a process that could do no harm if it wanted to.

The process (`answers.py`) is started at the first question, kept for the next ones, and killed when
a question is stopped, takes too long or too much memory, or the archive is let go of. It is given
the views as tables, the recordings by name, and no environment; what it sends back is bounded here
and believed only after it has been checked.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import queue
import subprocess
import sys
import threading
import time
import weakref
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, cast

import pyarrow as pa

from logbench.archive.frames import Frame, Kind, read_frame, write_frame
from logbench.archive.room import OwnFolder
from logbench.archive.store import Store
from logbench.errors import LogbenchError, QueryError
from logbench.system.limits import (
    QUERY_BYTES,
    QUERY_ROWS,
    QUERY_S,
)
from logbench.system.platforms import (
    keep_in_job,
    no_interrupt,
    resident_bytes,
    without_console,
)
from logbench.system.threads import Supervised

if TYPE_CHECKING:
    from logbench.archive.index import Index
    from logbench.archive.query import FarRecording

log = logging.getLogger(__name__)

_DUCKDB_SHARE = 0.65
"""DuckDB is told to do with so much of the memory; the rest is for what it does not count."""
_ADDRESS_SHARE, _ADDRESS_MORE_BYTES = 1.25, 1_000_000_000
"""Address space it may take besides what its libraries have: more is reserved than used, of a small
memory too."""
_START_S = 60.0
_LOOK_S = 0.05
"""Between two looks at what it takes and whether it is still wanted."""
_FRAME_BYTES = 1 << 21
_AT_ONCE, _WAITING = 8, 1000
"""Pieces of recordings fetched from an object store at the same time, and asked for at most."""
_COMMAND = ("-m", "logbench.archive.answers")
_ENVIRONMENT = ("LD_LIBRARY_PATH", "PATH", "SYSTEMROOT", "TZ")
"""All that it is told of the user's own: how libraries are found, and the local time."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The rows, and in `cut` a sentence about those that are missing; empty when all are there."""

    table: pa.Table
    cut: str = ""


class Questions:
    """Of one archive, one after the other, from any thread."""

    def __init__(self, store: Store, folder: Path, memory_bytes: int) -> None:
        """`folder`: where a folder for what does not fit into memory may be made."""
        self._store, self._folder, self._memory_bytes = store, folder, memory_bytes
        self._turn = threading.Lock()
        self._process: _Process | None = None
        self._end: weakref.finalize[..., Questions] | None = None
        self._of: Index | None = None

    def ask(
        self,
        sql: str,
        views: Mapping[str, pa.Table],
        index: Index,
        sampled: Sequence[str] | None,
        stopped: Callable[[], bool],
        aligned: str = "",
    ) -> Answer:
        """The answer to one SELECT over `views` and the view `samples`, which reads `sampled`
        (None: all) of the recordings of an `index`; `aligned`: SQL of the view of that name;
        once `stopped()`, it ends within a moment.

        Raises `QueryError`, also where it was stopped.
        """
        while not self._turn.acquire(timeout=_LOOK_S):
            if stopped():
                raise _stopped()
        try:
            process = self._process
            if process is None or process.ended or self._of is not index:
                self.close()
                process = self._process = _Process(
                    self._store, index, self._folder, self._memory_bytes
                )
                self._of = index
                self._end = weakref.finalize(self, process.end)
            with _ended_by_trouble(process):
                process.hand_over(views, stopped)
                return process.ask(sql, sampled, stopped, aligned)
        finally:
            self._turn.release()

    def close(self) -> None:
        """End the process; the next question starts another."""
        if self._end is not None:
            self._end()


@contextlib.contextmanager
def _ended_by_trouble(process: _Process) -> Iterator[None]:
    """A process that is at something that nobody waits for is killed: Ctrl-C, a stop, a limit. One
    that refused a question is kept."""
    try:
        yield
    except _RefusedError as error:
        raise QueryError(str(error)) from None
    except BaseException:
        process.end()
        raise


class _RefusedError(Exception):
    """Its own sentence: it goes on."""


class _Process:
    """The process at the other end of the pipe, and the folder that is its own."""

    def __init__(self, store: Store, index: Index, beside: Path, memory_bytes: int) -> None:
        self.ended = False
        self._store = store
        files = index.far_files if store.root is None else _near(index)
        self._paths = {path for path, *_ in files}
        self._views: dict[str, pa.Table] = {}
        self._open: dict[str, pa.NativeFile] = {}
        self._wanted: set[Future[None]] = set()
        self._memory_bytes = memory_bytes
        address_bytes = int(_ADDRESS_SHARE * memory_bytes) + _ADDRESS_MORE_BYTES
        self._room = OwnFolder(beside)
        self._setup = {
            "root": None if store.root is None else str(store.root),
            "recordings": files,
            "folder": str(self._room.path), "folder_bytes": self._room.most_bytes,
            "memory_bytes": int(_DUCKDB_SHARE * memory_bytes), "address_bytes": address_bytes,
        }  # fmt: skip
        self._writing = threading.Lock()
        self._said: queue.SimpleQueue[Frame | None] = queue.SimpleQueue()
        self._fetching = ThreadPoolExecutor(_AT_ONCE, "fetching") if store.root is None else None
        with no_interrupt():
            self._process = subprocess.Popen(
                [sys.executable, "-P", *_COMMAND],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                env=_environment(), creationflags=without_console(),
            )  # fmt: skip
        keep_in_job(self._process, address_bytes)
        self._listener = Supervised(
            "answers", self._listen, on_death=lambda _: self._said.put(None)
        ).start()

    def hand_over(self, views: Mapping[str, pa.Table], stopped: Callable[[], bool]) -> None:
        """The views that it does not have yet. Raises `QueryError`."""
        if not self._views:
            self._send(b"S", json.dumps(self._setup).encode())
            (ready,) = self._frames(b"R", stopped, _START_S)
            if ready.content:
                log.warning("questions are held by DuckDB alone: %s", ready.content.decode())
        for name, table in views.items():
            if self._views.get(name) is not table:
                sink = pa.BufferOutputStream()
                with pa.ipc.new_stream(sink, table.schema) as stream:
                    stream.write_table(table)
                self._send(b"V", name.encode() + b"\0", memoryview(sink.getvalue()))
                self._views[name] = table

    def ask(
        self,
        sql: str,
        recordings: Sequence[str] | None,
        stopped: Callable[[], bool],
        aligned: str,
    ) -> Answer:
        """Raises `QueryError`, `_RefusedError` where it is fit for the next one."""
        question = {"sql": sql, "recordings": recordings, "rows": QUERY_ROWS,
                    "bytes": QUERY_BYTES, "aligned": aligned}  # fmt: skip
        try:
            content = json.dumps(question, ensure_ascii=False).encode()
        except UnicodeEncodeError:
            raise _RefusedError("The query has characters that are none: type it anew.") from None
        self._send(b"Q", content)
        got = bytearray()
        self._open.clear()
        for frame in self._frames(b"E", stopped, QUERY_S):
            if frame.kind == b"X":
                raise _RefusedError(frame.content.decode(errors="replace")[:1000])
            if frame.kind == b"B":
                got += frame.content
            if len(got) > QUERY_BYTES + 2 * _FRAME_BYTES:
                raise QueryError("The query's answer is larger than it said.")
        return Answer(_checked(got), _cut(frame.content))

    def _frames(self, last: Kind, stopped: Callable[[], bool], most_s: float) -> Iterator[Frame]:
        """What it says up to a frame of that kind, or a refusal; a look at it now and then."""
        begun = looked = time.monotonic()
        while True:
            try:
                frame = self._said.get(timeout=_LOOK_S)
            except queue.Empty:
                pass
            else:
                if frame is None:
                    raise QueryError(self._died())
                yield frame
                if frame.kind in {last, b"X"}:
                    return
            now = time.monotonic()
            if now - looked >= _LOOK_S:
                looked = now
                if stopped():
                    raise _stopped()
                if (resident_bytes(self._process.pid) or 0) > self._memory_bytes:
                    raise QueryError(_too_much(self._memory_bytes))
                if now - begun > most_s:
                    raise QueryError(
                        f"The query was stopped after {most_s:.0f} s: ask for less, "
                        "or of fewer recordings."
                    )

    def _died(self) -> str:
        code = self._process.wait(10)
        log.warning("the process that answers questions ended by itself: %s", code)
        return "The query ended the process that answers it: it is refused."

    def _listen(self) -> None:
        """Everything it says until it ends; what it wants of an object store is fetched."""
        source = cast(IO[bytes], self._process.stdout)
        with source:
            try:
                while True:
                    frame = read_frame(source, _FRAME_BYTES)
                    if frame.kind == b"G" and self._fetching is not None:
                        wanted = self._fetching.submit(self._fetch, *json.loads(frame.content))
                        self._wanted.add(wanted)
                        wanted.add_done_callback(self._wanted.discard)
                        if len(self._wanted) > _WAITING:
                            raise EOFError("more is wanted than anybody reads")
                    else:
                        self._said.put(frame)
            except (EOFError, OSError, ValueError, TypeError) as error:
                log.debug("nothing more comes of the answers: %r", error)
        self._said.put(None)

    def _fetch(self, number: int, path: str, start: int, count: int) -> None:
        """A piece of a recording of this archive, or nothing."""
        piece = b""
        try:
            if path in self._paths and 0 <= count <= QUERY_BYTES:
                file = self._open.get(path)
                if file is None:
                    file = self._open[path] = self._store.open(path)
                piece = file.read_at(count, start)
        except (LogbenchError, pa.ArrowException, OSError) as error:
            log.warning("%s cannot be fetched: %s", path, error)
        finally:
            self._send(b"P", number.to_bytes(8, "little"), piece)

    def _send(self, kind: Kind, *parts: bytes | memoryview) -> None:
        """One frame; where the process has gone, the answer says so."""
        try:
            with self._writing:
                write_frame(cast(IO[bytes], self._process.stdin), kind, *parts)
        except (OSError, ValueError) as error:
            log.debug("the answers take no frame %r: %r", kind, error)

    def end(self) -> None:
        """Kill it, wait for its end, and take its folder away; more than once does no harm."""
        if self.ended:
            return
        self.ended = True
        self._process.kill()
        self._process.wait()
        if self._fetching is not None:
            self._fetching.shutdown(wait=False, cancel_futures=True)
        self._listener.join()
        with contextlib.suppress(OSError):  # a frame was still on its way
            cast(IO[bytes], self._process.stdin).close()
        self._room.remove()


def _near(index: Index) -> list[FarRecording]:
    """Files of this computer, of which no more than the name is needed."""
    return [(path, 0, 0, ()) for path in index.recordings["recording"].to_pylist()]


def _too_much(memory_bytes: int) -> str:
    return (
        f"The query needs more than the {memory_bytes / 1e9:.1f} GB of memory it may have: ask "
        "for less, of fewer recordings, or give it more (--memory)."
    )


def _stopped() -> QueryError:
    return QueryError("The query was stopped.")


def _cut(by: bytes) -> str:
    most = {b"rows": f"{QUERY_ROWS:,} rows", b"bytes": f"{QUERY_BYTES / 1e6:.0f} MB"}.get(by)
    if most is None:
        return ""
    return f"The answer is cut off at {most}: ask for less, by LIMIT, a condition or GROUP BY."


def _checked(got: bytearray) -> pa.Table:
    try:
        table = pa.ipc.open_stream(pa.py_buffer(got)).read_all()
        table.validate(full=True)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise QueryError("The query's answer is not a table: it is refused.") from error
    return table


def _environment() -> dict[str, str]:
    kept = {name: os.environ[name] for name in _ENVIRONMENT if name in os.environ}
    path = os.pathsep.join(os.path.abspath(part) for part in sys.path)
    # no thread may have begun when the process is confined: neither numpy's nor pyarrow's
    alone = {"OPENBLAS_NUM_THREADS": "1", "JE_ARROW_MALLOC_CONF": "background_thread:false"}
    return kept | alone | {"PYTHONPATH": path, "PYTHONUTF8": "1"}
