"""What is asked of a car: wanted signals as PIDs and ECUs, and the service that carries them.

Current data come by service 01, or by service 22 where a car answers only that. SAE J1979-2 (from
memory; re-check against the standard) moves the PIDs of service 01 to the data identifiers F400 to
F4FF of service 22 and those of service 09 to F800 to F8FF, with the same data bytes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logbench.errors import ReplyError, SignalUnsupportedError
from logbench.signals.decoding import split
from logbench.signals.table import Signal
from logbench.vehicle.model import CarFacts


@dataclass(frozen=True, slots=True)
class PolledPid:
    """One polled PID: who answers it, and what is wanted of it."""

    pid: int
    ecus: tuple[str, ...]
    signals: tuple[Signal, ...]

    @property
    def names(self) -> str:
        """Acronyms of the wanted signals, for sentences."""
        return ", ".join(signal.acronym for signal in self.signals)


def polled_pids(chosen: Sequence[Signal], facts: CarFacts) -> dict[int, PolledPid]:
    """The PIDs of the chosen signals, each with the ECUs that support it.

    Raises SignalUnsupportedError when nothing is chosen.
    """
    if not chosen:
        raise SignalUnsupportedError(
            "No signal is chosen: choose at least one that the car reports."
        )
    found: dict[int, PolledPid] = {}
    for pid in dict.fromkeys(signal.pid for signal in chosen):
        ecus = tuple(ecu for ecu, pids in facts.supported.items() if pid in pids)
        signals = tuple(signal for signal in chosen if signal.pid == pid)
        found[pid] = PolledPid(pid, ecus, signals)
    return found


def pid_rates(chosen: Sequence[Signal], rates_hz: Mapping[str, float]) -> dict[int, float]:
    """Wanted rate of each PID: the highest of its signals; what is missing or not positive gets
    the default of its kind."""
    rates: dict[int, float] = {}
    for signal in chosen:
        rate = rates_hz.get(signal.acronym, 0.0)
        if not rate > 0:
            rate = signal.rate_hz
        rates[signal.pid] = max(rates.get(signal.pid, 0.0), rate)
    return rates


@dataclass(frozen=True, slots=True)
class DataService:
    """One of the two services that read current data."""

    service: int
    most: int
    """PIDs a request at most, on CAN."""

    def payload(self, pids: Sequence[int]) -> bytes:
        """The request for `pids`, service byte first."""
        if self.service == 0x01:
            return bytes((0x01, *pids))
        return bytes((0x22, *(byte for pid in pids for byte in (0xF4, pid))))

    def reply_bytes(self, pids: Sequence[int], lengths: Mapping[int, int]) -> int:
        """Length of the positive reply to `pids`, service byte included."""
        head = 1 if self.service == 0x01 else 2
        return 1 + sum(head + lengths[pid] for pid in pids)

    def split(self, data: bytes, lengths: Mapping[int, int]) -> list[tuple[int, bytes]]:
        """PIDs and data bytes of a positive reply; raises ReplyError when it makes no sense."""
        if self.service == 0x01:
            return split(data, lengths)
        if not data or data[0] != 0x62:
            raise ReplyError("The car's reply does not belong to service 22; ask again.")
        # The same message without the high byte of each identifier is one of service 01.
        parts: list[tuple[int, bytes]] = []
        at = 1
        while at < len(data):
            if data[at] != 0xF4 or at + 2 > len(data) or data[at + 1] not in lengths:
                raise ReplyError("The car's reply holds an identifier nobody asked for; ask again.")
            end = at + 2 + lengths[data[at + 1]]
            if end > len(data):
                raise ReplyError("The car's reply ends too soon; ask again.")
            parts.append((data[at + 1], data[at + 2 : end]))
            at = end
        return parts

    def info_payload(self, kind: int) -> bytes:
        """The request for vehicle information `kind` (02 VIN, 04 calibrations, 0A name)."""
        return bytes((0x09, kind)) if self.service == 0x01 else bytes((0x22, 0xF8, kind))

    def info_head(self) -> int:
        """Bytes of an information reply before its data, without the count of items."""
        return 2 if self.service == 0x01 else 3


def data_service(number: int) -> DataService:
    """The service by its number, 0x01 or 0x22.

    ISO 15765-4: one frame holds the service byte and six PIDs or three two-byte identifiers.
    """
    return DataService(0x22, 3) if number == 0x22 else DataService(0x01, 6)
