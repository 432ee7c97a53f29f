"""What a drive still lacks: the steps the checks' evidence needs, ticked off by the data itself,
and for the second drive of a comparison the operating cells of the first.

Lengths of the steps are common practice, no source; they are what the checks ask for or more. How
many drives a comparison needs follows from how far the car moves from one to the next.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum

import numpy as np

from logbench.analysis.alignment import Mask, edges
from logbench.analysis.comparison.cells import (
    MIN_SLOTS,
    SLOT_S,
    CellKey,
    LoadAxis,
    choose_axis,
    seconds_in_cells,
)
from logbench.analysis.conditions import WARM_DEGC
from logbench.analysis.engine import Engine, Trait
from logbench.analysis.grid import STEP_S, RecordingLike
from logbench.analysis.model import Condition, ConditionSpan, Finding
from logbench.analysis.repeats import Repeats, Scatter
from logbench.analysis.statement import Quantity, joined, said
from logbench.analysis.statistics import NORMAL_95
from logbench.analysis.view import View
from logbench.signals.numbers import digits
from logbench.signals.units import difference_unit

COLD_DEGC = 40.0
"""Coolant below this at the start is a cold start."""
CELL_S = 10.0
"""Steady seconds after which a cell of the grid counts as filled."""
ENOUGH_S = 20.0
"""More steady seconds in one cell than this add little: another visit adds more."""


class StepState(Enum):
    """Where a step stands."""

    TO_DO = "to do"
    DONE = "done"
    TOO_LATE = "too late for this drive"


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One step: `say` asks for it, of a driver who stands or of a passenger; it is done after
    `needed_s`, 0 where it is an instant. `under_way` is all that a driver is told of it on the
    road, and asks for nothing: no hand, no foot, no look. Empty: it is done at a standstill."""

    key: str
    title: str
    say: str
    needed_s: float = 0.0
    under_way: str = ""


WAITS = "When safely stopped: read the next step"
"""Of what a driver must agree to before it is driven."""
_CRUISE, _COAST = "Steady driving counts by itself", "Coasting in gear counts by itself"
STEPS = (
    PlanStep("cold_start", "Cold start", "Start the cold engine while recording"),
    PlanStep(
        "warm_up", "Idle to warm", "Let it warm up: idle, then gentle driving",
        under_way="Warming up counts by itself",
    ),
    PlanStep("warm_idle", "Warm idle, 60 s", "Idle, warm, everything off, hands and feet off", 60),
    PlanStep("hold_2500", "2,500 rpm hold, 30 s", "Stand still and hold 2,500 rpm", 30),
    PlanStep("cruise", "Steady cruise, 60 s", "Drive steadily at one speed", 60, _CRUISE),
    PlanStep(
        "full_throttle", "One full-throttle pull, 2 s",
        "One full-throttle pull above 3,000 rpm, only where lawful and safe", 2, WAITS,
    ),
    PlanStep(
        "coast_down", "Coast-down, 5 s", "Foot off at speed and let it coast in gear", 5, _COAST,
    ),
)  # fmt: skip


COMPRESSION_STEPS = (
    PlanStep("cold_start", "Cold start", "Key on, let it glow, and start it cold while recording"),
    PlanStep(
        "warm_up", "Drive to warm", "Drive it warm: at idle a diesel hardly warms up",
        under_way="Warming up counts by itself",
    ),
    PlanStep(
        "warm_idle", "Warm idle, 120 s",
        "Idle, warm, everything off: recirculation may shut after a minute", 120,
    ),
    PlanStep("cruise", "Steady cruise, 60 s", "Drive steadily at one speed", 60, _CRUISE),
    PlanStep(
        "full_throttle", "One full-load pull, 3 s",
        "One pull from 1,500 rpm in a middle gear, pedal down, only where lawful and safe", 3,
        WAITS,
    ),
    PlanStep(
        "coast_down", "Coast-down, 5 s", "Foot off at speed and let it coast in gear", 5, _COAST,
    ),
)  # fmt: skip
"""What the checks of a diesel ask for: none of them needs a hold without load."""
FULL_RPM, COMPRESSION_FULL_RPM = 3000.0, 2000.0
"""From here on a pull counts."""
KEPT_RUNNING = {
    Trait.HYBRID: "{say}; keep its engine running as its maker says (inspection mode)",
    Trait.STOP_START: "{say}; switch stop-start off first",
}


def steps_for(engine: Engine) -> tuple[PlanStep, ...]:
    """The steps of a drive with this engine, in order."""
    steps = COMPRESSION_STEPS if engine.holds(Trait.COMPRESSION) else STEPS
    kept = next((text for trait, text in KEPT_RUNNING.items() if engine.holds(trait)), "{say}")
    return tuple(
        replace(step, say=kept.format(say=step.say)) if step.key == "warm_idle" else step
        for step in steps
    )


@dataclass(frozen=True, slots=True)
class StepProgress:
    """A step with the seconds it has."""

    step: PlanStep
    state: StepState
    have_s: float = 0.0


@dataclass(frozen=True, slots=True)
class CellGoal:
    """One cell to drive: `had_s` steady seconds in the first drive, `wanted_s` in the second."""

    cell: CellKey
    axis: LoadAxis
    had_s: float
    wanted_s: float


@dataclass(frozen=True, slots=True)
class CellProgress:
    """A cell of the grid: seconds it has, and those wanted of it (0 where none are)."""

    cell: CellKey
    have_s: float
    wanted_s: float = 0.0

    @property
    def done(self) -> bool:
        """It has what is wanted, or, where nothing is, enough."""
        return self.have_s >= (self.wanted_s or CELL_S)


@dataclass(frozen=True)
class DriveProgress:
    """What a drive has so far; `axis` is None without a load signal."""

    conditions: tuple[ConditionSpan, ...]
    steps: tuple[StepProgress, ...]
    axis: LoadAxis | None = None
    cells: Mapping[CellKey, CellProgress] = field(default_factory=dict)

    def next_step(self) -> StepProgress | None:
        """The first step still to do, or None."""
        return next((s for s in self.steps if s.state is StepState.TO_DO), None)

    def next_cell(self) -> CellProgress | None:
        """Of the cells wanted, the one that lacks most, or None."""
        lacking = [c for c in self.cells.values() if c.wanted_s and not c.done]
        return max(lacking, key=lambda c: c.wanted_s - c.have_s, default=None)

    @property
    def coming(self) -> str:
        """What comes next, without its seconds: the same as long as the same is asked for."""
        step, cell = self.next_step(), self.next_cell()
        if step is not None:
            return step.step.key
        return str(cell.cell) if cell is not None else "complete"

    def says(self, *, under_way: bool = False) -> str:
        """What comes next, in one sentence; `under_way`: as a driver on the road may be told it,
        who is asked for nothing but what is lawful to do later."""
        step = self.next_step()
        if step is not None:
            return _asked(step, under_way)
        cell = self.next_cell()
        if cell is not None and self.axis is not None:
            left_s = cell.wanted_s - cell.have_s
            if under_way:
                return said("{cruise}: {left:.0f s} more", cruise=_CRUISE, left=left_s)
            where = cell.cell.text(self.axis)
            return said("Drive at {where}: {left:.0f s} more", where=where, left=left_s)
        return "The plan is complete"


def _asked(progress: StepProgress, under_way: bool) -> str:
    step, left_s = progress.step, progress.step.needed_s - progress.have_s
    text = step.say
    if under_way:
        text = step.under_way or said("When safely stopped: {say}", say=step.say)
    if left_s <= 0 or text == WAITS:
        return text
    return said("{step}: {left:.0f s} more", step=text, left=left_s)


USUAL_CHARGE_KPA = 120.0
"""Of a diesel at light load [open road data, measured: 114 to 146 kPa]: its scatter is a share."""
POWER_DRIVES = (1, 2, 3, 5)
"""Drives of each side for which it is told what they show."""
_MOST_POWERS = 3


@dataclass(frozen=True, slots=True)
class Power:
    """The size of a true change of a number that 1, 2, 3 and 5 drives before and as many after a
    repair show four times in five; in its unit, that of a difference."""

    title: str
    unit: str
    sizes: tuple[float, ...]

    def says(self) -> str:
        """`total fuel trim: 10.1, 7.1, 5.8, 4.5 points`."""
        first, *others = self.sizes
        decimals = digits(first)
        sizes = Quantity(first, self.unit, decimals=decimals, others=tuple(others), join=", ")
        return said("{title}: {sizes}", title=self.title, sizes=sizes)


def told_of(powers: Sequence[Power]) -> tuple[str, ...]:
    """A line for each, below one that says what it is."""
    counts = joined([str(n) for n in POWER_DRIVES], ", ")
    head = said(
        "Smallest change that shows four times in five, with {n} drives on each side:", n=counts
    )
    return (head, *(power.says() for power in powers))


def powers_for(findings: Sequence[Finding], repeats: Repeats) -> tuple[Power, ...]:
    """What repeats of a drive would show of its numbers that are out of their bands, the worst
    first; where none is, of the total fuel trim, or of a diesel's charge pressure."""
    out = [f for f in findings if f.value is not None and f.verdict.severity]
    out.sort(key=lambda finding: -finding.verdict.severity)
    found = []
    for finding in out[:_MOST_POWERS]:
        scatter = repeats.of(finding.heading).at(finding.value or 0.0)
        own_se = (finding.uncertainty or 0.0) / NORMAL_95
        found.append(_power(finding.heading, finding.unit, scatter, own_se))
    if found:
        return tuple(found)
    if repeats.compression:
        pressure = repeats.of("MAP").at(USUAL_CHARGE_KPA)
        return (_power("charge pressure", "kPa", pressure, 0.0),)
    return (_power("total fuel trim", "%", repeats.of("TOTAL_TRIM1"), 0.0),)


def _power(title: str, unit: str, scatter: Scatter, own_se: float) -> Power:
    sizes = tuple(scatter.detectable(n, n, own_se) for n in POWER_DRIVES)
    return Power(title, difference_unit(unit), sizes)


def plan_from(recordings: Sequence[RecordingLike]) -> tuple[CellGoal, ...]:
    """Cells that the given recordings spent long enough in, longest first; empty without `RPM` and
    a load, or without any warm and steady running."""
    views = [View(recording) for recording in recordings]
    axis = choose_axis(views, views) if views else None
    if axis is None:
        return ()
    goals = [
        CellGoal(cell, axis, seconds, min(seconds, ENOUGH_S))
        for cell, seconds in seconds_in_cells(views, axis).items()
        if seconds >= MIN_SLOTS * SLOT_S
    ]
    return tuple(sorted(goals, key=lambda goal: -goal.had_s))


def progress_of(recording: RecordingLike, goals: Sequence[CellGoal] = ()) -> DriveProgress:
    """How far a drive has come. `goals`: cells that a first drive had, for a repeat."""
    view = View(recording)
    spans = view.conditions.spans
    axis = goals[0].axis if goals else choose_axis([view], [view])
    have = {} if axis is None else seconds_in_cells([view], axis)
    wanted = {goal.cell: goal.wanted_s for goal in goals}
    cells = {
        cell: CellProgress(cell, have.get(cell, 0.0), wanted.get(cell, 0.0))
        for cell in sorted({*have, *wanted})
    }
    masks = _masks(view)
    steps = tuple(_step(view, step, masks) for step in steps_for(view.engine))
    return DriveProgress(spans, steps, axis, cells)


def _masks(view: View) -> Mapping[str, Mask]:
    """By step, where on the grid the car did what it asks for."""
    found, rpm = view.conditions, view.grid.linear("RPM")
    full_rpm = COMPRESSION_FULL_RPM if view.engine.holds(Trait.COMPRESSION) else FULL_RPM
    if rpm is None:
        rpm = np.full(len(view.grid), np.nan)
    return {
        "warm_idle": found.mask(Condition.WARM_IDLE),
        "hold_2500": found.mask(Condition.FAST_IDLE) & found.warm & (np.abs(rpm - 2500.0) <= 250.0),
        "cruise": found.mask(Condition.CRUISE),
        "full_throttle": found.mask(Condition.FULL_THROTTLE) & (rpm >= full_rpm),
        "coast_down": found.mask(Condition.FUEL_CUT),
    }


def _step(view: View, step: PlanStep, masks: Mapping[str, Mask]) -> StepProgress:
    if step.key not in masks:
        return _warming(view, step)
    mask = masks[step.key]
    longest = max((b - a for a, b in edges(mask)), default=0)
    have_s = STEP_S * (int(mask.sum()) if step.key == "cruise" else longest)
    done = have_s >= step.needed_s
    return StepProgress(step, StepState.DONE if done else StepState.TO_DO, have_s)


def _warming(view: View, step: PlanStep) -> StepProgress:
    """Both steps can only be done on a drive that began cold."""
    coolant, running = view.grid.slow("ECT"), view.conditions.running
    known = np.empty(0) if coolant is None else coolant[running & np.isfinite(coolant)]
    if not len(known):
        return StepProgress(step, StepState.TO_DO)
    if known[0] >= COLD_DEGC:
        return StepProgress(step, StepState.TOO_LATE)
    if step.key == "warm_up":
        warm = bool(known.max() >= WARM_DEGC)
        return StepProgress(step, StepState.DONE if warm else StepState.TO_DO)
    seen = bool((~running[: int(np.argmax(running))]).any())
    return StepProgress(step, StepState.DONE if seen else StepState.TOO_LATE)
