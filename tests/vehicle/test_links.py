"""Links by URL, and one clear sentence for everything that can be wrong at the start."""

from __future__ import annotations

import errno
import os
import socket
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager

import obd
import pytest
import serial

from logbench.errors import (
    AdapterMuteError,
    AdapterUnfitError,
    CarSilentError,
    ConnectingStoppedError,
    IgnitionOffError,
    LinkError,
    LinkLostError,
    LinkUnknownError,
    PortMissingError,
)
from logbench.simulator.timing import Timing
from logbench.simulator.trouble import parse_trouble
from logbench.vehicle.gate import LineGate
from logbench.vehicle.links import adapter
from logbench.vehicle.links.dialect import PROTOCOLS, Status, lines_of, status_of
from logbench.vehicle.links.schemes import SCHEMES, open_link
from logbench.vehicle.links.serial import SerialLink
from logbench.vehicle.links.tcp import TcpLink
from tests.serving import serve_pty
from tests.still import StillCar

QUICK = Timing(latency_ms=1.0, command_ms=0.5, reset_ms=20.0)


def test_urls_of_the_known_kinds():
    assert isinstance(open_link("tcp://192.168.0.10:35000"), TcpLink)
    assert isinstance(open_link("TCP://localhost:1?protocol=6"), TcpLink)
    assert isinstance(open_link("serial:/dev/ttyUSB0?baud=38400"), SerialLink)
    assert isinstance(open_link("serial:COM7"), SerialLink)


@pytest.mark.parametrize(
    ("url", "names"),
    [
        ("foo:bar", "tcp://HOST:PORT"),
        ("justaword", "serial:PORT"),
        ("", "tcp://HOST:PORT"),
        ("tcp://", "tcp://HOST:PORT"),
        ("tcp://host", "tcp://HOST:PORT"),
        ("tcp://host:99999", "tcp://HOST:PORT"),
        ("tcp://host:port", "tcp://HOST:PORT"),
        ("tcp://host:1?baud=3", "protocol"),
        ("tcp://host:1?protocol=X", "one of"),
        ("tcp://host:1?protocol", "KEY=VALUE"),
        ("serial:", "serial:PORT?baud=N"),
        ("serial:COM1?baud=fast", "whole number"),
        ("serial:COM1?baud=1", "whole number"),
        ("serial:COM1?speed=9600", "baud"),
        ("sim:?seed=7", "simulated"),
    ],
)
def test_an_unknown_link_names_the_legal_ones(url, names):
    with pytest.raises(LinkUnknownError) as caught:
        open_link(url)
    text = str(caught.value)
    assert names in text
    assert "\n" not in text


def test_every_kind_in_the_list_opens():
    for scheme in SCHEMES:
        with pytest.raises(LinkUnknownError):
            open_link(f"{scheme}:place?no_such_option=1")


def test_protocol_numbers_as_python_obd():
    classes = obd.protocols.__dict__.values()
    theirs = {
        text: kind
        for kind in classes
        if isinstance(kind, type)
        for name, text in vars(kind).items()
        if name.endswith("_ID") and isinstance(text, str)
    }
    for number, protocol in PROTOCOLS.items():
        assert protocol.is_can == hasattr(theirs[number], "FRAME_TYPE_SF")
        if protocol.is_can:
            assert theirs[number]([]).id_bits == protocol.id_bits


# --- an adapter that says what a test wants ---


@contextmanager
def scripted(answers: dict[str, str], greeting: bytes = b"") -> Iterator[str]:
    """A listening socket whose client gets `answers` by command; `*` answers the rest."""
    listener = socket.create_server(("127.0.0.1", 0))
    port = listener.getsockname()[1]

    def serve() -> None:
        try:
            client, _ = listener.accept()
        except OSError:
            return
        with client:
            client.sendall(greeting)
            buffer = b""
            while True:
                try:
                    data = client.recv(1024)
                except OSError:
                    return
                if not data:
                    return
                buffer += data
                while b"\r" in buffer:
                    command, _, buffer = buffer.partition(b"\r")
                    answer = answers.get(command.decode("latin-1"), answers.get("*"))
                    if answer is None:
                        continue
                    if answer == "hang up":
                        return
                    client.sendall(answer.encode() + b"\r\r>")

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield f"tcp://127.0.0.1:{port}"
    finally:
        listener.close()
        thread.join()


GOOD = {
    "ATWS": "ABCD v1.0",
    "ATI": "ABCD v1.0",
    "ATRV": "12.4V",
    "ATDPN": "A6",
    "0100": "7E8064100BE3FA813",
    "*": "OK",
}


def sentence(url: str, kind: type[LinkError]) -> str:
    """Connecting fails with exactly this kind; its one sentence."""
    link = open_link(url)
    with closing(link), pytest.raises(kind) as caught:
        link.connect()
    assert type(caught.value) is kind
    text = str(caught.value)
    assert "\n" not in text
    assert text.endswith(".")
    return text


def test_nobody_listens():
    with closing(socket.create_server(("127.0.0.1", 0))) as listener:
        port = listener.getsockname()[1]
    assert "refuses" in sentence(f"tcp://127.0.0.1:{port}", PortMissingError)


def test_no_such_host():
    assert "cannot be reached" in sentence("tcp://no-such-host.invalid:35000", PortMissingError)


def test_no_such_serial_port():
    assert "no port" in sentence("serial:/dev/no-such-port?baud=38400", PortMissingError)


def test_a_file_is_no_serial_port(tmp_path):
    file = tmp_path / "file"
    file.write_text("x")
    assert "serial port" in sentence(f"serial:{file}?baud=38400", PortMissingError)


def test_a_port_in_use_says_so():
    with (
        serve_pty(StillCar(), timing=QUICK) as path,
        open_link(f"serial:{path}?baud=115200") as link,
    ):
        assert link.connected
        assert "in use" in sentence(f"serial:{path}?baud=115200", PortMissingError)


def test_a_forbidden_port(monkeypatch):
    def refuse(*_: object, **__: object) -> None:
        raise serial.SerialException(errno.EACCES, "could not open port: Permission denied")

    monkeypatch.setattr(serial, "Serial", refuse)
    assert "group" in sentence("serial:/dev/ttyUSB0?baud=38400", PortMissingError)


def test_something_else_listens(monkeypatch):
    monkeypatch.setattr("logbench.vehicle.links.device.START_TIMEOUT_S", 0.1)
    monkeypatch.setattr("logbench.vehicle.links.device.RESYNC_TIMEOUT_S", 0.1)
    with scripted({}, greeting=b"220 mail.example ready\r\n") as url:
        assert "no adapter answers" in sentence(url, AdapterMuteError)


def test_the_other_side_hangs_up():
    with scripted({"*": "hang up"}) as url:
        assert "broke off" in sentence(url, LinkLostError)


def test_adapter_that_knows_no_requests_is_unfit():
    with scripted(GOOD | {"0100": "?"}) as url:
        assert "does not understand requests" in sentence(url, AdapterUnfitError)


def test_adapter_not_in_the_connector():
    silent = {"0100": "NO DATA", "22F400": "NO DATA"}
    with scripted(GOOD | silent | {"ATRV": "0.3V"}) as url:
        assert "0.3 V" in sentence(url, IgnitionOffError)


def test_no_protocol_means_ignition_off():
    answers = GOOD | {"0100": "SEARCHING...\rUNABLE TO CONNECT", "22F400": "NO DATA"}
    with scripted(answers | {"ATDPN": "0"}) as url:
        text = sentence(url, IgnitionOffError)
    assert "ignition" in text
    assert "12.4 V" in text


def test_a_silent_car():
    with scripted(GOOD | {"0100": "NO DATA", "22F400": "NO DATA"}) as url:
        assert "does not answer" in sentence(url, CarSilentError)


def test_protocols_are_tried_one_by_one_when_the_adapter_will_not_say():
    with scripted(GOOD | {"ATDPN": "?"}) as url, open_link(url) as link:
        assert link.protocol == PROTOCOLS["6"]


def test_a_car_of_the_newer_service_only():
    # SAE J1979-2, from memory: identifier F400 of service 22 lists what is supported.
    answers = GOOD | {"0100": "NO DATA", "22F400": "7E8101662F400BE3FA813\r7E82100000000000000"}
    answers["22F400"] = "7E80762F400BE3FA813"
    with scripted(answers) as url, open_link(url) as link:
        assert link.service == 0x22


# --- connecting to the simulated car ---


def test_connecting_says_each_step_and_undoes_its_settings(simulated):
    said: list[str] = []
    link = simulated(said=said)
    link.connect()
    assert [text.split()[0] for text in said] == [
        "Connecting", "Looking", "Setting", "Looking", "Protocol",
    ]  # fmt: skip
    assert link.voltage() == pytest.approx(13.9)
    link.close()
    link.close()
    with pytest.raises(LinkLostError):
        link.exchange(b"\x01\x0c")
    link.connect()
    assert link.exchange(b"\x01\x0d").replies


def test_ignition_off_on_the_simulated_car(simulated):
    link = simulated(StillCar(key_on=False))
    with pytest.raises((IgnitionOffError, CarSilentError)) as caught:
        link.connect()
    assert "ignition" in str(caught.value)


@pytest.mark.parametrize("number", "16789")
def test_protocols(simulated, number):
    link = simulated(protocol=number)
    link.connect()
    assert link.protocol == PROTOCOLS[number]
    engine = {"1": "10", "7": "18DAF110", "9": "18DAF110"}.get(number, "7E8")
    replies = link.exchange(b"\x01\x0c").replies
    assert replies[0].ecu == engine
    # RPM is (256 A + B) / 4 (SAE J1979): the still car idles at 750.
    assert replies[0].data == bytes((0x41, 0x0C)) + (750 * 4).to_bytes(2, "big")


def test_serial_speed_is_found():
    timing = Timing(baud=38_400, latency_ms=1, reset_ms=20)
    said: list[str] = []
    with (
        serve_pty(StillCar(), timing=timing, strict_baud=True) as path,
        open_link(f"serial:{path}", said.append) as link,
    ):
        assert link.exchange(b"\x01\x0d").replies
    assert any("115,200" in text for text in said)
    assert any("38,400" in text for text in said)


def test_serial_speed_that_is_wrong(monkeypatch):
    monkeypatch.setattr("logbench.vehicle.links.serial.BAUDS", (9_600,))
    timing = Timing(baud=38_400, latency_ms=1, reset_ms=20)
    with serve_pty(StillCar(), timing=timing, strict_baud=True) as path:
        assert "?baud=N" in sentence(f"serial:{path}", AdapterMuteError)


def test_a_resting_adapter_wakes_when_it_is_needed(simulated):
    link = simulated()
    link.connect()
    link.sleep()
    assert link.voltage() == pytest.approx(13.9)
    link.sleep()
    assert [r.data[:2] for r in link.exchange(b"\x01\x0c", to="7E8").replies] == [b"\x41\x0c"]


def test_an_adapter_at_rest_forgets_whom_it_was_to_ask(simulated):
    link = simulated()
    link.connect()
    assert [r.ecu for r in link.exchange(b"\x01\x0c", to="7E9").replies] == ["7E9"]
    link.sleep()
    assert [r.ecu for r in link.exchange(b"\x01\x0c", to="7E9").replies] == ["7E9"]
    link.sleep()
    assert [r.ecu for r in link.exchange(b"\x01\x0c").replies] == ["7E8", "7E9"]


def test_the_adapter_alone(simulated):
    """`attach` needs no car; requests need `connect`."""
    link = simulated(StillCar(key_on=False, battery=12.3))
    link.attach()
    assert link.voltage() == pytest.approx(12.3)
    link.sleep()
    assert link.voltage() == pytest.approx(12.3)
    with pytest.raises(LinkLostError, match="not connected"):
        link.exchange(b"\x01\x0c")


@pytest.mark.parametrize("place", ["tcp://127.0.0.1:{port}", "serial:{path}"])
def test_given_up_while_connecting(place, monkeypatch):
    """Nobody answers, for an hour: asked now and then, the link gives up when it is told to."""
    monkeypatch.setattr("logbench.vehicle.links.device.START_TIMEOUT_S", 3600.0)
    monkeypatch.setattr("logbench.vehicle.links.serial.PROBE_TIMEOUT_S", 0.01)
    monkeypatch.setattr("logbench.vehicle.links.serial.BAUDS", (115_200,) * 10**6)
    master, slave = os.openpty()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        url = place.format(port=listener.getsockname()[1], path=os.ttyname(slave))
        link, asked = open_link(url), []

        def given_up() -> bool:
            asked.append(1)
            return len(asked) > 5

        link.given_up = given_up
        with pytest.raises(ConnectingStoppedError):
            link.connect()
        link.close()
    os.close(master)
    os.close(slave)
    assert len(asked) == 6


def test_speed_is_forgotten_where_nobody_answers_any_more(monkeypatch):
    """Another adapter may have been plugged in meanwhile; as long as one answers, it is kept."""
    said: list[str] = []
    slow, quick = (Timing(baud=b, latency_ms=1, reset_ms=20) for b in (38_400, 115_200))
    monkeypatch.setattr("logbench.vehicle.links.serial.BAUDS", (38_400, 115_200))
    monkeypatch.setattr("logbench.vehicle.links.device.START_TIMEOUT_S", 0.3)
    with serve_pty(StillCar(), timing=slow, strict_baud=True) as path:
        link = open_link(f"serial:{path}", said.append)
        link.connect()
        link.close()
        said.clear()
        link.connect()
        link.close()
        assert not any("38,400" in text for text in said)
    with serve_pty(StillCar(), timing=quick, strict_baud=True) as path:
        link._place = path
        with pytest.raises(AdapterMuteError):
            link.connect()
        link.connect()
        link.close()


def test_one_ecu_can_be_asked_alone(simulated):
    link = simulated()
    link.connect()
    assert [r.ecu for r in link.exchange(b"\x01\x0c").replies] == ["7E8", "7E9"]
    assert [r.ecu for r in link.exchange(b"\x01\x0c", to="7E9").replies] == ["7E9"]
    assert [r.ecu for r in link.exchange(b"\x01\x0c").replies] == ["7E8", "7E9"]


# --- texts ---


@pytest.mark.parametrize(
    ("line", "status"),
    [
        ("NO DATA", Status.SILENCE),
        ("UNABLE TO CONNECT", Status.NO_PROTOCOL),
        ("?", Status.NOT_UNDERSTOOD),
        ("CAN ERROR", Status.BUS_TROUBLE),
        ("7E8 06 <RX ERROR", Status.BUS_TROUBLE),
        ("BUS INIT: ...ERROR", Status.NO_PROTOCOL),
        ("BUS INIT: .....ERROR", Status.NO_PROTOCOL),
        ("BUFFER FULL", Status.OVERRUN),
        ("STOPPED", Status.INTERRUPTED),
        ("LV RESET", Status.RESET),
        ("ERR94", Status.RESET),
        ("OK", None),
        ("", None),
    ],
)
def test_status_texts(line, status):
    assert status_of(line) is status


def test_lines_without_noise():
    reply = b"SEARCHING...\r\n7E8064100BE3FA813\x00\r\rBUS INIT: ...OK\r>"
    assert lines_of(reply) == [b"7E8064100BE3FA813"]
    for noise in (b"SEARCHING...", b"Searching.....", b"BUS INIT: .....OK", b"BUSINIT:OK ", b".."):
        assert lines_of(noise + b"7E8064100BE3FA813\r") == [b"7E8064100BE3FA813"]


def test_what_the_link_sets_between_two_requests_is_not_repeated(simulated, monkeypatch):
    """Seen: after the adapter was told to wait less, 'the same again' was refused by the gate, and
    the capture ended in a fault."""
    link = simulated()
    link.connect()
    monkeypatch.setattr(adapter, "_WAITS", 2)
    monkeypatch.setattr(adapter, "_IDLE_S", -1.0)  # every reply seems to come late
    for _ in range(6):
        assert link.exchange(bytes([1, 0x0C]), 1, 1.0).replies
    assert link.repeats  # and goes on repeating


def test_a_reply_is_as_old_as_the_middle_of_its_round_trip(simulated):
    link, seen = simulated(), []
    link.connect()
    link.witness = seen.append
    (reply,) = link.exchange(bytes([1, 0x0C]), 1, 1.0).replies
    (one,) = seen
    assert one.sent_ns < one.arrived_ns
    assert reply.t_ns == (one.sent_ns + one.arrived_ns) // 2


def test_the_long_wait_for_a_slow_ecu_is_taken_back(simulated, monkeypatch):
    lines, command = [], LineGate.command

    def noted(gate: LineGate, line: str, permit=None) -> None:
        lines.append(line)
        command(gate, line, permit)

    link = simulated(troubles=(parse_trouble("pending@0:1000"),))
    link.connect()
    monkeypatch.setattr(LineGate, "command", noted)
    while "ATSTFF" not in lines:
        assert link.exchange(bytes([1, 0x0C]), 1, 1.0).replies
    told = [line for line in lines if line.startswith(("ATAT", "ATST"))]
    assert told[-1] in ("ATAT1", "ATAT2")
    assert told[-2].startswith("ATST")
    assert told[-2] != "ATSTFF"
