"""The ECUs: diagnostic requests in, replies out, as SAE J1979 (ISO 15031-5) has them.

On CAN a reply is one message of any length. On the older protocols it is one or more messages of at
most seven bytes, numbered where the standard numbers them. An ECU that has nothing to say to a
functional request keeps silent; to a physical request it gives a negative response.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from logbench.simulator import encode, monitors
from logbench.simulator.model import CarSource
from logbench.simulator.timing import MAX_PACKED, Timing

Edition = Literal["J1979", "J1979-2"]
"""Which standard the ECUs answer: services 01 to 0A, or service 22 (SAE J1979-2)."""

NEGATIVE = 0x7F
SERVICE_UNKNOWN = 0x11
SUBFUNCTION_UNKNOWN = 0x12
CONDITIONS_WRONG = 0x22
OUT_OF_RANGE = 0x31
PENDING = 0x78

MAX_FROZEN = 3
"""PIDs in one service 02 request on CAN."""
MAX_IDENTIFIERS = 6
"""Data identifiers in one service 22 request (our choice; the standard leaves it to the ECU)."""

_STATIC_PIDS = frozenset(range(0x00, 0xE0, 0x20)) | {0x01, 0x13, 0x1C, 0x1D, 0x4F, 0x50, 0x51}

_NOT_FROZEN = frozenset({0x01, 0x13, 0x1C, 0x1D, 0x1E, 0x41, 0x4F, 0x50})
_CODE_LETTERS = "PCBU"
_BITMAPS = frozenset(range(0x00, 0xE0, 0x20))


@dataclass(frozen=True, slots=True)
class Answer:
    """What one ECU says to one request: messages and when each begins, in s after the request."""

    ecu: str
    messages: tuple[tuple[float, bytes], ...]


@dataclass(slots=True)
class Mood:
    """What may be wrong with the ECUs for a while; everything off by default."""

    silent: frozenset[str] = frozenset()
    pending_s: Mapping[str, float] = field(default_factory=dict)
    """ECU to how much later its answer comes, after 'response pending' at the usual time."""
    late_s: Mapping[str, float] = field(default_factory=dict)
    """ECU to how much later its answer comes without a word of it."""
    dropped_pids: Mapping[str, frozenset[int]] = field(default_factory=dict)
    """ECU to the PIDs it no longer answers although its supported lists still name them."""
    refuse_packed: bool = False
    """No answer to a request for more than one PID."""


class Ecus:
    """All ECUs of one car on its diagnostic bus."""

    def __init__(self, car: CarSource, timing: Timing, edition: Edition = "J1979") -> None:
        self.car = car
        self.timing = timing
        self.edition: Edition = edition
        self.mood = Mood()

    @staticmethod
    def starts_clock(request: bytes) -> bool:
        """True for a request for a value that moves, not for lists and facts about the car."""
        pids = request[1:]
        if request[:1] == b"\x22":
            pids = bytes(
                low for high, low in zip(pids[::2], pids[1::2], strict=False) if high == 0xF4
            )
        elif request[:1] != b"\x01":
            return False
        return not _STATIC_PIDS.issuperset(pids)

    def ask(self, request: bytes, *, can: bool, target: str | None = None) -> list[Answer]:
        """Answers to `request` (service byte first) of all ECUs, or of `target` only.

        The car's clock must have been moved before. Empty when nobody answers.
        """
        if not request or not self.car.ignition():
            return []
        answers = []
        for number, ecu in enumerate(self.car.ecus):
            if (target is not None and ecu != target) or ecu in self.mood.silent:
                continue
            messages = list(self._messages(ecu, request, can))
            if not messages and target is not None:
                messages = [bytes((NEGATIVE, request[0], self._reason(request[0])))]
            if messages:
                answers.append(self._timed(ecu, number, request[0], messages, can))
        return answers

    def _timed(
        self, ecu: str, number: int, service: int, messages: list[bytes], can: bool
    ) -> Answer:
        first_s = self.timing.ecu_s(number, kline=not can)
        first_s += self.mood.late_s.get(ecu, 0.0)
        late_s = self.mood.pending_s.get(ecu, 0.0)
        timed: list[tuple[float, bytes]] = []
        if late_s:
            timed.append((first_s, bytes((NEGATIVE, service, PENDING))))
        timed.extend((first_s + late_s, message) for message in messages)
        return Answer(ecu, tuple(timed))

    def _reason(self, service: int) -> int:
        """Why a physical request is refused."""
        if self.edition == "J1979-2":
            known = {0x14: OUT_OF_RANGE, 0x19: SUBFUNCTION_UNKNOWN, 0x22: OUT_OF_RANGE}
            return known.get(service, SERVICE_UNKNOWN)
        return SUBFUNCTION_UNKNOWN if service in _SERVICES else SERVICE_UNKNOWN

    def _messages(self, ecu: str, request: bytes, can: bool) -> Iterator[bytes]:
        service, rest = request[0], request[1:]
        if self.edition == "J1979-2":
            if service == 0x22 and can:
                yield from self._identified(ecu, rest)
            elif request == CLEAR_EMISSIONS and can:
                yield self._clear(ecu, 0x14)
            elif service == 0x19 and rest[:1] == bytes((FRAME,)) and can:
                yield from self._snapshot(ecu, rest[1:])
            elif service == 0x19 and can:
                codes = self.car.memory.codes if ecu == self.car.ecus[0] else lambda _: ()
                if listed := code_list(codes, rest):
                    yield listed
        elif service == 0x01:
            yield from self._current(ecu, rest, can)
        elif service == 0x02:
            yield from self._frozen(ecu, rest, can)
        elif service in (0x03, 0x07, 0x0A) and not rest:
            yield from self._codes(ecu, service, can)
        elif service == 0x04 and not rest:
            yield self._clear(ecu, service)
        elif service == 0x05 and not can:
            yield from monitors.oxygen(self.car.memory.monitor_tests(ecu), rest)
        elif service == 0x06:
            yield from monitors.results(self.car.memory.monitor_tests(ecu), rest, can)
        elif service == 0x08:
            yield from self._control(ecu, rest, can)
        elif service == 0x09 and len(rest) == 1:
            yield from self._information(ecu, rest[0], can)

    # --- services 01 and 02: current and frozen data ---

    def _answered(self, ecu: str) -> frozenset[int]:
        return self.car.supported(ecu) & encode.PIDS

    def _current(self, ecu: str, pids: bytes, can: bool) -> Iterator[bytes]:
        most = MAX_PACKED if can and not self.mood.refuse_packed else 1
        if not 1 <= len(pids) <= most:
            return
        found = self._values(ecu, pids)
        if found:
            yield b"\x41" + b"".join(bytes((pid,)) + data for pid, data in found)

    def _values(self, ecu: str, pids: bytes) -> list[tuple[int, bytes]]:
        """PID and data bytes of those that `ecu` answers, in the order asked."""
        supported = self._answered(ecu)
        readings = self.car.readings(ecu)
        found = []
        for pid in pids:
            if pid in _BITMAPS:
                if pid == 0 or any(pid < one for one in supported):
                    found.append((pid, encode.supported_map(pid, supported)))
            elif pid in supported and pid not in self.mood.dropped_pids.get(ecu, ()):
                found.append((pid, encode.encode(pid, readings)))
        return found

    def _frozen(self, ecu: str, rest: bytes, can: bool) -> Iterator[bytes]:
        pairs = [(rest[i], rest[i + 1]) for i in range(0, len(rest) - 1, 2)]
        if not pairs or len(rest) % 2 or len(pairs) > (MAX_FROZEN if can else 1):
            return
        frame = self.car.memory.frame if ecu == self.car.ecus[0] else None
        supported = (self._answered(ecu) - _NOT_FROZEN) | {0x02}
        data = b""
        for pid, number in pairs:
            if number != 0:
                continue
            if pid in _BITMAPS:
                part = encode.supported_map(pid, supported)
            elif pid == 0x02:
                stored = self.car.memory.codes(0x03) if frame is not None else ()
                part = code_bytes(stored[0]) if stored else bytes(2)
            elif frame is not None and pid in supported:
                part = encode.encode(pid, frame)
            else:
                continue
            data += bytes((pid, 0)) + part
        if data:
            yield b"\x42" + data

    # --- services 03, 07, 0A and 04: trouble codes ---

    def _codes(self, ecu: str, service: int, can: bool) -> Iterator[bytes]:
        codes = self.car.memory.codes(service) if ecu == self.car.ecus[0] else ()
        pairs = [code_bytes(code) for code in codes]
        reply = bytes((service | 0x40,))
        if can:
            yield reply + bytes((len(pairs),)) + b"".join(pairs)
            return
        for start in range(0, max(len(pairs), 1), 3):  # three codes a message, filled with zeros
            yield reply + b"".join(pairs[start : start + 3]).ljust(6, b"\x00")

    def _clear(self, ecu: str, service: int) -> bytes:
        rpm = self.car.readings(ecu).get("RPM", 0.0)
        if rpm > 0:
            return bytes((NEGATIVE, service, CONDITIONS_WRONG))
        if ecu == self.car.ecus[0]:
            self.car.memory.clear()
        return bytes((service | 0x40,))

    # --- service 08: control ---

    def _control(self, ecu: str, rest: bytes, can: bool) -> Iterator[bytes]:
        for test, reply in monitors.control(self.car.memory.control_tests(ecu), rest, can):
            if test is None or self.car.memory.start_test(ecu, test):
                yield reply
            else:
                yield bytes((NEGATIVE, 0x08, CONDITIONS_WRONG))

    # --- service 09: vehicle information ---

    def _items(self, ecu: str) -> dict[int, list[bytes]]:
        """Info type to its items; those of the older protocols' message counts are left out."""
        calibrations = [text.encode("ascii") for text in self.car.calibrations[ecu]]
        items = {
            0x04: [text.ljust(16, b"\x00")[:16] for text in calibrations],
            0x06: [zlib.crc32(text).to_bytes(4, "big") for text in calibrations],
            0x0A: [self.car.names[ecu].encode("ascii").ljust(20, b"\x00")[:20]],
        }
        counters = [n.to_bytes(2, "big") for n in self.car.memory.in_use(ecu)]
        items[self.car.memory.in_use_type] = counters
        if ecu == self.car.ecus[0]:
            items[0x02] = [self.car.vin.encode("ascii")]
        return {kind: found for kind, found in items.items() if found}

    def _information(self, ecu: str, kind: int, can: bool) -> Iterator[bytes]:
        items = self._items(ecu)
        if can:
            if kind == 0x00:
                yield b"\x49\x00" + encode.supported_map(0, frozenset(items))
            elif kind in items:
                found = items[kind]
                yield bytes((0x49, kind, len(found))) + b"".join(found)
            return
        counts = {even - 1: even for even in items if even <= 0x0A}
        if kind == 0x00:
            both = frozenset(items) | frozenset(counts)
            yield b"\x49\x00\x01" + encode.supported_map(0, both)
        elif kind in counts:
            yield bytes((0x49, kind, len(_numbered(counts[kind], items[counts[kind]]))))
        elif kind in items:
            yield from _numbered(kind, items[kind])

    # --- SAE J1979-2 ---

    def _identified(self, ecu: str, rest: bytes) -> Iterator[bytes]:
        """Service 22: identifiers F400 to F4FF stand for PIDs, F800 to F8FF for info types."""
        pairs = list(zip(rest[::2], rest[1::2], strict=False))
        most = 1 if self.mood.refuse_packed else MAX_IDENTIFIERS
        if len(rest) % 2 or not 1 <= len(pairs) <= most:
            return
        items = self._items(ecu)
        data = b""
        for high, low in pairs:
            if high == 0xF4:
                for _, value in self._values(ecu, bytes((low,))):
                    data += bytes((high, low)) + value
            elif high == 0xF6:
                if value := monitors.identified(self.car.memory.monitor_tests(ecu), low):
                    data += bytes((high, low)) + value
            elif high == 0xF8 and low == 0x00:
                data += bytes((high, low)) + encode.supported_map(0, frozenset(items))
            elif high == 0xF8 and low in items:
                value = b"".join(items[low])
                data += bytes((high, low)) + (
                    value if low == 0x02 else bytes((len(items[low]),)) + value
                )
        if data:
            yield b"\x62" + data

    def _snapshot(self, ecu: str, rest: bytes) -> Iterator[bytes]:
        """Service 19, sub-function 04: the freeze frame of the code that set it, as record 0; other
        codes have none."""
        memory = self.car.memory
        statuses = _statuses(memory.codes) if ecu == self.car.ecus[0] else {}
        named = {code_bytes(code) + b"\x00": code for code in statuses}
        code = named.get(rest[:3])
        if code is None or len(rest) != 4:
            return
        reply = bytes((0x59, FRAME)) + rest[:3] + bytes((statuses[code],))
        first = memory.codes(0x03)[:1]
        if memory.frame is not None and first == (code,) and rest[3] in (0x00, ALL_RECORDS):
            pids = sorted(self._answered(ecu) - _NOT_FROZEN)
            reply += bytes((0x00, len(pids)))
            for pid in pids:
                reply += bytes((0xF4, pid)) + encode.encode(pid, memory.frame)
        yield reply


_SERVICES = frozenset({0x01, 0x02, 0x03, 0x04, 0x06, 0x07, 0x08, 0x09, 0x0A})


def _numbered(kind: int, items: list[bytes]) -> list[bytes]:
    """Messages of four data bytes each with their number, the first filled with zeros in front."""
    data = b"".join(items)
    data = data.rjust(math.ceil(len(data) / 4) * 4, b"\x00")
    return [
        bytes((0x49, kind, number)) + data[start : start + 4]
        for number, start in enumerate(range(0, len(data), 4), start=1)
    ]


def code_bytes(code: str) -> bytes:
    """The two bytes of a trouble code such as `P0171` (SAE J2012: letter in the top two bits)."""
    number = _CODE_LETTERS.index(code[0]) << 14 | int(code[1:], 16)
    return number.to_bytes(2, "big")


# --- service 19 of SAE J1979-2, in the place of 03, 07 and 0A ---
#
# ISO 14229-1 and SAE J1979-2, from memory; re-check against the standards. A code has three bytes,
# two as before and a failure type (SAE J2012-DA), and a status byte.

BY_STATUS, FRAME, PERMANENT = 0x02, 0x04, 0x15
GROUP_BY_STATUS, GROUP_PERMANENT = 0x42, 0x55
ALL_RECORDS = 0xFF
CLEAR_EMISSIONS = b"\x14\xff\xff\x33"
EMISSIONS = 0x33
"""The functional group of emission-related codes."""
FORMAT = 0x04
"""Codes are SAE J2012-DA's, with the failure type as their third byte."""
STATUS_PENDING, CONFIRMED, FAILED_SINCE_CLEARING = 0x04, 0x08, 0x20
AVAILABLE = 0xFF
CLASS_A = 0x02
"""Severity byte: class of the code."""
SEVERITIES = 0x1E

Codes = Callable[[int], Sequence[str]]
"""`Memory.codes`: of service 03 (confirmed), 07 (pending) or 0A (permanent)."""


def code_list(codes: Codes, rest: bytes) -> bytes:
    """The positive reply to service 19 with `rest` behind it; empty where it has none."""
    kind = rest[:1]
    if kind == bytes((BY_STATUS,)) and len(rest) == 2:
        return bytes((0x59, BY_STATUS, AVAILABLE)) + _listed(codes, rest[1])
    if rest == bytes((PERMANENT,)):
        return bytes((0x59, PERMANENT, AVAILABLE)) + _permanent(codes)
    if rest[:2] == bytes((GROUP_BY_STATUS, EMISSIONS)) and len(rest) == 4:
        head = bytes((0x59, GROUP_BY_STATUS, EMISSIONS, AVAILABLE, SEVERITIES, FORMAT))
        listed = _listed(codes, rest[2], bytes((CLASS_A,)))
        return head + (listed if rest[3] & CLASS_A else b"")
    if rest == bytes((GROUP_PERMANENT, EMISSIONS)):
        return bytes((0x59, GROUP_PERMANENT, EMISSIONS, AVAILABLE, FORMAT)) + _permanent(codes)
    return b""


def _statuses(codes: Codes) -> dict[str, int]:
    found: dict[str, int] = {}
    for service, bit in ((0x03, CONFIRMED), (0x07, STATUS_PENDING)):
        for code in codes(service):
            found[code] = found.get(code, FAILED_SINCE_CLEARING) | bit
    return found


def _listed(codes: Codes, mask: int, before: bytes = b"") -> bytes:
    chosen = [(code, status) for code, status in _statuses(codes).items() if status & mask]
    return b"".join(before + code_bytes(code) + bytes((0, status)) for code, status in chosen)


def _permanent(codes: Codes) -> bytes:
    statuses = _statuses(codes)
    return b"".join(
        code_bytes(code) + bytes((0, statuses.get(code, FAILED_SINCE_CLEARING)))
        for code in codes(0x0A)
    )
