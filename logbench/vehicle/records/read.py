"""Reading a car: everything it has stored, in one go, dated, keeping what came before a break."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime

from logbench.car.identity import check_vin
from logbench.errors import LinkError, LinkLostError
from logbench.signals.decoding import label
from logbench.signals.table import table
from logbench.system.version import SOFTWARE
from logbench.vehicle.discovery import discover, info_kinds, read_scaling
from logbench.vehicle.link import Link, silent
from logbench.vehicle.model import CarFacts, Progress
from logbench.vehicle.records.asking import Asker, Values, read_values
from logbench.vehicle.records.codes import read_codes, read_freeze_frames, read_newer_codes
from logbench.vehicle.records.in_use import read_in_use
from logbench.vehicle.records.model import Calibration, CarReading, EcuIdentity, Identity
from logbench.vehicle.records.monitors import (
    STATUS_PIDS,
    fill_readiness,
    ignition_of,
    read_monitor_results,
)
from logbench.vehicle.records.newer import read_newer_frames, read_newer_results
from logbench.vehicle.records.oxygen import read_oxygen_results
from logbench.vehicle.wanted import DataService, data_service

log = logging.getLogger(__name__)

LOW_RESTING_V, LOW_RUNNING_V = 12.0, 13.0
"""A rested battery at 12.0 V is a quarter full at most (study guide of a technicians' examination);
running below 13.0 V with fixed regulation is undercharge (common practice, no source)."""
LOW_SUPPLY = (
    "Low supply voltage can set codes in many modules at once: charge and test the battery first, "
    "then clear and see what returns before any part is replaced (common practice)."
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
        (read_newer_frames if newer else read_freeze_frames)(reading, asker, scalings)

    def codes() -> None:
        (read_newer_codes if newer else read_codes)(reading, asker)

    def results() -> None:
        if newer:
            read_newer_results(reading, asker)
            return
        read_monitor_results(reading, asker)
        read_oxygen_results(reading, asker, supported)

    newer = asker.link.service == 0x22
    supported: dict[str, frozenset[int]] = {}
    return [
        ("Asking the car who it is", identify),
        ("Reading lamp, monitors and counters", current),
        ("Reading trouble codes", codes),
        ("Reading freeze frames", freeze),
        ("Reading monitor results", results),
        ("Reading what the car says of itself", lambda: read_information(reading, asker)),
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


CVN = 0x06
"""Info type of service 09: calibration verification numbers, four bytes each (SAE J1979)."""


def vin_identity(vin: str) -> Identity:
    """What a VIN says by itself; model years, region and country through the library `vininfo`."""
    if not vin:
        return Identity(vin_problem="The car gives no VIN.")
    checked = check_vin(vin)
    identity = Identity(vin=checked.vin, vin_problem=checked.problem, vin_notice=checked.notice)
    if not checked.ok:
        return identity
    from vininfo import Vin  # its tables take a tenth of a second
    from vininfo.common import UnsupportedBrand

    decoded = Vin(checked.vin)
    identity.model_years = sorted(decoded.years)
    identity.region = decoded.region or ""
    identity.country = decoded.country or ""
    if not isinstance(decoded.assembler, UnsupportedBrand):
        identity.maker = decoded.manufacturer
    return identity


def fill_identity(reading: CarReading, facts: CarFacts) -> None:
    """Put what discovery found into the reading."""
    identity = vin_identity(facts.vin)
    identity.protocol, identity.adapter = facts.protocol, facts.adapter
    identity.voltage_v = facts.voltage_v
    identity.ecus = [
        EcuIdentity(
            address=ecu,
            name=facts.ecu_names.get(ecu, ""),
            calibrations=[Calibration(id=text) for text in facts.calibrations.get(ecu, ())],
        )
        for ecu in facts.supported
    ]
    reading.identity = identity


def read_information(reading: CarReading, asker: Asker) -> None:
    """Verification numbers and in-use counters, as far as an ECU lists them."""
    service = data_service(asker.link.service)
    lists = asker.ask(service.info_payload(0x00), "list of vehicle information")
    kinds = info_kinds(asker.link, lists)
    if any(CVN in known for known in kinds.values()):
        read_verification(reading, asker, service)
    read_in_use(reading, asker, service, kinds)


def read_verification(reading: CarReading, asker: Asker, service: DataService) -> None:
    """Verification numbers of each ECU's calibrations, matched by their order."""
    what = "calibration verification numbers"
    for reply in asker.ask(service.info_payload(CVN), what):
        data = reply.data[service.info_head() :]
        if len(data) % 4 == 1:
            data = data[1:]  # a count of items before the numbers of four bytes each
        numbers = [data[at : at + 4].hex().upper() for at in range(0, len(data) - 3, 4)]
        for ecu in reading.identity.ecus:
            if ecu.address == reply.ecu:
                missing = len(numbers) - len(ecu.calibrations)
                ecu.calibrations += [Calibration() for _ in range(missing)]
                for calibration, number in zip(ecu.calibrations, numbers, strict=False):
                    calibration.cvn = number


def fill_requirements(reading: CarReading, values: Values) -> None:
    """The OBD requirement (PID 0x1C) and kind of ignition (PID 0x01) of each ECU."""
    requirement = table().by_acronym("OBDSUP")
    for ecu in reading.identity.ecus:
        known = values.get(ecu.address, {})
        if "OBDSUP" in known:
            ecu.requirement = label(requirement, known["OBDSUP"])
        ecu.ignition = ignition_of(known)
