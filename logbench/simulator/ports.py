"""The client's end of the wire: a TCP connection, or the master side of a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import tempfile

from logbench.errors import PortMissingError


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

    @property
    def url(self) -> str:
        """`tcp://HOST:PORT`."""
        return f"tcp://{self._host}:{self._port}"

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

    def __init__(self, master: int, baud: int | None) -> None:
        self._master = master
        self._baud = baud

    def fileno(self) -> int:
        """The master side's."""
        return self._master

    def read(self) -> bytes | None:
        """Up to 4 KiB; unreadable where the client's speed is not the adapter's."""
        try:
            data = os.read(self._master, 4096)
        except BlockingIOError:
            return b""
        except OSError:
            return None
        return self._mangled(data)

    def write(self, data: bytes) -> None:
        """As much of `data` as there is room for: a serial line waits for nobody."""
        with contextlib.suppress(BlockingIOError):  # nobody reads: the rest is lost
            os.write(self._master, self._mangled(data))

    def close(self) -> None:
        """Nothing: the terminal belongs to the wire."""

    def _mangled(self, data: bytes) -> bytes:
        if self._baud is None or terminal_baud(self._master) == self._baud:
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


class TerminalWire:
    """A pseudo-terminal; its path is what a client opens as a serial port.

    The path is a link in a folder of its own, so that it stays the same when the terminal behind it
    goes away and comes back, as an adapter that is unplugged does.
    """

    def __init__(self, baud: int | None = None) -> None:
        """With a `baud`, a client that sets another speed gets unreadable characters."""
        if sys.platform == "win32":
            raise PortMissingError(
                "There are no pseudo-terminals on this system: serve on a TCP port instead."
            )
        self._baud = baud
        self._folder = tempfile.TemporaryDirectory(prefix="logbench-")
        self.path = os.path.join(self._folder.name, "adapter")
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

    @property
    def url(self) -> str:
        """`serial:PATH`."""
        return f"serial:{self.path}"

    def sources(self) -> list[int]:
        """The terminal itself, until `accept` has handed out its client."""
        return [self._sides[0]] if self._sides is not None and self._waiting else []

    def accept(self) -> TerminalPort:
        """The one client there is."""
        assert self._sides is not None
        self._waiting = False
        return TerminalPort(self._sides[0], self._baud)

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
