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

from logbench.capture.messages import Step
from logbench.capture.outbox import Outbox, Row
from logbench.errors import LogbenchError, SamplesMissingError, StorageError
from logbench.recording.finish import NothingRecordedError, finish
from logbench.recording.journal import JournalWriter
from logbench.recording.journal_reading import JournalIndex, journal_path
from logbench.recording.model import Event, Facts
from logbench.recording.storage import may_pass, numbered
from logbench.system.threads import Supervised

_WAITING = 100_000
"""Batches that may wait for the disk before the polling does."""
PATIENCE_S = 30.0
"""A fault of the disk that lasts longer ends the recording; so does a full queue."""
_PAUSES_S = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
"""Between attempts to write; the last repeats."""


class JournalThread:
    """Takes samples, events and facts, writes them in batches and fsyncs.

    What may pass (`may_pass`) is tried again for `PATIENCE_S` while samples wait in memory. Where
    the thread died (the disk, or a fault of ours), whoever calls next gets the error.
    """

    def __init__(
        self,
        writer: JournalWriter,
        *,
        on_death: Callable[[BaseException], object],
        on_trouble: Callable[[str], object],
        on_note: Callable[[Event], object],
    ) -> None:
        """All three are called on the journal's thread: when it dies; with a sentence when the disk
        takes nothing for now; with the note in the recording when it does again."""
        self.writer = writer
        self._queue: queue.Queue[Callable[[JournalWriter], None] | None] = queue.Queue(_WAITING)
        self._on_trouble, self._on_note = on_trouble, on_note
        self._thread = Supervised("journal", self._run, on_death=on_death).start()

    def put(self, work: Callable[[JournalWriter], None] | None) -> None:
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
        """After the thread's death: write what it had accepted, as far as that works; then close
        the writer. Never raises."""
        while not self._queue.empty():
            what = self._queue.get()
            with contextlib.suppress(Exception):  # one of them it died of
                if what is not None:
                    what(self.writer)
        with contextlib.suppress(Exception):
            self.writer.flush()
        self.writer.close()

    def _run(self) -> None:
        while self._step():
            self._patiently(self.writer.write_due)
        self._patiently(self.writer.flush)
        self._patiently(self.writer.seal, note=False)  # nothing comes behind the end mark

    def _step(self) -> bool:
        """Take one thing, or none when the batch is due first; False at the end."""
        try:
            what = self._queue.get(timeout=self.writer.due_in_s())
        except queue.Empty:
            return True
        if what is None:
            return False
        what(self.writer)
        return True

    def _patiently(self, write: Callable[[], object], *, note: bool = True) -> None:
        """Again and again while the disk's fault may pass; then a note says how long it lasted."""
        began_s, t_ns = time.monotonic(), self.writer.last_t_ns
        trouble: StorageError | None = None
        pauses = iter(_PAUSES_S)
        while True:
            try:
                write()
                break
            except StorageError as error:
                waited_s = time.monotonic() - began_s
                if not may_pass(error) or waited_s > PATIENCE_S or self._queue.full():
                    raise
                if trouble is None:
                    self._on_trouble(f"{error} Samples wait in memory; writing is tried again.")
                trouble = error
                time.sleep(next(pauses, _PAUSES_S[-1]))
        if trouble is not None and note:
            waited_s = time.monotonic() - began_s
            text = f"the disk took nothing for {waited_s:.1f} s ({trouble.__cause__})"
            event = Event(t_ns=t_ns, kind="note", text=f"{text}; nothing is lost")
            self.writer.event(event)
            self._on_note(event)


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

    def rows(self, rows: list[Row]) -> None:
        """Keep these; what has grown too old goes."""
        for signal, ecu, t_ns, value in rows:
            self._trace.append(self._numbers.setdefault((signal, ecu), len(self._numbers)))
            self._t.append(t_ns)
            self._value.append(value)
        if rows:
            self._forget(rows[-1][2] - self._hold_ns)

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
    ) -> None:
        """`watcher` is told of trouble with the disk; `fail` is called when the journal dies."""
        self._thread = partial(
            JournalThread,
            on_death=partial(fail, "journal"),
            on_trouble=lambda text: watcher.message(Step(text)),
            on_note=watcher.message,
        )
        self._held = None if hold_s is None else RecentSamples(hold_s)
        self._journal: JournalThread | None = None
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

    def since_ns(self, now_ns: int) -> int:
        """Where the samples kept begin; `now_ns` when none are."""
        return now_ns if self._held is None else self._held.since_ns(now_ns)

    def open(self, out: Path, facts: Facts) -> None:
        """Write a new recording to `out`, or to the next free name."""
        self._journal = self._thread(_new_journal(out, facts))

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

    def resume(self, journal: Path) -> JournalIndex:
        """Go on with a journal whose writer died; returns what it holds."""
        writer, content = JournalWriter.resume(journal)
        self._journal = self._thread(writer)
        self.samples = writer.samples
        return content

    def rows(self, rows: list[Row]) -> None:
        """Take samples."""
        self.samples += len(rows)
        if self._held is not None:
            self._held.rows(rows)
        elif self._journal is not None:
            self._journal.put(lambda writer: writer.append(rows))

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

    def finish(self) -> Path | None:
        """Turn the journal into a recording; None where there is none."""
        if self._journal is None:
            return None
        self._journal.end()
        return finish(self._journal.writer)

    def save(self) -> Path | None:
        """After a failure: finish what can be, never raises; else the journal's own name.

        None where nothing was recorded.
        """
        if self._journal is None:
            return None
        writer = self._journal.writer
        try:
            try:
                self._journal.end()
            except LogbenchError as error:
                log.warning("%s", error)
                self._journal.rescue()
                return finish(writer.path)
            return finish(writer)
        except NothingRecordedError:
            return None
        except SamplesMissingError as error:
            return error.path
        except LogbenchError as error:
            log.warning("%s", error)
            return writer.path


def _write(part: Callable[[], list[Row]], writer: JournalWriter) -> None:
    writer.append(part())


def _new_journal(out: Path, facts: Facts) -> JournalWriter:
    """A journal for `out`, or for the next free name when there is a recording of that name."""
    for name in numbered(out):
        journal = journal_path(name)
        if not name.exists() and not journal.exists():
            return JournalWriter(journal, facts)
    raise AssertionError("numbered() ends in an error")
