"""The simulator's ECUs as a node on a python-can bus, to test the native CAN link against.

Frames take the time they take on a bus (`simulator.timing.frame_s`), flow control included.
"""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager

import can

from logbench.simulator.clock import CarClock
from logbench.simulator.ecu import Ecus
from logbench.simulator.isotp import segment
from logbench.simulator.protocols import (
    FUNCTIONAL_11,
    FUNCTIONAL_29,
    PROTOCOLS,
    request_id,
    response_id,
)
from logbench.simulator.timing import frame_s


class CanCar:
    """Answers on `bus` in a thread until `stop`."""

    def __init__(self, bus: can.BusABC, ecus: Ecus, number: str = "6", flow_s: float = 1.0) -> None:
        self.bus, self.ecus, self.protocol = bus, ecus, PROTOCOLS[number]
        self._flow_s = flow_s
        self._stop = threading.Event()
        self._clock = CarClock()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        wide = self.protocol.id_bits == 29
        functional = FUNCTIONAL_29 if wide else FUNCTIONAL_11
        physical = {request_id(self.protocol, ecu): ecu for ecu in self.ecus.car.ecus}
        while not self._stop.is_set():
            message = self.bus.recv(0.05)
            if message is None or message.is_extended_id != wide:
                continue
            target = physical.get(message.arbitration_id)
            if target is None and message.arbitration_id != functional:
                continue
            if message.data[0] >> 4 == 0:
                self._answer(bytes(message.data[1 : 1 + message.data[0]]), target)

    def _answer(self, request: bytes, target: str | None) -> None:
        # All moments are computed from the request's, so that this machine's delays do not add up.
        sent_s = time.monotonic() + frame_s(self.protocol)
        free_s = sent_s
        for answer in self.ecus.ask(request, can=True, target=target):
            for after_s, text in answer.messages:
                free_s = self._send(answer.ecu, segment(text), max(free_s, sent_s + after_s))

    def _send(self, ecu: str, frames: list[bytes], free_s: float) -> float:
        """Send from `free_s` on; gives the moment the bus is free again."""
        identifier = response_id(self.protocol, ecu)
        for number, frame in enumerate(frames):
            free_s += frame_s(self.protocol, len(frame))
            if (wait_s := free_s - time.monotonic()) > 0:
                time.sleep(wait_s)
            self.bus.send(
                can.Message(
                    arbitration_id=identifier,
                    data=frame,
                    is_extended_id=self.protocol.id_bits == 29,
                )
            )
            if number == 0 and len(frames) > 1:
                if not self._flows(ecu):
                    break
                free_s += frame_s(self.protocol)
        return free_s

    def _flows(self, ecu: str) -> bool:
        """Whether flow control for `ecu` comes in time (ISO 15765-2, N_Bs 1 s)."""
        wanted = request_id(self.protocol, ecu)
        deadline = time.monotonic() + self._flow_s
        while time.monotonic() < deadline:
            message = self.bus.recv(0.1)
            if message and message.arbitration_id == wanted and message.data[0] >> 4 == 3:
                assert bytes(message.data[:3]) == b"\x30\x00\x00"
                return True
        return False


class SlcanDevice:
    """The device end of the slcan protocol (LAWICEL ASCII) on a pseudo-terminal: `t7DF8…`."""

    def __init__(self, bus: can.BusABC) -> None:
        self._bus = bus
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self._slave = slave
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)

    def _run(self) -> None:
        buffer = b""
        while not self._stop.is_set():
            ready, _, _ = select.select([self._master], [], [], 0.001)
            if ready:
                buffer += os.read(self._master, 1024)
                *lines, buffer = buffer.split(b"\r")
                for line in lines:
                    self._line(line.decode())
            while (message := self._bus.recv(0)) is not None:
                data = bytes(message.data).hex().upper()
                text = f"t{message.arbitration_id:03X}{len(message.data)}{data}\r"
                os.write(self._master, text.encode())

    def _line(self, line: str) -> None:
        if line.startswith("t"):
            data = bytes.fromhex(line[5 : 5 + 2 * int(line[4])])
            self._bus.send(
                can.Message(arbitration_id=int(line[1:4], 16), data=data, is_extended_id=False)
            )
            os.write(self._master, b"z\r")
        else:
            os.write(self._master, b"\r")


@contextmanager
def can_car(bus: can.BusABC, ecus: Ecus, number: str = "6") -> Iterator[CanCar]:
    """A car on `bus` while the context lasts."""
    car = CanCar(bus, ecus, number)
    try:
        yield car
    finally:
        car.stop()
        bus.shutdown()
