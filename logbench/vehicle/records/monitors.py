"""Lamp, monitors and counters (PID 0x01, 0x41 …), and the monitors' results (service 06).

Layout, monitor IDs, test IDs and units of the results: SAE J1979 (ISO 15031-5) appendices C to E,
from memory, cross-checked against python-OBD (tests/vehicle/records). The tables are the CSV files
beside this.
"""

from __future__ import annotations

import csv
import functools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from logbench.signals.table import table
from logbench.vehicle.discovery import walk_lists
from logbench.vehicle.model import Reply
from logbench.vehicle.records.asking import Asker, Values, highest
from logbench.vehicle.records.model import (
    CarReading,
    Ignition,
    MonitorResult,
    MonitorState,
    Readiness,
)

STATUS, THIS_CYCLE, REQUIREMENT, ODOMETER = 0x01, 0x41, 0x1C, 0xA6
LAMP_KM, WARM_UPS, CLEARED_KM, LAMP_MIN, CLEARED_MIN = 0x21, 0x30, 0x31, 0x4D, 0x4E
_RPM, _SPEED = 0x0C, 0x0D
STATUS_PIDS = (
    *(STATUS, REQUIREMENT, _RPM, _SPEED, LAMP_KM, WARM_UPS, CLEARED_KM),
    *(THIS_CYCLE, LAMP_MIN, CLEARED_MIN, ODOMETER),
)
MONITORING = " monitoring supported"
"""How the names of signals end that say which monitors an ECU has."""
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
                name=signal.name.removesuffix(MONITORING),
                complete=not values.get(f"{key}_RDY", 1.0),
                enabled_this_cycle=None if enabled is None else bool(enabled),
                complete_this_cycle=None if complete is None else not complete,
            )
        )
    return found


def ignition_of(values: Mapping[str, float]) -> Ignition:
    """Spark or compression from bit B3 of PID 0x01; `` when that was not read."""
    if "CI_SUP" not in values:
        return ""
    return "compression" if values["CI_SUP"] else "spark"


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


# --- results ---

SERVICE = 0x06
WHAT = "monitor results"
_FOLDER = Path(__file__).parent
_SIZE = 9
"""Bytes of a test on CAN: monitor, test, scaling, value, lower and upper limit."""
MAKERS_MONITOR, MAKERS_TEST = 0xE0, 0x80
"""IDs from here on are the maker's own."""


@dataclass(frozen=True, slots=True)
class UnitScaling:
    """One row of the unit-and-scaling table: `value = raw * scale + offset` in `unit`."""

    scale: float
    offset: float
    unit: str


@functools.cache
def unit_scalings() -> dict[int, UnitScaling]:
    """Unit-and-scaling ID to its meaning; from 0x80 on the raw numbers are signed."""
    return {
        int(row["id"], 16): UnitScaling(float(row["scale"]), float(row["offset"]), row["unit"])
        for row in _rows("units_and_scaling.csv")
    }


@functools.cache
def _names(what: str) -> dict[int, str]:
    return {int(row["id"], 16): row[what] for row in _rows(f"{what}_ids.csv")}


def names_of(what: Literal["monitor", "test"]) -> tuple[str, ...]:
    """All of them that the standard has."""
    return tuple(_names(what).values())


def _rows(file: str) -> list[dict[str, str]]:
    with (_FOLDER / file).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def name_of(what: Literal["monitor", "test"], number: int) -> str:
    """The standard's monitor or test, or that it is the maker's or reserved."""
    makers = number >= (MAKERS_TEST if what == "test" else MAKERS_MONITOR)
    kind = "maker's own" if makers else "reserved"
    return _names(what).get(number) or f"{kind} {what} {number:02X}"


def signed16(scaling: int, raw: int) -> int:
    """`raw` (0 to 65535) as the scaling has it: two's complement from ID 0x80 on."""
    return raw - 0x10000 if scaling >= 0x80 and raw >= 0x8000 else raw


def result_of_nine(ecu: str, data: bytes) -> MonitorResult:
    """One test of nine bytes; a unit-and-scaling ID not in the table gives raw counts."""
    monitor_id, test_id, scaling = data[:3]
    value, low, high = (
        signed16(scaling, int.from_bytes(data[at : at + 2], "big")) for at in (3, 5, 7)
    )
    uas = unit_scalings().get(scaling, UnitScaling(1.0, 0.0, "counts, unknown scaling"))
    ran = (value, low, high) != (0, 0, 0)
    result = MonitorResult(
        ecu=ecu,
        monitor_id=monitor_id,
        monitor=name_of("monitor", monitor_id),
        test_id=test_id,
        test=name_of("test", test_id),
        scaling=scaling,
        unit=uas.unit,
    )
    if ran:
        result.value, result.minimum, result.maximum = (
            raw * uas.scale + uas.offset for raw in (value, low, high)
        )
        result.passed = low <= value <= high
        ends = (-0x8000, 0x7FFF) if scaling >= 0x80 else (0, 0xFFFF)
        result.margin = margin(value, low, high, ends)
    return result


def margin(value: int, low: int, high: int, ends: tuple[int, int]) -> float | None:
    """See `MonitorResult.margin`; a limit at an end of the number's range says nothing."""
    bottom, top = ends
    if high <= low:
        return None
    if low > bottom and high < top:
        share = 2 * min(value - low, high - value) / (high - low)
    elif high < top:
        share = (high - value) / max(abs(high), 1)
    elif low > bottom:
        share = (value - low) / max(abs(low), 1)
    else:
        return None
    return max(-1.0, min(1.0, share))


def result_elsewhere(ecu: str, data: bytes) -> MonitorResult:
    """One message of the older buses: test, component with the kind of limit, value, limit."""
    test_id, component = data[0], data[1]
    value, limit = int.from_bytes(data[2:4], "big"), int.from_bytes(data[4:6], "big")
    lower = bool(component & 0x80)
    ran = (value, limit) != (0, 0)
    result = MonitorResult(
        ecu=ecu,
        monitor="maker's own monitor",
        test_id=test_id,
        test=f"test {test_id:02X}, component {component & 0x7F:02X}",
        component=component & 0x7F,
        unit="counts",
    )
    if ran:
        result.value = float(value)
        result.minimum, result.maximum = (float(limit), None) if lower else (None, float(limit))
        result.passed = value >= limit if lower else value <= limit
    return result


def read_monitor_results(reading: CarReading, asker: Asker) -> None:
    """Every supported monitor of every ECU, each kept as soon as it is read."""
    is_can = asker.link.protocol.is_can
    for monitor_id in _supported(asker, is_can):
        for reply in asker.ask(bytes((SERVICE, monitor_id)), WHAT):
            reading.monitor_results.extend(_results(asker, reply, monitor_id, is_can))


def _supported(asker: Asker, is_can: bool) -> list[int]:
    """Monitor IDs (test IDs on the older buses) that any ECU supports, ascending."""

    def lists(base: int, _: int) -> Iterator[tuple[str, bytes]]:
        for reply in asker.ask(bytes((SERVICE, base)), WHAT):
            data = reply.data[2 if is_can else 3 :]
            if len(data) >= 4:
                yield reply.ecu, data
            else:
                asker.problem(f"{reply.ecu} lists its monitors in a way that makes no sense.")

    return sorted(set().union(*walk_lists(lists).values()))


def _results(asker: Asker, reply: Reply, asked: int, is_can: bool) -> list[MonitorResult]:
    data = reply.data[1:]
    if not is_can:
        if len(data) < 6 or data[0] != asked:
            asker.problem(f"{reply.ecu} answers test {asked:02X} in a way that makes no sense.")
            return []
        return [result_elsewhere(reply.ecu, data)]
    whole = len(data) // _SIZE * _SIZE
    if whole != len(data) or not data:
        asker.problem(f"The result of monitor {asked:02X} of {reply.ecu} ends too soon.")
    parts = (data[at : at + _SIZE] for at in range(0, whole, _SIZE))
    return [result_of_nine(reply.ecu, part) for part in parts if part[0] == asked]
