"""What the car was doing, found from whatever signals there are.

Everything is decided on an even time base of 0.2 s, so that a log of 10 Hz and one of 1 Hz are
treated alike; thresholds have hysteresis, and a condition that does not last its minimum is
`other driving`. Thresholds are common practice, no source, unless one is named.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from logbench.analysis import alignment
from logbench.analysis.alignment import Mask, Values, edges
from logbench.analysis.derived import SEA_LEVEL_KPA
from logbench.analysis.engine import Engine, Trait
from logbench.analysis.grid import STEP_S, Grid, schmitt
from logbench.analysis.model import Condition, ConditionSpan
from logbench.analysis.starts import RUNS_RPM, TURNS_RPM, Standing, find_standing

WARM_DEGC = 70.0
"""Coolant temperature from which the engine counts as warm."""

OPEN_PCT = (75.0, 65.0)
"""Throttle from which it is full, and until which it stays so."""
FLOOR_PCT = {"APP_D": 70.0, "APP_E": 35.0, "APP_R": 85.0}
"""A pedal sensor on the floor reads at least this; the second one often half of the first. [CP]"""

FUELED = (("ENG_FUEL_RATE", 0.03), ("FUEL_RATE", 0.15), ("LOAD_PCT", 2.0), ("TQ_ACT", 2.0))
"""Above so much compression ignition gets fuel, where the signal goes down to it at all. [CP]"""
CHARGED_KPA = 12.0
"""Nor does the overrun charge by so much. [CP]"""
REGENERATES_DEGC, REGENERATES_S = (550.0, 480.0), 60.0
"""From and until which temperature at its inlet a filter burns its soot, and for how long at least.
[Weak: two makers of filters, 500 to 600 degC and more for 15 to 20 minutes; the time CP]"""
LONGEST_HALT_S = 300.0
"""Longer, an engine was switched off. [CP]"""

_ORDER = tuple(Condition)
_CODE = {condition: code for code, condition in enumerate(_ORDER)}
_UNKNOWN = -1

_MINIMUM_S = {
    Condition.KEY_ON: 0.2,
    Condition.GLOW: 0.2,
    Condition.CRANKING: 0.2,
    Condition.ENGINE_OFF: 0.2,
    Condition.COLD_IDLE: 3.0,
    Condition.WARM_IDLE: 3.0,
    Condition.FAST_IDLE: 3.0,
    Condition.CRUISE: 4.0,
    Condition.ACCELERATION: 1.0,
    Condition.FULL_THROTTLE: 0.6,
    Condition.FUEL_CUT: 0.8,
    Condition.REGENERATION: 5.0,
    Condition.ELECTRIC: 1.0,
    Condition.HALT: 1.0,
    Condition.OTHER: 0.0,
}

Codes = npt.NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class Conditions:
    """Driving conditions of a recording.

    `spans`: in order of time, gaps left out. `code`: int8, shape of the grid, the place of the
    condition in `Condition`, -1 where the recording has a gap or contradicts itself. `standing`:
    where the engine stands, by the readings themselves. `running`, `warm`, `closed_loop`,
    `regenerating` (a particulate filter, in whatever condition): bool, same shape. `notes`: what
    had to be inferred, one sentence each. `loop_recorded` and `warm_recorded` say whether
    `closed_loop` and `warm` rest on recorded signals.
    """

    spans: tuple[ConditionSpan, ...]
    code: Codes
    standing: Standing
    running: Mask
    warm: Mask
    closed_loop: Mask
    regenerating: Mask
    loop_recorded: bool
    warm_recorded: bool
    idle_rpm: float
    notes: tuple[str, ...] = field(default=())

    def mask(self, *conditions: Condition) -> Mask:
        """True on the grid where one of `conditions` holds."""
        return np.isin(self.code, [_CODE[c] for c in conditions])


@dataclass(slots=True)
class _Inputs:
    """The signals on the grid; None where not recorded."""

    rpm: Values
    speed: Values | None
    throttle: Values | None
    pedal: Values | None
    coolant: Values | None
    loop: Values | None
    fueled: Mask | None
    running: Mask
    regenerating: Mask
    standing: Standing
    idle_rpm: float = 750.0
    notes: list[str] = field(default_factory=list)


def classify(grid: Grid, engine: Engine) -> Conditions:
    """All of a recording's conditions on its grid, as its engine can have them."""
    compression = engine.holds(Trait.COMPRESSION)
    x = _inputs(grid, compression)
    warm, warm_recorded = _warm(x)
    x.idle_rpm = _idle_rpm(x, warm)
    masks = _driving(grid, x, warm)
    code = np.full(len(grid), _CODE[Condition.OTHER], dtype=np.int8)
    for condition, mask in reversed(list(masks.items())):
        code[mask] = _CODE[condition]
    code[~x.running] = _UNKNOWN
    _standing_engine(code, x, grid)
    _stopped_engine(code, x, grid, engine)
    code = _tidy(code)
    closed, loop_recorded = x.running & False, False
    if not compression:  # it holds no mixture at one value
        closed, loop_recorded = _closed_loop(code, x)
    return Conditions(
        spans=_spans(code, grid),
        code=code,
        standing=x.standing,
        running=x.running,
        warm=warm,
        closed_loop=closed,
        regenerating=x.regenerating,
        loop_recorded=loop_recorded,
        warm_recorded=warm_recorded,
        idle_rpm=x.idle_rpm,
        notes=tuple(x.notes),
    )


def _inputs(grid: Grid, compression: bool | None) -> _Inputs:
    rpm = grid.linear("RPM")
    speed = grid.linear("VSS")
    notes: list[str] = []
    if rpm is None:
        rpm = _engine_speed_unknown(grid, speed)
        notes.append("Engine speed was not recorded; driving conditions are rough.")
    standing = find_standing(grid.traces)
    if standing.contradicted:
        rpm = np.where(alignment.inside(grid.t_ns, standing.contradicted), np.nan, rpm)
        notes.append("Engine speed reads 0 where other signals say that the engine runs.")
    if speed is None:
        notes.append("Road speed was not recorded; the car is taken as standing still.")
    running, throttle = schmitt(rpm, RUNS_RPM, 250.0), grid.linear("TP", "TAC_PCT", "TP_R")
    if throttle is not None and (compression or _stands_open(throttle[running])):
        throttle = None
        notes.append("The throttle flap stands open: it says nothing of the driver's foot.")
    return _Inputs(
        rpm=rpm,
        speed=speed,
        throttle=throttle,
        pedal=grid.linear("APP_D", "APP_E", "APP_R"),
        coolant=grid.slow("ECT"),
        loop=grid.held("FUELSYS1"),
        fueled=_fueled(grid) if compression else None,
        running=running,
        regenerating=_regenerating(grid, running),
        standing=standing,
        notes=notes,
    )


def _stands_open(throttle: Values) -> bool:
    """Whether a flap is open for most of a drive, as on an engine that does not throttle by it."""
    known = throttle[np.isfinite(throttle)]
    return len(known) > 0 and float(np.percentile(known, 25)) >= OPEN_PCT[1]


def _engine_speed_unknown(grid: Grid, speed: Values | None) -> Values:
    """NaN where nothing tells that the engine runs; else a middling speed."""
    out = np.full(len(grid), np.nan)
    for values, limit in ((speed, 3.0), (grid.linear("MAF"), 1.0), (grid.linear("LOAD_PCT"), 5.0)):
        if values is not None:
            out[values > limit] = 1500.0
    return out


def _warm(x: _Inputs) -> tuple[Mask, bool]:
    """Where the engine is warm, and whether the coolant temperature was recorded."""
    if x.coolant is not None:
        return schmitt(x.coolant, WARM_DEGC, WARM_DEGC - 3.0), True
    x.notes.append(
        "Coolant temperature was not recorded; the engine is taken as warm after 10 minutes."
    )
    return np.cumsum(x.running) * STEP_S >= 600.0, False


def _idle_rpm(x: _Inputs, warm: Mask) -> float:
    """The car's own idle speed: the median while it stands, runs and is not revved."""
    slow = x.running & (x.rpm < 1300.0)
    if x.speed is not None:
        slow &= x.speed < 1.5
    for pick in (slow & warm, slow):
        if np.count_nonzero(pick) * STEP_S >= 5.0:
            return float(np.median(x.rpm[pick]))
    return 750.0


def _driving(grid: Grid, x: _Inputs, warm: Mask) -> dict[Condition, Mask]:
    """A mask for each condition of a running engine; the earlier one wins."""
    false = np.zeros(len(grid), dtype=bool)
    still = ~false if x.speed is None else schmitt(x.speed, 1.5, 3.0)
    rest = _pedal_at_rest(x)
    masks: dict[Condition, Mask] = {
        Condition.FULL_THROTTLE: _full_throttle(grid, x),
        Condition.FUEL_CUT: _fuel_cut(x, rest),
        Condition.REGENERATION: x.regenerating,
    }
    limit = np.where(warm, max(1.35 * x.idle_rpm, x.idle_rpm + 250.0), 1900.0)
    steady_rpm = grid.span_of(x.rpm, 2.0) < np.where(x.rpm > 1500.0, 400.0, 350.0)
    # an engine that hunts is idling, too, where the driver's foot is known to be off
    idle = still & (x.rpm < limit) & (steady_rpm if rest is None else rest)
    masks[Condition.WARM_IDLE] = idle & warm
    masks[Condition.COLD_IDLE] = idle & ~warm
    fast = still & schmitt(x.rpm, 1600.0, 1450.0) & (x.rpm < 4000.0) & steady_rpm
    if rest is not None and x.pedal is not None:
        fast &= ~rest  # the throttle alone hardly opens for a hold without load
    masks[Condition.FAST_IDLE] = fast
    masks[Condition.CRUISE] = false
    masks[Condition.ACCELERATION] = false
    if x.speed is not None:
        pull = grid.rate_per_s(x.speed, 2.0)
        calm = (x.speed > 20.0) & (grid.span_of(x.speed, 3.0, 1.0) < 4.0)
        calm &= grid.span_of(x.rpm, 3.0) < 0.08 * np.maximum(x.rpm, 1000.0)
        if x.throttle is not None:
            calm &= grid.span_of(x.throttle, 3.0) < 5.0
        masks[Condition.CRUISE] = calm & (np.abs(pull) < 1.2)
        masks[Condition.ACCELERATION] = (x.speed > 1.5) & schmitt(pull, 1.5, 0.8)
    return masks


def _pedal_at_rest(x: _Inputs) -> Mask | None:
    """Where the driver's foot is off: by the pedal, else by the throttle; None where unknown."""
    for values, reach in ((x.pedal, 1.5), (x.throttle, 4.0)):
        known = np.empty(0) if values is None else values[x.running & np.isfinite(values)]
        if values is not None and len(known):
            closed = float(np.percentile(known, 2.0, method="lower"))
            return schmitt(values, closed + reach, closed + 1.5 * reach)
    return None


def _full_throttle(grid: Grid, x: _Inputs) -> Mask:
    if x.throttle is not None:
        return schmitt(x.throttle, *OPEN_PCT) & x.running
    for name, floor in FLOOR_PCT.items():
        pedal = grid.linear(name)
        if pedal is not None:
            x.notes.append("Full throttle is inferred from the pedal.")
            return schmitt(pedal, floor, floor - 5.0) & x.running
    load, manifold = grid.linear("LOAD_PCT"), grid.linear("MAP")
    if manifold is None or load is None:
        return np.zeros(len(grid), dtype=bool)
    x.notes.append("Full throttle is inferred from pressure and load.")
    around = grid.slow("BARO")
    level = SEA_LEVEL_KPA if around is None else np.nan_to_num(around, nan=SEA_LEVEL_KPA)
    return (manifold > 0.94 * level) & (load > 90.0) & (x.rpm > 1300.0)


def _fuel_cut(x: _Inputs, rest: Mask | None) -> Mask:
    """On the overrun: by the driver's foot, and what says that fuel flows, which cruise control
    gives without any foot; by that alone where the foot is not known."""
    if x.fueled is not None:
        rest = ~x.fueled if rest is None else rest & ~x.fueled
    if rest is None or x.speed is None:
        return np.zeros(len(x.rpm), dtype=bool)
    cut = rest & (x.speed > 8.0) & (x.rpm > x.idle_rpm + 350.0)
    if x.loop is not None:
        cut &= ~np.isin(x.loop, (2.0, 16.0))
    return cut


def _fueled(grid: Grid) -> Mask | None:
    """Where something says that compression ignition gets fuel; None where nothing could."""
    for name, most in FUELED:
        values = grid.linear(name)
        if values is not None and np.nanmin(values, initial=np.inf) <= most:
            return np.asarray(values > most)
    manifold = grid.linear("MAP")
    if manifold is None or grid.linear("APP_D", "APP_E", "APP_R") is None:
        return None
    around = grid.slow("BARO")
    level = SEA_LEVEL_KPA if around is None else np.nan_to_num(around, nan=SEA_LEVEL_KPA)
    return np.asarray(manifold > level + CHARGED_KPA)


def _regenerating(grid: Grid, running: Mask) -> Mask:
    """Where the particulate filter burns its soot: as the ECU says; where it says nothing by the
    temperature at its inlet, held for longer than hard driving holds it."""
    told = grid.held("DPF_REGEN")
    if told is not None:
        return np.asarray(running & (told == 1.0))
    inlet, out = grid.slow("DPF1_INT", "DPF2_INT"), np.zeros(len(grid), dtype=bool)
    if inlet is not None:
        for a, b in edges(schmitt(inlet, *REGENERATES_DEGC) & running):
            out[a:b] = (b - a) * STEP_S >= REGENERATES_S
    return out


def _stopped_engine(code: Codes, x: _Inputs, grid: Grid, engine: Engine) -> None:
    """What the car itself makes of an engine that does not run, in place: a hybrid drives, stop-
    start halts, glow plugs are heated before the start."""
    still = np.isin(code, [_CODE[c] for c in (Condition.KEY_ON, Condition.ENGINE_OFF)])
    glow = grid.held("GPL_STAT")
    if glow is not None:
        code[(code == _CODE[Condition.KEY_ON]) & (glow == 1.0)] = _CODE[Condition.GLOW]
    if x.speed is None or not (engine.holds(Trait.HYBRID) or engine.holds(Trait.STOP_START)):
        return
    rolls = schmitt(x.speed, 3.0, 1.5)
    if engine.holds(Trait.HYBRID):
        code[still & rolls] = _CODE[Condition.ELECTRIC]
    runs_again = np.maximum.accumulate(x.running[::-1])[::-1]
    for a, b in edges((code == _CODE[Condition.ENGINE_OFF]) & runs_again):
        if (b - a) * STEP_S <= LONGEST_HALT_S and not rolls[b - 1]:
            code[a:b] = _CODE[Condition.HALT]


def _standing_engine(code: Codes, x: _Inputs, grid: Grid) -> None:
    """Key on, cranking and engine off, where the engine does not run; in place."""
    known = np.isfinite(x.rpm) & ~x.running
    had_run = np.maximum.accumulate(x.running) if len(code) else x.running
    code[known & ~had_run] = _CODE[Condition.KEY_ON]
    code[known & had_run] = _CODE[Condition.ENGINE_OFF]
    turning = known & (x.rpm >= TURNS_RPM)
    for a, b in edges(turning):
        dying = a > 0 and x.running[a - 1]
        code[a:b] = _CODE[Condition.ENGINE_OFF if dying else Condition.CRANKING]
    code[known & alignment.inside(grid.t_ns, x.standing.starts)] = _CODE[Condition.CRANKING]


def _closed_loop(code: Codes, x: _Inputs) -> tuple[Mask, bool]:
    """Where the mixture is under closed-loop control, and whether that was recorded."""
    if x.loop is not None:
        return np.isin(x.loop, (2.0, 16.0)) & x.running, True
    x.notes.append("Fuel system status was not recorded; closed loop is inferred from warmth.")
    starts = np.concatenate(([False], x.running[1:] & ~x.running[:-1])) if len(code) else x.running
    since = np.arange(len(code)) - np.maximum.accumulate(np.where(starts, np.arange(len(code)), 0))
    settled = x.running & (since * STEP_S >= 60.0)
    if x.coolant is not None:
        settled &= x.coolant >= 60.0
    out = (Condition.FUEL_CUT, Condition.FULL_THROTTLE)
    return settled & ~np.isin(code, [_CODE[c] for c in out]), False


def _blocks(code: Codes) -> list[tuple[int, int]]:
    """Start and end (excluded) of each stretch of one code."""
    if len(code) == 0:
        return []
    cuts = np.flatnonzero(np.diff(code)) + 1
    return list(itertools.pairwise([0, *cuts.tolist(), len(code)]))


def _tidy(code: Codes) -> Codes:
    """Short holes of `other` between two stretches of one condition are filled; then what does not
    last its minimum becomes `other`."""
    code = code.copy()
    other = _CODE[Condition.OTHER]
    for a, b in _blocks(code):
        short = (b - a) * STEP_S <= 0.6
        if short and code[a] == other and a > 0 and b < len(code) and code[a - 1] == code[b]:
            code[a:b] = code[b]
    for a, b in _blocks(code):
        if code[a] != _UNKNOWN and (b - a) * STEP_S < _MINIMUM_S[_ORDER[code[a]]] - 1e-9:
            code[a:b] = other
    return code


def _spans(code: Codes, grid: Grid) -> tuple[ConditionSpan, ...]:
    return tuple(
        ConditionSpan(int(grid.t_ns[a]), int(grid.t_ns[b - 1]) + grid.step_ns, _ORDER[int(code[a])])
        for a, b in _blocks(code)
        if code[a] != _UNKNOWN
    )
