"""What is wanted of a car: signals resolved to the PIDs and ECUs that carry them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logbench.errors import SignalUnsupportedError
from logbench.signals.table import Signal, table
from logbench.vehicle.model import CarFacts


@dataclass(slots=True)
class PolledPid:
    """One polled PID: who answers it, what is wanted of it, and how it is doing."""

    pid: int
    ecus: tuple[str, ...]
    signals: tuple[Signal, ...]
    misses: int = 0
    """Times in a row it was missing although the car answered."""
    lost: bool = False

    @property
    def names(self) -> str:
        """Acronyms of the wanted signals, for sentences."""
        return ", ".join(signal.acronym for signal in self.signals)


def resolve(acronym: str, facts: CarFacts) -> Signal:
    """The signal, if an ECU of the car reports it.

    Raises SignalUnknownError, or SignalUnsupportedError naming near ones that the car reports.
    """
    known = table()
    signal = known.by_acronym(acronym)
    supported = frozenset[int]().union(*facts.supported.values())
    if signal.pid in supported:
        return signal
    same = [s.acronym for s in known.alternatives(signal.standard) if s.pid in supported]
    near = [a for a in known.near(acronym) if known.by_acronym(a).pid in supported]
    words = [w for w in signal.name.lower().split() if len(w) > 4]
    akin = [
        s.acronym
        for s in known
        if s.pid in supported and any(word in s.name.lower() for word in words)
    ]
    proposals = list(dict.fromkeys(same + near + akin))[:4]
    hint = f"it does report {', '.join(proposals)}" if proposals else "leave it out"
    raise SignalUnsupportedError(
        f"This car does not report {signal.acronym} ({signal.name}): {hint}."
    )


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
