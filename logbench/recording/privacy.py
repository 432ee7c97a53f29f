"""What of a recording can be handed to anybody. Each thing that goes along is named here; whatever
is not, also what a later version or another program puts into a file, stays behind.

What stays behind: VIN, plate, names, make and model (they are typed), odometer, what the ECUs call
themselves and their software, adapter and link, date and time of day, altitude, notes and the texts
of markers, signals that the program does not know of itself (an imported position, an own signal).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import get_args

from logbench.car.model import METERING, Car
from logbench.recording.model import Event, EventKind, Facts, LinkFacts, Trace, signal_facts, stated
from logbench.recording.reader import Recording
from logbench.signals.catalog import COMPUTED, catalog
from logbench.signals.units import known

FUELS = ("gasoline", "diesel", "e10", "e85", "e100")
"""Words for a fuel that go along; those that the analysis knows are among them."""
_NUMBERS = (
    *("year", "displacement_l", "cylinders", "turbo", "banks", "valve_throttled", "stop_start"),
    *("hybrid", "regulating_temp_degc"),
)
"""Facts of a car that tell its kind, and are not text."""
_ADDRESS = re.compile(r"[0-9A-F]{2,8}")
_ODOMETER = "ODO"


def private_recording(recording: Recording) -> Recording:
    """The recording without what says whose it is, where and when; its times begin where they did.
    It has no path, and so no notes beside it."""
    names = ecu_names(ecu for _, ecu in recording.keys)
    traces = [
        Trace(t.signal, names[t.ecu], t.unit if known(t.unit) else "", t.t_ns, t.value)
        for t in recording.traces(filter(is_public, recording.signals))
    ]
    return Recording.of(traces, private_facts(recording.facts, traces))


def is_public(signal: str) -> bool:
    """Whether the program itself knows the signal, and it does not tell one car from all others."""
    ours = signal in catalog() and catalog().by_acronym(signal).origin != "own"
    return ours and signal != _ODOMETER


def ecu_names(ecus: Iterable[str]) -> dict[str, str]:
    """Addresses as they are; `ECU 1`, `ECU 2` … for what is none."""
    found = sorted(set(ecus))
    others = [e for e in found if e != COMPUTED and not _ADDRESS.fullmatch(e)]
    return {e: f"ECU {others.index(e) + 1}" if e in others else e for e in found}


def private_facts(facts: Facts, traces: Iterable[Trace]) -> Facts:
    """Of the facts what may go along with these traces."""
    kinds = get_args(EventKind)
    kept = list(traces)
    surroundings = stated(facts).extra()
    surroundings.pop("altitude_m", None)
    units = {trace.signal: trace.unit for trace in kept}
    signals = signal_facts(units)
    for name, unit in units.items():
        signals[name].unit = unit
    return Facts(
        software=facts.software if re.fullmatch(r"logbench [\w.+]{1,20}", facts.software) else "",
        vehicle=private_car(facts.vehicle),
        link=LinkFacts(simulated=facts.link.simulated, time_scale=facts.link.time_scale),
        signals=signals,
        ecus={trace.ecu: "" for trace in kept},
        events=[Event(t_ns=e.t_ns, kind=e.kind) for e in facts.events if e.kind in kinds],
        recovered=facts.recovered,
        extra=surroundings,
    )


def private_car(car: Car) -> Car:
    """What kind of car it is, by numbers and known words only: as good as any other of its kind."""
    known = {fact: getattr(car, fact) for fact in _NUMBERS}
    for fact, words in (("fuel", FUELS), ("metering", METERING)):
        text = getattr(car, fact).strip().lower()
        known[fact] = text if text in words else ""
    sources = {fact: source for fact, source in car.sources.items() if fact in known}
    return Car(**known, sources=sources)
