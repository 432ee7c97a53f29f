"""What the ribbon shows of a whole drive: conditions, findings, and what is said of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbench.analysis.model import ConditionSpan, Finding, Span
from logbench.plot.trace import SECOND
from logbench.signals.numbers import time_text
from logbench.words import word

if TYPE_CHECKING:
    from logbench.recording.notes import Remark


@dataclass(frozen=True, slots=True)
class RibbonContent:
    """All of it on the recording's time axis."""

    conditions: Sequence[ConditionSpan] = ()
    """What the car was doing, in order of time."""
    findings: Sequence[Finding] = ()
    """Their evidence is shown."""
    remarks: Sequence[Remark] = ()
    """Markers, notes, lost links and the like."""
    shades: Sequence[Span] = ()
    """What the strips shade: evidence, what was found or marked."""

    def described_at(self, t_ns: int, near_ns: int) -> str:
        """Time, condition, remarks and findings at a time, one a line; a remark is there when it
        lies within `near_ns`."""
        said = [time_text(t_ns / SECOND)]
        said += [word(c.condition.value) for c in self.conditions if c.start_ns <= t_ns < c.end_ns]
        said += [r.said for r in self.remarks if r.start_ns - near_ns <= t_ns <= r.end_ns + near_ns]
        said += [
            f"{word(f.verdict.value)}: {word(f.subject)}"
            for f in self.findings
            if any(s.start_ns <= t_ns < s.end_ns for s in f.evidence)
        ]
        return "\n".join(said)
