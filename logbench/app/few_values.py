"""Facts of a car that have a few values, wherever they are stated."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from logbench.app.parts import named
from logbench.app.plain import Choice
from logbench.car.model import METERING
from logbench.words import tr

_FEW_LETTERS = 3
"""So narrow a box may become."""
_YES: tuple[tuple[Any, str], ...] = ((True, tr("yes")), (False, tr("no")))
_SENSORS = (tr("air-flow sensor"), tr("manifold pressure"), tr("both"))
FEW: tuple[tuple[str, str, tuple[tuple[Any, str], ...]], ...] = (
    ("metering", tr("Metering"), tuple(zip(METERING, _SENSORS, strict=True))),
    ("banks", tr("Banks"), tuple((n, str(n)) for n in range(1, 5))),
    ("turbo", tr("Charged"), _YES),
    ("valve_throttled", tr("Valve-throttled"), _YES),
    ("stop_start", tr("Stop-start"), _YES),
    ("hybrid", tr("Hybrid"), _YES),
)
"""By fact: what it is called, and what may be chosen, each value with its word."""


class FewValues(Choice):
    """One of a few values, or unknown, which is the first."""

    def __init__(self, name: str, values: Sequence[tuple[Any, str]]) -> None:
        super().__init__()
        named(self, name)
        self._values = (None, *(value for value, _ in values))
        self._nothing: Any = "" if any(isinstance(v, str) for v in self._values) else None
        self.setSizeAdjustPolicy(self.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(_FEW_LETTERS)
        self.addItems([tr("unknown"), *(text for _, text in values)])

    def show_value(self, value: Any) -> None:
        """Show this one; what is none of them is unknown."""
        place = next((n for n, one in enumerate(self._values) if n and one == value), 0)
        self.setCurrentIndex(place)

    def value(self) -> Any:
        """The one chosen; unknown as the fact has it."""
        place = self.currentIndex()
        return self._values[place] if place > 0 else self._nothing
