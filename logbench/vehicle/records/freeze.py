"""Freeze frames (service 02): every supported PID of every frame of every ECU."""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping

from logbench.errors import ReplyError
from logbench.signals.codes import code_from_bytes
from logbench.signals.decoding import Scaling, decode, label
from logbench.signals.table import table
from logbench.vehicle.discovery import walk_lists
from logbench.vehicle.records.asking import Asker
from logbench.vehicle.records.model import CarReading, FreezeFrame, FrozenValue

log = logging.getLogger(__name__)

CODE_PID = 0x02
MOST_FRAMES = 16
"""The standard knows frame 0 and leaves further ones to the maker; a car that never stops naming
frames is stopped here."""
WHAT = "freeze frames"


def read_freeze_frames(reading: CarReading, asker: Asker, scalings: Mapping[str, Scaling]) -> None:
    """Frame after frame until no ECU has a code for the next one.

    `scalings`: of PID 0x4F and 0x50, by the ECU that has them.
    """
    for number in range(MOST_FRAMES):
        frames = _frames(asker, number)
        if not frames:
            return
        reading.freeze_frames.extend(frames.values())
        supported = _supported(asker, number, frozenset(frames))
        for pid in sorted(set().union(*supported.values()) - {CODE_PID}):
            wanted = {ecu for ecu, pids in supported.items() if pid in pids}
            for ecu, data in _data(asker, pid, number).items():
                if ecu in wanted:
                    frames[ecu].values.extend(_values(asker, ecu, pid, data, scalings.get(ecu)))
    asker.problem(f"The car names more than {MOST_FRAMES} freeze frames: the rest was not read.")


def _frames(asker: Asker, number: int) -> dict[str, FreezeFrame]:
    """ECUs that have a frame of that number, with the code that caused it."""
    frames = {}
    for ecu, data in _data(asker, CODE_PID, number).items():
        if len(data) >= 2 and data[:2] != b"\0\0":
            code = code_from_bytes(data[0], data[1])
            frames[ecu] = FreezeFrame(ecu=ecu, number=number, code=code)
    return frames


def _supported(asker: Asker, number: int, ecus: frozenset[str]) -> dict[str, frozenset[int]]:
    """PIDs of the frame by ECU."""
    return walk_lists(
        lambda base, _: [
            (ecu, data)
            for ecu, data in _data(asker, base, number).items()
            if ecu in ecus and len(data) >= 4
        ]
    )


def _data(asker: Asker, pid: int, number: int) -> dict[str, bytes]:
    """Data bytes of one PID of one frame by ECU; replies about another one are left out."""
    found: dict[str, bytes] = {}
    for reply in asker.ask(bytes((0x02, pid, number)), WHAT):
        if len(reply.data) > 3 and reply.data[1:3] == bytes((pid, number)):
            found[reply.ecu] = reply.data[3:]
        else:
            log.info("answer of %s is not about PID %02X, frame %d", reply.ecu, pid, number)
    return found


def _values(
    asker: Asker, ecu: str, pid: int, data: bytes, scaling: Scaling | None
) -> list[FrozenValue]:
    signals = table().of_pid(pid)
    if not signals:
        text = data.hex(" ").upper()
        return [FrozenValue(signal=f"PID {pid:02X}", name="not in the table", text=text)]
    try:
        values = decode(pid, data, scaling)
    except ReplyError as error:
        asker.problem(f"PID {pid:02X} of a freeze frame of {ecu} makes no sense: {error}")
        return []
    return [
        FrozenValue(
            signal=signal.acronym,
            name=signal.name,
            value=None if math.isnan(values[signal.acronym]) else values[signal.acronym],
            unit=signal.unit,
            text=label(signal, values[signal.acronym]),
        )
        for signal in signals
    ]
