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
from collections.abc import Collection, Iterator, Sequence
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
_BLOCK, _BLOCK_ROWS = 2000, 250_000
"""Batches read at a time, and samples from which on no more are added."""
EMPTY_NOTE = b"{}"

MAX_TRACES = 2**15 - 1
END_OF_STREAM = b"\xff\xff\xff\xff\x00\x00\x00\x00"


def journal_path(out: Path) -> Path:
    """Where the journal of the recording `out` lies: beside it."""
    return out.with_name(out.name + SUFFIX)


@dataclass(slots=True)
class JournalIndex:
    """What a journal holds up to its last whole batch, without the samples themselves."""

    facts: Facts
    keys: list[tuple[str, str]] = field(default_factory=list)
    """(signal, ECU) by trace number."""
    counts: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """Samples by trace number."""
    last_sample_ns: int = 0
    whole_bytes: int = 0
    """Length of the file up to the end of the last whole batch."""

    @property
    def samples(self) -> int:
        """Of all traces."""
        return int(self.counts.sum())

    @property
    def last_t_ns(self) -> int:
        """Time of the last sample or event; 0 when there is none."""
        return max([self.last_sample_ns, *(event.t_ns for event in self.facts.events)])


def crc_of(columns: Sequence[npt.NDArray[Any]], note: bytes) -> int:
    """CRC-32 of a batch's note and its columns' bytes."""
    crc = zlib.crc32(note)
    for column in columns:
        crc = zlib.crc32(np.ascontiguousarray(column).data, crc)
    return crc


def scan_journal(path: Path) -> JournalIndex:
    """What a journal holds up to the last whole batch; a torn or garbled tail is left out.

    All samples are checked and counted, none is kept. Raises `RecordingMissingError` without a
    file, `RecordingDamagedError` when not even the header is whole.
    """
    index = JournalIndex(Facts())
    for _ in scanned(path, index):
        pass
    return index


def read_traces(
    path: Path, index: JournalIndex, numbers: Collection[int]
) -> dict[int, tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]]:
    """Times and values of some traces of a scanned journal, by number, as they came.

    Needs memory for these traces only. `OSError` when the disk fails.
    """
    found = {
        number: (np.empty(index.counts[number], np.int64), np.empty(index.counts[number]))
        for number in numbers
    }
    filled = dict.fromkeys(numbers, 0)
    with pa.OSFile(str(path)) as source:
        for block in _read_blocks(source, index.whole_bytes):
            trace, t_ns, value = _columns_of(block)
            for number, (times, values) in found.items():
                rows = np.flatnonzero(trace == number)
                start, stop = filled[number], filled[number] + len(rows)
                times[start:stop], values[start:stop] = t_ns[rows], value[rows]
                filled[number] = stop
    return found


def scanned(path: Path, index: JournalIndex) -> Iterator[Columns]:
    """Fill `index` and yield the columns of its whole batches, some batches at a time. Raises as
    `scan_journal`."""
    try:
        size = path.stat().st_size
        if size == 0:
            raise RecordingDamagedError(f"{path} is empty: nothing was recorded in it.")
        source = pa.OSFile(str(path))
    except FileNotFoundError as error:
        raise RecordingMissingError(f"There is no journal {path}.") from error
    except OSError as error:
        raise RecordingDamagedError(f"{path} cannot be read ({error}).") from error
    with source:
        index.facts = _read_header(path, source)
        index.whole_bytes = source.tell()
        for block in _read_blocks(source, size):
            columns, good = _take_in(block, index)
            _count(columns, index)
            yield columns
            if not good:
                break


def _count(columns: Columns, index: JournalIndex) -> None:
    counts = np.bincount(columns[0], minlength=len(index.keys)).astype(np.int64)
    counts[: len(index.counts)] += index.counts
    index.counts = counts
    index.last_sample_ns = int(max(columns[1].max(initial=0), index.last_sample_ns))


def _read_header(path: Path, source: pa.NativeFile) -> Facts:
    try:
        with pa.ipc.open_stream(source) as stream:
            schema = stream.schema
            document = (schema.metadata or {}).get(FACTS_KEY, b"")
            if not schema.equals(JOURNAL_SCHEMA):
                raise RecordingDamagedError(f"{path} is no journal of this program.")
            return Facts.model_validate_json(document)
    except (pa.ArrowException, OSError, ValueError, ValidationError) as error:
        raise RecordingDamagedError(f"The head of the journal {path} is damaged.") from error


_Block = list[tuple[pa.RecordBatch, bytes, bytes, int]]
"""Some batches as they stand in the file, not believed yet: each with its note, its CRC and the
position in the file behind it."""


def _read_blocks(source: pa.NativeFile, end: int) -> Iterator[_Block]:
    """All batches up to `end` whose frame is sound, `_BLOCK` at a time: one by one is slow."""
    source.seek(0)
    stream = pa.ipc.open_stream(source)
    torn = False
    while not torn and source.tell() < end:
        block: _Block = []
        rows = 0
        try:
            while len(block) < _BLOCK and rows < _BLOCK_ROWS and source.tell() < end:
                batch, metadata = stream.read_next_batch_with_custom_metadata()
                note, crc = metadata[NOTE_KEY], metadata[CRC_KEY]
                batch.validate()
                block.append((batch, note, crc, source.tell()))
                rows += batch.num_rows
        except (StopIteration, pa.ArrowException, OSError, ValueError, KeyError, TypeError):
            torn = True  # the end, or the torn tail: what came before is whole
        if block:
            yield block


def _columns_of(block: _Block) -> Columns:
    table = pa.Table.from_batches([batch for batch, *_ in block]).combine_chunks()
    return tuple(
        numbers_of(column.chunk(0), dtype) if len(column) else np.empty(0, dtype)
        for column, dtype in zip(table.columns, DTYPES, strict=True)
    )


def _take_in(block: _Block, index: JournalIndex) -> tuple[Columns, bool]:
    """Columns of the block's batches up to the first that is damaged; whether all were good.

    Their notes are folded into `index`.
    """
    columns = _columns_of(block)
    start = 0
    for batch, note, crc, end in block:
        stop = start + batch.num_rows
        part = [column[start:stop] for column in columns]
        try:
            if crc_of(part, note) != int(crc):
                break
            if note != EMPTY_NOTE:
                _fold(json.loads(note), index)
        except (ValueError, KeyError, TypeError):
            break
        if stop > start and int(part[0].max()) >= len(index.keys):
            break
        start, index.whole_bytes = stop, end
    else:
        return columns, True
    return tuple(column[:start] for column in columns), False


def _fold(note: dict[str, Any], index: JournalIndex) -> None:
    events = index.facts.events
    events.extend([Event.model_validate(event) for event in note.get("events", [])])
    if "facts" in note:
        index.facts = Facts.model_validate(note["facts"])
        index.facts.events = events
    index.keys.extend((str(signal), str(ecu)) for signal, ecu in note.get("traces", []))
