"""All that is odd about the signals of a recording, and the recording without it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from logbench.analysis.alignment import Mask
from logbench.analysis.grid import Traces
from logbench.analysis.rationality.contradicted import find_contradicted
from logbench.analysis.rationality.frozen import MOVERS, MOVES, find_frozen
from logbench.analysis.rationality.impossible import find_impossible
from logbench.analysis.rationality.model import Oddity
from logbench.analysis.starts import find_standing
from logbench.recording.model import Trace

Key = tuple[str, str]
"""(acronym, ECU) of a trace."""


def find_oddities(traces: Traces) -> tuple[Oddity, ...]:
    """What is odd, signal by signal. First the readings that are none; of the rest, what stands
    still; then what contradicts the others."""
    read = _read(traces, traces.signals)
    imported = traces.facts.is_imported
    found = [o for t in _once(read.values()) for o in find_impossible(t, read, imported)]
    out = masks_of(found)
    left = _read(traces, {*traces.signals, *MOVERS, *MOVES})
    left = {a: _without(t, out.get((t.signal, t.ecu))) for a, t in left.items()}
    left = {a: t for a, t in left.items() if len(t)}
    ran = find_standing(traces.without(out)).contradicted
    later = [*find_contradicted(left, ran), *find_frozen(left)]
    found += [_of_all(oddity, out.get((oddity.signal, oddity.ecu))) for oddity in later]
    return tuple(found)


def masks_of(oddities: Iterable[Oddity]) -> dict[Key, Mask]:
    """By trace, the readings that are left out."""
    out: dict[Key, Mask] = {}
    for oddity in oddities:
        key = oddity.signal, oddity.ecu
        out[key] = out.get(key, False) | oddity.left_out
    return out


def _read(traces: Traces, acronyms: Iterable[str]) -> dict[str, Trace]:
    found = {acronym: traces.recorded(acronym) for acronym in sorted(acronyms)}
    return {acronym: trace for acronym, trace in found.items() if trace is not None}


def _once(traces: Iterable[Trace]) -> Iterable[Trace]:
    return {(trace.signal, trace.ecu): trace for trace in traces}.values()


def _without(trace: Trace, out: Mask | None) -> Trace:
    return trace if out is None else trace.part(~out)


def _of_all(oddity: Oddity, out: Mask | None) -> Oddity:
    """An oddity of the readings that were left, told of all."""
    if out is None:
        return oddity
    whole = np.zeros(len(out), dtype=bool)
    whole[np.flatnonzero(~out)[oddity.left_out]] = True
    return replace(oddity, left_out=whole)


def left(traces: Traces, oddities: Iterable[Oddity]) -> Traces:
    """The traces without the readings that are left out; the same where there are none."""
    out: Mapping[Key, Mask] = {key: mask for key, mask in masks_of(oddities).items() if mask.any()}
    return traces.without(out) if out else traces
