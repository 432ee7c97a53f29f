"""Metric units as measured, US units, or a choice for each quantity: converted where shown, never
where kept."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from logbench.analysis.model import difference_unit
from logbench.app.plot.ticks import unit_text, value_text
from logbench.report.units import line_of, unit_of
from logbench.words import tr

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Quantity:
    """What has a choice of units: a title, the units it is recorded in, and the choices, each as
    it is printed; the first is metric, the second US."""

    title: str
    recorded: tuple[str, ...]
    choices: tuple[str, ...]


QUANTITIES: Mapping[str, Quantity] = {
    "speed": Quantity(tr("Speed"), ("km/h",), ("km/h", "mph")),
    "distance": Quantity(tr("Distance"), ("km", "m"), ("km", "mi")),
    "temperature": Quantity(tr("Temperature"), ("degC", "degC/min", "K", "g/l/K"), ("°C", "°F")),
    "pressure": Quantity(tr("Pressure"), ("kPa",), ("kPa", "inHg", "psi", "bar")),
    "air": Quantity(tr("Air mass flow"), ("g/s", "g/s/l"), ("g/s", "lb/min", "kg/h")),
    "fuel": Quantity(tr("Fuel"), ("L/h", "L", "l"), ("L/h", "gal/h")),
    "torque": Quantity(tr("Torque"), ("Nm",), ("N·m", "lbf·ft")),
}
_QUANTITY_OF = {unit: key for key, q in QUANTITIES.items() for unit in q.recorded}
_FURTHER = {
    ("kPa", "psi"): ("psi", 1 / 6.894757),  # NIST SP 811, appendix B
    ("kPa", "bar"): ("bar", 0.01),  # exact by definition
    ("g/s", "kg/h"): ("kg/h", 3.6),  # exact by definition
    ("g/s/l", "kg/h"): ("kg/h/l", 3.6),
}
"""Unit and factor of choices that are neither metric nor US ones of the report."""


@dataclass(frozen=True, slots=True)
class Units:
    """One choice for the whole window; conversions to US units are the report's.

    `us` holds for every quantity that `own` names no other unit for, as (quantity, unit) pairs.
    """

    us: bool = False
    own: tuple[tuple[str, str], ...] = ()

    def choice(self, quantity: str) -> str:
        """The unit chosen for a quantity of `QUANTITIES`, as it is printed."""
        return dict(self.own).get(quantity) or QUANTITIES[quantity].choices[1 if self.us else 0]

    def choose(self, quantity: str, unit: str) -> Units:
        """The same with another unit of one quantity; an unknown one changes nothing."""
        if quantity not in QUANTITIES or unit not in QUANTITIES[quantity].choices:
            return self
        own = dict(self.own)
        own.pop(quantity, None)
        if unit != QUANTITIES[quantity].choices[1 if self.us else 0]:
            own[quantity] = unit
        return replace(self, own=tuple(sorted(own.items())))

    @property
    def metric(self) -> bool:
        """Every quantity is shown as it is recorded."""
        return all(self.choice(key) == q.choices[0] for key, q in QUANTITIES.items())

    def unit(self, unit: str) -> str:
        """The unit shown for a signal's `unit`, in the words of the table where it has one."""
        us, further = self._how(unit)
        shown = _FURTHER[unit, further][0] if further else unit_of(unit, True) if us else unit
        return {"°F": "degF", "°": "deg"}.get(shown, shown)

    def line(self, unit: str) -> tuple[float, float]:
        """Factor and offset: shown = factor * value + offset."""
        us, further = self._how(unit)
        if further:
            return _FURTHER[unit, further][1], 0.0
        return line_of(unit, us)

    def value(self, value: float, unit: str, *, difference: bool = False) -> float:
        """A value as shown; `difference`: of two values, so that no 32 is added."""
        factor, offset = self.line(unit)
        return factor * value + (0.0 if difference else offset)

    def array(self, values: Floats, unit: str) -> Floats:
        """Values as shown, same shape, NaN kept."""
        factor, offset = self.line(unit)
        return values if (factor, offset) == (1.0, 0.0) else factor * values + offset

    def text(self, value: float, unit: str, *, difference: bool = False) -> str:
        """A value with its unit; a difference of temperatures is in K, or in °F."""
        unit = difference_unit(unit) if difference else unit
        shown = self.unit(unit)
        number = value_text(self.value(value, unit), shown)
        return f"{number} {unit_text(shown)}".strip()

    def _how(self, unit: str) -> tuple[bool, str]:
        """Whether the report's US unit is shown, or else a further one."""
        quantity = _QUANTITY_OF.get(unit)
        if quantity is None:
            return False, ""
        place = QUANTITIES[quantity].choices.index(self.choice(quantity))
        return place == 1, self.choice(quantity) if place > 1 else ""


class Differences(Units):
    """The same choice for differences of two values: no zero point is moved."""

    __slots__ = ()

    def unit(self, unit: str) -> str:
        """That of a difference: K, or °F, for degC."""
        return Units.unit(self, difference_unit(unit))

    def line(self, unit: str) -> tuple[float, float]:
        """Factor and offset 0."""
        return Units.line(self, unit)[0], 0.0


METRIC = Units()


def units_from(us: bool, own: Iterable[str]) -> Units:
    """The choice kept as `us` and texts like `pressure=psi`; unknown ones are left out."""
    units = Units(us)
    for text in own:
        quantity, _, unit = text.partition("=")
        units = units.choose(quantity, unit)
    return units
