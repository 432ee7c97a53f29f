"""Whether two sides are of one car, and whether their signals are in the same units."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from logbench.analysis.comparison.results import Concern
from logbench.analysis.view import View
from logbench.errors import UsageError
from logbench.recording.reader import Recording


def refuse_same(before: Sequence[Recording], after: Sequence[Recording]) -> None:
    """`UsageError` when one recording is on both sides, which would look like a result."""
    named = {r.facts.recording_id for r in before} & {r.facts.recording_id for r in after} - {""}
    paths = {r.path.resolve() for r in before if r.path}
    if named or paths & {r.path.resolve() for r in after if r.path}:
        raise UsageError("The same recording is on both sides: choose another one for one of them.")


def identity_concerns(before: Sequence[View], after: Sequence[View]) -> list[Concern]:
    """What speaks against one and the same car, or keeps it from being known.

    A differing VIN, displacement or cylinder count, or an ECU that gives another name, needs the
    user's confirmation; so do differing ECU addresses unless the VIN is known to be the same.
    """
    vins, concerns = _sides(before, after, _vin), []
    addresses = {address for view in (*before, *after) for address in view.facts.ecus}
    looks: tuple[tuple[str, Callable[[View], str | None]], ...] = (
        ("VINs", _vin),
        ("displacements", lambda v: _text(v.facts.vehicle.displacement_l)),
        ("numbers of cylinders", lambda v: _text(v.facts.vehicle.cylinders)),
        ("ECU addresses", lambda v: ", ".join(sorted(v.facts.ecus)) or None),
        *((f"names of ECU {a}", partial(_name_at, a)) for a in sorted(addresses)),
    )
    same_vin = len(vins[0] | vins[1]) == 1 and all(vins)
    for name, look in looks:
        first, second = _sides(before, after, look)
        if len(first | second) > 1:
            shown = " and ".join(sorted(first | second))
            confirm = not (same_vin and name == "ECU addresses")
            concerns.append(Concern(f"The {name} of the recordings differ: {shown}.", confirm))
    if not all(vins):
        concerns.append(Concern("A side holds no VIN, so that it is not known to be the same car."))
    return concerns


def _sides(
    before: Sequence[View], after: Sequence[View], look: Callable[[View], str | None]
) -> tuple[set[str], set[str]]:
    """What each side's recordings say, without those that do not say."""
    first, second = ({x for v in side if (x := look(v))} for side in (before, after))
    return first, second


def _vin(view: View) -> str | None:
    return view.facts.vehicle.vin.strip().upper() or None


def _text(value: float | None) -> str | None:
    return None if value is None else f"{value:g}"


def _name_at(address: str, view: View) -> str | None:
    return view.facts.ecus.get(address) or None


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
