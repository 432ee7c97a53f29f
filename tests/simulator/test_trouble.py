"""Every trouble on demand: off before its time, on in it, gone after it."""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import time
from collections.abc import Callable
from urllib.parse import urlsplit

import pytest
import serial

from logbench.simulator.adapter import Adapter
from logbench.simulator.serve import SimulatedCar
from logbench.simulator.timing import CarClock, Timing
from logbench.simulator.trouble import TROUBLES, Trouble, parse_trouble
from tests.serving import serve_pty, serve_tcp
from tests.still import StillCar

ENGINE = "7E804410C0BB8000000"
BOTH = [ENGINE, "7E904410C0BB8000000"]

QUICK = Timing(baud=0, latency_ms=1.0, command_ms=0.5, reset_ms=20.0)


@pytest.fixture
def troubled(talk) -> Callable[[str], Adapter]:
    """An adapter set up for polling, with a trouble from the car's second 10 to 20; the car's
    clock starts at 100 s of ours."""

    def make(name: str) -> Adapter:
        adapter = Adapter(StillCar(), troubles=[Trouble(name, 10.0, 10.0)], seed=1)
        for line in ("ATE0", "ATL0", "ATS0", "ATH1", "ATSP6"):
            talk(adapter, line)
        assert talk(adapter, "010C", 100.0)[0] == BOTH
        return adapter

    return make


def three(adapter: Adapter, talk, line: str = "010C") -> list[list[str]]:
    """The answers before, during and after the trouble."""
    return [talk(adapter, line, t_s)[0] for t_s in (105.0, 115.0, 125.0)]


@pytest.mark.parametrize(
    ("name", "lines"),
    [
        ("no-data", ["NO DATA"]),
        ("can-error", ["CAN ERROR"]),
        ("bus-busy", ["BUS BUSY"]),
        ("bus-error", ["BUS ERROR"]),
        ("fb-error", ["FB ERROR"]),
        ("data-error", [line + " <DATA ERROR" for line in BOTH]),
        ("rx-error", [line + " <RX ERROR" for line in BOTH]),
        ("buffer-full", [ENGINE, "BUFFER FULL"]),
        ("merged", ["".join(BOTH)]),
        ("ignition-off", ["CAN ERROR"]),
        ("lost-pid", ["7E904410C0BB8000000"]),
        ("second-silent", [ENGINE]),
        ("slow-ecu", [ENGINE]),
        ("pending", ["7E8037F017800000000", *BOTH[::-1]]),
        ("stall", [line.replace("0BB8", "0000") for line in BOTH]),
    ],
)
def test_every_reply_in_its_time(troubled, talk, name: str, lines: list[str]) -> None:
    adapter = troubled(name)
    before, during, after = three(adapter, talk)
    assert before == BOTH
    assert during == lines
    assert after == BOTH


def test_wrong_echo(troubled, talk) -> None:
    _, during, after = three(troubled("wrong-echo"), talk)
    assert during[1:] == BOTH
    assert during[0].endswith("10C")
    assert during[0] != "010C"
    assert after == BOTH


@pytest.mark.parametrize("name", ["garbage", "truncated"])
def test_damaged_characters(troubled, name: str) -> None:
    adapter = troubled(name)

    def answer(t_s: float) -> bytes:
        adapter.receive(b"010C2\r", t_s)
        data = b""
        while adapter.due() is not None:
            data += adapter.pop().data
        return data

    right = answer(105.0)
    wrong = [answer(110.0 + n) for n in range(1, 9)]
    assert right not in wrong
    if name == "garbage":
        assert all(data.endswith(b"\r>") and len(data) == len(right) for data in wrong)
    else:
        assert all(right.startswith(data) for data in wrong)
        assert len({len(data) for data in wrong}) > 3
    assert answer(125.0) == right


def test_brownout_prints_the_banner_and_loses_the_settings(troubled, talk) -> None:
    adapter = troubled("brownout")
    adapter.tick(109.0)
    assert adapter.due() is None
    adapter.receive(b"0902", 110.0)
    adapter.tick(110.2)
    data = b""
    while adapter.due() is not None:
        data += adapter.pop().data
    assert data == b"LV RESET\r\nOBD interface v1.0\r\n\r\n>"
    assert talk(adapter, "ATDPN", 112.0)[0] == ["ATDPN", "A0"], "echo is on again"
    adapter.tick(113.0)
    assert adapter.due() is None, "only once"


def test_response_pending_is_waited_for(troubled, talk) -> None:
    adapter = troubled("pending")
    lines, done_s = talk(adapter, "010C2", 115.0)
    assert lines[0].startswith("7E8037F0178")
    assert sorted(lines[1:]) == BOTH
    assert 115.4 < done_s < 115.5


@pytest.mark.parametrize(
    ("name", "answer"), [("drops-packed", ["NO DATA"]), ("refuses-packed", ["?"])]
)
def test_several_pids_at_once(troubled, talk, name: str, answer: list[str]) -> None:
    before, during, after = three(troubled(name), talk, "010C0D")
    assert before == after == ["7E806410C0BB80D0000", "7E906410C0BB80D0000"]
    assert during == answer
    assert talk(troubled(name), "010C", 115.0)[0] == BOTH


def test_reply_count_ignored_or_refused(troubled, talk) -> None:
    adapter = troubled("ignores-count")
    _, quick_s = talk(adapter, "010C2", 105.0)
    lines, slow_s = talk(adapter, "010C2", 115.0)
    assert lines == BOTH
    assert slow_s - 115.0 > 1.5 * (quick_s - 105.0)
    before, during, after = three(troubled("refuses-count"), talk, "010C2")
    assert before == after == BOTH
    assert during == ["?"]


def test_false_version(troubled, talk) -> None:
    adapter = troubled("false-version")
    assert talk(adapter, "ATI", 115.0)[0] == ["OBD interface v2.3"]
    for line in ("ATAT1", "ATS0", "ATCRA7E8", "AT@1"):
        assert talk(adapter, line, 116.0)[0] == ["?"], line
    assert talk(adapter, "ATH1", 117.0)[0] == ["OK"]
    assert talk(adapter, "ATS0", 125.0)[0] == ["OK"]


# --- the way to the adapter, over real sockets and terminals ---


def connect(url: str) -> socket.socket:
    where = urlsplit(url)
    return socket.create_connection((where.hostname, where.port), timeout=5)


def until(condition: Callable[[], object], seconds: float = 10.0) -> None:
    end_s = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end_s, "it did not happen in time"
        time.sleep(0.01)


def reachable(url: str) -> bool:
    try:
        connect(url).close()
    except OSError:
        return False
    return True


def to_prompt(client: socket.socket) -> bytes:
    data = b""
    while not data.endswith(b">"):
        more = client.recv(4096)
        if not more:
            break
        data += more
    return data


def test_unplugged_and_plugged_in_again() -> None:
    troubles = (parse_trouble("unplug@5:5"),)
    with serve_tcp(StillCar(), timing=QUICK, clock=CarClock(10.0), troubles=troubles) as url:
        client = connect(url)
        client.sendall(b"010C\r")
        assert to_prompt(client).endswith(b">")
        assert client.recv(1) == b"", "closed after 0.5 s of ours"
        client.close()
        until(lambda: not reachable(url))
        until(lambda: reachable(url))
        again = connect(url)
        again.sendall(b"ATI\r")
        assert b"OBD interface" in to_prompt(again)
        again.close()


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")
def test_a_terminal_is_unplugged_too() -> None:
    troubles = (parse_trouble("unplug@5:5"),)
    with serve_pty(StillCar(), timing=QUICK, clock=CarClock(10.0), troubles=troubles) as path:
        with serial.Serial(path, 115_200, timeout=5) as port:
            port.write(b"010C\r")
            assert port.read_until(b">").endswith(b">")
            with pytest.raises(serial.SerialException):
                port.read(1)
        until(lambda: not os.path.exists(path))
        until(lambda: os.path.exists(path))
        with serial.Serial(path, 115_200, timeout=5) as port:
            port.write(b"ATI\r")
            assert b"OBD interface" in port.read_until(b">")


def test_radio_lost_and_back() -> None:
    """Nothing is closed and nothing comes; later everything is as before."""
    with SimulatedCar("sim:?car=still&speed=20") as car, connect(car.url) as client:
        client.sendall(b"ATE0\rATSP6\r010C\r")
        while b"0B B8" not in client.recv(4096):
            pass
        to_prompt(client)
        car.trouble("radio-loss:20")
        client.settimeout(0.2)
        client.sendall(b"010C\r")
        with pytest.raises(TimeoutError):
            client.recv(4096)

        def answered() -> bool:
            client.sendall(b"010C\r")
            with contextlib.suppress(TimeoutError):
                return b"0B B8" in client.recv(4096)
            return False

        until(answered)


def test_every_trouble_has_its_test() -> None:
    with open(__file__, encoding="utf-8") as file:
        text = file.read()
    missing = [name for name in TROUBLES if f'"{name}' not in text and f'"{name}@' not in text]
    assert missing == []
    assert all(what and duration >= 0 for duration, what in TROUBLES.values())
