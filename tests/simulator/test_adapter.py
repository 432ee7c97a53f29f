"""The adapter's command language, in the adapter's own time: nothing here sleeps."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logbench.simulator.adapter import Adapter
from logbench.simulator.timing import CarClock, Timing
from tests.still import StillCar

SETTINGS = [
    "E0", "L1", "S0", "H1", "R1", "M0", "D1", "V0", "AL", "NL", "AT0", "AT1", "AT2", "ST32",
    "ST00", "SP0", "SP6", "SPA6", "TP7", "SP00", "CAF1", "CAF0", "CFC1", "SH7E0", "SH7DF",
    "SHDB33F1", "SH18DB33F1", "CP18", "TAF1", "CRA7E8", "CRA", "CRA18DAF110", "CRA7EX", "AR",
    "CF7E8", "CM7F8", "FCSM1", "FCSH7E0", "FCSD300000", "JE", "JS", "JTM1", "KW0", "IB10",
    "IIA33", "SW92", "SR6B", "WM813EF1", "CSM1", "CTM1", "CEA", "CEA12", "CV1234", "FE", "PC",
    "D", "SS", "BI", "@3ABCDEFGHIJKL",
]  # fmt: skip


@pytest.fixture
def adapter() -> Adapter:
    return Adapter(StillCar(), Timing())


@pytest.fixture
def ready(adapter: Adapter, talk):
    """An adapter with echo, line feeds and spaces off, on CAN 11/500."""
    for line in ("ATE0", "ATL0", "ATS0", "ATSP6"):
        assert talk(adapter, line)[0][-1] == "OK"
    return adapter


def raw(adapter: Adapter, line: bytes, t_s: float = 0.0) -> bytes:
    adapter.receive(line, t_s)
    data = b""
    while adapter.due() is not None:
        data += adapter.pop().data
    return data


def test_line_ends_echo_and_prompt(adapter: Adapter) -> None:
    assert raw(adapter, b"ATI\r") == b"ATI\rOBD interface v1.0\r\n\r\n>"
    assert raw(adapter, b"at l0\r") == b"at l0\rOK\r\r>"
    assert raw(adapter, b"ATE0\r") == b"ATE0\rOK\r\r>"
    assert raw(adapter, b"ATI\r") == b"OBD interface v1.0\r\r>"
    assert raw(adapter, b"\n A T\x00 I \r") == b"OBD interface v1.0\r\r>"


def test_empty_line_repeats(adapter: Adapter, talk) -> None:
    assert raw(adapter, b"\r") == b"\r\r\n>", "nothing to repeat yet"
    assert talk(adapter, "ATE0")[0][-1] == "OK"
    assert talk(adapter, "ATRV")[0] == ["13.9V"]
    assert talk(adapter, "")[0] == ["13.9V"]


@pytest.mark.parametrize(
    "line", ["HELLO", "ATXYZ", "AT", "ATE2", "ATSP Z", "01 0G", "A", "ATSH 12", "0" * 300, "AT\xe9"]
)
def test_what_is_not_understood(adapter: Adapter, talk, line: str) -> None:
    assert talk(adapter, line)[0][-1] == "?"


@pytest.mark.parametrize("line", SETTINGS)
def test_settings_are_taken(adapter: Adapter, talk, line: str) -> None:
    assert talk(adapter, "AT" + line)[0][-1] == "OK"


def test_what_can_be_asked(adapter: Adapter, talk) -> None:
    talk(adapter, "ATE0")
    for line, answer in {
        "ATI": "OBD interface v1.0",
        "AT@1": "OBD to serial interface",
        "AT@2": "?",
        "ATDP": "AUTO",
        "ATDPN": "A0",
        "ATRV": "13.9V",
        "ATIGN": "ON",
    }.items():
        assert talk(adapter, line)[0] == [answer], line
    talk(adapter, "AT@3ABCDEFGHIJKL")
    assert talk(adapter, "AT@2")[0] == ["ABCDEFGHIJKL"]


def test_identity_is_ours_to_choose(talk) -> None:
    adapter = Adapter(StillCar(), identity="Bench adapter 7")
    assert talk(adapter, "ATZ")[0][-1] == "Bench adapter 7"


def test_searching_finds_the_protocol(adapter: Adapter, talk) -> None:
    talk(adapter, "ATE0")
    assert talk(adapter, "0100")[0] == [
        "SEARCHING...",
        "41 00 BE 3F A8 13 ",
        "41 00 80 18 00 10 ",
    ]
    assert talk(adapter, "ATDPN")[0] == ["A6"]
    assert talk(adapter, "ATDP")[0] == ["AUTO, ISO 15765-4 (CAN 11/500)"]
    assert talk(adapter, "0105")[0] == ["41 05 82 "]


@pytest.mark.parametrize("number", "6789")
def test_headers_of_each_can_protocol(talk, number: str) -> None:
    adapter = Adapter(StillCar(), protocol=number)
    for line in ("ATE0", "ATH1", "ATSP" + number):
        talk(adapter, line)
    head = "7E8 " if number in "68" else "18 DA F1 10 "
    assert talk(adapter, "0105")[0] == [head + "03 41 05 82 00 00 00 00 "]
    talk(adapter, "ATS0")
    talk(adapter, "ATSH" + ("7E0" if number in "68" else "DA10F1"))
    assert talk(adapter, "015C")[0] == [head.replace(" ", "") + "037F011200000000"]
    talk(adapter, "ATSH" + ("7E1" if number in "68" else "18DA18F1"))
    other = "7E9" if number in "68" else "18DAF118"
    assert talk(adapter, "010D")[0] == [other + "03410D0000000000"]
    talk(adapter, "ATSH" + ("7E5" if number in "68" else "18DA55F1"))
    assert talk(adapter, "010D")[0] == ["NO DATA"]


def test_long_reply_without_headers(ready: Adapter, talk) -> None:
    """The layout of ISO 15765-2 messages with formatting on, as clients take it apart."""
    assert talk(ready, "0902")[0] == [
        "014",
        "0:4902015A5A39",
        "1:54455354313730",
        "2:58303030303031",
    ]
    talk(ready, "ATS1")
    assert talk(ready, "0902")[0][:2] == ["014 ", "0: 49 02 01 5A 5A 39 "]


def test_formatting_off_leaves_the_length_bytes(ready: Adapter, talk) -> None:
    talk(ready, "ATCAF0")
    assert talk(ready, "0105")[0] == ["NO DATA"], "01 is the length and 05 the service"
    assert talk(ready, "020105")[0] == ["0341058200000000"]


def test_flow_control_by_hand(ready: Adapter, talk) -> None:
    talk(ready, "ATH1")
    whole = talk(ready, "0902")[0]
    assert len(whole) == 3
    talk(ready, "ATCFC0")
    assert talk(ready, "0902")[0] == whole[:1], "nothing lets the ECU go on"
    talk(ready, "ATCFC1")
    talk(ready, "ATFCSM1")
    assert talk(ready, "0902")[0] == whole[:1], "no header is set"
    talk(ready, "ATFCSH7E0")
    assert talk(ready, "0902")[0] == whole
    talk(ready, "ATFCSD320000")
    assert talk(ready, "0902")[0] == whole[:1], "32 is overflow, not clear to send"


def test_receive_filters(ready: Adapter, talk) -> None:
    talk(ready, "ATH1")
    assert [line[:3] for line in talk(ready, "010C")[0]] == ["7E8", "7E9"]
    for command, left in {
        "ATCRA7E9": ["7E9"],
        "ATCRA7EX": ["7E8", "7E9"],
        "ATCRA123": ["NO "],
        "ATAR": ["7E8", "7E9"],
        "ATCRA18DAF110": ["NO "],
        "ATCRA": ["7E8", "7E9"],
    }.items():
        talk(ready, command)
        assert [line[:3] for line in talk(ready, "010C")[0]] == left, command
    talk(ready, "ATCF7E9")
    talk(ready, "ATCM7FF")
    assert [line[:3] for line in talk(ready, "010C")[0]] == ["7E9"]


def test_reply_count_ends_the_wait(ready: Adapter, talk) -> None:
    talk(ready, "ATAT0")
    talk(ready, "ATST32")
    _, slow_s = talk(ready, "0105", 10.0)
    lines, quick_s = talk(ready, "01051", 20.0)
    assert lines == ["410582"]
    assert slow_s - 10.0 > 0.2
    assert quick_s - 20.0 < 0.02
    lines, _ = talk(ready, "010C1", 30.0)
    assert lines == ["410C0BB8"], "the second ECU is not waited for"
    lines, three_s = talk(ready, "09023", 40.0)
    assert len(lines) == 4
    assert three_s - 40.0 < 0.05
    lines, short_s = talk(ready, "01059", 50.0)
    assert lines == ["410582"]
    assert short_s - 50.0 > 0.2, "more frames were expected than came"


def test_adaptive_timing_learns(ready: Adapter, talk) -> None:
    _, first_s = talk(ready, "0105", 10.0)
    _, second_s = talk(ready, "0105", 20.0)
    talk(ready, "ATAT2")
    _, third_s = talk(ready, "0105", 30.0)
    talk(ready, "ATAT0")
    _, fixed_s = talk(ready, "0105", 40.0)
    assert first_s - 10 > 0.2
    assert third_s - 30 < second_s - 20 < 0.06
    assert fixed_s - 40 == pytest.approx(first_s - 10)


def test_timeout_setting(ready: Adapter, talk) -> None:
    talk(ready, "ATAT0")
    for t_s, setting, seconds in ((10, "10", 0.064), (20, "FF", 1.02), (30, "00", 0.2)):
        talk(ready, "ATST" + setting)
        lines, done_s = talk(ready, "015C", t_s)
        assert lines == ["NO DATA"]
        assert done_s - t_s == pytest.approx(seconds, abs=0.01)


def test_responses_off(ready: Adapter, talk) -> None:
    talk(ready, "ATR0")
    lines, done_s = talk(ready, "0105", 10.0)
    assert lines == []
    assert done_s < 10.01


def test_a_character_interrupts_a_request(ready: Adapter) -> None:
    """'STOPPED', and the interrupting character is lost."""
    ready.receive(b"0105\r", 10.0)
    assert ready.due() is not None
    assert raw(ready, b"ATI\r", 10.1).endswith(b"STOPPED\r\r>?\r\r>")
    assert raw(ready, b"ATI\r", 10.3) == b"OBD interface v1.0\r\r>"


def test_monitoring_hears_nothing_and_can_be_ended(ready: Adapter) -> None:
    ready.receive(b"ATMA\r", 10.0)
    due = ready.due()
    assert due is not None
    assert due.t_s == float("inf")
    assert raw(ready, b" ", 15.0) == b"STOPPED\r\r>"


def test_the_next_client_finds_a_working_adapter(ready: Adapter) -> None:
    ready.receive(b"ATMA\r01", 10.0)
    ready.hang_up()
    assert ready.due() is None
    assert raw(ready, b"ATI\r", 11.0) == b"OBD interface v1.0\r\r>"


def test_reset_restores_the_defaults(ready: Adapter, talk) -> None:
    lines, done_s = talk(ready, "ATZ", 10.0)
    assert lines == ["OBD interface v1.0"]
    assert done_s - 10.0 == pytest.approx(0.6, abs=0.01)
    assert raw(ready, b"ATDPN\r", 12.0) == b"ATDPN\rA0\r\n\r\n>"
    talk(ready, "ATE0", 15.0)
    _, warm_s = talk(ready, "ATWS", 20.0)
    assert warm_s - 20.0 < 0.2


def test_low_power_and_waking(ready: Adapter) -> None:
    assert raw(ready, b"ATLP\r") == b"OK\r\r>"
    assert raw(ready, b" ", 5.0) == b"\r>"
    assert raw(ready, b"ATI\r", 6.0) == b"OBD interface v1.0\r\r>"


def test_key_off(adapter: Adapter, talk) -> None:
    car = StillCar()
    adapter = Adapter(car)
    talk(adapter, "ATE0")
    assert talk(adapter, "0105", 10.0)[0][0] == "SEARCHING..."
    car.key_on = False
    assert talk(adapter, "0105", 12.0)[0] == ["NO DATA"], "the bus is still awake"
    assert talk(adapter, "0105", 30.0)[0] == ["CAN ERROR"], "nobody acknowledges"
    talk(adapter, "ATSP0", 31.0)
    lines, done_s = talk(adapter, "0100", 40.0)
    assert lines == ["SEARCHING...", "UNABLE TO CONNECT"]
    assert 3.0 < done_s - 40.0 < 10.0
    assert talk(adapter, "ATIGN")[0] == ["OFF"]


def test_another_protocol_finds_nobody(adapter: Adapter, talk) -> None:
    talk(adapter, "ATE0")
    for number, answer in {"8": "CAN ERROR", "1": "NO DATA", "3": "BUS INIT: ERROR"}.items():
        talk(adapter, "ATSP" + number)
        assert talk(adapter, "0100")[0] == [answer]


def test_the_car_stands_until_a_value_is_asked_for(talk) -> None:
    car = StillCar()
    adapter = Adapter(car, clock=CarClock(speed=10.0, start_s=5.0))
    for line in ("ATE0", "0100", "0902", "03", "0101", "014F"):
        talk(adapter, line, 100.0)
    adapter.tick(200.0)
    assert car.t_s == 5.0
    talk(adapter, "010C", 200.0)
    adapter.tick(203.0)
    assert car.t_s == pytest.approx(5.0 + 30.0, abs=0.1)


def test_a_car_that_answers_service_22_only(talk) -> None:
    """SAE J1979-2: the search asks in the old way and finds nobody; a set protocol works."""
    adapter = Adapter(StillCar(), edition="J1979-2")
    for line in ("ATE0", "ATS0", "ATSP0"):
        talk(adapter, line)
    assert talk(adapter, "0100")[0][-1] == "UNABLE TO CONNECT"
    talk(adapter, "ATSP6")
    assert talk(adapter, "0100")[0] == ["NO DATA"]
    assert talk(adapter, "22F40C1")[0] == ["62F40C0BB8"]
    assert talk(adapter, "22F80B")[0] == ["NO DATA"]
    assert talk(adapter, "22F8023")[0][:2] == ["014", "0:62F8025A5A39"]


def test_request_length(ready: Adapter, talk) -> None:
    assert talk(ready, "01" + "0D" * 6)[0][0] == "00D"
    assert talk(ready, "01" + "0D" * 7)[0] == ["?"]


COMMANDS = st.one_of(
    st.text(alphabet="ATSHPCFRZEL0123456789ABDEFMX@ \x00\n", max_size=20),
    st.binary(max_size=40).map(lambda data: data.decode("latin-1").replace("\r", "")),
    st.sampled_from(["ATZ", "ATD", "ATSP3", "ATSP7", "ATCAF0", "ATH1", "ATS0", "ATLP", "0100"]),
    st.from_regex(r"0[1-9A][0-9A-F]{0,15}", fullmatch=True),
    st.from_regex(r"AT ?(SH|CRA|CF|CM|FCSH|FCSD|CP|TA|ST|SP)[0-9A-FX]{0,9}", fullmatch=True),
)


@given(st.lists(COMMANDS, max_size=12), st.sampled_from("123456789"))
@settings(max_examples=400, deadline=None)
@example(["ATSP6", "ATSH FFFFFFFF", "0100"], "6")
@example(["ATSP3", "ATSH 123", "0100"], "3")
@example(["ATSP7", "ATSH 7E0", "ATCRA 7E8", "0100"], "7")
@example(["ATCAF0", "ATSP6", "00", "08", "FF00112233445566"], "6")
def test_nothing_escapes_and_there_is_always_a_prompt(lines: list[str], protocol: str) -> None:
    adapter = Adapter(StillCar(), protocol=protocol)
    t_s = 0.0
    for line in lines:
        before_s = t_s
        adapter.receive(line.encode("latin-1") + b"\r", t_s)
        data = b""
        while (due := adapter.due()) is not None and due.t_s != float("inf"):
            assert due.t_s >= before_s
            t_s = adapter.pop().t_s
            data += due.data
        if due is not None:  # it listens to the bus until a character comes
            adapter.receive(b" ", t_s + 1.0)
            while adapter.due() is not None:
                data += adapter.pop().data
        assert data.endswith(b">"), (line, data)
