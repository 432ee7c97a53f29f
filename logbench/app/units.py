"""Metric units as measured, or US units: converted where they are shown, not where kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logbench.app.plot.ticks import unit_text, value_text
from logbench.report.units import convert, convert_array, unit_of

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Units:
    """One choice for the whole window; the conversions are the report's."""

    us: bool = False

    def unit(self, unit: str) -> str:
        """The unit shown for a signal's `unit`, in the words of the table where it has one."""
        shown = unit_of(unit, True) if self.us else unit
        return {"°F": "degF", "°": "deg"}.get(shown, shown)

    def line(self, unit: str) -> tuple[float, float]:
        """Factor and offset: shown = factor * value + offset."""
        offset = convert(0.0, unit, self.us)
        return convert(1.0, unit, self.us) - offset, offset

    def value(self, value: float, unit: str, *, difference: bool = False) -> float:
        """A value as shown; `difference`: of two values, so that no 32 is added."""
        return convert(value, unit, self.us, difference=difference)

    def array(self, values: Floats, unit: str) -> Floats:
        """Values as shown, same shape, NaN kept."""
        return convert_array(values, unit, self.us)

    def text(self, value: float, unit: str, *, difference: bool = False) -> str:
        """A value with its unit."""
        shown = self.unit(unit)
        number = value_text(self.value(value, unit, difference=difference), shown)
        return f"{number} {unit_text(shown)}".strip()


METRIC = Units()
