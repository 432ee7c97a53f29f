"""Where samples go: into the journal or, until the recording is started, into memory.

The journal has a thread of its own: a slow disk must not slow the polling, nor a passing fault end
it.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import time
from array import array
from collections import deque
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import TypeVar

from logbench.capture.messages import Trouble
from logbench.capture.outbox import Outbox, Row
from logbench.errors import LogbenchError, SamplesMissingError
from logbench.recording.exchanges import Said
from logbench.recording.finish import NothingRecordedError, finish, samples_in
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import JournalIndex
from logbench.recording.model import Event, Facts
from logbench.recording.place import free_names
from logbench.recording.storage import is_passing
from logbench.system.threads import Supervised

_WAITING = 100_000
"""Batches that may wait for the disk before the polling does."""
PATIENCE_S = 30.0
"""Memory or the system lacking for longer ends the recording; the disks have patience of their own.
"""
_PAUSES_S = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
"""Between attempts; the last repeats."""
_TEND_S = 0.5
"""Between two looks at the disks while nothing is written."""
_FINISHED_SHARE = 0.5
"""Of a journal's size, for the finished file beside it: a fifth was measured."""
_PACE_AFTER_S = 5.0
"""From then on it can be said how fast a recording grows."""
Work = Callable[[JournalWriter], None]
T = TypeVar("T")


class JournalThread:
    """Takes samples, events and facts, writes them in batches and fsyncs.

    What may pass (`is_passing`) is tried again for `PATIENCE_S` while samples wait in memory. Where
    the thread died (no disk takes anything, or a fault of ours), whoever calls next gets the error.
    """

    def __init__(
        self,
        writer: JournalWriter,
        *,
        on_death: Callable[[BaseException], object],
        on_trouble: Callable[[str], object],
        on_note: Callable[[Event], object],
    ) -> None:
        """All three are called on the journal's thread: when it dies; with a sentence of what
        happens to the disks; with the note of it in the recording."""
        self.writer = writer
        self._queue: queue.Queue[Work | None] = queue.Queue(_WAITING)
        self._on_trouble, self._on_note = on_trouble, on_note
        writer.places.told = on_trouble
        self._began_s, self._began_bytes = time.monotonic(), writer.size_bytes
        self._next_tend = 0.0
        self._thread = Supervised("journal", self._run, on_death=on_death).start()

    def put(self, work: Work | None) -> None:
        """Do this to the writer, on the thread, in the order given; None is the end. Raises the
        `StorageError` of an earlier write, or `WorkerDiedError`."""
        while True:
            self._thread.check()
            with contextlib.suppress(queue.Full):  # a dead thread would leave it so
                self._queue.put(work, timeout=0.2)
                return

    def end(self) -> None:
        """Write what waits, seal the journal and end the thread; the writer stays open. Raises as
        `put`."""
        if self._thread.alive:
            self.put(None)
        self._thread.join()
        self._thread.check()

    def rescue(self) -> None:
        """After the thread's death: write what it had accepted, as far as that works; then seal
        the journal. Never raises."""
        while not self._queue.empty():
            what = self._queue.get()
            with contextlib.suppress(Exception):  # one of them it died of
                if what is not None:
                    what(self.writer)
        with contextlib.suppress(Exception):
            self.writer.seal()

    @property
    def room_s(self) -> float | None:
        """Seconds for which the disk has room at the pace so far, with the finished file beside the
        journal; None: not known."""
        free_bytes, size_bytes = self.writer.free_bytes, self.writer.size_bytes
        passed_s = time.monotonic() - self._began_s
        grown = size_bytes - self._began_bytes
        if free_bytes is None or passed_s < _PACE_AFTER_S or grown <= 0:
            return None
        free_bytes -= round(_FINISHED_SHARE * size_bytes)
        return max(0.0, free_bytes / (1 + _FINISHED_SHARE) / grown * passed_s)

    def _run(self) -> None:
        while (what := self._patiently(self._next)) is not None:
            self._patiently(partial(what, self.writer))
            self._patiently(self._keep_up)
        self._patiently(self.writer.flush)
        self._notes()
        self._patiently(self.writer.seal)

    def _next(self) -> Work | None:
        """What is to be done to the writer, or nothing when something else is due first; None at
        the end."""
        due_s = self.writer.due_in_s()
        try:
            return self._queue.get(timeout=_TEND_S if due_s is None else min(due_s, _TEND_S))
        except queue.Empty:
            return _nothing

    def _keep_up(self) -> None:
        if time.monotonic() >= self._next_tend:
            self.writer.places.tend()
            self._next_tend = time.monotonic() + _TEND_S
        if self.writer.write_due() or self.writer.places.notes:
            self._notes()

    def _notes(self) -> None:
        """What happened to the disks belongs into the recording."""
        notes = self.writer.places.notes
        while notes:
            event = Event(t_ns=self.writer.last_t_ns, kind="note", text=notes[0])
            self.writer.event(event)
            del notes[0]
            self._on_note(event)

    def _patiently(self, work: Callable[[], T]) -> T:
        """Again and again while memory or the system lacks; all that is done here is all or
        nothing."""
        began_s = time.monotonic()
        pauses = iter(_PAUSES_S)
        while True:
            try:
                return work()
            except (MemoryError, OSError) as error:
                if not is_passing(error) or time.monotonic() - began_s > PATIENCE_S:
                    raise
                log.warning("the journal's thread waits: %r", error)
            time.sleep(next(pauses, _PAUSES_S[-1]))


def _nothing(_: JournalWriter) -> None:
    """Nothing to be done."""


log = logging.getLogger(__name__)

_BLOCK = 4096
"""Samples forgotten or written at a time."""
MOST_HELD = 4_000_000
"""Samples kept at the most, whatever the minutes: about 80 MB."""


class RecentSamples:
    """The last `hold_s` seconds of samples and events, in bounded memory.

    Samples are kept as columns, a tenth of the memory of tuples.
    """

    def __init__(self, hold_s: float, most: int = MOST_HELD) -> None:
        self._hold_ns = round(hold_s * 1e9)
        self._most = max(_BLOCK, most)
        self._numbers: dict[tuple[str, str], int] = {}
        self._trace, self._t, self._value = array("i"), array("q"), array("d")
        self._events: deque[Event] = deque()
        self._first: deque[Said] = deque()
        """By which the car was found."""
        self._said: deque[Said] = deque()

    def rows(self, rows: list[Row]) -> None:
        """Keep these; what has grown too old goes."""
        for signal, ecu, t_ns, value in rows:
            self._trace.append(self._numbers.setdefault((signal, ecu), len(self._numbers)))
            self._t.append(t_ns)
            self._value.append(value)
        if rows:
            self._forget(rows[-1][2] - self._hold_ns)

    def exchanges(self, said: list[Said]) -> None:
        """Keep exchanges with the car; those by which it was found, before 0, for good."""
        for one in said:
            kept = self._first if one.sent_ns < 0 else self._said
            if len(kept) >= self._most // 10:
                kept.popleft()
            kept.append(one)
        while self._said and self._said[0].sent_ns < said[-1].sent_ns - self._hold_ns:
            self._said.popleft()

    def said(self, since_ns: int) -> list[Said]:
        """Exchanges from a time on, and those by which the car was found, counted from it."""
        recent = [one for one in self._said if one.arrived_ns >= since_ns]
        return [
            one._replace(sent_ns=one.sent_ns - since_ns, arrived_ns=one.arrived_ns - since_ns)
            for one in [*self._first, *recent]
        ]

    def event(self, event: Event) -> None:
        """Keep an event."""
        self._events.append(event)

    def _forget(self, before_ns: int) -> None:
        t, events = self._t, self._events
        while len(t) > self._most or (len(t) > _BLOCK and t[_BLOCK - 1] < before_ns):
            del self._trace[:_BLOCK], t[:_BLOCK], self._value[:_BLOCK]
        while events and events[0].t_ns < before_ns:
            events.popleft()

    def since_ns(self, now_ns: int) -> int:
        """The earliest time from which everything is kept; `now_ns` when nothing is."""
        if not self._t:
            return now_ns
        return min(max(self._t[0], now_ns - self._hold_ns), now_ns)

    def taken(self, since_ns: int) -> Iterator[Callable[[], list[Row]]]:
        """What is kept from a time on and counted from it, in parts made when called."""
        for first in range(0, len(self._t), _BLOCK):
            if self._t[min(first + _BLOCK, len(self._t)) - 1] >= since_ns:
                yield partial(self._part, slice(first, first + _BLOCK), since_ns)

    def _part(self, part: slice, since_ns: int) -> list[Row]:
        names = list(self._numbers)
        columns = zip(self._trace[part], self._t[part], self._value[part], strict=True)
        return [
            (*names[n], t_ns - since_ns, value) for n, t_ns, value in columns if t_ns >= since_ns
        ]

    def events(self, since_ns: int) -> list[Event]:
        """Events from a time on, counted from it."""
        return [
            event.model_copy(update={"t_ns": event.t_ns - since_ns})
            for event in self._events
            if event.t_ns >= since_ns
        ]

    def count(self, since_ns: int) -> int:
        """Samples kept from a time on."""
        return sum(t_ns >= since_ns for t_ns in self._t)


class Sink:
    """Takes samples and events for one recording, or for none.

    With `hold_s` it keeps the last seconds in memory until `start`; else it does nothing with them
    until `open` or `resume`. Methods raise the `StorageError` of the disk, or `WorkerDiedError`.
    """

    def __init__(
        self,
        hold_s: float | None,
        watcher: Outbox,
        fail: Callable[[str, BaseException], object],
        second: Path | None = None,
    ) -> None:
        """`watcher` is told of trouble with the disk; `fail` is called when the journal dies;
        `second`: folder that the journal is mirrored to."""
        self._thread = partial(
            JournalThread,
            on_death=partial(fail, "journal"),
            on_trouble=lambda text: watcher.message(Trouble(text)),
            on_note=watcher.message,
        )
        self._held = None if hold_s is None else RecentSamples(hold_s)
        self._journal: JournalThread | None = None
        self._second = second
        self._out: Path | None = None
        """Where the recording was wanted."""
        self.samples = 0
        """Taken for the recording; before it is started, all that came."""

    @property
    def holding(self) -> bool:
        """The recording is not started yet, but the last seconds are kept."""
        return self._held is not None

    @property
    def writing(self) -> bool:
        """There is a journal."""
        return self._journal is not None

    @property
    def size_bytes(self) -> int:
        """Of the journal on disk."""
        return 0 if self._journal is None else self._journal.writer.size_bytes

    @property
    def room_s(self) -> float | None:
        """As `Status.room_s`."""
        return None if self._journal is None else self._journal.room_s

    def since_ns(self, now_ns: int) -> int:
        """Where the samples kept begin; `now_ns` when none are."""
        return now_ns if self._held is None else self._held.since_ns(now_ns)

    def open(self, out: Path, facts: Facts) -> None:
        """Write a new recording to `out`, or to the next free name."""
        self._out = out
        writer = JournalWriter(next(free_names(out)), facts, self._second_of(out))
        self._journal = self._thread(writer)

    def start(self, out: Path, facts: Facts, since_ns: int) -> None:
        """Write a new recording that starts with what is kept from `since_ns` on."""
        assert self._held is not None
        self.open(out, facts)
        assert self._journal is not None
        held, self._held = self._held, None
        self.samples = held.count(since_ns)
        for part in held.taken(since_ns):
            self._journal.put(partial(_write, part))
        for event in held.events(since_ns):
            self.event(event)
        self.exchanges(held.said(since_ns))

    def resume(self, journal: Path) -> JournalIndex:
        """Go on with a journal whose writer died; returns what it holds."""
        self._out = journal
        writer, content = JournalWriter.resume(journal, self._second_of(journal))
        self._journal = self._thread(writer)
        self.samples = writer.samples
        return content

    def _second_of(self, first: Path) -> Path | None:
        """The second place, unless that is the folder of the first."""
        same = self._second is not None and self._second.resolve() == first.parent.resolve()
        return None if same else self._second

    def rows(self, rows: list[Row]) -> None:
        """Take samples."""
        self.samples += len(rows)
        if self._held is not None:
            self._held.rows(rows)
        elif self._journal is not None:
            self._journal.put(lambda writer: writer.append(rows))

    def exchanges(self, said: list[Said]) -> None:
        """Take exchanges with the car."""
        if self._held is not None:
            self._held.exchanges(said)
        elif self._journal is not None:
            self._journal.put(lambda writer: writer.exchanges(said))

    def event(self, event: Event) -> None:
        """Take an event."""
        if self._held is not None:
            self._held.event(event)
        elif self._journal is not None:
            self._journal.put(lambda writer: writer.event(event))

    def facts(self, facts: Facts) -> None:
        """Replace the facts of the recording."""
        if self._journal is not None:
            self._journal.put(lambda writer: writer.update_facts(facts))

    def finish(self) -> tuple[Path, int]:
        """Turn the journal there is into a recording; returns it, and how many samples it holds.
        Raises `SamplesMissingError` where that is fewer than were taken."""
        assert self._journal is not None
        self._journal.end()
        path = finish(self._journal.writer)
        held = samples_in(path)
        if held != self.samples:
            raise SamplesMissingError(
                f"{held:,} of {self.samples:,} samples are in {path}: the others were lost on the "
                "way by a fault in the program; please report it.",
                path,
            )
        return path, held

    def moved(self, path: Path) -> str:
        """A sentence where a recording is not in the folder it was wanted in."""
        if self._out is None or path.parent == self._out.parent:
            return ""
        return f"It is not in {self._out.parent}, which could not be used: it is in {path.parent}"

    def save(self) -> tuple[Path | None, int, str]:
        """After a failure: finish what can be. Where what was taken is now (a recording, or else
        its journal; None where nothing was recorded), how many samples, and both as a sentence.
        Never raises."""
        path, held = self._saved(), 0
        if path is not None:
            with contextlib.suppress(LogbenchError):  # what is in it will show when it is recovered
                held = samples_in(path)
        text = "Nothing had been recorded yet"
        if path is not None:
            text = f"What was recorded is in {path}: {held:,} samples"
        if held < self.samples:
            text += f"; {self.samples - held:,} of the {self.samples:,} taken are not in it"
        return path, held, f"{text}."

    def _saved(self) -> Path | None:
        if self._journal is None:
            return None
        writer = self._journal.writer
        try:
            try:
                self._journal.end()
            except LogbenchError as error:
                log.warning("%s", error)
                self._journal.rescue()
                path = finish(writer.places.leave_best())
                writer.places.remove()
                return path
            return finish(writer)
        except NothingRecordedError:
            return None
        except SamplesMissingError as error:
            return error.path
        except LogbenchError as error:
            log.warning("%s", error)
            return writer.path
        finally:
            writer.close()


def _write(part: Callable[[], list[Row]], writer: JournalWriter) -> None:
    writer.append(part())
