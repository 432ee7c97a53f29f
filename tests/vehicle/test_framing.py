"""Messages from an adapter's lines, held against python-OBD."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from obd.protocols import SAE_J1850_PWM, ISO_15765_4_11bit_500k, ISO_15765_4_29bit_500k

from logbench.vehicle.framing import (
    assemble_can_lines,
    assemble_legacy_lines,
    crc_check,
    sum_check,
)
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


def test_legacy_vin_in_five_lines():
    lines = []
    text = b"\0\0\0ZZ9TEST170X000001"
    for number in range(5):
        frame = b"\x48\x6b\x10\x49\x02" + bytes([number + 1]) + text[4 * number : 4 * number + 4]
        lines.append((frame + bytes([sum(frame) & 0xFF])).hex().upper().encode())
    found = assemble_legacy_lines(lines, sum_check)
    assert found.messages == [("10", b"\x49\x02" + text)]
    spoilt = lines.copy()
    spoilt[2] = spoilt[2][:-1] + (b"0" if spoilt[2][-1:] != b"0" else b"1")
    assert assemble_legacy_lines(spoilt, sum_check).messages == []


def test_legacy_replies_of_two_ecus_as_python_obd():
    lines = [b"486B10410CFC0013", b"486B18410CFC001B"]
    theirs = SAE_J1850_PWM([])([text.decode() for text in lines])
    found = assemble_legacy_lines(lines)
    assert [data for _, data in found.messages] == [bytes(m.data) for m in theirs]
    assert [ecu for ecu, _ in found.messages] == ["10", "18"]


def test_crc_of_j1850():
    # CRC-8/SAE-J1850 of the catalogue of parametrised CRC algorithms: 4B for "123456789".
    assert crc_check(b"123456789\x4b")
    assert not crc_check(b"123456789\x4c")


@given(st.lists(st.binary(max_size=40), max_size=12))
@settings(max_examples=200, deadline=None)
def test_nothing_escapes_from_garbage(lines):
    for found in (
        assemble_can_lines(lines, 11),
        assemble_can_lines(lines, 29),
        assemble_legacy_lines(lines),
        assemble_legacy_lines(lines, sum_check),
    ):
        assert all(data for _, data in found.messages)


@given(st.lists(st.text("0123456789ABCDEF 7E8", max_size=30), max_size=12))
@settings(max_examples=300, deadline=None)
def test_nothing_escapes_from_hex_garbage(texts):
    lines = [text.encode() for text in texts]
    for found in (
        assemble_can_lines(lines, 11),
        assemble_can_lines(lines, 29),
        assemble_legacy_lines(lines),
    ):
        assert all(data for _, data in found.messages)
