"""Adapters and cars that are odd, but no reason to refuse: each was refused, or slow, before."""

from __future__ import annotations

import os
import time
from contextlib import closing

import pytest

from logbench.vehicle.discovery import discover
from logbench.vehicle.gate import CONSENT
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.poller import Poller
from logbench.vehicle.records.clearing import clear_codes
from logbench.vehicle.records.read import read_car
from tests.vehicle.peers import Peer, linked, on_serial, on_tcp
from tests.vehicle.test_isotp import segmented

VIN = "ZZ9TEST170X000001"
ENGINE = {
    "0100": ("4100801A0001",),
    "010C": ("410C0FA0",),
    "010D": ("410D00",),
    "010F": ("410F50",),
    "03": ("43010171",),
    "07": ("4700",),
    "04": ("44",),
    "0900": ("490040000000",),
    "0902": ("490201" + VIN.encode().hex().upper(),),
}
SECOND = {
    "0100": ("410080180000",),
    "010C": ("410C1770",),
    "010D": ("410D00",),
    "03": ("43010741",),
    "07": ("4700",),
    "04": ("44",),
}


def recorded(link, signals=("RPM", "VSS"), steps=20):
    """What polling brings, as (signal, ECU) to the set of values."""
    poller = Poller(link, discover(link), signals)
    found = {}
    for _ in range(steps):
        for reading in poller.step():
            found.setdefault((reading.signal, reading.ecu), set()).add(reading.value)
    return found


# --- headers ---


class Bare(Peer):
    """An adapter that prints no headers, two ECUs behind it; `h1`: what it says to that setting."""

    def __init__(self, h1: str = "OK", shares: bool = True) -> None:
        lines = {"ATH1": h1} | ({} if shares else {"ATSH7E0": "?", "ATSH7DF": "?"})
        super().__init__(lines=lines)
        self.to = "7DF"

    def line(self, line: bytes) -> str | None:
        said = super().line(line)
        if line.startswith(b"ATSH") and said == "OK":
            self.to = line[4:].decode()
        return said

    def asked(self, request: str) -> tuple[str, ...]:
        self.requests.append(request)
        ecus = {"7E0": [ENGINE], "7E1": [SECOND], "7DF": [ENGINE, SECOND]}.get(self.to, [])
        return tuple(reply for ecu in ecus for reply in packed(ecu, request))

    def printed(self, replies: tuple[str, ...]) -> str:
        lines = []
        for reply in replies:
            if len(reply) <= 14:
                lines.append(reply)
                continue
            filled = reply.ljust(12 + -(-(len(reply) - 12) // 14) * 14, "A")
            rest = [filled[n : n + 14] for n in range(12, len(filled), 14)]
            lines += [f"{len(reply) // 2:03X}", f"0:{filled[:12]}"]
            lines += [f"{n % 16:X}:{text}" for n, text in enumerate(rest, 1)]
        return "\r".join(lines) or "NO DATA"


def packed(ecu: dict[str, tuple[str, ...]], request: str) -> tuple[str, ...]:
    """An ECU's reply, also to several PIDs."""
    if request in ecu or not request.startswith("01"):
        return ecu.get(request, ())
    pids = [request[n : n + 2] for n in range(2, len(request), 2)]
    parts = "".join(ecu[f"01{pid}"][0][2:] for pid in pids if f"01{pid}" in ecu)
    return ("41" + parts,) if parts else ()


@pytest.mark.parametrize("h1", ["OK", "?"])
@pytest.mark.parametrize("serve", [on_tcp, on_serial])
def test_an_adapter_that_prints_no_headers(serve, h1, save):
    peer = Bare(h1)
    with serve(peer) as url, closing(open_link(url)) as link:
        link.connect()
        assert recorded(link, ("RPM", "VSS", "IAT"), 30) == {
            ("RPM", "7E8"): {1000.0}, ("VSS", "7E8"): {0.0}, ("IAT", "7E8"): {40.0},
        }  # fmt: skip
        assert discover(link).vin == VIN
        ENGINE["010C"], kept = ("410C0000",), ENGINE["010C"]
        try:
            assert {(c.code, c.ecu) for c in read_car(link).codes} == {
                ("P0171", "7E8"), ("P0741", "7E9"),
            }  # fmt: skip
            done = clear_codes(link, CONSENT, save)
        finally:
            ENGINE["010C"] = kept
    assert peer.requests.count("04") == 1
    assert done.change.to == "", "all ECUs are cleared, not the one that is polled"
    assert done.change.accepted == ["ECU 1", "ECU 2"]


def test_an_adapter_that_prints_no_headers_and_addresses_nobody():
    """Values of which nobody knows whose they are do not come in; the others do."""
    said: list[str] = []
    with on_tcp(Bare(shares=False)) as url, closing(open_link(url, said.append)) as link:
        link.connect()
        found = recorded(link, ("RPM", "VSS", "IAT"), 80)
        assert found.pop(("VSS", "ECU"), {0.0}) == {0.0}
        assert found == {("IAT", "ECU"): {40.0}}
        assert {code.code for code in read_car(link).codes} == {"P0171", "P0741"}
    assert sum(text.startswith("2 ECUs answer") for text in said) == 1


# --- the supply ---


@pytest.mark.parametrize("volts", ["0.0V", "5.1V", "0.0", "?"])
@pytest.mark.parametrize("kind", ["tcp", "serial"])
def test_a_voltage_that_is_wrong_or_low_though_the_car_answers(kind, volts):
    with linked(kind, Peer(lines={"ATRV": volts})) as link:
        assert recorded(link)[("RPM", "7E8")] == {0.0}


# --- echo, start, speed ---


class Echoing(Peer):
    """What is sent comes back, with `e0` as the answer to the wish that it did not; of requests
    alone where `requests_only`."""

    def __init__(self, e0: str, requests_only: bool = False) -> None:
        short = {request: said for request, said in ENGINE.items() if request[:2] != "09"}
        super().__init__(short, {"ATE0": e0})
        self.requests_only = requests_only

    def line(self, line: bytes) -> str | None:
        said = super().line(line)
        if self.requests_only and not line.strip()[:1].isdigit():
            return said
        return f"{line.decode('latin-1')}\r{said}"


@pytest.mark.parametrize("e0", ["OK", "?"])
@pytest.mark.parametrize("requests_only", [False, True])
@pytest.mark.parametrize("kind", ["tcp", "serial"])
def test_an_echo_that_stays_on_is_learned_once(kind, requests_only, e0):
    """Seen before: each request set the adapter up anew, or the adapter was refused."""
    peer = Echoing(e0, requests_only)
    with linked(kind, peer) as link:
        assert recorded(link)[("RPM", "7E8")] == {1000.0}
    assert peer.wire.count(b"ATH1") <= 2, "set up so often"


def test_an_adapter_that_restarts_without_a_word_though_its_echo_stays_on():
    peer = Echoing("OK")
    printed, headers = peer.printed, []

    def bare(replies: tuple[str, ...]) -> str:
        restored = b"ATH1" in peer.wire[headers[0] :] if headers else True
        return printed(replies) if restored else "\r".join(replies)

    peer.printed = bare
    with linked("tcp", peer) as link:
        poller = Poller(link, discover(link), ("RPM",))
        assert poller.step()
        headers.append(len(peer.wire))
        readings = [reading for _ in range(8) for reading in poller.step()]
    assert readings
    assert {reading.value for reading in readings} == {1000.0}
    assert peer.wire[headers[0] :].count(b"ATE0") == 1


@pytest.mark.parametrize("command", ["ATWS", "ATZ"])
def test_an_adapter_that_takes_its_time_to_start(command):
    peer = Peer(lines={"ATWS": "?"} if command == "ATZ" else {})

    def line(text: bytes, answer=peer.line) -> str | None:
        said = answer(text)
        if text.decode() == command:
            time.sleep(3.0)
            return "\rABCD v1.0"
        return said

    peer.line = line
    with linked("serial", peer) as link:
        assert link.adapter == "ABCD v1.0"
    assert peer.wire.count(command.encode()) == 1


@pytest.mark.parametrize("baud", [1_000_000, 2_000_000])
def test_a_fast_serial_port_is_found(baud):
    termios = pytest.importorskip("termios")
    speed = getattr(termios, f"B{baud}", None)
    if speed is None:
        pytest.skip("no such speed here")
    peer, ends = Peer(), []

    def line(text: bytes, answer=peer.line) -> str | None:
        return answer(text) if termios.tcgetattr(ends[0])[4] == speed else "\xff\xfe"

    peer.line = line
    with on_serial(peer) as url:
        path = url.removeprefix("serial:").partition("?")[0]
        ends.append(os.open(path, os.O_RDWR | os.O_NOCTTY))
        with closing(open_link(f"serial:{path}")) as link:
            link.connect()
            assert link.exchange(b"\x01\x0d").replies
        os.close(ends[0])


# --- filler that is counted ---


class Filling(Peer):
    """Every reply is a whole frame, as far as its length says."""

    filler = "AA"

    def asked(self, request: str) -> tuple[str, ...]:
        self.requests.append(request)
        return tuple(r + self.filler * (7 - len(r) // 2) for r in packed(ENGINE, request))

    def printed(self, replies: tuple[str, ...]) -> str:
        lines = []
        for reply in replies:
            frames = segmented(bytes.fromhex(reply))
            lines += [f"7E8{frame.hex().upper().ljust(16, 'A')}" for frame in frames]
        return "\r".join(lines) or "NO DATA"


@pytest.mark.parametrize("filler", ["00", "55", "AA", "FF"])
@pytest.mark.parametrize("kind", ["tcp", "serial"])
def test_filler_that_is_counted_in_the_length(kind, filler):
    peer = Filling()
    peer.filler = filler
    with linked(kind, peer) as link:
        assert recorded(link, ("RPM", "VSS", "IAT"), 20) == {
            ("RPM", "7E8"): {1000.0}, ("VSS", "7E8"): {0.0}, ("IAT", "7E8"): {40.0},
        }  # fmt: skip
        reading = read_car(link)
    assert [code.code for code in reading.codes] == ["P0171"]
    assert reading.codes_known("pending")
    assert len(peer.requests[-1]) <= 6
    packs = [request for request in peer.requests if request[:2] == "01" and len(request) > 4]
    assert packs, "packing goes on"


# --- the first reply ---


@pytest.mark.parametrize("kind", ["tcp", "serial"])
def test_a_first_reply_that_arrives_damaged_is_asked_for_again(kind):
    peer = Peer(ENGINE | {"0902": ()}, {f"ATTP{n}": "?" for n in "123456789"} | {"ATTPA6": "?"})
    printed, damaged = peer.printed, ["7F8064100801A0001"]
    peer.printed = lambda replies: damaged.pop() if damaged else printed(replies)
    with linked(kind, peer) as link:
        assert recorded(link)[("RPM", "7E8")] == {1000.0}


def test_an_adapter_that_knows_one_bus_and_no_search():
    peer = Peer(ENGINE | {"0902": ()}, {"ATTPA6": "?", "ATSP0": "?"})
    with linked("tcp", peer) as link:
        assert recorded(link)[("RPM", "7E8")] == {1000.0}


# --- one damaged byte is not a refusal ---


@pytest.mark.parametrize("command", ["ATH1", "ATS0", "ATTPA6", "010C0D1"])
@pytest.mark.parametrize("kind", ["tcp", "serial"])
def test_a_command_that_was_damaged_once_is_not_given_up(kind, command):
    """Seen before: one flipped byte, and the reply count was never used again."""
    peer, damaged = Peer(ENGINE | {"0902": ()}), [command]

    def line(text: bytes, answer=peer.line) -> str | None:
        if text.strip().decode("latin-1") in damaged:
            peer.wire.append(text)
            damaged.clear()
            return "?"
        return answer(text)

    def asked(request: str) -> tuple[str, ...]:
        peer.requests.append(request)
        return packed(ENGINE, request)

    peer.line, peer.asked = line, asked
    with linked(kind, peer) as link:
        assert recorded(link, steps=40)[("RPM", "7E8")] == {1000.0}
    assert damaged == []
    assert [text.strip() for text in peer.wire if text.strip()[:2] == b"01"][-1] == b"010C0D1"


def test_the_reply_count_of_an_adapter_that_refuses_it_is_given_up():
    peer = Peer(ENGINE | {"0902": ()})

    def line(text: bytes, answer=peer.line) -> str | None:
        odd = text.strip()[:1].isdigit() and len(text.strip()) % 2
        if odd:
            peer.wire.append(text)
        return "?" if odd else answer(text)

    peer.line = line
    peer.asked = lambda request: packed(ENGINE, request)
    with linked("tcp", peer) as link:
        assert recorded(link, steps=40)[("RPM", "7E8")] == {1000.0}
    assert sum(len(text.strip()) % 2 for text in peer.wire if text.strip()[:1].isdigit()) <= 3
