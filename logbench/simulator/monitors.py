"""On-board monitor results (services 05 and 06) and control of the evaporative system (service 08).

Written from SAE J1979 (ISO 15031-5), from memory. On CAN a monitor ID names the monitor and its
component, and every test carries its unit-and-scaling ID; a test that has not run since the codes
were cleared reports zeros. The older protocols have test IDs of the maker's own instead, with one
limit a message; their top bit of the component ID says that the limit is a lower one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from logbench.simulator import encode

EVAP_LEAK_TEST = 0x01
"""The one test ID of service 08 that the standard defines for every make."""
MAPS = frozenset(range(0x00, 0x100, 0x20))


@dataclass(frozen=True, slots=True)
class MonitorTest:
    """One test of one monitor, as the ECU stores it: raw 16-bit numbers, all 0 before it ran."""

    monitor: int
    test: int
    scaling: int
    """Unit-and-scaling ID; from 0x80 on the numbers are signed."""
    value: int = 0
    minimum: int = 0
    maximum: int = 0

    @property
    def nine(self) -> bytes:
        """Monitor, test, scaling, value and both limits."""
        numbers = (self.value, self.minimum, self.maximum)
        return bytes((self.monitor, self.test, self.scaling)) + b"".join(
            (number & 0xFFFF).to_bytes(2, "big") for number in numbers
        )


def results(tests: Sequence[MonitorTest], rest: bytes, can: bool) -> Iterator[bytes]:
    """Messages of one ECU to service 06 with `rest` after the service byte."""
    if not can:
        if tests and len(rest) == 1:
            yield from _elsewhere(tests, rest[0])
        return
    monitors = frozenset(test.monitor for test in tests)
    if tests and rest and set(rest) <= MAPS and len(rest) <= 6:
        yield from _map_reply(0x46, rest, monitors)
    elif len(rest) == 1 and rest[0] in monitors:
        yield b"\x46" + b"".join(test.nine for test in tests if test.monitor == rest[0])


def identified(tests: Sequence[MonitorTest], low: int) -> bytes:
    """Data of identifier F600 + `low` of service 22 (SAE J1979-2, from memory): the list, or the
    tests of a monitor, each without its ID; empty where the ECU has none."""
    known = frozenset(test.monitor for test in tests)
    if low in MAPS:
        return encode.supported_map(low, known) if known and low < max(known) else b""
    return b"".join(test.nine[1:] for test in tests if test.monitor == low)


def _map_reply(first: int, bases: bytes, supported: frozenset[int]) -> Iterator[bytes]:
    """Lists of what is supported, for those bases that have anything after them."""
    asked = [base for base in bases if base == 0 or any(base < one for one in supported)]
    data = b"".join(bytes((base,)) + encode.supported_map(base, supported) for base in asked)
    if data:
        yield bytes((first,)) + data


def _elsewhere(tests: Sequence[MonitorTest], asked: int) -> Iterator[bytes]:
    """The maker's test IDs, here simply numbered from 1 in the order of the tests."""
    numbers = range(1, min(len(tests), 0x1F) + 1)
    if asked == 0:
        yield b"\x46\x00\xff" + encode.supported_map(0, frozenset(numbers))
    elif asked in numbers:
        test = tests[asked - 1]
        for lower, limit in ((0x80, test.minimum), (0x00, test.maximum)):
            value = (test.value & 0xFFFF).to_bytes(2, "big")
            yield bytes((0x46, asked, lower | 0x01)) + value + (limit & 0xFFFF).to_bytes(2, "big")


_THRESHOLD = 90
"""0.45 V, in steps of 0.005 V."""
_MS = 0x10
_STEP_MS = 40
"""Of the sensor's period in service 05."""


def oxygen(tests: Sequence[MonitorTest], rest: bytes) -> Iterator[bytes]:
    """Messages of one ECU of the older buses to service 05: test ID and the sensor's bit of PID
    0x13. Both thresholds are constants; the sensor's period has its limits."""
    if len(rest) != 2 or rest[1].bit_count() != 1:
        return
    monitor = rest[1].bit_length()  # bank 1 sensor 1 is bit 0 and monitor 01
    periods = [t for t in tests if t.monitor == monitor and t.test == 0x0A and t.scaling == _MS]
    if not periods:
        return
    (period,) = periods
    answers = {
        0x01: bytes((_THRESHOLD,)),
        0x02: bytes((_THRESHOLD,)),
        0x0A: bytes(
            min(n // _STEP_MS, 0xFF) for n in (period.value, period.minimum, period.maximum)
        ),
    }
    answers[0x00] = encode.supported_map(0, frozenset(answers))
    if rest[0] in answers:
        yield b"\x45" + rest + answers[rest[0]]


def control(
    supported: frozenset[int], rest: bytes, can: bool
) -> Iterator[tuple[int | None, bytes]]:
    """Messages to service 08, each with the test ID it starts, or None for a list.

    A test ID is followed by five data bytes; on CAN the list may be asked for without them.
    """
    if not supported or not rest or len(rest) > 6:
        return
    if rest[0] in MAPS:
        bases = rest if can and len(rest) == 1 else rest[:1]
        padding = b"" if can else b"\x00"
        for reply in _map_reply(0x48, bases, supported):
            yield None, reply + padding
    elif rest[0] in supported:
        yield rest[0], b"\x48" + rest[:1] + rest[1:].ljust(5, b"\x00")
