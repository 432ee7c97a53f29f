"""The simulated ECUs directly on a CAN bus, for links without an adapter."""

from __future__ import annotations

import heapq
import itertools
from dataclasses import dataclass
from typing import Unpack

from logbench.simulator.model import CarSource
from logbench.simulator.protocols import (
    FUNCTIONAL_11,
    FUNCTIONAL_29,
    padded,
    request_id,
    response_id,
    segment,
)
from logbench.simulator.server import Device, Due, Plug
from logbench.simulator.timing import Timing, frame_s
from logbench.simulator.trouble import mood

FLOW_TIMEOUT_S = 1.0
"""N_Bs of ISO 15765-2: how long a sender waits for flow control."""

_QUEUE_LIMIT = 1000
"""Messages on their way with which the ECUs take no further requests."""

_CLEAR_TO_SEND, _WAIT = 0x30, 0x31
_OVERFLOW = padded(b"\x32\x00\x00", 0x00)
"""Flow control of an ECU that has room for one frame, which every request of diagnosis fits."""


@dataclass(frozen=True, slots=True)
class CanFrame:
    """One data frame."""

    identifier: int
    data: bytes
    extended: bool = False
    """29-bit identifier."""


@dataclass(slots=True)
class _Transfer:
    """A message on its way out of one ECU."""

    identifier: int
    frames: list[bytes]
    index: int = 0
    gap_s: float = 0.0
    left_in_block: int | None = None
    """Frames until the next flow control; None: all."""
    waiting_until_s: float | None = None
    """Set while flow control is awaited."""


class CanCar(Device[CanFrame]):
    """All ECUs of one car at a CAN bus."""

    def __init__(self, car: CarSource, timing: Timing | None = None, **plug: Unpack[Plug]) -> None:
        """The protocol is '6' to '9'."""
        super().__init__(car, timing, **plug)
        if not self.protocol.is_can:
            raise ValueError(f"{self.protocol.name} is not CAN")
        self._queue: list[tuple[float, int, _Transfer]] = []
        """When the next frame of a transfer is ready; the number decides between equals."""
        self._numbers = itertools.count()
        self._free_s = 0.0
        self._transfers: dict[str, _Transfer] = {}

    # --- frames in and out ---

    def receive(self, frame: CanFrame, t_s: float) -> None:
        """A frame that the tester put on the bus at `t_s`."""
        if frame.extended != (self.protocol.id_bits == 29) or not frame.data:
            return
        if len(self._queue) > _QUEUE_LIMIT:
            return
        t_s += frame_s(self.protocol, len(frame.data))
        functional = FUNCTIONAL_29 if frame.extended else FUNCTIONAL_11
        if frame.identifier == functional:
            self._single(frame.data, None, t_s)
            return
        for ecu in self.ecus.car.ecus:
            if frame.identifier == request_id(self.protocol, ecu):
                self._physical(ecu, frame.data, t_s)

    def due(self) -> Due[CanFrame] | None:
        """The next frame of an ECU, due when it is complete on the bus; None when there is none."""
        if not self._queue:
            return None
        ready_s, _, transfer = self._queue[0]
        data = transfer.frames[transfer.index]
        due_s = max(ready_s, self._free_s) + frame_s(self.protocol, len(data))
        frame = CanFrame(transfer.identifier, data, self.protocol.id_bits == 29)
        return Due(due_s, ready_s, frame)

    def pop(self) -> Due[CanFrame]:
        """Take that frame."""
        due = self.due()
        assert due is not None
        _, _, transfer = heapq.heappop(self._queue)
        self._free_s = due.t_s
        transfer.index += 1
        if transfer.index < len(transfer.frames):
            self._go_on(transfer, due.t_s)
        return due

    # --- inside ---

    def _go_on(self, transfer: _Transfer, t_s: float) -> None:
        """After a frame: the next one, or wait for flow control."""
        if transfer.left_in_block is not None:
            transfer.left_in_block -= 1
        if transfer.index == 1 or transfer.left_in_block == 0:
            transfer.waiting_until_s = t_s + FLOW_TIMEOUT_S
        else:
            self._push(transfer, t_s + transfer.gap_s)

    def _push(self, transfer: _Transfer, ready_s: float) -> None:
        heapq.heappush(self._queue, (ready_s, next(self._numbers), transfer))

    def _physical(self, ecu: str, data: bytes, t_s: float) -> None:
        kind = data[0] >> 4
        if kind == 3:
            self._flow(ecu, data, t_s)
        elif kind == 1 and len(data) == 8:
            self._push(_Transfer(response_id(self.protocol, ecu), [_OVERFLOW]), t_s)
        else:
            self._single(data, ecu, t_s)

    def _single(self, data: bytes, ecu: str | None, t_s: float) -> None:
        """A request in a single frame; anything else is ignored."""
        length = data[0]
        if 1 <= length <= 7 and len(data) > length:
            self._ask(data[1 : 1 + length], ecu, t_s)

    def _flow(self, ecu: str, data: bytes, t_s: float) -> None:
        """Flow control from the tester: status, block size, separation time."""
        transfer = self._transfers.get(ecu)
        until_s = transfer.waiting_until_s if transfer is not None else None
        if transfer is None or until_s is None:
            return
        if t_s > until_s or len(data) < 3 or data[0] not in (_CLEAR_TO_SEND, _WAIT):
            transfer.waiting_until_s = None
            del self._transfers[ecu]
            return
        if data[0] == _WAIT:
            transfer.waiting_until_s = t_s + FLOW_TIMEOUT_S
            return
        transfer.waiting_until_s = None
        transfer.left_in_block = data[1] or None
        transfer.gap_s = _separation_s(data[2])
        self._push(transfer, t_s)

    def _ask(self, request: bytes, ecu: str | None, t_s: float) -> None:
        if self.ecus.starts_clock(request):
            self.clock.start(t_s)
        now_s = self.clock.at(t_s)
        self.ecus.car.advance(now_s)
        self.ecus.mood = mood(self.troubles.active(now_s), self.ecus.car.ecus)
        for answer in self.ecus.ask(request, can=True, target=ecu):
            for after_s, message in answer.messages:
                transfer = _Transfer(response_id(self.protocol, answer.ecu), segment(message))
                self._transfers[answer.ecu] = transfer
                self._push(transfer, t_s + after_s)


def _separation_s(code: int) -> float:
    """STmin of ISO 15765-2: 0 to 127 ms, or 0xF1 to 0xF9 for 100 to 900 us; else the longest."""
    if code <= 0x7F:
        return code / 1000
    return (code - 0xF0) / 10_000 if 0xF1 <= code <= 0xF9 else 0.127
