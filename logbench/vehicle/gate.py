"""The gate to the car: all that leaves passes here; nothing else holds the write side of a link.

What really leaves is judged, at the byte: an adapter's lines (its settings by a list, hexadecimal
ones as the request they are), frames of a CAN bus. Requests that read pass. Of those that change
the car there are three, and each needs a `Permit`, which sending spends: one permit, one
transmission, whatever comes back or does not. Everything else is refused with a ValueError, with
nothing sent: that it was asked for is a fault of ours.

SAE J1979 (ISO 15031-5): 01, 02, 03, 05, 06, 07, 09 and 0A read; 22 reads, and of its identifiers
only those of SAE J1979-2 (F4xx, F6xx, F8xx) are asked for; of 19 only five sub-functions, for
trouble codes and their freeze frames (ISO 14229-1, from memory). 04, and 14 of SAE J1979-2, clear;
08 lists what can be controlled, and starts it. The rest of ISO 14229-1 does not exist for this
program.
"""

from __future__ import annotations

import re
import time
import typing
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime

from logbench.errors import ClearingRefusedError

if typing.TYPE_CHECKING:
    import can

# --- requests ---

READING = frozenset({0x01, 0x02, 0x03, 0x05, 0x06, 0x07, 0x09, 0x0A})
IDENTIFIERS = frozenset({0xF4, 0xF6, 0xF8})
"""High bytes of the identifiers of service 22 that may be read."""
CODE_LISTS = {0x02: 2, 0x04: 5, 0x15: 1, 0x42: 4, 0x55: 2}
"""Sub-functions of service 19 that list codes, and their length with what follows them: by status,
permanent, and both of a functional group; 04 gives the freeze frames of one. None of them changes
anything."""
LIST_CONTROLS, LIST_CONTROLS_ELSEWHERE = b"\x08\x00", b"\x08" + bytes(6)
"""Supported test IDs, on CAN and on the older buses: asking changes nothing."""
CLEAR = b"\x04"
CLEAR_NEWER = b"\x14\xff\xff\x33"
"""The emission-related codes, by SAE J1979-2 (group of ISO 14229-1, 11.2.5)."""
CLOSE_EVAP = b"\x08\x01" + bytes(5)
"""Test ID 01: close the evaporative system for a leak test; five data bytes of zero."""
CHANGES = frozenset({CLEAR, CLEAR_NEWER, CLOSE_EVAP})
"""The only requests that change a car, byte for byte."""
MOST_BYTES = 7
"""Of a request: a single frame of ISO 15765-2."""


def reads(payload: bytes) -> bool:
    """Whether a request, service byte first, only reads."""
    if not 0 < len(payload) <= MOST_BYTES:
        return False
    service, rest = payload[0], payload[1:]
    if service in READING:
        return True
    if service == 0x22:
        return bool(rest) and len(rest) % 2 == 0 and IDENTIFIERS.issuperset(rest[::2])
    if service == 0x19:
        return bool(rest) and len(rest) == CODE_LISTS.get(rest[0])
    return payload in (LIST_CONTROLS, LIST_CONTROLS_ELSEWHERE)


# --- the permit ---

CONSENT = "The owner agrees, and I have read what will be lost."
"""The words that must be given, letter for letter: the window's tick box stands beside them."""
IDLE_MAX_RPM = 1200.0
"""Faster than any warm idle (common practice, no source)."""
FRESH_S = 2.0
"""So old at most may be what the car said of its engine and wheels when a change is sent."""
_TRIES = 3
"""So often the car is asked for it until it is fresh."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """Engine speed and road speed as the car reported them; None: it did not. `problem`: why an
    answer cannot be relied on, as a sentence. Made before the car is asked, so that `age_s` counts
    from then; a clock that was set or a computer that slept makes it older, never younger."""

    rpm: float | None = None
    speed_kmh: float | None = None
    problem: str = ""
    asked_s: float = field(default_factory=time.monotonic)
    asked_unix_s: float = field(default_factory=time.time)

    @property
    def age_s(self) -> float:
        """Since the car was asked."""
        return max(time.monotonic() - self.asked_s, time.time() - self.asked_unix_s)

    @property
    def lacking(self) -> str:
        """What is not right, as a sentence; `` when it may be done."""
        if self.rpm is None or self.speed_kmh is None:
            missing = "engine speed" if self.rpm is None else "road speed"
            return f"The car does not report its {missing}, so that it cannot be made sure of."
        if self.speed_kmh > 0:
            return f"The car moves at {self.speed_kmh:.0f} km/h: stop and try again."
        if self.rpm > IDLE_MAX_RPM:
            return f"The engine turns at {self.rpm:.0f} rpm: let it idle, or switch it off."
        return self.problem


@dataclass(frozen=True, slots=True)
class Sent:
    """What a permit was spent on. `wire`: every byte handed to the port, in hex, an adapter's line
    as its characters, a CAN frame behind its identifier. `to`: whom it went to; `` is all ECUs.
    `at_ns`: on the monotonic clock."""

    wire: str
    to: str
    at_ns: int
    at_utc: datetime


class Permit:
    """Leave to send one request of `CHANGES` once. Made by `records.clearing` and nobody else."""

    def __init__(self, payload: bytes, consent: str, read: Callable[[], Conditions]) -> None:
        """`read` asks the car. Raises ClearingRefusedError without the words of `CONSENT`;
        ValueError for a request that nobody may ever send."""
        if payload not in CHANGES:
            raise ValueError(f"{payload.hex()} may never be sent")
        if consent != CONSENT:
            raise ClearingRefusedError(
                f"Nothing is changed in a car without consent: give the words {CONSENT!r}."
            )
        self.payload, self.consent, self._read = payload, consent, read
        self.conditions: Conditions | None = None
        self.sent: Sent | None = None

    @property
    def spent(self) -> bool:
        """It was sent with."""
        return self.sent is not None

    def renew(self) -> None:
        """Have the car say how it stands. Raises ClearingRefusedError for what is not right."""
        for _ in range(_TRIES):
            self.conditions = self._read()
            if self.conditions.lacking or self.conditions.age_s < FRESH_S / 2:
                break
        self._check()

    def spend(self, payload: bytes, wire: str, to: str) -> None:
        """Called by a gate right before `payload` leaves. Raises ValueError where it was spent or
        is for another request, ClearingRefusedError where the car is not, or not surely, at rest.
        """
        if self.spent or payload != self.payload:
            raise ValueError(f"{payload.hex()} may not leave: the permit is spent, or for another")
        self._check()
        self.sent = Sent(wire, to, time.monotonic_ns(), datetime.now(UTC))

    def _check(self) -> None:
        now = self.conditions
        if now is None or now.lacking:
            why = "The car was not asked how it stands." if now is None else now.lacking
            raise ClearingRefusedError(f"Nothing was changed. {why}")
        if now.age_s > FRESH_S:
            raise ClearingRefusedError(
                "Nothing was changed. What the car said of its engine and wheels was "
                f"{now.age_s:.1f} s old, more than {FRESH_S:.0f} s: try again with a better link."
            )


def _refused(what: str) -> ValueError:
    return ValueError(f"{what} may not leave: it could change the car or the adapter")


# --- an adapter's lines ---

NONSENSE = "\x7f\x7f"
"""Gets a prompt out of any adapter without repeating an earlier command, as a lone carriage return
would; two, because the first character may get lost."""
SETTINGS = {
    "I|RV|DPN": "ask the adapter: its name, the voltage, the protocol in use",
    "Z|WS|D": "start it anew, or its defaults: nothing of us stays behind",
    "E0|L0|S0|H1": "how it prints replies",
    "AT[012]|ST(0[D-F]|[1-9A-F][0-9A-F])": "how long it waits for replies",
    "CAF1": "it makes the frames: without that 0104 would be a frame that clears, not a reading",
    "SP0|TP[1-9]|TPA[1-9]": "the protocol of the car's bus; SP0, its own search, is kept in it",
    "SH(7DF|7E[0-7]|DB33F1|DA[0-9A-F]{2}F1)|CP18": "which ECU is asked: all of them, or one",
    "PC|LP": "close the protocol, and sleep",
}
"""Commands that may be sent behind `AT`, as patterns, and why. Not there on purpose: programmable
parameters, speeds, wake-up messages, listening that acknowledges frames, a start of the bus without
a request, frames by hand: with them an adapter talks to the car by itself, or is changed for good.
"""
_SETTING = re.compile("AT(?:" + "|".join(SETTINGS) + ")")
_REQUEST = re.compile("[0-9A-F]{2,}")
"""Pairs of digits and, where one is left over, the number of reply frames to wait for."""


_HARMS = {0x04: (1,), 0x10: (2,), 0x11: (2,), 0x14: (3, 4)}
"""Services that clear codes, restart an ECU or change its session, with the lengths of requests for
them (ISO 14229-1 and ISO 14230-3, from memory)."""
_LOST = 2
"""Characters at the beginning of a line that may get lost: an adapter that is still busy swallows
the one that interrupts it."""


def led(line: str) -> str:
    """A request with blanks before it where the rest of it would harm with its first characters
    lost: of 0104 that would be 04, which clears, and of 01101 it would be 1101, which restarts
    ECUs. Adapters ignore blanks (common practice, no source)."""
    rests = (line[lost : len(line) - (len(line) - lost) % 2] for lost in range(1, _LOST + 1))
    harms = any(rest and len(rest) // 2 in _HARMS.get(int(rest[:2], 16), ()) for rest in rests)
    return " " * _LOST + line if harms else line


class BytePort(typing.Protocol):
    """A stream of bytes to an adapter. `read` and `write` raise LinkLostError when it is gone."""

    def write(self, data: bytes) -> None:
        """Send all of `data`. For `LineGate` alone."""
        ...

    def read(self, timeout_s: float) -> bytes:
        """Whatever is there, waiting at most `timeout_s` for the first byte; b'' when nothing.
        Does not wait at all for 0."""
        ...

    def close(self) -> None:
        """Let go. May be called twice."""
        ...


class LineGate:
    """Owns a port to an adapter: lines leave, bytes come."""

    def __init__(self, port: BytePort) -> None:
        self._port = port
        self.read, self.close = port.read, port.close
        self._repeatable = False
        """The adapter's last line was a request that reads: 'the same again' reads, too."""
        self._changed = False
        """A change has left: 'the same again' could be that one, if a later line got lost."""
        self._to = ""

    @property
    def may_repeat(self) -> bool:
        """Whether 'the same again' may leave: what the adapter had last is a request that reads."""
        return self._repeatable and not self._changed

    def command(self, line: str, permit: Permit | None = None) -> None:
        """Send a line, its carriage return with it; empty: the last request again. Raises
        LinkLostError; ValueError for what may not leave; as `Permit.spend`."""
        wire = line.encode("ascii") + b"\r"
        if permit is not None:
            if line != permit.payload.hex().upper():
                raise _refused(repr(line))
            permit.spend(permit.payload, wire.hex(" ").upper(), self._to)
            self._changed = True
        elif _REQUEST.fullmatch(line):
            if not reads(bytes.fromhex(line[: len(line) // 2 * 2])):
                raise _refused(line)
            self._repeatable = True
            wire = led(line).encode() + b"\r"
        elif line or not self.may_repeat:
            self._setting(line)
        self._port.write(wire)

    def _setting(self, line: str) -> None:
        if line != NONSENSE and not _SETTING.fullmatch(line):
            raise _refused(repr(line))
        self._repeatable = False
        if line.startswith("ATSH"):
            self._to = "" if line in ("ATSH7DF", "ATSHDB33F1") else line[4:]


# --- frames of a CAN bus ---

FUNCTIONAL = {11: 0x7DF, 29: 0x18DB33F1}
"""Request addresses of all ECUs, by the bits of the identifier (ISO 15765-4)."""
MOST_BLOCK, MOST_SEPARATION_MS = 0xFF, 0x7F


def flow_control(block: int = 0, separation_ms: int = 0) -> bytes:
    """ISO 15765-2: clear to send `block` frames, 0: all there are, at least so far apart."""
    return bytes((0x30, block, separation_ms)).ljust(8, b"\0")


class FramePort(typing.Protocol):
    """A CAN bus. `read` and `write` raise LinkLostError when it is gone."""

    def write(self, identifier: int, data: bytes) -> None:
        """Put one frame on the bus. For `FrameGate` alone."""
        ...

    def read(self, timeout_s: float) -> can.Message | None:
        """The next message; None when none came in time."""
        ...

    def close(self) -> None:
        """Let go. May be called twice."""
        ...


class FrameGate:
    """Owns the write side of a CAN bus."""

    def __init__(self, port: FramePort) -> None:
        self._port = port
        self.read, self.close = port.read, port.close

    def request(self, identifier: int, payload: bytes, permit: Permit | None = None) -> None:
        """Send a request in a single frame. Raises as `frame`."""
        self.frame(identifier, (bytes((len(payload),)) + payload).ljust(8, b"\0"), permit)

    def frame(self, identifier: int, data: bytes, permit: Permit | None = None) -> None:
        """Send a frame: a request in a single one, or flow control. Raises LinkLostError;
        ValueError for what may not leave; as `Permit.spend`."""
        to_one = 0x7E0 <= identifier <= 0x7E7 or identifier & ~0xFF00 == 0x18DA00F1
        shown = f"{identifier:03X} {data.hex(' ').upper()}"
        payload = _single(data)
        if not (to_one or identifier in FUNCTIONAL.values()):
            raise _refused(shown)
        if permit is not None:
            permit.spend(payload, shown, f"{identifier:03X}" if to_one else "")
        elif not reads(payload) and not (to_one and _lets_go_on(data)):
            raise _refused(shown)
        self._port.write(identifier, data)


def _lets_go_on(data: bytes) -> bool:
    """Whether a frame is flow control that clears to send."""
    return len(data) == 8 and data[2] <= MOST_SEPARATION_MS and data == flow_control(*data[1:3])


def _single(data: bytes) -> bytes:
    """The request in a single frame that is filled up with zeros; b'' where it is none."""
    length = data[0] if len(data) == 8 and data[0] <= MOST_BYTES else 0
    return b"" if any(data[1 + length :]) else data[1 : 1 + length]
