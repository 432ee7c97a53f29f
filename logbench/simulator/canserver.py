"""Runs the ECUs of one car on one CAN wire, to a fraction of a millisecond."""

from __future__ import annotations

import time

from logbench.simulator.canbus import CanCar
from logbench.simulator.server import EXCUSED_S, IDLE_S, Serving
from logbench.simulator.wires import CanWire


class CanServer(Serving):
    """Serves the ECUs of one car."""

    device: CanCar

    def __init__(self, device: CanCar, wire: CanWire) -> None:
        super().__init__(device, wire)
        self._wire = wire

    def close(self) -> None:
        """Close the wire."""
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
            self._carry_out()

    def _cut_off(self, t_s: float) -> bool:
        """Whether the interface is unplugged: no frame passes."""
        if self._active(t_s) & {"unplug", "radio-loss"}:
            self.device.clock.start(t_s)
            return True
        return False
