"""Results of the oxygen sensors' monitors on the older buses (service 05); on CAN they are among
those of service 06.

A sensor is named by its bit of PID 0x13 or 0x1D. Test IDs 01 to 04 are constants of one byte, 05 to
0A a value with its limits; the others are the maker's. SAE J1979 (ISO 15031-5), from memory; the
steps of 0.005 V also in the table of 'OBD-II PIDs' in Wikipedia.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from logbench.signals.table import Signal, table
from logbench.vehicle.discovery import walk_lists
from logbench.vehicle.model import Reply
from logbench.vehicle.records.asking import Asker, read_values
from logbench.vehicle.records.model import CarReading, MonitorResult
from logbench.vehicle.records.monitors import margin, name_of

SERVICE = 0x05
WHAT = "oxygen sensor results"
PLACES = (0x13, 0x1D)
"""PIDs that say which sensors there are: two banks of four, four banks of two."""
_VOLTS, _SWITCH_S, _PERIOD_S = (0.005, "V"), (0.004, "s"), (0.04, "s")
STEPS = {
    **dict.fromkeys((0x01, 0x02, 0x03, 0x04, 0x07, 0x08), _VOLTS),
    **dict.fromkeys((0x05, 0x06), _SWITCH_S),
    **dict.fromkeys((0x09, 0x0A), _PERIOD_S),
}
"""Test ID to the size of a step and its unit."""


def read_oxygen_results(
    reading: CarReading, asker: Asker, supported: Mapping[str, frozenset[int]]
) -> None:
    """Every test of every sensor that an ECU says is there; nothing on CAN."""
    if asker.link.protocol.is_can:
        return
    places = read_values(asker, PLACES, supported, "places of the oxygen sensors")
    there = {name for values in places.values() for name, is_there in values.items() if is_there}
    for signal in (s for pid in PLACES for s in table().of_pid(pid) if s.acronym in there):
        sensor = 0x80 >> signal.first_bit
        for test in _tests(asker, sensor):
            for reply in asker.ask(bytes((SERVICE, test, sensor)), WHAT):
                result = result_of_sensor(reply, signal, test)
                if result is None:
                    asker.problem(f"{reply.ecu} gives {WHAT} in a way that makes no sense.")
                else:
                    reading.monitor_results.append(result)


def _tests(asker: Asker, sensor: int) -> list[int]:
    """Test IDs that any ECU has for a sensor, ascending."""

    def lists(base: int, _: int) -> Iterator[tuple[str, bytes]]:
        for reply in asker.ask(bytes((SERVICE, base, sensor)), WHAT):
            if reply.data[1:3] == bytes((base, sensor)) and len(reply.data) >= 7:
                yield reply.ecu, reply.data[3:]

    return sorted(set().union(*walk_lists(lists).values()))


def result_of_sensor(reply: Reply, signal: Signal, test: int) -> MonitorResult | None:
    """One test of the sensor at the place of `signal`; None where it is not about that."""
    sensor = 0x80 >> signal.first_bit
    if reply.data[1:3] != bytes((test, sensor)) or len(reply.data) not in (4, 6):
        return None
    bank, number = map(int, signal.standard[-2:])
    monitor_id = 4 * (bank - 1) + number
    step, unit = STEPS.get(test, (1.0, "counts"))
    result = MonitorResult(
        ecu=reply.ecu,
        monitor_id=monitor_id,
        monitor=name_of("monitor", monitor_id),
        test_id=test,
        test=name_of("test", test),
        unit=unit,
    )
    value, *limits = reply.data[3:]
    if not limits:
        result.value = value * step
    elif any((value, *limits)):
        low, high = limits
        result.value, result.minimum, result.maximum = value * step, low * step, high * step
        result.passed = low <= value <= high
        result.margin = margin(value, low, high, (0, 0xFF))
    return result
