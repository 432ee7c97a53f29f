"""From what ECUs were heard to say to the traces of drives, whoever listened: a log of a bus, the
text of an adapter's session, the exchanges kept beside a recording's samples.

In two passes: the first finds what each ECU shows of itself anywhere (how long its PIDs are, its
scaling of PID 0x4F and 0x50, the VIN), the second decodes.
"""

from __future__ import annotations

import contextlib
import itertools
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from logbench.car.identity import Identity
from logbench.car.model import Car
from logbench.errors import ReplyError
from logbench.foreign import Foreign, joined
from logbench.importing.model import Drive, Report, imported_facts
from logbench.recording.model import Trace
from logbench.signals.decoding import decode, scaling_from
from logbench.signals.table import SUPPORTED_PIDS, table

_HEADS = {0x41: b"", 0x62: b"\xf4"}
"""Positive replies that hold current data, of service 01 and of 22, and what stands there before
each PID. SAE J1979-2 (from memory): identifiers F400 to F4FF are the PIDs of service 01."""
_VIN = b"\xf8\x02"
"""The identifier of the VIN, by the same."""
_SCALING_PIDS = (0x4F, 0x50)
_THIRD_BANK = frozenset({0x06, 0x07, 0x08, 0x09})
"""Trims, which have one more byte in a car with banks 3 and 4 (SAE J1979, from memory)."""
_LONGEST = 41
"""Bytes of a PID that no table has; the longest that has been published has so many."""
_VIN_CHARS = 17
_GAP_NS = 1800 * 10**9
"""A longer pause begins a new drive."""
_NS_OF_1985 = 5e17
"""Since 1970."""

Parts = list[tuple[int, bytes]]
"""PIDs and their data."""
Source = tuple[str, str]
"""Bus and ECU: addresses are the same on every bus."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One whole message of an ECU, service byte first. `t_ns`: on the clock of whoever listened.
    `asked`: the request it answers, service byte first; empty where that was not heard. `line`: of
    the file."""

    t_ns: int
    bus: str
    ecu: str
    data: bytes
    asked: bytes = b""
    line: int = 0

    @property
    def asked_pids(self) -> frozenset[int]:
        """PIDs that were asked for; empty where that is not known."""
        if self.asked[:1] == b"\x22":
            return frozenset(self.asked[2::2])
        return frozenset(self.asked[1:])

    @property
    def head(self) -> bytes | None:
        """What stands before each PID in it; None where it holds no current data."""
        head = _HEADS.get(self.data[0])
        return head if head is not None and self.data.startswith(head, 1) else None

    @property
    def alone(self) -> tuple[int, bytes] | None:
        """PID and data of the answer to a request for that PID alone."""
        head, asked = self.head, self.asked_pids
        if head is None or len(asked) != 1 or not self.data.startswith(head + bytes(asked), 1):
            return None
        return self.data[1 + len(head)], self.data[2 + len(head) :]

    @property
    def source(self) -> Source:
        """Whose it is."""
        return self.bus, self.ecu


def asks_for(request: bytes, reply: bytes) -> bool:
    """Whether `reply`, of which the first bytes are enough, may be what `request` brought."""
    if reply[:1] == b"\x7f":
        return reply[1:2] == request[:1]
    if not reply or not request or reply[0] != request[0] | 0x40:
        return False
    if reply[0] == 0x62:
        return reply[1:3] in {request[k : k + 2] for k in range(1, len(request), 2)}
    return reply[1:2] in {bytes((byte,)) for byte in request[1:]}


@dataclass(slots=True)
class Decoded:
    """What messages hold: `samples` by signal, bus and ECU, as times in ns and values; `vins` with
    the times at which they were told."""

    samples: dict[tuple[str, str, str], tuple[list[int], list[float]]] = field(default_factory=dict)
    vins: list[tuple[int, str]] = field(default_factory=list)

    @property
    def buses(self) -> list[str]:
        """On which ECUs were heard."""
        return sorted({bus for _, bus, _ in self.samples})


def decode_all(messages: Sequence[Heard], report: Report) -> Decoded:
    """All current data in messages, in the order in which they came; what cannot be decoded is
    counted in the report."""
    book, out = _Book(), Decoded()
    for message in messages:
        book.learn(message)
    for message in messages:
        if vin := _vin_of(message.data):
            out.vins.append((message.t_ns, vin))
        try:
            for pid, data in book.parts(message):
                if pid in SUPPORTED_PIDS:
                    continue
                if not table().of_pid(pid):
                    reason = f"PID {pid:02X} is not in the table"
                    report.leave_out(message.line, message.ecu, data.hex(" "), reason)
                    continue
                for signal, value in book.values(message, pid, data).items():
                    times, values = out.samples.setdefault((signal, *message.source), ([], []))
                    times.append(message.t_ns)
                    values.append(value)
        except ReplyError as error:
            report.leave_out(message.line, message.ecu, message.data.hex(" "), str(error))
    return out


def _vin_of(data: bytes) -> str:
    """The VIN that a message tells; `` where it tells none."""
    for head in (b"\x49\x02", b"\x62" + _VIN):
        if data.startswith(head) and len(data) >= len(head) + _VIN_CHARS:
            return Foreign(data[-_VIN_CHARS:].decode("ascii", "replace"))
    return ""


class _Book:
    """What ECUs have shown of themselves."""

    def __init__(self) -> None:
        self._seen: dict[tuple[Source, int], Counter[int]] = {}
        """Lengths of a PID's data, in replies to it alone."""
        self._scaling: dict[Source, dict[int, bytes]] = {}
        """Data of PID 0x4F and 0x50: the first that were told, until others are."""

    def learn(self, message: Heard) -> None:
        """The first pass."""
        alone = message.alone
        if alone is not None:
            pid, data = alone
            self._seen.setdefault((message.source, pid), Counter())[len(data)] += 1
        if any(pid in message.data for pid in _SCALING_PIDS):
            with contextlib.suppress(ReplyError):  # the second pass tells
                for pid, data in self.parts(message):
                    if pid in _SCALING_PIDS:
                        self._scaling.setdefault(message.source, {}).setdefault(pid, data)

    def values(self, message: Heard, pid: int, data: bytes) -> dict[str, float]:
        """Signals and values of a PID, the second pass. Raises `ReplyError`."""
        told = self._scaling.setdefault(message.source, {})
        if pid in _SCALING_PIDS:
            told[pid] = data
        return decode(pid, data, scaling_from(told.get(0x4F), told.get(0x50)) if told else None)

    def parts(self, message: Heard) -> Parts:
        """PIDs and their data; none of a message of something else. Raises `ReplyError` where it
        cannot be cut into them, or can in more ways than one."""
        data, asked, head = message.data, message.asked_pids, message.head
        if head is None:
            return []
        if message.alone is not None:
            return [message.alone]
        lengths = {pid: self._lengths(message.source, pid) for pid in set(data)}
        unknown = [pid for pid in asked if not lengths.get(pid, True)]
        if len(unknown) == 1:
            lengths[unknown[0]] = range(1, _LONGEST + 1)
        found = list(itertools.islice(_cuts(data, 1, head, lengths, asked, frozenset()), 2))
        if not found:
            raise ReplyError("is not made of PIDs whose lengths are known")
        if len(found) > 1:
            raise ReplyError("can be read in more than one way")
        return found[0]

    def _lengths(self, source: Source, pid: int) -> Sequence[int]:
        """How many bytes the data of a PID may have; none where nobody knows."""
        usual = table().lengths.get(pid, 0)
        seen = self._seen.get((source, pid))
        if seen is not None and (length := seen.most_common(1)[0][0]) >= max(usual, 1):
            return (length,)
        return (usual, usual + 1) if pid in _THIRD_BANK else (usual,) if usual else ()


def _cuts(
    data: bytes,
    at: int,
    head: bytes,
    lengths: Mapping[int, Sequence[int]],
    asked: Collection[int],
    taken: frozenset[int],
) -> Iterator[Parts]:
    """All ways to cut `data`, from `at` on, into PIDs that were asked for, each there once."""
    if at == len(data):
        yield []
        return
    start = at + len(head) + 1
    if start > len(data) or data[at : start - 1] != head:
        return
    pid = data[start - 1]
    if pid in taken or (asked and pid not in asked):
        return
    for length in lengths[pid]:
        if start + length <= len(data):
            for rest in _cuts(data, start + length, head, lengths, asked, taken | {pid}):
                yield [(pid, data[start : start + length]), *rest]


# --- drives ---


def drives_of(
    decoded: Decoded, source: str, protocol: str, zero: datetime | None = None
) -> Iterator[Drive]:
    """What was decoded of the file `source` as drives, parted at long pauses; each begins at 0.
    `zero`: of the clock; None: 1970 where that can be. A bus is named only where ECUs of several
    were heard."""
    several = len(decoded.buses) > 1
    traces = [
        Trace(
            signal,
            joined(" ", ecu, bus) if several else ecu,
            table().by_acronym(signal).unit,
            np.array(times, np.int64),
            np.array(values),
        )
        for (signal, bus, ecu), (times, values) in sorted(decoded.samples.items())
    ]
    stamps = np.unique(np.concatenate([trace.t_ns for trace in traces]))
    starts = np.concatenate([stamps[:1], stamps[1:][np.diff(stamps) > _GAP_NS]])
    for start, end in itertools.pairwise([*starts.tolist(), np.iinfo(np.int64).max]):
        inside = (trace.part((trace.t_ns >= start) & (trace.t_ns < end)) for trace in traces)
        mine = tuple(replace(t, t_ns=t.t_ns - start).in_order() for t in inside if len(t))
        started = None if zero is None else zero + timedelta(seconds=start / 1e9)
        if zero is None and start > _NS_OF_1985:  # else it counts from its own start
            started = datetime.fromtimestamp(start / 1e9, UTC)
        # a protocol says that the names of ECUs are their addresses
        facts = imported_facts(mine, started, {"file": source}, "" if several else protocol)
        given = {vin for t_ns, vin in decoded.vins if start - _GAP_NS < t_ns < end}
        if len(given) == 1:  # with two of them nobody can say whose samples they are
            facts.vehicle.learn(Car.read(Identity(vin=given.pop())))
        yield Drive(mine, facts)
