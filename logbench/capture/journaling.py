"""The journal's own thread: a slow disk must not slow the polling."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

from logbench.capture.outbox import Row
from logbench.errors import StorageError
from logbench.recording.journal import JournalWriter
from logbench.recording.model import Event, Facts

_WAITING = 100_000
"""Batches that may wait for the disk before the polling does."""


class JournalThread:
    """Takes rows, events and facts, writes them in batches and fsyncs.

    The disk's error is kept and raised to whoever calls next; after it nothing more is accepted.
    """

    def __init__(self, writer: JournalWriter) -> None:
        self.writer = writer
        self._queue: queue.Queue[Callable[[], None] | None] = queue.Queue(_WAITING)
        self._error: StorageError | None = None
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    def rows(self, rows: list[Row]) -> None:
        """Accept samples; raises the `StorageError` of an earlier write."""
        self._put(lambda: self.writer.append(rows))

    def rows_made(self, make: Callable[[], list[Row]]) -> None:
        """Accept samples that are made on the journal's thread; raises as `rows`."""
        self._put(lambda: self.writer.append(make()))

    def event(self, event: Event) -> None:
        """Accept an event; raises as `rows`."""
        self._put(lambda: self.writer.event(event))

    def facts(self, facts: Facts) -> None:
        """Replace the facts; raises as `rows`."""
        self._put(lambda: self.writer.update_facts(facts))

    def end(self) -> None:
        """Write what waits and end the thread; the writer stays open. Raises as `rows`."""
        if self._thread.is_alive():
            self._queue.put(None)
            self._thread.join()
        if self._error is not None:
            raise self._error

    def _put(self, what: Callable[[], None]) -> None:
        if self._error is not None:
            raise self._error
        self._queue.put(what)

    def _run(self) -> None:
        try:
            while self._step():
                self.writer.write_due()
            self.writer.flush()
        except StorageError as error:
            self._error = error
            while not self._ended():  # keep the queue empty: a full one would block the polling
                pass

    def _step(self) -> bool:
        """Take one thing, or none when the batch is due first; False at the end."""
        try:
            what = self._queue.get(timeout=self.writer.due_in_s())
        except queue.Empty:
            return True
        if what is None:
            return False
        what()
        return True

    def _ended(self) -> bool:
        return self._queue.get() is None
