"""Units as people write them, converted once, as whole arrays, by pint."""

from __future__ import annotations

import functools
import re
from typing import Any

import numpy as np
import numpy.typing as npt
import pint

Values = npt.NDArray[np.float64]

_SPELLINGS = {
    "°c": "degC", "degc": "degC", "deg c": "degC", "c": "degC", "celsius": "degC",
    "degrees c": "degC", "degree c": "degC", "degrees celsius": "degC", "℃": "degC", "ºc": "degC",
    "°f": "degF", "degf": "degF", "deg f": "degF", "f": "degF", "fahrenheit": "degF",
    "degrees f": "degF", "degrees fahrenheit": "degF", "℉": "degF", "ºf": "degF",
    "k": "kelvin", "kelvin": "kelvin",
    "rpm": "rpm", "r/min": "rpm", "1/min": "rpm", "min-1": "rpm", "rev/min": "rpm", "/min": "rpm",
    "revs/min": "rpm", "u/min": "rpm", "min^-1": "rpm",
    "km/h": "km/h", "kph": "km/h", "kmh": "km/h", "kmph": "km/h", "mph": "mile/hour",
    "mi/h": "mile/hour", "miles/h": "mile/hour", "m/s": "m/s",
    "%": "percent", "percent": "percent", "pct": "percent", "fraction": "dimensionless",
    "kpa": "kPa", "pa": "Pa", "hpa": "hPa", "mpa": "MPa", "bar": "bar", "mbar": "mbar",
    "psi": "psi", "psia": "psi", "inhg": "inHg", "in hg": "inHg", "in.hg": "inHg", "mmhg": "mmHg",
    "inh2o": "inH2O", "in h2o": "inH2O", "atm": "atm", "kpa abs": "kPa", "kpa(abs)": "kPa",
    "g/s": "g/s", "g/sec": "g/s", "gm/s": "g/s", "gps": "g/s", "grams/sec": "g/s", "gr/s": "g/s",
    "kg/h": "kg/hour", "kg/hr": "kg/hour", "lb/min": "pound/minute", "lbs/min": "pound/minute",
    "lb/m": "pound/minute",
    "v": "volt", "volt": "volt", "volts": "volt", "mv": "millivolt", "ma": "milliampere",
    "a": "ampere", "amp": "ampere", "amps": "ampere",
    "s": "second", "sec": "second", "secs": "second", "second": "second", "seconds": "second",
    "ms": "millisecond", "msec": "millisecond", "milliseconds": "millisecond",
    "us": "microsecond", "µs": "microsecond", "μs": "microsecond", "ns": "nanosecond",
    "min": "minute", "mins": "minute", "minutes": "minute", "h": "hour", "hr": "hour",
    "hours": "hour", "hour": "hour", "days": "day",
    "km": "km", "m": "meter", "mi": "mile", "mile": "mile", "miles": "mile",
    "deg": "degree", "°": "degree", "degrees": "degree", "degree": "degree", "° btdc": "degree",
    "deg btdc": "degree", "degrees btdc": "degree", "°btdc": "degree", "° crank": "degree",
    "nm": "newton*meter", "n·m": "newton*meter", "lb-ft": "foot*pound_force",
    "lbf·ft": "foot*pound_force", "ft-lb": "foot*pound_force", "lb·ft": "foot*pound_force",
    "l/h": "liter/hour", "l/hr": "liter/hour", "lph": "liter/hour", "gal/h": "gallon/hour",
    "gal/hr": "gallon/hour", "gph": "gallon/hour",
    "lambda": "dimensionless", "λ": "dimensionless", "ratio": "dimensionless",
    "count": "dimensionless", "counts": "dimensionless", "-": "dimensionless",
}  # fmt: skip
"""Spellings (lower case) of the trade, and what pint calls them. `c` and `f` are temperatures here,
never coulomb and farad."""

_ALIAS_OF_TABLE = {"degC": "degC", "rpm": "rpm", "%": "percent", "L/h": "liter/hour",
                   "deg": "degree", "Nm": "newton*meter"}  # fmt: skip


@functools.cache
def _registry() -> Any:
    registry: Any = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("inH2O = 249.08891 * pascal")  # at 4 degC; NIST SP 811, from memory
    return registry


@functools.cache
def known(text: str) -> str | None:
    """What pint calls a unit as people write it; None when it is no unit.

    `` is a pure number.
    """
    cleaned = re.sub(r"\s+", " ", text.strip())
    if not cleaned:
        return "dimensionless"
    if cleaned in _ALIAS_OF_TABLE:
        return _ALIAS_OF_TABLE[cleaned]
    return _SPELLINGS.get(cleaned.lower())


@functools.cache
def compatible(source: str, target: str) -> bool:
    """Whether numbers in `source` can be converted to `target` (both as people write them)."""
    a, b = known(source), known(target)
    if a is None or b is None:
        return False
    units = _registry()
    if (a == "degree") != (b == "degree") and "degree" in (a, b):
        return False  # pint lets angles pass as pure numbers
    return bool(units.Unit(a).is_compatible_with(units.Unit(b)))


def convert(values: Values, source: str, target: str) -> Values:
    """Numbers, shape (n,), from one unit to another; NaN stays NaN.

    The same array where nothing is to be done. `ValueError` where `compatible` says no.
    """
    if source.strip() == target.strip():
        return values
    if not compatible(source, target):
        raise ValueError(f"{source!r} cannot be converted to {target!r}")
    a, b = known(source), known(target)
    if a == b:
        return values
    quantity = _registry().Quantity(values, a).to(b)
    return np.asarray(quantity.magnitude, dtype=np.float64)
