"""The most that a link can give, computed from the simulator's timing: what polling is held to."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from logbench.simulator.encode import PIDS, encode
from logbench.simulator.protocols import BusProtocol
from logbench.simulator.timing import MAX_PACKED, Sending, Timing, can_arrivals, frame_s
from logbench.vehicle.framing import frames_of

LENGTHS = {
    **{pid: len(encode(pid, {})) for pid in PIDS},
    **dict.fromkeys(range(0x00, 0xE0, 0x20), 4),
}
"""Data bytes of each PID that the simulator encodes, the supported lists included."""


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
    frames = frames_of(1 + sum(1 + LENGTHS[pid] for pid in pids))
    t_s = timing.delay_s + timing.chars_s(2 + 2 * len(pids) + 1 + 1) + timing.command_ms / 1000
    t_s += frame_s(protocol) + timing.ecu_s(0)
    sending = Sending("7E8", tuple(bytes(8) for _ in range(frames)), t_s)
    line_s = timing.chars_s(line_chars(protocol, 8, headers=True, spaces=spaces))
    out_s = 0.0
    for arrival in can_arrivals(protocol, [sending]):  # one character after another
        out_s = max(out_s, arrival.t_s) + line_s
    return out_s + timing.chars_s(2) + timing.delay_s


def native_request_s(timing: Timing, protocol: BusProtocol, pids: Sequence[int]) -> float:
    """The same without an adapter: request, ECU, frames and flow control on the bus only."""
    frames = frames_of(1 + sum(1 + LENGTHS[pid] for pid in pids))
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
