"""Units: how people write them, how they are printed, and the reader's choice; converted by pint.

Nothing is kept in another unit than it was recorded in: a conversion happens where a value is read
from a foreign file, or where it is shown.
"""

from __future__ import annotations

import functools
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from logbench.signals.numbers import decimal_text, figure_text, number_text, value_text
from logbench.system.limits import CELL_CHARS
from logbench.words import tr

Floats = npt.NDArray[np.float64]

# --- as people write them ---


@functools.cache
def _spellings() -> Mapping[str, str]:
    """Spelling, in lower case, to what pint calls it: `spellings.toml`."""
    text = Path(__file__).with_name("spellings.toml").read_text(encoding="utf-8")
    return {word: name for name, words in tomllib.loads(text).items() for word in words}


@functools.cache
def _registry() -> Any:
    import pint  # takes half a second, and whoever sees metric units needs none of it

    registry: Any = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("inH2O = 249.08891 * pascal")  # at 4 degC; NIST SP 811, from memory
    return registry


_MADE = re.compile(r"(?:[A-Za-z_]\w*+|[()*/ ]|\*\* ?-?\d{1,3}(?:\.\d{1,3})?(?! ?\*\*)(?![\w.]))*")
"""What `joined` makes; never a power of a power, which pint would work out to the last digit."""


def _is_made(text: str) -> bool:
    if len(text) > CELL_CHARS or not _MADE.fullmatch(text):
        return False
    try:
        _registry().Unit(text)
    except Exception:  # a file's text: pint's parser raises whatever it comes upon
        return False
    return True


_BRACKETED = re.compile(r"\(([^()]*)\)|\[([^\[\]]*)\]|{([^{}]*)}|<([^<>]*)>")
_DEGREE = re.compile(r"(?:[^\x00-\x7fµμ\w]|[ÂøÃ¡º]){1,3} ?([CF])")
"""Degrees C or F with a degree sign in whatever encoding: `Â°C`, `\ufffdC`, `øC`."""
_PER = re.compile(r" ?(?:/|(?<![a-z])per(?![a-z])) ?")
_FULL_NAMES = re.compile(r"[a-z]{4,}(?:[ /*][a-z]{4,})*")


@functools.lru_cache(maxsize=4096)
def read_unit(text: str, *, in_full: bool = True) -> str | None:
    """A unit as other programs write it, in a spelling that is `known`; None where it is none.

    `[kPa]`, `revolutions_per_minute`, `gram / second`, `degree_Celsius`, `Â°C`, and whatever pint
    knows by its full name, if `in_full`; no abbreviations of pint's, in which any two letters are a
    unit.
    """
    cleaned = " ".join(text.split())
    if len(cleaned) > CELL_CHARS:
        return None
    if bracketed := _BRACKETED.fullmatch(cleaned):
        inside = next(part for part in bracketed.groups() if part is not None)
        return read_unit(inside, in_full=in_full)
    if known(cleaned) is not None:
        return cleaned
    degrees = _DEGREE.fullmatch(cleaned)
    if degrees:
        return f"°{degrees[1]}"
    plain = _PER.sub("/", cleaned.replace("_", " ").replace("Â", "").lower()).strip()
    if known(plain) is not None:
        return plain
    return _named_in_full(plain) if in_full and _FULL_NAMES.fullmatch(plain) else None


def _named_in_full(plain: str) -> str | None:
    """The same of words such as `kilogram/hour`, if pint knows each of them."""
    for word in re.split(r"[ /*]", plain):
        if not any("".join(parts) == word for parts in _registry().parse_unit_name(word)):
            return None
    made = f"({plain.replace(' ', '*')})"
    return made if known(made) is not None else None


_RATE = re.compile(r"(?P<of>\D+)/(?P<each>(?![A-Z]{2})[^\s\d/()*]+)")
"""`rpm/s`; a word in capitals is a signal."""


@functools.cache
def known(text: str) -> str | None:
    """What pint calls a unit as people write it; None when it is not a unit.

    `` is a pure number.
    """
    cleaned = re.sub(r"\s+", " ", text.strip())
    if not cleaned:
        return "dimensionless"
    if cleaned.startswith(("(", "delta_")):  # made by `joined`, or a difference of temperatures
        return cleaned if _is_made(cleaned) else None
    found = _spellings().get(cleaned.lower())
    rate = None if found else _RATE.fullmatch(cleaned)
    if rate and known(rate["of"]) and known(rate["each"]):
        return joined(rate["of"], "/", rate["each"])
    return found


@functools.cache
def compatible(source: str, target: str) -> bool:
    """Whether numbers in `source` can be converted to `target` (both as people write them)."""
    a, b = known(source), known(target)
    if a is None or b is None:
        return False
    if a == b:
        return True
    units = _registry()
    if (a == "degree") != (b == "degree") and "degree" in (a, b):
        return False  # pint lets angles pass as pure numbers
    return bool(units.Unit(a).is_compatible_with(units.Unit(b)))


def convert(values: Floats, source: str, target: str) -> Floats:
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


@functools.cache
def conversion(source: str, target: str) -> tuple[float, float]:
    """Factor and offset from one unit to another that is `compatible` with it."""
    a, b = known(source), known(target)
    if a == b:
        return 1.0, 0.0
    quantity = _registry().Quantity
    zero, one = (float(quantity(number, a).to(b).magnitude) for number in (0.0, 1.0))
    return float(f"{one - zero:.13g}") if zero else one, float(f"{zero:.13g}")


def joined(left: str, sign: str, right: str) -> str:
    """The unit of a product (`*`), a quotient (`/`) or a power (`**`, of a number), for `known`."""
    behind = right if sign == "**" else f"({known(right)})"
    return f"(({known(left)}) {sign} {behind})"


# --- as they are printed ---


def unit_text(unit: str) -> str:
    """A unit as it is printed; `Δ°F`: of a difference, which is not a temperature."""
    printed = re.sub(r"\bl\b", "L", {"deg": "°", "Nm": "N·m"}.get(unit, unit))
    if unit == "points":  # the one that is a word
        return tr("points")
    return printed.replace("delta_", "Δ").replace("degC", "°C").replace("degF", "°F")


def difference_unit(unit: str) -> str:
    """The unit of a difference of two values in `unit`: K of temperatures, points of percentages;
    any other is its own."""
    return {"degC": "K", "%": "points"}.get(unit, unit)


# --- as the reader chose ---


@dataclass(frozen=True, slots=True)
class Quantity:
    """What has a choice of units: a title, and for each unit it is recorded in those it may be
    shown in: the first metric, as recorded; the second US; further ones."""

    title: str
    shown: Mapping[str, tuple[str, ...]]

    @property
    def choices(self) -> tuple[str, ...]:
        """The choices as they are printed: of the unit that stands first."""
        return tuple(map(unit_text, next(iter(self.shown.values()))))


QUANTITIES: Mapping[str, Quantity] = {
    "speed": Quantity(
        tr("Speed"),
        {"km/h": ("km/h", "mph"), "rpm per km/h": ("rpm per km/h", "rpm per mph")},
    ),
    "distance": Quantity(tr("Distance"), {"km": ("km", "mi"), "m": ("m", "ft")}),
    "temperature": Quantity(
        tr("Temperature"),
        {
            "degC": ("degC", "degF"),
            "K": ("K", "delta_degF"),  # a difference of two temperatures
        },
    ),
    "pressure": Quantity(tr("Pressure"), {"kPa": ("kPa", "inHg", "psi", "bar")}),
    "air": Quantity(
        tr("Air mass flow"),
        {
            "g/s": ("g/s", "lb/min", "kg/h"),
            "g": ("g", "oz", "kg"),
        },
    ),
    "fuel": Quantity(tr("Fuel"), {"L/h": ("L/h", "gal/h"), "L": ("L", "gal"), "l": ("l", "gal")}),
    "torque": Quantity(tr("Torque"), {"Nm": ("Nm", "lbf·ft")}),
    "heat": Quantity(tr("Heat"), {"kJ": ("kJ", "BTU")}),
}
_BELOW = {"K", "g", "km", "kPa"}
"""What is shown in another unit under a stroke, too."""
_QUANTITY_OF = {unit: key for key, quantity in QUANTITIES.items() for unit in quantity.shown}


@functools.cache
def _line(unit: str, shown: str) -> tuple[float, float]:
    """Factor and offset from a recorded unit of `QUANTITIES` to one it may be shown in."""
    if unit == shown:
        return 1.0, 0.0
    quantity = _registry().Quantity
    # the last digits of a double are pint's own steps, not the definition's: 1.7999999999999998
    factor = float(f"{quantity(1.0, _of_pint(unit)).to(_of_pint(shown)).magnitude:.15g}")
    if unit != "degC":
        return factor, 0.0
    return factor, round(float(quantity(0.0, unit).to(shown).magnitude), 9)


def _of_pint(unit: str) -> str:
    """What pint calls a unit of `QUANTITIES`, or one made of them; temperatures are differences."""
    unit = {"Nm": "N*m", "lbf·ft": "lbf*ft"}.get(unit, unit)
    if unit.startswith("rpm per "):
        return f"rpm / ({unit.removeprefix('rpm per ')})"
    return re.sub(
        r"\bK\b|\b(?:delta_)?degC\b", "delta_degC", re.sub(r"\bdegF\b", "delta_degF", unit)
    )


@dataclass(frozen=True, slots=True)
class Units:
    """The units that a reader chose, for the whole window or one report.

    `us` holds for every quantity that `own` names no other unit for, as (quantity, unit) pairs.
    """

    us: bool = False
    own: tuple[tuple[str, str], ...] = ()

    def choice(self, quantity: str) -> str:
        """The unit chosen for a quantity of `QUANTITIES`, as it is printed."""
        return dict(self.own).get(quantity) or QUANTITIES[quantity].choices[int(self.us)]

    def choose(self, quantity: str, unit: str) -> Units:
        """The same with another unit of one quantity; an unknown one changes nothing."""
        if quantity not in QUANTITIES or unit not in QUANTITIES[quantity].choices:
            return self
        own = dict(self.own)
        own.pop(quantity, None)
        if unit != QUANTITIES[quantity].choices[int(self.us)]:
            own[quantity] = unit
        return replace(self, own=tuple(sorted(own.items())))

    @property
    def metric(self) -> bool:
        """Every quantity is shown as it is recorded."""
        return all(self.choice(key) == q.choices[0] for key, q in QUANTITIES.items())

    def unit(self, unit: str) -> str:
        """The unit shown for a recorded one, in the words of the table of signals where it has
        one; `unit_text` prints it. One made of several is shown in theirs: `kPa/s` in `psi/s`,
        `g/l/K` in `oz/l/degF` (an engine's size stays in liters)."""
        if not (self.us or self.own):
            return unit
        key = _QUANTITY_OF.get(unit)
        if key is not None:
            quantity = QUANTITIES[key]
            return quantity.shown[unit][quantity.choices.index(self.choice(key))]
        above, slash, below = unit.rpartition("/")
        if not slash or " " in unit:
            return unit
        below = self.unit(below).removeprefix("delta_") if below in _BELOW else below
        return f"{self.unit(above)}/{below}"

    def printed(self, unit: str) -> str:
        """The unit shown for a recorded one, as it is printed."""
        return unit_text(self.unit(unit))

    def line(self, unit: str) -> tuple[float, float]:
        """Factor and offset: shown = factor * value + offset."""
        return _line(unit, self.unit(unit))

    def value(self, value: float, unit: str, *, difference: bool = False) -> float:
        """A value as shown; `difference`: of two values, so that no 32 is added."""
        factor, offset = self.line(unit)
        return factor * value + (0.0 if difference else offset)

    def array(self, values: Floats, unit: str) -> Floats:
        """Values as shown, same shape, NaN kept."""
        factor, offset = self.line(unit)
        return values if (factor, offset) == (1.0, 0.0) else factor * values + offset

    def text(
        self, value: float, unit: str, *, difference: bool = False, decimals: int | None = None
    ) -> str:
        """A value with its unit, for a window; a difference of temperatures is in K, or in Δ°F."""
        unit = difference_unit(unit) if difference else unit
        return f"{self.number(value, unit, decimals)} {self.printed(unit)}".strip()

    def number(self, value: float, unit: str, decimals: int | None = None) -> str:
        """A value as shown, without its unit; `decimals`: of the signal as recorded, of which as
        many are left, or added, as keep its step."""
        if decimals is not None:
            decimals = max(0, round(decimals - math.log10(self.line(unit)[0])))
        return value_text(self.value(value, unit), self.unit(unit), decimals)

    def figure(
        self, value: float | None, unit: str = "", half: float | None = None, **how: bool
    ) -> str:
        """A value with its unit, for paper: `12.4 V`, `12.4 ±0.3 V`; `–` for None and NaN.

        `half`: half width of its interval, left out where there is none; `signed`: with its sign;
        `difference`: as in `text`.
        """
        unit = difference_unit(unit) if how.get("difference") else unit
        if value is None or not math.isfinite(value):
            return "–"
        shown, signed = self.value(value, unit), how.get("signed", False)
        if half and math.isfinite(half):
            half = self.value(half, unit, difference=True)
            return number_text(shown, half, self.printed(unit), signed)
        return f"{figure_text(shown, signed=signed)} {self.printed(unit)}".strip()

    def thousands(self, value: float, unit: str) -> str:
        """A large whole number with its unit, for paper, as an odometer's: `81,234 km`."""
        return f"{decimal_text(self.value(value, unit), 0)} {self.printed(unit)}"


class Differences(Units):
    """The same choice for differences of two values: no zero point is moved."""

    __slots__ = ()

    def unit(self, unit: str) -> str:
        """That of a difference: K, or Δ°F, for degC."""
        return Units.unit(self, difference_unit(unit))

    def line(self, unit: str) -> tuple[float, float]:
        """Factor and offset 0."""
        return _line(difference_unit(unit), self.unit(unit))[0], 0.0


METRIC = Units()


def units_from(us: bool, own: Iterable[str]) -> Units:
    """The choice kept as `us` and texts like `pressure=psi`; unknown ones are left out."""
    units = Units(us)
    for text in own:
        quantity, _, unit = text.partition("=")
        units = units.choose(quantity, unit)
    return units
