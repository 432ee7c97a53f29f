"""Units and numbers as they are shown. Outside check: pint as python-OBD brings it."""

from __future__ import annotations

import inspect
import math
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from obd.UnitsAndScaling import Unit

from logbench.analysis.statement import Quantity
from logbench.signals.numbers import end_text, figure_text, number_text, value_text
from logbench.signals.units import METRIC, Units, compatible, convert, known, read_unit

US = Units(us=True)

PINT = {
    "km/h": ("kilometer/hour", "mile/hour"),
    "km": ("kilometer", "mile"),
    "degC": ("degC", "degF"),
    "kPa": ("kilopascal", "inch_Hg_32F"),
    "g/s": ("gram/second", "pound/minute"),
    "l": ("liter", "gallon"),
    "Nm": ("newton*meter", "foot*pound_force"),
    "K": ("delta_degC", "delta_degF"),
    "m": ("meter", "foot"),
    "g": ("gram", "ounce"),
    "kJ": ("kilojoule", "Btu"),
    "kJ/l/K": ("kilojoule/liter/delta_degC", "Btu/liter/delta_degF"),
    "kPa/s": ("kilopascal/second", "inch_Hg_32F/second"),
    "g/s/l": ("gram/second/liter", "pound/minute/liter"),
    "g/l/K": ("gram/liter/delta_degC", "ounce/liter/delta_degF"),
}


@pytest.mark.parametrize("unit", sorted(PINT))
@pytest.mark.parametrize("value", [0.0, 1.0, -40.0, 88.0, 250.5])
def test_conversions_as_pint(unit, value):
    """Source: pint's registry, which python-OBD brings."""
    ours, theirs = PINT[unit]
    expected = Unit.Quantity(value, ours).to(theirs).magnitude
    assert US.value(value, unit) == pytest.approx(expected, rel=2e-5, abs=1e-9)
    assert US.array(np.array([value, np.nan]), unit)[0] == pytest.approx(
        expected, rel=2e-5, abs=1e-9
    )
    assert METRIC.value(value, unit) == value


def test_an_inch_of_water_is_that_of_the_published_table():
    """NIST SP 811, conventional, at 4 degC (from memory): 2.490889e2 Pa."""
    assert convert(np.array([10.0]), "inH2O", "kPa") == pytest.approx([2.490889], rel=1e-6)


def test_a_difference_of_temperatures_has_no_offset():
    assert US.value(10.0, "K") == 18.0
    assert METRIC.figure(10.0, "degC", difference=True) == "10 K"
    assert US.figure(10.0, "degC", difference=True, signed=True) == "+18 Δ°F"


@pytest.mark.parametrize(
    ("value", "unit", "how", "text"),
    [
        (12.43, "V", {}, "12.4 V"),
        (0.06, "%", {}, "0.06 %"),
        (-0.001, "%", {}, "0.00 %"),
        (720.0, "rpm", {}, "720 rpm"),
        (20.27, "%", {"signed": True}, "+20.3 %"),
        (88.0, "degC", {}, "88 °C"),
        (None, "V", {}, "–"),
        (math.nan, "V", {}, "–"),
        (1.0, "", {}, "1"),
        (20.27, "%", {"half": 1.24}, "20.3 ±1.2 %"),
        (0.95, "", {"half": 0.01}, "0.95 ±0.01"),
        (20.27, "%", {"half": 0.001}, "20.270 ±0.001 %"),
        (88.0, "degC", {"half": math.nan}, "88 °C"),
    ],
)
def test_numbers(value, unit, how, text):
    assert METRIC.figure(value, unit, **how) == text


def test_units_written_out():
    assert US.printed("degC/min") == "°F/min"
    assert US.printed("V") == "V"
    assert US.printed("g/l/K") == "oz/L/°F"
    assert US.printed("kJ/g") == "BTU/oz"
    assert METRIC.printed("g/s/l") == "g/s/L"
    assert METRIC.thousands(81234.5, "km") == "81,234 km"


@pytest.mark.parametrize("value", [-0.0, -0.0001, 0.0, -1234.5, 1234567.0, -0.5])
@pytest.mark.parametrize("signed", [False, True])
def test_a_minus_is_a_minus_wherever_a_number_is_written(value: float, signed: bool):
    """One form in windows, at axes, in sentences and on paper; no minus before 0."""
    texts = [
        value_text(value),
        value_text(value, "V", 2),
        end_text(value),
        figure_text(value, signed=signed),
        number_text(value, math.nan, "V", signed),
        US.figure(value, "V", signed=signed),
        Quantity(value, "V", signed=signed).text(US),
        Quantity(value, "V", limit=True).text(),
    ]
    for text in texts:
        assert "-" not in text
        number = text.split()[0].replace("−", "-").replace(",", "")
        assert float(number) == pytest.approx(value, abs=0.006, rel=2e-3)
        assert not (text.startswith("−") and float(number) == 0.0)
        whole = number.lstrip("+-").split(".")[0]
        assert ("," in text) == (len(whole) > 3)


@pytest.mark.parametrize(
    ("unit", "like"), [("rpm/s", "rpm/min"), ("kPa/min", "psi/s"), ("km/h/s", "mph/min")]
)
def test_a_rate_is_a_unit(unit: str, like: str):
    assert compatible(unit, like)
    assert not compatible(unit, unit.rpartition("/")[0])


@pytest.mark.parametrize("text", ["rpm/RPM", "foo/s", "rpm/", "/s", "1/s", "rpm / s"])
def test_what_is_no_rate(text: str):
    """A word in capitals behind a stroke is a signal of an expression."""
    assert known(text) is None


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("revolutions_per_minute", "rpm"),
        ("kilometer_per_hour", "km/h"),
        ("degree_Celsius", "degC"),
        ("kilopascal", "kPa"),
        ("gram / second", "g/s"),
        ("grams_per_second", "g/s"),
        ("[revolution / minute]", "rpm"),
        ("(C)", "degC"),
        ("(° F)", "degF"),
        ("Â°C", "degC"),
        ("Âº F", "degF"),
        ("\ufffdC", "degC"),
        ("miles per hour", "mph"),
        ("kilogram / hour", "kg/h"),
        ("hectogram/minute", "g/s"),
        ("L/s", "l/h"),
    ],
)
def test_units_as_other_programs_write_them(text: str, unit: str):
    read = read_unit(text)
    assert read is not None
    assert compatible(read, unit)
    if unit in {"degC", "degF"}:
        assert known(read) == unit


@pytest.mark.parametrize("text", ["cat", "mil", "bank", "Engine", "psig", "µC", "x" * 10_000, "(("])
def test_what_is_no_unit(text: str):
    """Two letters are a unit of pint's more often than not: a `cat` is not a centi-atmosphere."""
    assert read_unit(text) is None


def test_units_of_the_trade_need_no_pint():
    """It takes half a second to import."""
    code = (
        "import sys; from logbench.signals.units import read_unit, compatible;"
        "assert all(map(read_unit, ['rpm', '[km/h]', 'gram / second', 'degree_Celsius', 'L/h']));"
        "assert compatible('kilometer_per_hour'.replace('_per_', '/'), 'km/h');"
        "assert 'pint' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_every_spelling_is_a_unit():
    path = Path(inspect.getfile(Units)).with_name("spellings.toml")
    words = tomllib.loads(path.read_text("utf-8"))
    for name, spellings in words.items():
        assert compatible(spellings[0], spellings[-1]), name
        for spelling in spellings:
            assert known(spelling) == name
            assert np.isfinite(convert(np.ones(1), spelling, spellings[0])[0])
