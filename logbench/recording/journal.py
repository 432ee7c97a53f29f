"""Writing the journal: what is on disk while a recording runs. Its form: `journal_reading`."""

from __future__ import annotations

import contextlib
import io
import json
import os
import time
import uuid
from array import array
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from logbench.errors import RecordingMissingError, StorageError
from logbench.recording.columns import number_column
from logbench.recording.journal_reading import (
    CRC_KEY,
    END_OF_STREAM,
    FACTS_KEY,
    JOURNAL_SCHEMA,
    MAX_TRACES,
    NOTE_KEY,
    JournalIndex,
    crc_of,
    scan_journal,
)
from logbench.recording.model import Event, Facts
from logbench.recording.storage import (
    claim,
    storage_error,
    storage_trouble,
    sync_folder,
    write_all,
)
from logbench.system.locks import try_lock
from logbench.system.private import FILE_MODE

INTERVAL_S = 0.4
"""So long a sample waits for others to be written with."""
_NEW = ".new"
"""Ends the name of a journal that is not locked yet."""


class JournalInUseError(StorageError):
    """Another program is writing or finishing this journal."""


class JournalLock:
    """Keeps all other programs from writing or recovering one journal; dies with the process."""

    def __init__(self, path: Path) -> None:
        """Open and lock an existing journal.

        Raises `RecordingMissingError` when it is gone, `JournalInUseError` when another program
        has it.
        """
        self.path = path
        try:
            self.fd = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
        except FileNotFoundError as error:
            raise RecordingMissingError(f"There is no journal {path}.") from error
        except OSError as error:
            raise storage_error(error, path) from error
        try:
            held = try_lock(self.fd)
        except OSError as error:
            os.close(self.fd)
            raise storage_error(error, path) from error
        if not held:
            os.close(self.fd)
            raise JournalInUseError(
                f"{path} belongs to a recording that another program is still writing: "
                "stop it there first."
            )
        if os.fstat(self.fd).st_nlink == 0:  # finished and removed while we opened it
            os.close(self.fd)
            raise RecordingMissingError(f"There is no journal {path} any more.")

    def close(self) -> None:
        """Give the lock back."""
        if self.fd >= 0:
            os.close(self.fd)
            self.fd = -1

    def __enter__(self) -> JournalLock:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class JournalWriter(JournalLock):
    """Writes one journal; holds its lock from the first byte to `close()`. The journal stays then;
    what was not flushed is lost.

    Samples and events gather in memory and go to the disk as one batch, written and fsynced, when
    `flush()` is called; `write_due()` does so when the oldest has waited `INTERVAL_S`. Errors of
    the disk raise `StorageError`; the file then ends after its last whole batch, and what could
    not be written is kept and tried again with the next flush.
    """

    def __init__(self, path: Path, facts: Facts) -> None:
        """Create the journal at `path`, which must not exist, and make it durable."""
        self._init(path, -1)
        head = self._start_stream(facts)
        with storage_trouble(path):
            self.fd = _created(path, head)
            self.size_bytes = len(head)

    @classmethod
    def resume(cls, path: Path) -> tuple[JournalWriter, JournalIndex]:
        """Go on writing a journal whose writer died; returns what it holds so far.

        A torn tail and an end mark are cut off first. Raises as `JournalLock` and `scan_journal`.
        """
        lock = JournalLock(path)
        try:
            content = scan_journal(path)
            with storage_trouble(path):
                os.ftruncate(lock.fd, content.whole_bytes)
                os.lseek(lock.fd, 0, os.SEEK_END)
                os.fsync(lock.fd)
        except BaseException:
            lock.close()
            raise
        writer = cls.__new__(cls)
        writer._init(path, lock.fd)
        writer._start_stream(content.facts)  # whose header is on disk already
        writer._ids = {key: number for number, key in enumerate(content.keys)}
        writer._announced = len(content.keys)
        writer.size_bytes = content.whole_bytes
        writer.samples, writer.last_t_ns = content.samples, content.last_sample_ns
        return writer, content

    def _init(self, path: Path, fd: int) -> None:
        self.path = path
        self.fd = fd
        self.size_bytes = 0
        """On disk."""
        self.samples = 0
        """Accepted so far, written or waiting."""
        self.last_t_ns = 0
        """Time of the sample accepted last."""
        self._ids: dict[tuple[str, str], int] = {}
        self._announced = 0
        self._trace, self._t, self._value = array("h"), array("q"), array("d")
        self._events: list[Event] = []
        self._facts: Facts | None = None
        self._since: float | None = None
        self._sealed = False
        self._torn = False
        self._sink = io.BytesIO()

    def _start_stream(self, facts: Facts) -> bytes:
        """Returns the header, which Arrow's writer would only give with its first batch."""
        document = facts.model_dump_json().encode()
        schema = JOURNAL_SCHEMA.with_metadata({FACTS_KEY: document})
        self._stream = pa.ipc.new_stream(self._sink, schema)
        empty = [number_column(np.empty(0, kind.to_pandas_dtype())) for kind in schema.types]
        self._stream.write_batch(pa.RecordBatch.from_arrays(empty, schema=schema))
        self._take()
        return bytes(schema.serialize())

    def _take(self) -> bytes:
        data = self._sink.getvalue()
        self._sink.seek(0)
        self._sink.truncate()
        return data

    def append(self, rows: Iterable[tuple[str, str, int, float]]) -> None:
        """Accept samples as (signal, ECU, t in ns on the recording's clock, value)."""
        before = len(self._t)
        for signal, ecu, t_ns, value in rows:
            key = (signal, ecu)
            number = self._ids.get(key)
            if number is None:
                number = self._new_trace(key)
            self._trace.append(number)
            self._t.append(t_ns)
            self._value.append(value)
        if len(self._t) > before:
            self.samples += len(self._t) - before
            self.last_t_ns = self._t[-1]
        self._touch()

    def _new_trace(self, key: tuple[str, str]) -> int:
        if len(self._ids) >= MAX_TRACES:
            raise ValueError(f"more than {MAX_TRACES} traces in one recording")
        return self._ids.setdefault(key, len(self._ids))

    def event(self, event: Event) -> None:
        """Accept an event."""
        self._events.append(event)
        self._touch()

    def update_facts(self, facts: Facts) -> None:
        """Replace the facts given at the start; events are kept apart and stay."""
        self._facts = facts.model_copy(update={"events": []})
        self._touch()

    def _touch(self) -> None:
        if self._since is None:
            self._since = time.monotonic()

    def due_in_s(self) -> float | None:
        """Seconds until the waiting batch should be on disk; None when nothing waits."""
        if self._since is None:
            return None
        return max(0.0, self._since + INTERVAL_S - time.monotonic())

    def write_due(self) -> bool:
        """Flush when the oldest waiting sample has waited long enough; True when it was done."""
        due = self.due_in_s()
        if due is None or due > 0:
            return False
        self.flush()
        return True

    def flush(self) -> None:
        """Write what waits as one batch and make it durable."""
        if self._since is None:
            return
        self._put_on_disk(self._encode())
        self._announced = len(self._ids)
        self._trace, self._t, self._value = array("h"), array("q"), array("d")
        self._events, self._facts, self._since = [], None, None

    def _encode(self) -> bytes:
        note: dict[str, Any] = {}
        if len(self._ids) > self._announced:
            note["traces"] = list(self._ids)[self._announced :]
        if self._events:
            note["events"] = [event.model_dump(mode="json") for event in self._events]
        if self._facts is not None:
            note["facts"] = self._facts.model_dump(mode="json")
        text = json.dumps(note).encode()
        columns: list[npt.NDArray[Any]] = [
            np.array(self._trace, np.int16),
            np.array(self._t, np.int64),
            np.array(self._value, np.float64),
        ]
        batch = pa.RecordBatch.from_arrays(list(map(number_column, columns)), schema=JOURNAL_SCHEMA)
        crc = str(crc_of(columns, text)).encode()
        self._stream.write_batch(batch, custom_metadata={NOTE_KEY: text, CRC_KEY: crc})
        return self._take()

    def _put_on_disk(self, data: bytes, kept: str = "") -> None:
        """All of it, durable, or nothing of it; `kept` as in `storage_error`."""
        try:
            if self._torn:
                self._cut_back()
            self._torn = True
            write_all(self.fd, data)
            os.fsync(self.fd)
        except OSError as error:
            with contextlib.suppress(OSError):  # else the next attempt does it
                self._cut_back()
            raise storage_error(error, self.path, kept=kept) from error
        self._torn = False
        self.size_bytes += len(data)

    def _cut_back(self) -> None:
        """After a failed write: end the file after its last whole batch."""
        os.ftruncate(self.fd, self.size_bytes)
        os.lseek(self.fd, self.size_bytes, os.SEEK_SET)
        self._torn = False

    def seal(self) -> None:
        """Flush and write the end mark; the lock stays. Calling it again does nothing."""
        if self._sealed:
            return
        self.flush()
        self._put_on_disk(END_OF_STREAM, f"the samples are safe in {self.path.name}")
        self._sealed = True


def _created(path: Path, head: bytes) -> int:
    """A new journal with its head on disk, locked; returns its descriptor.

    It is locked before it has a journal's name: between the two, another program would take it for
    an orphan. Raises `StorageError` when the name is taken, `OSError`.
    """
    taken = f"{path} exists already: another recording of that name was not finished."
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    first = (
        path if os.name == "nt" else path.with_name(f".{path.name}.{uuid.uuid4().hex[:8]}{_NEW}")
    )
    # An open file cannot be renamed on Windows; nor can it be removed there by who takes it so.
    try:
        fd = os.open(first, flags, FILE_MODE)
    except FileExistsError as error:
        raise StorageError(taken) from error
    try:
        if not try_lock(fd):
            raise StorageError(f"{path} is locked by another program: try again.")
        write_all(fd, head)
        os.fsync(fd)
        if first != path and not claim(first, path):
            raise StorageError(taken)
        sync_folder(path.parent)
    except BaseException:
        os.close(fd)
        first.unlink(missing_ok=True)
        raise
    return fd
