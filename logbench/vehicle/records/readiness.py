"""Lamp, monitors (PID 0x01 and 0x41) and the counters since the codes were cleared."""

from __future__ import annotations

import math
from collections.abc import Mapping

from logbench.signals.table import table
from logbench.vehicle.records.asking import Values, highest
from logbench.vehicle.records.identity import ignition_of
from logbench.vehicle.records.model import CarReading, MonitorState, Readiness

STATUS, THIS_CYCLE, REQUIREMENT, ODOMETER = 0x01, 0x41, 0x1C, 0xA6
LAMP_KM, WARM_UPS, CLEARED_KM, LAMP_MIN, CLEARED_MIN = 0x21, 0x30, 0x31, 0x4D, 0x4E
_RPM, _SPEED = 0x0C, 0x0D
PIDS = (
    *(STATUS, REQUIREMENT, _RPM, _SPEED, LAMP_KM, WARM_UPS, CLEARED_KM),
    *(THIS_CYCLE, LAMP_MIN, CLEARED_MIN, ODOMETER),
)
LOCAL_RULES = (
    "How many incomplete monitors an inspection accepts differs from place to place: "
    "local rules decide."
)


def fill_readiness(reading: CarReading, values: Values) -> None:
    """One entry for each ECU that reported its monitor status."""
    for ecu, known in values.items():
        if "MIL" not in known:
            continue
        reading.readiness.append(
            Readiness(
                ecu=ecu,
                lamp_on=bool(known["MIL"]),
                code_count=round(known["DTC_CNT"]),
                ignition=ignition_of(known),
                monitors=monitors_of(known),
                warm_ups=_whole(known.get("WARM_UPS")),
                cleared_distance_km=known.get("CLR_DIST"),
                cleared_minutes=known.get("CLR_TIME"),
                lamp_distance_km=known.get("MIL_DIST"),
                lamp_minutes=known.get("MIL_TIME"),
            )
        )
    reading.odometer_km = highest(values, "ODO")
    reading.rpm, reading.speed_kmh = highest(values, "RPM"), highest(values, "VSS")


def monitors_of(values: Mapping[str, float]) -> list[MonitorState]:
    """Supported monitors from the decoded bits of PID 0x01 and, where there, 0x41.

    In both, a set 'ready' bit means not yet complete (SAE J1979): the one negative logic. NaN, the
    bits of the other kind of ignition, counts as not there.
    """
    values = {name: value for name, value in values.items() if not math.isnan(value)}
    found = []
    for signal in table().of_pid(STATUS):
        key, _, kind = signal.acronym.rpartition("_")
        if kind != "SUP" or key == "CI" or not values.get(signal.acronym):
            continue
        enabled, complete = values.get(f"{key}_ENA"), values.get(f"{key}_CMPL")
        found.append(
            MonitorState(
                key=key,
                name=signal.name.removesuffix(" monitoring supported"),
                complete=not values.get(f"{key}_RDY", 1.0),
                enabled_this_cycle=None if enabled is None else bool(enabled),
                complete_this_cycle=None if complete is None else not complete,
            )
        )
    return found


def missing_sentence(readiness: Readiness) -> str:
    """What an inspection may still want of one ECU, in one or two sentences."""
    if not readiness.monitors:
        return f"{readiness.ecu} names no monitors."
    missing, count, ecu = readiness.missing, len(readiness.monitors), readiness.ecu
    verb = "is" if len(missing or readiness.monitors) == 1 else "are"
    some = f"{len(missing)} of {count}" if missing else f"All {count}"
    which = f"The one monitor of {ecu} is" if count == 1 else f"{some} monitors of {ecu} {verb}"
    if not missing:
        return f"{which} complete."
    names = ", ".join(missing)
    return f"{which} not complete since the codes were cleared: {names}. {LOCAL_RULES}"


def _whole(value: float | None) -> int | None:
    return None if value is None else round(value)
