"""Segmentation against can-isotp, an independent implementation of ISO 15765-2."""

from __future__ import annotations

from collections import deque

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logbench.simulator.isotp import (
    FLOW_CONTROL,
    MAX_LENGTH,
    Assembler,
    SegmentError,
    frame_count,
    segment,
)

LENGTHS = (1, 6, 7, 8, 13, 14, 20, 62, 111, 118, 119, 1000, MAX_LENGTH)


def frames_of_can_isotp(message: bytes) -> list[bytes]:
    """The data frames that can-isotp sends for `message` to one that lets it send at once."""
    isotp = pytest.importorskip("isotp")
    sent: list[bytes] = []
    inbox: deque[object] = deque()

    def send(frame: object) -> None:
        sent.append(bytes(frame.data))  # type: ignore[attr-defined]
        if frame.data[0] >> 4 == 1:  # type: ignore[attr-defined]
            inbox.append(isotp.CanMessage(arbitration_id=0x7E0, data=FLOW_CONTROL, dlc=3))

    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E8, rxid=0x7E0)
    layer = isotp.TransportLayerLogic(
        rxfn=lambda timeout: inbox.popleft() if inbox else None,
        txfn=send,
        address=address,
        params={"tx_padding": 0x00, "tx_data_min_length": 8},
    )
    layer.send(message)
    while layer.transmitting():
        layer.process()
    return sent


@pytest.mark.parametrize("length", LENGTHS)
def test_frames_are_those_of_can_isotp(length: int) -> None:
    message = bytes(i * 7 & 0xFF for i in range(length))
    frames = segment(message)
    assert frames == frames_of_can_isotp(message)
    assert len(frames) == frame_count(length)


@given(st.binary(min_size=1, max_size=300), st.sampled_from([None, 0x00, 0x55, 0xAA]))
def test_round_trip(message: bytes, padding: int | None) -> None:
    assembler = Assembler()
    *early, last = [assembler.feed(frame) for frame in segment(message, padding)]
    assert early == [None] * len(early)
    assert last == message
    assert not assembler.waiting


@given(st.lists(st.binary(max_size=9), max_size=20))
@example([b"\x10\x08\x00\x00\x00\x00\x00\x00", b""])  # found once: an empty frame after a first one
@settings(max_examples=300)
def test_only_its_own_error_escapes(frames: list[bytes]) -> None:
    assembler = Assembler()
    for frame in frames:
        try:
            message = assembler.feed(frame)
        except SegmentError:
            assert not assembler.waiting
        else:
            assert message is None or 1 <= len(message) <= MAX_LENGTH


def test_out_of_turn() -> None:
    first, second, third = segment(bytes(range(20)))
    assembler = Assembler()
    assembler.feed(first)
    with pytest.raises(SegmentError, match="2 came instead of 1"):
        assembler.feed(third)
    with pytest.raises(SegmentError, match="out of turn"):
        assembler.feed(second)


@pytest.mark.parametrize("length", [0, MAX_LENGTH + 1])
def test_length_limits(length: int) -> None:
    with pytest.raises(SegmentError):
        segment(bytes(length))
