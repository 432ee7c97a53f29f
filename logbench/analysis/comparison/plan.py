"""The drive plan of the second drive, made from the operating cells of the first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logbench.analysis.comparison.cells import (
    MIN_SLOTS,
    SLOT_S,
    CellKey,
    LoadAxis,
    choose_axis,
    seconds_in_cells,
)
from logbench.analysis.grid import RecordingLike
from logbench.analysis.view import View

ENOUGH_S = 20.0
"""More steady seconds in one cell than this add little: another visit adds more."""


@dataclass(frozen=True, slots=True)
class CellGoal:
    """One cell to drive: `had_s` steady seconds in the first drive, `wanted_s` in the second."""

    cell: CellKey
    axis: LoadAxis
    had_s: float
    wanted_s: float

    @property
    def text(self) -> str:
        """`1500-2000 rpm, manifold pressure 30-40 kPa`."""
        return self.cell.text(self.axis)


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
