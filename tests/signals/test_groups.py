"""Defaults: rates, groups, purposes, and which sensor a PID means."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.errors import SignalUnknownError
from logbench.signals.table import (
    PURPOSES,
    TOGETHER,
    default_signals,
    supported_signals,
    table,
)

# Common practice, no source; that an oxygen sensor needs more than 6 samples a second is Nyquist
# for its usual 3 Hz.
RATES = {
    10.0: (
        *("RPM", "MAF", "MAFA", "MAP", "O2S11", "O2S11_24", "O2S21_38", "LAMBDA11", "LAMBDA11_34"),
        *("LAMBDA", "TP", "SHRTFT1", "SHRTFT11", "SPARKADV", "VSS", "LOAD_PCT", "LOAD_ABS"),
        *("FRP_22", "APP_D", "TAC_PCT"),
    ),
    0.5: (
        *("ECT", "IAT", "AAT", "CATEMP11", "EGT11", "EOT", "FLI", "BARO", "ODO", "CLR_DIST"),
        *("WARM_UPS", "RUNTM", "MAF_MAX", "LAMBDA_MAX"),
    ),
    1.0: ("FUELSYS1", "MIL", "CAT_RDY", "FUEL_TYP", "O2SLOC11", "AIR_STAT"),
    2.0: ("LONGFT1", "VPWR", "EVAP_PCT", "EGR_PCT"),
}


@pytest.mark.parametrize(
    ("acronym", "rate_hz"), [(a, rate) for rate, group in RATES.items() for a in group]
)
def test_rates(acronym, rate_hz):
    assert table().by_acronym(acronym).rate_hz == rate_hz


def test_every_signal_has_a_rate():
    assert {s.rate_hz for s in table()} == set(RATES)
    assert min(RATES) > 0


def test_groups_fit_one_request_on_can_and_share_no_pid():
    pids = [pid for group in TOGETHER for pid in group]
    assert len(set(pids)) == len(pids)
    assert set(pids) <= set(table().pids)
    assert all(2 <= len(group) <= 6 for group in TOGETHER)
    assert any({0x10, 0x0C, 0x0B, 0x04} <= set(group) for group in TOGETHER)
    assert any({0x06, 0x07} <= set(group) for group in TOGETHER)


def test_purposes():
    assert set(PURPOSES) == {
        *("fuel trim", "air and load", "warm-up", "oxygen sensors", "charging"),
        *("boost and recirculation", "rail, exhaust and filter"),
    }
    for acronyms in PURPOSES.values():
        assert len(set(acronyms)) == len(acronyms)
        assert all(table().by_acronym(acronym) for acronym in acronyms)


def test_default_signals_of_a_usual_car():
    # One bank, wide range front sensor, air-flow sensor.
    supported = frozenset(
        {
            *(0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15),
            *(0x1C, 0x1F, 0x20, 0x21, 0x2F, 0x33, 0x34, 0x42, 0x43, 0x44),
        }
    )
    chosen = default_signals(supported)
    assert chosen == (
        *("RPM", "VSS", "ECT", "IAT", "MAF", "LOAD_PCT", "SHRTFT1", "LONGFT1", "FUELSYS1", "TP"),
        *("SPARKADV", "VPWR", "LAMBDA11_34", "LAMBDA", "BARO"),
    )
    with_bank_2 = default_signals(supported | {0x08, 0x09})
    assert set(with_bank_2) - set(chosen) == {"SHRTFT2", "LONGFT2"}
    assert "O2S11" in default_signals((supported - {0x34}) | {0x14})


@given(st.frozensets(st.integers(0, 255)))
def test_default_signals_of_any_car(supported):
    chosen = default_signals(supported)
    assert len(set(chosen)) == len(chosen) <= 21
    assert {table().by_acronym(acronym).pid for acronym in chosen} <= supported
    assert ("RPM" in chosen) == (0x0C in supported)


def test_a_diesel_is_asked_for_what_its_checks_need():
    """Seen: seven signals, none of fuel, charger, recirculation, rail or exhaust among them."""
    supported = frozenset(
        {
            *(0x01, 0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x11, 0x1C, 0x1F, 0x21, 0x2C, 0x33),
            *(0x42, 0x49, 0x4A, 0x5E, 0x62, 0x69, 0x6D, 0x70, 0x78, 0x7A, 0x8B),
        }
    )
    assert default_signals(supported) == (
        *("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "APP_D", "FUEL_RATE", "LOAD_PCT", "BP_A_CMD"),
        *("BP_A_ACT", "EGR_A_CMD", "EGR_A_ACT", "FRP_A_CMD", "FRP_A", "EGT11", "DPF1_DP"),
        *("DPF_REGEN", "TP", "VPWR", "BARO"),
    )
    older = default_signals({0x0B, 0x0C, 0x0D, 0x05, 0x10, 0x23, 0x2C, 0x2D, 0x49})
    assert older == ("RPM", "VSS", "ECT", "MAF", "MAP", "APP_D", "EGR_PCT", "EGR_ERR", "FRP_23")


def test_supported_signals():
    assert supported_signals(("MAF", "MAP", "RPM"), {0x0C, 0x10}) == (("MAF", "RPM"), ("MAP",))
    with pytest.raises(SignalUnknownError):
        supported_signals(("NONSENSE",), {0x0C})
