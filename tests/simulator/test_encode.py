"""The encoder against the table's decoder, python-OBD's decoders and published examples."""

from __future__ import annotations

import math
import random

import obd
import pytest
from obd.protocols.protocol import Frame, Message

from logbench.signals.decoding import decode, scaling_from, supported_pids
from logbench.signals.table import Signal, table
from logbench.simulator import encode
from tests.bounds import LENGTHS
from tests.signals.test_published_layouts import BY_PID, published

NAN = float("nan")


def value_of(signal: Signal, rng: random.Random) -> float:
    if signal.kind == "flag":
        return float(rng.randrange(2))
    if signal.kind == "enumeration":
        return float(rng.randrange(1 << signal.bits))
    return rng.uniform(signal.minimum, signal.maximum)


@pytest.mark.parametrize("pid", sorted(encode.PIDS), ids=lambda pid: f"{pid:02X}")
def test_the_table_decodes_what_was_encoded(pid: int) -> None:
    """Two descriptions of SAE J1979, written apart, agree to half a quantum."""
    rng = random.Random(pid)
    signals = table().of_pid(pid)
    compared = 0
    for _ in range(300):
        readings = {signal.acronym: value_of(signal, rng) for signal in signals}
        data = encode.encode(pid, readings)
        assert len(data) == table().lengths[pid] == LENGTHS[pid]
        decoded = decode(pid, data)
        for signal in signals:
            got = decoded[signal.acronym]
            if math.isnan(got):  # another kind of engine's monitor, or told in the wide range
                assert pid in (0x01, 0x41) or signal.absent_bit is not None
                continue
            half = signal.scale / 2 * (1 + 1e-9)
            if signal.not_used is not None:  # the topmost value is taken, the next is used
                half = signal.scale
            assert abs(got - readings[signal.acronym]) <= half, (signal.acronym, data.hex())
            compared += 1
    assert compared >= 300


@pytest.mark.parametrize("pid", sorted(encode.PIDS), ids=lambda pid: f"{pid:02X}")
def test_values_beyond_the_range_are_clipped(pid: int) -> None:
    for signal in table().of_pid(pid):
        if signal.kind != "number":
            continue
        for beyond, limit in ((-1e10, signal.minimum), (1e10, signal.maximum)):
            got = decode(pid, encode.encode(pid, {signal.acronym: beyond}))[signal.acronym]
            room = signal.scale  # the table rounds some limits, as the standard does
            assert abs(got - limit) <= room + 1e-9, signal.acronym


def obd_value(pid: int, data: bytes) -> float:
    """What python-OBD makes of a reply."""
    command = obd.commands[1][pid]
    message = Message([Frame("")])
    message.data = bytearray(b"\x41" + bytes((pid,)) + data)
    return float(command.decode([message]).magnitude)


SCALED_BY_OBD = {
    0x04: "LOAD_PCT", 0x05: "ECT", 0x06: "SHRTFT1", 0x07: "LONGFT1", 0x0A: "FRP", 0x0B: "MAP",
    0x0C: "RPM", 0x0D: "VSS", 0x0E: "SPARKADV", 0x0F: "IAT", 0x10: "MAF", 0x11: "TP",
    0x1F: "RUNTM", 0x21: "MIL_DIST", 0x2C: "EGR_PCT", 0x2D: "EGR_ERR", 0x2E: "EVAP_PCT",
    0x2F: "FLI", 0x30: "WARM_UPS", 0x31: "CLR_DIST", 0x33: "BARO", 0x3C: "CATEMP11",
    0x42: "VPWR", 0x43: "LOAD_ABS", 0x44: "LAMBDA", 0x45: "TP_R", 0x46: "AAT", 0x49: "APP_D",
    0x4C: "TAC_PCT", 0x4D: "MIL_TIME", 0x4E: "CLR_TIME", 0x52: "ALCH_PCT", 0x5A: "APP_R",
    0x5C: "EOT", 0x5E: "FUEL_RATE",
}  # fmt: skip


@pytest.mark.parametrize(("pid", "acronym"), sorted(SCALED_BY_OBD.items()))
def test_python_obd_reads_the_same(pid: int, acronym: str) -> None:
    """Source: python-OBD's decoders, where they return a plain number in the table's unit."""
    signal = table().by_acronym(acronym)
    rng = random.Random(pid)
    for _ in range(50):
        value = rng.uniform(signal.minimum, min(signal.maximum, 1e4))
        got = obd_value(pid, encode.encode(pid, {acronym: value}))
        assert abs(got - value) <= signal.scale * 0.501 + abs(value) * 1e-3


@pytest.mark.parametrize(
    ("pid", "readings", "data"),
    [
        # SAE J1979's formulas, worked by hand
        (0x0C, {"RPM": 1726.0}, "1af8"),
        (0x05, {"ECT": 83.0}, "7b"),
        (0x10, {"MAF": 2.9}, "0122"),
        (0x06, {"SHRTFT1": 0.0}, "80"),
        (0x0E, {"SPARKADV": -64.0}, "00"),
        (0x14, {"O2S11": 0.45, "SHRTFT11": NAN}, "5aff"),
        (0x24, {"LAMBDA11": 1.0, "O2S11_24": 4.0}, "80008000"),
        (0x34, {"LAMBDA11_34": 1.0, "O2S11_34": 0.0}, "80008000"),
        (0x32, {"EVAP_VP": -1.0}, "fffc"),
        (0x03, {"FUELSYS1": 2.0}, "0200"),
        (0x66, {"MAFA": 32.0, "MAFB": NAN}, "0104000000"),
        (0x67, {"ECT1": 90.0, "ECT2": 60.0}, "038264"),
        (0xA6, {"ODO": 84000.0}, "000cd140"),
    ],
)
def test_worked_examples(pid: int, readings: dict[str, float], data: str) -> None:
    assert encode.encode(pid, readings).hex() == data


@pytest.mark.parametrize("pid", sorted(encode.PIDS & BY_PID.keys()), ids="{:02X}".format)
def test_published_layouts_read_the_same(pid: int) -> None:
    """Sources: those of tests/signals/test_published_layouts.py, which know nothing of either."""
    rng = random.Random(pid)
    fields = BY_PID[pid]
    for _ in range(50):
        readings = {
            row["signal"]: value_of(table().by_acronym(row["signal"]), rng) for row in fields
        }
        data = encode.encode(pid, readings)
        for row in fields:
            value = published(row, data) / (3.6 if row["unit"] == "kg/h" else 1.0)
            step = table().by_acronym(row["signal"]).scale
            wanted = pytest.approx(readings[row["signal"]], abs=step, rel=1e-3)
            assert value == wanted, row


def test_scaling_maxima_change_the_step() -> None:
    """PID 4F and 50 (trade notes, 12: lambda a bit maximum / 65535, and so on)."""
    maxima = {"LAMBDA_MAX": 4.0, "O2S_V_MAX": 10.0, "O2S_I_MAX": 64.0}
    maxima |= {"MAP_MAX": 510.0, "MAF_MAX": 1000.0}
    readings = {**maxima, "LAMBDA11_34": 1.3, "O2S11_34": -7.5, "MAP": 301.0, "MAF": 700.0}
    readings |= {"LAMBDA11": 1.3, "O2S11_24": 9.0}
    scaling = scaling_from(encode.encode(0x4F, readings), encode.encode(0x50, readings))
    assert scaling == pytest.approx(maxima)
    for pid, step in ((0x34, 0.002), (0x24, 0.0002), (0x0B, 2.0), (0x10, 0.016)):
        for acronym, got in decode(pid, encode.encode(pid, readings), scaling).items():
            assert got == pytest.approx(readings[acronym], abs=step / 2), acronym


def test_supported_map() -> None:
    """BE1FA813 is the textbook example of a supported list (from memory: public PID tables)."""
    pids = frozenset(
        {1, 3, 4, 5, 6, 7, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x42}
    )
    assert encode.supported_map(0, pids).hex() == "be1fa813"
    assert encode.supported_map(0x20, pids).hex() == "00000001"
    assert encode.supported_map(0x40, pids).hex() == "40000000"
    found = frozenset().union(
        *(supported_pids(base, encode.supported_map(base, pids)) for base in (0, 0x20, 0x40))
    )
    assert found - {0x20, 0x40} == pids
