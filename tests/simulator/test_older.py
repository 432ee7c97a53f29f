"""The protocols before CAN: framing against python-OBD's message assembly, and their timing."""

from __future__ import annotations

import pytest
from obd.protocols import (
    ISO_9141_2,
    SAE_J1850_PWM,
    SAE_J1850_VPW,
    ISO_14230_4_5baud,
    ISO_14230_4_fast,
)

from logbench.simulator.adapter import Adapter
from logbench.simulator.protocols import PROTOCOLS, checksum
from tests.still import StillCar

PARSERS = {
    "1": SAE_J1850_PWM,
    "2": SAE_J1850_VPW,
    "3": ISO_9141_2,
    "4": ISO_14230_4_5baud,
    "5": ISO_14230_4_fast,
}


@pytest.fixture(params=sorted(PARSERS))
def number(request) -> str:
    return request.param


def connected(talk, number: str, *lines: str) -> Adapter:
    adapter = Adapter(StillCar(stored=("P0171", "P0301", "P0420", "U0100")), protocol=number)
    for line in ("ATE0", "ATL0", "ATH1", "ATSP0", *lines):
        assert talk(adapter, line)[0][-1] == "OK"
    return adapter


def test_python_obd_takes_the_messages_apart(talk, number: str) -> None:
    """Source: python-OBD's parsers, one for each protocol."""
    adapter = connected(talk, number)
    lines, _ = talk(adapter, "0100")
    assert lines[0] == "SEARCHING..."
    assert talk(adapter, "ATDPN")[0] == ["A" + number]
    parser = PARSERS[number](lines)
    for request, wanted in {
        "0105": {0x10: "410582"},
        "010C": {0x10: "410c0bb8", 0x18: "410c0bb8"},
        "0902": {0x10: "4902" + bytes(3).hex() + b"ZZ9TEST170X000001".hex()},
        "03": {0x10: "4300" + "01710301042" + "0c1000000" + "0000", 0x18: "4300" + "00" * 6},
    }.items():
        messages = [m for m in parser(talk(adapter, request)[0]) if m.parsed()]
        assert {m.tx_id: m.data.hex() for m in messages} == wanted, request


def test_one_pid_a_request(talk, number: str) -> None:
    adapter = connected(talk, number)
    talk(adapter, "0100")
    assert talk(adapter, "01050C")[0] == ["NO DATA"]


@pytest.mark.parametrize(
    ("number", "line"),
    [
        ("1", "41 6B 10 41 05 82 "),
        ("2", "48 6B 10 41 05 82 "),
        ("3", "48 6B 10 41 05 82 8B "),
        ("4", "83 F1 10 41 05 82 4C "),
    ],
)
def test_header_and_checksum(talk, number: str, line: str) -> None:
    """Layouts of SAE J1979 and ISO 14230-2; the K-line's sums by hand."""
    adapter = connected(talk, number)
    talk(adapter, "0100")
    (shown,) = talk(adapter, "0105")[0]
    assert shown.startswith(line)
    assert len(shown) == 7 * 3


def test_crc_of_j1850() -> None:
    """CRC-8/SAE-J1850: check value 0x4B for '123456789' (catalog of parametrised CRCs)."""
    assert checksum(PROTOCOLS["1"], b"123456789") == 0x4B


def test_headers_off(talk) -> None:
    adapter = connected(talk, "3", "ATH0", "ATS0")
    talk(adapter, "0100")
    assert talk(adapter, "0105")[0] == ["410582"]


def test_start_of_communication(talk) -> None:
    for t_s, number, text, most_s in ((100, "3", "...OK", 4.0), (200, "5", "OK", 0.6)):
        adapter = connected(talk, number, "ATSP" + number)
        lines, done_s = talk(adapter, "0100", t_s)
        assert lines[0] == "BUS INIT: " + text
        assert most_s / 2 < done_s - t_s < most_s
        assert talk(adapter, "0105")[0][0].endswith(" ")


def test_kline_keeps_its_pause(talk) -> None:
    """P3 of ISO 14230-2: 55 ms from an answer to the next request."""
    adapter = connected(talk, "5", "ATSP5")
    talk(adapter, "0100", 100.0)
    t_s = 110.0
    _, first_s = talk(adapter, "01051", t_s)
    _, second_s = talk(adapter, "01051", first_s)
    assert first_s - t_s < 0.06
    assert second_s - first_s > 0.055 + 0.026


def test_physical_addressing(talk) -> None:
    adapter = connected(talk, "5", "ATSP5", "ATS0", "ATSHC218F1")
    talk(adapter, "0100")
    assert talk(adapter, "010C")[0][0].startswith("84F118410C0BB8")
    talk(adapter, "ATSHC255F1")
    assert talk(adapter, "010C")[0] == ["NO DATA"]
