"""From the capture process to whoever watches: never in the way of polling."""

from __future__ import annotations

import contextlib
import threading
import time
from array import array
from collections import deque
from collections.abc import Callable, Iterable

import numpy as np
import pyarrow as pa

from logbench.capture.messages import Batch, Message, Started, Status
from logbench.recording.columns import BATCH_SCHEMA, dictionary_column, number_column
from logbench.system.threads import Supervised

Row = tuple[str, str, int, float]
"""Signal, ECU, t in ns on the recording's clock, value."""

INTERVAL_S = 0.04
"""Between two batches: 25 a second."""
ROWS_KEPT = 200_000
"""Samples that may wait for a watcher that does not read; the oldest beyond that are dropped from
the display, never from the journal."""


class Outbox:
    """A thread that sends; callers only leave things.

    A watcher that is slow gets fewer and larger batches, only the newest status, and every other
    message. `send` may block; `OSError` from it means that nobody watches any more.
    """

    def __init__(
        self,
        send: Callable[[Message], None],
        on_death: Callable[[BaseException], object] | None = None,
    ) -> None:
        """on_death: called on the thread when it dies of anything else."""
        self._send = send
        self._lock = threading.Condition()
        self._queue: deque[Message | pa.RecordBatch] = deque()
        self._status: Status | None = None
        self._names: dict[tuple[str, str], int] = {}
        self._trace, self._t, self._value = array("i"), array("q"), array("d")
        self.dropped = 0
        """Samples that were not shown because the watcher did not read."""
        self._closing = False
        self._thread = Supervised("outbox", self._run, on_death=on_death).start()

    def message(self, message: Message) -> None:
        """Leave a message; except for a status, it keeps its place among the samples."""
        with self._lock:
            if isinstance(message, Status):
                self._status = message
                return
            if isinstance(message, Started):
                self._status = None  # its times are of the clock before
            waiting = self._taken()
            if waiting is not None:
                self._queue.append(waiting)
            self._queue.append(message)
            self._lock.notify()

    def rows(self, rows: Iterable[Row]) -> None:
        """Leave samples for the next batch."""
        with self._lock:
            for signal, ecu, t_ns, value in rows:
                key = (signal, ecu)
                self._trace.append(self._names.setdefault(key, len(self._names)))
                self._t.append(t_ns)
                self._value.append(value)
            too_many = len(self._t) - ROWS_KEPT
            if too_many > 0:
                self.dropped += too_many
                del self._trace[:too_many], self._t[:too_many], self._value[:too_many]

    def close(self, timeout_s: float = 60.0) -> None:
        """Send what waits, then end; gives up after `timeout_s` if the watcher does not read.

        Where the thread has died, the messages that wait (not the samples) are sent from here.
        """
        with self._lock:
            self._closing = True
            self._lock.notify()
        self._thread.join(timeout_s)
        if self._thread.error is not None:
            with contextlib.suppress(Exception):  # it may have died of the very same
                for part in self._queue:
                    if not isinstance(part, pa.RecordBatch):
                        self._send(part)

    def _run(self) -> None:
        next_batch = 0.0
        while True:
            with self._lock:
                if not self._queue and not self._closing:
                    self._lock.wait(INTERVAL_S)
                due = self._closing or time.monotonic() >= next_batch
                waiting = self._taken() if due else None
                parts = [*self._queue, waiting, self._status if due else None]
                self._queue.clear()
                self._status = None if due else self._status
                closing = self._closing
            next_batch = time.monotonic() + INTERVAL_S if due else next_batch
            for part in parts:
                message = as_message(part) if isinstance(part, pa.RecordBatch) else part
                try:
                    if message is not None:
                        self._send(message)
                except OSError:  # the pipe is broken or closed: nobody watches
                    return
            if closing:
                return

    def _taken(self) -> pa.RecordBatch | None:
        if not self._t:
            return None
        trace = np.array(self._trace, np.int32)
        columns = [number_column(np.array(self._t, np.int64)), number_column(np.array(self._value))]
        self._trace, self._t, self._value = array("i"), array("q"), array("d")
        names = list(self._names)
        return pa.RecordBatch.from_arrays(
            [
                _dictionary(trace, [signal for signal, _ in names]),
                _dictionary(trace, [ecu for _, ecu in names]),
                *columns,
            ],
            schema=BATCH_SCHEMA,
        )


def _dictionary(trace: np.ndarray[tuple[int], np.dtype[np.int32]], names: list[str]) -> pa.Array:
    unique = sorted(set(names))
    codes = np.array([unique.index(name) for name in names], np.int16)
    return dictionary_column(codes[trace], unique)


def as_message(batch: pa.RecordBatch) -> Batch:
    """One Arrow batch as the bytes of an IPC stream."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, batch.schema) as stream:
        stream.write_batch(batch)
    return Batch(sink.getvalue().to_pybytes(), batch.num_rows)
