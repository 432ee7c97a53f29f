"""The bus layer: what the ECUs of a peer's car answer, when, and in which frames.

Every value is a counter; the ledger keeps which raw value was given when, for the laws.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field

from tests.zoo.grammar import PIDS, Car, Ecu

VIN = b"ZZ9TEST170X000001"
CLEAR_MS = {"6": 0.25, "7": 0.3, "8": 0.5, "9": 0.6}
"""A frame on CAN."""
BYTE_MS = {"1": 0.25, "2": 0.9, "3": 1.1, "4": 1.1, "5": 1.1}
"""A byte on the older buses, gaps included."""
GAP_MS = {"1": 2.0, "2": 2.0, "3": 55.0, "4": 55.0, "5": 55.0}
"""P3 of ISO 9141-2 and ISO 14230-2: from the last reply to the next request, at least."""


@dataclass(slots=True)
class Round:
    """A request and its replies as the peer saw them; seconds of the monotonic clock."""

    asked_s: float
    ended_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Given:
    """A value that an ECU gave."""

    pid: int
    ecu: str
    raw: int
    t_s: float
    during: Round


@dataclass(frozen=True, slots=True)
class Message:
    """What an ECU says, service byte first."""

    t_s: float
    ecu: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Frame:
    """On the bus, whole at `t_s`. `data`: up to 8 bytes on CAN, else header to check byte."""

    t_s: float
    ecu: str
    data: bytes


@dataclass(slots=True)
class Bus:
    """The ECUs of `car`."""

    car: Car
    seed: int
    ledger: list[Given] = field(default_factory=list)
    _counts: dict[tuple[str, int], int] = field(default_factory=dict)
    _awake: bool = False
    random: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)

    @property
    def frame_s(self) -> float:
        """Of a request on the bus."""
        if self.car.is_can:
            return CLEAR_MS[self.car.protocol] / 1000
        return 6 * BYTE_MS[self.car.protocol] / 1000

    def replies(self, payload: bytes, to: str, at_s: float, during: Round) -> list[Message]:
        """To a request that is whole on the bus at `at_s`; `to` one ECU, or all: ''."""
        asleep_s = 0.0 if self._awake else self.car.asleep_ms / 1000
        self._awake = True
        found: list[Message] = []
        for ecu in self.car.ecus:
            if to not in ("", ecu.name) or self.random.random() < self.car.silent:
                continue
            t_s = at_s + asleep_s + self.random.uniform(*ecu.latency_ms) / 1000
            pending = payload[0] in (0x01, 0x22) and self.random.random() < self.car.pending
            answer_s = t_s + self.car.pending_ms / 1000 * pending
            answers = self._answers(ecu, payload, answer_s, during)
            if answers and pending:
                found.append(Message(t_s, ecu.name, bytes((0x7F, payload[0], 0x78))))
            found += answers
        return sorted(found, key=lambda message: message.t_s)

    def _answers(self, ecu: Ecu, payload: bytes, t_s: float, during: Round) -> list[Message]:
        service, rest = payload[0], payload[1:]
        pids: Sequence[int] = ()
        if self.car.newer and service == 0x22 and len(rest) % 2 == 0:
            if set(rest[::2]) == {0xF4}:
                pids = rest[1::2]
            elif rest == b"\xf8\x02":
                return self._information(ecu, 2, t_s)
        elif service == 1 and not self.car.newer:
            pids = rest
        elif service == 9 and len(rest) == 1 and not self.car.newer:
            return self._information(ecu, rest[0], t_s)
        data = self._values(ecu, pids, t_s, during) if pids else b""
        if not data and pids and self.car.says_no and not self._too_many(pids):
            data = bytes((0x7F, service, 0x12))
        return [Message(t_s, ecu.name, data)] if data else []

    def _too_many(self, pids: Sequence[int]) -> bool:
        return len(pids) > self.car.most

    def _values(self, ecu: Ecu, pids: Sequence[int], t_s: float, during: Round) -> bytes:
        """The positive reply, a negative one, or none."""
        service = 0x22 if self.car.newer else 0x01
        if self._too_many(pids):
            if self.car.too_many == "negative" and self.car.is_can:
                return bytes((0x7F, service, 0x12))
            if self.car.too_many == "silent" or not self.car.is_can:
                return b""
            pids = pids[: self.car.most]
        if self.car.order != "asked":
            pids = sorted(pids, reverse=self.car.order == "descending")
        parts = b"".join(self._part(ecu, pid, t_s, during) for pid in pids)
        return bytes((service | 0x40,)) + parts if parts else b""

    def _part(self, ecu: Ecu, pid: int, t_s: float, during: Round) -> bytes:
        head = bytes((0xF4, pid)) if self.car.newer else bytes((pid,))
        if pid % 0x20 == 0:
            listed = supported_list(pid, (*ecu.pids, *ecu.dead))
            return head + listed if pid == 0 or any(listed) else b""
        if pid not in ecu.pids:
            return b""
        kind = PIDS[pid]
        count = self._counts.get((ecu.name, pid), 977 * pid + 13 * self.car.ecus.index(ecu))
        self._counts[ecu.name, pid] = count + 1
        raw = count % (0x10000 if kind.wide else 0x100)
        self.ledger.append(Given(pid, ecu.name, raw, t_s, during))
        value = raw.to_bytes(2 if kind.wide else 1, "big")
        return head + value.ljust(kind.data_bytes, bytes((count & 0x7F,)))

    def _information(self, ecu: Ecu, kind: int, t_s: float) -> list[Message]:
        if not self.car.has_vin or ecu is not self.car.ecus[0]:
            return []
        if kind == 0:
            data = supported_list(0, (2,))
            count = b"" if self.car.is_can else b"\x01"
            return [Message(t_s, ecu.name, b"\x49\x00" + count + data)]
        if kind != 2:
            return []
        if self.car.newer:
            return [Message(t_s, ecu.name, b"\x62\xf8\x02" + VIN)]
        if self.car.is_can:
            return [Message(t_s, ecu.name, b"\x49\x02\x01" + VIN)]
        padded = b"\0\0\0" + VIN
        step_s = 0.03
        return [
            Message(t_s + n * step_s, ecu.name, bytes((0x49, 2, n + 1)) + padded[4 * n : 4 * n + 4])
            for n in range(5)
        ]

    # --- frames ---

    def can_frames(self, message: Message, flow_s: float = 0.0) -> list[Frame]:
        """ISO 15765-2; consecutive frames are due as if flow control came `flow_s` after the
        first one, and some get lost."""
        data, name = message.data, message.ecu
        if len(data) <= 7:
            return [Frame(message.t_s, name, self._filled(bytes((len(data),)) + data))]
        head = bytes((0x10 | len(data) >> 8, len(data) & 0xFF))
        frames = [Frame(message.t_s, name, head + data[:6])]
        t_s = message.t_s + flow_s
        for number, at in enumerate(range(6, len(data), 7), 1):
            t_s += max(self.car.separation_ms, CLEAR_MS[self.car.protocol]) / 1000
            if self.random.random() >= self.car.lost_frames:
                part = bytes((0x20 | number & 0x0F,)) + data[at : at + 7]
                frames.append(Frame(t_s, name, self._filled(part)))
        return frames

    def _filled(self, data: bytes) -> bytes:
        return data if self.car.padding is None else data.ljust(8, bytes((self.car.padding,)))

    def old_frame(self, message: Message) -> Frame:
        """SAE J1850, ISO 9141-2, ISO 14230-4: three header bytes, data, a check byte."""
        data, source = message.data, int(message.ecu, 16)
        if self.car.protocol in "45":
            head = bytes((0x80 | len(data), 0xF1, source))
        else:
            head = bytes((0x41 if self.car.protocol == "1" else 0x48, 0x6B, source))
        whole = head + data
        check = crc8(whole) if self.car.protocol in "12" else sum(whole) & 0xFF
        long_s = (len(whole) + 1) * BYTE_MS[self.car.protocol] / 1000
        return Frame(message.t_s + long_s, message.ecu, whole + bytes((check,)))


def supported_list(base: int, numbers: Sequence[int]) -> bytes:
    """SAE J1979: a bit for each of the 32 behind `base`; the last says that there are more."""
    bits = 0
    for number in numbers:
        if base < number <= base + 0x20:
            bits |= 1 << (base + 0x20 - number)
        elif number > base + 0x20:
            bits |= 1
    return bits.to_bytes(4, "big")


def crc8(data: bytes) -> int:
    """SAE J1850: polynomial x^8 + x^4 + x^3 + x^2 + 1, all ones first, inverted at the end."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ 0x11D) & 0xFF if crc & 0x80 else crc << 1
    return crc ^ 0xFF
