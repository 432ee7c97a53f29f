"""What was sent to the car and what it answered, kept beside the samples that were made of it.

One row is one message of one ECU; a request that nobody answered is a row without ECU and data. In
the journal, rows lie in frames of their own (`pack`). In the finished file they are a Parquet file
within the file, between the samples and the footer, where only `Facts.exchanges` points: programs
that read the samples do not see it.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import io
import itertools
import json
import struct
import zlib
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from logbench.recording.columns import dictionary_column, number_column, numbers_of
from logbench.recording.footer import believe_in
from logbench.recording.model import ExchangesFacts
from logbench.system.limits import EXCHANGE_BYTES, EXCHANGES_BYTES, EXCHANGES_ROWS, NAME_CHARS
from logbench.system.reading import open_plain

MOST_AT_ONCE = 20_000
"""Rows of one frame of a journal."""
_GROUP_ROWS = 200_000
MOST_IN_GROUP = 1_000_000
"""Rows read at once; ours write `_GROUP_ROWS` and what is left of a block."""
_COUNTS = struct.Struct("<QI")
_PLAIN = -zlib.MAX_WBITS
_SCHEMA = pa.schema(
    [
        ("sent", pa.int64()),
        ("arrived", pa.int64()),
        ("to", pa.dictionary(pa.int32(), pa.string())),
        ("request", pa.dictionary(pa.int32(), pa.string())),
        ("ecu", pa.dictionary(pa.int32(), pa.string())),
        ("data", pa.binary()),
    ]
)
_NAMES = ("to", "request", "ecu")


class Said(NamedTuple):
    """One message of an ECU, and the request it came for; service byte first in both.

    `sent_ns`, `arrived_ns`: when the request left and when its answer was there, on the recording's
    clock; the discovery of the car comes before 0. `to`: response address of the ECU that was asked
    alone; empty: all. `ecu`, `data`: empty where nobody answered.
    """

    sent_ns: int
    arrived_ns: int
    to: str
    request: bytes
    ecu: str
    data: bytes

    @property
    def t_ns(self) -> int:
        """The time of its samples: the middle of the round trip."""
        return (self.sent_ns + self.arrived_ns) // 2


@dataclass(frozen=True, slots=True)
class Block:
    """Some rows, as columns of shape (n,)."""

    sent: npt.NDArray[np.int64]
    arrived: npt.NDArray[np.int64]
    name: npt.NDArray[np.uint16]
    """Number in `names`."""
    length: npt.NDArray[np.uint16]
    """Of the data."""
    names: tuple[tuple[str, str, str], ...]
    """Asked, request in hex, ECU."""
    data: bytes
    """Of all rows."""

    def rows(self) -> Iterator[Said]:
        """One by one. Raises `ValueError` where a request is none."""
        names = [(to, bytes.fromhex(asked), ecu) for to, asked, ecu in self.names]
        at = 0
        columns = (self.sent, self.arrived, self.name, self.length)
        for sent, arrived, name, length in zip(*(c.tolist() for c in columns), strict=True):
            to, request, ecu = names[name]
            yield Said(sent, arrived, to, request, ecu, self.data[at : at + length])
            at += length


def block_of(rows: Iterable[Said]) -> Block:
    """Rows as columns."""
    numbers: dict[tuple[str, bytes, str], int] = {}
    sent, arrived = array("q"), array("q")
    name, length = array("H"), array("H")
    data: list[bytes] = []
    for row in rows:
        sent.append(row.sent_ns)
        arrived.append(row.arrived_ns)
        name.append(numbers.setdefault((row.to, row.request, row.ecu), len(numbers)))
        length.append(len(row.data))
        data.append(row.data)
    names = sorted(numbers)  # most blocks have the same then
    place = np.empty(len(names), np.uint16)
    place[[numbers[three] for three in names]] = np.arange(len(names))
    texts = tuple((to, request.hex(), ecu) for to, request, ecu in names)
    whole = b"".join(data)
    return Block(
        np.array(sent, np.int64), np.array(arrived, np.int64), place[np.array(name, np.intp)],
        np.array(length, np.uint16), texts, whole,
    )  # fmt: skip


def blocks_of(rows: Iterable[Said]) -> Iterator[Block]:
    """The same, some rows at a time."""
    rows = iter(rows)
    while some := list(itertools.islice(rows, MOST_AT_ONCE)):
        yield block_of(some)


# --- in the journal ---


def pack(before: int, block: Block) -> bytes:
    """A block as it stands in a frame of a journal: how many rows came before it, how many it has,
    and, deflated, its names as a line of JSON, its columns and its data."""
    columns = (block.sent, block.arrived, block.name, block.length)
    names = json.dumps(block.names, separators=(",", ":")).encode() + b"\n"
    body = b"".join([names, *(c.astype(c.dtype.newbyteorder("<")).tobytes() for c in columns)])
    return _COUNTS.pack(before, len(block.sent)) + zlib.compress(body + block.data, wbits=_PLAIN)


def counts_in(packed: memoryview) -> tuple[int, int]:
    """Rows before a packed block, and in it. Raises `ValueError`."""
    if len(packed) < _COUNTS.size:
        raise ValueError("no block")
    before, rows = _COUNTS.unpack_from(packed)
    return before, rows


def unpack(packed: memoryview) -> Block:
    """The block that was packed. Raises `ValueError`."""
    _, rows = counts_in(packed)
    body = zlib.decompressobj(_PLAIN)
    try:
        data = body.decompress(packed[_COUNTS.size :], EXCHANGE_BYTES)
    except zlib.error as error:
        raise ValueError(str(error)) from error
    line, newline, rest = data.partition(b"\n")
    if not body.eof or not newline or len(rest) < 20 * rows:
        raise ValueError("a block that is cut short, or too long")
    names = _names(line)
    sent = np.frombuffer(rest, "<i8", rows)
    arrived = np.frombuffer(rest, "<i8", rows, 8 * rows)
    name = np.frombuffer(rest, "<u2", rows, 16 * rows)
    length = np.frombuffer(rest, "<u2", rows, 18 * rows)
    made = Block(sent, arrived, name, length, names, rest[20 * rows :])
    if int(length.sum()) != len(made.data) or (rows and int(name.max()) >= len(names)):
        raise ValueError("a block that does not hold what it says")
    return made


@functools.lru_cache(maxsize=1024)
def _names(line: bytes) -> tuple[tuple[str, str, str], ...]:
    """Asked, request and ECU, of each. Raises `ValueError`, `TypeError` where they are none."""
    names = tuple((to, request, ecu) for to, request, ecu in json.loads(line))
    for to, request, ecu in names:
        if max(len(to), len(request), len(ecu)) > NAME_CHARS:
            raise ValueError("a name is too long")
        bytes.fromhex(request)
    return names


# --- in the finished file ---


class _Within:
    """A part of a file that is being written, as a file of its own."""

    closed = False

    def __init__(self, sink: pa.NativeFile) -> None:
        self._sink = sink
        self.size_bytes = 0
        self.digest = hashlib.sha256()

    def write(self, data: bytes) -> int:
        """Hand on."""
        self._sink.write(data)
        self.digest.update(data)
        self.size_bytes += len(memoryview(data).cast("B"))
        return self.size_bytes

    def flush(self) -> None:
        """The file does it."""

    def close(self) -> None:
        """The file stays open."""


def write_within(
    sink: pa.NativeFile, blocks: Iterable[Block], accepted: int | None = None
) -> ExchangesFacts | None:
    """Write all rows into a file of which other parts are written before and after; where they are.
    None where there are none. `accepted`: rows that there had been; None: as many as there are."""
    start, part, rows, writer = sink.tell(), _Within(sink), 0, None
    try:
        for group in _grouped(blocks):
            if writer is None:
                writer = _writer(part)
            table = _table(group)
            rows += table.num_rows
            writer.write_table(table, row_group_size=table.num_rows)
    finally:
        if writer is not None:
            writer.close()
    lost = max(0, (rows if accepted is None else accepted) - rows)
    if not rows and not lost:
        return None
    sha256 = part.digest.hexdigest()
    return ExchangesFacts(start=start, bytes=part.size_bytes, rows=rows, lost=lost, sha256=sha256)


def _writer(within: _Within) -> pq.ParquetWriter:
    return pq.ParquetWriter(
        within,
        _SCHEMA,
        store_schema=False,
        compression="zstd",
        compression_level=6,
        use_dictionary=list(_NAMES),
        column_encoding={
            "sent": "DELTA_BINARY_PACKED",
            "arrived": "DELTA_BINARY_PACKED",
            "data": "DELTA_LENGTH_BYTE_ARRAY",
        },
    )


def _grouped(blocks: Iterable[Block]) -> Iterator[list[Block]]:
    group: list[Block] = []
    rows = 0
    for block in blocks:
        group.append(block)
        rows += len(block.sent)
        if rows >= _GROUP_ROWS:
            yield group
            group, rows = [], 0
    if rows:
        yield group


def _table(blocks: list[Block]) -> pa.Table:
    numbers: dict[tuple[str, str, str], int] = {}
    tables: dict[tuple[tuple[str, str, str], ...], npt.NDArray[np.int32]] = {}
    found: list[npt.NDArray[np.int32]] = []
    for block in blocks:
        if block.names not in tables:
            mine = [numbers.setdefault(name, len(numbers)) for name in block.names]
            tables[block.names] = np.array(mine, np.int32)
        found.append(tables[block.names][block.name])
    name = np.concatenate(found)
    named = []
    for texts in zip(*numbers, strict=True):
        known = {text: number for number, text in enumerate(dict.fromkeys(texts))}
        codes = np.array([known[text] for text in texts], np.int32)
        named.append(dictionary_column(codes[name], list(known)))
    lengths = np.concatenate([block.length for block in blocks]).astype(np.int32)
    offsets = np.concatenate([np.zeros(1, np.int32), np.cumsum(lengths, dtype=np.int32)])
    whole = b"".join(block.data for block in blocks)
    buffers = [None, pa.py_buffer(offsets.data), pa.py_buffer(whole)]
    times = [
        number_column(np.concatenate([getattr(block, which) for block in blocks]))
        for which in ("sent", "arrived")
    ]
    data = pa.Array.from_buffers(pa.binary(), len(lengths), buffers)
    return pa.Table.from_arrays([*times, *named, data], schema=_SCHEMA)


def exchanges_in(path: Path, facts: ExchangesFacts) -> Iterator[Said]:
    """The rows that a finished file holds, in the order in which they came. Raises `OSError`, and
    `ValueError` or Arrow's errors where they are damaged."""
    part = part_of(path, facts)
    believed = believe_in(lambda: contextlib.nullcontext(io.BytesIO(part)))
    rows = [group[0].rows for group in believed.chunks if group]
    if max(rows, default=0) > MOST_IN_GROUP or sum(rows) > EXCHANGES_ROWS:
        raise ValueError(f"it claims {sum(rows):,} exchanges")
    with pq.ParquetFile(pa.BufferReader(part), read_dictionary=list(_NAMES)) as file:
        if not file.schema_arrow.remove_metadata().equals(_SCHEMA):
            raise ValueError("its exchanges have other columns")
        for group in range(len(rows)):
            believed.check_pages([group], range(len(_SCHEMA)))
            yield from _rows(file.read_row_group(group, use_threads=False))


def _rows(table: pa.Table) -> Iterator[Said]:
    times = [
        numbers_of(table[name].combine_chunks(), np.int64).tolist() for name in _SCHEMA.names[:2]
    ]
    named = []
    for name in _NAMES:
        column = table[name].combine_chunks()
        texts = column.dictionary.to_pylist()
        if column.null_count or any(text is None or len(text) > NAME_CHARS for text in texts):
            raise ValueError("a name is missing or too long")
        named.append([texts[code] for code in column.indices.to_pylist()])
    requests = {text: bytes.fromhex(text) for text in set(named[1])}
    data = table["data"].to_pylist()
    if table["data"].null_count:
        raise ValueError("data are missing")
    for sent, arrived, to, request, ecu, said in zip(*times, *named, data, strict=True):
        yield Said(sent, arrived, to, requests[request], ecu, said)


def part_of(path: Path, facts: ExchangesFacts) -> bytes:
    """The bytes of the part that holds the exchanges. Raises `OSError`; `ValueError` where they are
    not those that were written."""
    if not 0 <= facts.bytes <= EXCHANGES_BYTES or facts.start < 0:
        raise ValueError("its exchanges are larger than any recording's")
    with open_plain(path) as file:
        file.seek(facts.start)
        part = file.read(facts.bytes)
    if len(part) != facts.bytes or hashlib.sha256(part).hexdigest() != facts.sha256:
        raise ValueError("its exchanges are not those that were recorded")
    return part
