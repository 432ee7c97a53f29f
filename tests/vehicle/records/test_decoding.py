"""Decoding of records against python-OBD and the worked examples of the standards."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from obd.codes import TEST_IDS
from obd.commands import commands
from obd.decoders import dtc, monitor, parse_monitor_test, status
from obd.protocols.protocol import Message
from obd.UnitsAndScaling import UAS, UAS_IDS

from logbench.signals.codes import code_from_bytes
from logbench.signals.decoding import decode
from logbench.vehicle.filler import unfilled
from logbench.vehicle.model import Reply
from logbench.vehicle.records.codes import codes_of_reply
from logbench.vehicle.records.model import Readiness
from logbench.vehicle.records.monitors import (
    margin,
    missing_sentence,
    monitors_of,
    name_of,
    result_elsewhere,
    result_of_nine,
    signed16,
    unit_scalings,
)
from logbench.vehicle.records.read import vin_identity

UNITS = {
    "": "count", "lambda": "ratio", "air/fuel": "ratio", "ratio": "ratio", "counts": "count",
    "switches": "count", "g/cylinder": "gram", "mg/stroke": "milligram", "in": "inch",
    "mohm": "milliohm", "kohm": "kiloohm", "km/h": "kph", "mm2": "mm**2", "us": "microsecond",
    "uA": "microampere", "deg": "degree", "kg/h": "kg/hour", "min": "minute", "%": "percent",
}  # fmt: skip
"""Our units that pint spells differently."""


def message(data: bytes) -> Message:
    made = Message([])
    made.data = bytearray(data)
    return made


# --- codes ---


def test_codes_as_python_obd():
    data = bytes.fromhex("43 04 0171 0301 C100 8420")
    codes, odd = codes_of_reply(Reply("7E8", data, 0))
    assert (
        codes == [code for code, _ in dtc([message(data)])] == ["P0171", "P0301", "U0100", "B0420"]
    )
    assert odd == ""


def test_the_standards_own_example_of_a_code():
    """SAE J2012's example of two bytes for P0143 (from memory; also in ISO 15031-5)."""
    assert codes_of_reply(Reply("7E8", bytes.fromhex("43 01 0143"), 0)) == (["P0143"], "")


LAYOUTS = {
    "no byte but the service": ("43", [], ""),
    "none": ("43 00", [], ""),
    "none, filled with zeros": ("43 00 0000 0000 00", [], ""),
    "none, filled with AA": ("43 00 AAAA AAAA AA", [], ""),
    "counted": ("43 02 0171 0301", ["P0171", "P0301"], ""),
    "counted, filled": ("43 01 0171 AAAA AA", ["P0171"], ""),
    "counted, filled with pairs of zeros": ("43 01 0171 0000", ["P0171"], ""),
    "counted, over several frames": ("43 04 0171 0301 C100 8420", None, ""),
    "not counted": ("47 0143", ["P0143"], ""),
    "not counted, begins like a count": ("43 0143 0196 0234", ["P0143", "P0196", "P0234"], ""),
    "not counted, as on the older buses": ("43 0143 0000 0000", ["P0143"], ""),
    "not counted, P0300 alone": ("43 0300 0000 0000", ["P0300"], ""),
    "one too few": ("43 02 0171", [], "announces 2 codes and has room for 1"),
    "not counted, two": ("43 0171 0301", ["P0171", "P0301"], ""),
    "a count of none before codes": ("43 00 0171 0301 0000", [], "announces 0 codes and"),
    "a zero for a code": ("43 01 0000", [], "announces 1 codes and"),
    "P0171 counted, or P0101 and C3100": ("43 01 0171 0000 00", [], "two ways"),
    "two counted, or three": ("43 02 0171 0301 00", [], "two ways"),
}  # fmt: skip


@pytest.mark.parametrize("name", LAYOUTS)
def test_the_layout_of_a_reply_to_a_code_request(name):
    """Seen before: P0143 without a count read as C0301, and pending codes as none."""
    data, codes, why = LAYOUTS[name]
    found, odd = codes_of_reply(Reply("7E8", bytes.fromhex(data), 0))
    if codes is None:
        codes = ["P0171", "P0301", "U0100", "B0420"]
    assert found == codes
    assert (why in odd) if why else not odd


@pytest.mark.parametrize(
    ("data", "codes"),
    [
        ("43 01 0171 0000 00", ["P0171"]),
        ("43 02 0171 0301 00", ["P0171", "P0301"]),
        ("43 02 0171 0301 55", ["P0171", "P0301"]),
        ("43 00 5555 5555 55", []),
        ("43 03 0171 0301 C100 0000 0000 00", ["P0171", "P0301", "U0100"]),
    ],
)
def test_where_filler_is_known_to_be_counted_the_number_of_codes_decides(data, codes):
    assert codes_of_reply(Reply("7E8", unfilled(b"\x03", bytes.fromhex(data)), 0)) == (codes, "")


@pytest.mark.parametrize(
    ("stored", "codes"), [(1, ["P0171"]), (2, ["P0101", "C3100"]), (0, []), (3, []), (None, [])]
)
def test_what_can_be_read_in_two_ways_is_decided_by_the_number_of_stored_codes(stored, codes):
    reply = Reply("7E8", bytes.fromhex("43 01 0171 0000 00"), 0)
    found, odd = codes_of_reply(reply, stored=stored)
    assert found == codes
    assert bool(odd) == (not codes)


def test_on_the_older_buses_zeros_fill_a_line():
    for data in ("43 0171 0000 0000", "43 01710000 0000", "43 0171"):
        reply = Reply("10", bytes.fromhex(data), 0)
        assert codes_of_reply(reply, is_can=False) == (["P0171"], "")


@given(st.lists(st.integers(1, 0xFFFF), max_size=12, unique=True), st.booleans())
def test_no_code_is_invented_whatever_the_layout(codes, counted):
    """Any list of codes, in both layouts, filled up in every usual way or not at all: it is read as
    it was sent, or not understood."""
    pairs = b"".join(code.to_bytes(2, "big") for code in codes)
    sent = [code_from_bytes(*pairs[n : n + 2]) for n in range(0, len(pairs), 2)]
    body = bytes((0x43, len(codes))) + pairs if counted else b"\x43" + pairs
    frame = 7 if len(body) <= 7 else 6 + -(-(len(body) - 6) // 7) * 7
    found, odd = codes_of_reply(Reply("7E8", body, 0))
    assert (found, odd) == (sent, "") or (odd and not counted)
    for filler in (b"\0", b"\x55", b"\xaa", b"\xff") if counted else ():
        data = unfilled(b"\x03", body.ljust(frame, filler))
        found, odd = codes_of_reply(Reply("7E8", data, 0))
        assert found == sent or odd


# --- identity ---


def test_worked_example_of_the_regulation():
    """49 CFR 565: 1M8GDM9AXKP042788 has the check digit X; its year letter K is 1989 or 2019."""
    identity = vin_identity("1M8GDM9AXKP042788")
    assert identity.vin_problem == identity.vin_notice == ""
    assert identity.model_years == [1989, 2019]
    assert identity.region == "North America"


def test_what_is_not_a_vin():
    assert "17" in vin_identity("ZZ9TEST1").vin_problem
    assert vin_identity("").vin_problem == "The car gives no VIN."
    assert vin_identity("").model_years == []
    assert "check digit" in vin_identity("1M8GDM9A1KP042788").vin_notice
    assert vin_identity("ZZ9TEST170X000001").maker == ""


# --- readiness ---


def readiness(data: str) -> Readiness:
    values = decode(0x01, bytes.fromhex(data))
    return Readiness(ecu="7E8", monitors=monitors_of(values))


@pytest.mark.parametrize(
    ("data", "ignition"),
    [
        ("83 07 FF 00", "spark"),
        ("00 77 65 24", "spark"),
        ("81 0E EB 00", "compression"),
        ("81 6E A9 28", "compression"),
    ],
)
def test_monitor_bits_as_python_obd(data, ignition):
    """Both kinds of ignition: the same monitors are supported and complete.

    python-OBD leaves out bit C4, the air conditioning's refrigerant in older editions of SAE J1979.
    """
    theirs = status([message(bytes.fromhex("4101" + data))])
    assert theirs.ignition_type == ignition
    ours = [m for m in readiness(data).monitors if m.key != "ACRF"]
    known = [t for t in vars(theirs).values() if getattr(t, "name", "") and t.available]
    assert len(ours) == len(known)
    assert sum(m.complete for m in ours) == sum(bool(t.complete) for t in known)


def test_what_is_missing():
    entry = readiness("00 77 65 24")
    assert entry.missing == [
        "Misfire", "Fuel system", "Comprehensive component", "Evaporative system", "Oxygen sensor",
    ]  # fmt: skip
    assert "local rules" in missing_sentence(entry)
    assert missing_sentence(readiness("00 07 65 00")) == "All 7 monitors of 7E8 are complete."


# --- monitor results ---


def test_every_scaling_of_python_obd_is_known():
    assert set(UAS_IDS) == set(unit_scalings())


@pytest.mark.parametrize("scaling", sorted(i for i, uas in UAS_IDS.items() if isinstance(uas, UAS)))
@pytest.mark.parametrize("raw", [0, 1, 1000, 0x7FFF, 0x8000, 0xFFFF])
def test_scalings_as_python_obd(scaling, raw):
    theirs = UAS_IDS[scaling](raw.to_bytes(2, "big"))
    ours = unit_scalings()[scaling]
    value = signed16(scaling, raw) * ours.scale + ours.offset
    assert value == pytest.approx(theirs.magnitude, rel=1e-9)
    if ours.unit not in ("degC", "mV/ms", "g/s", "Pa/s", "mV/s"):
        assert theirs.units == type(theirs)(1, UNITS.get(ours.unit, ours.unit)).units


def test_names_as_python_obd():
    """Monitor and test IDs: the same digits in the names of both.

    python-OBD names monitor 86 'Bank 1' like 85; the standard has bank 2 (from memory).
    """
    for command in commands[6]:
        if command is None or command.name.startswith("MIDS_"):
            continue
        monitor_id = command.pid
        ours = name_of("monitor", monitor_id)
        assert "maker" not in ours
        assert "reserved" not in ours
        theirs = command.desc if monitor_id != 0x86 else "Bank 2"
        if "EVAP" not in theirs:
            digits = [c for c in theirs.replace("O2", "") if c.isdigit()]
            assert [c for c in ours if c.isdigit()] == digits, command.desc
    assert all("reserved" not in name_of("test", test_id) for test_id in TEST_IDS)
    assert name_of("test", 0x80) == "maker's own test 80"
    assert name_of("test", 0x40) == "reserved test 40"


def test_the_standards_example_of_a_result():
    """ISO 15031-5's example for CAN (from memory): monitor 01, test 05 in ms (scaling 10)."""
    data = bytes.fromhex("01 05 10 0048 0000 0060")
    ours = result_of_nine("7E8", data)
    theirs = parse_monitor_test(data, monitor([message(b"\x46")]))
    assert (ours.value, ours.minimum, ours.maximum) == (72.0, 0.0, 96.0)
    assert ours.value == theirs.value.to("millisecond").magnitude
    assert ours.passed is theirs.passed is True
    assert ours.margin == pytest.approx(0.25)


def test_failed_untested_and_unknown():
    failed = result_of_nine("7E8", bytes.fromhex("21 80 AF FF38 FFCE 0032"))
    assert failed.value == pytest.approx(-2.0)
    assert failed.passed is False
    assert failed.margin == -1.0
    untested = result_of_nine("7E8", bytes.fromhex("3C 81 17 0000 0000 0000"))
    assert untested.passed is None
    assert untested.value is untested.margin is None
    unknown = result_of_nine("7E8", bytes.fromhex("E1 80 7F 0001 0000 0002"))
    assert unknown.unit == "counts, unknown scaling"
    assert unknown.monitor == "maker's own monitor E1"


@pytest.mark.parametrize(
    ("value", "low", "high", "signed", "expected"),
    [
        (50, 10, 90, False, 1.0),
        (30, 10, 90, False, 0.5),
        (10, 10, 90, False, 0.0),
        (5, 10, 90, False, -0.125),
        (25, 0, 100, False, 0.75),
        (100, 0, 100, False, 0.0),
        (150, 100, 0xFFFF, False, 0.5),
        (900, 100, 0xFFFF, False, 1.0),
        (0, -100, 100, True, 1.0),
        (-50, -100, 0x7FFF, True, 0.5),
        (5, 0, 0xFFFF, False, None),
        (5, 5, 5, False, None),
    ],
)
def test_margin(value, low, high, signed, expected):
    ends = (-0x8000, 0x7FFF) if signed else (0, 0xFFFF)
    assert margin(value, low, high, ends) == expected


def test_older_buses_have_one_limit_a_message():
    lower = result_elsewhere("10", bytes.fromhex("02 81 0320 0258"))
    assert (lower.value, lower.minimum, lower.maximum, lower.passed) == (800.0, 600.0, None, True)
    upper = result_elsewhere("10", bytes.fromhex("02 01 0320 0258"))
    assert (upper.minimum, upper.maximum, upper.passed) == (None, 600.0, False)
    assert upper.component == 1
