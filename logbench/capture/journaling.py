"""The journal's own thread: a slow disk must not slow the polling, nor a passing fault end it."""

from __future__ import annotations

import contextlib
import queue
import time
from collections.abc import Callable

from logbench.errors import StorageError
from logbench.recording.journal import JournalWriter
from logbench.recording.model import Event
from logbench.recording.storage import may_pass
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
        on_death: Callable[[BaseException], object] | None = None,
        on_trouble: Callable[[str], object] | None = None,
        on_note: Callable[[Event], object] | None = None,
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
                if trouble is None and self._on_trouble is not None:
                    self._on_trouble(f"{error} Samples wait in memory; writing is tried again.")
                trouble = error
                time.sleep(next(pauses, _PAUSES_S[-1]))
        if trouble is not None and note:
            waited_s = time.monotonic() - began_s
            text = f"the disk took nothing for {waited_s:.1f} s ({trouble.__cause__})"
            event = Event(t_ns=t_ns, kind="note", text=f"{text}; nothing is lost")
            self.writer.event(event)
            if self._on_note is not None:
                self._on_note(event)
