"""Recordings handed on: CSV, Parquet; a selection of signals and a span of time."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from logbench.errors import UsageError
from logbench.recording.even import most_cells, near, whole
from logbench.recording.finish import write_recording
from logbench.recording.model import Trace
from logbench.recording.notes import Remark, note_cells
from logbench.recording.reader import Recording
from logbench.recording.storage import replacing, storage_trouble, write_new
from logbench.signals.catalog import COMPUTED
from logbench.signals.units import Units
from logbench.system.private import owner_only
from logbench.system.progress import Told, counted, untold, within

Layout = Literal["wide", "long"]
MAX_AGE_S = 10.0
"""On an even clock a value holds for so long."""
_ROWS = 10_000
"""Rows made at a time on an even clock."""
_GATHERED = 0.5
"""Of the work of a wide table, what is done when its rows are put together (measured: half)."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Selection:
    """What of a recording is exported."""

    signals: tuple[str, ...] | None = None
    """Acronyms; None for all. `SignalUnsupportedError` where the recording lacks one."""
    start_s: float | None = None
    """From here on the recording's clock, this instant included."""
    end_s: float | None = None
    """Up to here, this instant not included."""


def selected(recording: Recording, selection: Selection | None = None) -> list[Trace]:
    """The traces of a selection, times unchanged; those without a sample in the span left out."""
    chosen = selection or Selection()
    start = -np.inf if chosen.start_s is None else chosen.start_s * 1e9
    end = np.inf if chosen.end_s is None else chosen.end_s * 1e9
    if not start < end:
        raise UsageError("The span to export ends before it begins: give the start first.")
    out = []
    for trace in recording.traces(chosen.signals):
        inside = (trace.t_ns >= start) & (trace.t_ns < end)
        if inside.any():
            out.append(trace.part(inside))
    return out


def export_parquet(
    recording: Recording,
    path: Path,
    selection: Selection | None = None,
    *,
    plain: bool = False,
    told: Told = untold,
) -> Path:
    """A Parquet file of the selection, itself a recording; returns its name.

    It gets its own id and checksum, and says in its facts what it was cut from; what was exchanged
    with the car goes along with all of it, with no part of it, and not where it is `plain`: in the
    encodings that every reader of Parquet knows. Never overwrites. Raises `StorageError`.
    """
    cut_from = {"recording_id": recording.facts.recording_id,
                "samples_sha256": recording.facts.samples_sha256}  # fmt: skip
    traces = selected(recording, selection)
    known = recording.facts.signals
    facts = recording.facts.model_copy(
        update={
            "recording_id": "",
            "samples_sha256": "",
            "signals": {s: known[s] for s in sorted({t.signal for t in traces}) if s in known},
            "extra": recording.facts.extra
            | ({"cut_from": cut_from} if any(cut_from.values()) else {}),
        }
    )
    all_of_it = selection in (None, Selection()) and not plain
    said = recording.exchanges() if all_of_it else ()
    return write_recording(path, traces, facts, said, told=told, plain=plain)


def export_csv(
    recording: Recording,
    path: Path,
    selection: Selection | None = None,
    layout: Layout = "wide",
    step_s: float | None = None,
    units: Units | None = None,
    remarks: Iterable[Remark] = (),
    *,
    replaces: bool = False,
    told: Told = untold,
) -> Path:
    """A CSV of the selection, as recorded or in other `units`; returns its name. Never overwrites
    but where it `replaces`.

    Long: `t_s,signal,ecu,value,unit`, one row a sample. Wide: `t_s` and one column a trace, named
    `RPM (rpm)`, or `RPM@7E9 (rpm)` for an ECU other than 7E8. Times have nine decimals, values as
    many as they need; a blank cell is not a sample, `NaN` a sample that the ECU marked as not used.
    Several samples of one trace at the very same instant get a row each. With `step_s`, the wide
    layout has an even clock: each cell is the trace's last value so far, at most `MAX_AGE_S` old;
    where the whole clock had more rows than `even.most_cells`, those without a value are left out.
    What `remarks` say of the span stands in a last column `note`, in the first row it covers. Text
    cells that a spreadsheet would run as a formula get a `'` before them, and the file begins with
    a byte-order mark so that it is read as UTF-8. Raises `StorageError`, `UsageError`.
    """
    traces = selected(recording, selection)
    if units is not None:
        traces = [
            Trace(t.signal, t.ecu, units.unit(t.unit), t.t_ns, units.array(t.value, t.unit))
            for t in traces
        ]
    if layout == "long":
        rows = _long_rows(traces)
    elif step_s is None:
        rows = _wide_rows(traces, within(told, 0.0, _GATHERED))
    else:
        rows = _clock_rows(traces, step_s)
    rows = _with_notes(rows, remarks, selection or Selection())
    begun = _GATHERED if layout == "wide" and step_s is None else 0.0
    rows = counted(rows, _rows_of(traces, layout, step_s), within(told, begun, 1.0))

    def write(part: Path) -> None:
        with open(part, "x", encoding="utf-8-sig", newline="", opener=owner_only) as file:
            writer = csv.writer(file, lineterminator="\r\n")
            writer.writerows(rows)
            file.flush()
            os.fsync(file.fileno())
        told(1.0)

    with storage_trouble(path):
        if not replaces:
            return write_new(path, write)
        with replacing(path) as part:
            write(part)
    return path


def _rows_of(traces: Sequence[Trace], layout: Layout, step_s: float | None) -> int:
    """About how many rows there will be."""
    if layout == "long":
        return sum(map(len, traces))
    if step_s is None:
        return max(map(len, traces), default=0)
    return int(max((t.t_ns[-1] - t.t_ns[0] for t in traces), default=0) / 1e9 / max(step_s, 1e-9))


def safe_text(text: str) -> str:
    """Text that no spreadsheet takes for a formula: a `'` goes before `=`, `+`, `-`, `@`, tab."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def _number(value: float) -> str:
    return "NaN" if np.isnan(value) else repr(value).removesuffix(".0")


def _time(t_ns: int) -> str:
    sign, whole = ("-", -t_ns) if t_ns < 0 else ("", t_ns)
    return f"{sign}{whole // 10**9}.{whole % 10**9:09d}"


def _long_rows(traces: Iterable[Trace]) -> Iterator[Sequence[str]]:
    yield "t_s", "signal", "ecu", "value", "unit"
    for trace in traces:
        names = safe_text(trace.signal), safe_text(trace.ecu)
        unit = safe_text(trace.unit)
        for t_ns, value in zip(trace.t_ns.tolist(), trace.value.tolist(), strict=True):
            yield _time(t_ns), *names, _number(value), unit


def _heading(trace: Trace) -> str:
    ecu = "" if trace.ecu in {"", "7E8", COMPUTED} else f"@{trace.ecu}"
    unit = f" ({trace.unit})" if trace.unit else ""
    return safe_text(f"{trace.signal}{ecu}{unit}")


def _wide_rows(traces: Sequence[Trace], told: Told) -> Iterator[Sequence[str]]:
    """One row for each (instant, n-th sample of a trace at it)."""
    yield ["t_s", *map(_heading, traces)]
    rows: dict[tuple[int, int], list[str]] = {}
    for column, trace in enumerate(traces):
        one = within(told, column / len(traces), (column + 1) / len(traces))
        first = np.searchsorted(trace.t_ns, trace.t_ns, side="left")
        again = np.arange(len(trace)) - first  # 0 for the first sample at an instant, …
        cells = zip(trace.t_ns.tolist(), again.tolist(), trace.value.tolist(), strict=True)
        for t_ns, k, value in counted(cells, len(trace), one):
            row = rows.setdefault((t_ns, k), [""] * len(traces))
            row[column] = _number(value)
    for (t_ns, _), row in sorted(rows.items()):
        yield [_time(t_ns), *row]


def _with_notes(
    rows: Iterable[Sequence[str]], remarks: Iterable[Remark], chosen: Selection
) -> Iterator[Sequence[str]]:
    """A column more, where anything is said of the span."""
    start, end = chosen.start_s or 0.0, np.inf if chosen.end_s is None else chosen.end_s
    said = [r for r in remarks if start <= r.end_ns / 1e9 and r.start_ns / 1e9 < end]
    if not said:
        yield from rows
        return
    heading, *held = rows
    t_s = [float(row[0]) for row in held]
    order = sorted(range(len(t_s)), key=t_s.__getitem__)  # a long table begins anew with each trace
    cells = dict(zip(order, note_cells(sorted(t_s), said), strict=True))
    noted = any(cells.values())
    yield [*heading, "note"] if noted else heading
    for place, row in enumerate(held):
        yield [*row, cells[place]] if noted else row


def _clock_rows(traces: Sequence[Trace], step_s: float) -> Iterator[Sequence[str]]:
    yield ["t_s", *map(_heading, traces)]
    step = round(step_s * 1e9)
    if step <= 0:
        raise UsageError("The clock's step must be above zero: give it in seconds, like 0.1.")
    if not traces:
        return
    start = min(int(trace.t_ns[0]) for trace in traces) // step * step
    end = max(int(trace.t_ns[-1]) for trace in traces)
    if (end - start) // step < most_cells(sum(map(len, traces))):
        clock = whole(start, end + step - 1, step)
    else:
        held_ns = round(MAX_AGE_S * 1e9)
        t_ns = np.unique(np.concatenate([trace.t_ns for trace in traces]))
        clock = near(t_ns, (start, end + step - 1, step), (0, held_ns), 1)
    for first in range(0, len(clock), _ROWS):
        part = clock[first : first + _ROWS]
        columns = [_held(trace, part) for trace in traces]
        for t_ns, *cells in zip(part.tolist(), *columns, strict=True):
            yield [_time(t_ns), *cells]


def _held(trace: Trace, clock: npt.NDArray[np.int64]) -> list[str]:
    at = np.searchsorted(trace.t_ns, clock, side="right") - 1
    fresh = (at >= 0) & (clock - trace.t_ns[np.maximum(at, 0)] <= round(MAX_AGE_S * 1e9))
    values = trace.value[np.maximum(at, 0)].tolist()
    return [_number(v) if ok else "" for v, ok in zip(values, fresh.tolist(), strict=True)]
