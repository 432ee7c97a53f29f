"""Cars of SAE J1979-2: freeze frames, monitor results and clearing.

Frame and group of codes: examples of ISO 14229-1, 11.3.5 and 11.2.5 (from memory)."""

from __future__ import annotations

from contextlib import ExitStack

import pytest

from logbench.errors import ClearingRefusedError
from logbench.signals.codes import bytes_of_code
from logbench.simulator.canbus import CanCar
from logbench.simulator.model import WARM_IDLE
from logbench.simulator.monitors import MonitorTest
from logbench.simulator.timing import Timing
from logbench.simulator.wires import PythonCanWire
from logbench.vehicle.gate import CONSENT
from logbench.vehicle.link import Link
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.model import Reply
from logbench.vehicle.records.asking import Asker
from logbench.vehicle.records.clearing import clear_codes
from logbench.vehicle.records.codes import code_of, code_of_three
from logbench.vehicle.records.model import CarReading
from logbench.vehicle.records.newer import frames_of, newer_results_of, read_newer_frames
from logbench.vehicle.records.read import read_car
from tests.serving import serve_can
from tests.still import StillCar
from tests.vehicle.records.scripted import Scripted

TESTS = (
    MonitorTest(0x01, 0x0A, 0x10, 350, 0, 900),
    MonitorTest(0x81, 0x80, 0xAF, 2300, -1600, 2000),
    MonitorTest(0x81, 0x81, 0xAF),
)
FRAME = {"RPM": 1800.0, "ECT": 88.0, "LOAD_PCT": 40.0, "MAP": 55.0}
COUNTS = (120, 400, 90, 120, *(0,) * 16)


def faulty(**values: float) -> StillCar:
    return StillCar(
        stored=("P0171", "U0100"),
        pending=("P0455",),
        permanent=("P0171",),
        frame=FRAME,
        tests={"7E8": TESTS},
        counters={"7E8": COUNTS},
        values={**WARM_IDLE, "RPM": 0.0, "VSS": 0.0, **values},
    )


@pytest.fixture(params=["adapter", "can"])
def newer(request, simulated):
    """Makes a link to a car of SAE J1979-2."""
    with ExitStack() as stack:

        def make(car: StillCar) -> Link:
            if request.param == "adapter":
                return simulated(car, edition="J1979-2")
            device = CanCar(car, Timing(latency_ms=2), protocol="6", edition="J1979-2")
            url = stack.enter_context(serve_can(device, PythonCanWire("virtual", "test-newer")))
            return open_link(url)

        yield make


def test_a_car_is_read_as_fully_as_by_the_older_standard(newer, simulated):
    with newer(faulty()) as link:
        reading = read_car(link)
    with simulated(faulty()) as link:
        older = read_car(link)
    assert reading.complete
    assert reading.problems == []
    (frame,) = reading.freeze_frames
    assert (frame.ecu, frame.number, frame.code) == ("7E8", 0, "P0171")
    assert frame.values == older.freeze_frames[0].values
    assert {v.signal: v.value for v in frame.values}["RPM"] == 1800.0
    assert reading.monitor_results == older.monitor_results
    assert [r.passed for r in reading.monitor_results] == [True, False, None]
    assert reading.in_use == older.in_use
    assert reading.in_use[0].counted[0].ran == 90
    assert reading.readiness == older.readiness


def test_codes_are_cleared_under_the_same_guard(newer, save):
    car = faulty()
    with newer(car) as link:
        with pytest.raises(ClearingRefusedError, match="consent"):
            clear_codes(link, "yes", save)
        car.values = {**car.values, "VSS": 30.0}
        with pytest.raises(ClearingRefusedError, match="moves at 30 km/h"):
            clear_codes(link, CONSENT, save)
        assert car.stored
        car.values = {**car.values, "VSS": 0.0}
        result = clear_codes(link, CONSENT, save)
    assert car.stored == ()
    assert result.change.request == "14 FF FF 33"
    assert result.change.accepted == ["7E8", "7E9"]
    assert result.after is not None
    assert result.after.freeze_frames == []
    assert [code.state for code in result.after.codes] == ["permanent"]


def test_a_refusal_says_why(newer, save):
    with newer(faulty(RPM=700.0)) as link:
        result = clear_codes(link, CONSENT, save)
    assert result.change.outcome == "refused"
    assert "the conditions are not right" in result.sentence


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        ([], "No answer from 7E8 when asked for freeze frames."),
        ("7F 19 12", "7E8 refuses freeze frames: this part of the service is not supported"),
        ([("7E9", "59 04 017111 2F")], "No answer from 7E8 when asked for freeze frames."),
    ],
)
def test_an_ecu_that_gives_no_frames_is_asked_once_and_told(answer, says):
    link = Scripted({"1904017111FF": answer})
    asker, reading = Asker(link), CarReading()
    asker.answered = {"stored codes": ["7E8", "7E9"], "pending codes": ["7E8", "7E9"]}
    reading.codes = [code_of(code, "stored", "7E8") for code in ("P0171-11", "U0100")]
    with link:
        read_newer_frames(reading, asker, {})
    assert link.asked == ["1904017111FF"]
    assert len(asker.problems) == 1
    assert says in asker.problems[0]
    assert asker.answered["freeze frames"] == ["7E9"]  # which has no code, and so no frame
    assert reading.freeze_frames == []


# --- messages ---


def frames(text: str, code: str = "P0171-11"):
    asker = Asker(Scripted({}))
    return frames_of(asker, Reply("7E8", bytes.fromhex(text), 0), code, None), asker.problems


def test_several_records_of_one_code():
    found, problems = frames("59 04 017111 2F 00 02 F40C 1C20 F405 80  F0 01 F40D 32")
    assert [(f.number, {v.signal: v.value for v in f.values}) for f in found] == [
        (0x00, {"RPM": 1800.0, "ECT": 88.0}),
        (0xF0, {"VSS": 50.0}),
    ]
    assert problems == []


def test_a_code_without_frame_has_none():
    assert frames("59 04 017111 2F") == ([], [])


@pytest.mark.parametrize(
    ("text", "rest"),
    [
        ("59 04 123456 24 02 01 4711 A666075020", "47 11 A6 66 07 50 20"),  # the standard's example
        ("59 04 123456 24 00 02 F40D 32 F48F 00", "F4 8F 00"),
        ("59 04 123456 24 00 02 F40D 32", ""),
    ],
)
def test_what_cannot_be_taken_apart_is_kept_and_said(text, rest):
    found, problems = frames(text, "P1234-56")
    assert found[0].values[-1].text == rest
    assert "is not read to its end" in problems[0]


@pytest.mark.parametrize("text", ["59 04 017112 2F 00", "59 04 0171", "59 02 017111 2F 00"])
def test_a_reply_about_something_else_gives_no_frame(text):
    found, problems = frames(text)
    assert found == []
    assert "makes no sense" in problems[0]


ONE = "0A 10 015E 0000 0384"
TWO = "80 AF 08FC F9C0 07D0"


@pytest.mark.parametrize(
    ("data", "values"),
    [
        (f"81 {TWO}", [23.0]),  # the same whether the monitor stands before each test or not
        (f"81 {TWO} {TWO}", [23.0, 23.0]),
        (f"81 {TWO} 81 {TWO}", [23.0, 23.0]),
        (f"81 {ONE} {TWO} {TWO}", [350.0, 23.0, 23.0]),
        (f"81 {TWO} 82 {TWO}", []),
        (f"81 {TWO} 00", []),
        ("81", []),
        (f"82 {TWO}", []),
    ],
)
def test_results_of_a_monitor(data, values):
    found = newer_results_of(Reply("7E8", bytes.fromhex(f"62 F6 {data}"), 0), 0x81)
    assert [r.value for r in found] == pytest.approx(values)
    assert {r.monitor for r in found} <= {"fuel system, bank 1"}


def test_results_that_can_be_read_in_two_ways_are_none():
    """Nine tests with their monitor are 81 bytes, and so are ten without: if the tenth part of
    those happens to be that monitor's number, nobody knows."""
    tests = bytearray(bytes.fromhex(f"81 {TWO}") * 9)
    found = newer_results_of(Reply("7E8", b"\x62\xf6" + bytes(tests), 0), 0x81)
    assert found == []


@pytest.mark.parametrize(("code", "data"), [("P0171-11", "017111"), ("U0100", "C10000")])
def test_a_code_and_its_bytes(code, data):
    assert bytes_of_code(code) == bytes.fromhex(data)
    assert code_of_three(bytes.fromhex(data)) == code
