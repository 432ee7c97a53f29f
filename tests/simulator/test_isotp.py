"""Segmentation against can-isotp, an independent implementation of ISO 15765-2."""

from __future__ import annotations

from collections import deque

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.simulator.protocols import (
    MAX_LENGTH,
    segment,
)
from logbench.vehicle.framing import CanAssembler, frames_of

FLOW_CONTROL = b"\x30\x00\x00"
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
    assert len(frames) == frames_of(length)


@given(st.binary(min_size=1, max_size=300), st.sampled_from([None, 0x00, 0x55, 0xAA]))
def test_the_assembler_of_the_links_takes_them(message: bytes, padding: int | None) -> None:
    assembler = CanAssembler()
    *early, last = [assembler.feed("7E8", frame) for frame in segment(message, padding)]
    assert early == [None] * len(early)
    assert last == message
    assert not assembler.open
    assert assembler.damaged == 0


@pytest.mark.parametrize("length", [0, MAX_LENGTH + 1])
def test_length_limits(length: int) -> None:
    with pytest.raises(ValueError, match="a message has 1 to 4095 bytes"):
        segment(bytes(length))
