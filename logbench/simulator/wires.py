"""CAN wires: a bus of python-can, or a serial-line CAN interface (slcan) on a pseudo-terminal."""

from __future__ import annotations

import os
import select
import sys
from typing import TYPE_CHECKING

from logbench.errors import LinkUnknownError, PortMissingError
from logbench.simulator.canbus import CanFrame
from logbench.simulator.ports import TerminalWire

if TYPE_CHECKING:
    import can


class PythonCanWire:
    """Any bus that python-can knows."""

    def __init__(self, interface: str, channel: str, bit_rate: int = 500_000) -> None:
        """Raises `LinkUnknownError` without python-can, `PortMissingError` without such a bus."""
        try:
            import can
        except ImportError as error:
            raise LinkUnknownError(
                "CAN links need python-can: install logbench with its extra 'can'."
            ) from error
        self._can = can
        self.url = f"can:{interface}/{channel}"
        try:
            self._bus: can.BusABC = can.Bus(interface=interface, channel=channel, bitrate=bit_rate)
        except (can.CanError, OSError, ValueError) as error:
            raise PortMissingError(
                f"The CAN bus {self.url} cannot be opened ({error}): check interface and channel."
            ) from error

    def receive(self, timeout_s: float) -> CanFrame | None:
        """Data frames only."""
        message = self._bus.recv(timeout_s)
        if message is None or message.is_remote_frame or message.is_error_frame:
            return None
        return CanFrame(message.arbitration_id, bytes(message.data), message.is_extended_id)

    def send(self, frame: CanFrame) -> None:
        """Send at once."""
        self._bus.send(
            self._can.Message(
                arbitration_id=frame.identifier, data=frame.data, is_extended_id=frame.extended
            )
        )

    def close(self) -> None:
        """Shut the bus down."""
        self._bus.shutdown()


_BIT_RATES = (10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)


class SlcanWire:
    """A serial-line CAN interface on a pseudo-terminal, as python-can's `slcan` drives it.

    Commands in ASCII ended by a carriage return: S<n> and s<xxyy> set the bit rate, O opens, C
    closes, t and T send frames with 11 and 29 bits, V, N, F and Z are answered. Frames pass only
    while it is open at the bus's bit rate.
    """

    def __init__(self, bit_rate: int = 500_000) -> None:
        """Raises `PortMissingError` where there are no pseudo-terminals."""
        if sys.platform == "win32":
            raise PortMissingError("A simulated slcan interface needs pseudo-terminals.")
        self._terminal = TerminalWire()
        self._port = self._terminal.accept()
        self._bit_rate = bit_rate
        self._chosen = 0
        self._open = False
        self._line = bytearray()
        self._frames: list[CanFrame] = []
        self.path = self._terminal.path

    @property
    def url(self) -> str:
        """`can:slcan/PATH`."""
        return f"can:slcan/{self.path}"

    def receive(self, timeout_s: float) -> CanFrame | None:
        """The next frame that the client sent while the interface was open."""
        if not self._frames:
            ready, _, _ = select.select([self._port.fileno()], [], [], max(timeout_s, 0.0))
            if ready:
                for byte in os.read(self._port.fileno(), 4096):
                    self._character(byte)
        return self._frames.pop(0) if self._frames else None

    def send(self, frame: CanFrame) -> None:
        """To the client, if it has the interface open."""
        if self._open:
            head = f"T{frame.identifier:08X}" if frame.extended else f"t{frame.identifier:03X}"
            text = f"{head}{len(frame.data)}{frame.data.hex().upper()}\r"
            self._port.write(text.encode())

    def close(self) -> None:
        """Take the terminal away."""
        self._terminal.close()

    def _character(self, byte: int) -> None:
        if byte != 0x0D:
            self._line.append(byte)
            return
        line = self._line.decode("latin-1")
        self._line.clear()
        try:
            self._port.write(self._answer(line))
        except (ValueError, IndexError):
            self._port.write(b"\a")

    def _answer(self, line: str) -> bytes:
        command, rest = line[:1], line[1:]
        if command == "S":
            self._chosen = _BIT_RATES[int(rest)]
        elif command == "O":
            self._open = self._chosen in (0, self._bit_rate)
        elif command == "C":
            self._open = False
        elif command in ("t", "T"):
            return self._frame(rest, 3 if command == "t" else 8)
        elif command in ("V", "N", "F"):
            return {"V": b"V0100\r", "N": b"N0001\r", "F": b"F00\r"}[command]
        elif command not in ("s", "L", "Z", ""):
            return b"\a"
        return b"\r"

    def _frame(self, text: str, digits: int) -> bytes:
        length = int(text[digits])
        data = bytes.fromhex(text[digits + 1 : digits + 1 + 2 * length])
        if len(data) != length or not self._open:
            return b"\a"
        self._frames.append(CanFrame(int(text[:digits], 16), data, digits == 8))
        return b"z\r" if digits == 3 else b"Z\r"


CanWire = PythonCanWire | SlcanWire


def open_wire(text: str, bit_rate: int) -> CanWire:
    """`slcan`, or `can:INTERFACE/CHANNEL`."""
    if text == "slcan":
        return SlcanWire(bit_rate)
    kind, _, rest = text.partition(":")
    interface, slash, channel = rest.partition("/")
    if kind != "can" or not interface or not slash or not channel:
        raise LinkUnknownError(f"{text!r} is no CAN bus: write can:INTERFACE/CHANNEL or slcan.")
    return PythonCanWire(interface, channel, bit_rate)
