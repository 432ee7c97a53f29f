"""What the ribbon shows of a whole drive: conditions, events, findings and notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbench.analysis.model import ConditionSpan, Finding, Span
from logbench.plot.trace import SECOND
from logbench.recording.model import Event
from logbench.signals.numbers import time_text
from logbench.words import word

if TYPE_CHECKING:
    from logbench.recording.notes import Note


@dataclass(frozen=True, slots=True)
class RibbonContent:
    """All of it on the recording's time axis."""

    conditions: Sequence[ConditionSpan] = ()
    """What the car was doing, in order of time."""
    events: Sequence[Event] = ()
    """Markers, lost links and the like."""
    findings: Sequence[Finding] = ()
    """Their evidence is shown."""
    notes: Sequence[Note] = ()
    shades: Sequence[Span] = ()
    """What the strips shade: evidence, what was found or marked."""

    def described_at(self, t_ns: int, near_ns: int) -> str:
        """Time, condition, events, notes and findings at a time, one a line; what has no length
        is there when it lies within `near_ns`."""
        said = [time_text(t_ns / SECOND)]
        said += [word(c.condition.value) for c in self.conditions if c.start_ns <= t_ns < c.end_ns]
        said += [e.text or word(e.kind) for e in self.events if abs(e.t_ns - t_ns) <= near_ns]
        said += [n.text for n in self.notes if n.start_ns - near_ns <= t_ns <= n.end_ns + near_ns]
        said += [
            f"{word(f.verdict.value)}: {f.subject}"
            for f in self.findings
            if any(s.start_ns <= t_ns < s.end_ns for s in f.evidence)
        ]
        return "\n".join(said)
