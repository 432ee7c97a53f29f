"""What a comparison yields: plain data, and the same as JSON types, which pandas takes as rows."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from logbench.analysis.comparison.cells import LoadAxis, Slots, key_of, spans_in
from logbench.analysis.comparison.differences import CellDifference
from logbench.analysis.comparison.quantities import Quantity
from logbench.analysis.comparison.warmup_curves import CrankComparison, WarmUpComparison
from logbench.analysis.model import Finding, Span, heading
from logbench.analysis.repeats import Scatter
from logbench.analysis.statement import Text
from logbench.analysis.statistics import Interval


class SignalVerdict(StrEnum):
    """What is shown about one quantity."""

    CHANGED = "changed"
    NO_CHANGE = "no change shown"
    NOT_COMPARABLE = "not comparable"


class FindingVerdict(StrEnum):
    """What has become of one finding."""

    RESOLVED = "resolved"
    IMPROVED = "improved"
    NO_CHANGE = "no change shown"
    WITHIN_BOTH = "within limits on both"
    """It changed, but neither number was outside."""
    WORSE = "worse"
    """Out of its range before and further out after."""
    NEW = "new"
    """Within its range before, out of it after."""
    NOT_COMPARABLE = "not comparable"


FOR_THE_BETTER = (FindingVerdict.RESOLVED, FindingVerdict.IMPROVED)
FOR_THE_WORSE = (FindingVerdict.WORSE, FindingVerdict.NEW)
CLAIMS = (*FOR_THE_BETTER, *FOR_THE_WORSE)
"""Verdicts that say that something has become of a finding that is or was out of its range."""


@dataclass(frozen=True, slots=True)
class SignalResult:
    """One quantity's verdict. Numbers are None where there is too little to give one.

    `before`, `after`: means over the shared cells, weighted alike, in `unit`. `half_width`: of the
    95 % interval of `change`. `detectable`: a true change of this size would have been found four
    times in five. `scatter`: of the quantity between drives, as it was used. `reason`: a sentence.
    """

    key: str
    title: str
    unit: str
    derived: bool
    verdict: SignalVerdict
    reason: str
    before: float | None = None
    after: float | None = None
    change: float | None = None
    half_width: float | None = None
    detectable: float | None = None
    p: float | None = None
    scatter: Scatter | None = None
    before_s: float = 0.0
    after_s: float = 0.0
    cells: tuple[CellDifference, ...] = ()
    cells_changed: tuple[bool, ...] = ()
    """For each of `cells`: whether it differs by itself, after the control over all cells."""

    @property
    def changed(self) -> bool:
        """Whether it is shown to have changed by more than it does from one drive to the next."""
        return self.verdict is SignalVerdict.CHANGED


@dataclass(frozen=True, slots=True)
class FindingResult:
    """What has become of a finding; None on the side that lacks it.

    Of several drives of a side the surest finding stands for it, with the number of them all.
    `change`: of a number, with the interval that the car's own moving from drive to drive leaves;
    `drives`: that were judged before and after.
    """

    check: str
    subject: str
    verdict: FindingVerdict
    reason: str
    before: Finding | None
    after: Finding | None
    change: Interval | None = None
    drives: tuple[int, int] = (0, 0)

    @property
    def heading(self) -> str:
        """`fuel trim: bank 1, warm idle`."""
        return heading(self.check, self.subject)

    @property
    def tells(self) -> bool:
        """Whether both sides were judged and at least one of them out of its band."""
        if self.verdict is FindingVerdict.NOT_COMPARABLE:
            return False
        return any(f is not None and f.verdict.severity > 0 for f in (self.before, self.after))


def lost_among(findings: Iterable[FindingResult]) -> tuple[FindingResult, ...]:
    """Those that were out of range before and could not be judged again."""
    return tuple(
        f
        for f in findings
        if f.verdict is FindingVerdict.NOT_COMPARABLE and f.before and f.before.verdict.severity
    )


@dataclass(frozen=True, slots=True)
class Concern:
    """Something the reader must know; `confirm`: the user must say that it is the same car."""

    text: str
    confirm: bool = False


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two sides held against each other."""

    signals: tuple[SignalResult, ...]
    findings: tuple[FindingResult, ...]
    warm_up: WarmUpComparison
    cranking: CrankComparison
    concerns: tuple[Concern, ...]
    summary: str
    """For the customer: one or two sentences."""
    axis: LoadAxis | None
    before_slots: Slots | None
    after_slots: Slots | None
    to_drive: tuple[str, ...] = ()
    """Cells that only one side has been in, and what to drive to share them."""
    quantities: tuple[Quantity, ...] = field(default=(), repr=False)

    @property
    def needs_confirmation(self) -> bool:
        """Whether the two sides may be different cars and the user must confirm otherwise."""
        return any(concern.confirm for concern in self.concerns)

    @property
    def lost(self) -> tuple[FindingResult, ...]:
        """Findings that were out of range before and could not be judged again."""
        return lost_among(self.findings)

    @property
    def comparable(self) -> bool:
        """Whether anything was compared that can tell of a repair: a signal, the warm-up, or a
        finding that was or is out of its band. That both recordings have no gaps is not enough."""
        signals = any(s.verdict is not SignalVerdict.NOT_COMPARABLE for s in self.signals)
        return signals or self.warm_up.ratio is not None or any(f.tells for f in self.findings)

    def signal(self, key: str) -> SignalResult:
        """The result of one quantity; `KeyError` when it was not looked at."""
        for result in self.signals:
            if result.key == key:
                return result
        raise KeyError(key)

    def spans(self, code: int, side: str, recording: int = 0) -> tuple[Span, ...]:
        """The stretches that a recording of a side (`before`, `after`) spent in a cell."""
        slots = self.before_slots if side == "before" else self.after_slots
        return () if slots is None else spans_in(slots, code, recording)

    def _cell_rows(self) -> list[dict[str, Any]]:
        if self.axis is None:
            return []
        return [
            {
                "signal": s.key,
                **dict(zip(("rpm_low", "rpm_high"), key.rpm, strict=True)),
                **dict(zip(("load_low", "load_high"), key.load(self.axis), strict=True)),
                "before": cell.before,
                "after": cell.after,
                "change": cell.difference.value,
                "low": cell.difference.low,
                "high": cell.difference.high,
                "weight": cell.weight,
                "before_s": cell.before_s,
                "after_s": cell.after_s,
                "changed": changed,
            }
            for s in self.signals
            for cell, changed in zip(s.cells, s.cells_changed, strict=True)
            for key in (key_of(cell.code),)
        ]

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain JSON types; no NaN."""
        return {
            "summary": self.summary,
            "needs_confirmation": self.needs_confirmation,
            "concerns": [c.text for c in self.concerns],
            "load_axis": None if self.axis is None else self.axis.title,
            "signals": [_signal_row(s) for s in self.signals],
            "cells": [_finite(row) for row in self._cell_rows()],
            "findings": [_finding_row(f) for f in self.findings],
            "not_judged_again": [f.heading for f in self.lost],
            "warm_up": self.warm_up.to_dict(),
            "cranking": self.cranking.to_dict(),
            "to_drive": list(self.to_drive),
        }


def _finding_row(result: FindingResult) -> dict[str, Any]:
    before, after = result.before, result.after
    row = {
        "check": result.check,
        "subject": result.subject,
        "verdict": result.verdict.value,
        "before": before.verdict.value if before else None,
        "after": after.verdict.value if after else None,
        "before_value": before.value if before else None,
        "after_value": after.value if after else None,
        "unit": next((f.unit for f in (before, after) if f and f.unit), ""),
        "change": result.change.value if result.change else None,
        "half_width": result.change.half_width if result.change else None,
        "drives_before": result.drives[0],
        "drives_after": result.drives[1],
        "reason": result.reason,
        "said": result.reason.to_json() if isinstance(result.reason, Text) else None,
    }
    return _finite(row)


def _signal_row(s: SignalResult) -> dict[str, Any]:
    names = ("before", "after", "change", "half_width", "detectable", "p")
    row: dict[str, Any] = {
        "signal": s.key,
        "title": s.title,
        "unit": s.unit,
        "verdict": s.verdict.value,
        "between_drives": s.scatter.single if s.scatter else None,
        "basis": s.scatter.basis if s.scatter else None,
        "reason": s.reason,
        "said": s.reason.to_json() if isinstance(s.reason, Text) else None,
        "before_s": s.before_s,
        "after_s": s.after_s,
        "shared_cells": len(s.cells),
    }
    return _finite(row | {name: getattr(s, name) for name in names})


def _finite(row: dict[str, Any]) -> dict[str, Any]:
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in row.items()}
