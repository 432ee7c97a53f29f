"""In-use counters (service 09, 08 and 0B) and the oxygen sensors' results of the older buses (05).

Worked messages: SAE J1979 (ISO 15031-5), from memory."""

from __future__ import annotations

import pytest

from logbench.job.privacy import private_reading
from logbench.report.records import reading_blocks
from logbench.signals.table import table
from logbench.signals.units import METRIC
from logbench.simulator.model import WARM_IDLE
from logbench.simulator.monitors import MonitorTest
from logbench.vehicle.model import Reply
from logbench.vehicle.records.in_use import COMPRESSION, SPARK, in_use_of, use_text
from logbench.vehicle.records.model import CarReading, InUse
from logbench.vehicle.records.oxygen import result_of_sensor
from logbench.vehicle.records.read import read_car
from logbench.vehicle.wanted import data_service
from tests.still import StillCar

COUNTS = (120, 400, 90, 120, 0, 0, 0, 100, *(0,) * 12)
SPARK_REPLY = "49 08 14" + "".join(f"{n:04X}" for n in COUNTS)


def counted(text: str, kind: int, service: int = 0x01) -> InUse | None:
    return in_use_of(Reply("7E8", bytes.fromhex(text), 0), kind, data_service(service))


@pytest.mark.parametrize(
    ("text", "service"),
    [
        (SPARK_REPLY, 0x01),
        (SPARK_REPLY.replace("14", "", 1), 0x01),  # the older buses number their messages instead
        (SPARK_REPLY + "AAAA", 0x01),  # filler behind the announced number
        (SPARK_REPLY.replace("49 08", "62 F8 08"), 0x22),
        (SPARK_REPLY.replace("49 08 14", "62 F8 08"), 0x22),
    ],
)
def test_counters_of_spark_ignition(text, service):
    found = counted(text, SPARK, service)
    assert found is not None
    assert (found.encountered, found.ignition_cycles, found.ignition) == (120, 400, "spark")
    assert [(use.monitor, use_text(use)) for use in found.counted] == [
        ("Catalyst, bank 1", "90 of 120, 0.75"),
        ("Oxygen sensor, bank 1", "0 of 100, 0.00"),
    ]
    assert len(found.monitors) == 9
    assert use_text(found.monitors[1]) == "0 of 0"


def test_counters_of_compression_ignition():
    numbers = (50, 80, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16)
    found = counted("49 0B 12" + "".join(f"{n:04X}" for n in numbers), COMPRESSION)
    assert found is not None
    assert [use.monitor for use in found.monitors] == [
        *("NMHC catalyst", "NOx catalyst", "NOx adsorber", "Particulate filter"),
        *("Exhaust gas sensor", "EGR and/or VVT system", "Boost pressure", "Fuel system"),
    ]
    assert [(use.ran, use.of) for use in found.monitors] == list(
        zip(numbers[2::2], numbers[3::2], strict=True)
    )


@pytest.mark.parametrize("text", ["49 08 14 0001", "49 08", "49 08 00 01 00 02", "49 0A 00 01 02"])
def test_what_is_not_whole_gives_no_counters(text):
    assert counted(text, SPARK) is None


OXYGEN = MonitorTest(0x01, 0x0A, 0x10, 800, 0, 2000)
PROTOCOLS = ["1", "3", "5", "6"]


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_car_gives_its_counters_and_where_there_is_no_can_its_oxygen_sensors(simulated, protocol):
    values = {**WARM_IDLE, "O2SLOC11": 1.0, "O2SLOC12": 1.0}
    car = StillCar(counters={"7E8": COUNTS}, tests={"7E8": (OXYGEN,)}, values=values)
    with simulated(car, protocol=protocol) as link:
        reading = read_car(link)
    assert reading.problems == []
    assert reading.identity.ecus[0].name == "ECM-EngineControl"  # service 09, 0A
    (used,) = reading.in_use
    assert used.ecu == ("7E8" if protocol == "6" else "10")
    assert [use_text(use) for use in used.counted] == ["90 of 120, 0.75", "0 of 100, 0.00"]
    sensor = [r for r in reading.monitor_results if r.monitor == "oxygen sensor, bank 1 sensor 1"]
    if protocol == "6":
        assert [(r.test_id, r.value, r.unit) for r in sensor] == [(0x0A, 800.0, "ms")]
        return
    assert [(r.test, r.value, r.minimum, r.maximum, r.unit, r.passed) for r in sensor] == [
        ("rich to lean sensor threshold voltage", 0.45, None, None, "V", None),
        ("lean to rich sensor threshold voltage", 0.45, None, None, "V", None),
        ("sensor period", 0.8, 0.0, 2.0, "s", True),
    ]
    assert [r.outcome for r in sensor] == ["no limits", "no limits", "passed"]
    assert sensor[2].margin == pytest.approx(0.6)
    private = private_reading(reading)
    assert [r.unit for r in private.monitor_results if r.monitor_id == 1] == ["V", "V", "s"]
    assert private.in_use[0].counted == used.counted


@pytest.mark.parametrize(
    ("data", "value", "outcome"),
    [
        ("45 05 10 0A 00 19", 0.04, "passed"),
        ("45 05 10 1A 00 19", 0.104, "failed"),
        ("45 05 10 00 00 00", None, "not run"),
        ("45 05 10 0A", 0.04, "no limits"),
    ],
)
def test_a_sensor_is_named_by_its_bit(data, value, outcome):
    signal = table().by_acronym("O2SLOC21")
    result = result_of_sensor(Reply("10", bytes.fromhex(data), 0), signal, 0x05)
    assert result is not None
    assert (result.monitor, result.unit) == ("oxygen sensor, bank 2 sensor 1", "s")
    assert result.value == (None if value is None else pytest.approx(value))
    assert result.outcome == outcome


@pytest.mark.parametrize(
    "data", ["45 05 01 0A 00 19", "45 06 10 0A 00 19", "45 05 10", "45 05 10 1 0"]
)
def test_an_answer_about_another_sensor_or_test_is_none(data):
    raw = bytes.fromhex(data if len(data) != 12 else "45 05 10 01 00")
    assert result_of_sensor(Reply("10", raw, 0), table().by_acronym("O2SLOC21"), 0x05) is None


def test_counters_are_in_the_report():
    used = counted(SPARK_REPLY, SPARK)
    assert used is not None
    blocks = list(reading_blocks(CarReading(in_use=[used]), iter(()), METRIC))
    said = repr(blocks)
    assert "120 driving cycles counted, 400 ignition cycles" in said
    assert "('Catalyst, bank 1', '90', '120', '0.75')" in said
    assert "Secondary air system" not in said
