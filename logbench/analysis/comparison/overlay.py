"""Two traces of one signal laid over each other for the eye, with their difference.

Laid over each other in time, two drives show traffic, not the repair; so the second can be placed
by the start of the engine, a marker, a coolant temperature, the distance driven, or where its speed
fits best. An overlay shows; it judges nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from scipy import signal as processing

from logbench.analysis.alignment import NS, Values
from logbench.analysis.comparison.quantities import Quantity
from logbench.analysis.grid import STEP_S
from logbench.analysis.statement import said
from logbench.analysis.view import View
from logbench.errors import UsageError
from logbench.recording.even import most_cells

FIT_STEP_S = 1.0
FIT_LEAST_S = 60.0
"""A best match must rest on at least this much common driving."""


class By(StrEnum):
    """What is laid over what."""

    TIME = "time"
    ENGINE_START = "engine start"
    MARKER = "marker"
    COOLANT = "coolant temperature"
    DISTANCE = "distance"
    SPEED_MATCH = "best match of speed"


@dataclass(frozen=True, slots=True)
class Overlay:
    """One signal of two recordings on a common axis.

    `x`, `before`, `after`, `difference` (after less before): shape (n,), NaN where a side has
    nothing. `x` in `x_unit`, `s` or `km`. `shift_s` is what was added to the times of the second
    recording; None where the axis is not a time. `note` says what the alignment rests on. `places`:
    for each side the seconds of its recording and where on `x` they are, in order.
    """

    signal: str
    unit: str
    by: By
    x: Values
    x_unit: str
    before: Values
    after: Values
    difference: Values
    shift_s: float | None
    note: str
    places: dict[str, tuple[Values, Values]] = field(default_factory=dict, repr=False)

    def place(self, side: str, t_ns: int) -> float:
        """Where on `x` a time of the recording of a side (`before`, `after`) is."""
        t_s, x = self.places[side]
        return float(np.interp(t_ns / NS, t_s, x))


def overlay(
    before: View,
    after: View,
    signal: str | Quantity,
    by: By = By.TIME,
    *,
    marker: str = "",
    coolant_degc: float = 70.0,
) -> Overlay:
    """Lay `signal` (an acronym, or a quantity of a comparison) of two recordings over each other.

    `marker`: text of the marker that both hold (``: the first marker of each). `coolant_degc`: the
    temperature whose first crossing both are placed by. Raises `UsageError` with a sentence when a
    side lacks what the alignment needs, or the signal.
    """
    first, second = _line(before, "before", signal), _line(after, "after", signal)
    name = signal if isinstance(signal, str) else signal.key
    unit = next((u for v in (before, after) if (u := _unit(v, signal))), "")
    if by is By.DISTANCE:
        return _over_distance(before, after, name, unit, first, second)
    places: dict[By, Callable[[View, str], float]] = {
        By.TIME: lambda view, side: 0.0,
        By.ENGINE_START: _engine_start_s,
        By.MARKER: lambda view, side: _marker_s(view, side, marker),
        By.COOLANT: lambda view, side: _reached_s(view, side, coolant_degc),
    }
    note = ""
    if by is By.SPEED_MATCH:
        shift, note = _best_shift_s(before, after)
        origin = 0.0
    else:
        origin = places[by](before, "before")
        shift = origin - places[by](after, "after")
    t = [_seconds(before) - origin, _seconds(after) + shift - origin]
    x = _axis(t)
    a, b = (_on(x, *pair) for pair in zip(t, (first, second), strict=True))
    at = {"before": (_seconds(before), t[0]), "after": (_seconds(after), t[1])}
    return Overlay(name, unit, by, x, "s", a, b, b - a, float(shift), note, at)


def _axis(t: list[Values]) -> Values:
    """Even steps over both sides; where that is too many, only those near a step of a side."""
    start, end = min(x[0] for x in t), max(x[-1] for x in t)
    count = int((end - start) / STEP_S) + 1
    if count <= most_cells(sum(map(len, t))):
        return np.asarray(start + np.arange(count) * STEP_S)
    places = [np.floor((x - start) / STEP_S).astype(np.int64) for x in t]
    places += [np.minimum(place + 1, count - 1) for place in places]
    return np.asarray(start + np.unique(np.concatenate(places)) * STEP_S)


def _line(view: View, side: str, signal: str | Quantity) -> Values:
    found = view.grid.linear(signal) if isinstance(signal, str) else signal.make(view)
    if found is None:
        name = signal if isinstance(signal, str) else signal.title
        raise UsageError(f"{name} was not recorded {side} the repair: choose another signal.")
    return found


def _unit(view: View, signal: str | Quantity) -> str:
    if not isinstance(signal, str):
        return signal.unit
    trace = view.trace(signal)
    return "" if trace is None else trace.unit


def _seconds(view: View) -> Values:
    """The grid's times in seconds; never empty."""
    if len(view.grid) == 0:
        raise UsageError("A recording holds no samples: choose another one.")
    return np.asarray(view.grid.t_ns / NS)


def _on(x: Values, t: Values, values: Values) -> Values:
    """Values on `x` by straight lines; NaN outside and beside unknown points."""
    return np.asarray(np.interp(x, t, values, left=np.nan, right=np.nan))


def _engine_start_s(view: View, side: str) -> float:
    start = view.run_start_ns
    if start is None:
        raise UsageError(
            f"The recording {side} the repair does not show the start of the engine: align by"
            " something else."
        )
    return start / NS


def _marker_s(view: View, side: str, text: str) -> float:
    for event in view.facts.events:
        if event.kind == "marker" and (not text or event.text == text):
            return event.t_ns / NS
    named = f" '{text}'" if text else ""
    raise UsageError(f"The recording {side} the repair holds no marker{named}: align otherwise.")


def _reached_s(view: View, side: str, degc: float) -> float:
    coolant = view.grid.slow("ECT")
    over = np.flatnonzero(coolant >= degc) if coolant is not None else np.empty(0, dtype=np.intp)
    if len(over) == 0 or over[0] == 0:
        raise UsageError(
            f"The coolant does not pass this temperature in the recording {side} the repair: choose"
            " another one."
        )
    return float(_seconds(view)[over[0]])


def _speed(view: View, side: str) -> Values:
    speed = view.grid.linear("VSS")
    if speed is None:
        raise UsageError(f"Vehicle speed was not recorded {side} the repair: align otherwise.")
    return np.nan_to_num(speed)


def _best_shift_s(before: View, after: View) -> tuple[float, str]:
    """Shift of the second recording at which the speed traces differ least.

    Of all shifts with enough overlap the one with the highest correlation of speeds wins, found
    for all at once by the fast Fourier transform.
    """
    if before.grid.has_holes or after.grid.has_holes:
        raise UsageError("A recording has pauses of hours or days: align otherwise.")
    every = round(FIT_STEP_S / STEP_S)
    a, b = (_speed(v, s)[::every] for v, s in ((before, "before"), (after, "after")))
    least = FIT_LEAST_S / FIT_STEP_S
    if min(len(a), len(b)) < least:
        raise UsageError(f"Less than {FIT_LEAST_S:.0f} s were recorded: align otherwise.")
    ones_a, ones_b = np.ones(len(a)), np.ones(len(b))

    def slide(x: Values, y: Values) -> Values:
        return np.asarray(processing.correlate(x, y, mode="full", method="fft"))

    n = slide(ones_a, ones_b)
    sum_a, sum_b = slide(a, ones_b), slide(ones_a, b)
    square_a, square_b = slide(a**2, ones_b), slide(ones_a, b**2)
    product = slide(a, b)
    spread = (square_a - sum_a**2 / n.clip(1)) * (square_b - sum_b**2 / n.clip(1))
    usable = (n > least - 0.5) & (spread > 1e-6 * n.clip(1) ** 2)
    if not usable.any():
        raise UsageError("The car did not move enough to match the speed: align otherwise.")
    correlation = np.full(len(n), -np.inf)
    correlation[usable] = (product - sum_a * sum_b / n.clip(1))[usable] / np.sqrt(spread[usable])
    # a short overlap fits by chance: what counts is the fit times the root of its length
    best = int(np.argmax(np.where(usable, correlation * np.sqrt(n.clip(1)), -np.inf)))
    lag_s = (best - (len(b) - 1)) * FIT_STEP_S
    shift = lag_s + _seconds(before)[0] - _seconds(after)[0]
    note = said(
        "Speeds agree with a correlation of {r:.2f} over {n:.0f s}.", r=correlation[best], n=n[best]
    )
    return float(shift), note


def _over_distance(
    before: View, after: View, signal: str, unit: str, first: Values, second: Values
) -> Overlay:
    """By kilometers driven since the start of each recording, every 10 m; while standing, the last
    value counts."""
    lines, reach, places = [], [], {}
    for view, side, values in ((before, "before", first), (after, "after", second)):
        km = np.cumsum(_speed(view, side)) * STEP_S / 3600.0
        last = np.append(np.flatnonzero(np.diff(km) > 0.0), len(km) - 1)
        lines.append((km[last], values[last]))
        reach.append(float(km[-1]))
        places[side] = (_seconds(view), km)
    if min(reach) < 0.05:
        raise UsageError("A car did not move: align otherwise.")
    if max(reach) / 0.01 > most_cells(len(first) + len(second)):
        raise UsageError("By its speed, a car drove further than any drive: align otherwise.")
    x: Values = np.arange(int(max(reach) / 0.01) + 1, dtype=np.float64) * 0.01
    a, b = (_on(x, *line) for line in lines)
    return Overlay(signal, unit, By.DISTANCE, x, "km", a, b, b - a, None, "", places)
