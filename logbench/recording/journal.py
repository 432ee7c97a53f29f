"""The journal: what is on disk while a recording runs.

An Arrow IPC stream that only grows. The facts as they are at the start stand in the schema's
metadata; each batch carries its samples as (trace number, t, value), and as custom metadata a JSON
note with whatever is new: traces, events, changed facts. A CRC-32 over both lets a reader tell a
whole batch from one that a power cut left half written. No batch needs an earlier one to be
decoded, so that a journal can be cut after any batch and continued.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import time
import zlib
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from pydantic import ValidationError

from logbench.errors import RecordingDamagedError, RecordingMissingError, StorageError
from logbench.recording.columns import number_column, numbers_of
from logbench.recording.model import Event, Facts
from logbench.recording.storage import (
    storage_error,
    storage_trouble,
    sync_folder,
    try_lock,
    write_all,
)

FACTS_KEY = b"logbench.facts"
"""Key of the facts document in the metadata of journals and recordings."""
SUFFIX = ".journal"
"""Appended to the name of the recording-to-be: `drive.parquet.journal`."""
_NOTE_KEY = b"logbench.note"
_CRC_KEY = b"logbench.crc32"

BATCH_SCHEMA = pa.schema(
    [
        ("signal", pa.dictionary(pa.int16(), pa.string())),
        ("ecu", pa.dictionary(pa.int16(), pa.string())),
        ("t", pa.int64()),
        ("value", pa.float64()),
    ]
)
"""Of the batches that the capture process sends: t in ns on the recording's clock."""

JOURNAL_SCHEMA = pa.schema([("trace", pa.int16()), ("t", pa.int64()), ("value", pa.float64())])
"""On disk: `trace` numbers the (signal, ECU) pairs in the order in which they appeared."""

Columns = tuple[npt.NDArray[Any], ...]
"""Trace number, t in ns, value."""
_DTYPES = (np.int16, np.int64, np.float64)
_BLOCK = 2000
"""Batches read at a time."""
_EMPTY_NOTE = b"{}"

MAX_TRACES = 2**15 - 1
_END_OF_STREAM = b"\xff\xff\xff\xff\x00\x00\x00\x00"


def journal_path(out: Path) -> Path:
    """Where the journal of the recording `out` lies: beside it."""
    return out.with_name(out.name + SUFFIX)


@dataclass(slots=True)
class JournalContent:
    """What could be read of a journal: everything up to its last whole batch."""

    facts: Facts
    keys: list[tuple[str, str]] = field(default_factory=list)
    """(signal, ECU) by trace number."""
    trace: npt.NDArray[np.int16] = field(default_factory=lambda: np.empty(0, np.int16))
    t_ns: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    value: npt.NDArray[np.float64] = field(default_factory=lambda: np.empty(0, np.float64))
    whole_bytes: int = 0
    """Length of the file up to the end of the last whole batch."""
    sealed: bool = False
    """True when its writer ended it on purpose."""

    @property
    def last_t_ns(self) -> int:
        """Time of the last sample or event; 0 when there is none."""
        last_sample = int(self.t_ns.max()) if len(self.t_ns) else 0
        return max([last_sample, *(event.t_ns for event in self.facts.events)])


class JournalLock:
    """Keeps all other programs from writing or recovering one journal; dies with the process."""

    def __init__(self, path: Path) -> None:
        """Open and lock an existing journal.

        Raises `RecordingMissingError` when it is gone, `StorageError` when another program
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
            raise StorageError(
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


class JournalWriter:
    """Writes one journal; holds its lock from the first byte to `close()`.

    Samples and events gather in memory and go to the disk as one batch, written and fsynced, when
    `flush()` is called; `write_due()` does so when the oldest has waited `interval_s`. Errors of
    the disk raise `StorageError`; the file then ends after its last whole batch, and what could
    not be written is kept and tried again with the next flush.
    """

    def __init__(self, path: Path, facts: Facts, *, interval_s: float = 0.4) -> None:
        """Create the journal at `path`, which must not exist, and make it durable."""
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        try:
            fd = os.open(path, flags, 0o644)
        except FileExistsError as error:
            raise StorageError(
                f"{path} exists already: another recording of that name was not finished."
            ) from error
        except OSError as error:
            raise storage_error(error, path) from error
        self._begin(path, fd, interval_s)
        try:
            with storage_trouble(path):
                if not try_lock(fd):
                    raise StorageError(f"{path} is locked by another program.")
                write_all(fd, self._start_stream(facts))
                os.fsync(fd)
                sync_folder(path.parent)
        except StorageError:
            os.close(fd)
            path.unlink(missing_ok=True)
            raise
        self._size = os.fstat(fd).st_size

    @classmethod
    def resume(cls, path: Path, *, interval_s: float = 0.4) -> tuple[JournalWriter, JournalContent]:
        """Go on writing a journal whose writer died; returns what it holds so far.

        A torn tail and an end mark are cut off first. Raises as `JournalLock` and `read_journal`.
        """
        lock = JournalLock(path)
        try:
            content = read_journal(path)
            with storage_trouble(path):
                os.ftruncate(lock.fd, content.whole_bytes)
                os.lseek(lock.fd, 0, os.SEEK_END)
                os.fsync(lock.fd)
        except BaseException:
            lock.close()
            raise
        writer = cls.__new__(cls)
        writer._begin(path, lock.fd, interval_s)
        writer._start_stream(content.facts)  # whose header is on disk already
        writer._ids = {key: number for number, key in enumerate(content.keys)}
        writer._announced = len(content.keys)
        writer._size = content.whole_bytes
        writer._samples = len(content.t_ns)
        return writer, content

    def _begin(self, path: Path, fd: int, interval_s: float) -> None:
        self.path = path
        self._fd = fd
        self._interval_s = interval_s
        self._size = 0
        self._samples = 0
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

    @property
    def samples(self) -> int:
        """Samples accepted so far, written or waiting."""
        return self._samples

    @property
    def size_bytes(self) -> int:
        """Bytes on disk."""
        return self._size

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
        self._samples += len(self._t) - before
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
        return max(0.0, self._since + self._interval_s - time.monotonic())

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
        data = self._encode()
        try:
            if self._torn:
                self._cut_back()
            self._torn = True
            write_all(self._fd, data)
            os.fsync(self._fd)
        except OSError as error:
            with contextlib.suppress(OSError):  # else the next flush tries again
                self._cut_back()
            raise storage_error(
                error, self.path, kept=f"what was recorded before stays in {self.path.name}"
            ) from error
        self._torn = False
        self._size += len(data)
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
        crc = str(_crc(columns, text)).encode()
        self._stream.write_batch(batch, custom_metadata={_NOTE_KEY: text, _CRC_KEY: crc})
        return self._take()

    def _cut_back(self) -> None:
        """After a failed write: end the file after its last whole batch."""
        os.ftruncate(self._fd, self._size)
        os.lseek(self._fd, self._size, os.SEEK_SET)
        self._torn = False

    def seal(self) -> None:
        """Flush and write the end mark; the lock stays. Calling it again does nothing."""
        if self._sealed:
            return
        self.flush()
        with storage_trouble(self.path, kept=f"the samples are safe in {self.path.name}"):
            write_all(self._fd, _END_OF_STREAM)
            os.fsync(self._fd)
        self._sealed = True

    def close(self) -> None:
        """Give up the file and its lock; what was not flushed is lost. The journal stays."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


def _crc(columns: Sequence[npt.NDArray[Any]], note: bytes) -> int:
    crc = zlib.crc32(note)
    for column in columns:
        crc = zlib.crc32(np.ascontiguousarray(column).data, crc)
    return crc


def read_journal(path: Path) -> JournalContent:
    """Everything up to the last whole batch; a torn or garbled tail is left out.

    Raises `RecordingMissingError` without a file, `RecordingDamagedError` when not even the header
    is whole.
    """
    try:
        size = path.stat().st_size
        if size == 0:
            raise RecordingDamagedError(f"{path} is empty: nothing was recorded in it.")
        source = pa.memory_map(str(path))
    except FileNotFoundError as error:
        raise RecordingMissingError(f"There is no journal {path}.") from error
    except OSError as error:
        raise RecordingDamagedError(f"{path} cannot be read ({error}).") from error
    with source:
        content = _read_header(path, source)
        parts: list[Columns] = []
        for block in _read_blocks(source):
            columns, good = _take_in(block, content)
            parts.append(columns)
            if not good:
                break
        content.sealed = _is_sealed(source, content.whole_bytes, size)
        if parts:
            content.trace = np.concatenate([part[0] for part in parts])
            content.t_ns = np.concatenate([part[1] for part in parts])
            content.value = np.concatenate([part[2] for part in parts])
    return content


def _read_header(path: Path, source: pa.NativeFile) -> JournalContent:
    try:
        with pa.ipc.open_stream(source) as stream:
            schema = stream.schema
            document = (schema.metadata or {}).get(FACTS_KEY, b"")
            if not schema.equals(JOURNAL_SCHEMA):
                raise RecordingDamagedError(f"{path} is no journal of this program.")
            return JournalContent(Facts.model_validate_json(document), whole_bytes=source.tell())
    except (pa.ArrowException, OSError, ValueError, ValidationError) as error:
        raise RecordingDamagedError(f"The head of the journal {path} is damaged.") from error


@dataclass(slots=True)
class _Block:
    """Some batches as they stand in the file, not believed yet."""

    batches: list[pa.RecordBatch] = field(default_factory=list)
    notes: list[bytes] = field(default_factory=list)
    crcs: list[bytes] = field(default_factory=list)
    ends: list[int] = field(default_factory=list)
    """Position in the file behind each batch."""


def _read_blocks(source: pa.NativeFile) -> Iterator[_Block]:
    """All batches whose frame is sound, `_BLOCK` at a time: batch by batch numpy is slow."""
    source.seek(0)
    stream = pa.ipc.open_stream(source)
    torn = False
    while not torn:
        block = _Block()
        try:
            while len(block.ends) < _BLOCK:
                batch, metadata = stream.read_next_batch_with_custom_metadata()
                note, crc = metadata[_NOTE_KEY], metadata[_CRC_KEY]
                batch.validate()
                block.batches.append(batch)
                block.notes.append(note)
                block.crcs.append(crc)
                block.ends.append(source.tell())
        except (StopIteration, pa.ArrowException, OSError, ValueError, KeyError, TypeError):
            torn = True  # the end, or the torn tail: what came before is whole
        if block.ends:
            yield block


def _take_in(block: _Block, content: JournalContent) -> tuple[Columns, bool]:
    """Columns of the block's batches up to the first that is damaged; whether all were good.

    Their notes are folded into `content`.
    """
    table = pa.Table.from_batches(block.batches).combine_chunks()
    columns = tuple(
        numbers_of(column.chunk(0), dtype) if len(column) else np.empty(0, dtype)
        for column, dtype in zip(table.columns, _DTYPES, strict=True)
    )
    start = 0
    for batch, note, crc, end in zip(
        block.batches, block.notes, block.crcs, block.ends, strict=True
    ):
        stop = start + batch.num_rows
        part = [column[start:stop] for column in columns]
        try:
            if _crc(part, note) != int(crc):
                break
            if note != _EMPTY_NOTE:
                _fold(json.loads(note), content)
        except (ValueError, KeyError, TypeError):
            break
        if stop > start and int(part[0].max()) >= len(content.keys):
            break
        start, content.whole_bytes = stop, end
    else:
        return columns, True
    return tuple(column[:start] for column in columns), False


def _fold(note: dict[str, Any], content: JournalContent) -> None:
    events = content.facts.events + [Event.model_validate(e) for e in note.get("events", [])]
    if "facts" in note:
        content.facts = Facts.model_validate(note["facts"])
    content.facts.events = events
    content.keys.extend((str(signal), str(ecu)) for signal, ecu in note.get("traces", []))


def _is_sealed(source: pa.NativeFile, end: int, size: int) -> bool:
    if size < end + len(_END_OF_STREAM):
        return False
    source.seek(end)
    return bool(source.read(len(_END_OF_STREAM)) == _END_OF_STREAM)
