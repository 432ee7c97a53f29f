"""Messages of the older buses: every legal length of every service, printed in every way."""

from __future__ import annotations

import time
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from obd.protocols import SAE_J1850_PWM

from logbench.errors import ReplyError
from logbench.vehicle.discovery import discover
from logbench.vehicle.framing import NAMELESS
from logbench.vehicle.gate import CONSENT
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.older import (
    Form,
    assemble_older_lines,
    crc_check,
    form_of,
    sum_check,
)
from logbench.vehicle.poller import Poller
from logbench.vehicle.records.clearing import clear_codes
from tests.vehicle.peers import Peer, on_serial

BUSES = {"J1850": crc_check, "9141": sum_check, "14230": sum_check}


def crc(frame: bytes) -> int:
    """The check byte of SAE J1850, by division of polynomials."""
    value = int.from_bytes(frame, "big") << 8
    value ^= 0xFF << 8 * len(frame)
    for bit in range(value.bit_length() - 1, 7, -1):
        if value >> bit & 1:
            value ^= 0x11D << bit - 8
    return value ^ 0xFF


def frame_of(bus: str, source: int, data: bytes) -> bytes:
    """Header, data and check byte as the bus has them."""
    head = bytes((0x80 | len(data), 0xF1, source) if bus == "14230" else (0x48, 0x6B, source))
    check = crc(head + data) if bus == "J1850" else sum(head + data) & 0xFF
    return head + data + bytes((check,))


def printed(bus: str, source: int, data: bytes, form: Form, gap: str = "") -> bytes:
    frame = frame_of(bus, source, data)
    shown = frame[3 - form.head : len(frame) - (1 - min(form.tail, 1))]
    return gap.join(f"{byte:02X}" for byte in shown).encode()


def forms(bus: str):
    """All an adapter may print: everything, no check byte, or data alone; the check byte wrong."""
    return (Form(3, 1, BUSES[bus]), Form(3, 1), Form(3, 0), Form(0, 0))


SINGLE = [
    *(bytes((service, *range(0x21, 0x21 + n))) for service in (0x41, 0x42, 0x45, 0x46, 0x48)
      for n in range(7)),
    b"\x44", b"\x43", b"\x47", b"\x4a",
    *(bytes((service | 0x40, *pairs)) for service in (3, 7, 10)
      for pairs in (b"\1\x71", b"\1\x71\3\1", b"\1\x71\3\1\xc1\0", bytes(6))),
    *(b"\x49" + bytes((kind, 5)) for kind in (1, 3, 5, 7, 9)),
    b"\x49\x00\x55\x40\x00\x00",
    *(bytes((0x7F, service, 0x78)) for service in range(1, 11)),
    *(bytes((0x7F, service, 0x12)) for service in range(1, 11)),
]  # fmt: skip
"""Replies of one line, of every service and length."""


@pytest.mark.parametrize("bus", BUSES)
@pytest.mark.parametrize("gap", ["", " "])
def test_every_reply_of_one_line(bus, gap):
    """Seen before: frames of less than six bytes were dropped, and with them 44 and 43."""
    for form in forms(bus):
        for data in SINGLE:
            lines = [printed(bus, source, data, form, gap) for source in (0x10, 0x18)]
            if not form.head:
                lines = lines[:1]
            found = assemble_older_lines(lines, form)
            ecus = ["10", "18"] if form.head else [NAMELESS]
            assert found.messages == [(ecu, data) for ecu in ecus], (form, data.hex())
            assert (found.damaged, found.frames, found.other) == (0, len(lines), [])


LONG = {
    b"\x49\x02": b"\0\0\0ZZ9TEST170X000001",
    b"\x49\x04": b"CALIBRATION-0001CALIBRATION-0002",
    b"\x49\x06": b"\1\2\3\4\5\6\7\x08",
    b"\x49\x08": bytes(range(32)),
    b"\x49\x0a": b"ECM\0-Engine control"[:20].ljust(20, b"\0"),
    b"\x49\x00": b"\x55\x40\0\0",
}
"""Service 09: head and data, four bytes a line."""


def numbered(head: bytes, data: bytes) -> list[bytes]:
    return [head + bytes((n // 4 + 1,)) + data[n : n + 4] for n in range(0, len(data), 4)]


@pytest.mark.parametrize("bus", BUSES)
def test_numbered_lines_of_two_ecus(bus):
    for form in forms(bus):
        sources = (0x10, 0x18) if form.head else (0x10,)
        for head, data in LONG.items():
            parts = [(s, part) for part in numbered(head, data) for s in sources]
            lines = [printed(bus, source, part, form) for source, part in parts]
            found = assemble_older_lines(lines, form)
            names = [f"{s:02X}" if form.head else NAMELESS for s in sources]
            assert found.messages == [(name, head + data) for name in names]
            counted = head in (b"\x49\x02", b"\x49\x0a", b"\x49\x04")  # else nobody knows the last
            for missing in range(0, len(lines) - (0 if counted else len(sources)), len(sources)):
                less = assemble_older_lines(lines[:missing] + lines[missing + 1 :], form)
                assert names[0] not in dict(less.messages), "a line is missing"
                assert less.damaged


@pytest.mark.parametrize("bus", BUSES)
def test_codes_in_several_lines(bus):
    form = Form(3, 1, BUSES[bus])
    for service in (0x43, 0x47, 0x4A):
        first = [bytes((service,)) + b"\1\x71\3\1\xc1\0", bytes((service, 1, 0x43)) + bytes(4)]
        lines = [printed(bus, 0x10, part, form) for part in first]
        lines.insert(1, printed(bus, 0x18, bytes((service, *bytes(6))), form))
        found = dict(assemble_older_lines(lines, form).messages)
        assert found["10"] == bytes((service,)) + b"\1\x71\3\1\xc1\0\1\x43" + bytes(4)
        assert found["18"] == bytes((service, *bytes(6)))


@pytest.mark.parametrize("bus", BUSES)
def test_a_flipped_bit_or_a_lost_byte_is_no_reply(bus):
    form = Form(3, 1, BUSES[bus])
    for data in SINGLE:
        frame = frame_of(bus, 0x10, data)
        for at in range(8 * len(frame)):
            spoiled = bytearray(frame)
            spoiled[at // 8] ^= 1 << at % 8
            found = assemble_older_lines([spoiled.hex().encode()], form)
            assert (found.messages, found.damaged) == ([], 1)
        shorter = [frame[:n] + frame[n + 1 :] for n in range(len(frame))]
        for line in shorter:
            for _, got in assemble_older_lines([line.hex().encode()], form).messages:
                assert bus != "14230", got  # whose frames count their bytes
                assert sum(line[:-1]) & 0xFF == line[-1] or crc_check(line)


@pytest.mark.parametrize("bus", BUSES)
def test_the_form_is_found_in_the_first_reply(bus):
    reply = bytes.fromhex("4100BE3FA813")
    for form in forms(bus):
        lines = [b"SEARCHING", *(printed(bus, s, reply, form) for s in (0x10, 0x18))]
        found = form_of(lines, BUSES[bus])
        expected = Form(3, 1, BUSES[bus]) if form.tail else form
        assert found == expected
    wrong = [printed(bus, 0x10, reply, Form())[:-2] + b"00"]
    assert form_of(wrong, BUSES[bus]) == Form(3, 1, None)
    answered = [printed(bus, 0x10, reply, Form()) + b"10"]
    assert form_of(answered, BUSES[bus]) == Form(3, 2, BUSES[bus]), "an in-frame response"
    assert form_of([b"NO DATA"], BUSES[bus]) is None


def test_a_long_refusal_has_its_reason_at_the_end():
    form = Form(3, 1, sum_check)
    for data, short in (
        ("7F0401020322", "7F0422"), ("7F040000000011", "7F0411"), ("7F041200000000", "7F0412"),
    ):  # fmt: skip
        line = printed("9141", 0x10, bytes.fromhex(data), form)
        assert assemble_older_lines([line], form).messages == [("10", bytes.fromhex(short))]


def test_replies_of_two_ecus_as_python_obd():
    lines = [b"486B10410CFC0013", b"486B18410CFC001B"]
    theirs = SAE_J1850_PWM([])([text.decode() for text in lines])
    found = assemble_older_lines(lines, Form())
    assert [data for _, data in found.messages] == [bytes(m.data) for m in theirs]
    assert [ecu for ecu, _ in found.messages] == ["10", "18"]


def test_crc_of_j1850():
    # CRC-8/SAE-J1850 of the catalog of parametrised CRC algorithms: 4B for "123456789".
    assert crc_check(b"123456789\x4b")
    assert not crc_check(b"123456789\x4c")
    assert crc(b"123456789") == 0x4B


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=40), st.text("0123456789ABCDEF ", max_size=30).map(str.encode)
        ),
        max_size=12,
    )
)
@settings(max_examples=300, deadline=None)
def test_nothing_escapes_from_garbage(lines):
    for form in (*forms("J1850"), *forms("14230")):
        assert all(data for _, data in assemble_older_lines(lines, form).messages)
    form_of(lines, sum_check)


# --- over a real pseudo-terminal ---


class OlderPeer(Peer):
    """As `Peer`, on one of the older buses: number of the protocol, and what is printed."""

    def __init__(self, bus: str, number: str, form: Form, answers: dict[str, tuple[str, ...]]):
        super().__init__({"03": ("43017100000000",), "07": ("47",), "0A": ()} | answers)
        self.bus, self.form, self.number = bus, form, number

    def line(self, line: bytes) -> str | None:
        return "A" + self.number if line == b"ATDPN" else super().line(line)

    def printed(self, replies: tuple[str, ...]) -> str:
        datas = [bytes.fromhex(reply) for reply in replies]
        lines = [printed(self.bus, 0x10, data, self.form).decode() for data in datas]
        return "\r".join(lines) or "NO DATA"


@pytest.mark.parametrize(
    ("bus", "number"),
    [("J1850", "1"), ("J1850", "2"), ("9141", "3"), ("14230", "4"), ("14230", "5")],
)
@pytest.mark.parametrize("shape", range(4), ids=["whole", "unchecked", "no check", "bare"])
@pytest.mark.parametrize("answer", ["44", "7F0422"])
def test_clearing_is_told_as_it_was(bus, number, shape, answer, save):
    """Seen before: what worked was told as failed, on all of these buses."""
    peer = OlderPeer(bus, number, forms(bus)[shape], {"04": (answer,)})
    with on_serial(peer) as url, closing(open_link(url)) as link:
        link.connect()
        done = clear_codes(link, CONSENT, save)
        poller = Poller(link, discover(link), ("RPM", "VSS"))
        readings = [reading for _ in range(10) for reading in poller.step()]
    ecu = "10" if forms(bus)[shape].head else NAMELESS
    assert peer.requests.count("04") == 1
    assert done.change.outcome == ("accepted" if answer == "44" else "refused")
    assert list(done.change.last) == [ecu if ecu == "10" else f"{ecu} 1"]
    assert done.after is not None
    assert done.after.codes_known("pending")
    assert {reading.ecu for reading in readings} == {ecu}
    assert {reading.value for reading in readings} == {0.0}


@pytest.mark.parametrize(("bus", "number"), [("J1850", "2"), ("9141", "3"), ("14230", "5")])
def test_check_bytes_are_verified_though_the_first_reply_was_damaged(bus, number):
    peer = OlderPeer(bus, number, forms(bus)[0], {"010D": ("410D20",)})
    whole, damaged = peer.printed, []

    def spoiled(replies: tuple[str, ...]) -> str:
        text = whole(replies)
        if not damaged and text.startswith(("486B104100", "86F1104100")):
            damaged.append(text)
            return text[:-2] + f"{int(text[-2:], 16) ^ 0x10:02X}"
        return text.replace("410D20", "410D28") if len(damaged) > 1 else text

    peer.printed = spoiled
    with on_serial(peer) as url, closing(open_link(url)) as link:
        link.connect()
        poller = Poller(link, discover(link), ("VSS",))
        assert {r.value for _ in range(10) for r in poller.step()} == {32.0}
        damaged.append("from now on a bit is flipped")
        assert not [r for _ in range(10) for r in poller.step()]


@pytest.mark.parametrize("echo", ["", "010D1\r"])
def test_a_lost_prompt_does_not_cost_the_time_that_waking_the_bus_may_take(echo):
    """Seen before: one flipped byte, and the drive stood still for eight seconds."""
    peer = OlderPeer("9141", "3", forms("9141")[0], {"010D": ("410D20",)})
    lost = []

    def line(text: bytes, answer=peer.line):
        said = answer(text)
        if lost and text.strip() in (b"010D", b"010D1"):
            lost.clear()
            return iter((f"{echo}{said}\r\r?".encode(),))
        return said

    peer.line = line
    with on_serial(peer) as url, closing(open_link(url)) as link:
        link.connect()
        assert link.exchange(b"\x01\x0d", 1).replies
        link.exchange(b"\x01\x0c", 1)
        lost.append(True)
        start = time.monotonic()
        with pytest.raises(ReplyError):
            link.exchange(b"\x01\x0d", 1)
        assert time.monotonic() - start < 4.0
        assert link.exchange(b"\x01\x0d", 1).replies
