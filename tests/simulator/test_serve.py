"""The simulated car over real sockets, pseudo-terminals and processes; python-OBD as the client."""

from __future__ import annotations

import errno
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import obd
import pytest
import serial

from logbench.errors import LinkError, LinkUnknownError, PortMissingError, UsageError
from logbench.simulator.serve import SimulatedCar, main_serve
from logbench.simulator.timing import Timing
from tests.serving import serve_pty, serve_tcp
from tests.still import StillCar

QUICK = Timing(baud=0, latency_ms=1.0, command_ms=0.5, reset_ms=20.0)
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="uses pseudo-terminals and signals")


def wait_for(condition: Callable[[], object], seconds: float = 10.0) -> None:
    end_s = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end_s, "it did not happen in time"
        time.sleep(0.01)


class Client:
    """The least a client can be: write a line, read to the prompt."""

    def __init__(self, url: str) -> None:
        where = urlsplit(url)
        self.socket = socket.create_connection((where.hostname, where.port), timeout=10)

    def ask(self, line: str) -> list[str]:
        self.socket.sendall(line.encode() + b"\r")
        return self.answer()

    def answer(self) -> list[str]:
        reply = b""
        while not reply.endswith(b">"):
            more = self.socket.recv(4096)
            assert more, "closed"
            reply += more
        return [part for part in reply[:-1].decode().replace("\n", "\r").split("\r") if part]

    def close(self) -> None:
        self.socket.close()


@pytest.fixture(autouse=True)
def nothing_left() -> Iterator[None]:
    """No thread, child process or file descriptor outlives a test."""

    def kept() -> tuple[int, int]:
        lists = Path("/proc/self/task").glob("*/children")
        children = sum(len(file.read_text().split()) for file in lists)
        descriptors = sum(1 for _ in Path("/proc/self/fd").glob("*"))
        return descriptors, children

    threads = set(threading.enumerate())
    before = kept()
    yield
    wait_for(lambda: set(threading.enumerate()) <= threads)
    assert kept() == before


def python_obd(port: str, **options: object) -> obd.OBD:
    return obd.OBD(port, baudrate=115_200, fast=False, **options)


def check_with_python_obd(connection: obd.OBD, car: StillCar) -> None:
    try:
        assert connection.status() == obd.OBDStatus.CAR_CONNECTED
        commands = obd.commands
        assert connection.query(commands.RPM).value.magnitude == 750
        assert connection.query(commands.COOLANT_TEMP).value.magnitude == 90
        assert connection.query(commands.GET_DTC).value[0][0] == "P0171"
        if "CAN" in connection.protocol_name():  # elsewhere it takes the first byte for a count
            found = connection.query(commands.GET_CURRENT_DTC).value
            assert [code for code, _ in found] == ["P0455"]
        # python-OBD's decoder strips the digits 0 to 2 from the ends, so the raw message is read
        (message,) = connection.query(commands.VIN, force=True).messages
        assert bytes(message.data).rstrip(b"\0")[-17:] == car.vin.encode()
        assert connection.supports(commands.MAF)
        assert not connection.supports(commands.OIL_TEMP)
    finally:
        connection.close()


@pytest.fixture
def car() -> StillCar:
    return StillCar(stored=("P0171", "P0301"), pending=("P0455",))


def test_python_obd_over_a_socket(car: StillCar) -> None:
    with serve_tcp(car, timing=QUICK) as url:
        connection = python_obd(url.replace("tcp://", "socket://"))
        assert connection.protocol_name() == "ISO 15765-4 (CAN 11/500)"
        check_with_python_obd(connection, car)


def test_python_obd_over_a_pseudo_terminal(car: StillCar) -> None:
    with serve_pty(car, timing=QUICK) as path:
        check_with_python_obd(python_obd(path, protocol="6"), car)
    assert not os.path.lexists(path)


@pytest.mark.parametrize("number", ["1", "5", "7"])
def test_python_obd_on_other_protocols(car: StillCar, number: str) -> None:
    with serve_tcp(car, timing=QUICK, protocol=number) as url:
        port = url.replace("tcp://", "socket://")
        check_with_python_obd(python_obd(port, protocol=number), car)


def test_wrong_baud_is_unreadable(car: StillCar) -> None:
    with serve_pty(car, timing=Timing(baud=38_400), strict_baud=True) as path:
        for baud, readable in ((9600, False), (115_200, False), (38_400, True)):
            with serial.Serial(path, baud, timeout=0.3) as port:
                port.write(b"\x7f\r")  # ends what came before
                port.read_until(b">")
                port.write(b"ATI\r")
                assert (b"OBD interface" in port.read_until(b">")) == readable, baud


def test_a_client_that_does_not_read_blocks_nothing(car: StillCar) -> None:
    with serve_pty(car, timing=QUICK) as path, serial.Serial(path, timeout=2) as port:
        for _ in range(40):
            port.write(b"ATDP\r" * 100)  # about 80 kB of answers
        wait_for(lambda: port.in_waiting > 4000)
        time.sleep(0.2)
        port.reset_input_buffer()
        port.write(b"ATE0\r")
        while port.read_until(b">"):
            pass
        port.write(b"ATI\r")
        assert port.read_until(b">") == b"OBD interface v1.0\r\n\r\n>"


def test_one_client_at_a_time_and_the_next_after_it(car: StillCar) -> None:
    with serve_tcp(car, timing=QUICK) as url:
        first = Client(url)
        assert first.ask("ATE0")[-1] == "OK"
        second = Client(url)
        assert second.socket.recv(1) == b"", "sent away"
        second.close()
        assert first.ask("ATI") == ["OBD interface v1.0"]
        first.close()
        third = Client(url)
        assert third.ask("ATI") == ["OBD interface v1.0"], "settings stay, as in any adapter"
        third.close()


def test_a_port_in_use() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(PortMissingError, match=str(port)), serve_tcp(StillCar(), port=port):
            pass


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")
def test_a_system_without_terminals_is_told_and_nothing_is_left(monkeypatch, tmp_path):
    def none_left() -> tuple[int, int]:
        raise OSError(errno.ENODEV, "No such device")

    monkeypatch.setattr(os, "openpty", none_left)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with pytest.raises(PortMissingError, match=r"No such device.*TCP"), serve_pty(StillCar()):
        pass
    assert list(tmp_path.iterdir()) == []


def test_main_serve_ends_with_ctrl_c() -> None:
    """As `logbench simulate` runs it, in a process of its own."""
    code = (
        # a shell that starts the tests in the background has Ctrl+C ignored by all below it
        "import signal\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from logbench.simulator.serve import main_serve\n"
        "main_serve('car=still', lambda line: print(line, flush=True))\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    with process:
        line = process.stdout.readline()
        url = next(word for word in line.split() if word.startswith("tcp://"))
        client = Client(url)
        assert client.ask("ATI")[-1] == "OBD interface v1.0"
        client.close()
        # Interrupted only after it has noticed: the signal may overtake the closed connection.
        said = [process.stdout.readline().strip() for _ in range(2)]
        process.send_signal(signal.SIGINT)
        try:
            assert process.wait(20) == 0
        finally:
            process.kill()
        assert process.stdout.read() == ""
    assert said == ["A client has connected.", "The client is gone."]


def test_main_serve_refuses_wrong_options() -> None:
    with pytest.raises(LinkUnknownError):
        main_serve("color=red", print)


# --- a process of its own ---


def test_a_simulated_drive_in_a_process_of_its_own() -> None:
    with SimulatedCar("sim:?speed=50&schedule=test-drive") as car:
        client = Client(car.url)
        for line in ("ATE0", "ATS0", "ATSP6", "0100"):
            client.ask(line)
        assert car.car_time_s() == 0.0, "the clock stands until a value is asked for"
        assert client.ask("010C1") == ["410C0000"], "key on, engine off"
        wait_for(lambda: int(client.ask("010C1")[0][4:], 16) / 4 > 500)
        assert 5 < car.car_time_s() < 120
        client.close()
    with pytest.raises(OSError, match="refused"):
        Client(car.url)


def test_faults_at_run_time() -> None:
    with SimulatedCar("sim:?car=demo&speed=20") as car:
        car.set_fault("unmetered_air", 0.5)
        with pytest.raises(UsageError, match="unmetered_air"):
            car.set_fault("flat_tire", 0.5)
        with pytest.raises(UsageError, match="cannot have"):
            car.set_fault("one_bank_lean", 0.5)
        with pytest.raises(LinkUnknownError, match="meteor"):
            car.trouble("meteor")
    with SimulatedCar("sim:?car=still") as still, pytest.raises(UsageError, match="no engine"):
        still.set_fault("unmetered_air", 1.0)


def test_wrong_options_start_no_process() -> None:
    with pytest.raises(LinkUnknownError):
        SimulatedCar("sim:?color=red")


def test_close_twice_and_ask_after() -> None:
    car = SimulatedCar("sim:?car=still")
    car.close()
    car.close()
    with pytest.raises(LinkError, match="ended"):
        car.car_time_s()


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_the_process_dies_with_its_parent() -> None:
    code = (
        "from logbench.simulator.serve import SimulatedCar\n"
        "car = SimulatedCar('car=still')\n"
        "print(car._process.pid, flush=True)\n"
        "input()\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    with parent:
        child = int(parent.stdout.readline())
        assert alive(child)
        parent.kill()
        parent.wait()
    wait_for(lambda: not alive(child))


def test_ctrl_c_does_not_end_it() -> None:
    with SimulatedCar("sim:?car=still") as car:
        os.kill(car._process.pid, signal.SIGINT)
        assert car.car_time_s() == 0.0


def test_a_dead_control_thread_ends_the_process() -> None:
    """Its fault is known at once: nobody waits for an answer that never comes."""
    with SimulatedCar("car=still") as car:
        assert car._process.stdin is not None
        car._process.stdin.write(b"this is not JSON\n")
        car._process.stdin.flush()
        assert car._process.wait(20) == 0
        with pytest.raises(LinkError, match="has ended"):
            car.car_time_s()
