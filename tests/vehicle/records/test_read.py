"""Reading simulated cars over a real socket: many ECUs, many codes, refusals, silence, a break."""

from __future__ import annotations

import uuid

import pytest

from logbench.errors import CarSilentError, LinkLostError, ReplyError
from logbench.simulator.canbus import CanCar
from logbench.simulator.model import ENGINE_PIDS, WARM_IDLE
from logbench.simulator.monitors import MonitorTest
from logbench.simulator.timing import Timing
from logbench.simulator.wires import PythonCanWire
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.records.diff import diff_readings, was_cleared
from logbench.vehicle.records.model import CarReading, Code, MonitorState, Readiness
from logbench.vehicle.records.monitors import missing_sentence
from logbench.vehicle.records.read import low_supply_remark, read_car
from tests.serving import serve_can
from tests.still import StillCar
from tests.vehicle.records.scripted import Scripted

TESTS = {
    "7E8": (
        MonitorTest(0x01, 0x0A, 0x10, 350, 0, 900),
        MonitorTest(0x81, 0x80, 0xAF, 2300, -1600, 2000),
        MonitorTest(0xA2, 0x0B, 0x24),
    ),
}
FRAME = {"RPM": 1800.0, "ECT": 88.0, "LOAD_PCT": 40.0, "MAP": 55.0}
COUNTERS = {"WARM_UPS": 12.0, "CLR_DIST": 340.0, "MIL_DIST": 5.0, "ODO": 81234.5, "OBDSUP": 6.0}
READY = {
    "MIS_SUP": 1.0,
    "FUEL_SUP": 1.0,
    "CAT_SUP": 1.0,
    "CAT_RDY": 1.0,
    "MIL": 1.0,
    "DTC_CNT": 1.0,
}


def faulty(**how) -> StillCar:
    how.setdefault("stored", ("P0171", "U0100", "P1234"))
    how.setdefault("pending", ("P0171", "P0455"))
    how.setdefault("permanent", ("P0171",))
    how.setdefault("frame", FRAME)
    how.setdefault("tests", TESTS)
    how.setdefault("values", {**WARM_IDLE, **COUNTERS, **READY})
    pids = ENGINE_PIDS | {0x21, 0x30, 0x31, 0xA6}
    how.setdefault("pids", {"7E8": pids, "7E9": frozenset({0x01, 0x0C, 0x0D, 0x1C})})
    return StillCar(**how)


def test_everything_at_once(simulated):
    told: list[str] = []
    with simulated(faulty()) as link:
        reading = read_car(link, told.append)
    assert reading.complete
    assert reading.identity.vin == "ZZ9TEST170X000001"
    assert [ecu.address for ecu in reading.identity.ecus] == ["7E8", "7E9"]
    engine = reading.identity.ecus[0]
    assert engine.name == "ECM-EngineControl"
    assert engine.calibrations[0].id == "LB-BENCH-0001"
    assert len(engine.calibrations[0].cvn) == 8
    assert engine.ignition == "spark"
    assert "EOBD" in engine.requirement
    by_state = {
        s: [c.code for c in reading.codes_in(s)] for s in ("stored", "pending", "permanent")
    }
    assert by_state["stored"] == ["P0171", "U0100", "P1234"]
    assert by_state["pending"] == ["P0171", "P0455"]
    assert by_state["permanent"] == ["P0171"]
    assert "bank 1" in reading.codes[0].text
    assert [code.manufacturer for code in reading.codes_in("stored")] == [False, False, True]
    assert reading.answered["stored codes"] == ["7E8", "7E9"]
    assert reading.problems == []
    assert reading.odometer_km == pytest.approx(81234.5)
    assert "Reading trouble codes" in told
    again = CarReading.model_validate_json(reading.model_dump_json())
    assert again == reading


def test_freeze_frame_has_every_supported_value(simulated):
    with simulated(faulty()) as link:
        reading = read_car(link)
    (frame,) = reading.freeze_frames
    assert (frame.ecu, frame.number, frame.code) == ("7E8", 0, "P0171")
    values = {value.signal: value for value in frame.values}
    assert values["RPM"].value == 1800.0
    assert values["ECT"].text == "88 degC"
    assert {"LOAD_PCT", "MAP", "FUELSYS1", "MAF"} <= set(values)


def test_one_monitor_is_not_told_as_many():
    def said(*complete: bool) -> str:
        names = ("Misfire", "Catalyst", "Fuel system")
        monitors = [
            MonitorState(key=name, name=name, complete=done)
            for name, done in zip(names, complete, strict=False)
        ]
        return missing_sentence(Readiness(ecu="7E9", monitors=monitors))

    assert said(True) == "The one monitor of 7E9 is complete."
    assert said(True, True) == "All 2 monitors of 7E9 are complete."
    assert said(False).startswith("The one monitor of 7E9 is not complete since")
    assert said(True, False).startswith("1 of 2 monitors of 7E9 is not complete since")
    assert said(False, False).startswith("2 of 2 monitors of 7E9 are not complete since")
    assert said() == "7E9 names no monitors."


def test_no_freeze_frame_is_known_not_guessed(simulated):
    with simulated(faulty(frame=None)) as link:
        reading = read_car(link)
    assert reading.freeze_frames == []
    assert reading.answered["freeze frames"] == ["7E8", "7E9"]


def test_monitor_results_and_readiness(simulated):
    with simulated(faulty()) as link:
        reading = read_car(link)
    sensor, fuel, misfire = reading.monitor_results
    assert (sensor.monitor, sensor.unit, sensor.value) == (
        "oxygen sensor, bank 1 sensor 1",
        "ms",
        350.0,
    )
    assert fuel.passed is False
    assert fuel.value == pytest.approx(23.0)
    assert misfire.passed is None
    engine = next(entry for entry in reading.readiness if entry.ecu == "7E8")
    assert engine.lamp_on
    assert engine.missing == ["Catalyst"]
    assert (engine.warm_ups, engine.cleared_distance_km) == (12, 340.0)


def test_no_codes_is_said_by_those_who_answered(simulated):
    with simulated(faulty(stored=(), pending=(), permanent=())) as link:
        reading = read_car(link)
    assert reading.codes == []
    assert reading.codes_known("stored")
    assert reading.codes_known("permanent")


def test_sixty_codes_in_one_reply(simulated):
    codes = tuple(f"P{number:04d}" for number in range(100, 160))
    with simulated(faulty(stored=codes)) as link:
        reading = read_car(link)
    assert tuple(code.code for code in reading.codes_in("stored")) == codes
    assert reading.problems == []


@pytest.mark.parametrize("protocol", ["5", "7"])
def test_other_buses(simulated, protocol):
    codes = ("P0171", "P0300", "P0301", "P0302", "P0303", "P0304", "P0420")
    car = faulty(stored=codes, pending=codes, permanent=codes)
    with simulated(car, protocol=protocol) as link:
        reading = read_car(link)
    assert reading.complete
    for state in ("stored", "pending", "permanent"):
        assert tuple(code.code for code in reading.codes_in(state)) == codes
    assert reading.freeze_frames[0].code == "P0171"
    assert reading.identity.vin == "ZZ9TEST170X000001"
    assert reading.identity.ecus[0].calibrations[0].cvn
    assert len(reading.monitor_results) == (3 if protocol == "7" else 6)
    assert reading.problems == []


@pytest.mark.parametrize("number", ["6", "7"])
def test_over_a_can_interface_without_an_adapter(number):
    """ISO 15765-2 on python-can's virtual bus, both lengths of address; 60 codes in one reply."""
    codes = tuple(f"P{n:04d}" for n in range(100, 160))
    wire = PythonCanWire("virtual", f"test-{uuid.uuid4().hex}")
    device = CanCar(faulty(stored=codes), Timing(latency_ms=2), protocol=number)
    with serve_can(device, wire) as url, open_link(url) as link:
        reading = read_car(link)
    assert reading.complete
    assert reading.problems == []
    assert tuple(code.code for code in reading.codes_in("stored")) == codes
    assert [code.code for code in reading.codes_in("pending")] == ["P0171", "P0455"]
    assert reading.freeze_frames[0].values
    assert len(reading.monitor_results) == 3


def test_a_car_that_tells_nothing_at_all():
    with Scripted({}) as link, pytest.raises(CarSilentError):
        read_car(link)


def test_whatever_breaks_later_keeps_what_was_read():
    reading, _ = read(_07=CarSilentError("The ignition was turned off."))
    assert not reading.complete
    assert [code.code for code in reading.codes] == ["P0171"]


# --- a car that says what a test wants ---


BASIC = {
    "0100": [("7E8", "4100 80180001"), ("7E9", "4100 80080000")],
    "0101": [("7E8", "4101 81 07 65 00"), ("7E9", "4101 00 04 00 00")],
    "03": [("7E8", "43 01 0171"), ("7E9", "43 00")],
}


def read(**answers: object) -> tuple[CarReading, Scripted]:
    with Scripted(BASIC | {key.lstrip("_"): value for key, value in answers.items()}) as link:
        return read_car(link), link


def test_ecus_that_do_not_answer_a_service():
    reading, _ = read(_03=[("7E8", "43 01 0171")])
    assert [code.code for code in reading.codes] == ["P0171"]
    assert "No answer from 7E9 when asked for stored codes." in reading.problems
    assert "No answer from 7E8, 7E9 when asked for permanent codes." in reading.problems
    assert not reading.codes_known("permanent")


def test_negative_responses_have_their_reason():
    reading, _ = read(_07=[("7E8", "7F 07 22"), ("7E9", "47 00")], _0A="7F 0A 11")
    assert (
        "7E8 refuses pending codes: the conditions are not right (negative response 22)."
        in reading.problems
    )
    assert any("permanent codes: the service is not supported" in p for p in reading.problems)
    assert reading.answered["pending codes"] == ["7E9"]
    assert not any("7E8 when asked for pending" in problem for problem in reading.problems)


def test_an_answer_of_two_meanings_gives_neither_codes_nor_none():
    odd = "43 01 0171 0000 00"
    reading, _ = read(_03=[("7E8", odd), ("7E9", odd)])
    # PID 01 of 7E8 says one code, that of 7E9 none
    assert [(code.code, code.ecu) for code in reading.codes] == [("P0171", "7E8")]
    assert reading.answered["stored codes"] == ["7E8"]
    assert any("7E9 to stored codes can be read in two ways" in p for p in reading.problems)
    assert not any("No answer from 7E9 when asked for stored" in p for p in reading.problems)


def test_response_pending_without_an_end():
    reading, _ = read(_07=[("7E8", "7F 07 78")])
    assert "7E8 said 'wait' when asked for pending codes and never answered." in reading.problems


def test_garble_is_asked_again_and_then_said():
    reading, link = read(_07=ReplyError("garbled"))
    assert link.asked.count("07") == 3
    assert any("pending codes could not be understood" in p for p in reading.problems)
    assert reading.complete


@pytest.mark.parametrize("at", ["0101", "03", "0A", "020200", "0600", "0900"])
def test_link_lost_in_mid_reading_keeps_what_was_read(at):
    reading, link = read(**{f"_{at}": LinkLostError("The adapter was unplugged.")})
    assert not reading.complete
    assert any("unplugged" in problem for problem in reading.problems)
    assert at == link.asked[-1] or at == "0900"
    if at in ("0A", "020200", "0600"):
        assert [code.code for code in reading.codes] == ["P0171"]
    if at != "0101":
        assert reading.readiness or at == "0900"


def test_link_lost_within_a_freeze_frame_keeps_its_first_values():
    frame = {
        "_020200": [("7E8", "42 02 00 0171")],
        "_020000": [("7E8", "42 00 00 48100000")],
        "_020500": [("7E8", "42 05 00 80")],
        "_020C00": LinkLostError("The adapter was unplugged."),
    }
    reading, _ = read(**frame)
    assert [value.signal for value in reading.freeze_frames[0].values] == ["ECT"]


def test_several_frames_of_several_ecus():
    frames = {
        "_020200": [("7E8", "42 02 00 0171"), ("7E9", "42 02 00 0700")],
        "_020201": [("7E8", "42 02 01 0301"), ("7E9", "42 02 01 0000")],
        "_020000": [("7E8", "42 00 00 08000000"), ("7E9", "42 00 00 00080000")],
        "_020001": [("7E8", "42 00 01 08000000")],
        "_020500": [("7E8", "42 05 00 80"), ("7E9", "42 05 00 10")],
        "_020501": [("7E8", "42 05 01 81")],
        "_020D00": [("7E9", "42 0D 00 32")],
    }
    reading, _ = read(**frames)
    found = [(f.ecu, f.number, f.code, [(v.signal, v.value) for v in f.values])
             for f in reading.freeze_frames]  # fmt: skip
    assert found == [
        ("7E8", 0, "P0171", [("ECT", 88.0)]),
        ("7E9", 0, "P0700", [("VSS", 50.0)]),
        ("7E8", 1, "P0301", [("ECT", 89.0)]),
    ]


def test_a_car_that_ignores_the_frame_number_does_not_fool():
    same = [("7E8", "42 02 00 0171")]
    reading, _ = read(**{f"_0202{n:02X}": same for n in range(20)})
    assert [(f.number, f.code) for f in reading.freeze_frames] == [(0, "P0171")]


def test_truncated_results_are_said():
    reading, _ = read(**{"_0600": "46 00 80000000", "_0601": "46 01 0A 10 0048 0000 0060 01 0B 10"})
    assert [result.value for result in reading.monitor_results] == [72.0]
    assert any("monitor 01 of 7E8 ends too soon" in problem for problem in reading.problems)


# --- remarks and differences ---


@pytest.mark.parametrize(
    ("volts", "running", "low"),
    [(11.6, False, True), (12.6, False, False), (12.6, True, True), (None, True, False)],
)
def test_low_supply(volts, running, low):
    remark = low_supply_remark(volts, running)
    assert bool(remark) is low
    assert not low or "before any part" in remark


def test_low_voltage_is_remarked(simulated):
    with simulated(faulty(battery=11.4, values={**WARM_IDLE, "RPM": 0.0})) as link:
        assert "11.4 V with the engine off" in read_car(link).remarks[0]


def made(stored: str = "", pending: str = "", permanent: str = "", **how) -> CarReading:
    states = {"stored": stored, "pending": pending, "permanent": permanent}
    codes = [
        Code(code=code, state=state, ecu="7E8")  # type: ignore[arg-type]
        for state, text in states.items()
        for code in text.split()
    ]
    how.setdefault("answered", {f"{state} codes": ["7E8"] for state in states})
    return CarReading(codes=codes, complete=True, **how)


def names(changes) -> list[str]:
    return [change.code for change in changes]


def test_codes_gone_back_new():
    before = made("P0171 P0300 P0420", permanent="P0171")
    after = made("P0300 P0455", permanent="P0171")
    diff = diff_readings(before, after, cleared=True)
    assert names(diff.gone) == ["P0420"]
    assert names(diff.back) == ["P0300"]
    assert names(diff.new) == ["P0455"]
    assert names(diff.stayed) == ["P0171"], "permanent codes stay through a clearing"
    assert (
        diff.sentence
        == "1 code gone, 1 code back, 1 code no longer stored, but permanent until its own monitor "
        "has passed, 1 code new; no monitor changed."
    )
    assert names(diff_readings(before, after, cleared=False).back) == []


def test_gone_needs_an_answer():
    before = made("P0171")
    after = made(answered={})
    diff = diff_readings(before, after, cleared=True)
    assert names(diff.unknown) == ["P0171"]
    assert diff.gone == []


def test_counters_tell_of_a_clearing_and_monitors_run(simulated):
    car = faulty()
    with simulated(car) as link:
        before = read_car(link)
        car.clear()
        car.values = {
            **car.values,
            "CLR_DIST": 3.0,
            "WARM_UPS": 1.0,
            "CAT_RDY": 0.0,
            "MIS_RDY": 1.0,
        }
        after = read_car(link)
    assert was_cleared(before, after)
    diff = diff_readings(before, after)
    assert diff.monitors_run == ["7E8 Catalyst", "7E9 Catalyst"]
    assert "7E8 Misfire" in diff.monitors_reset
    assert names(diff.gone) == ["U0100", "P1234", "P0455"]
    assert names(diff.stayed) == ["P0171"]


def test_different_cars_are_warned_of():
    before = made(identity={"vin": "ZZ9TEST170X000001"})
    after = made(identity={"vin": "ZZ9TEST280X000002"})
    assert "Another car" in diff_readings(before, after).warnings[0]
