"""Logs of a CAN bus (candump, ASC, BLF, TRC) holding ISO 15765-4 traffic.

The logs hold requests and replies as they were on the bus. Replies are put together (ISO 15765-2)
and decoded by the signal table (`heard`); each sample's time is the middle between the request, or
what the ECU said last to put it off, and the first frame of its reply, or the reply's own where the
request is not in the log.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from logbench.errors import ImportFileError
from logbench.importing.can_frames import Frame, frames_of
from logbench.importing.heard import Heard, asks_for, decode_all, drives_of
from logbench.importing.model import Imported, Report
from logbench.system.limits import CAN_CHANNELS
from logbench.system.progress import Told, counted, untold
from logbench.vehicle.framing import CanAssembler, reply_name
from logbench.vehicle.link import is_pending

_STALE_NS = 5_000_000_000
"""A request older than this does not belong to a reply (ISO 15765-3: response pending, 5 s)."""
_SINGLE, _FIRST, _FLOW_CONTROL = 0, 1, 3
"""Kinds of frames (ISO 15765-2)."""
_LATEST_S = 9e9
"""Seconds since 1970 that nanoseconds can count."""
_UNTIMED_NS = 10**9
"""Requests are put so far apart where a log has no times."""


@dataclass(slots=True)
class _Bus:
    """What was asked and answered so far on one channel."""

    name: str
    replies: CanAssembler = field(default_factory=CanAssembler)
    requests: CanAssembler = field(default_factory=CanAssembler)
    asked: dict[str, tuple[int, bytes]] = field(default_factory=dict)
    """Reply address ('' for all) to the last request and its time; an ECU that puts it off has it
    anew."""
    began: dict[str, tuple[int, bytes]] = field(default_factory=dict)
    """ECU to the time of the reply that it has begun, and the request it answers."""


_FRAME_BYTES = 50
"""Of a frame in a log, about."""


def import_can_log(path: Path, told: Told = untold) -> Imported:
    """All current data of a log, split where it pauses for half an hour.

    Raises `ImportFileError`: no python-can, no log that it can read, or no such traffic in it.
    """
    report = Report()
    about = path.stat().st_size // _FRAME_BYTES if path.exists() else 0
    frames = counted(frames_of(path, report), about, told)
    messages = list(_messages(path, frames, report))
    decoded = decode_all(messages, report)
    if not decoded.samples:
        raise ImportFileError(
            f"{path} holds no replies of service 01 or 22 with current data (ISO 15765-4): it is a "
            "log of something else."
        )
    if len(decoded.buses) > 1:
        report.remark(
            f"ECUs answered on several channels ({', '.join(decoded.buses)}): each has traces of "
            "its own, and checks take a signal from the first that has it. Where the channels are "
            "of different cars, no check of it holds."
        )
    drives = tuple(drives_of(decoded, path.name, "ISO 15765-4 (CAN log)"))
    report.samples = sum(len(trace) for drive in drives for trace in drive.traces)
    return Imported(drives, report)


def _messages(path: Path, frames: Iterable[Frame], report: Report) -> Iterator[Heard]:
    """Whole messages of ECUs, as they are complete."""
    buses: dict[str, _Bus] = {}
    untimed_ns = 0
    for frame in frames:
        report.rows += 1
        if frame.t_s is None:
            report.remark("The log has no times: its requests are taken as 1 s apart.")
            untimed_ns += _UNTIMED_NS if _asked_of(frame) is not None else 0
        elif not abs(frame.t_s) < _LATEST_S:
            reason = "is not a time: the frame is left out"
            report.leave_out(frame.line, "", f"{frame.t_s:g}", reason)
            continue
        if frame.channel not in buses and len(buses) >= CAN_CHANNELS:
            raise ImportFileError(f"{path} has frames of more than {CAN_CHANNELS} channels.")
        bus = buses.setdefault(frame.channel, _Bus(frame.channel))
        t_ns = untimed_ns if frame.t_s is None else round(frame.t_s * 1e9)
        asked = _asked_of(frame)
        if asked is not None:
            request = bus.requests.feed(asked, frame.data, t_ns / 1e9)
            if request:
                bus.asked[asked] = t_ns, request
            continue
        ecu = reply_name(frame.identifier, frame.extended)
        if ecu is not None:
            yield from _heard(bus, ecu, frame, t_ns, report)
    for bus in buses.values():
        for ecu in bus.replies.open:
            report.leave_out(report.rows, ecu, "", "a message is incomplete at the end of the log")


def _heard(bus: _Bus, ecu: str, frame: Frame, t_ns: int, report: Report) -> Iterator[Heard]:
    """The message of an ECU that a frame completes."""
    kind = frame.data[0] >> 4 if frame.data else 15
    if kind == _FLOW_CONTROL:
        return
    if kind in (_SINGLE, _FIRST):
        bus.began[ecu] = _begun(bus, ecu, t_ns, frame.data[1 + kind :])
    message = bus.replies.feed(ecu, frame.data, t_ns / 1e9)
    if bus.replies.fault:
        report.leave_out(frame.line, ecu, frame.data.hex(" "), bus.replies.fault)
    if message is None:
        return
    middle_ns, request = bus.began[ecu]
    if is_pending(message) and request:
        bus.asked[ecu] = t_ns, request
    yield Heard(middle_ns, bus.name, ecu, message, request, frame.line)


def _begun(bus: _Bus, ecu: str, t_ns: int, head: bytes) -> tuple[int, bytes]:
    """When the ECU took the values of a reply that begins now, and the request for it; its own time
    and nothing where none was heard."""
    about = [
        (asked_ns, request)
        for key in ("", ecu)
        for asked_ns, request in [bus.asked.get(key, (t_ns, b""))]
        if asks_for(request, head) and 0 <= t_ns - asked_ns <= _STALE_NS
    ]
    if not about:
        return t_ns, b""
    asked_ns, request = max(about)
    return (asked_ns + t_ns) // 2, request


def _asked_of(frame: Frame) -> str | None:
    """Reply address that a request is to; `` for a functional request to all; None: no request."""
    address = frame.identifier
    if not frame.extended:
        if address == 0x7DF:
            return ""
        return f"{address + 8:03X}" if 0x7E0 <= address <= 0x7E7 else None
    if address == 0x18DB33F1:
        return ""
    is_physical = address >> 16 == 0x18DA and address & 0xFF == 0xF1
    return f"18DAF1{address >> 8 & 0xFF:02X}" if is_physical else None
