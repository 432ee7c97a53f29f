"""A recording as the checks see it: traces by acronym, conditions, steady spans; all cached.

A view is made once per recording and handed to every check, so that nothing is read or found
twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar, cast

import numpy as np
import numpy.typing as npt

from logbench.analysis import alignment
from logbench.analysis.alignment import Mask, Times, Values
from logbench.analysis.conditions import Conditions, classify
from logbench.analysis.engine import Engine, Trait
from logbench.analysis.engine_clues import find_engine
from logbench.analysis.grid import STEP_S, Grid, RecordingLike, Traces, gap_s
from logbench.analysis.model import Condition, Span
from logbench.analysis.rationality.find import find_oddities, left
from logbench.analysis.rationality.model import Oddity
from logbench.analysis.statement import joined, said
from logbench.recording.model import Facts, Surroundings, Trace, stated
from logbench.signals.table import table

T = TypeVar("T")

SETTLE_S = 3.0
"""A transient and its transport delay are over when everything was steady for this long."""
_THROTTLE = (("TP", "TAC_PCT", "TP_R"), 2.5)
_PEDAL = (("APP_D", "APP_E", "APP_R"), 5.0)
_AT_WORK = ((("MAP",), 6.0), (("LOAD_PCT", "LOAD_ABS"), 12.0))
"""Signals of what the engine has to do, and by how much each may change where it is steady: of
compression ignition the pedal, whose flap moves for other reasons; of any other the throttle."""
CHARGED_SHARE = 0.06
"""Charge pressure moves by a share of itself where it is steady. [CP]"""


@dataclass(frozen=True, slots=True)
class Samples:
    """Samples of one signal in some spans: times, values, and the span that each lies in."""

    t_ns: Times
    value: Values
    group: npt.NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.t_ns)


class View:
    """A cached, lazy view of one recording."""

    def __init__(self, recording: RecordingLike) -> None:
        self.facts: Facts = recording.facts
        self.surroundings: Surroundings = stated(recording.facts)
        self.recorded = Traces(recording)
        self._made: dict[str, object] = {}

    def once(self, make: Callable[[View], T]) -> T:
        """What `make` finds in this view; found once and then kept, for what checks share."""
        key = f"{make.__module__}.{make.__qualname__}"
        if key not in self._made:
            self._made[key] = make(self)
        return cast("T", self._made[key])

    # --- signals ---

    @cached_property
    def oddities(self) -> tuple[Oddity, ...]:
        """What is odd about the signals."""
        return find_oddities(self.recorded)

    @cached_property
    def traces(self) -> Traces:
        """The traces as far as they can be believed."""
        return left(self.recorded, self.oddities)

    def trace(self, *acronyms: str) -> Trace | None:
        """The first of `acronyms` that is recorded with a finite sample that can be believed, or
        None."""
        return self.traces.first(*acronyms)

    def missing(self, *acronyms: str) -> tuple[str, ...]:
        """Those of `acronyms` that the recording does not hold, or not to be believed."""
        return tuple(a for a in acronyms if self.trace(a) is None)

    def at(self, t_ns: Times, *acronyms: str, within_s: float | None = None) -> Values:
        """The first recorded of `acronyms` at each time: a sample of the same request as it is,
        else on the straight line between neighbors at most `within_s` apart (default: no gap by
        the trace's own rate). NaN elsewhere, and everywhere when none is recorded."""
        trace = self.trace(*acronyms)
        if trace is None:
            return np.full(len(t_ns), np.nan)
        return alignment.linear(trace, t_ns, gap_s(trace) if within_s is None else within_s)

    def last(self, t_ns: Times, *acronyms: str, max_age_s: float) -> Values:
        """The last value of the first recorded of `acronyms` at each time, at most `max_age_s`
        old; NaN elsewhere."""
        trace = self.trace(*acronyms)
        if trace is None:
            return np.full(len(t_ns), np.nan)
        return alignment.previous(trace, t_ns, max_age_s)

    def samples(self, spans: Sequence[Span], *acronyms: str) -> Samples:
        """The finite samples of the first recorded of `acronyms` that lie in `spans`."""
        trace = self.trace(*acronyms)
        if trace is None or not spans:
            nothing = np.empty(0)
            return Samples(nothing.astype(np.int64), nothing, nothing.astype(np.intp))
        where = alignment.places(trace.t_ns, spans)
        index = np.concatenate([np.arange(a, b) for a, b in where])
        group = np.repeat(np.arange(len(where)), [b - a for a, b in where])
        good = np.isfinite(trace.value[index])
        index = index[good]
        return Samples(trace.t_ns[index], trace.value[index], group[good])

    # --- the even time base and what was done on it ---

    @cached_property
    def grid(self) -> Grid:
        """Signals on one even time base."""
        return Grid(self.traces)

    @cached_property
    def conditions(self) -> Conditions:
        """What the car was doing, with what had to be inferred."""
        return classify(self.grid, self.engine)

    @cached_property
    def engine(self) -> Engine:
        """What engine it is, each fact with its probability."""
        return find_engine(self.grid, self.facts)

    def spans(self, *conditions: Condition) -> tuple[Span, ...]:
        """All spans of these driving conditions, in order of time."""
        return tuple(s for s in self.conditions.spans if s.condition in conditions)

    @cached_property
    def steady(self) -> Mask:
        """On the grid: the engine runs and nothing has changed for `SETTLE_S`: engine speed within
        60 rpm or 6 %, throttle 2.5 points (of compression ignition the pedal 5), manifold pressure
        6 kPa or 6 %, calculated load 12 points, vehicle speed 4 km/h (common practice, no
        source)."""
        asked = _PEDAL if self.engine.holds(Trait.COMPRESSION) else _THROTTLE
        return self.once(speeds_steady) & _still(self, (asked, *_AT_WORK))

    def steady_spans(
        self,
        *conditions: Condition,
        where: Mask | None = None,
        min_s: float = 2.0,
    ) -> tuple[Span, ...]:
        """Stretches of at least `min_s` that are steady, in one of `conditions` (none given: any)
        and where the grid mask `where` holds."""
        mask = self.steady
        if conditions:
            mask = mask & self.conditions.mask(*conditions)
        return self.stretches(mask if where is None else mask & where, min_s)

    def stretches(self, mask: Mask, min_s: float = 0.0) -> tuple[Span, ...]:
        """Spans of at least `min_s` where a grid mask is true."""
        found = alignment.runs(mask, self.grid.t_ns, self.grid.step_ns)
        return tuple(s for s in found if s.duration_s >= min_s - 1e-9)

    @cached_property
    def run_start_ns(self) -> int | None:
        """When the engine first ran, if the recording shows the start; None when it ran already."""
        running = self.conditions.running
        if not running.any() or running[0]:
            return _started_before(self)
        return int(self.grid.t_ns[int(np.argmax(running))])

    def running_s(self) -> float:
        """How long the engine ran in this recording, seconds."""
        return float(np.count_nonzero(self.conditions.running)) * STEP_S

    # --- the car and where it is ---

    @cached_property
    def banks(self) -> tuple[int, ...]:
        """Banks that report a short- or long-term fuel trim."""
        return tuple(b for b in (1, 2, 3, 4) if self.trace(f"SHRTFT{b}", f"LONGFT{b}") is not None)

    @cached_property
    def baro_kpa(self) -> float | None:
        """Air pressure around the car, kPa: median of `BARO`, else of `MAP` with the engine off;
        None when neither is recorded."""
        baro = self.trace("BARO")
        if baro is not None:
            return float(np.nanmedian(baro.value))
        manifold = self.trace("MAP")
        if manifold is None:
            return None
        still = alignment.inside(manifold.t_ns, self.conditions.standing.still)
        rest = manifold.value[still & np.isfinite(manifold.value)]
        return float(np.median(rest)) if len(rest) else None


def evidence(spans: Sequence[Span], t_ns: Times) -> tuple[Span, ...]:
    """Those of `spans` that hold one of the times: what a finding rests on."""
    kept = np.unique(alignment.owner(t_ns, spans))
    return tuple(spans[int(k)] for k in kept if k >= 0)


def why_left_out(view: View, acronym: str) -> str:
    """`was left out: it keeps one value …`, of a signal of which readings are left out; empty
    of any other."""
    why = [o.clause for o in view.oddities if o.signal == acronym and o.left_out.any()]
    if not why:
        return ""
    part = "" if view.trace(acronym) is None else " in part"
    return said("was left out{part}: {why}", part=part, why=joined(why))


def unoffered(view: View, *acronyms: str) -> tuple[str, ...]:
    """Those of `acronyms` that no ECU of the car supports; none where that is not known."""
    pids = {pid for ecu in view.facts.identity.ecus.values() for pid in ecu.pids}

    def offered(acronym: str) -> bool:
        if acronym not in table():
            return True
        alike = table().alternatives(table().by_acronym(acronym).standard)
        return any(signal.pid in pids for signal in alike)

    return tuple(a for a in acronyms if pids and not offered(a))


def reported(view: View, *acronyms: str) -> tuple[str, ...]:
    """Those of `acronyms` that are recorded, or that the car says it offers."""
    told = any(ecu.pids for ecu in view.facts.identity.ecus.values())
    absent = unoffered(view, *acronyms)
    return tuple(a for a in acronyms if view.trace(a) is not None or (told and a not in absent))


def speeds_steady(view: View) -> Mask:
    """Where engine and vehicle speed are steady as in `View.steady`, whatever else is not."""
    rpm = view.grid.linear("RPM")
    if rpm is None:
        return np.zeros(len(view.grid), dtype=bool)
    calm = view.grid.span_of(rpm, SETTLE_S) <= np.maximum(60.0, 0.06 * rpm)
    return view.conditions.running & calm & _still(view, ((("VSS",), 4.0),))


def _still(view: View, limits: Iterable[tuple[tuple[str, ...], float]]) -> Mask:
    """Where none of some signals changed by more than its limit for `SETTLE_S`; an unknown
    stretch of one forbids nothing."""
    calm = np.ones(len(view.grid), dtype=bool)
    for names, limit in limits:
        values = view.grid.linear(*names)
        if values is not None:
            most = np.maximum(limit, CHARGED_SHARE * values) if "MAP" in names else limit
            calm &= ~(view.grid.span_of(values, SETTLE_S) > most)
    return calm


def _started_before(view: View) -> int | None:
    """The start of the engine just before the recording, by `RUNTM`; None when unknown or more
    than a minute before."""
    runtime = view.trace("RUNTM")
    if runtime is None or not view.conditions.running.any():
        return None
    good = np.flatnonzero(np.isfinite(runtime.value) & (runtime.value > 0))
    if len(good) == 0 or runtime.value[good[0]] > 60.0:
        return None
    first = int(good[0])
    return int(runtime.t_ns[first] - runtime.value[first] * alignment.NS)
