"""Codes of cars that answer SAE J1979-2 only (service 19), on real bytes and scripted ones.

The layouts of replies are from memory of ISO 14229-1 (ReadDTCInformation), written here by hand,
not taken from the simulator.
"""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from logbench.errors import ReplyError
from logbench.signals.codes import code_from_bytes
from logbench.simulator.canbus import CanCar
from logbench.simulator.ecu import code_list
from logbench.simulator.serve import SimulatedCar
from logbench.simulator.timing import Timing
from logbench.simulator.wires import PythonCanWire
from logbench.vehicle.gate import reads
from logbench.vehicle.links.schemes import open_link
from logbench.vehicle.model import Reply
from logbench.vehicle.records.codes import code_of_three, newer_codes_of_reply
from logbench.vehicle.records.diff import diff_readings
from logbench.vehicle.records.read import read_car
from tests.serving import serve_can
from tests.still import StillCar
from tests.vehicle.records.scripted import Scripted

STORED, PENDING, PERMANENT = "194233081E", "194233041E", "195533"
CARS = {
    "22F400": [("7E8", "62F400 80180001"), ("7E9", "62F400 80080000")],
    "22F401": [("7E8", "62F401 81 07 65 00"), ("7E9", "62F401 00 04 00 00")],
}


def read(answers: dict[str, object]):
    link = Scripted(CARS | answers)
    link.service = 0x22
    with link:
        return read_car(link), link


def found(reading) -> dict[str, list[str]]:
    states = ("stored", "pending", "permanent")
    return {s: [f"{c.code} {c.ecu}" for c in reading.codes_in(s)] for s in states}


def test_codes_with_failure_type_class_and_status():
    # 59 42 33, available status and severity, format 04, then class, code, failure type, status
    reading, link = read(
        {
            STORED: [("7E8", "594233 FF 1E 04  02 0171 11 2F  04 C100 00 28"),
                     ("7E9", "594233 FF 1E 04")],
            PENDING: [("7E8", "594233 FF 1E 04  02 0171 11 2F"), ("7E9", "594233 FF 1E 04")],
            PERMANENT: [("7E8", "595533 FF 04  0171 11 2F"), ("7E9", "595533 FF 04")],
        }
    )  # fmt: skip
    assert found(reading) == {
        "stored": ["P0171-11 7E8", "U0100 7E8"],
        "pending": ["P0171-11 7E8"],
        "permanent": ["P0171-11 7E8"],
    }
    assert reading.codes[0].text.endswith("bank 1 (failure type 11)")
    assert reading.answered["stored codes"] == ["7E8", "7E9"]
    assert [p for p in reading.problems if "codes" in p and "freeze" not in p] == []
    assert reading.remarks == []
    assert not any(asked.startswith(("1902", "1915", "14")) for asked in link.asked)
    assert reading.readiness[0].lamp_on


def test_an_ecu_without_groups_is_asked_by_status():
    reading, _ = read(
        {
            STORED: [("7E8", "594233 FF 1E 04"), ("7E9", "7F1912")],
            PENDING: [("7E8", "594233 FF 1E 04"), ("7E9", "7F1912")],
            PERMANENT: [("7E8", "595533 FF 04"), ("7E9", "7F1912")],
            # the other ECU answers too: it has been heard already
            "190208": [("7E8", "5902 FF 0420 00 08"), ("7E9", "5902 FF 0700 00 0C  0701 00 04")],
            "190204": [("7E9", "5902 FF 0700 00 0C")],
            "1915": [("7E9", "5915 FF 0700 00 08")],
        }
    )
    assert found(reading) == {
        "stored": ["P0700 7E9"],  # P0701 is not confirmed: its status bit is not set
        "pending": ["P0700 7E9"],
        "permanent": ["P0700 7E9"],
    }
    assert not any("refuses" in problem for problem in reading.problems)
    assert "codes of 7E9 were asked for without the group" in reading.remarks[0]


def test_silence_refusal_and_garble_are_sentences():
    reading, _ = read(
        {
            STORED: [("7E8", "594233 FF 1E 04 02 0171 11")],
            PENDING: [("7E8", "594244 FF 1E 04"), ("7E9", "7F1922")],
            PERMANENT: [("7E8", "595533 FF 02 0171 11 28")],
        }
    )
    assert reading.codes == []
    told = " ".join(reading.problems)
    assert "7E8 to stored codes ends within a code" in told
    assert "No answer from 7E9 when asked for stored codes" in told
    assert "7E8 answers pending codes in a way that makes no sense" in told
    assert "7E9 refuses pending codes: the conditions are not right" in told
    assert "permanent codes holds codes in the form of SAE J1939" in told
    assert not reading.codes_known("pending")


def test_the_simulated_car_over_a_socket():
    url = "sim:?car=still&edition=J1979-2&baud=0&latency_ms=1"
    with SimulatedCar(url) as car, open_link(car.url) as link:
        reading = read_car(link)
    assert reading.complete
    assert reading.problems == []
    assert reading.identity.vin == "ZZ9TEST170X000001"
    assert reading.readiness
    assert all(reading.codes_known(state) for state in ("stored", "pending", "permanent"))
    assert reading.codes == []


def test_sixty_codes_over_can_and_what_changed():
    codes = tuple(f"P{n:04d}" for n in range(100, 160))
    still = StillCar(stored=codes, pending=("P0455",), permanent=("P0100",))
    wire = PythonCanWire("virtual", "test-codes19")
    device = CanCar(still, Timing(latency_ms=2), protocol="6", edition="J1979-2")
    with serve_can(device, wire) as url, open_link(url) as link:
        before = read_car(link)
        still.clear()
        after = read_car(link)
    assert tuple(code.code for code in before.codes_in("stored")) == codes
    assert [code.code for code in before.codes_in("pending")] == ["P0455"]
    diff = diff_readings(before, after)
    assert len(diff.gone) == 60
    assert [change.code for change in diff.stayed] == ["P0100"]


def test_three_bytes_make_a_code():
    """SAE J2012 for the first two bytes; the third is the failure type (SAE J2012-DA)."""
    assert code_of_three(bytes.fromhex("017100")) == "P0171"
    assert code_of_three(bytes.fromhex("C10087")) == "U0100-87"


def test_only_the_lists_of_codes_may_leave():
    for payload in (STORED, PENDING, PERMANENT, "190208", "1915", "1904017111FF"):
        assert reads(bytes.fromhex(payload))
    # other sub-functions, other lengths, clearing (14) and the service alone
    for payload in (
        "19",
        "1904017111",
        "1906017111FF",
        "1902",
        "19020800",
        "195533FF",
        "14FFFF33",
        "1982FF",
    ):
        assert not reads(bytes.fromhex(payload)), payload
    lengths = [bytes(rest) for rest in range(6)]
    allowed = [n for n in range(256) for rest in lengths if reads(bytes((0x19, n)) + rest)]
    assert sorted(allowed) == [0x02, 0x04, 0x15, 0x42, 0x55]


@given(st.binary(max_size=40), st.sampled_from([STORED, PERMANENT, "190208", "1915"]))
def test_any_reply_is_understood_or_refused(data: bytes, way: str):
    try:
        codes, odd = newer_codes_of_reply(Reply("7E8", data, 0), bytes.fromhex(way))
    except ReplyError:
        return
    assert all(len(code) in (5, 8) for code in codes)
    assert isinstance(odd, str)


@given(st.lists(st.integers(1, 0xFFFF), max_size=20, unique=True), st.integers(0, 2))
def test_what_the_simulator_lists_is_read_back(numbers: list[int], kind: int):
    """Two writings of one layout: they check each other's bookkeeping, not the standard."""
    codes = [code_from_bytes(*number.to_bytes(2, "big")) for number in numbers]
    service = (0x03, 0x07, 0x0A)[kind]

    def source(asked: int) -> tuple[str, ...]:
        return tuple(codes) if asked == service else ()

    for way in ((STORED, "190208"), (PENDING, "190204"), (PERMANENT, "1915"))[kind]:
        request = bytes.fromhex(way)
        data = code_list(source, request[1:])
        assert newer_codes_of_reply(Reply("7E8", data, 0), request) == (codes, "")
