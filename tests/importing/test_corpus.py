"""Names, units and forms of numbers: every combination is mapped right or asked about, none is
silently wrong. `python -m tests.importing.corpus` goes through all of them."""

from __future__ import annotations

import time
from collections import Counter

import numpy as np
import obd
import pytest
from obd.UnitsAndScaling import Unit

from logbench.importing.cells import parse_number
from logbench.importing.model import SURE
from logbench.importing.names import matches
from logbench.signals.table import table
from logbench.signals.units import convert
from tests.importing.corpus import NEVER, becomes, every_nth, outcome, right, wrong_units


def test_nothing_is_silently_wrong():
    counts = Counter(map(outcome, every_nth(right(), 500)))
    assert set(counts) <= {"mapped", "asked"}
    assert counts["mapped"] > 0.98 * counts.total()
    assert counts.total() > 500


def test_a_unit_of_another_dimension_or_of_none_is_asked_about():
    counts = Counter(map(outcome, every_nth(wrong_units(), 15)))
    assert set(counts) == {"asked"}
    assert counts.total() > 200


@pytest.mark.parametrize("name", NEVER)
def test_what_only_sounds_like_a_signal_is_never_one(name: str):
    assert becomes(name) == ""


ASKED = {
    "PIDS_A", "PIDS_B", "PIDS_C", "STATUS", "FREEZE_DTC", "O2_SENSORS", "O2_SENSORS_ALT",
    "AIR_STATUS", "AUX_INPUT_STATUS", "STATUS_DRIVE_CYCLE", "MAX_VALUES", "MAX_MAF", "FUEL_TYPE",
    "EVAP_VAPOR_PRESSURE_ABS", "SHORT_O2_TRIM_B1", "SHORT_O2_TRIM_B2", "LONG_O2_TRIM_B1",
    "LONG_O2_TRIM_B2", *(f"O2_S{k}_WR_{of}" for k in range(1, 9) for of in ("VOLTAGE", "CURRENT")),
}  # fmt: skip
"""Names of several signals, of bits, and of sensors by number without a bank."""


@pytest.mark.parametrize("command", obd.commands[1], ids=lambda command: command.name)
@pytest.mark.parametrize("field", ["name", "desc"])
def test_names_of_an_outside_library_lead_to_their_pid(command, field):
    """Outside check: the names that python-OBD gives to the PIDs of service 01."""
    found = matches(getattr(command, field))
    if not found or found[0].confidence < SURE:
        assert field == "desc" or command.name in ASKED
        return
    same = table().alternatives(table().by_acronym(found[0].signal).standard)
    assert command.pid in {signal.pid for signal in same}


@pytest.mark.parametrize("form", ["", "~", "P", "~P", "C"])
@pytest.mark.parametrize(
    ("theirs", "unit"),
    [("rpm", "rpm"), ("kph", "km/h"), ("gps", "g/s"), ("celsius", "degC"), ("kilopascal", "kPa"),
     ("percent", "%"), ("volt", "V"), ("milliampere", "mA"), ("degree", "deg"), ("second", "s"),
     ("minute", "min"), ("kilometer", "km"), ("pascal", "Pa"), ("liter / hour", "L/h"),
     ("mph", "km/h"), ("psi", "kPa"), ("inHg", "kPa"), ("pound / minute", "g/s")],
)  # fmt: skip
def test_cells_as_an_outside_library_prints_them(theirs: str, unit: str, form: str):
    """Outside check: the units that python-OBD answers with, in every form that pint has."""
    quantity = Unit.Quantity(12.5, theirs)
    read = parse_number(format(quantity, form))
    assert read is not None
    value = convert(np.array([read[0]]), read[1], unit)[0]
    target = {"km/h": "kilometer/hour", "%": "percent", "L/h": "liter/hour"}.get(unit, unit)
    assert value == pytest.approx(quantity.to(target).magnitude, rel=1e-5)


@pytest.mark.parametrize(
    "text", ["( ", "(", "[x]", "a ", "/", "Aa", "O2", "B1S1 ", "_C", "é(", "12,"]
)
def test_a_name_of_any_length_is_looked_at_in_no_time(text: str):
    before = time.process_time()
    matches(text * 10_000)
    assert time.process_time() - before < 0.5
