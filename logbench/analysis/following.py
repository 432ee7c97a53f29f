"""Whether an actuator goes where it is commanded.

Commanded and actual positions are held against each other where the command stands still. Makers
scale them, and choose their direction, as they like: so the travel is judged, as the slope of one
over the other, and a difference that stays alike is told, not judged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logbench.analysis.alignment import Mask, Values
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.model import Band, Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.statistics import t_quantile
from logbench.analysis.view import View, reported

HELD_S = 1.5
HELD_POINTS = 3.0
LEAST_TRAVEL, LEAST_STRETCHES = 15.0, 5
"""Points that the command moves over, and how often it is held somewhere, at least."""
STEP_POINTS = 0.4


@dataclass(frozen=True, slots=True)
class Following:
    """How an actuator follows: its travel over that commanded, %, with the half width of its 95 %
    interval; how far it stands from the command, points; where the command was held."""

    share_pct: float
    half_pct: float
    apart: float
    travel: float
    spans: tuple[Span, ...]


def held(
    view: View, values: Values | None, within: float, seconds: float, where: Mask | None = None
) -> tuple[Span, ...]:
    """Stretches of a running engine in which values on the grid have moved by no more than `within`
    for `seconds`."""
    if values is None:
        return ()
    calm = view.conditions.running & (view.grid.span_of(values, seconds) <= within)
    return view.stretches(calm if where is None else calm & where)


def find_following(view: View, commanded: str, actual: str) -> Following | None:
    """How `actual` follows `commanded`, both in %; None where the command moved too little, or was
    held too rarely, to tell."""
    spans = held(view, view.grid.linear(commanded), HELD_POINTS, HELD_S)
    points = []
    for span in spans:
        asked, came = view.samples((span,), commanded), view.samples((span,), actual)
        if len(asked) and len(came):
            points.append((float(np.mean(asked.value)), float(np.median(came.value))))
    if len(points) < LEAST_STRETCHES:
        return None
    x, y = np.array(points).T
    travel = float(np.ptp(x))
    if travel < LEAST_TRAVEL:
        return None
    slope, offset = np.polyfit(x, y, 1)
    square = float(np.sum((x - x.mean()) ** 2))
    scatter = float(np.sum((y - slope * x - offset) ** 2)) / (len(x) - 2)
    half = t_quantile(len(x) - 2) * np.sqrt(scatter / square)
    half = float(np.hypot(half, STEP_POINTS / travel))
    return Following(
        abs(100.0 * float(slope)), 100.0 * half, float(np.median(y - x)), travel, spans
    )


def judge_travel(
    view: View,
    subject: Subject,
    pair: tuple[str, str],
    band: Band,
    cause: str,
    asks: tuple[str, str],
) -> Finding | None:
    """The travel of an actual position over its command; None where the car does not tell both.
    `asks`: what it needs where they were not recorded, and where they moved too little."""
    (commanded, actual), (record, move) = pair, asks
    missing = view.missing(commanded, actual)
    if missing:
        known = len(reported(view, commanded, actual)) == 2
        return subject.not_recorded(view, missing, record) if known else None
    found = find_following(view, commanded, actual)
    if found is None:
        return subject.not_judged(
            said("{commanded} was held at too few positions to tell.", commanded=commanded), move
        )
    return subject.judged(
        said("Travel of {actual} over that of {commanded}", actual=actual, commanded=commanded),
        Measured(
            found.share_pct,
            found.half_pct,
            found.spans,
            (said("{d:+.0f points} from the command at its middle", d=found.apart),),
            {"apart_points": found.apart, "travel_points": found.travel},
        ),
        band,
        cause,
    )
