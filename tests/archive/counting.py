"""A proxy that counts what an object store sends, heads of its answers included."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator


class Counting:
    """Between a client and a server on this computer, byte by byte, and nothing else."""

    def __init__(self, server: str) -> None:
        host, port = server.rsplit(":", 1)
        self._server = host, int(port)
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.address = f"127.0.0.1:{self._socket.getsockname()[1]}"
        self._lock = threading.Lock()
        self._bytes = self._requests = 0
        threading.Thread(target=self._accept, daemon=True).start()

    def took(self) -> tuple[int, int]:
        """Bytes that were sent to the client, and requests, since the last look."""
        with self._lock:
            found = self._bytes, self._requests
            self._bytes = self._requests = 0
        return found

    def close(self) -> None:
        self._socket.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._socket.accept()
                server = socket.create_connection(self._server)
                for source, sink, counted in ((client, server, False), (server, client, True)):
                    threading.Thread(
                        target=self._pass, args=(source, sink, counted), daemon=True
                    ).start()

    def _pass(self, source: socket.socket, sink: socket.socket, counted: bool) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65_536):
                with self._lock:
                    if counted:
                        self._bytes += len(data)
                    else:
                        self._requests += data.count(b" HTTP/1.1\r\n")
                sink.sendall(data)
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
        source.close()


@contextlib.contextmanager
def counting(server: str) -> Iterator[Counting]:
    made = Counting(server)
    yield made
    made.close()
