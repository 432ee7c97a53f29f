"""Decoding again what was exchanged with the car, and holding it against what was recorded."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from logbench.cases.work import Canceling, Deed, Work, not_written, only_looks
from logbench.errors import RecordingError
from logbench.importing.heard import Heard, decode_all
from logbench.importing.model import Report
from logbench.recording.finish import write_recording
from logbench.recording.model import Trace, signal_facts
from logbench.recording.reader import Recording, open_recording
from logbench.signals.table import table
from logbench.system.progress import within
from logbench.words import tr

_DECODED = 0.6
"""Of the work, what is done when all is decoded; the rest is writing it."""
_ROUNDING_NS = 500
"""A hurried clock rounds the two ends of a round trip, and its middle, at up to 1000 times the
speed; no two requests are so near."""


@dataclass(frozen=True, slots=True)
class Compared:
    """One trace of a recording against the exchanges, in samples. `t_ns`, `recorded`, `decoded`: of
    the first that differs."""

    signal: str
    ecu: str
    same: int = 0
    differing: int = 0
    unproved: int = 0
    """In the recording, but in no exchange."""
    left_out: int = 0
    """In the exchanges only: what could not be, or when nobody knew, is not recorded."""
    t_ns: int = 0
    recorded: float = 0.0
    decoded: float = 0.0


@dataclass(frozen=True, slots=True)
class DecodedAgain:
    """What the exchanges of a recording hold: `traces` from t = 0 on."""

    traces: tuple[Trace, ...]
    compared: tuple[Compared, ...]
    report: Report
    exchanges: int

    @property
    def proved(self) -> bool:
        """Every sample is what the car answered, as the program decodes it now."""
        return not any(one.differing or one.unproved for one in self.compared)

    @property
    def others(self) -> tuple[str, ...]:
        """Signals that the car answered with others and that were not chosen."""
        known = {one.signal for one in self.compared}
        return tuple(sorted({trace.signal for trace in self.traces} - known))


def decode_again(recording: Recording) -> DecodedAgain:
    """Raises `RecordingError` where the exchanges are not kept, or cannot be read."""
    if recording.facts.exchanges is None:
        raise RecordingError(
            tr(
                "{file} holds the values alone: what was exchanged with the car was not kept, so "
                "that nothing can be decoded again.",
                file=recording.path,
            )
        )
    report = Report()
    said = list(recording.exchanges())
    messages = [
        Heard(one.t_ns, "", one.ecu, one.data, one.request, number)
        for number, one in enumerate(said, start=1)
        if one.data
    ]
    traces = tuple(_from_zero(decode_all(messages, report).samples.items()))
    decoded = {(trace.signal, trace.ecu): trace for trace in traces}
    nothing = np.empty(0, np.int64), np.empty(0)
    compared = [
        _compared(trace, decoded.get(key, Trace(*key, trace.unit, *nothing)))
        for key in recording.keys
        for trace in [recording.trace(*key)]
    ]
    return DecodedAgain(traces, tuple(compared), report, len(said))


def _from_zero(
    samples: Iterable[tuple[tuple[str, str, str], tuple[list[int], list[float]]]],
) -> Iterable[Trace]:
    for (signal, _, ecu), (times, values) in sorted(samples):
        unit = table().by_acronym(signal).unit
        trace = Trace(signal, ecu, unit, np.array(times, np.int64), np.array(values)).in_order()
        since = trace.part(trace.t_ns >= 0)
        if len(since):
            yield since


def _compared(recorded: Trace, decoded: Trace) -> Compared:
    place = _place_in(decoded.t_ns, recorded.t_ns)
    there = np.flatnonzero(place >= 0)
    was, now = recorded.value[there], decoded.value[place[there]]
    other = np.flatnonzero(~((was == now) | (np.isnan(was) & np.isnan(now))))
    found = Compared(
        recorded.signal,
        recorded.ecu,
        same=len(there) - len(other),
        differing=len(other),
        unproved=len(recorded) - len(there),
        left_out=len(decoded) - len(np.unique(place[there])),
    )
    if not len(other):
        return found
    first = int(other[0])
    t_ns = int(recorded.t_ns[there[first]])
    return replace(found, t_ns=t_ns, recorded=float(was[first]), decoded=float(now[first]))


def _place_in(t_ns: npt.NDArray[np.int64], of: npt.NDArray[np.int64]) -> npt.NDArray[np.intp]:
    """Where each time of `of` stands in `t_ns`, both sorted; -1 where it does not."""
    if not len(t_ns):
        return np.full(len(of), -1)
    right = np.searchsorted(t_ns, of - _ROUNDING_NS)
    place = np.minimum(right, len(t_ns) - 1)
    return np.where(np.abs(t_ns[place] - of) <= _ROUNDING_NS, place, -1)


@only_looks
def compare_decoded(work: Work, path: Path) -> DecodedAgain:
    """The exchanges of a recording, decoded again. Raises the reader's errors."""
    work.report(tr("Decoding {name}", name=path.name), 0.0)
    return decode_again(open_recording(path))


@dataclass(frozen=True)
class DecodeAgain(Deed[tuple[Path, DecodedAgain]]):
    """Write what the exchanges of a recording hold, decoded again, as a new recording with the same
    facts and exchanges; nothing is overwritten. Raises the reader's errors, `StorageError`."""

    canceling: ClassVar[Canceling] = "drop"

    path: Path
    out: Path

    def run(self, work: Work) -> tuple[Path, DecodedAgain]:
        """The file written."""
        told = work.telling(tr("Decoding {name}", name=self.path.name))
        told(0.0)
        recording = open_recording(self.path)
        found = decode_again(recording)
        traces = [trace for trace in map(_legal, found.traces) if len(trace)]
        facts = recording.facts.model_copy(
            update={
                "recording_id": "",
                "samples_sha256": "",
                "signals": recording.facts.signals | signal_facts(t.signal for t in traces),
                "extra": recording.facts.extra
                | {"decoded_from": {"recording_id": recording.facts.recording_id}},
            }
        )
        told = within(told, _DECODED, 1.0)
        return write_recording(self.out, traces, facts, recording.exchanges(), told=told), found

    def untouched(self) -> str:
        """Neither file."""
        return not_written(self.out, self.path.name)


def _legal(trace: Trace) -> Trace:
    """Without what the signal cannot be, as while recording."""
    signal = table().by_acronym(trace.signal)
    legal = signal.can_be(trace.value, 1e-9 * max(abs(signal.maximum), 1.0))
    return trace if signal.override else trace.part(legal | np.isnan(trace.value))
