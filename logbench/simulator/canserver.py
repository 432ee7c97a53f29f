"""Runs the ECUs of one car on one CAN wire, to a fraction of a millisecond."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import TypeVar

from logbench.simulator.calls import Calls
from logbench.simulator.canbus import CanCar
from logbench.simulator.server import EXCUSED_S, IDLE_S
from logbench.simulator.wires import CanWire

T = TypeVar("T")


class CanServer:
    """Serves until stopped. No frame leaves before it is due; after `run` the wire is closed."""

    def __init__(self, device: CanCar, wire: CanWire) -> None:
        self.device = device
        self._wire = wire
        self._late_s = 0.0
        self._ticked_s = 0.0
        self._stopping = False
        self._calls = Calls()

    @property
    def url(self) -> str:
        """The link URL of the wire."""
        return self._wire.url

    def stop(self) -> None:
        """End `run` within `IDLE_S`; from any thread."""
        self._stopping = True

    def call(self, action: Callable[[], T]) -> Future[T]:
        """Have `action` run between two frames, within `IDLE_S`; from any thread."""
        return self._calls.put(action)

    def run(self) -> None:
        """Serve until `stop`; then the wire is closed."""
        try:
            while not self._stopping:
                self._step()
        finally:
            self._wire.close()

    def _step(self) -> None:
        due_s = self.device.due()
        wait_s = IDLE_S if due_s is None else max(due_s - time.monotonic(), 0.0)
        frame = self._wire.receive(min(wait_s, IDLE_S))
        now_s = time.monotonic()
        cut_off = self._cut_off(now_s)
        if frame is not None:
            if not cut_off:
                self.device.receive(frame, now_s - self._late_s)
            self._late_s = 0.0
        while (due_s := self.device.due()) is not None and due_s <= time.monotonic():
            out = self.device.pop()
            if not cut_off:
                self._wire.send(out)
            self._late_s = min(time.monotonic() - due_s, EXCUSED_S)
        if self.device.due() is None or now_s - self._ticked_s > IDLE_S:
            self._ticked_s = now_s
            self.device.tick(now_s)
            self._calls.carry_out()

    def _cut_off(self, t_s: float) -> bool:
        """Whether the interface is unplugged: no frame passes."""
        active = self.device.troubles.active(self.device.clock.at(t_s))
        if active & {"unplug", "radio-loss"}:
            self.device.clock.begin(t_s)
            return True
        return False
