"""Fuel rail pressure of direct injection: commanded against actual, hunting, idle, start.

Inputs: `FRP_A_CMD` with `FRP_A`, the same of B; `FRP` alone; `RPM`. Enabled: a command that moves
by no more than 5 % in two seconds, five readings of it; of a pressure alone warm idle. A rail below
1.2 MPa throughout is that of port injection and is left alone. Method: mean of actual over
commanded, apart for the lower and the upper third of the range of commands, since a weak pump shows
at much fuel only; scatter about the command within stretches, trends left out; level and scatter at
steady warm idle where no command is told; of compression ignition the highest pressure from the
starter's turning until a second after the engine runs. Uncertainty: the scatter of the samples, of
the scatter by chi-square. Evidence: those stretches.
"""

from __future__ import annotations

import math

import numpy as np

from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.engine import Trait
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.following import held
from logbench.analysis.model import Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.states import steady_idle
from logbench.analysis.statistics import MIN_SAMPLES, estimate, spread_of_pieces
from logbench.analysis.view import Samples, View, evidence, reported

KEY = "rail"
TITLE = "Fuel rail pressure"
PLAIN = "The pressure of the fuel for the injectors"
STRIPS = (("FRP_A_CMD", "FRP_A", "FRP"), ("RPM",))
ORDER = 18
INPUTS = ("FRP_A_CMD", "FRP_A", "FRP", "RPM")

PORT_KPA = 1200.0
HELD_S, HELD_SHARE = 2.0, 0.05
SENSOR_SHARE = 0.01
AFTER_NS = NS
PAIRS = (("", "FRP_A_CMD", "FRP_A"), ("second rail, ", "FRP_B_CMD", "FRP_B"))


def check(view: View, bands: Bands) -> list[Finding | None]:
    """Findings on commanded and actual pressure, its scatter, idle and start."""
    usual = view.engine.holds(Trait.COMPRESSION) is True
    names = ("FRP", "FRP_A")
    if view.trace(*names) is None:
        return [Subject(KEY, "rail pressure").without(view, names, usual, "record")]
    if not _high(view):
        text = said("The rail stays below {kpa:.0f kPa}: it injects into the ports.", kpa=PORT_KPA)
        return [Subject(KEY, "rail pressure").not_applicable(text)]
    found: list[Finding | None] = []
    for of, commanded, actual in PAIRS:
        if not view.missing(commanded, actual):
            found += _pair(view, bands, of, commanded, actual)
        elif len(reported(view, commanded, actual)) == 2:
            missing = view.missing(commanded, actual)
            subject = Subject(KEY, f"{of}commanded and actual")
            found.append(subject.not_recorded(view, missing, "commanded"))
    return [*(found or _idle(view, bands)), _start(view, bands)]


def _high(view: View) -> bool:
    trace = view.trace("FRP", "FRP_A")
    return trace is not None and float(np.nanmax(trace.value)) > PORT_KPA


def _pair(view: View, bands: Bands, of: str, commanded: str, actual: str) -> list[Finding]:
    asked = view.grid.linear(commanded)
    assert asked is not None
    within = np.where(asked > 0.0, np.log(np.maximum(asked, 1.0)), np.nan)
    spans = held(view, within, HELD_SHARE, HELD_S)
    came = view.samples(spans, actual)
    command = view.at(came.t_ns, commanded)
    good = np.isfinite(command) & (command > 0.0)
    if np.count_nonzero(good) < MIN_SAMPLES:
        text = "The command was not held for long enough."
        return [Subject(KEY, f"{of}commanded and actual").not_judged(text, "drive")]
    share = 100.0 * (came.value / np.where(good, command, np.nan) - 1.0)
    low, high = np.quantile([command[good].min(), command[good].max()], [1.0 / 3.0, 2.0 / 3.0])
    found = []
    for name, where in (("low demand", command <= low), ("high demand", command >= high)):
        level = estimate(share[good & where], came.group[good & where])
        if level.n >= MIN_SAMPLES:
            middle = float(np.median(command[good & where]))
            measured = Measured(
                level.mean,
                math.hypot(level.half_width, 100.0 * SENSOR_SHARE),
                evidence(spans, came.t_ns[good & where]),
                (said("{kpa:.0f kPa} commanded", kpa=middle),),
                {"commanded_kpa": middle},
            )
            at_low = name == "low demand"
            found.append(
                Subject(KEY, f"{of}commanded and actual, {name}").judged(
                    "Actual over commanded rail pressure",
                    measured,
                    bands["rail_error"],
                    "low" if at_low else "low_at_load",
                    "high",
                )
            )
    return [*found, _hunting(bands, f"{of}steadiness", came, share, spans)]


def _hunting(
    bands: Bands, name: str, came: Samples, share: np.ndarray, spans: tuple[Span, ...]
) -> Finding:
    """How far the pressure swings, %, within stretches in which its command is held."""
    subject = Subject(KEY, name)
    good = np.isfinite(share)
    groups, inverse = np.unique(came.group[good], return_inverse=True)
    many = np.isin(inverse, np.flatnonzero(np.bincount(inverse) >= MIN_SAMPLES))
    if len(groups) == 0 or np.count_nonzero(many) < 4 * MIN_SAMPLES:
        return subject.not_judged("Too little steady running was recorded.", "drive")
    piece = np.unique(inverse[many], return_inverse=True)[1]
    seconds = came.t_ns[good][many] / NS
    spread = spread_of_pieces(seconds, share[good][many], piece)
    band = bands["rail_hunting"]
    limit = band.within[1] or 0.0
    return subject.judged(
        "The swing of the rail pressure, standard deviation,",
        Measured(spread.sd, spread.towards(limit), evidence(spans, came.t_ns[good][many])),
        band,
        "hunting",
    )


def _idle(view: View, bands: Bands) -> list[Finding]:
    """Level and scatter at warm idle, where no command is told."""
    subject = Subject(KEY, "warm idle")
    compression = view.engine.holds(Trait.COMPRESSION)
    if compression is None:
        return [subject.not_judged("It is not known which fuel it burns.", "record")]
    spans = steady_idle(view)
    found = view.samples(spans, "FRP", "FRP_A")
    level = estimate(found.value, found.group, 10.0)
    if level.n < MIN_SAMPLES:
        return [subject.not_judged("Too little steady warm idle was recorded.", "idle")]
    judged = subject.judged(
        "Rail pressure at warm idle",
        Measured(level.mean, level.half_width, evidence(spans, found.t_ns)),
        bands["rail_idle_diesel" if compression else "rail_idle_gasoline"],
        "low",
        "high",
    )
    share = 100.0 * (found.value / level.mean - 1.0)
    return [judged, _hunting(bands, "steadiness", found, share, spans)]


def _start(view: View, bands: Bands) -> Finding | None:
    """The highest pressure while the starter turns and just after, of compression ignition, which
    needs it to start; None where no start was recorded, or no reading of one."""
    if not view.engine.holds(Trait.COMPRESSION):
        return None
    spans = tuple(Span(s.start_ns, s.end_ns + AFTER_NS) for s in view.conditions.standing.starts)
    found = view.samples(spans, "FRP", "FRP_A")
    if len(found) == 0:
        return None
    first = [float(found.value[found.group == k].max()) for k in np.unique(found.group)]
    return Subject(KEY, "start").judged(
        "Rail pressure reached by the time the engine runs",
        Measured(min(first), 500.0, spans, (said("{n} starts", n=len(first)),)),
        bands["rail_start"],
        "start",
    )
