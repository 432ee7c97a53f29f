"""python-can logs (ASC, BLF, candump, TRC, …) holding ISO 15765-4 traffic.

The logs hold requests and replies as they were on the bus. Replies of service 01 are put together
(ISO 15765-2) and decoded by the signal table; each sample's time is the middle between the request
and the first frame of its reply, or the reply's own where the request is not in the log.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

import numpy as np

from logbench.car.identity import Identity
from logbench.car.model import Car
from logbench.errors import ImportFileError, ReplyError
from logbench.foreign import Foreign
from logbench.importing.blf import check_blf
from logbench.importing.model import Drive, Imported, Report, imported_facts
from logbench.recording.model import Facts, Trace
from logbench.signals.decoding import Scaling, decode, scaling_from, split
from logbench.signals.table import table
from logbench.system.limits import CAN_CHANNELS, LINE_CHARS, TEXT_BYTES
from logbench.system.reading import open_plain
from logbench.vehicle.framing import CanAssembler, reply_name

_STALE_NS = 5_000_000_000
"""A request older than this does not belong to a reply (ISO 15765-3: response pending, 5 s)."""

_FIRST, _CONSECUTIVE, _FLOW_CONTROL = 1, 2, 3
"""Kinds of frames of longer messages (ISO 15765-2)."""
_GAP_NS = 1800 * 10**9
_LATEST_S = 9e9
"""Seconds since 1970 that nanoseconds can count."""


@dataclass(slots=True)
class _Bus:
    """What was asked and answered so far on one channel."""

    assembler: CanAssembler = field(default_factory=CanAssembler)
    first_ns: dict[str, int] = field(default_factory=dict)
    """ECU to the time of its last first frame."""
    asked_ns: dict[str, int] = field(default_factory=dict)
    """Reply address ('' for all) to the time of the last request."""
    scaling_replies: dict[str, dict[int, bytes]] = field(default_factory=dict)
    """ECU to the data of its last replies to PID 0x4F and 0x50."""
    scaling: dict[str, Scaling] = field(default_factory=dict)
    vins: list[tuple[int, str]] = field(default_factory=list)
    """When a VIN was reported (service 09), counted from the log's start."""


def import_can_log(path: Path) -> Imported:
    """All service 01 samples of a log, split where it pauses for half an hour.

    Raises `ImportFileError`: no python-can, no log that it can read, or no such traffic in it.
    """
    report = Report()
    samples: dict[tuple[str, str], tuple[list[int], list[float]]] = {}
    buses: dict[Any, _Bus] = {}
    first_ns: int | None = None
    for number, frame in enumerate(_frames(path, report), start=1):
        report.rows = number
        if not abs(frame.timestamp) < _LATEST_S:
            report.leave_out(
                number, "", f"{frame.timestamp:g}", "is no time: the frame is left out"
            )
            continue
        if frame.channel not in buses and len(buses) >= CAN_CHANNELS:
            raise ImportFileError(f"{path} has frames of more than {CAN_CHANNELS} channels.")
        t_ns = round(frame.timestamp * 1e9)
        first_ns = t_ns if first_ns is None else first_ns
        bus = buses.setdefault(frame.channel, _Bus())
        for ecu, payload, when in _messages(bus, frame, t_ns, number, report):
            _decode(bus, ecu, payload, when - first_ns, number, samples, report)
    for bus in buses.values():
        for ecu in bus.assembler.open:
            report.leave_out(report.rows, ecu, "", "a message is incomplete at the end of the log")
    if not samples:
        raise ImportFileError(
            f"{path} holds no replies of service 01 (ISO 15765-4): it is a log of something else."
        )
    vins = [pair for bus in buses.values() for pair in bus.vins]
    drives = tuple(_drives(path.name, samples, first_ns or 0, vins))
    report.samples = sum(len(trace) for drive in drives for trace in drive.traces)
    return Imported(drives, report)


def _frames(path: Path, report: Report) -> Iterator[Any]:
    """Data frames of the log; what cannot be parsed ends the reading and is listed."""
    try:
        import can
    except ModuleNotFoundError as error:
        raise ImportFileError(
            "CAN logs need python-can: install it with pip install 'logbench[can]'."
        ) from error
    kinds: dict[str, tuple[type[Any], str]] = {
        ".asc": (can.ASCReader, "r"),
        ".blf": (can.BLFReader, "rb"),
        ".trc": (can.TRCReader, "r"),
    }
    kind, mode = kinds.get(path.suffix.lower(), (can.CanutilsLogReader, "r"))
    try:
        _check(path, kind is can.BLFReader)
        stream: IO[Any] = path.open(mode) if mode == "rb" else path.open(mode, errors="replace")
    except ValueError as error:
        raise ImportFileError(f"{path} is not read, {error}: check the file.") from error
    except OSError as error:
        raise ImportFileError(f"{path} cannot be read ({error.strerror}): check it.") from error
    with stream:
        try:
            for message in kind(stream):
                if not (message.is_error_frame or message.is_remote_frame):
                    yield message
        except Exception as error:  # python-can's parsers raise whatever a bad line causes
            report.leave_out(report.rows + 1, "", str(error), "ends the readable part")


def _check(path: Path, blf: bool) -> None:
    """Raises `ValueError`, `OSError` for what python-can must not be given: it reads a line or a
    block whole."""
    with open_plain(path) as file:
        if os.fstat(file.fileno()).st_size > TEXT_BYTES:
            raise ValueError(f"it is longer than {TEXT_BYTES / 1e6:g} MB")
        if blf:
            check_blf(file)
            return
        while len(block := file.read(LINE_CHARS)) == LINE_CHARS:
            if b"\n" not in block:
                raise ValueError("a line is longer than any frame is written")


def _messages(
    bus: _Bus, frame: Any, t_ns: int, number: int, report: Report
) -> Iterator[tuple[str, bytes, int]]:
    """(ECU, whole message, time) when a frame completes one."""
    data, address = bytes(frame.data), frame.arbitration_id
    ecu = reply_name(address, frame.is_extended_id)
    if ecu is None:
        asked = _asked_of(address, frame.is_extended_id)
        if asked is not None and data and data[0] >> 4 == 0 and data[1:2] == b"\x01":
            bus.asked_ns[asked] = t_ns
        return
    kind = data[0] >> 4 if data else 15
    if kind == _FLOW_CONTROL:
        return
    middle_ns = _middle(bus, ecu, t_ns)
    if kind == _FIRST:
        bus.first_ns[ecu] = middle_ns
    message = bus.assembler.feed(ecu, data, t_ns / 1e9)
    if bus.assembler.fault:
        report.leave_out(number, ecu, data.hex(" "), bus.assembler.fault)
    if message is not None:
        yield ecu, message, bus.first_ns[ecu] if kind == _CONSECUTIVE else middle_ns


def _asked_of(address: int, extended: bool) -> str | None:
    """Reply address that a request is to; `` for a functional request to all; None: no request."""
    if not extended:
        if address == 0x7DF:
            return ""
        return f"{address + 8:03X}" if 0x7E0 <= address <= 0x7E7 else None
    if address == 0x18DB33F1:
        return ""
    is_physical = address >> 16 == 0x18DA and address & 0xFF == 0xF1
    return f"18DAF1{address >> 8 & 0xFF:02X}" if is_physical else None


def _middle(bus: _Bus, ecu: str, t_ns: int) -> int:
    asked = max((bus.asked_ns[key] for key in ("", ecu) if key in bus.asked_ns), default=None)
    if asked is None or not 0 <= t_ns - asked <= _STALE_NS:
        return t_ns
    return (asked + t_ns) // 2


def _decode(
    bus: _Bus,
    ecu: str,
    payload: bytes,
    t_ns: int,
    number: int,
    samples: dict[tuple[str, str], tuple[list[int], list[float]]],
    report: Report,
) -> None:
    if payload[:3] == b"\x49\x02\x01":
        bus.vins.append((t_ns, Foreign(payload[3:].decode("ascii", "replace"))))
    if payload[:1] != b"\x41":
        return  # another service, or a negative response: nothing to plot
    try:
        for pid, data in split(payload):
            if pid % 0x20 == 0:
                continue
            if pid in (0x4F, 0x50):
                replies = bus.scaling_replies.setdefault(ecu, {})
                replies[pid] = data
                bus.scaling[ecu] = scaling_from(replies.get(0x4F), replies.get(0x50))
            for signal, value in decode(pid, data, bus.scaling.get(ecu)).items():
                times, values = samples.setdefault((signal, ecu), ([], []))
                times.append(t_ns)
                values.append(value)
    except ReplyError as error:
        report.leave_out(number, ecu, payload.hex(" "), str(error))


def _drives(
    source: str,
    samples: dict[tuple[str, str], tuple[list[int], list[float]]],
    first_ns: int,
    vins: list[tuple[int, str]],
) -> Iterator[Drive]:
    traces = [
        Trace(signal, ecu, table().by_acronym(signal).unit, np.array(t, np.int64), np.array(v))
        for (signal, ecu), (t, v) in sorted(samples.items())
    ]
    stamps = np.unique(np.concatenate([trace.t_ns for trace in traces]))
    starts = np.concatenate([stamps[:1], stamps[1:][np.diff(stamps) > _GAP_NS]])
    for start, end in itertools.pairwise([*starts.tolist(), np.iinfo(np.int64).max]):
        inside = (trace.part((trace.t_ns >= start) & (trace.t_ns < end)) for trace in traces)
        mine = tuple(replace(t, t_ns=t.t_ns - start).in_order() for t in inside if len(t))
        facts = _facts(source, mine, first_ns + start)
        given = {vin for t_ns, vin in vins if start - _GAP_NS < t_ns < end}
        if len(given) == 1:  # with two of them nobody can say whose samples they are
            facts.vehicle.learn(Car.read(Identity(vin=given.pop())))
        yield Drive(mine, facts)


def _facts(source: str, traces: tuple[Trace, ...], absolute_ns: int) -> Facts:
    started = None
    if 5e17 < absolute_ns < 5e18:  # a log that counts from 1970, not from its own start
        started = datetime.fromtimestamp(absolute_ns / 1e9, UTC)
    return imported_facts(traces, started, {"file": source}, "ISO 15765-4 (CAN log)")
