"""`tcp://HOST:PORT`: an adapter on the network (Wi-Fi adapters, the simulated one)."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable

from logbench.errors import LinkLostError, LinkUnknownError, PortMissingError
from logbench.vehicle.gate import LineGate
from logbench.vehicle.links.adapter import AdapterLink
from logbench.vehicle.links.schemes import LinkUrl
from logbench.vehicle.model import Progress

OPTIONS = frozenset({"protocol"})
CONNECT_TRIES = 4
CONNECT_TIMEOUT_S = 1.0
"""Of one try: an adapter's network is near."""
WRITE_TIMEOUT_S = 4.0

_GONE = (
    "The network connection to the adapter broke off: check its power and the Wi-Fi; "
    "connecting again."
)


class SocketPort:
    """A TCP connection as a byte port."""

    def __init__(self, host: str, port: int, check: Callable[[], None]) -> None:
        try:
            self._socket = _connected(host, port, check)
        except TimeoutError:
            raise PortMissingError(
                f"Nothing answers at {host}:{port}: join the adapter's Wi-Fi and check its "
                "address and port."
            ) from None
        except ConnectionRefusedError:
            raise PortMissingError(
                f"{host}:{port} refuses the connection: check the port number, and that no other "
                "program is using the adapter."
            ) from None
        except (OSError, UnicodeError) as error:
            reason = getattr(error, "strerror", None) or "not a network address"
            raise PortMissingError(
                f"{host}:{port} cannot be reached ({reason}): check the address and the network."
            ) from None
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        try:
            self._socket.settimeout(WRITE_TIMEOUT_S)
            self._socket.sendall(data)
        except OSError:
            raise LinkLostError(_GONE) from None

    def read(self, timeout_s: float) -> bytes:
        """Whatever is there, waiting at most `timeout_s`; b'' when nothing came."""
        try:
            self._socket.settimeout(timeout_s)
            data = self._socket.recv(65_536)
        except (BlockingIOError, TimeoutError):
            return b""
        except OSError:
            raise LinkLostError(_GONE) from None
        if not data:
            raise LinkLostError(_GONE)
        return data

    def close(self) -> None:
        """Close both directions."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()


class TcpLink(AdapterLink):
    """An adapter at the end of a TCP connection."""

    def __init__(self, url: LinkUrl, progress: Progress | None = None) -> None:
        super().__init__(url, progress)
        host, colon, port = url.place.rpartition(":")
        if not colon or not host or not port.isascii() or not port.isdigit() or int(port) > 65_535:
            raise LinkUnknownError(
                f"The link {url.text!r} needs a host and a port: write tcp://HOST:PORT."
            )
        self._host, self._tcp_port = host.strip("[]"), int(port)

    def _open_port(self) -> LineGate:
        self.progress(f"Connecting to {self._host}:{self._tcp_port}")
        return LineGate(SocketPort(self._host, self._tcp_port, self.check))


def _connected(host: str, port: int, check: Callable[[], None]) -> socket.socket:
    """In several short tries, between which `check` may end it by raising."""
    for _ in range(CONNECT_TRIES):
        check()
        with contextlib.suppress(TimeoutError):
            return socket.create_connection((host, port), CONNECT_TIMEOUT_S)
    raise TimeoutError
