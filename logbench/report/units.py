"""Figures as the reader wants them: metric as measured, or US units. Converted here, once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.analysis.model import difference_unit

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Conversion:
    unit: str
    factor: float
    offset: float = 0.0


_US = {
    # exact by definition: inch 25.4 mm, pound 0.45359237 kg, US gallon 3.785411784 l
    "km/h": _Conversion("mph", 1 / 1.609344),
    "km": _Conversion("mi", 1 / 1.609344),
    "m": _Conversion("ft", 1 / 0.3048),
    "degC": _Conversion("°F", 1.8, 32.0),
    "degC/min": _Conversion("°F/min", 1.8),
    "K": _Conversion("°F", 1.8),  # a difference of two temperatures
    "kPa": _Conversion("inHg", 1 / 3.386389),  # conventional inch of mercury, NIST SP 811
    "g/s": _Conversion("lb/min", 60 / 453.59237),
    "g/s/l": _Conversion("lb/min/l", 60 / 453.59237),  # an engine's size stays in litres
    "g/l/K": _Conversion("g/l/°F", 1 / 1.8),
    "l": _Conversion("gal", 1 / 3.785411784),
    "L": _Conversion("gal", 1 / 3.785411784),
    "L/h": _Conversion("gal/h", 1 / 3.785411784),
    "Nm": _Conversion("lbf·ft", 0.7375621493),  # NIST SP 811
}
_METRIC = {"degC": "°C", "degC/min": "°C/min", "deg": "°", "l": "L"}


def unit_of(unit: str, us: bool) -> str:
    """How a unit is written."""
    if us and unit in _US:
        return _US[unit].unit
    return _METRIC.get(unit, unit)


def convert(value: float, unit: str, us: bool) -> float:
    """`value` in the unit that `unit_of` names; differences of temperatures are in K."""
    factor, offset = line_of(unit, us)
    return value * factor + offset


def line_of(unit: str, us: bool) -> tuple[float, float]:
    """Factor and offset of the conversion; 1 and 0 where there is none."""
    how = _US.get(unit) if us else None
    return (1.0, 0.0) if how is None else (how.factor, how.offset)


def convert_array(values: Floats, unit: str, us: bool) -> Floats:
    """Like `convert`, shape kept, NaN kept."""
    factor, offset = line_of(unit, us)
    return values if (factor, offset) == (1.0, 0.0) else values * factor + offset


def number(value: float | None, unit: str = "", us: bool = False, **how: bool) -> str:
    """`12.4 V`: as many decimals as the size deserves; `–` for None and NaN.

    `signed`: with its sign; `difference`: of two values, so that degC is K and no 32 is added.
    """
    unit = difference_unit(unit) if how.get("difference") else unit
    if value is None or not math.isfinite(value):
        return "–"
    shown = convert(value, unit, us)
    size = abs(shown)
    digits = 0 if size >= 100 or size == int(size) else 1 if size >= 3 else 2
    text = f"{shown:{'+' if how.get('signed') else ''}.{digits}f}"
    if float(text) == 0:
        text = text.replace("-", "")
    return f"{text} {unit_of(unit, us)}".strip()


def thousands(value: float, unit: str, us: bool) -> str:
    """A large whole number, as an odometer's."""
    return f"{convert(value, unit, us):,.0f} {unit_of(unit, us)}".replace(",", " ")


def pretty(text: str) -> str:
    """A sentence of the checks with its units written out; `unit_sentences` converts them, too."""
    return text.replace("degC", "°C")
