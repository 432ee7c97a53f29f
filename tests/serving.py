"""The simulated car served from a thread of this process, for tests that look into it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from logbench.simulator.adapter import Adapter
from logbench.simulator.canbus import CanCar, CanFrame
from logbench.simulator.ecu import Edition
from logbench.simulator.model import CarSource
from logbench.simulator.server import Server, Wire
from logbench.simulator.timing import CarClock, Timing
from logbench.simulator.trouble import Trouble
from logbench.simulator.wires import TcpWire, TerminalWire
from logbench.system.threads import Supervised


@contextlib.contextmanager
def serve(adapter: Adapter, wire: Wire[bytes]) -> Iterator[Server[bytes]]:
    """Serve `adapter` on `wire` from a thread of this process while the context lasts."""
    server = Server(adapter, wire)
    with Supervised("simulated adapter", server.run, on_stop=server.stop) as thread:
        yield server
        thread.check()


@contextlib.contextmanager
def serve_tcp(
    car: CarSource,
    host: str = "127.0.0.1",
    port: int = 0,
    *,
    timing: Timing | None = None,
    protocol: str = "6",
    edition: Edition = "J1979",
    clock: CarClock | None = None,
    troubles: tuple[Trouble, ...] = (),
) -> Iterator[str]:
    """Serve `car` on a TCP port of this process; yields `tcp://HOST:PORT`.

    Raises `PortMissingError` when the port cannot be had.
    """
    adapter = Adapter(
        car, timing, protocol=protocol, edition=edition, clock=clock, troubles=troubles
    )
    with serve(adapter, TcpWire(host, port)) as server:
        yield server.url


class StrictWire(TerminalWire):
    """A pseudo-terminal whose client gets unreadable characters at another speed than `baud`."""

    def __init__(self, baud: int) -> None:
        super().__init__()
        self._baud = baud

    def receive(self, timeout_s: float) -> bytes | None:
        data = super().receive(timeout_s)
        return data and self._mangled(data)

    def send(self, data: bytes) -> None:
        super().send(self._mangled(data))

    def _mangled(self, data: bytes) -> bytes:
        assert self._sides is not None
        if terminal_baud(self._sides[0]) == self._baud:
            return data
        return bytes(byte * 37 & 0xFF | 0x80 for byte in data)


def terminal_baud(terminal: int) -> int:
    """Speed to which a client has set the terminal, in bit/s; 0 for one that has no constant."""
    import termios

    speed = termios.tcgetattr(terminal)[5]
    for name in dir(termios):
        if name[0] == "B" and name[1:].isdigit() and getattr(termios, name) == speed:
            return int(name[1:])
    return 0


@contextlib.contextmanager
def serve_pty(
    car: CarSource,
    *,
    timing: Timing | None = None,
    protocol: str = "6",
    clock: CarClock | None = None,
    troubles: tuple[Trouble, ...] = (),
    strict_baud: bool = False,
) -> Iterator[str]:
    """Serve `car` on a pseudo-terminal of this process; yields the path to open.

    `strict_baud`: a client that sets another speed than the timing's gets unreadable characters.
    """
    adapter = Adapter(car, timing, protocol=protocol, clock=clock, troubles=troubles)
    wire = StrictWire(adapter.timing.baud) if strict_baud else TerminalWire()
    with serve(adapter, wire):
        yield wire.path


@contextlib.contextmanager
def serve_can(device: CanCar, wire: Wire[CanFrame]) -> Iterator[str]:
    """Run the ECUs of `device` on a CAN wire of this process; yields `can:INTERFACE/CHANNEL`."""
    server = Server(device, wire)
    with Supervised("simulated ECUs", server.run, on_stop=server.stop) as thread:
        yield server.url
        thread.check()
