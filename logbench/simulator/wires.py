"""The wires a simulated device is reached by: a TCP connection or a pseudo-terminal, a bus of
python-can, or a serial-line CAN interface (slcan) on a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import sys
import tempfile
from typing import TYPE_CHECKING

from logbench.errors import LinkUnknownError, PortMissingError
from logbench.simulator.canbus import CanFrame


class SocketPort:
    """A client on a TCP connection."""

    def __init__(self, connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.settimeout(5.0)
        self._connection = connection

    def fileno(self) -> int:
        """The socket's."""
        return self._connection.fileno()

    def read(self) -> bytes | None:
        """Up to 4 KiB."""
        try:
            return self._connection.recv(4096) or None
        except OSError:
            return None

    def write(self, data: bytes) -> None:
        """All of `data`; fails when the client does not read for 5 s."""
        self._connection.sendall(data)

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()


class TcpWire:
    """A listening socket; its clients come and go."""

    def __init__(self, host: str, port: int) -> None:
        self._host = host
        self._listener: socket.socket | None = _listen(host, port)
        self._port = int(self._listener.getsockname()[1])
        self.url = f"tcp://{host}:{self._port}"

    def sources(self) -> list[int]:
        """File descriptors that become readable when a client comes."""
        return [self._listener.fileno()] if self._listener is not None else []

    def accept(self) -> SocketPort:
        """The client that has come."""
        assert self._listener is not None
        connection, _ = self._listener.accept()
        return SocketPort(connection)

    def refuse(self, refused: bool) -> None:
        """Stop listening, so that connecting is refused; or listen again at the same port."""
        if refused and self._listener is not None:
            self._listener.close()
            self._listener = None
        elif not refused and self._listener is None:
            self._listener = _listen(self._host, self._port)

    def close(self) -> None:
        """Stop listening for good."""
        self.refuse(True)


def _listen(host: str, port: int) -> socket.socket:
    try:
        return socket.create_server((host, port))
    except OSError as error:
        raise PortMissingError(
            f"The simulated adapter cannot listen on {host}:{port} ({error.strerror}): "
            "choose another port, or 0 for any free one."
        ) from error


class TerminalPort:
    """The client on a pseudo-terminal: always there, whether anybody has it open or not."""

    def __init__(self, master: int) -> None:
        self._master = master

    def fileno(self) -> int:
        """The master side's."""
        return self._master

    def read(self) -> bytes | None:
        """Up to 4 KiB."""
        try:
            return os.read(self._master, 4096)
        except BlockingIOError:
            return b""
        except OSError:
            return None

    def write(self, data: bytes) -> None:
        """As much of `data` as there is room for: a serial line waits for nobody."""
        with contextlib.suppress(BlockingIOError):  # nobody reads: the rest is lost
            os.write(self._master, data)

    def close(self) -> None:
        """Nothing: the terminal belongs to the wire."""


class TerminalWire:
    """A pseudo-terminal; its path is what a client opens as a serial port.

    The path is a link in a folder of its own, so that it stays the same when the terminal behind it
    goes away and comes back, as an adapter that is unplugged does.
    """

    def __init__(self) -> None:
        """Raises `PortMissingError` where there are no pseudo-terminals."""
        if sys.platform == "win32":
            raise PortMissingError(
                "There are no pseudo-terminals on this system: serve on a TCP port instead."
            )
        self._folder = tempfile.TemporaryDirectory(prefix="logbench-")
        self.path = os.path.join(self._folder.name, "adapter")
        self.url = f"serial:{self.path}"
        self._sides: tuple[int, int] | None = None
        self._waiting = False
        try:
            self.refuse(False)
        except OSError as error:
            self._folder.cleanup()
            raise PortMissingError(
                f"This system gives no pseudo-terminal ({error.strerror}): serve on a TCP port "
                "instead."
            ) from error

    def sources(self) -> list[int]:
        """The terminal itself, until `accept` has handed out its client."""
        return [self._sides[0]] if self._sides is not None and self._waiting else []

    def accept(self) -> TerminalPort:
        """The one client there is."""
        assert self._sides is not None
        self._waiting = False
        return TerminalPort(self._sides[0])

    def refuse(self, refused: bool) -> None:
        """Take the terminal away, or make one again at the same path."""
        import tty

        if refused and self._sides is not None:
            os.unlink(self.path)
            for side in self._sides:
                os.close(side)
            self._sides = None
        elif not refused and self._sides is None:
            self._sides = os.openpty()
            tty.setraw(self._sides[1])
            os.set_blocking(self._sides[0], False)
            os.symlink(os.ttyname(self._sides[1]), self.path)
            self._waiting = True

    def close(self) -> None:
        """Close both sides and remove the path."""
        self.refuse(True)
        self._folder.cleanup()


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
        self.url = f"can:slcan/{self.path}"

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
