"""How long everything takes on the way from a client through the adapter to the ECUs and back.

All times are absolute on one clock in seconds (`time.monotonic`), so that nothing drifts: a reply
is due at a moment computed from the request's, never 'some time after the last thing done'.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from dataclasses import dataclass

from logbench.simulator.protocols import BusProtocol

BITS_PER_CHAR = 10
"""Start bit, eight data bits, stop bit."""

MAX_PACKED = 6
"""PIDs in one request on CAN (ISO 15031-5, SAE J1979)."""


@dataclass(frozen=True, slots=True)
class Timing:
    """Figures of one simulated adapter and car. Defaults: a good adapter on a fast serial line."""

    baud: int = 115_200
    """Speed of the serial line between client and adapter; 0: no time is spent there."""
    delay_ms: float = 0.0
    """On top of it each way, as a radio link adds."""
    command_ms: float = 3.0
    """What the adapter takes for each command before it acts (common practice, no source)."""
    latency_ms: float = 8.0
    """From the end of a request on the bus to the beginning of an ECU's answer."""
    second_latency_ms: float = 2.0
    """How much later each further ECU answers."""
    kline_latency_ms: float = 26.0
    """P2 of ISO 9141-2 and ISO 14230-2: at least 25 ms; `latency_ms` counts if it is longer."""
    kline_pause_ms: float = 55.0
    """P3: from the last answer to the next request on the K-line."""
    reset_ms: float = 600.0
    """Full reset of the adapter, to its banner."""
    try_ms: float = 100.0
    """What one try of a protocol takes while searching, on CAN and J1850."""
    slow_init_ms: float = 2400.0
    """Start of communication with the 5-baud address of ISO 9141-2 (about 2 s for the address)."""
    fast_init_ms: float = 150.0
    """The same with the wake-up pattern of ISO 14230-4."""

    def init_s(self, protocol: BusProtocol) -> float:
        """What it takes to find out whether a car speaks `protocol`."""
        if protocol.kind != "kline":
            return self.try_ms / 1000
        return (self.fast_init_ms if protocol.fast_init else self.slow_init_ms) / 1000

    def chars_s(self, count: int) -> float:
        """Serial time of `count` characters."""
        return count * BITS_PER_CHAR / self.baud if self.baud else 0.0

    @property
    def delay_s(self) -> float:
        """Radio delay, each way."""
        return self.delay_ms / 1000

    def ecu_s(self, number: int, kline: bool = False) -> float:
        """Answering time of the ECU at place `number` (0 is the engine)."""
        first = max(self.latency_ms, self.kline_latency_ms) if kline else self.latency_ms
        return (first + number * self.second_latency_ms) / 1000


def frame_s(protocol: BusProtocol, data_bytes: int = 8) -> float:
    """Bus time of one frame with `data_bytes` data bytes.

    CAN: the longest frame that bit stuffing can make, with the pause between frames:
    g + 8 n + 13 + (g + 8 n - 1) // 4 bits with g = 34 (11-bit identifier) or 54 (29-bit); K.
    Tindell, A. Burns, A. J. Wellings, 'Calculating controller area network message response times',
    1995, with the correction of R. I. Davis et al., 2007. Elsewhere 3 header bytes and a checksum
    come on top: 10 bits a byte on the K-line, 8 on J1850.
    """
    if protocol.is_can:
        guarded = (34 if protocol.id_bits == 11 else 54) + 8 * data_bytes
        return (guarded + 13 + (guarded - 1) // 4) / protocol.bit_rate
    bits = 10 if protocol.kind == "kline" else 8
    return (data_bytes + 4) * bits / protocol.bit_rate


@dataclass(frozen=True, slots=True)
class Sending:
    """What one ECU will send: its frames, from `ready_s` on."""

    ecu: str
    frames: tuple[bytes, ...]
    ready_s: float


@dataclass(frozen=True, slots=True)
class Arrival:
    """One frame of `ecu`, complete on the bus at `t_s`."""

    ecu: str
    frame: bytes
    t_s: float


def can_arrivals(
    protocol: BusProtocol, sendings: Iterable[Sending], flow_control: bool = True
) -> list[Arrival]:
    """When each frame of the ECUs is complete, one after another on the shared bus.

    After a first frame the adapter's flow control takes its place on the bus too; without
    `flow_control` the consecutive frames never come.
    """
    queue = [(s.ready_s, number, 0, s) for number, s in enumerate(sendings)]
    heapq.heapify(queue)
    arrivals: list[Arrival] = []
    free_s = 0.0
    while queue:
        ready_s, number, index, sending = heapq.heappop(queue)
        frame = sending.frames[index]
        free_s = max(ready_s, free_s) + frame_s(protocol, len(frame))
        arrivals.append(Arrival(sending.ecu, frame, free_s))
        if index + 1 == len(sending.frames):
            continue
        if index == 0:
            if not flow_control:
                continue
            free_s += frame_s(protocol)
        heapq.heappush(queue, (free_s, number, index + 1, sending))
    return arrivals


@dataclass(slots=True)
class CarClock:
    """Car time in seconds, from the machine's monotonic time in seconds.

    It stands at `start_s` until `start` is called, and then runs `speed` times as fast. The serving
    side starts it with the first Service 01 request for a value, so that no part of the drive goes
    by while a client is still finding out what is there.
    """

    speed: float = 1.0
    start_s: float = 0.0
    _started_at_s: float | None = None

    def start(self, t_s: float) -> None:
        """Let it run from `t_s` of the monotonic clock on; later calls change nothing."""
        if self._started_at_s is None:
            self._started_at_s = t_s

    def at(self, t_s: float) -> float:
        """Car time at `t_s` of the monotonic clock."""
        if self._started_at_s is None:
            return self.start_s
        return self.start_s + max(t_s - self._started_at_s, 0.0) * self.speed
