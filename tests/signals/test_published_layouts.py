"""PIDs from 0x61 on against layouts that others publish.

`published_layouts.csv`, transcribed: the PID's bytes, the bit of the first byte that says the field
is there, its first byte, width and bits in that byte, sign and scaling. Sources: 0x65 to 0x9C from
a maker's description of services 01 to 09 (`emdzej/ediabasx-docs`, tables PID65 to PID9C),
of which 0x69 to 0x9C agree with a second, unrelated decoder; 0x61 to 0x63, 0x65's gear, 0x8D, 0x8E,
0x9D, 0x9E, 0xA2, 0xA6, 0xAA, 0xB2 and 0xD3 from `OBDb/SAEJ1979` (signalsets/v3); 0xA5 and 0xA9
from the table of 'OBD-II PIDs' in Wikipedia. What is published nowhere, or in two ways, is in
docs/signals.md.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.errors import ReplyError
from logbench.signals.decoding import decode
from logbench.signals.table import table
from logbench.vehicle.records.monitors import monitors_of

with Path(__file__).with_name("published_layouts.csv").open(encoding="utf-8", newline="") as _file:
    FIELDS = list(csv.DictReader(_file))
BY_PID = {int(row["pid"], 16): [r for r in FIELDS if r["pid"] == row["pid"]] for row in FIELDS}
OURS = {"°C": "degC", "/min": "rpm", "mg/m³": "mg/m3"}


def published(row: dict[str, str], data: bytes) -> float:
    """What the source makes of a field; NaN where its bit of support is not set."""
    if row["support"] and not data[0] & int(row["support"], 16):
        return math.nan
    first, width = int(row["first"]), int(row["width"])
    raw = int.from_bytes(data[first : first + width], "big", signed=row["sign"] == "-")
    if row["mask"]:
        mask = int(row["mask"], 16)
        raw = (raw & mask) // (mask & -mask)
    return raw * float(row["mul"]) / float(row["div"]) + float(row["add"])


@pytest.mark.parametrize("pid", sorted(BY_PID), ids="{:02X}".format)
@given(st.randoms(use_true_random=False))
def test_every_field_is_decoded_as_published(pid, random):
    data = random.randbytes(int(BY_PID[pid][0]["bytes"]))
    ours = decode(pid, data)
    for row in BY_PID[pid]:
        value = published(row, data)
        if row["unit"] == "kg/h":
            value /= 3.6  # kept in g/s, as all flows of gas
        # the standard rounds 8/65536 to 0.000122
        assert ours[row["signal"]] == pytest.approx(value, rel=1e-3, nan_ok=True), row


@pytest.mark.parametrize("row", FIELDS, ids=lambda row: row["signal"])
def test_units_are_those_published(row):
    unit = table().by_acronym(row["signal"]).unit
    assert unit == ("g/s" if row["unit"] == "kg/h" else OURS.get(row["unit"], row["unit"]))


@pytest.mark.parametrize("row", FIELDS, ids=lambda row: row["signal"])
def test_lengths_are_those_published(row):
    """A revision of the standard that is shorter is never read as the longer one: 0x83 had five
    bytes, 0x81 and 0x82 had 21 (SAE J1699-3 test source of 2007)."""
    length = int(row["bytes"])
    assert table().lengths[int(row["pid"], 16)] == length
    with pytest.raises(ReplyError, match="data bytes"):
        decode(int(row["pid"], 16), bytes([0xFF]) * (length - 1))


def test_of_two_ranges_in_one_byte_only_that_which_is_there_is_given():
    both = decode(0x6F, bytes((0x09, 100, 20)))
    assert both["TCA_CINP"] == 100
    assert both["TCBWR_CINP"] == 160
    assert math.isnan(both["TCB_CINP"])
    assert math.isnan(both["TCAWR_CINP"])
    wide = decode(0x6B, bytes((0x11, 100, 0, 0, 0)))
    assert wide["EGRT11WR"] == 360
    assert math.isnan(wide["EGRT11"])


SIGNALS_DOC = (Path(__file__).parents[2] / "docs" / "signals.md").read_text("utf-8")
NOT_HERE = (0x9A, 0x9B, 0x9F, 0xA1, 0xA3, 0xA7, 0xA8, 0xC3, 0xC4)


@pytest.mark.parametrize("pid", NOT_HERE, ids="{:02X}".format)
def test_what_nobody_publishes_is_left_out_and_listed(pid):
    assert not table().of_pid(pid)
    assert f"0x{pid:02X}" in SIGNALS_DOC


def test_a_bit_that_means_two_things_is_named_by_both():
    """Byte C bit 4 of spark ignition: refrigerant in older editions, in J1979-DA of 2022 `GPF`
    (`JiapengLi/dbc`, libobdii.dbc: GPF_SUP at bit 44, GPF_RDY at bit 52 of the message)."""
    (monitor,) = monitors_of(decode(0x01, bytes.fromhex("00071010")))[3:]
    assert monitor.name == "A/C refrigerant or gasoline particulate filter"
    assert not monitor.complete
