"""Reading a car: everything it has stored, in one go, dated, keeping what came before a break."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime

from logbench.errors import LinkError, LinkLostError
from logbench.system.version import SOFTWARE
from logbench.vehicle.discovery import discover, read_scaling
from logbench.vehicle.link import Link, silent
from logbench.vehicle.model import CarFacts, Progress
from logbench.vehicle.records.asking import Asker, read_values
from logbench.vehicle.records.codes import read_codes, read_freeze_frames, read_newer_codes
from logbench.vehicle.records.identity import fill_identity, fill_requirements, read_verification
from logbench.vehicle.records.model import CarReading
from logbench.vehicle.records.monitors import STATUS_PIDS, fill_readiness, read_monitor_results
from logbench.vehicle.wanted import data_service

log = logging.getLogger(__name__)

LOW_RESTING_V, LOW_RUNNING_V = 12.0, 13.0
"""A rested battery at 12.0 V is a quarter full at most (study guide of a technicians' examination);
running below 13.0 V with fixed regulation is undercharge (common practice, no source)."""
LOW_SUPPLY = (
    "Low supply voltage can set codes in many modules at once: charge and test the battery first, "
    "then clear and see what returns before any part is replaced (common practice)."
)
NEWER_ONLY = (
    "This car answers SAE J1979-2 only: its codes and readiness are read, its freeze frames and "
    "monitor results are not read yet."
)
Step = Callable[[], None]


def read_car(
    link: Link, progress: Progress | None = None, found: Callable[[CarFacts], object] | None = None
) -> CarReading:
    """Read all that a connected car has stored; `found` is called once it is known which car it is,
    and what it raises ends the reading.

    A link that breaks ends the reading early: `complete` is False, what was read is there, and a
    problem says so. ECUs that keep silent or refuse cost their own part only. Raises CarSilentError
    when no ECU says what it supports.
    """
    report = progress or silent
    reading = CarReading(
        read_utc=datetime.now(UTC).isoformat(timespec="seconds"),
        software=SOFTWARE,
    )
    asker = Asker(link)
    steps = _steps(reading, asker, report, found)
    try:
        for sentence, step in steps:
            report(sentence)
            step()
        reading.complete = True
    except LinkError as error:
        if not isinstance(error, LinkLostError) and not reading.identity.ecus:
            raise
        asker.problem(f"{error} The reading is incomplete: what was read until then is kept.")
    reading.problems = asker.problems
    reading.answered = {what: ecus for what, ecus in asker.answered.items() if ecus}
    remark = low_supply_remark(reading.identity.voltage_v, bool(reading.rpm))
    if remark:
        reading.remarks.append(remark)
    return reading


def _steps(
    reading: CarReading,
    asker: Asker,
    report: Progress,
    found: Callable[[CarFacts], object] | None,
) -> list[tuple[str, Step]]:
    """Sentences and what to do, the things that are lost most easily first."""

    def identify() -> None:
        facts = discover(asker.link, report)
        if found is not None:
            found(facts)
        fill_identity(reading, facts)
        supported.update(facts.supported)

    def current() -> None:
        values = read_values(asker, STATUS_PIDS, supported, "monitor status")
        fill_requirements(reading, values)
        fill_readiness(reading, values)

    def freeze() -> None:
        service = data_service(asker.link.service)
        scalings = read_scaling(lambda p: asker.ask(p, "maximum values"), service, supported)
        read_freeze_frames(reading, asker, scalings)

    supported: dict[str, frozenset[int]] = {}
    steps: list[tuple[str, Step]] = [
        ("Asking the car who it is", identify),
        ("Reading lamp, monitors and counters", current),
    ]
    if asker.link.service == 0x22:
        asker.problem(NEWER_ONLY)
        codes = "Reading trouble codes", lambda: read_newer_codes(reading, asker)
        return [*steps, codes]
    return [
        *steps,
        ("Reading trouble codes", lambda: read_codes(reading, asker)),
        ("Reading freeze frames", freeze),
        ("Reading monitor results", lambda: read_monitor_results(reading, asker)),
        ("Reading calibration verification", lambda: read_verification(reading, asker)),
    ]


def low_supply_remark(volts: float | None, running: bool) -> str:
    """What a low voltage, read or recorded, means for codes; `` when it was not low or not known.

    `running`: the engine ran while it was measured; cranking dips do not belong here.
    """
    limit = LOW_RUNNING_V if running else LOW_RESTING_V
    if volts is None or volts >= limit:
        return ""
    doing = "with the engine running" if running else "with the engine off"
    return f"The supply was {volts:.1f} V {doing}. {LOW_SUPPLY}"
