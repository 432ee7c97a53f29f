"""Whether two sides are of one car, and whether their signals are in the same units."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

from logbench.analysis.comparison.results import Concern
from logbench.analysis.statement import joined, said
from logbench.analysis.view import View
from logbench.car.identity import Match
from logbench.car.known import KnownCars
from logbench.car.model import Car
from logbench.errors import UsageError
from logbench.foreign import in_label
from logbench.recording.model import Facts
from logbench.recording.reader import Recording


def refuse_same(before: Sequence[Recording], after: Sequence[Recording]) -> None:
    """`UsageError` when one recording is on both sides, which would look like a result."""
    named = {r.facts.recording_id for r in before} & {r.facts.recording_id for r in after} - {""}
    paths = {r.path.resolve() for r in before if r.path}
    if named or paths & {r.path.resolve() for r in after if r.path}:
        raise UsageError("The same recording is on both sides: choose another one for one of them.")


def car_concerns(before: Sequence[View], after: Sequence[View], known: KnownCars) -> list[Concern]:
    """What speaks against one and the same car, or keeps it from being known: what the check says
    of any two recordings, and an engine that is stated differently.

    Another car needs the user's confirmation; so does another engine, unless it is known to be the
    same car.
    """
    facts = [view.facts for view in (*before, *after)]
    meetings = [known.judge(a.identity, b.identity) for a, b in combinations(facts, 2)]
    other = [m for m in meetings if m.match is Match.OTHER or m.answered]
    unknown = [m for m in meetings if m.match is Match.UNKNOWN]
    told = {m.sentence: m.match is Match.OTHER for m in other or unknown[:1]}
    concerns = [Concern(sentence, confirm) for sentence, confirm in told.items()]
    engines = {car.engine for f in facts if (car := _engine_of(f)).engine}
    if len(engines) > 1:
        shown = joined(map(in_label, sorted(engines)), " and ")
        sure = not unknown and not other
        concerns.append(
            Concern(said("The engines of the recordings differ: {shown}.", shown=shown), not sure)
        )
    return concerns


def _engine_of(facts: Facts) -> Car:
    car = facts.vehicle
    known = ("displacement_l", "cylinders")
    stated = {fact: getattr(car, fact) for fact in known if car.source(fact) != "worked out"}
    return Car(**stated)


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
        name: said(
            "Recorded in different units ({names}): import one side anew.",
            names=joined(sorted(found), " and "),
        )
        for name, found in units.items()
        if len(found) > 1
    }
