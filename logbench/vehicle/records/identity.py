"""Which car this is: VIN and what it says, software and its verification numbers, requirement."""

from __future__ import annotations

import logging
from collections.abc import Mapping

from logbench.car.vin import check_vin
from logbench.signals.decoding import label, supported_pids
from logbench.signals.table import table
from logbench.vehicle.model import CarFacts
from logbench.vehicle.records.asking import Asker, Values
from logbench.vehicle.records.model import Calibration, CarReading, EcuIdentity, Identity, Ignition
from logbench.vehicle.wanted import data_service

log = logging.getLogger(__name__)

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


def read_verification(reading: CarReading, asker: Asker) -> None:
    """Verification numbers of each ECU's calibrations, matched by their order."""
    service, is_can = data_service(asker.link.service), asker.link.protocol.is_can
    head = service.info_head()
    able = set()
    for reply in asker.ask(service.info_payload(0x00), "list of vehicle information"):
        data = reply.data[head if is_can else head + 1 :]
        if len(data) >= 4 and CVN in supported_pids(0, data):
            able.add(reply.ecu)
    if not able:
        return
    what = "calibration verification numbers"
    for reply in asker.ask(service.info_payload(CVN), what):
        data = reply.data[head:]
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


def ignition_of(values: Mapping[str, float]) -> Ignition:
    """Spark or compression from bit B3 of PID 0x01; `` when that was not read."""
    if "CI_SUP" not in values:
        return ""
    return "compression" if values["CI_SUP"] else "spark"
