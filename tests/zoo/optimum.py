"""The most that a peer can give: the best requests for its PIDs, by its own timing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from tests.zoo.adapter import FLOW_S, least_wait_s
from tests.zoo.bus import BYTE_MS, CLEAR_MS, GAP_MS, Bus
from tests.zoo.grammar import PIDS, Ecu, Peer


@dataclass(frozen=True, slots=True)
class Optimum:
    """All PIDs that are given, once, take `round_s`; each counts once whoever answers."""

    pids: int
    round_s: float
    packs: tuple[tuple[int, ...], ...]

    @property
    def rate_hz(self) -> float:
        return self.pids / self.round_s


def find_optimum(peer: Peer) -> Optimum:
    """Among all ways to pack, and asking all ECUs or, where one has every PID and can be asked
    alone, that one."""
    wanted = peer.given
    ways = [peer.car.ecus]
    if peer.car.is_can and (peer.adapter is None or peer.adapter.aims):
        ways += [(ecu,) for ecu in peer.car.ecus if set(wanted) <= set(ecu.pids)]
    return min((_best(peer, ecus, wanted) for ecus in ways), key=lambda best: best.round_s)


def _best(peer: Peer, ecus: Sequence[Ecu], wanted: tuple[int, ...]) -> Optimum:
    """Exact, over all partitions into packs. `cost / yield` of a pack is its expected time."""
    limit = min(peer.car.most, 6)
    if peer.adapter is not None:
        limit = min(limit, (peer.adapter.most_bytes - 1) // _head(peer))
    full = (1 << len(wanted)) - 1

    @cache
    def pack_s(mask: int) -> float:
        pids = tuple(pid for at, pid in enumerate(wanted) if mask >> at & 1)
        return _request_s(peer, ecus, pids)

    @cache
    def best(left: int) -> tuple[float, tuple[int, ...]]:
        if not left:
            return 0.0, ()
        lowest, found = left & -left, (float("inf"), ())
        rest = sub = left ^ lowest
        while True:
            mask = sub | lowest
            if mask.bit_count() <= limit and (cost_s := pack_s(mask)) < float("inf"):
                more_s, packs = best(left ^ mask)
                found = min(found, (cost_s + more_s, (mask, *packs)))
            if not sub:
                return found
            sub = (sub - 1) & rest

    round_s, masks = best(full)
    packs = tuple(tuple(p for at, p in enumerate(wanted) if mask >> at & 1) for mask in masks)
    return Optimum(len(wanted), round_s, packs)


def _head(peer: Peer) -> int:
    """Bytes that name a PID."""
    return 2 if peer.car.newer else 1


def _frames(data_bytes: int) -> int:
    return 1 if data_bytes <= 7 else 1 + -(-(data_bytes - 6) // 7)


def _request_s(peer: Peer, ecus: Sequence[Ecu], pids: Sequence[int]) -> float:
    """Expected time of a request for each time that it is answered whole; infinite where it
    cannot be. What is expected to get lost costs the wait, and is asked again."""
    car, is_a = peer.car, peer.adapter
    replies = [(ecu, [pid for pid in pids if pid in ecu.pids]) for ecu in ecus]
    sizes = [
        (ecu, 1 + sum(_head(peer) + PIDS[pid].data_bytes for pid in has) if has else 3)
        for ecu, has in replies
        if has or (car.says_no and len(ecus) > 1)
    ]
    frames = [(ecu, _frames(size) if car.is_can else 1) for ecu, size in sizes]
    total = sum(count for _, count in frames)
    if is_a is not None and (
        total > max(is_a.most_frames, len(car.ecus))
        or (not is_a.long_messages and any(count > 1 for _, count in frames))
    ):
        return float("inf")
    first_s, last_s = _on_the_bus(peer, frames)
    late = sum(count - 1 for _, count in frames)
    whole = (1 - car.silent) ** len(frames) * (1 - car.lost_frames) ** late
    if is_a is None:
        return (last_s + (1 - whole) * 0.1) / whole + car.pending * (car.pending_ms / 1000)
    line = _line_characters(peer, max(size for _, size in sizes))
    wire = peer.wire
    char_s = 10 / wire.baud if wire.baud else 0.0
    counted = is_a.count == "obeys" and total <= 15
    asked = 2 * _head(peer) * len(pids) + 2 + counted + 1
    sent = 1 if is_a.repeats and len(peer.given) == len(pids) else asked
    told_s = char_s * (sent + (asked if is_a.echo != "obeys" else 0)) + is_a.command_ms / 1000
    printed_s = char_s * line * total
    wait_s = 0.0 if counted else least_wait_s(peer)
    # lines leave while further frames come; the last one after the last frame
    replied_s = max(last_s + char_s * line, first_s + printed_s)
    end_s = max(replied_s, last_s + wait_s)
    gap_s = GAP_MS.get(car.protocol, 0.0) / 1000
    idle_s = end_s - last_s + told_s + char_s * len(is_a.prompt) + 2 * wire.delay_ms / 1000
    once_s = last_s + max(idle_s, gap_s)
    once_s += (1 - whole) * least_wait_s(peer)  # for what does not come
    whole *= (1 - wire.lost - wire.flipped) ** (line * total)
    return once_s / whole + car.pending * car.pending_ms / 1000


def _on_the_bus(peer: Peer, frames: Sequence[tuple[Ecu, int]]) -> tuple[float, float]:
    """When the first frame of all replies has come, and when the last: from the request on."""
    car = peer.car
    request_s = Bus(car, 0).frame_s
    begins, ends = [], []
    for ecu, count in frames:
        low, high = ecu.latency_ms  # of two ECUs one is later than the mean
        mean_s = (low + (high - low) * (0.5 if len(frames) == 1 else 0.65)) / 1000
        begins.append(request_s + mean_s)
        if car.is_can:
            step_s = max(car.separation_ms, CLEAR_MS[car.protocol]) / 1000
            flow_s = FLOW_S if peer.adapter is not None else 0.0
            ends.append(request_s + mean_s + (flow_s + step_s * (count - 1)) * (count > 1))
        else:
            ends.append(request_s + mean_s + 8 * BYTE_MS[car.protocol] / 1000)
    return min(begins), max(ends)


def _line_characters(peer: Peer, size: int) -> int:
    """Of a reply frame as printed, at its shortest; headers are on, as they tell ECUs apart."""
    assert peer.adapter is not None
    car, is_a = peer.car, peer.adapter
    shown = is_a.headers == "obeys"
    if car.is_can:
        data = 8 if car.padding is not None or size > 7 else 1 + size
        head, parts = ((3, 1) if car.id_bits == 11 else (8, 4)) if shown else (2, 1)
        data -= not shown
    else:
        data, head, parts = size + (4 if shown else 0), 0, 0
    spaces = data + parts - 1 if is_a.spaces != "obeys" else 0
    return head + 2 * data + spaces + 1 + (is_a.linefeeds != "obeys")
