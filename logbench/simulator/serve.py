"""Starting the simulated car: in this process, in one of its own, or for `logbench simulate`."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Self

from logbench.errors import LinkError, LogbenchError, UsageError, error_named
from logbench.simulator.drive import Drive
from logbench.simulator.options import SimOptions, make_adapter, make_can_car, parse_sim_url
from logbench.simulator.server import Server
from logbench.simulator.trouble import TroubledCar, parse_trouble
from logbench.simulator.wires import TcpWire, TerminalWire, open_wire
from logbench.system.platforms import without_console
from logbench.system.threads import Supervised

_END_S = 5.0


def make_server(
    options: SimOptions,
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    wire: str = "tcp",
    on_line: Callable[[str], None] | None = None,
) -> Server[Any]:
    """What `options` describe on `wire`: `tcp`, `pty`, `slcan` or `can:INTERFACE/CHANNEL`.

    Raises `LinkUnknownError` for another wire, `PortMissingError` when it cannot be had.
    """
    if wire == "tcp":
        return Server(make_adapter(options), TcpWire(host, port), on_line)
    if wire == "pty":
        return Server(make_adapter(options), TerminalWire(), on_line)
    device = make_can_car(options)
    return Server(device, open_wire(wire, device.protocol.bit_rate))


def main_serve(
    options: str,
    on_line: Callable[[str], None],
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    wire: str = "tcp",
) -> None:
    """Serve until Ctrl-C; `on_line` gets one sentence at a time, the link's URL first.

    `options`: the query of a `sim:` URL; `wire` as in `make_server`. Raises
    `LinkUnknownError`, `PortMissingError`.
    """
    server = make_server(parse_sim_url(options), host=host, port=port, wire=wire, on_line=on_line)
    on_line(f"The simulated car is at {server.url} (Ctrl-C ends it).")
    with contextlib.suppress(KeyboardInterrupt):  # the way to end it
        server.run()


class SimulatedCar:
    """A simulated car in a process of its own, as a context manager; `.url` is its link.

    The process ends with `close`, and by itself when this one dies. It ignores Ctrl-C, so that a
    recording can be finished first.
    """

    def __init__(self, options: str = "", wire: str = "tcp") -> None:
        """`options`: a `sim:` URL or its query; `wire` as in `make_server`.

        Raises `LinkUnknownError` for what is not understood, `LinkError` when the process does not
        come up.
        """
        parse_sim_url(options)  # before there is a process
        self._lock = threading.Lock()
        package = str(Path(__file__).parents[2])
        paths = os.pathsep.join(filter(None, (package, os.environ.get("PYTHONPATH"))))
        self._process = subprocess.Popen(
            [sys.executable, "-m", "logbench.simulator.serve"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": paths},
            creationflags=without_console(),
        )
        self.url = ""
        try:
            self.url = str(self._ask({"serve": options, "wire": wire})["url"])
        except BaseException:
            self.close()
            raise

    def set_fault(self, name: str, severity: float) -> None:
        """Change a fault of the car while it drives; `UsageError` for one it cannot have."""
        self._ask({"fault": name, "severity": severity})

    def trouble(self, text: str) -> None:
        """Plan `NAME@TIME[:DURATION]` on the car's clock; `NAME` or `NAME:DURATION` is now.

        Raises `LinkUnknownError` for a name or time not understood.
        """
        self._ask({"trouble": text})

    def car_time_s(self) -> float:
        """The car's clock."""
        return float(self._ask({"time": True})["t_s"])

    def close(self) -> None:
        """End the process; more than once does no harm."""
        process = self._process
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):  # it ended first
                    pipe.close()
        try:
            process.wait(_END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _ask(self, command: dict[str, Any]) -> dict[str, Any]:
        pipes = self._process.stdin, self._process.stdout
        assert pipes[0] is not None
        assert pipes[1] is not None
        with self._lock:
            try:
                pipes[0].write(json.dumps(command).encode() + b"\n")
                pipes[0].flush()
                line = pipes[1].readline()
            except (OSError, ValueError):
                line = b""
        if not line:
            raise LinkError("The simulated car has ended; start it again.")
        reply: dict[str, Any] = json.loads(line)
        if "error" in reply:
            raise error_named(reply["kind"], reply["error"])
        return reply


# --- inside the process ---


def _carry_out(server: Server[Any], command: dict[str, Any]) -> dict[str, Any]:
    """Do what the handle asks; runs between two requests of the adapter's client."""
    import time

    device = server.device
    now_s = device.clock.at(time.monotonic())
    if "time" in command:
        return {"t_s": now_s}
    if "trouble" in command:
        text = str(command["trouble"])
        if "@" not in text:
            name, colon, duration = text.partition(":")
            text = f"{name}@{now_s!r}{colon}{duration}"
        device.troubles.add(parse_trouble(text))
        return {}
    car = device.ecus.car
    if isinstance(car, TroubledCar):
        car = car.car
    if not isinstance(car, Drive):
        raise UsageError("This car has no engine to be faulty.")
    car.set_fault(str(command["fault"]), float(command["severity"]))
    return {}


def _answer(reply: dict[str, Any]) -> None:
    sys.stdout.buffer.write(json.dumps(reply).encode() + b"\n")
    sys.stdout.buffer.flush()


def _lines(descriptor: int) -> Iterator[bytes]:
    """Lines from a pipe until it is closed, without Python's own buffers and their locks."""
    buffer = b""
    while chunk := os.read(descriptor, 4096):
        *lines, buffer = (buffer + chunk).split(b"\n")
        yield from lines


def _control(server: Server[Any], lines: Iterator[bytes]) -> None:
    """Answer the handle until it is gone, then stop."""
    for line in lines:
        try:
            _answer(server.call(lambda line=line: _carry_out(server, json.loads(line))).result())  # type: ignore[misc]
        except LogbenchError as error:
            _answer({"error": str(error), "kind": type(error).__name__})
    server.stop()


def _process() -> None:
    """The process that `SimulatedCar` starts: commands on standard input, answers on output."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    lines = _lines(sys.stdin.fileno())
    command = json.loads(next(lines, b"{}"))
    try:
        options = parse_sim_url(command.get("serve", ""))
        server = make_server(options, wire=command.get("wire", "tcp"))
    except LogbenchError as error:
        _answer({"error": str(error), "kind": type(error).__name__})
        return
    _answer({"url": server.url})
    control = Supervised(
        "control of the simulated car",
        lambda: _control(server, lines),
        on_death=lambda _: server.stop(),
    )
    control.start()
    server.run()


if __name__ == "__main__":
    _process()
