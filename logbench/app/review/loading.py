"""Opening a recording off the main thread, in two steps: what can be drawn, then what it means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logbench.analysis.model import ConditionSpan, Finding
from logbench.app.background import Task
from logbench.app.plot.canvas import StripTrace
from logbench.app.plot.grouping import group_of
from logbench.app.plot.pyramid import Pyramid

if TYPE_CHECKING:
    from logbench.recording.reader import Recording

_FIRST = (
    "RPM", "VSS", "MAF", "MAP", "LOAD_PCT", "TP", "SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2",
    "ECT", "IAT",
)  # fmt: skip
"""Shown when a recording is opened, as far as it holds them."""
_MOST_SHOWN = 12


@dataclass(frozen=True)
class Opened:
    """A recording with its traces prepared for drawing."""

    recording: Recording
    traces: tuple[StripTrace, ...]

    def shown_first(self) -> tuple[StripTrace, ...]:
        """What the strips begin with: the engine's own traces of the usual signals."""
        engine = min((t.ecu for t in self.traces), default="")
        mine = {t.signal: t for t in self.traces if t.ecu == engine and t.plottable}
        usual = [mine[s] for s in _FIRST if s in mine]
        others = [t for s, t in mine.items() if s not in _FIRST]
        return tuple((usual + others)[: max(len(usual), 6)][:_MOST_SHOWN])


@dataclass(frozen=True)
class Judged:
    """What the analysis says of a recording."""

    conditions: tuple[ConditionSpan, ...]
    findings: tuple[Finding, ...]


def open_for_review(path: Path, task: Task) -> Opened:
    """Read all traces of a recording; raises the reader's errors."""
    from logbench.recording.reader import open_recording

    task.tell(f"Opening {path.name}", 0.0)
    recording = open_recording(path)
    kinds = _kinds()
    traces = []
    for number, (signal, ecu) in enumerate(recording.keys):
        task.tell(f"Reading {signal}", number / len(recording.keys))
        trace = recording.trace(signal, ecu)
        traces.append(
            StripTrace(
                signal=signal,
                ecu=ecu,
                unit=trace.unit,
                pyramid=Pyramid.of(trace.t_ns, trace.value),
                label=_label(recording.keys, signal, ecu),
                group=group_of(signal, trace.unit),
                plottable=kinds.get(signal, "number") == "number",
            )
        )
    return Opened(recording, tuple(traces))


def judge(recording: Recording, task: Task) -> Judged:
    """Driving conditions and findings."""
    from logbench.analysis.conditions import find_conditions
    from logbench.analysis.run import run_checks

    task.tell("Finding driving conditions", 0.2)
    conditions = find_conditions(recording)
    task.tell("Running the checks", 0.5)
    return Judged(conditions, tuple(run_checks(recording)))


def _kinds() -> dict[str, str]:
    from logbench.signals.table import table

    return {signal.acronym: signal.kind for signal in table()}


def _label(keys: Sequence[tuple[str, str]], signal: str, ecu: str) -> str:
    several = sum(s == signal for s, _ in keys) > 1
    return f"{signal} {ecu}" if several else signal
