"""Decoding, splitting and scaling, by property and by worked example."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.errors import ReplyError
from logbench.signals.decoding import (
    decode,
    label,
    scaling_from,
    split,
    supported_pids,
)
from logbench.signals.table import SUPPORTED_PIDS, table

SIGNALS = tuple(table())
PIDS = table().pids
four_bytes = st.binary(min_size=4, max_size=4)
scalings = st.none() | st.builds(scaling_from, four_bytes, four_bytes)


@given(st.integers(0, 255), st.binary(max_size=16))
def test_decode_gives_all_signals_or_a_reply_error(pid, data):
    signals = table().of_pid(pid)
    try:
        values = decode(pid, data)
    except ReplyError:
        assert not signals or len(data) < signals[0].length
        return
    assert list(values) == [s.acronym for s in signals]
    for signal in signals:
        value = values[signal.acronym]
        assert math.isnan(value) or signal.minimum - 1e-6 <= value <= signal.maximum + 1e-3
        assert label(signal, value)


def test_bytes_beyond_the_length_are_ignored():
    # Banks 3 and 4 append their trim to 0x06 to 0x09 (SAE J1979, from memory).
    assert decode(0x06, b"\x8a\x40") == decode(0x06, b"\x8a") == {"SHRTFT1": 7.8125}
    assert supported_pids(0x00, bytes.fromhex("8000000055")) == {0x01}


def test_a_pid_that_no_table_has_is_told():
    with pytest.raises(ReplyError, match="0xFE"):
        decode(0xFE, bytes(8))


# Worked by hand from the definitions (from memory: SAE J1979-DA), for what python-OBD lacks.
WORKED = [
    (0x14, "5AFF", {"O2S11": 0.45, "SHRTFT11": math.nan}),
    (0x14, "5A8A", {"O2S11": 0.45, "SHRTFT11": 7.8125}),
    (0x14, "5AFE", {"O2S11": 0.45, "SHRTFT11": 98.4375}),
    (0x28, "80008000", {"LAMBDA21": 1.0, "O2S21_28": 4.0}),
    (0x34, "73338000", {"LAMBDA11_34": 0.899994, "O2S11_34": 0.0}),
    (0x3B, "80007F00", {"LAMBDA24_3B": 1.0, "O2S24_3B": -1.0}),
    (0x44, "8000", {"LAMBDA": 1.0}),
    (0x4F, "04086433", {"LAMBDA_MAX": 4, "O2S_V_MAX": 8, "O2S_I_MAX": 100, "MAP_MAX": 510}),
    (0x54, "FFFE", {"EVAP_VP_54": -2.0}),
    (0x55, "8A40", {"STSO2FT1": 7.8125, "STSO2FT3": -50.0}),
    (0x61, "E1", {"TQ_DD": 100.0}),
    (0x62, "7D", {"TQ_ACT": 0.0}),
    (0x63, "012C", {"TQ_REF": 300.0}),
    (0x64, "8795A0AFE1", {f"TQ_MAX{i + 1}": v for i, v in enumerate((10, 24, 35, 50, 100))}),
    (
        0x65,
        "0502",
        {"PTO_STAT_65": 0, "ND_STAT": math.nan, "NG_STAT": 0, "GPL_STAT": math.nan}
        | {"GEAR_RCMD": math.nan},
    ),
    (0x66, "010C801900", {"MAFA": 100.0, "MAFB": math.nan}),
    (0x66, "030C801900", {"MAFA": 100.0, "MAFB": 200.0}),
    (0x67, "027B80", {"ECT1": math.nan, "ECT2": 88.0}),
    (
        0x68,
        "0B3C414600500000",
        {"IAT11": 20, "IAT12": 25, "IAT13": math.nan, "IAT21": -40, "IAT22": math.nan}
        | {"IAT23": math.nan},
    ),
    (
        0x6B,
        "0578000000",
        {"EGRT11": 80, "EGRT12": math.nan, "EGRT21": -40, "EGRT22": math.nan}
        | {f"EGRT{place}WR": math.nan for place in (11, 12, 21, 22)},
    ),
    (
        0x70,
        "07190017700000000002",
        {"BP_A_CMD": 200, "BP_A_ACT": 187.5, "BP_A_STAT": 2, "BP_B_CMD": math.nan}
        | {"BP_B_ACT": math.nan, "BP_B_STAT": math.nan},
    ),
    (
        0x78,
        "0119000FA000000000",
        {"EGT11": 600, "EGT12": math.nan, "EGT13": math.nan, "EGT14": math.nan},
    ),
    (
        0x79,
        "0219000FA000000000",
        {"EGT21": math.nan, "EGT22": 360, "EGT23": math.nan, "EGT24": math.nan},
    ),
    (0x87, "010C800000", {"MAP_A": 100, "MAP_B": math.nan}),
    (0x8E, "87", {"TQ_FR": 10.0}),
    (0x9D, "00320064", {"ENG_FUEL_RATE": 1.0, "VEH_FUEL_RATE": 2.0}),
    (0xA4, "03500AF0", {"GEAR_ACT": 5.0, "GEAR_RATIO": 2.8}),
    (0xA4, "02000AF0", {"GEAR_ACT": math.nan, "GEAR_RATIO": 2.8}),
    (0xA6, "0012D687", {"ODO": 123456.7}),
]


@pytest.mark.parametrize(("pid", "data", "expected"), WORKED)
def test_worked_examples(pid, data, expected):
    assert decode(pid, bytes.fromhex(data)) == pytest.approx(expected, rel=1e-5, nan_ok=True)


def test_monitor_bits_follow_the_kind_of_ignition():
    # Byte B bit 3 (SAE J1979, PID 0x01, from memory): byte C bit 0 is the catalyst of a spark
    # ignition engine, the NMHC catalyst of a compression ignition engine.
    spark = decode(0x01, bytes.fromhex("83070100"))
    assert spark["MIL"] == 1
    assert spark["DTC_CNT"] == 3
    assert spark["CAT_SUP"] == 1
    assert math.isnan(spark["HCCAT_SUP"])
    compression = decode(0x01, bytes.fromhex("000F8180"))
    assert math.isnan(compression["CAT_SUP"])
    assert compression["HCCAT_SUP"] == 1
    assert compression["EGR_SUP"] == spark["EGR_SUP"] + 1 == 1
    assert compression["EGR_RDY"] == 1
    assert label(table().by_acronym("EGR_RDY"), 1.0) == "not complete"


# --- scaling by PID 0x4F and 0x50 ---


def test_scaling_from_replies():
    scaling = scaling_from(bytes([4, 8, 64, 51]), bytes([100, 0, 0, 0]))
    maxima = {"LAMBDA_MAX": 4.0, "O2S_V_MAX": 8.0, "O2S_I_MAX": 64.0, "MAP_MAX": 510.0}
    assert scaling == maxima | {"MAF_MAX": 1000.0}
    assert scaling_from(None) == {}
    with pytest.raises(ReplyError):
        scaling_from(b"\x01")


# (PID, data, acronym, value): the maximum of the scaling below is the full scale of the field.
SCALED = [
    (0x24, "FFFFFFFF", "LAMBDA11", 4.0),
    (0x24, "FFFFFFFF", "O2S11_24", 12.0),
    (0x34, "FFFF0000", "LAMBDA11_34", 4.0),
    (0x34, "FFFF0000", "O2S11_34", -64.0),
    (0x34, "FFFF8000", "O2S11_34", 0.0),
    (0x44, "FFFF", "LAMBDA", 4.0),
    (0x0B, "FF", "MAP", 510.0),
    (0x10, "FFFF", "MAF", 1000.0),
    (0x33, "FF", "BARO", 255.0),  # not touched
]


@pytest.mark.parametrize(("pid", "data", "acronym", "value"), SCALED)
def test_scaling_replaces_the_full_scale(pid, data, acronym, value):
    scaling = scaling_from(bytes([4, 12, 64, 51]), bytes([100, 0, 0, 0]))
    assert decode(pid, bytes.fromhex(data), scaling)[acronym] == pytest.approx(value)


@given(st.sampled_from(sorted({s.pid for s in SIGNALS if s.override})), st.data())
def test_zero_maxima_leave_the_default_scaling(pid, data):
    raw = data.draw(st.binary(min_size=4, max_size=4))
    scaling = scaling_from(bytes(4), bytes(4))
    assert decode(pid, raw, scaling) == pytest.approx(decode(pid, raw), nan_ok=True, rel=0)


# --- packed replies ---


@given(st.binary(max_size=40) | st.binary(max_size=40).map(lambda b: b"\x41" + b))
def test_split_gives_the_payload_in_parts_or_a_reply_error(payload):
    try:
        parts = split(payload)
    except ReplyError:
        return
    assert parts
    assert b"\x41" + b"".join(bytes([pid]) + data for pid, data in parts) == payload
    for pid, data in parts:
        assert len(data) == table().lengths[pid]


known_pids = st.sampled_from(PIDS + SUPPORTED_PIDS)


@given(st.lists(known_pids, min_size=1, max_size=6, unique=True), st.data())
def test_split_finds_every_pid_in_any_order(pids, data):
    sent = [
        (pid, data.draw(st.binary(min_size=table().lengths[pid], max_size=table().lengths[pid])))
        for pid in pids
    ]
    payload = b"\x41" + b"".join(bytes([pid]) + part for pid, part in sent)
    assert split(payload) == sent
    with pytest.raises(ReplyError):
        split(payload[:-1])


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        ("", "service 01"),
        ("7F0112", "service 01"),
        ("42050080", "service 01"),
        ("41", "empty"),
        ("41FE00", "0xFE"),
        ("41057B0C1A", "within PID 0x0C"),
    ],
)
def test_split_says_what_is_wrong(payload, says):
    with pytest.raises(ReplyError, match=says):
        split(bytes.fromhex(payload))


def test_split_with_lengths_of_its_own():
    payload = bytes.fromhex("4106808A057B")
    assert split(payload, {**table().lengths, 0x06: 2}) == [
        (0x06, b"\x80\x8a"),
        (0x05, b"\x7b"),
    ]


def test_supported_pids_of_a_published_example():
    # BE 1F A8 13: the worked example of the public 'OBD-II PIDs' page for service 01 PID 00.
    assert supported_pids(0x00, bytes.fromhex("BE1FA813")) == frozenset(
        {
            *(0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15),
            *(0x1C, 0x1F, 0x20),
        }
    )
    assert supported_pids(0xA0, b"\x04\x00\x00\x01") == {0xA6, 0xC0}
    with pytest.raises(ReplyError):
        supported_pids(0x00, b"\xbe\x1f\xa8")


@pytest.mark.parametrize(
    ("acronym", "value", "text"),
    [
        ("FUELSYS1", 2.0, "closed loop: oxygen sensors as feedback"),
        ("FUELSYS2", 0.0, "off"),
        ("FUELSYS1", 3.0, "reserved (3)"),
        ("MIL", 1.0, "on"),
        ("DTCFRZF", float(0x0171), "P0171"),
        ("DTCFRZF", 0.0, "no freeze frame stored"),
        ("SHRTFT11", math.nan, "not reported"),
        ("RPM", 812.25, "812.25 rpm"),
        ("LAMBDA", 1.0, "1"),
    ],
)
def test_labels(acronym, value, text):
    assert label(table().by_acronym(acronym), value) == text
