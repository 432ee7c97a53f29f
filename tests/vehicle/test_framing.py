"""Messages from an adapter's lines, held against python-OBD."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from obd.protocols import ISO_15765_4_11bit_500k, ISO_15765_4_29bit_500k

from logbench.vehicle.framing import assemble_bare_can_lines, assemble_can_lines
from tests.vehicle.test_isotp import segmented

# ISO 15765-4 reply addresses of the engine and the transmission.
ENGINE, SECOND = "7E8", "7E9"


def line(ecu: str, frame: bytes) -> bytes:
    return ecu.encode() + frame.hex().upper().encode()


messages = st.binary(min_size=1, max_size=120).map(lambda tail: b"\x49" + tail)


@given(messages, messages, st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_same_messages_as_python_obd(first, second, chance):
    """Two ECUs, frames interleaved at random: the same assembly as python-OBD's."""
    queues = {ENGINE: segmented(first), SECOND: segmented(second)}
    lines = []
    while any(queues.values()):
        ecu = chance.choice([ecu for ecu, left in queues.items() if left])
        lines.append(line(ecu, queues[ecu].pop(0)))
    found = assemble_can_lines(lines, 11)
    theirs = ISO_15765_4_11bit_500k([])([text.decode() for text in lines])
    assert dict(found.messages) == {f"7E{8 + m.tx_id:X}": bytes(m.data) for m in theirs}
    assert found.damaged == 0


def test_29_bit_replies_as_python_obd():
    lines = [b"18DAF110064100BE3FA813", b"18DAF1180641008018000155"[:-2]]
    found = assemble_can_lines(lines, 29)
    theirs = ISO_15765_4_29bit_500k([])([text.decode() for text in lines])
    assert [data for _, data in found.messages] == [bytes(m.data) for m in theirs]
    assert [ecu for ecu, _ in found.messages] == ["18DAF110", "18DAF118"]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"7E8064100BE3F", "shorter than the length byte says"),
        (b"7E8064100BE3FA81", "an odd number of digits is missing"),
        (b"7E8064100BE3FA8137E9064100801800", "two lines run together"),
        (b"010C0D1", "an echo, not a reply address"),
        (b"7E0064100BE3FA813", "a request address"),
        (b"7E8004100BE3FA813", "a length of zero"),
        (b"7E83000000000000000"[:-2], "flow control"),
    ],
)
def test_a_bad_line_is_dropped(text, why):
    found = assemble_can_lines([text], 11)
    assert found.messages == [], why
    assert found.damaged == 1


def test_status_texts_are_kept_apart():
    found = assemble_can_lines([b"SEARCHING...", b"7E8064100BE3FA813", b"<RX ERROR"], 11)
    assert found.other == ["SEARCHING...", "<RX ERROR"]
    assert len(found.messages) == 1


# --- without headers ---


def test_a_long_reply_without_headers():
    text = b"ZZ9TEST170X000001"
    lines = [b"014", b"0: 49 02 01 5A 5A 39", b"1:54455354313730", b"2:58303030303031"]
    found = assemble_bare_can_lines(lines)
    assert found.messages == [("ECU", b"\x49\x02\x01" + text)]
    assert (found.frames, found.damaged) == (3, 0)
    for missing in range(1, 4):
        less = assemble_bare_can_lines(lines[:missing] + lines[missing + 1 :])
        assert less.messages == []
        assert less.damaged


@given(messages, messages, st.randoms(use_true_random=False))
@settings(max_examples=200, deadline=None)
def test_mixed_lines_without_headers_give_no_message_that_nobody_sent(first, second, chance):
    queues = [bare(message) for message in (first, second)]
    lines = []
    while any(queues):
        lines += chance.choice([queue for queue in queues if queue]).pop(0)
    found = [data for _, data in assemble_bare_can_lines(lines).messages]
    assert set(found) <= {first, second}


def bare(message: bytes) -> list[list[bytes]]:
    """Lines of each frame of a message as an adapter prints them with headers off."""
    if len(message) <= 7:
        return [[message.hex().upper().encode()]]
    frames = segmented(message)
    first = [f"{len(message):03X}".encode(), b"0:" + frames[0][2:].hex().upper().encode()]
    rest = [f"{n % 16:X}:{f[1:].hex().upper()}".encode() for n, f in enumerate(frames[1:], 1)]
    return [first, *([line] for line in rest)]


def test_nameless_replies_that_contradict_each_other_are_dropped():
    lists = assemble_bare_can_lines([b"410080180001", b"410000080000"])
    assert lists.messages == [("ECU", bytes.fromhex("410080180001"))]
    newer = assemble_bare_can_lines([b"62F40080180001", b"62F40000080000"])
    assert newer.messages == [("ECU", bytes.fromhex("62F40080180001"))]
    same = assemble_bare_can_lines([b"410D05", b"410D05"])
    assert same.messages == [("ECU", bytes.fromhex("410D05"))]
    other = assemble_bare_can_lines([b"410D000C0FA0", b"410C0FA4"])
    assert (other.messages, other.damaged) == ([], 2)
    codes = assemble_bare_can_lines([b"43010171", b"43010301"])
    assert len(codes.messages) == 2


@given(st.lists(st.binary(max_size=40), max_size=12))
@settings(max_examples=200, deadline=None)
def test_nothing_escapes_from_garbage(lines):
    for found in (
        assemble_can_lines(lines, 11),
        assemble_can_lines(lines, 29),
        assemble_bare_can_lines(lines),
    ):
        assert all(data for _, data in found.messages)


@given(st.lists(st.text("0123456789ABCDEF 7E8:", max_size=30), max_size=12))
@settings(max_examples=300, deadline=None)
def test_nothing_escapes_from_hex_garbage(texts):
    lines = [text.encode() for text in texts]
    for found in (
        assemble_can_lines(lines, 11),
        assemble_can_lines(lines, 29),
        assemble_bare_can_lines(lines),
    ):
        assert all(data for _, data in found.messages)
