"""The simulated adapter on a real socket, with a record of what it was told."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

import pyarrow as pa

from logbench.capture.messages import Batch
from logbench.simulator.adapter import Adapter
from logbench.simulator.timing import Timing
from logbench.simulator.wires import TcpWire
from tests.serving import serve
from tests.still import StillCar

QUICK = Timing(latency_ms=1.0, command_ms=0.5, reset_ms=20.0)


class WatchedAdapter(Adapter):
    """Notes the time of each request to the car, and every setting."""

    def __init__(self, car: StillCar, **how) -> None:
        super().__init__(car, QUICK, **how)
        self.requests: list[float] = []
        self.settings_made: list[str] = []

    @property
    def asleep(self) -> bool:
        """In its low-power state."""
        return self._asleep

    def _request(self, text, *more):
        self.requests.append(time.monotonic())
        return super()._request(text, *more)

    def _setting(self, command, *more):
        self.settings_made.append(command)
        return super()._setting(command, *more)


@contextmanager
def watched(car: StillCar | None = None, **how) -> Iterator[tuple[str, WatchedAdapter]]:
    """The link's URL and the adapter behind it."""
    adapter = WatchedAdapter(car or StillCar(), **how)
    with serve(adapter, TcpWire("127.0.0.1", 0)) as server:
        yield server.url, adapter


def batch_table(batch: Batch) -> pa.Table:
    """The samples of a batch."""
    with pa.ipc.open_stream(batch.arrow) as stream:
        return stream.read_all()
