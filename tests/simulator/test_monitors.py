"""Services 06 and 08 of the simulated ECUs, worked by hand from the layouts of SAE J1979 (ISO
15031-5; from memory) and read back by python-OBD's decoder."""

from __future__ import annotations

import random

import pytest
from obd.decoders import monitor
from obd.decoders import status as status_decoder
from obd.protocols.protocol import Frame, Message

from logbench.simulator.cars import named_car
from logbench.simulator.drawn import draw_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import schedule
from logbench.simulator.ecu import Ecus
from logbench.simulator.faults import Faults
from logbench.simulator.in_use import InUse
from logbench.simulator.monitors import MonitorTest
from logbench.simulator.timing import Timing
from tests.still import StillCar

TESTS = (
    MonitorTest(0x01, 0x07, 0x0B, 100, 0, 200),
    MonitorTest(0x01, 0x08, 0x0B, 800, 600, 65535),
    MonitorTest(0xA2, 0x0C, 0x24, 3, 0, 50),
)


@pytest.fixture
def car() -> StillCar:
    return StillCar(tests={"7E8": TESTS}, controls={"7E8": frozenset({0x01, 0x80})})


def ask(car: StillCar, request: str, *, can: bool = True, target: str | None = None):
    ecus = Ecus(car, Timing())
    answers = ecus.ask(bytes.fromhex(request), can=can, target=target)
    return {a.ecu: [message.hex() for _, message in a.messages] for a in answers}


def test_monitors_on_can(car: StillCar) -> None:
    assert ask(car, "0600") == {"7E8": ["460080000001"]}
    assert ask(car, "06002040")["7E8"] == ["460080000001200000000140" + "00000001"]
    assert ask(car, "06A0") == {"7E8": ["46a040000000"]}
    first = "01070b0064000000c8"
    second = "01080b03200258ffff"
    assert ask(car, "0601") == {"7E8": ["46" + first + second]}
    assert ask(car, "06A2") == {"7E8": ["46a20c24000300000032"]}
    assert ask(car, "0602") == {}
    assert ask(car, "0602", target="7E8") == {"7E8": ["7f0612"]}


def test_python_obd_reads_the_same(car: StillCar) -> None:
    message = Message([])
    message.data = bytearray.fromhex(ask(car, "0601")["7E8"][0])
    read = monitor([message])
    lowest, highest = read.MIN_VOLTAGE, read.MAX_VOLTAGE
    assert lowest.value.to("volt").magnitude == pytest.approx(0.1)
    assert lowest.max.to("volt").magnitude == pytest.approx(0.2)
    assert highest.min.to("volt").magnitude == pytest.approx(0.6)
    assert lowest.passed
    assert highest.passed


def test_monitors_elsewhere_have_one_limit_a_message(car: StillCar) -> None:
    assert ask(car, "0600", can=False) == {"7E8": ["4600ffe0000000"]}
    assert ask(car, "0602", can=False) == {"7E8": ["4602810320" + "0258", "4602010320" + "ffff"]}


def test_control_lists_and_starts(car: StillCar) -> None:
    assert ask(car, "0800") == {"7E8": ["480080000001"]}
    assert ask(car, "08000000000000", can=False) == {"7E8": ["48008000000100"]}
    assert ask(car, "08010000000000") == {"7E8": ["7f0822"]}, "the engine runs"
    assert car.started == []
    car.values = {**car.values, "RPM": 0.0}
    assert ask(car, "08010000000000") == {"7E8": ["48010000000000"]}
    assert ask(car, "08020000000000") == {}
    assert car.started == [("7E8", 0x01)]


def test_clearing_empties_the_results(car: StillCar) -> None:
    car.values = {**car.values, "RPM": 0.0}
    ask(car, "04")
    assert ask(car, "06A2") == {"7E8": ["46a20c24000000000000"]}


def test_the_driven_car_tells_what_its_monitors_measured() -> None:
    drive = Drive(named_car("demo"), Faults({"unmetered_air": 1.0}), schedule("test-drive"), seed=3)
    drive.advance(700.0)
    tests = {t.monitor: t for t in drive.memory.monitor_tests("7E8")}
    total_pct = tests[0x81].value / 100
    assert total_pct > 15.0, "unmetered air asks for fuel"
    assert tests[0x81].minimum < 0 < tests[0x81].maximum
    assert drive.memory.monitor_tests("7E9") == ()
    drive.memory.clear()
    cleared = {t.monitor: t for t in drive.memory.monitor_tests("7E8")}
    assert (cleared[0x81].value, cleared[0x81].minimum, cleared[0x81].maximum) == (0, 0, 0)


def test_in_use_counters_go_up_with_driving_cycles():
    """A cycle counts after ten minutes, five of them at 40 km/h (13 CCR 1968.2(d)(4.3.2))."""
    counters = InUse(random.Random(1), 11_000)
    cycles, encountered = counters.numbers[1], counters.numbers[0]
    counters.key_on()
    counters.running(290.0, 15.0)
    counters.running(400.0, 5.0)
    assert counters.numbers[:2] == (encountered, cycles + 1)  # too little of it fast
    counters.running(20.0, 15.0)
    counters.running(20.0, 15.0)
    assert counters.numbers[:2] == (encountered + 1, cycles + 1)
    ran = counters.numbers[2]
    counters.complete("CAT")
    counters.complete("CAT")
    counters.complete("MIS")  # runs always, and is not counted
    assert counters.numbers[2:4] == (ran + 1, encountered + 1)
    assert len(counters.numbers) == 20


def test_a_diesel_has_the_monitors_of_compression_ignition():
    """Bits of PID 01: B3 set, C0 NMHC catalyst, C1 NOx, C3 boost, C5 exhaust gas sensor, C6 filter,
    C7 EGR (SAE J1979; python-OBD reads the same); counters in info type 0B, not 08."""
    late = next(car for car in (draw_car(n, "diesel") for n in range(9)) if car.age == "late")
    drive = Drive(late, Faults(), schedule("test-drive"), seed=3)
    drive.advance(700.0)
    replies = ask(drive, "0101", target="7E8")["7E8"]
    data = bytes.fromhex(replies[0])[2:]
    message = Message([Frame("")])
    message.data = bytearray(b"\x41\x01" + data)
    status = status_decoder([message])
    assert status.ignition_type == "compression"
    names = {test.name for test in vars(status).values() if getattr(test, "available", 0)}
    wanted = {"NMHC_CATALYST_MONITORING", "NOX_SCR_AFTERTREATMENT_MONITORING"}
    wanted |= {"BOOST_PRESSURE_MONITORING", "EXHAUST_GAS_SENSOR_MONITORING"}
    wanted |= {"PM_FILTER_MONITORING", "EGR_VVT_SYSTEM_MONITORING"}
    assert wanted <= names
    assert "CATALYST_MONITORING" not in names
    (counters,) = ask(drive, "090B", target="7E8")["7E8"]
    assert len(bytes.fromhex(counters)) == 3 + 2 * 18
    assert "0908" not in counters
    assert bytes.fromhex(ask(drive, "0908", target="7E8")["7E8"][0])[0] == 0x7F
    found = {t.monitor: t for t in drive.memory.monitor_tests("7E8")}
    assert 0 < found[0x85].value < found[0x85].maximum
    assert found[0x31].minimum < found[0x31].value < found[0x31].maximum
    assert found[0xB2].minimum < found[0xB2].value < found[0xB2].maximum
    assert 0x01 not in found
    assert 0x81 not in found


@pytest.mark.parametrize(
    ("request_", "reply"),
    [
        ("05 00 01", "45 00 01 C0 40 00 00"),
        ("05 01 01", "45 01 01 5A"),  # 0.45 V in steps of 5 mV
        ("05 0A 01", "45 0A 01 14 00 32"),  # 0.8 of at most 2.0 s in steps of 40 ms
        ("05 05 01", None),
        ("05 00 02", None),
        ("05 00", None),
    ],
)
def test_oxygen_sensors_before_can(request_, reply):
    """Layout and steps: SAE J1979 (ISO 15031-5), from memory."""
    ecus = Ecus(StillCar(tests={"7E8": (MonitorTest(0x01, 0x0A, 0x10, 800, 0, 2000),)}), Timing())
    answers = ecus.ask(bytes.fromhex(request_), can=False)
    said = [message for answer in answers for _, message in answer.messages]
    assert said == ([] if reply is None else [bytes.fromhex(reply)])
    assert ecus.ask(bytes.fromhex(request_), can=True) == []
