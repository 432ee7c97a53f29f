"""The wires a simulated device is reached by: a TCP connection or a pseudo-terminal, a bus of
python-can, or a serial-line CAN interface (slcan) on a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import tempfile
import time
from typing import TYPE_CHECKING

from logbench.errors import LinkUnknownError, PortMissingError
from logbench.simulator.canbus import CanFrame
from logbench.simulator.server import Wire
from logbench.system.extras import lacks
from logbench.system.platforms import has_terminals


class TcpWire(Wire[bytes]):
    """A listening socket; its clients come and go, a second one is sent away."""

    def __init__(self, host: str, port: int) -> None:
        self._host = host
        self._listener: socket.socket | None = _listen(host, port)
        self._port = int(self._listener.getsockname()[1])
        self._client: socket.socket | None = None
        self.connected = False
        self.url = f"tcp://{host}:{self._port}"

    def receive(self, timeout_s: float) -> bytes | None:
        """Up to 4 KiB, or nothing as a client comes or goes."""
        sockets = [one for one in (self._client, self._listener) if one is not None]
        if not sockets:
            time.sleep(timeout_s)
            return None
        ready, _, _ = select.select(sockets, [], [], timeout_s)
        if self._client in ready:  # before the next client, so that this one may just have left
            return self._read()
        if self._listener in ready:
            self._accept()
        return None

    def _read(self) -> bytes | None:
        assert self._client is not None
        try:
            data = self._client.recv(4096)
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data or None

    def _accept(self) -> None:
        assert self._listener is not None
        client, _ = self._listener.accept()
        if self._client is not None:
            client.close()
            return
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client.settimeout(5.0)
        self._client, self.connected = client, True

    def send(self, data: bytes) -> None:
        """All of `data`; a client that does not read for 5 s is given up."""
        try:
            if self._client is not None:
                self._client.sendall(data)
        except OSError:
            self._hang_up()

    def _hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
        self._client, self.connected = None, False

    def refuse(self, refused: bool) -> None:
        """Stop listening, so that connecting is refused; or listen again at the same port."""
        if refused:
            self._hang_up()
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


class TerminalWire(Wire[bytes]):
    """A pseudo-terminal; its path is what a client opens as a serial port.

    The path is a link in a folder of its own, so that it stays the same when the terminal behind it
    goes away and comes back, as an adapter that is unplugged does.
    """

    def __init__(self) -> None:
        """Raises `PortMissingError` where there are no pseudo-terminals."""
        if not has_terminals():
            raise PortMissingError(
                "There are no pseudo-terminals on this system: serve on a TCP port instead."
            )
        self._folder = tempfile.TemporaryDirectory(prefix="logbench-")
        self.path = os.path.join(self._folder.name, "adapter")
        self.url = f"serial:{self.path}"
        self._sides: tuple[int, int] | None = None
        self.connected = False
        try:
            self.refuse(False)
        except OSError as error:
            self._folder.cleanup()
            raise PortMissingError(
                f"This system gives no pseudo-terminal ({error.strerror}): serve on a TCP port "
                "instead."
            ) from error

    def receive(self, timeout_s: float) -> bytes | None:
        """Up to 4 KiB of the client, who counts as there once anything came."""
        if self._sides is None:
            time.sleep(timeout_s)
            return None
        ready, _, _ = select.select(self._sides[:1], [], [], timeout_s)
        if not ready:
            return None
        self.connected = True
        return os.read(self._sides[0], 4096)

    def send(self, data: bytes) -> None:
        """As much of `data` as there is room for: a serial line waits for nobody."""
        if self._sides is not None and self.connected:
            with contextlib.suppress(BlockingIOError):  # nobody reads: the rest is lost
                os.write(self._sides[0], data)

    def refuse(self, refused: bool) -> None:
        """Take the terminal away, or make one again at the same path."""
        import tty

        if refused and self._sides is not None:
            os.unlink(self.path)
            for side in self._sides:
                os.close(side)
            self._sides, self.connected = None, False
        elif not refused and self._sides is None:
            self._sides = os.openpty()
            tty.setraw(self._sides[1])
            os.set_blocking(self._sides[0], False)
            os.symlink(os.ttyname(self._sides[1]), self.path)

    def close(self) -> None:
        """Close both sides and remove the path."""
        self.refuse(True)
        self._folder.cleanup()


if TYPE_CHECKING:
    import can


class PythonCanWire(Wire[CanFrame]):
    """Any bus that python-can knows."""

    def __init__(self, interface: str, channel: str, bit_rate: int = 500_000) -> None:
        """Raises `LinkUnknownError` without python-can, `PortMissingError` without such a bus."""
        try:
            import can
        except ImportError as error:
            raise LinkUnknownError(lacks("A simulated CAN bus", "python-can", "can")) from error
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


_LONGEST_COMMAND = 26
"""Characters of a frame with 29 bits and eight bytes."""
_BIT_RATES = (10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)


class SlcanWire(Wire[CanFrame]):
    """A serial-line CAN interface on a pseudo-terminal, as python-can's `slcan` drives it.

    Commands in ASCII ended by a carriage return: S<n> and s<xxyy> set the bit rate, O opens, C
    closes, t and T send frames with 11 and 29 bits, V, N, F and Z are answered. Frames pass only
    while it is open at the bus's bit rate.
    """

    def __init__(self, bit_rate: int = 500_000) -> None:
        """Raises `PortMissingError` where there are no pseudo-terminals."""
        if not has_terminals():
            raise PortMissingError("A simulated slcan interface needs pseudo-terminals.")
        self._terminal = TerminalWire()
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
            for byte in self._terminal.receive(timeout_s) or b"":
                self._character(byte)
        return self._frames.pop(0) if self._frames else None

    def send(self, frame: CanFrame) -> None:
        """To the client, if it has the interface open."""
        if self._open:
            head = f"T{frame.identifier:08X}" if frame.extended else f"t{frame.identifier:03X}"
            text = f"{head}{len(frame.data)}{frame.data.hex().upper()}\r"
            self._terminal.send(text.encode())

    def close(self) -> None:
        """Take the terminal away."""
        self._terminal.close()

    def _character(self, byte: int) -> None:
        if byte != 0x0D:
            if len(self._line) <= _LONGEST_COMMAND:
                self._line.append(byte)
            return
        line = self._line.decode("latin-1")
        self._line.clear()
        try:
            self._terminal.send(self._answer(line))
        except (ValueError, IndexError):
            self._terminal.send(b"\a")

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


def open_wire(text: str, bit_rate: int) -> Wire[CanFrame]:
    """`slcan`, or `can:INTERFACE/CHANNEL`."""
    if text == "slcan":
        return SlcanWire(bit_rate)
    kind, _, rest = text.partition(":")
    interface, slash, channel = rest.partition("/")
    if kind != "can" or not interface or not slash or not channel:
        raise LinkUnknownError(f"{text!r} is not a CAN bus: write can:INTERFACE/CHANNEL or slcan.")
    return PythonCanWire(interface, channel, bit_rate)
