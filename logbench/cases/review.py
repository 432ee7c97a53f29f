"""Opening a recording off the main thread, in two steps: what can be drawn, then what it means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from logbench.cases.work import Work, only_looks
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import StripTrace
from logbench.signals.catalog import COMPUTED, Entry, catalog, group_of
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.recording.model import Trace
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
        return sum(len(trace.pyramid) for trace in self.traces if trace.ecu != COMPUTED)


@only_looks
def open_for_review(
    work: Work, path: Path, wanted: tuple[tuple[str, str], ...] = ()
) -> Opened | Path:
    """Open a recording and read what its strips begin with: the usual signals, and the traces
    `wanted` that it holds; others are read by `read_rest`. The answer is the path of a file that is
    no recording and can be imported. Raises the reader's errors."""
    from logbench.errors import NotARecordingError
    from logbench.recording.reader import open_recording

    work.report(tr("Opening {name}", name=path.name))
    try:
        recording = open_recording(path)
    except NotARecordingError:
        from logbench.importing.run import is_foreign

        if is_foreign(path):
            return path
        raise
    first = _shown_first(recording)
    further = set(wanted) - set(first)
    keys = [*first, *(key for key in recording.keys if key in further)]
    return Opened(recording, _read(recording, keys, work), frozenset(first))


@only_looks
def open_demo(work: Work, name: str, folder: Path) -> Opened | Path:
    """Open a demo drive, `before` or `after`, kept in `folder`; driven first where it is not there
    yet. Raises `StorageError` and the reader's errors."""
    from logbench.capture.demo_drives import held_demo

    def driven(share: float, phase: str) -> None:
        work.report(tr("Driving the simulated car: {phase}", phase=phase), share)

    work.report(tr("Driving the simulated car"))
    return open_for_review(held_demo(name, folder, driven)).run(work)


@only_looks
def read_rest(work: Work, opened: Opened) -> Opened:
    """The same with all its traces, in the recording's order; those read are kept. Derived signals
    follow."""
    recording = opened.recording
    held = {trace.key: trace for trace in opened.traces}
    missing = [key for key in recording.keys if key not in held]
    held |= {t.key: t for t in _read(recording, missing, work)}
    work.report(tr("Computing derived signals"), 0.95)
    computed = _computed_traces(recording)
    traces = (*(held[key] for key in recording.keys), *computed)
    return Opened(recording, traces, opened.first)


def _read(
    recording: Recording, keys: Sequence[tuple[str, str]], work: Work
) -> tuple[StripTrace, ...]:
    traces = []
    for number, (signal, ecu) in enumerate(keys):
        work.report(tr("Reading {signal}", signal=signal), number / len(keys))
        several = sum(name == signal for name, _ in recording.keys) > 1
        label = f"{signal} {ecu}" if several else signal
        strip = strip_of(recording.trace(signal, ecu), label)
        traces.append(replace(strip, held=recording.facts.rows_a_reading(signal)))
    return tuple(traces)


def strip_of(trace: Trace, label: str, entry: Entry | None = None) -> StripTrace:
    """A trace for drawing, with what the catalog says of its signal."""
    if entry is None and trace.signal in catalog():
        entry = catalog().by_acronym(trace.signal)
    kind = entry.kind if entry else "number"
    group = (entry.group if entry else "") or group_of(trace.signal, trace.unit, kind)
    return StripTrace(
        trace.signal,
        trace.ecu,
        trace.unit,
        Pyramid.of(trace.t_ns, trace.value),
        label=label,
        group=group,
        kind=kind,
        decimals=entry.decimals if entry else None,
        title=entry.title if entry else "",
        slot=entry.slot if entry else 0,
    )


def _computed_traces(recording: Recording) -> tuple[StripTrace, ...]:
    """Derived and own signals, as far as the recording's signals and facts allow."""
    from logbench.analysis.expression.evaluate import computed_signals
    from logbench.analysis.grid import Traces

    traces = Traces(recording)
    made = [traces.first(name) for name in computed_signals() if name not in recording]
    return tuple(strip_of(trace, trace.signal) for trace in made if trace is not None)


def _shown_first(recording: Recording) -> list[tuple[str, str]]:
    """The engine's own traces of the usual signals, or else of the first numbers there are."""
    engine = min((ecu for _, ecu in recording.keys), default="")
    words = {entry.acronym for entry in catalog() if entry.kind != "number"}
    mine = [signal for signal, ecu in recording.keys if ecu == engine and signal not in words]
    usual = [signal for signal in _FIRST if signal in mine]
    others = [signal for signal in mine if signal not in _FIRST]
    chosen = (usual + others)[: max(len(usual), _FEWEST_SHOWN)]
    return [(signal, engine) for signal in chosen]
