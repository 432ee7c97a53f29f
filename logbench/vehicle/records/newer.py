"""Freeze frames and monitor results of cars that answer SAE J1979-2 only.

A frame belongs to a code: service 19, sub-function 04, asks for all records of one (ISO 14229-1,
11.3.5), and the identifiers in it are those of service 22. Monitor results are the identifiers F600
to F6FF, one for each monitor ID of service 06. SAE J1979-2 is from memory and was only tried on the
simulated car; it leaves open here whether the monitor ID stands before each test, as in service 06,
so that both are read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from logbench.signals.codes import bytes_of_code
from logbench.signals.decoding import Scaling
from logbench.signals.table import table
from logbench.vehicle.discovery import walk_lists
from logbench.vehicle.model import Reply
from logbench.vehicle.records import codes, monitors
from logbench.vehicle.records.asking import Asker
from logbench.vehicle.records.model import CarReading, FreezeFrame, FrozenValue, MonitorResult

ALL_RECORDS = 0xFF
PIDS, RESULTS = 0xF4, 0xF6
"""High bytes of the identifiers of service 22 for PIDs and monitor IDs."""
_TEST = 8
"""Bytes of a test without its monitor ID."""


# --- freeze frames ---


def read_newer_frames(reading: CarReading, asker: Asker, scalings: Mapping[str, Scaling]) -> None:
    """The frames of every stored or pending code. An ECU that does not answer is not asked on."""
    known = [asker.answered.get(f"{state} codes", ()) for state in ("stored", "pending")]
    asker.answered[codes.WHAT] = sorted(set(known[0]) & set(known[1]))
    silent: set[str] = set()
    for ecu, code in dict.fromkeys(
        (code.ecu, code.code) for code in reading.codes if code.state != "permanent"
    ):
        if ecu in silent:
            continue
        request = bytes((codes.SERVICE, 0x04, *bytes_of_code(code), ALL_RECORDS))
        replies = asker.ask(request, codes.WHAT, of=ecu)
        if not replies:
            silent.add(ecu)
            asker.answered[codes.WHAT].remove(ecu)
            asker.silent(codes.WHAT, [ecu])
        for reply in replies:
            reading.freeze_frames.extend(frames_of(asker, reply, code, scalings.get(ecu)))


def frames_of(asker: Asker, reply: Reply, code: str, scaling: Scaling | None) -> list[FreezeFrame]:
    """The records of one reply: number, count of identifiers, and each with its data. What follows
    an identifier of unknown length cannot be taken apart: it is kept as it is."""
    data = reply.data
    if data[1:5] != b"\x04" + bytes_of_code(code) or len(data) < 6:
        asker.problem(f"The freeze frame of {reply.ecu} for {code} makes no sense.")
        return []
    frames = []
    at = 6
    while at + 2 <= len(data):
        frame = FreezeFrame(ecu=reply.ecu, number=data[at], code=code)
        frames.append(frame)
        at = _fill(asker, frame, data, at + 1, scaling)
    return frames


def _fill(asker: Asker, frame: FreezeFrame, data: bytes, at: int, scaling: Scaling | None) -> int:
    """Put the identifiers of a record, whose count is at `at`, into its frame; where the next
    record begins."""
    count, at = data[at], at + 1
    for _ in range(count):
        head, body = data[at : at + 2], at + 2
        size = table().lengths.get(head[1]) if len(head) == 2 and head[0] == PIDS else None
        if size is None or body + size > len(data):
            rest = data[at:].hex(" ").upper()
            frame.values.append(FrozenValue(signal="rest", name="not understood", text=rest))
            asker.problem(
                f"The freeze frame of {frame.ecu} for {frame.code} is not read to its end."
            )
            return len(data)
        part = data[body : body + size]
        frame.values.extend(codes.frozen_values(asker, frame.ecu, head[1], part, scaling))
        at = body + size
    return at


# --- monitor results ---


def read_newer_results(reading: CarReading, asker: Asker) -> None:
    """Every supported monitor of every ECU, each kept as soon as it is read."""

    def lists(base: int, _: int) -> Iterator[tuple[str, bytes]]:
        for reply in asker.ask(bytes((0x22, RESULTS, base)), monitors.WHAT):
            if reply.data[1:3] == bytes((RESULTS, base)) and len(reply.data) >= 7:
                yield reply.ecu, reply.data[3:]
            else:
                asker.problem(f"{reply.ecu} lists its monitors in a way that makes no sense.")

    for monitor in sorted(set().union(*walk_lists(lists).values())):
        for reply in asker.ask(bytes((0x22, RESULTS, monitor)), monitors.WHAT):
            found = newer_results_of(reply, monitor)
            if found:
                reading.monitor_results.extend(found)
            else:
                asker.problem(f"The result of monitor {monitor:02X} of {reply.ecu} makes no sense.")


def newer_results_of(reply: Reply, monitor: int) -> list[MonitorResult]:
    """The tests of one monitor; empty where they are not understood, or in two ways."""
    if reply.data[1:3] != bytes((RESULTS, monitor)):
        return []
    named, plain = reply.data[2:], reply.data[3:]
    ways = set()
    if named and len(named) % (_TEST + 1) == 0 and set(named[:: _TEST + 1]) == {monitor}:
        ways.add(named)
    if plain and len(plain) % _TEST == 0:
        parts = (plain[at : at + _TEST] for at in range(0, len(plain), _TEST))
        ways.add(b"".join(bytes((monitor,)) + part for part in parts))
    if len(ways) != 1:
        return []
    (data,) = ways
    return [
        monitors.result_of_nine(reply.ecu, data[at : at + _TEST + 1])
        for at in range(0, len(data), _TEST + 1)
    ]
