"""The user's own checks, from their band file.

Inputs, conditions and bands are theirs: `logbench.analysis.bands`. Method: the expression at
the samples of the signal that comes least often, the others of the same request or on the line
between neighbors, within the conditions named.
"""

from __future__ import annotations

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import Times, Values
from logbench.analysis.bands import Bands, OwnCheck
from logbench.analysis.causes.catalog import Named
from logbench.analysis.expression.checked import in_unit, number
from logbench.analysis.expression.evaluate import Evaluation, constants_of
from logbench.analysis.findings import Explanation, Measured, Subject
from logbench.analysis.grid import gap_s
from logbench.analysis.model import ENGINE_STANDS, Condition, Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.statistics import estimate
from logbench.analysis.view import View, evidence
from logbench.recording.model import Trace

KEY = "own"
TITLE = "Your own checks"
ORDER = 99
INPUTS: tuple[str, ...] = ()


def check(view: View, bands: Bands) -> list[Finding]:
    """One finding for each check of the user's file; none without one."""
    return [_own(view, own) for own in bands.own]


def _own(view: View, own: OwnCheck) -> Finding:
    subject, expression = Subject(KEY, own.title), in_unit(number(own.value), own.unit)
    tree, names = expression.tree, expression.names
    constants = constants_of(view.facts.vehicle)
    work = Evaluation(view.traces.recorded, constants, align=_between)
    missing = tuple(work.missing(tree))
    if missing:
        return subject.not_recorded(view, missing, said("Record {names}.", names=", ".join(names)))
    spans = _spans(view, own)
    t = work.times(tree, "slowest")
    owner = alignment.owner(t, spans)
    t = t[owner >= 0]
    value = work.at(tree, t)
    good = np.isfinite(value)
    if not good.any() or alignment.total_s(spans) < own.least_seconds:
        where = " or ".join(own.condition) or "running"
        return subject.not_judged(
            said(
                "Too little of '{where}' was recorded with {names}.",
                where=where,
                names=", ".join(names),
            ),
            said("Record {names} for longer in that condition.", names=", ".join(names)),
        )
    found = estimate(value, owner[owner >= 0])
    figure = {
        "mean": found.mean,
        "minimum": float(value[good].min()),
        "maximum": float(value[good].max()),
    }[own.statistic]
    return subject.judged(
        f"{own.title}, {own.statistic}",
        Measured(
            figure,
            found.half_width if own.statistic == "mean" else float("nan"),
            evidence(spans, t[good]),
            numbers={"samples": float(good.sum()), "sd": found.sd},
        ),
        own.band(f"check.{own.key}"),
        Explanation(tuple(Named("own", text) for text in own.causes), own.next_steps),
    )


def _spans(view: View, own: OwnCheck) -> tuple[Span, ...]:
    """Where the check looks."""
    found = view.conditions
    standing = ENGINE_STANDS & set(own.condition)
    mask = np.ones(len(view.grid), dtype=bool) if standing else found.running.copy()
    if own.condition:
        mask &= found.mask(*own.condition)
    moving = {Condition.FULL_THROTTLE, Condition.ACCELERATION, Condition.FUEL_CUT}
    if own.steady and not standing and not moving & set(own.condition):
        mask &= view.steady
    if own.warm and not standing:
        mask &= found.warm
    return view.stretches(mask, 0.4)


def _between(trace: Trace, t_ns: Times) -> Values:
    """On the line between neighbors."""
    return alignment.linear(trace, t_ns, gap_s(trace))
