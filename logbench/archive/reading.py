"""Reading a recording of an archive, near or far; nothing it says of itself is believed at first.

Its footer is read as plain rows: damaged, foreign and absurd files are refused, and a footer that
claims what its file cannot hold is not believed; no page of data is read. Of an open recording a
trace fetches only its own row group.
"""

from __future__ import annotations

import logging
import math
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from logbench.archive.chunks import SEVERAL, Described, chunks_of
from logbench.archive.columns import Known
from logbench.archive.store import AT_ONCE, SUFFIX, Entry, LocalStore, Problem, RemoteStore, Store
from logbench.errors import (
    ArchiveError,
    NotARecordingError,
    NotesError,
    RecordingDamagedError,
    RecordingError,
    RecordingTooNewError,
)
from logbench.recording.corrections import corrected
from logbench.recording.footer import MAGIC, absurd
from logbench.recording.model import Facts
from logbench.recording.notes import NOTES_SUFFIX, Beside, beside_in
from logbench.recording.reader import ParquetSource, Recording, facts_of, open_recording
from logbench.system.limits import NOTES_BYTES
from logbench.system.private import owner_only

log = logging.getLogger(__name__)

_FIRST_READ = 4_096
"""Of an object's end, where nothing is known of how long footers are: what lacks is read then."""
_REQUEST = 2_000
"""What one more request is worth in bytes: the heads of its answer, and the way."""
_LEARN_FROM = 100
"""Footers read between two words about how far it is, and learned from."""

_KINDS: dict[type[RecordingError], str] = {
    NotARecordingError: "foreign",
    RecordingTooNewError: "too new",
    RecordingDamagedError: "damaged",
}
_COLUMNS = {"signal": "BYTE_ARRAY", "ecu": "BYTE_ARRAY", "t": "INT64", "value": "DOUBLE"}


@dataclass(frozen=True, slots=True)
class Footer:
    """A recording, and its traces as rows (see `columns.py`)."""

    known: Known
    signals: list[dict[str, Any]]
    metadata: pq.FileMetaData


def read_footer(store: Store, entry: Entry, footer_bytes: int = 0) -> Footer | Problem:
    """One file's footer; a `Problem` for what is not a sound recording. `footer_bytes`: how
    long it is, where that is known: of an object no more is fetched."""
    return read_footers(store, [entry], footer_bytes)[0]


def read_footers(
    store: Store, entries: Sequence[Entry], footer_bytes: int = 0
) -> list[Footer | Problem]:
    """The footers of many files, in order; several at once where each costs a round trip.
    `footer_bytes`: about how long they are; 0: not known."""
    first = footer_bytes or _FIRST_READ
    with tempfile.TemporaryDirectory(prefix="logbench-footers-") as scratch:
        folder = Path(scratch)
        if store.root is not None:
            heads = [_head(store, entry, folder, k, first) for k, entry in enumerate(entries)]
        else:
            with ThreadPoolExecutor(AT_ONCE) as pool:
                jobs = [
                    pool.submit(_head, store, entry, folder, k, first)
                    for k, entry in enumerate(entries)
                ]
                heads = [job.result() for job in jobs]
        good = [head for head in heads if isinstance(head, _Head)]
        found = dict(zip((h.entry.path for h in good), chunks_of([h.name for h in good]),
                         strict=True))  # fmt: skip
    return [
        _checked(head, found[head.entry.path]) if isinstance(head, _Head) else head
        for head in heads
    ]


class Footers:
    """Reads many footers; learns from those before how much of an object's end to ask for."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._lengths: list[int] = []

    def read(self, entries: Sequence[Entry]) -> Iterator[tuple[Entry, Footer | Problem]]:
        """In order."""
        start = 0
        while start < len(entries):
            first = self._store.root is None and not self._lengths
            batch = entries[start : start + (1 if first else _LEARN_FROM)]
            start += len(batch)
            found = read_footers(self._store, batch, _worth_asking(self._lengths))
            lengths = [one.known.footer_bytes for one in found if isinstance(one, Footer)]
            self._lengths = [*lengths, *self._lengths][:_LEARN_FROM]
            yield from zip(batch, found, strict=True)


def _worth_asking(lengths: Sequence[int]) -> int:
    """How much of further files' ends costs least: what is asked for in vain, and a second request
    where it was too little. 0: nothing is known."""

    def cost(asked: int) -> int:
        return sum(asked - n if asked >= n else _REQUEST for n in lengths)

    return min(sorted(set(lengths)), key=cost, default=0)


@dataclass(frozen=True, slots=True)
class _Head:
    """What a footer says of the file as a whole."""

    entry: Entry
    name: str
    """Of a file with that footer on this computer."""
    facts: Facts
    metadata: pq.FileMetaData

    @property
    def rows(self) -> int:
        """Samples, as the footer says."""
        return int(self.metadata.num_rows)


def _head(store: Store, entry: Entry, scratch: Path, number: int, first: int) -> _Head | Problem:
    path = entry.path
    try:
        if isinstance(store, LocalStore):
            name = str(store.path_of(path))
            with store.open(path) as file:
                metadata = pq.read_metadata(file)
        else:
            name = str(_tail(store, entry, scratch / f"{number}{SUFFIX}", first))
            metadata = pq.read_metadata(name, memory_map=False)
    except ArchiveError as error:
        return Problem(path, "link", str(error))
    except (pa.ArrowException, OSError, ValueError, MemoryError, OverflowError) as error:
        if is_unreachable(error):
            return Problem(path, "unreadable", f"{path} cannot be read ({error}).")
        return Problem(path, "damaged", f"{path} is cut short, damaged or no Parquet file.")
    try:
        return _understood(entry, name, metadata)
    except (pa.ArrowException, OSError, ValueError, TypeError, AttributeError, OverflowError):
        return Problem(path, "damaged", f"The footer of {path} makes no sense.")


def _tail(store: Store, entry: Entry, into: Path, first: int) -> Path:
    """A file with an object's footer only. Raises `OSError`, `ValueError`."""
    with store.open(entry.path) as file:
        size = file.size()
        end = file.read_at(min(size, first), max(0, size - first))
        if end[-4:] != MAGIC or len(end) < 12:
            raise ValueError("no Parquet file")
        length = int.from_bytes(end[-8:-4], "little") + 8
        if length > size:
            raise ValueError("a footer longer than its file")
        if length > len(end):
            end = file.read_at(length - len(end), size - length) + end
    with open(into, "xb", opener=owner_only) as file:
        file.write(MAGIC + end[-length:])
    return into


def is_unreachable(error: BaseException | None) -> bool:
    """Whether an error, or what caused it, is the disk's or the network's and not the content's: a
    file that could not be reached must not be taken for a damaged one."""
    while error is not None:
        if isinstance(error, OSError) and error.errno is not None:
            return True
        error = error.__cause__
    return False


def _understood(entry: Entry, name: str, metadata: pq.FileMetaData) -> _Head | Problem:
    path = entry.path
    try:
        facts = facts_of(path, metadata)
    except RecordingError as error:
        return Problem(path, _KINDS[type(error)], str(error))
    columns = {
        metadata.schema.column(k).name: metadata.schema.column(k).physical_type
        for k in range(min(8, metadata.num_columns))
    }
    if columns != _COLUMNS or metadata.num_columns != len(_COLUMNS):
        return Problem(path, "foreign", f"{path} has other columns than a recording: import it.")
    return _Head(entry, name, facts, metadata)


def _checked(head: _Head, chunks: list[Described] | None) -> Footer | Problem:
    path = head.entry.path
    nonsense = Problem(path, "damaged", f"The footer of {path} makes no sense.")
    if chunks is None:
        return nonsense
    try:
        claims = _absurd(head, chunks)
        if claims:
            return Problem(path, "enormous", f"{path} claims {claims}: not believed, left out.")
        signals = _signal_rows(path, chunks, head.facts)
        lasts = (row["last_s"] for row in signals)
        duration_s = max((last for last in lasts if last is not None), default=0.0)
        length = head.metadata.serialized_size + 8
        known = Known(head.entry, head.facts, head.rows, duration_s, length)
        return Footer(known, signals, head.metadata)
    except (ValueError, TypeError, OverflowError):
        return nonsense


def _absurd(head: _Head, chunks: list[Described]) -> str:
    """What the footer claims that cannot be, or must not be read; `` when it is sound."""
    kinds = list(_COLUMNS.values())
    claims = absurd(head.entry.size, head.rows, [d.chunk for d in chunks], len(kinds))
    if claims:
        return claims
    if any(d.kind != kinds[d.chunk.column] for d in chunks):
        return "columns of other types than its own schema"
    if any(d.chunk.values != d.chunk.rows for d in chunks):
        return "columns of different lengths"
    return ""


def _signal_rows(path: str, chunks: list[Described], facts: Facts) -> list[dict[str, Any]]:
    """One row a row group and ECU; bounds are None where the file has no statistics."""
    out: list[dict[str, Any]] = []
    for place in range(0, len(chunks), len(_COLUMNS)):
        signal, ecu, time, value = chunks[place : place + len(_COLUMNS)]
        if signal.low is None or signal.low != signal.high:
            continue  # a file of another writer: several signals in one row group
        of_facts = facts.signals.get(signal.low)
        out.append(
            {
                "recording": path,
                "signal": signal.low,
                "ecu": ecu.low if ecu.low is not None and ecu.low == ecu.high else SEVERAL,
                "unit": of_facts.unit if of_facts else "",
                "samples": signal.chunk.rows,
                "first_s": None if time.low is None else int(time.low) / 1e9,
                "last_s": None if time.high is None else int(time.high) / 1e9,
                "minimum": _number(value.low),
                "maximum": _number(value.high),
                "row_group": signal.chunk.group,
            }
        )
    return out


def _number(text: str | None) -> float | None:
    number = float("nan") if text is None else float(text)
    return number if math.isfinite(number) else None


def open_entry(
    store: Store, entry: Entry, footer_bytes: int = 0, *, noted: bool = True
) -> Recording:
    """A recording of the archive. Its footer is checked first, then `open_recording`'s errors.
    `footer_bytes`: as `read_footer` takes it; `noted`: whether something may stand beside an
    object, which costs a request.

    Raises `ArchiveError` for a file that is left out, saying why.
    """
    footer = read_footer(store, entry, footer_bytes)
    if not isinstance(footer, Footer):
        raise ArchiveError(footer.sentence)
    if isinstance(store, LocalStore):
        return open_recording(store.path_of(entry.path))
    metadata = footer.metadata

    @contextmanager
    def opened() -> Iterator[pq.ParquetFile]:
        with (
            store.open(entry.path) as source,
            pq.ParquetFile(source, metadata=metadata, pre_buffer=True) as file,
        ):
            yield file

    def unreadable(_: Exception) -> RecordingDamagedError:
        return RecordingDamagedError(
            f"{entry.path} cannot be read: the network is gone or the file is damaged."
        )

    facts = footer.known.facts
    if noted:
        facts = _as_corrected(store, entry, facts)
    return ParquetSource(metadata, facts, opened, unreadable).recording()


def _as_corrected(store: Store, entry: Entry, facts: Facts) -> Facts:
    """The facts of a recording as they are corrected beside it, where that can be read."""
    name = f"{entry.path}{NOTES_SUFFIX}"
    data = store.read_beside(name, NOTES_BYTES) if isinstance(store, RemoteStore) else None
    try:
        beside = Beside() if data is None else beside_in(data, name)
    except NotesError as error:
        log.warning("%s", error)
        return facts
    return corrected(facts, beside.corrections if beside.is_of(facts.samples_sha256) else ())
