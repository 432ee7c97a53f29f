"""The journal as it stands on disk, and reading it whatever became of its tail.

An Arrow IPC stream that only grows. The facts as they are at the start stand in the schema's
metadata; each batch carries its samples as (trace number, t, value), and as custom metadata a JSON
note with whatever is new: traces, events, changed facts. A CRC-32 over both lets a reader tell a
whole batch from one that a power cut left half written. No batch needs an earlier one to be
decoded, so that a journal can be cut after any batch and continued.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from pydantic import ValidationError

from logbench.errors import RecordingDamagedError, RecordingMissingError
from logbench.recording.columns import numbers_of
from logbench.recording.model import Event, Facts

FACTS_KEY = b"logbench.facts"
"""Key of the facts document in the metadata of journals and recordings."""
SUFFIX = ".journal"
"""Appended to the name of the recording-to-be: `drive.parquet.journal`."""
NOTE_KEY = b"logbench.note"
CRC_KEY = b"logbench.crc32"

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
DTYPES = (np.int16, np.int64, np.float64)
_BLOCK = 2000
"""Batches read at a time."""
EMPTY_NOTE = b"{}"

MAX_TRACES = 2**15 - 1
END_OF_STREAM = b"\xff\xff\xff\xff\x00\x00\x00\x00"


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


def crc_of(columns: Sequence[npt.NDArray[Any]], note: bytes) -> int:
    """CRC-32 of a batch's note and its columns' bytes."""
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
                note, crc = metadata[NOTE_KEY], metadata[CRC_KEY]
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
        for column, dtype in zip(table.columns, DTYPES, strict=True)
    )
    start = 0
    for batch, note, crc, end in zip(
        block.batches, block.notes, block.crcs, block.ends, strict=True
    ):
        stop = start + batch.num_rows
        part = [column[start:stop] for column in columns]
        try:
            if crc_of(part, note) != int(crc):
                break
            if note != EMPTY_NOTE:
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
    if size < end + len(END_OF_STREAM):
        return False
    source.seek(end)
    return bool(source.read(len(END_OF_STREAM)) == END_OF_STREAM)
