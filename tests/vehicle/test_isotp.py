"""The one assembler of CAN frames, held against can-isotp's segmentation, and what it refuses."""

from __future__ import annotations

import re
import time

import can
import isotp
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logbench.vehicle.framing import (
    BREAKS_OFF,
    NO_FRAME,
    OUT_OF_SEQUENCE,
    TOO_LATE,
    TOO_SHORT,
    CanAssembler,
    frames_of,
    reply_name,
    request_address,
)
from logbench.vehicle.links.can import CanLink
from logbench.vehicle.links.schemes import LinkUrl
from tests.damaged_frames import DAMAGED, ENGINE, SECOND, WHOLE, Frame


def segmented(message: bytes) -> list[bytes]:
    """CAN frames of a message, by can-isotp (an independent implementation of ISO 15765-2)."""
    sent: list[bytes] = []
    flow: list[isotp.CanMessage] = []

    def send(frame: isotp.CanMessage) -> None:
        sent.append(bytes(frame.data))
        if frame.data[0] >> 4 == 1:
            flow.append(isotp.CanMessage(arbitration_id=0x7E0, data=b"\x30\x00\x00", dlc=3))

    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E8, rxid=0x7E0)
    layer = isotp.TransportLayerLogic(
        rxfn=lambda _timeout: flow.pop() if flow else None,
        txfn=send,
        address=address,
        params={"tx_padding": 0x55, "tx_data_min_length": 8},
    )
    layer.send(message)
    for _ in range(1000):
        layer.process()
        if not layer.transmitting():
            break
    return sent


def assembled(frames: list[tuple[str, bytes]]) -> tuple[list[tuple[str, bytes]], CanAssembler]:
    assembler = CanAssembler()
    found = [(ecu, m) for ecu, data in frames if (m := assembler.feed(ecu, data)) is not None]
    assembler.abandon()
    return found, assembler


messages = st.binary(min_size=1, max_size=120).map(lambda tail: b"\x49" + tail)


@given(messages)
@example(b"\x49" + bytes(range(200)))  # frames are counted modulo 16
@settings(max_examples=60, deadline=None)
def test_segments_of_can_isotp_come_together_again(message):
    frames = segmented(message)
    found, assembler = assembled([(ENGINE, frame) for frame in frames])
    assert found == [(ENGINE, message)]
    assert assembler.damaged == 0
    assert assembler.frames == frames_of(len(message)) == len(frames)


def test_a_missing_or_repeated_frame_drops_the_message_only():
    frames = segmented(b"\x49\x02\x01" + b"ZZ9TEST170X000001")
    good = (SECOND, bytes.fromhex("0641000000000000"))
    assert len(frames) == 3
    for broken in (frames[:2], frames[1:], [frames[0], frames[2]], [frames[0], frames[1]] * 2):
        found, assembler = assembled([*((ENGINE, frame) for frame in broken), good])
        assert found == [(SECOND, bytes.fromhex("410000000000"))]
        assert assembler.damaged == len(broken)


def test_addresses_of_physical_requests():
    # ISO 15765-4: 7E0 asks the ECU that answers on 7E8; 18DA10F1 the one on 18DAF110.
    assert request_address("7E8") == "7E0"
    assert request_address("7EF") == "7E7"
    assert request_address("18DAF110") == "18DA10F1"


@given(st.integers(0, 2**29 - 1), st.booleans())
def test_reply_names_are_reply_addresses(identifier: int, extended: bool):
    name = f"{identifier:08X}" if extended else f"{identifier:03X}"
    legal = "18DAF1.." if extended else "7E[89A-F]"  # ISO 15765-4
    expected = name if re.fullmatch(legal, name) else None
    assert reply_name(identifier, extended) == expected


@pytest.mark.parametrize(
    ("case", "fault"),
    [
        ("the head is missing", NO_FRAME),
        ("the wrong number", OUT_OF_SEQUENCE),
        ("the tail is cut short", TOO_SHORT),
        ("the tail comes too late", TOO_LATE),
        ("another message in between", BREAKS_OFF),
    ],
)
def test_a_refusal_has_its_reason(case: str, fault: str):
    assembler = CanAssembler()
    t_s, faults = 5.0, []
    for after_s, ecu, text in DAMAGED[case]:
        t_s += after_s
        assembler.feed(ecu, bytes.fromhex(text), t_s)
        faults.append(assembler.fault)
    assert fault in faults
    good = bytes.fromhex("03410D40")
    assert assembler.feed(ENGINE, good, t_s) == good[1:]
    assert assembler.fault == ""


class PlayedBus:
    """Answers the search, then plays frames at their times to whoever asks."""

    def __init__(self, frames: list[Frame]) -> None:
        self._frames = frames
        self._queue: list[Frame] = []

    def send(self, message: can.Message, timeout: float) -> None:
        if bytes(message.data[:3]) == b"\x02\x01\x00":
            self._queue = [(0.0, ENGINE, "064100BE3FA813")]
        elif message.arbitration_id == 0x7DF:
            self._queue = list(self._frames)

    def recv(self, timeout: float) -> can.Message | None:
        after_s, ecu, text = self._queue[0] if self._queue else (timeout + 1.0, "", "")
        if after_s > timeout:
            time.sleep(timeout)
            self._queue[:1] = [(after_s - timeout, ecu, text)] if self._queue else []
            return None
        time.sleep(after_s)
        del self._queue[0]
        data = bytes.fromhex(text)
        return can.Message(arbitration_id=int(ecu, 16), data=data, is_extended_id=False)

    def shutdown(self) -> None:
        """Nothing is open."""


class PlayedLink(CanLink):
    def __init__(self, frames: list[Frame]) -> None:
        super().__init__(LinkUrl("can:played/0", "played/0", {"bitrate": "500000"}))
        self._played = PlayedBus(frames)

    def _open_bus(self, bitrate: int) -> PlayedBus:
        return self._played


def test_the_link_takes_the_whole_reply():
    with PlayedLink(WHOLE) as link:
        (reply,) = link.exchange(b"\x01\x0c\x05\x10").replies
    assert reply.data.hex() == "410c1af8057b100a00"


@pytest.mark.parametrize("case", DAMAGED)
def test_the_link_refuses_what_is_damaged(case: str):
    with PlayedLink(DAMAGED[case]) as link:
        exchange = link.exchange(b"\x01\x0c\x05\x10")
    assert not [reply for reply in exchange.replies if reply.data[0] == 0x41]
    assert exchange.raw.damaged > 0
