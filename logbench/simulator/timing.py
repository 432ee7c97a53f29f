"""How long everything takes on the way from a client through the adapter to the ECUs and back.

All times are absolute on one clock in seconds (`time.monotonic`), so that nothing drifts: a reply
is due at a moment computed from the request's, never 'some time after the last thing done'.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

from logbench.simulator.encode import LENGTHS
from logbench.simulator.isotp import frame_count
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
    reply_timeout_ms: float = 200.0
    """How long the adapter waits for a (further) answer before adaptive timing has learnt."""
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

    @property
    def command_s(self) -> float:
        """The adapter's own time for a command."""
        return self.command_ms / 1000

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
class SerialOut:
    """The adapter's transmitter: one character after another, never before it is free."""

    timing: Timing
    free_s: float = 0.0

    def send(self, text: bytes, ready_s: float) -> float:
        """When the last character of `text`, ready at `ready_s`, is with the client."""
        self.free_s = max(self.free_s, ready_s) + self.timing.chars_s(len(text))
        return self.free_s + self.timing.delay_s


def line_chars(protocol: BusProtocol, data_bytes: int, headers: bool, spaces: bool) -> int:
    """Characters of one reply frame with the carriage return, as the adapter prints it."""
    if not headers:
        shown = data_bytes
        head = 0
    else:
        head = 3 if protocol.id_bits == 11 else 8
        shown = data_bytes
    blanks = shown + (1 if protocol.id_bits == 11 else 4) * headers if spaces else 0
    return head + 2 * shown + blanks + 1


def request_s(
    timing: Timing, protocol: BusProtocol, pids: Sequence[int], *, spaces: bool = False
) -> float:
    """Shortest time of one Service 01 request for `pids` on CAN, from first character to prompt.

    The client asks without spaces, tells the number of frames to expect, has echo and line feeds
    off and headers on, and sends nothing late; one ECU answers.
    """
    frames = frame_count(1 + sum(1 + LENGTHS[pid] for pid in pids))
    t_s = timing.delay_s + timing.chars_s(2 + 2 * len(pids) + 1 + 1) + timing.command_s
    t_s += frame_s(protocol) + timing.ecu_s(0)
    out = SerialOut(timing)
    sending = Sending("7E8", tuple(bytes(8) for _ in range(frames)), t_s)
    line = bytes(line_chars(protocol, 8, headers=True, spaces=spaces))
    for arrival in can_arrivals(protocol, [sending]):
        t_s = out.send(line, arrival.t_s)
    return out.send(b"\r>", t_s - timing.delay_s)


def native_request_s(timing: Timing, protocol: BusProtocol, pids: Sequence[int]) -> float:
    """The same without an adapter: request, ECU, frames and flow control on the bus only."""
    frames = frame_count(1 + sum(1 + LENGTHS[pid] for pid in pids))
    sending = Sending(
        "7E8", tuple(bytes(8) for _ in range(frames)), frame_s(protocol) + timing.ecu_s(0)
    )
    return can_arrivals(protocol, [sending])[-1].t_s


def best_packing(
    pids: Sequence[int],
    timing: Timing,
    protocol: BusProtocol,
    *,
    packed: int = MAX_PACKED,
    spaces: bool = False,
    native: bool = False,
) -> tuple[float, list[tuple[int, ...]]]:
    """Shortest time in s in which all `pids` can be read once, and the requests that take it.

    Among all ways to put the PIDs into requests of up to `packed`. `native`: by a CAN interface
    instead of an adapter. PIDs that the encoder does not know are a `KeyError`.
    """
    lengths: dict[int, list[int]] = {}
    for pid in pids:
        lengths.setdefault(LENGTHS[pid], []).append(pid)
    kinds = tuple(sorted(lengths))
    examples = [lengths[length][0] for length in kinds]

    @cache
    def cost_s(counts: tuple[int, ...]) -> float:
        chosen = [pid for pid, n in zip(examples, counts, strict=True) for _ in range(n)]
        if native:
            return native_request_s(timing, protocol, chosen)
        return request_s(timing, protocol, chosen, spaces=spaces)

    @cache
    def best(left: tuple[int, ...]) -> tuple[float, tuple[tuple[int, ...], ...]]:
        if not any(left):
            return 0.0, ()
        found = []
        for taken in _choices(left, packed):
            rest_s, rest = best(tuple(a - b for a, b in zip(left, taken, strict=True)))
            found.append((cost_s(taken) + rest_s, (taken, *rest)))
        return min(found)

    total_s, plan = best(tuple(len(lengths[length]) for length in kinds))
    requests = []
    for counts in plan:
        taken = [
            lengths[kind].pop() for kind, n in zip(kinds, counts, strict=True) for _ in range(n)
        ]
        requests.append(tuple(taken))
    return total_s, requests


def bound_samples_per_s(
    pids: Sequence[int],
    timing: Timing,
    protocol: BusProtocol,
    *,
    packed: int = MAX_PACKED,
    spaces: bool = False,
    native: bool = False,
) -> float:
    """Most samples a second the link can give when all `pids` are read equally often.

    See `best_packing`; each PID counts as one sample.
    """
    total_s, _ = best_packing(pids, timing, protocol, packed=packed, spaces=spaces, native=native)
    return len(pids) / total_s


def _choices(left: tuple[int, ...], most: int) -> list[tuple[int, ...]]:
    """Every way to take 1 to `most` things out of `left`, the first kind present among them."""
    first = next(index for index, count in enumerate(left) if count)
    ways: list[tuple[int, ...]] = [()]
    for index, count in enumerate(left):
        ways = [
            (*way, take)
            for way in ways
            for take in range(1 if index == first else 0, count + 1)
            if sum(way) + take <= most
        ]
    return ways
