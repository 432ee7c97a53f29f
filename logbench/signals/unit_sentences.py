"""Sentences in the units a reader chose: the one converter of the window and of the reports.

The checks write every quantity as a number, a space and a unit: `92.1 ±0.4 degC`, `80 to 105 degC`,
`30-40 kPa`, `(94.1, 52.0 rpm per km/h)`. Temperatures are degC, their differences K, so that only
the former move their zero point. What has no such unit behind it is no quantity and is left as it
is: counts, seconds, names, litres of displacement (the size of an engine, spelt out).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import partial

from logbench.signals.units import Units

KM_PER_GALLON_MILE = 1.609344 / 3.785411784
MPG_LITRES = 100.0 / KM_PER_GALLON_MILE
"""mpg = this over l/100 km; mile and US gallon are exact by definition: 235.2146."""

_RATIO, _CONSUMPTION = "rpm per km/h", "l/100 km"
_UNITS = (
    _RATIO, _CONSUMPTION, "degC/min", "degC", "g/s/l", "g/l/K", "g/s", "km/h", "kPa", "km", "L/h",
    "Nm", "K", "m", "l", "L",
)  # fmt: skip
"""Longer ones before those they begin with."""
_NUMBER = r"[+\-−]?\d+(?:,\d{3})*(?:\.\d+)?"
_JOIN = r" to | ?± ?| ?– ?|-| … "
_CHAIN = re.compile(
    r"(?<![\w.,+\-−–±])(?P<half>± ?)?"
    rf"(?P<numbers>(?:(?<=\(){_NUMBER}(?:, {_NUMBER})+|(?<=between ){_NUMBER} and {_NUMBER}"
    rf"|{_NUMBER}(?:(?:{_JOIN}){_NUMBER})*))"
    rf"(?P<space>[ \u00a0\u202f])(?P<unit>{'|'.join(map(re.escape, _UNITS))})"
    r"(?![\w/·°]|-\w)"
)
_PART = re.compile(rf"(?:^|(?P<join>{_JOIN}|, | and ))(?P<number>{_NUMBER})")
_MOST_ERROR = 0.05
"""A rounded figure is no further from the converted one than this share of it."""


@dataclass(frozen=True, slots=True)
class _How:
    """How the figures before one unit are written: shown = factor * value + offset, or over it."""

    unit: str
    factor: float
    offset: float = 0.0
    over: bool = False

    def value(self, value: float, half: bool) -> float:
        if self.over:
            return self.factor / value
        return self.factor * value + (0.0 if half else self.offset)

    def step(self, step: float, value: float) -> float:
        """What one unit of the last decimal becomes."""
        return self.factor * step / value**2 if self.over else abs(self.factor) * step


def in_units(sentence: str, units: Units) -> str:
    """The sentence with every quantity as chosen; units that stay are only written out (°C).

    Numbers keep about as many digits as they had: `87 degC` is `189 °F`, `92.1 ±0.4 degC` is
    `197.8 ±0.7 °F`, `1 km/h` is `0.6 mph`.
    """
    return _CHAIN.sub(partial(_said, units=units), sentence).replace("degC", "°C")


def _said(found: re.Match[str], units: Units) -> str:
    parts = list(_PART.finditer(found["numbers"]))
    values = [_value(part["number"]) for part in parts]
    how = _how(found["unit"], units, values)
    if how is None:
        return found[0]
    halves = [bool(found["half"]) or "±" in (part["join"] or "") for part in parts]
    shown = [how.value(value, half) for value, half in zip(values, halves, strict=True)]
    had = [len(part["number"].partition(".")[2]) for part in parts]
    digits = [
        _digits(number, how.step(10.0**-decimals, value), moved=bool(how.offset) and not half)
        for number, decimals, value, half in zip(shown, had, values, halves, strict=True)
    ]
    if len(set(had)) == 1:
        digits = [min(max(digits), _enough(shown, halves))] * len(digits)
    minus = "−" if "−" in found.string else "-"
    texts = [
        (part["join"] or "") + _text(number, decimals, part["number"], minus)
        for part, number, decimals in zip(parts, shown, digits, strict=True)
    ]
    return f"{found['half'] or ''}{''.join(texts)}{found['space']}{how.unit}"


def _how(unit: str, units: Units, values: list[float]) -> _How | None:
    """None where the unit stays."""
    if unit == _RATIO:
        factor, _ = units.line("km/h")
        how = _How(f"rpm per {units.unit('km/h')}", 1.0 / factor)
    elif unit == _CONSUMPTION:
        how = _consumption(units, values)
    else:
        how = _How(units.printed(unit), *units.line(unit))
    return None if (how.factor, how.offset) == (1.0, 0.0) else how


def _consumption(units: Units, values: list[float]) -> _How:
    """Miles for each gallon where both are chosen for one figure; else so much over so far."""
    (volume, _), (distance, _) = units.line("l"), units.line("km")
    names = units.unit("l") if volume != 1.0 else "l", units.unit("km")
    if names == ("gal", "mi") and len(values) == 1 and values[0] > 0.0:
        return _How("mpg", MPG_LITRES, over=True)
    return _How(f"{names[0]}/100 {names[1]}", volume / distance)


def _value(number: str) -> float:
    return float(number.replace(",", "").replace("−", "-"))


def _digits(number: float, step: float, *, moved: bool) -> int:
    """Decimals that keep the step of the figure; more where a small one would lose its size.
    `moved`: its zero point is arbitrary, so that it has no size."""
    digits = min(max(0, round(-math.log10(step))), 6)
    if moved or number == 0.0:
        return digits
    least = digits
    while digits < least + 3 and abs(round(number, digits) - number) > _MOST_ERROR * abs(number):
        digits += 1
    return digits


def _enough(shown: list[float], halves: list[bool]) -> int:
    """Decimals that give a half width two digits; any where there is none."""
    known = [number for number, half in zip(shown, halves, strict=True) if half and number > 0.0]
    return max((max(0, 1 - math.floor(math.log10(number))) for number in known), default=9)


def _text(number: float, digits: int, was: str, minus: str) -> str:
    """Signed and with thousands set apart as the figure was."""
    size = f"{abs(number):{',' if ',' in was else ''}.{digits}f}"
    if number < 0.0 and size.strip("0.,"):
        return (was[0] if was[0] in "-−" else minus) + size
    return f"+{size}" if was[0] == "+" else size
