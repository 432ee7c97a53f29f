"""The process that answers a person's SQL (`questions.py` starts it), confined before the first.

It reads the archive's recordings, writes into a folder of its own for what does not fit into
memory, and nothing else: what gets past DuckDB's own locks meets the system's. Recordings of an
object store are fetched for it by the program, so that it needs neither network nor keys. It ends
with the program: when its input ends.
"""

from __future__ import annotations

import io
import json
import os
import queue
import shutil
import sys
import threading
from concurrent.futures import Future
from functools import partial
from typing import IO, Any

import duckdb  # noqa: F401  before confinement, as all that is imported here
import pyarrow as pa
import pyarrow.compute
import pyarrow.dataset
import pyarrow.fs

from logbench.archive.frames import Frame, Kind, read_frame, write_frame
from logbench.archive.query import FarRecording, Samples, Sql, far_samples, refusals, samples_below
from logbench.archive.room import Room
from logbench.errors import QueryError
from logbench.system.confined import confine
from logbench.system.platforms import limit_self
from logbench.system.threads import Supervised

_ROWS = 10_000
"""At a time: what an answer may go beyond its limits by."""
_PIECE = 1 << 20
_SYSTEM = ("/proc/self/cgroup", "/sys/fs/cgroup", "/sys/devices/system/cpu")
"""How many processors and how much memory there are: DuckDB does without them only where they are
missing, not where they are refused."""


class Asker:
    """The program at the other end of the pipe."""

    def __init__(self, source: IO[bytes], sink: IO[bytes]) -> None:
        self._source, self._sink = source, sink
        self._writing = threading.Lock()
        self._wanted: dict[int, Future[bytes]] = {}
        self.frames: queue.SimpleQueue[Frame] = queue.SimpleQueue()
        """Views and questions, in order."""

    def setup(self) -> Any:
        """The first frame; read before there is a second thread."""
        return json.loads(read_frame(self._source, sys.maxsize).content)

    def listen(self) -> None:
        """Take what comes, and return when nothing will any more."""
        while True:
            try:
                frame = read_frame(self._source, sys.maxsize)
            except (EOFError, OSError):
                return
            if frame.kind == b"P":
                number = int.from_bytes(frame.content[:8], "little")
                self._wanted.pop(number).set_result(frame.content[8:])
            else:
                self.frames.put(frame)

    def say(self, kind: Kind, content: bytes | memoryview) -> None:
        """One frame."""
        with self._writing:
            write_frame(self._sink, kind, content)

    def fetch(self, path: str, start: int, count: int) -> bytes:
        """A piece of a recording that only the program can reach. Raises `OSError`."""
        wanted: Future[bytes] = Future()
        with self._writing:
            number = max(self._wanted, default=0) + 1
            self._wanted[number] = wanted
            request = json.dumps([number, path, start, count]).encode()
            write_frame(self._sink, b"G", request)
        piece = wanted.result()
        if len(piece) != count:
            raise OSError(f"{path} cannot be read")
        return piece


class _Answer(io.RawIOBase):
    """The answer's bytes on their way, as a file to write to."""

    def __init__(self, asker: Asker) -> None:
        self._asker = asker
        self.bytes = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any, /) -> int:
        content = memoryview(data).cast("B")
        for start in range(0, len(content), _PIECE):
            self._asker.say(b"B", content[start : start + _PIECE])
        self.bytes += len(content)
        return len(content)


class Answers:
    """What is asked, one question after the other, with the views that were handed over."""

    def __init__(self, asker: Asker, setup: dict[str, Any]) -> None:
        self._asker = asker
        self._root = setup["root"]
        self._files: dict[str, FarRecording] = {far[0]: far for far in setup["recordings"]}
        self._room = Room(setup["memory_bytes"], setup["folder"], setup["folder_bytes"])
        self._views: dict[str, pa.Table] = {}

    def take(self, frame: Frame) -> None:
        """A view to keep, or a question to answer."""
        if frame.kind == b"V":
            name, _, content = frame.content.partition(b"\0")
            self._views[name.decode()] = pa.ipc.open_stream(content).read_all()
            return
        try:
            with refusals():
                cut = self._answer(**json.loads(frame.content))
        except QueryError as error:
            self._asker.say(b"X", str(error).encode())
        else:
            self._asker.say(b"E", cut.encode())

    def _answer(
        self, sql: str, recordings: list[str] | None, rows: int, bytes: int, aligned: str
    ) -> str:
        """Say it; returns what it was cut by, `rows` or `bytes`, or '' when it is whole."""
        names = list(self._files) if recordings is None else recordings
        with Sql(self._views, self._samples(names), self._room, aligned) as views:
            said = _Answer(self._asker)
            batches = views.stream(sql, _ROWS)
            with pa.ipc.new_stream(said, batches.schema) as stream:
                for batch in batches:
                    if batch.nbytes + said.bytes > bytes:
                        return "bytes"
                    stream.write_batch(batch.slice(0, rows))
                    rows -= batch.num_rows
                    if rows < 0:
                        return "rows"
        return ""

    def _samples(self, names: list[str]) -> Samples:
        if self._root is not None:
            return samples_below(self._root, names)
        fetcher = partial(partial, self._asker.fetch)
        return far_samples((self._files[name] for name in names), fetcher)


def main() -> None:
    """Answer until nobody asks any more."""
    sink = io.BufferedWriter(io.FileIO(os.dup(1), "w"))
    os.dup2(2, 1)  # what a library prints is not a part of an answer
    asker = Asker(sys.stdin.buffer, sink)
    setup = asker.setup()
    os.chdir(setup["folder"])
    os.environ.clear()
    os.umask(0o077)
    limit_self(setup["address_bytes"], setup["folder_bytes"])
    root = setup["root"]
    recordings = [] if root is None else [f"{root}/{path}" for path, *_ in setup["recordings"]]
    lacking = confine([*_SYSTEM, *recordings], setup["folder"])
    asker.say(b"R", lacking.encode())
    answers = Answers(asker, setup)
    Supervised("questions", partial(_listen_and_end, asker, setup["folder"])).start()
    while True:
        answers.take(asker.frames.get())


def _listen_and_end(asker: Asker, folder: str) -> None:
    """At the end of the input end at once, whatever DuckDB is at, and with nothing left behind."""
    try:
        asker.listen()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os._exit(0)


if __name__ == "__main__":
    main()
