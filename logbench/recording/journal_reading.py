"""What a journal holds, whatever became of it: everything sound, and what is missing.

The note of a frame (`frames` has its form) is a JSON object:

- `traces`: which traces its rows are of, as ECU to signals; the rows count them in that order.
- `events`: those that are new.
- `facts`: all facts, with all events so far. They stand in the first two frames and the last, when
  they have changed, and again and again, so that no damage costs them.
"""

from __future__ import annotations

import contextlib
import json
import os
import zlib
from bisect import bisect_right
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, field
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from logbench.errors import (
    NotARecordingError,
    RecordingDamagedError,
    RecordingMissingError,
    RecordingTooNewError,
)
from logbench.recording.exchanges import counts_in
from logbench.recording.frames import (
    MAGIC,
    ROW,
    Frame,
    FrameSearch,
    Kind,
    inflated,
    recording_at_start,
)
from logbench.recording.model import Event, Facts
from logbench.system.platforms import BINARY

SUFFIX = ".journal"
"""Appended to the name of the recording-to-be: `drive.parquet.journal`."""

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]
"""Of traces."""
Part = tuple[Numbers, npt.NDArray[np.void]]
"""Some samples: trace number and `ROW` of each."""

MAX_TRACES = 2**15 - 1
_TORN = 2**14
"""Bytes: so much one write may leave half written; more at a journal's end is damage."""
_LOOKED_AT = 2**20
"""Bytes in which the first frame of a journal must begin."""
_EARLIER_FORM = b"logbench.facts"
_MOST_NOTES = 4096
"""Notes that are remembered as read."""
_NO_TRACES: Numbers = np.empty(0, np.intp)
_NO_NOTE = (ValueError, AttributeError, TypeError, RecursionError)
"""What reading a note raises that no writer of ours wrote; pydantic's errors are ValueErrors."""


def journal_path(out: Path) -> Path:
    """Where the journal of the recording `out` lies: beside it."""
    return out.with_name(out.name + SUFFIX)


@dataclass(slots=True)
class Gap:
    """Frames that are missing in a journal."""

    first: int
    stop: int
    """Sequence numbers missing: from `first` to before `stop`."""
    count: int
    """Samples before it."""
    until_count: int
    """Samples before what comes after it."""
    after_ns: int
    """Time of the last sample before it; 0 at the start."""
    until_ns: int | None = None
    """Time of the first sample after it; None at the end."""

    @property
    def lost(self) -> int:
        """Samples that are missing."""
        return max(0, self.until_count - self.count)

    def __str__(self) -> str:
        until = "the end" if self.until_ns is None else f"{self.until_ns / 1e9:.1f} s"
        what = f"{self.lost:,} samples" if self.lost else "a marker or a fact may be"
        return f"{what} lost up to {until}: the journal was damaged on the disk"


@dataclass(slots=True)
class JournalIndex:
    """What a journal holds, without the samples themselves."""

    facts: Facts
    keys: list[tuple[str, str]] = field(default_factory=list)
    """(signal, ECU) by trace number."""
    counts: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """Samples by trace number."""
    last_sample_ns: int = 0
    whole_bytes: int = 0
    """Length of the file up to the end of the last sound frame but the end mark."""
    gaps: list[Gap] = field(default_factory=list)
    """What is missing between its frames."""
    recording: bytes = b""
    """16 bytes in every frame."""
    next_sequence: int = 0
    accepted: int = 0
    """Samples that its writer had put into it, by the running counts."""
    exchanges: int = 0
    """Exchanges with the car, as rows of `exchanges.Said`."""
    exchanges_accepted: int = 0
    """The same, that its writer had put into it."""
    torn_bytes: int = 0
    """Behind the last sound frame: what a write left half done, or damage."""
    torn_samples: int | None = None
    """In those; None where it cannot be told."""

    @property
    def samples(self) -> int:
        """Of all traces."""
        return int(self.counts.sum())

    @property
    def lost(self) -> int:
        """Samples that had been in it and cannot be read any more."""
        return self.accepted - self.samples

    @property
    def damaged(self) -> bool:
        """Something that had been in it cannot be read any more; a last write that was cut off is
        no damage."""
        return self.lost > 0 or bool(self.gaps) or self.torn_bytes > _TORN

    @property
    def last_t_ns(self) -> int:
        """Time of the last sample or event; 0 when there is none."""
        return max([self.last_sample_ns, *(event.t_ns for event in self.facts.events)])

    def gap_events(self) -> list[Event]:
        """What is missing, said where it is missing."""
        events = [Event(t_ns=gap.after_ns, kind="gap", text=str(gap)) for gap in self.gaps]
        if self.torn_bytes:
            known = self.torn_samples is not None
            text = f"the last {self.torn_samples:,} samples are" if known else "what followed is"
            text += f" lost: {self.torn_bytes:,} bytes at the journal's end cannot be read"
            events.append(Event(t_ns=self.last_sample_ns, kind="gap", text=text))
        return events


class Samples:
    """The samples of some traces as they come."""

    def __init__(self, wanted: Collection[int] | None = None) -> None:
        """`wanted`: trace numbers; None for all."""
        self._wanted = wanted
        self._parts: dict[int, list[tuple[Times, Values]]] = {}

    def take(self, part: Part) -> None:
        """Sort some samples by trace, in their order."""
        numbers, rows = part
        if self._wanted is not None:
            kept = np.isin(numbers, list(self._wanted))
            numbers, rows = numbers[kept], rows[kept]
        order = np.argsort(numbers.astype(np.uint16), kind="stable")
        t_ns, value = rows["t"][order], rows["value"][order]
        counts = np.bincount(numbers)
        ends = np.cumsum(counts)
        for number in np.flatnonzero(counts).tolist():
            rows_of = slice(ends[number] - counts[number], ends[number])
            self._parts.setdefault(number, []).append((t_ns[rows_of], value[rows_of]))

    def of(self, number: int) -> tuple[Times, Values]:
        """Times and values of a trace."""
        parts = self._parts.get(number, [])
        t_ns = np.concatenate([np.empty(0, np.int64), *(part[0] for part in parts)])
        return t_ns, np.concatenate([np.empty(0), *(part[1] for part in parts)])


def scan_journal(path: Path) -> JournalIndex:
    """What a journal holds; all samples are checked and counted, none is kept.

    Raises `RecordingMissingError` without a file, `NotARecordingError` where it is not a journal of
    this program, `RecordingTooNewError`, and `RecordingDamagedError` when the disk cannot read it.
    """
    index = JournalIndex(Facts())
    for _ in scanned(path, index):
        pass
    return index


def read_traces(path: Path, index: JournalIndex, numbers: Collection[int]) -> Samples:
    """The samples of some traces of a scanned journal, as they came.

    Needs memory for these traces only. Raises as `scan_journal`; `RecordingDamagedError`, too,
    where the journal does not hold any more what it held.
    """
    samples, again = Samples(numbers), JournalIndex(Facts())
    for part in scanned(path, again):
        samples.take(part)
    if again.keys != index.keys or not np.array_equal(again.counts, index.counts):
        raise RecordingDamagedError(f"{path} changed while it was read: try again.")
    return samples


def scanned(
    path: Path, index: JournalIndex, exchanges: Callable[[bytes], object] = lambda _: None
) -> Iterator[Part]:
    """Fill `index`, and yield the samples in the order in which they lie in the file, some at a
    time; `exchanges` gets those with the car, as they are packed. Raises as `scan_journal`."""
    with _opened(path) as fd:
        yield from _Taken(path, index, exchanges).parts(FrameSearch(fd))


def samples_by_frame(path: Path) -> dict[int, int]:
    """CRC-32 of the samples of each sound frame that has any, by its sequence number. Raises as
    `scan_journal`."""
    with _opened(path) as fd:
        pieces = FrameSearch(fd).pieces()
        return {f.sequence: zlib.crc32(f.samples) for piece in pieces for f in piece if f.rows}


def scan_start(path: Path) -> bytes:
    """Which recording a journal belongs to, empty where its first frame is not sound. Raises as
    `scan_journal` where it is not a journal of ours, by its first megabyte."""
    with _opened(path) as fd:
        return recording_at_start(fd)


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[int]:
    try:
        fd = os.open(path, os.O_RDONLY | BINARY)
    except FileNotFoundError as error:
        raise RecordingMissingError(f"There is no journal {path}.") from error
    except OSError as error:
        raise RecordingDamagedError(f"{path} cannot be read ({error.strerror}).") from error
    try:
        _refuse_foreign(fd, path)
        yield fd
    except OSError as error:
        raise RecordingDamagedError(f"{path} cannot be read ({error.strerror}).") from error
    except RecordingTooNewError as error:
        raise RecordingTooNewError(
            f"{path} was written by a newer version of the program: update logbench to recover it."
        ) from error
    finally:
        os.close(fd)


def _refuse_foreign(fd: int, path: Path) -> None:
    """Raise `NotARecordingError` where an open file is not a journal."""
    os.lseek(fd, 0, os.SEEK_SET)
    start = os.read(fd, len(MAGIC))
    if start == MAGIC:
        return
    start += os.read(fd, _LOOKED_AT)
    if MAGIC in start:
        return
    if _EARLIER_FORM in start:
        raise RecordingDamagedError(
            f"{path} is the journal of an earlier version of the program, which this one cannot "
            "read: it is left as it is."
        )
    raise NotARecordingError(f"{path} is not a journal of this program: it is left as it is.")


class _Taken:
    """Takes frames in: which samples are of which trace, what is missing, what the notes say."""

    def __init__(
        self, path: Path, index: JournalIndex, exchanges: Callable[[bytes], object]
    ) -> None:
        self._path, self._index, self._exchanges = path, index, exchanges
        self._last: Frame | None = None
        self._numbers: dict[tuple[str, str], int] = {}
        """Trace number by (signal, ECU), as notes spell them."""
        self._tables: dict[bytes, Numbers] = {}
        """Trace numbers that the rows of a frame count, by its note."""
        self._facts_at = -1
        self._events: list[tuple[int, Event]] = []

    def parts(self, search: FrameSearch) -> Iterator[Part]:
        """The samples; the index is complete when they have been gone through."""
        index = self._index
        for piece in search.pieces():
            frames = [frame for frame in piece if self._is_new(frame)]
            self._count_exchanges(frames)
            frames = [frame for frame in frames if frame.kind != Kind.EXCHANGES]
            tables = [self._table(frame) for frame in frames]
            if any(frame.rows for frame in frames):
                yield self._part(frames, tables)
        if not index.recording:
            raise RecordingDamagedError(f"Nothing in {self._path} can be read.")
        index.torn_bytes = search.rubbish
        if search.claimed > index.accepted:
            index.torn_samples = search.claimed - index.accepted
        index.facts.events = [*index.facts.events, *self._events_since()]
        index.facts.recording_id = index.facts.recording_id or index.recording.hex()
        index.gaps = [gap for gap in index.gaps if gap.lost or self._facts_at < gap.stop]

    # --- order ---

    def _is_new(self, frame: Frame) -> bool:
        """Whether it is of this recording and was not there before; gaps are noted."""
        index = self._index
        index.recording = index.recording or frame.recording
        if frame.recording != index.recording:
            return False
        if frame.sequence < index.next_sequence:
            return self._fills_gap(frame)
        if frame.rows and index.gaps and index.gaps[-1].until_ns is None:
            index.gaps[-1].until_ns = frame.t_ns(0)
        if frame.sequence > index.next_sequence or frame.before > index.accepted:
            last = self._last
            index.gaps.append(
                Gap(
                    index.next_sequence,
                    frame.sequence,
                    index.accepted,
                    frame.before,
                    0 if last is None else last.t_ns(-1),
                    frame.t_ns(0) if frame.rows else None,
                )
            )
        index.next_sequence = frame.sequence + 1
        index.accepted = max(index.accepted, frame.before + frame.rows)
        if frame.rows:
            self._last = frame
        if frame.kind != Kind.END:
            index.whole_bytes = frame.end
        return True

    def _fills_gap(self, frame: Frame) -> bool:
        """A frame that comes late takes its place in what was missing."""
        gaps = self._index.gaps
        at = bisect_right(gaps, frame.sequence, key=attrgetter("first")) - 1
        if at < 0 or frame.sequence >= gaps[at].stop:
            return False
        gap = gaps[at]
        first_ns = frame.t_ns(0) if frame.rows else gap.until_ns
        last_ns = frame.t_ns(-1) if frame.rows else gap.after_ns
        parts = (
            Gap(gap.first, frame.sequence, gap.count, frame.before, gap.after_ns, first_ns),
            Gap(
                frame.sequence + 1,
                gap.stop,
                frame.before + frame.rows,
                gap.until_count,
                last_ns,
                gap.until_ns,
            ),
        )
        gaps[at : at + 1] = [part for part in parts if part.first < part.stop]
        if frame.kind != Kind.END:
            self._index.whole_bytes = frame.end
        return True

    # --- samples ---

    def _part(self, frames: list[Frame], tables: list[Numbers]) -> Part:
        rows = np.frombuffer(b"".join([frame.samples for frame in frames]), ROW)
        counts = [frame.rows for frame in frames]
        lengths = np.array([len(table) for table in tables])
        first = np.repeat(np.cumsum(lengths) - lengths, counts)
        known = rows["trace"] < np.repeat(lengths, counts)
        if not known.all():  # sound frames of a writer that is not ours
            first, rows = first[known], rows[known]
        numbers = np.concatenate(tables)[first + rows["trace"]]
        self._count(numbers, rows)
        return numbers, rows

    def _count(self, numbers: Numbers, rows: npt.NDArray[np.void]) -> None:
        index = self._index
        counts = np.bincount(numbers, minlength=len(index.keys)).astype(np.int64)
        counts[: len(index.counts)] += index.counts
        index.counts = counts
        index.last_sample_ns = int(max(rows["t"].max(initial=0), index.last_sample_ns))

    def _count_exchanges(self, frames: list[Frame]) -> None:
        index = self._index
        for frame in frames:
            if frame.kind == Kind.EXCHANGES:
                with contextlib.suppress(ValueError):
                    before, rows = counts_in(frame.note)
                    index.exchanges += rows
                    accepted = max(before + rows, index.exchanges)
                    index.exchanges_accepted = max(index.exchanges_accepted, accepted)
                    self._exchanges(bytes(frame.note))

    # --- notes ---

    def _table(self, frame: Frame) -> Numbers:
        """Trace numbers that the rows of a frame count."""
        text = bytes(frame.note)
        known = self._tables.get(text)
        if known is not None:
            return known
        try:
            note = json.loads(inflated(frame.note))
            table = self._table_of(note.get("traces", {}))
        except _NO_NOTE:
            return _NO_TRACES
        if note.keys() <= {"traces"}:
            if len(self._tables) >= _MOST_NOTES:
                self._tables.clear()
            self._tables[text] = table
        with contextlib.suppress(*_NO_NOTE):
            self._fold(frame.sequence, note)
        return table

    def _table_of(self, traces: dict[str, list[str]]) -> Numbers:
        known = self._numbers
        keys = [(signal, ecu) for ecu, signals in traces.items() for signal in signals]
        return np.array([known[k] if k in known else self._new(k) for k in keys], np.intp)

    def _new(self, key: tuple[str, str]) -> int:
        name, names = (plain(key[0]), plain(key[1])), self._index.keys
        if name in self._numbers:
            number = self._numbers[name]
        elif len(names) >= MAX_TRACES:
            raise ValueError("more traces than a recording has")
        else:
            number = self._numbers[name] = len(names)
            names.append(name)
        self._numbers[key] = number
        return number

    def _fold(self, sequence: int, note: dict[str, Any]) -> None:
        self._events.extend((sequence, event) for event in _events(note.get("events", ())))
        if "facts" in note and sequence > self._facts_at:
            document = dict(note["facts"])
            events = list(_events(document.pop("events", ())))
            self._index.facts = Facts.model_validate(document)
            self._index.facts.events, self._facts_at = events, sequence

    def _events_since(self) -> list[Event]:
        """Those that the facts do not hold yet, in the order in which they were written."""
        since = [found for found in self._events if found[0] > self._facts_at]
        return [event for _, event in sorted(since, key=lambda found: found[0])]


def _events(documents: Iterable[Any]) -> Iterator[Event]:
    for document in documents:
        with contextlib.suppress(ValidationError):  # whoever wrote it, it was no event
            yield Event.model_validate(document)


def plain(text: str) -> str:
    """A name that can be written as UTF-8 whatever was made of it."""
    return str(text).encode(errors="replace").decode()
