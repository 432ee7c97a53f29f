"""Services 01 to 0A against the message layouts of SAE J1979 (ISO 15031-5), worked by hand."""

from __future__ import annotations

import zlib

import pytest
from obd.decoders import parse_dtc

from logbench.simulator.ecu import Answer, Ecus, Mood, code_bytes
from logbench.simulator.timing import Timing
from tests.still import StillCar


@pytest.fixture
def car() -> StillCar:
    return StillCar(
        stored=("P0171", "P0301", "U0100", "P0420"),
        pending=("P0455",),
        permanent=("P0171",),
        frame={"RPM": 1800.0, "ECT": 88.0, "LOAD_PCT": 40.0},
    )


@pytest.fixture
def ecus(car: StillCar) -> Ecus:
    return Ecus(car, Timing())


def said(answers: list[Answer]) -> dict[str, list[str]]:
    return {a.ecu: [message.hex() for _, message in a.messages] for a in answers}


def ask(ecus: Ecus, request: str, *, can: bool = True, target: str | None = None):
    return said(ecus.ask(bytes.fromhex(request), can=can, target=target))


def test_supported_lists_of_both_ecus(ecus: Ecus) -> None:
    assert ask(ecus, "0100") == {"7E8": ["4100be3fa813"], "7E9": ["410080180010"]}
    assert ask(ecus, "0120") == {"7E8": ["412000063001"]}, "2E, 2F, 33, 34 and more beyond"
    assert ask(ecus, "0140") == {"7E8": ["41407c008000"]}, "42 to 46 and 51"
    assert ask(ecus, "0180") == {}


def test_one_pid(ecus: Ecus) -> None:
    assert ask(ecus, "010C") == {"7E8": ["410c0bb8"], "7E9": ["410c0bb8"]}
    assert ask(ecus, "0105") == {"7E8": ["410582"]}


def test_six_pids_at_once_and_the_unsupported_left_out(ecus: Ecus) -> None:
    request = "010C0D055C0F04"
    assert ask(ecus, request) == {"7E8": ["410c0bb80d0005820f470438"], "7E9": ["410c0bb80d00"]}
    assert ask(ecus, "01" + "0C" * 7) == {}, "seven are one too many"


def test_older_protocols_take_one_pid(ecus: Ecus) -> None:
    assert ask(ecus, "0105", can=False) == {"7E8": ["410582"]}
    assert ask(ecus, "01050C", can=False) == {}


@pytest.mark.parametrize("request_", ["015C", "0902FF", "05", "22F40C", "0900FF", "01", "02", ""])
def test_silence_to_what_nobody_supports(ecus: Ecus, request_: str) -> None:
    assert ask(ecus, request_) == {}


@pytest.mark.parametrize(
    ("request_", "reply"), [("015C", "7f0112"), ("0502", "7f0511"), ("22F40C", "7f2211")]
)
def test_negative_response_to_a_physical_request(ecus: Ecus, request_: str, reply: str) -> None:
    assert ask(ecus, request_, target="7E8") == {"7E8": [reply]}


def test_codes_on_can_carry_their_number(ecus: Ecus) -> None:
    assert ask(ecus, "03") == {"7E8": ["430401710301c1000420"], "7E9": ["4300"]}
    assert ask(ecus, "07")["7E8"] == ["47010455"]
    assert ask(ecus, "0A")["7E8"] == ["4a010171"]


def test_codes_elsewhere_come_by_three(ecus: Ecus) -> None:
    said = ask(ecus, "03", can=False)
    assert said["7E8"] == ["4301710301c100", "43042000000000"]
    assert said["7E9"] == ["43000000000000"]


@pytest.mark.parametrize("code", ["P0171", "P3FFF", "C1234", "B0001", "U0100"])
def test_code_bytes(code: str) -> None:
    """Source: python-OBD's decoder."""
    assert parse_dtc(code_bytes(code))[0].upper() == code


def test_freeze_frame(ecus: Ecus, car: StillCar) -> None:
    assert ask(ecus, "020200") == {"7E8": ["4202000171"], "7E9": ["4202000000"]}
    assert ask(ecus, "020C00") == {"7E8": ["420c001c20"]}
    assert ask(ecus, "020C000500") == {"7E8": ["420c001c20050080"]}
    assert ask(ecus, "020C01") == {}, "there is only frame 0"
    assert ask(ecus, "020C") == {}, "the frame's number is missing"
    supported = ask(ecus, "020000")["7E8"][0]
    assert supported.startswith("420000")
    assert int(supported[6:8], 16) & 0b01000000, "PID 02 is in every frame"
    car.frame = None
    assert ask(ecus, "020200") == {"7E8": ["4202000000"], "7E9": ["4202000000"]}
    assert ask(ecus, "020C00") == {}


def test_clearing_needs_a_standing_engine(ecus: Ecus, car: StillCar) -> None:
    assert ask(ecus, "04") == {"7E8": ["7f0422"], "7E9": ["7f0422"]}
    assert car.stored
    car.values = {**car.values, "RPM": 0.0}
    assert ask(ecus, "04") == {"7E8": ["44"], "7E9": ["44"]}
    assert ask(ecus, "03")["7E8"] == ["4300"]
    assert ask(ecus, "0A")["7E8"] == ["4a010171"], "permanent codes stay"
    assert ask(ecus, "020200")["7E8"] == ["4202000000"]


def test_vehicle_information_on_can(ecus: Ecus) -> None:
    vin = b"ZZ9TEST170X000001".hex()
    assert ask(ecus, "0902") == {"7E8": ["490201" + vin]}
    name = b"ECM-EngineControl\0\0\0".hex()
    assert ask(ecus, "090A")["7E8"] == ["490a01" + name]
    assert ask(ecus, "0904")["7E8"] == ["490401" + b"LB-BENCH-0001\0\0\0".hex()]
    cvn = f"{zlib.crc32(b'LB-BENCH-0001'):08x}"
    assert ask(ecus, "0906")["7E8"] == ["490601" + cvn]
    assert ask(ecus, "0900") == {"7E8": ["490054400000"], "7E9": ["490014400000"]}


def test_vehicle_information_elsewhere_is_numbered(ecus: Ecus) -> None:
    """SAE J1979: the VIN in five messages of four, three zeros before its first character."""
    assert ask(ecus, "0901", can=False) == {"7E8": ["490105"]}
    messages = ask(ecus, "0902", can=False)["7E8"]
    assert messages[0] == "4902010000005a"
    assert [message[4:6] for message in messages] == ["01", "02", "03", "04", "05"]
    text = bytes.fromhex("".join(message[6:] for message in messages))
    assert text == b"\0\0\0ZZ9TEST170X000001"
    assert ask(ecus, "0900", can=False)["7E8"] == ["490001fcc00000"]
    assert all(len(message) == 14 for message in messages)


def test_nobody_answers_with_the_key_off(ecus: Ecus, car: StillCar) -> None:
    car.key_on = False
    assert ask(ecus, "0100") == {}


def test_times(car: StillCar) -> None:
    ecus = Ecus(car, Timing(latency_ms=8, second_latency_ms=2))
    answers = ecus.ask(bytes.fromhex("010C"), can=True)
    assert [answer.messages[0][0] for answer in answers] == pytest.approx([0.008, 0.010])
    slow = ecus.ask(bytes.fromhex("010C"), can=False)
    assert slow[0].messages[0][0] == pytest.approx(0.026), "P2 is at least 25 ms on the K-line"


def test_moods(ecus: Ecus) -> None:
    ecus.mood = Mood(silent=frozenset({"7E9"}), pending_s={"7E8": 0.4})
    (answer,) = ecus.ask(bytes.fromhex("010C"), can=True)
    assert [(round(t_s, 3), m.hex()) for t_s, m in answer.messages] == [
        (0.008, "7f0178"),
        (0.408, "410c0bb8"),
    ]
    ecus.mood = Mood(dropped_pids={"7E8": frozenset({0x0C})})
    assert ask(ecus, "010C0D")["7E8"] == ["410d00"]
    assert ask(ecus, "010C", target="7E8") == {"7E8": ["7f0112"]}
    ecus.mood = Mood(refuse_packed=True)
    assert ask(ecus, "010C0D") == {}
    assert ask(ecus, "010D")["7E8"] == ["410d00"]
