"""The table against itself and against what the standard's appendix B publishes."""

from __future__ import annotations

import subprocess
import sys

import pytest

from logbench.errors import SignalUnknownError
from logbench.signals.catalog import fixed
from logbench.signals.decoding import decode
from logbench.signals.table import SUPPORTED_PIDS, Signal, table

SIGNALS = tuple(table())
OVERRIDES = {"", "lambda", "o2_voltage", "o2_current", "map", "maf"}
# What the standard assigns, without what docs/signals.md lists as left out.
WANTED_PIDS = (set(range(0x01, 0x64)) - set(SUPPORTED_PIDS)) | {
    *(set(range(0x64, 0x95)) - set(SUPPORTED_PIDS)),
    *(0x98, 0x99, 0x9C, 0x9D, 0x9E, 0xA2, 0xA4, 0xA5, 0xA6, 0xA9, 0xAA, 0xB2, 0xD3),
}


def data_with(signal: Signal, raw: int) -> bytes:
    """The PID's data bytes with `raw` in the signal's field, and nothing else set but its
    'present' bit."""
    top = 8 * signal.length
    word = (raw & ((1 << signal.bits) - 1)) << (top - signal.first_bit - signal.bits)
    if signal.present_bit is not None:
        word |= 1 << (top - 1 - signal.present_bit)
    return word.to_bytes(signal.length, "big")


def test_every_pid_of_the_standard_is_there():
    assert set(table().pids) >= WANTED_PIDS
    assert list(table().pids) == sorted(table().pids)
    assert not set(table().pids) & set(SUPPORTED_PIDS)


def test_acronyms_are_unique_and_say_which_pid_when_the_standard_repeats_one():
    assert len({s.acronym for s in SIGNALS}) == len(SIGNALS) == len(table())
    for signal in SIGNALS:
        assert signal.acronym == signal.acronym.upper()
        suffix = f"_{signal.pid:02X}"
        assert signal.acronym in (signal.standard, signal.standard + suffix), signal
    plain = {s.standard for s in SIGNALS}
    assert all(standard in table() for standard in plain), "each has one without a suffix"


@pytest.mark.parametrize("pid", table().pids)
def test_fields_fit_into_their_pid_and_do_not_overlap(pid):
    group = table().of_pid(pid)
    assert len({s.length for s in group}) == 1
    taken: dict[int, list[Signal]] = {}
    for signal in group:
        assert signal.bits > 0
        assert signal.first_bit >= 0
        assert signal.first_bit + signal.bits <= 8 * signal.length
        for bit in (signal.present_bit, signal.absent_bit):
            assert bit is None or 0 <= bit < 8 * signal.length
        for bit in range(signal.first_bit, signal.first_bit + signal.bits):
            taken.setdefault(bit, []).append(signal)
    for sharing in taken.values():
        # One bit may stand for two monitors, by the kind of ignition; never both at once.
        if len(sharing) > 1:
            first, second = sharing
            assert first.absent_bit == second.present_bit is not None


@pytest.mark.parametrize("signal", SIGNALS, ids=lambda s: s.acronym)
def test_minimum_and_maximum_are_what_decoding_can_give(signal):
    raws = {0, (1 << signal.bits) - 1, (1 << (signal.bits - 1)) - 1, 1 << (signal.bits - 1)}
    if signal.not_used is not None:
        raws = (raws - {signal.not_used}) | {signal.not_used - 1}
    values = [decode(signal.pid, data_with(signal, raw))[signal.acronym] for raw in raws]
    assert min(values) == pytest.approx(signal.minimum, rel=1e-6, abs=1e-6)
    assert max(values) == pytest.approx(signal.maximum, rel=1e-6, abs=1e-6)


# Published ranges, SAE J1979 appendix B / SAE J1979-DA as recalled (from memory); the standard
# rounds, hence the tolerance. Not derived from the table.
PUBLISHED = [
    ("LOAD_PCT", 0, 100, "%"),
    ("ECT", -40, 215, "degC"),
    ("SHRTFT1", -100, 99.22, "%"),
    ("FRP", 0, 765, "kPa"),
    ("MAP", 0, 255, "kPa"),
    ("RPM", 0, 16383.75, "rpm"),
    ("VSS", 0, 255, "km/h"),
    ("SPARKADV", -64, 63.5, "deg"),
    ("MAF", 0, 655.35, "g/s"),
    ("TP", 0, 100, "%"),
    ("O2S11", 0, 1.275, "V"),
    ("RUNTM", 0, 65535, "s"),
    ("FRP_22", 0, 5177.27, "kPa"),
    ("FRP_23", 0, 655350, "kPa"),
    ("LAMBDA11", 0, 1.999, ""),
    ("O2S11_24", 0, 7.999, "V"),
    ("O2S11_34", -128, 127.996, "mA"),
    ("EVAP_VP", -8192, 8191.75, "Pa"),
    ("CATEMP11", -40, 6513.5, "degC"),
    ("VPWR", 0, 65.535, "V"),
    ("LOAD_ABS", 0, 25700, "%"),
    ("EVAP_VPA", 0, 327.675, "kPa"),
    ("EVAP_VP_54", -32768, 32767, "Pa"),
    ("FUEL_TIMING", -210, 301.992, "deg"),
    ("FUEL_RATE", 0, 3276.75, "L/h"),
    ("TQ_DD", -125, 130, "%"),
    ("TQ_REF", 0, 65535, "Nm"),
    ("MAFA", 0, 2047.97, "g/s"),
    ("BP_A_CMD", 0, 2047.97, "kPa"),
    ("EGT11", -40, 6513.5, "degC"),
    ("ENG_FUEL_RATE", 0, 1310.7, "g/s"),
    ("GEAR_RATIO", 0, 65.535, ""),
    ("ODO", 0, 429496729.5, "km"),
]


@pytest.mark.parametrize(("acronym", "minimum", "maximum", "unit"), PUBLISHED)
def test_ranges_are_those_published(acronym, minimum, maximum, unit):
    signal = table().by_acronym(acronym)
    assert signal.minimum == pytest.approx(minimum, rel=1e-3)
    assert signal.maximum == pytest.approx(maximum, rel=1e-3)
    assert signal.unit == unit


def test_kinds_labels_overrides():
    for signal in SIGNALS:
        assert signal.override in OVERRIDES
        if signal.kind == "number":
            assert not signal.labels
            continue
        assert signal.unit == ""
        assert (signal.scale, signal.offset) == (1.0, 0.0)
        raws = [raw for raw, _ in signal.labels]
        assert len(set(raws)) == len(raws) > 0
        assert all(0 <= raw < 1 << signal.bits for raw in raws)
        if signal.kind == "flag":
            assert signal.bits == 1
            assert raws == [0, 1]


def test_lookups():
    known = table()
    assert known is table()
    assert known.by_acronym(" rpm").pid == 0x0C
    assert [s.acronym for s in known.of_pid(0x24)] == ["LAMBDA11", "O2S11_24"]
    assert known.of_pid(0xFE) == ()
    assert known.lengths[0x24] == 4
    assert known.lengths[0x20] == 4
    assert [s.acronym for s in known.alternatives("FRP")] == ["FRP", "FRP_22", "FRP_23", "FRP_59"]
    assert known.alternatives("NOTHING") == ()
    assert 0xFE not in known.lengths
    assert known.lengths[0x06] == 1
    assert known.lengths[0x0C] == 2


@pytest.mark.parametrize(
    ("text", "meant"),
    [("SHRTFT", "SHRTFT1"), ("RPN", "RPM"), ("coolant", "ECT"), ("lambda_11", "LAMBDA11")],
)
def test_an_unknown_acronym_names_near_ones(text, meant):
    assert meant in table().near(text)
    with pytest.raises(SignalUnknownError, match=rf"{text}.*\b{meant}\b"):
        table().by_acronym(text)


def test_nothing_near_still_says_what_to_do():
    with pytest.raises(SignalUnknownError, match="give an acronym such as RPM"):
        table().by_acronym("?")


def test_reading_the_table_imports_nothing_heavy():
    heavy = ("numpy", "pandas", "obd", "pint", "pydantic")
    code = (
        "import sys; from logbench.signals.table import table; table();"
        f"print([m for m in {heavy!r} if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


def test_a_fine_step_has_three_decimals_and_a_whole_one_none():
    known = fixed()
    assert [known[name].decimals for name in ("LAMBDA", "RPM", "LONGFT1", "MAF")] == [3, 0, 1, 2]
