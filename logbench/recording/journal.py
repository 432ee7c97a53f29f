"""Writing the journal: what is on disk while a recording runs. Its form: `frames`."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import time
import uuid
from array import array
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from logbench.errors import RecordingMissingError, StorageError
from logbench.recording.exchanges import MOST_AT_ONCE, Said, block_of, pack
from logbench.recording.frames import MOST_NOTE, MOST_ROWS, ROW, Kind, encode_frame
from logbench.recording.journal_reading import MAX_TRACES, JournalIndex, plain, scan_journal
from logbench.recording.model import Event, Facts
from logbench.recording.places import Places
from logbench.recording.storage import storage_error, storage_trouble
from logbench.system.platforms import BINARY, try_lock

INTERVAL_S = 0.4
"""So long a sample waits for others to be written with."""
_FACTS_SHARE = 50
"""The facts stand in the journal again when so many times their length was written since."""
_ID_BYTES = 16


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
            self.fd = os.open(path, os.O_RDWR | BINARY)
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


class JournalWriter:
    """Writes one journal; holds its lock from the first byte to `close()`. The journal stays then;
    what was not flushed is lost.

    Samples and events gather in memory and go to the disk as one frame, written and fsynced, when
    `flush()` is called; `write_due()` does so when the oldest has waited `INTERVAL_S`. Where a disk
    takes nothing, `places` wait and go on elsewhere; they raise `StorageError` only when no place
    is left. Each call does all or, where memory lacks, nothing, and can then be repeated.
    """

    def __init__(self, path: Path, facts: Facts, second: Path | None = None) -> None:
        """Create the journal at `path`, which must not exist, and make it durable. `second`: folder
        that it is mirrored to."""

        def create(head: bytes) -> None:
            self.places = Places.create(path, head, second)

        recording_id = facts.recording_id or uuid.uuid4().hex
        self._init(facts.model_copy(update={"recording_id": recording_id}))
        self._write(Kind.HEAD, create)

    @classmethod
    def resume(cls, path: Path, second: Path | None = None) -> tuple[JournalWriter, JournalIndex]:
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
        writer._init(content.facts)
        writer._recording = content.recording
        head = b"".join(writer._encode(Kind.HEAD, with_facts=True))
        writer.places = Places.reopen(path, lock.fd, content.whole_bytes, head, second)
        writer._sequence = content.next_sequence
        writer._names = content.keys.copy()
        writer._bytes = content.whole_bytes
        writer.samples = writer._before = content.accepted
        writer._said_before = content.exchanges_accepted
        writer.last_t_ns = content.last_sample_ns
        return writer, content

    def _init(self, facts: Facts) -> None:
        self.samples = 0
        """Accepted so far, written or waiting."""
        self.last_t_ns = 0
        """Time of the sample accepted last."""
        self._recording = _sixteen_bytes(facts.recording_id)
        self._sequence = 0
        self._before = 0
        """Samples in frames."""
        self._bytes = 0
        """Of all frames."""
        self._ids: dict[tuple[str, str], int] = {}
        self._names: list[tuple[str, str]] = []
        """(signal, ECU) by trace number."""
        self._trace, self._t, self._value = array("h"), array("q"), array("d")
        self._said: list[Said] = []
        self._said_before = 0
        """Exchanges in frames."""
        self._facts = facts.model_dump(mode="json")
        self._events: list[dict[str, Any]] = self._facts.pop("events")
        """All so far."""
        self._events_written = 0
        self._facts_due_bytes = 0
        """The facts are written again when the frames have this length."""
        self._since: float | None = None
        self._sealed = False

    @property
    def path(self) -> Path:
        """Of the journal, in the place where it is whole."""
        return self.places.best.path

    @property
    def size_bytes(self) -> int:
        """On disk."""
        return self.places.best.size_bytes

    @property
    def free_bytes(self) -> int | None:
        """Room that its disk has left; None: not known."""
        return self.places.best.free_bytes

    def append(self, rows: Iterable[tuple[str, str, int, float]]) -> None:
        """Accept samples as (signal, ECU, t in ns on the recording's clock, value)."""
        before = len(self._t)
        try:
            for signal, ecu, t_ns, value in rows:
                key = (signal, ecu)
                number = self._ids.get(key)
                if number is None:
                    number = self._new_trace(key)
                self._trace.append(number)
                self._t.append(t_ns)
                self._value.append(value)
        except BaseException:
            del self._trace[before:], self._t[before:], self._value[before:]
            raise
        if len(self._t) > before:
            self.samples += len(self._t) - before
            self.last_t_ns = self._t[-1]
        self._touch()

    def _new_trace(self, key: tuple[str, str]) -> int:
        name = plain(key[0]), plain(key[1])
        if name not in self._names:
            if len(self._names) >= MAX_TRACES:
                raise ValueError(f"more than {MAX_TRACES} traces in one recording")
            self._names.append(name)
        return self._ids.setdefault(key, self._names.index(name))

    def exchanges(self, rows: Iterable[Said]) -> None:
        """Accept exchanges with the car."""
        self._said += rows
        self._touch()

    def event(self, event: Event) -> None:
        """Accept an event."""
        plain_event = event.model_dump(mode="json")
        self._touch()
        self._events.append(plain_event)

    def update_facts(self, facts: Facts) -> None:
        """Replace the facts given at the start; events are kept apart and stay."""
        self._facts = facts.model_dump(mode="json", exclude={"events"})
        self._facts_due_bytes = 0
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
        """Write what waits and make it durable."""
        if self._since is not None:
            self._write(Kind.BATCH, self.places.add)
        self.places.settle()

    def _write(self, kind: Kind, put: Callable[[bytes], None]) -> None:
        """Hand over what waits, and forget it only then."""
        with_facts = kind != Kind.BATCH or self._bytes >= self._facts_due_bytes
        frames = self._encode(kind, with_facts)
        data, nothing = b"".join(frames), (array("h"), array("q"), array("d"))
        put(data)
        self._bytes += len(data)
        if with_facts:
            length = len(frames[0]) - ROW.itemsize * min(len(self._t), MOST_ROWS)
            again = 0 if kind == Kind.HEAD else _FACTS_SHARE * length
            self._facts_due_bytes = self._bytes + again
        self._sequence += len(frames)
        self._before += len(self._t)
        self._said_before += len(self._said)
        self._said = []
        self._events_written = len(self._events)
        self._trace, self._t, self._value = nothing
        self._since = None

    def _encode(self, kind: Kind, with_facts: bool) -> list[bytes]:
        """What waits as frames."""
        news: dict[str, Any] = {"events": self._events[self._events_written :]}
        whole = {"facts": self._facts | {"events": self._events}}
        if (
            with_facts and len(_json(whole)) < MOST_NOTE / 2
        ):  # else the events stand where they came
            news = whole
        frames: list[bytes] = []
        for start in range(0, max(1, len(self._t)), MOST_ROWS):
            traces, rows = self._rows(slice(start, start + MOST_ROWS))
            note = {name: what for name, what in (traces | news).items() if what}
            place = kind, self._sequence + len(frames), self._recording, self._before + start
            frames.append(encode_frame(*place, _json(note), rows))
            news = {}
        return frames + self._exchange_frames(self._sequence + len(frames))

    def _exchange_frames(self, sequence: int) -> list[bytes]:
        """The exchanges that wait, behind the samples: the loss of one costs no sample."""
        frames: list[bytes] = []
        before = self._before + len(self._t)
        for start in range(0, len(self._said), MOST_AT_ONCE):
            block = block_of(self._said[start : start + MOST_AT_ONCE])
            place = Kind.EXCHANGES, sequence + len(frames), self._recording, before
            packed = pack(self._said_before + start, block)
            frames.append(encode_frame(*place, packed, np.empty(0, ROW)))
        return frames

    def _rows(self, part: slice) -> tuple[dict[str, Any], npt.NDArray[np.void]]:
        """Some of the samples that wait, as they stand in a frame; the table of their traces."""
        if not self._trace:
            return {}, np.empty(0, ROW)
        trace = np.array(self._trace[part])
        rows = np.empty(len(trace), ROW)
        names = self._names
        held = np.flatnonzero(np.bincount(trace)).tolist()  # np.unique would import numpy.ma
        held.sort(key=lambda number: (names[number][1], number))
        traces: dict[str, list[str]] = {}
        place = np.empty(len(names), np.uint16)
        for at, number in enumerate(held):
            signal, ecu = names[number]
            traces.setdefault(ecu, []).append(signal)
            place[number] = at
        rows["trace"], rows["t"], rows["value"] = place[trace], self._t[part], self._value[part]
        return {"traces": traces}, rows

    def seal(self) -> None:
        """Flush, write the end mark and end the writing; the lock stays. Calling it again does
        nothing."""
        if not self._sealed:
            self.flush()
            self._write(Kind.END, self.places.add)
            self._sealed = True
        self.places.end()

    def close(self) -> None:
        """Give the lock back."""
        self.places.close()


def _json(note: dict[str, Any]) -> bytes:
    """The note's bytes; half an emoji becomes a question mark."""
    return json.dumps(note, ensure_ascii=False, separators=(",", ":")).encode(errors="replace")


def _sixteen_bytes(recording_id: str) -> bytes:
    """The id as it stands in frames; of another length than usual, its digest."""
    with contextlib.suppress(ValueError):
        if len(plain := bytes.fromhex(recording_id)) == _ID_BYTES:
            return plain
    return hashlib.blake2b(recording_id.encode(errors="replace"), digest_size=_ID_BYTES).digest()
