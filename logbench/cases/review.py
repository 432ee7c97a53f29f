"""Opening a recording off the main thread, in two steps: what can be drawn, then what it means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logbench.analysis.model import ConditionSpan, Finding
from logbench.cases.work import Work as Task
from logbench.plot.computed import ECU, computed_traces
from logbench.plot.grouping import group_of
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import StripTrace
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.recording.reader import Recording

_FIRST = (
    "RPM", "VSS", "MAF", "MAP", "LOAD_PCT", "TP", "SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2",
    "ECT", "IAT",
)  # fmt: skip
"""Shown when a recording is opened, as far as it holds them."""
_FEWEST_SHOWN = 6


@dataclass(frozen=True)
class Opened:
    """A recording with traces prepared for drawing: at first those to show, later all."""

    recording: Recording
    traces: tuple[StripTrace, ...]
    first: frozenset[tuple[str, str]]
    """Those shown without being asked."""

    @property
    def samples(self) -> int:
        """How many are in the traces read so far."""
        return sum(len(trace.pyramid) for trace in self.traces if trace.ecu != ECU)


@dataclass(frozen=True)
class Judged:
    """What the analysis says of a recording."""

    conditions: tuple[ConditionSpan, ...]
    findings: tuple[Finding, ...]


def open_for_review(path: Path, task: Task, wanted: Sequence[tuple[str, str]] = ()) -> Opened:
    """Open a recording and read what its strips begin with: the usual signals, and the traces
    `wanted` that it holds. Raises the reader's errors."""
    from logbench.recording.reader import open_recording

    task.report(tr("Opening {name}", name=path.name), 0.0)
    recording = open_recording(path)
    first = _shown_first(recording)
    keys = [*first, *(k for k in recording.keys if k in set(wanted) - set(first))]
    return Opened(recording, _read(recording, keys, task), frozenset(first))


def open_or_name(path: Path, task: Task, wanted: Sequence[tuple[str, str]] = ()) -> Opened | Path:
    """The same; or the path of a file that is no recording and can be imported."""
    from logbench.errors import NotARecordingError

    try:
        return open_for_review(path, task, wanted)
    except NotARecordingError:
        from logbench.importing.run import is_foreign

        if is_foreign(path):
            return path
        raise


def read_rest(opened: Opened, task: Task) -> Opened:
    """The same with all its traces, in the recording's order; those read are kept. Derived
    signals follow."""
    held = {trace.key: trace for trace in opened.traces}
    missing = [key for key in opened.recording.keys if key not in held]
    held |= {t.key: t for t in _read(opened.recording, missing, task)}
    task.report(tr("Computing derived signals"), 0.95)
    computed = computed_traces(opened.recording)
    traces = (*(held[key] for key in opened.recording.keys), *computed)
    return Opened(opened.recording, traces, opened.first)


def _read(
    recording: Recording, keys: Sequence[tuple[str, str]], task: Task
) -> tuple[StripTrace, ...]:
    kinds = _kinds()
    traces = []
    for number, (signal, ecu) in enumerate(keys):
        task.report(tr("Reading {signal}", signal=signal), number / len(keys))
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
    return tuple(traces)


def _shown_first(recording: Recording) -> list[tuple[str, str]]:
    """The engine's own traces of the usual signals, or else of the first numbers there are."""
    engine = min((ecu for _, ecu in recording.keys), default="")
    kinds = _kinds()
    mine = [
        signal
        for signal, ecu in recording.keys
        if ecu == engine and kinds.get(signal, "number") == "number"
    ]
    usual = [signal for signal in _FIRST if signal in mine]
    others = [signal for signal in mine if signal not in _FIRST]
    chosen = (usual + others)[: max(len(usual), _FEWEST_SHOWN)]
    return [(signal, engine) for signal in chosen]


def judge(recording: Recording, task: Task) -> Judged:
    """Driving conditions and findings."""
    from logbench.analysis.conditions import find_conditions
    from logbench.analysis.run import run_checks

    task.report(tr("Finding driving conditions"), 0.2)
    conditions = find_conditions(recording)
    task.report(tr("Running the checks"), 0.5)
    return Judged(conditions, tuple(run_checks(recording)))


def _kinds() -> dict[str, str]:
    from logbench.signals.table import table

    return {signal.acronym: signal.kind for signal in table()}


def _label(keys: Sequence[tuple[str, str]], signal: str, ecu: str) -> str:
    several = sum(s == signal for s, _ in keys) > 1
    return f"{signal} {ecu}" if several else signal
