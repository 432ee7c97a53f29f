"""The second screen's process, served for a test."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator

from logbench.screen.messages import Plan, Ready, Row, Rows, Told, Values
from logbench.screen.process import ScreenProcess, new_token
from tests.screen.browser import until

WORDS = {"marker": "Marker", "ended": "The recording has ended.", "lost": "Not connected."}
ROWS = Rows((Row("RPM", "Engine speed", ((0.0, 800.0),)), Row("ECT", "Coolant", ())), (0.5,))
VALUES = Values(1.0, "● Recording", ((812.0, "812 rpm", True), (None, "○ missing", False)))


class Served:
    """The process with all that it has told."""

    def __init__(self, screen: ScreenProcess, plan: Plan) -> None:
        self.screen, self.plan = screen, plan
        self.told: list[Told] = []
        self.port = int(until(self._ready).port)

    def _ready(self) -> Ready | None:
        return next((one for one in self.poll() if isinstance(one, Ready)), None)

    def poll(self) -> list[Told]:
        """All that was told so far."""
        self.told += self.screen.poll()
        return self.told

    @property
    def host(self) -> str:
        """Name and port as they were given out."""
        return f"{self.plan.host}:{self.port}"

    @property
    def path(self) -> str:
        """The page's path."""
        return f"/{self.plan.token}/"

    def ask(self, text: str) -> bytes:
        """The whole answer to bytes sent as they are; `` where it was hung up."""
        with socket.create_connection((self.plan.host, self.port), 30) as line:
            line.sendall(text.encode())
            parts = []
            with contextlib.suppress(ConnectionError):
                while part := line.recv(65536):
                    parts.append(part)
            return b"".join(parts)

    def get(self, path: str, **headers: str) -> bytes:
        """The answer to a GET; `Host` is the right one unless given."""
        told = {"Host": self.host, **{k.replace("_", "-"): v for k, v in headers.items()}}
        lines = "".join(f"{name}: {value}\r\n" for name, value in told.items())
        return self.ask(f"GET {path} HTTP/1.1\r\n{lines}\r\n")


@contextlib.contextmanager
def serving(host: str = "127.0.0.1", network: str = "127.0.0.0/8") -> Iterator[Served]:
    """It is served while the context lasts."""
    plan = Plan(host, network, new_token(), WORDS)
    screen = ScreenProcess(plan)
    screen.start()
    try:
        yield Served(screen, plan)
    finally:
        screen.close()
        assert screen.wait(60.0)
