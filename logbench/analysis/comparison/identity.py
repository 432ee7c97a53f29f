"""Whether two sides are of one car, and whether their signals are in the same units."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from logbench.analysis.comparison.results import Concern
from logbench.analysis.view import View


def identity_concerns(before: Sequence[View], after: Sequence[View]) -> list[Concern]:
    """What speaks against one and the same car, or keeps it from being known. Each differing VIN,
    displacement, cylinder count or set of ECUs needs the user's confirmation."""
    concerns = []
    looks: tuple[tuple[str, Callable[[View], object]], ...] = (
        ("VIN", lambda v: v.facts.vehicle.vin or None),
        ("displacement", lambda v: v.facts.vehicle.displacement_l),
        ("number of cylinders", lambda v: v.facts.vehicle.cylinders),
        ("ECUs", _ecus),
    )
    for name, look in looks:
        sides = [
            {value for v in side if (value := look(v)) is not None} for side in (before, after)
        ]
        together = sides[0] | sides[1]
        if len(together) > 1:
            shown = " and ".join(sorted(str(value) for value in together))
            concerns.append(Concern(f"The {name} of the recordings differ: {shown}.", confirm=True))
        elif name == "VIN" and not (sides[0] and sides[1]):
            concerns.append(
                Concern("A recording holds no VIN, so that it is not known to be the same car.")
            )
    return concerns


def _ecus(view: View) -> str | None:
    """Addresses and names of the ECUs, as far as known."""
    named = [f"{ecu} {name}".strip() for ecu, name in sorted(view.facts.ecus.items())]
    return ", ".join(named) or None


def unit_mismatches(before: Sequence[View], after: Sequence[View]) -> dict[str, str]:
    """Signal to a sentence, where recordings hold it in different units. An unnamed unit counts as
    the standard's."""
    units: dict[str, set[str]] = {}
    for view in (*before, *after):
        for name in view.traces.signals:
            trace = view.trace(name)
            if trace is not None and trace.unit:
                units.setdefault(name, set()).add(trace.unit)
    return {
        name: f"Recorded in different units ({' and '.join(sorted(found))}): import one side anew."
        for name, found in units.items()
        if len(found) > 1
    }
