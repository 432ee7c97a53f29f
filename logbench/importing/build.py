"""From a sheet and its mapping to drives: times, splitting, units, ranges, counting."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from logbench.errors import ImportFileError
from logbench.importing.clocks import find_time
from logbench.importing.model import (
    Drive,
    Imported,
    Mapping,
    Report,
    imported_facts,
)
from logbench.importing.parts import Owner, clock_groups, groups_of
from logbench.importing.placeholders import why_no_car, without_placeholders
from logbench.importing.samples import OUT_OF_RANGE, Samples, cell_text, samples_of
from logbench.importing.sheet import Sheet
from logbench.importing.times import RowTimes, row_times, spread_even
from logbench.recording.model import Facts, Trace
from logbench.recording.renewal import apart_s, renewals
from logbench.signals.table import table
from logbench.signals.units import compatible
from logbench.system.limits import DRIVES
from logbench.system.progress import Told, untold

Rows = npt.NDArray[np.intp]

JUMP_BACK_NS = 1_000_000_000
"""Times that fall by this or more begin a new drive; smaller falls are put in order."""

_FALLS = 4
"""Times that fall so many times as often as they rise belong to a file written newest first."""

OWN_ZERO_NS = 60_000_000_000
"""A relative clock that begins within its first minute keeps its zero; others start at 0."""


@dataclass(frozen=True, slots=True)
class _Rows:
    """When each row was, and whose."""

    times: RowTimes
    groups: npt.NDArray[np.int64]
    owners: list[Owner]
    clocks: npt.NDArray[np.int64]
    """Number of the clock that a row goes by."""

    @classmethod
    def of(cls, sheet: Sheet, mapping: Mapping) -> _Rows:
        groups, owners = groups_of(sheet, mapping.split)
        clocks = clock_groups(sheet, groups, mapping.long)
        times = row_times(sheet, mapping.time, mapping.decimal, mapping.thousands, clocks)
        return cls(times, groups, owners, clocks)

    @property
    def newest_first(self) -> bool:
        """Whether the times fall from row to row, but for a few (between drives)."""
        step = np.concatenate([np.diff(self.times.t_ns[rows]) for rows in self.of_each_clock()])
        return bool((step < 0).sum() > _FALLS * (step > 0).sum())

    def of_each_clock(self) -> list[Rows]:
        """Rows of known time of each clock."""
        known_rows = np.flatnonzero(self.times.known)
        order = known_rows[np.argsort(self.clocks[known_rows], kind="stable")]
        return np.split(order, np.flatnonzero(np.diff(self.clocks[order])) + 1)


def build(sheet: Sheet, mapping: Mapping, source: str, told: Told = untold) -> Imported:
    """All drives of a sheet. `source`: the file's name, kept in the facts.

    Raises `ImportFileError` when the mapping names columns that are not there, or nothing at all
    can be imported.
    """
    mapping = _fitted(sheet, mapping)
    _refuse_misfit(sheet, mapping)
    report = Report(rows=sheet.rows)
    _report_shape(sheet, report)
    rows = _Rows.of(sheet, mapping)
    if rows.newest_first:
        report.remark("The rows stand newest first: they are read from the last to the first.")
        sheet = sheet.turned()
        rows = _Rows.of(sheet, mapping)
    times = rows.times
    _report_time(sheet, mapping, times, report)
    found = list(samples_of(sheet, mapping, report, told))
    drive_of = _drives(sheet, mapping, rows)
    if not mapping.keep_out_of_range:
        found = without_placeholders(found, drive_of, times.t_ns, sheet, mapping, report)
    made = [
        drive
        for number in range(int(drive_of.max(initial=-1)) + 1)
        if (drive := _drive(sheet, mapping, rows, found, drive_of == number, source)) is not None
    ]
    if not made:
        why = _why_nothing(mapping, times, report)
        raise ImportFileError(
            f"Nothing in {source} could be imported: {why}; correct the mapping and try again."
        )
    report.samples = sum(len(trace) for drive in made for trace in drive.traces)
    for drive in made:
        if drive.facts.no_car:
            report.remark(drive.facts.no_car)
        drive.facts.extra["import"] |= {"left_out": report.left_out, "remarks": report.remarks}
    return Imported(tuple(made), report, mapping)


def _why_nothing(mapping: Mapping, times: RowTimes, report: Report) -> str:
    if not any(column.used for column in mapping.columns):
        return "no column is known as a signal"
    if not times.known.any():
        return "no time could be read"
    if any(OUT_OF_RANGE in reason for _, reason in report.counts):
        return "all its values lie outside of their signals' ranges"
    return "no value could be read"


def _fitted(sheet: Sheet, mapping: Mapping) -> Mapping:
    """With what a person's file need not say: where columns are, and where the time is."""
    mapping = mapping.model_copy(deep=True)
    if "time" not in mapping.model_fields_set:
        mapping.time = find_time(sheet, mapping.decimal)
    if mapping.layout == "wide":
        for column in mapping.columns:
            if column.place < 0 and column.used:
                column.place = _place_of(column.column, sheet)
    return mapping


def _place_of(name: str, sheet: Sheet) -> int:
    """Index of the column with that header. Raises `ImportFileError`, naming the columns."""
    if name not in sheet.names:
        known = ", ".join(repr(each) for each in sheet.names)
        raise ImportFileError(f"There is no column {name!r} in the file; it has {known}.")
    return sheet.names.index(name)


def _refuse_misfit(sheet: Sheet, mapping: Mapping) -> None:
    placed = [c for c in mapping.columns if mapping.layout == "wide" and (c.used or c.place >= 0)]
    places = [*mapping.time.places, *(column.place for column in placed)]
    if mapping.long is not None:
        places += [mapping.long.name, mapping.long.value]
    width = len(sheet.columns)
    if any(not 0 <= place < width for place in places) or (
        mapping.layout == "long" and mapping.long is None
    ):
        raise ImportFileError(
            f"The mapping does not fit the file, which has {width} columns: detect it anew."
        )
    for column in mapping.columns:
        if not column.used or column.signal not in table():
            continue
        target = table().by_acronym(column.signal).unit
        if column.unit and not compatible(column.unit, target):
            raise ImportFileError(
                f"Column '{column.column}' in {column.unit} cannot be {column.signal}, which is in "
                f"{target or 'no unit'}: correct the mapping."
            )


def _report_shape(sheet: Sheet, report: Report) -> None:
    for line, text in sheet.long_rows:
        report.leave_out(line, "", text, "lies beyond the last column")
    if sheet.short_rows:
        some = ", ".join(map(str, sheet.short_rows[:5]))
        more = " and others" if len(sheet.short_rows) > 5 else ""
        report.remark(f"Lines cut short, read as far as they go: {some}{more}.")
    if sheet.preamble:
        report.remark(f"{len(sheet.preamble)} lines before the header are not imported.")
    for note in sheet.notes:
        report.remark(note)
    if sheet.breaks:
        report.remark(f"The header is repeated {sheet.breaks} times.")


def _report_time(sheet: Sheet, mapping: Mapping, times: RowTimes, report: Report) -> None:
    name = sheet.columns[mapping.time.places[-1]].name if mapping.time.places else "time"
    for row in np.flatnonzero(~times.known):
        text = cell_text(sheet.columns[mapping.time.places[-1]], int(row))
        report.leave_out(int(sheet.lines[row]), name, text, "is not a time: the row is left out")
    if mapping.time.format == "none":
        if mapping.time.standing:
            raise ImportFileError(
                "The times in column {name} stand still, and nothing else tells the time: state how"
                " far rows are apart, or another column.",
                name=mapping.time.standing,
            )
        period = f"{mapping.time.period_s:g} s"
        report.remark(f"No column tells the time: rows are taken as {period} apart.")
    if mapping.time.spread:
        report.remark(f"Several rows share a time in '{name}': they are spread evenly.")
    for note in times.notes:
        report.remark(note)
    if times.zero is not None and times.zero.tzinfo is None:
        report.remark("The times name no time zone: the drive's start is kept as local time.")


# --- drives -------------------------------------------------------------------------------------


def _drives(sheet: Sheet, mapping: Mapping, rows_of: _Rows) -> npt.NDArray[np.int64]:
    """Number of the drive of each row, -1 where the time is unknown."""
    times, number = rows_of.times, rows_of.groups
    if mapping.split.on_restart:
        number = _numbered_pairs(number, _restarts(sheet, rows_of))
    number = np.where(times.known, number, -1)
    _refuse_many(number)
    gap_ns = round(mapping.split.gap_s * 1e9)
    part = np.zeros(sheet.rows, np.int64)
    for k in range(int(number.max(initial=-1)) + 1):
        rows = np.flatnonzero(number == k)
        stamps = np.unique(times.t_ns[rows])
        starts = stamps[1:][np.diff(stamps) > gap_ns]
        part[rows] = np.searchsorted(starts, times.t_ns[rows], side="right")
    joined = _numbered_pairs(number, part)
    joined[number < 0] = -1
    _, dense = np.unique(joined[joined >= 0], return_inverse=True)
    joined[joined >= 0] = dense
    _refuse_many(joined)
    return joined


def _refuse_many(number: npt.NDArray[np.int64]) -> None:
    drives = int(number.max(initial=-1)) + 1
    if drives > DRIVES:
        raise ImportFileError(
            f"The file would become {drives:,} recordings, and at most {DRIVES:,} are made of one: "
            "its times jump, or its rows stand in no order; correct which column tells the time."
        )


def _numbered_pairs(a: npt.NDArray[np.int64], b: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Number of each pair, in order of (a, b)."""
    return np.asarray(np.maximum(a, 0) * (int(b.max(initial=0)) + 1) + b)


def _restarts(sheet: Sheet, rows_of: _Rows) -> npt.NDArray[np.int64]:
    """How often the clock of each row has jumped back before it."""
    out = np.zeros(sheet.rows, np.int64)
    t_ns = rows_of.times.t_ns
    for rows in rows_of.of_each_clock():
        out[rows] = np.cumsum(np.diff(t_ns[rows], prepend=t_ns[rows[:1]]) <= -JUMP_BACK_NS)
    return out


def _drive(
    sheet: Sheet,
    mapping: Mapping,
    rows_of: _Rows,
    found: list[Samples],
    mine: npt.NDArray[np.bool_],
    source: str,
) -> Drive | None:
    rows, times = np.flatnonzero(mine), rows_of.times
    if not len(rows):
        return None
    t_ns = np.zeros(sheet.rows, np.int64)
    t_ns[rows] = times.t_ns[rows]
    zero_ns = int(t_ns[rows].min())
    if mapping.time.spread:
        t_ns[rows] = spread_even(np.maximum.accumulate(t_ns[rows]))
        zero_ns = int(t_ns[rows].min())
    elif times.zero is None and 0 <= zero_ns <= OWN_ZERO_NS:
        zero_ns = 0
    t_ns -= zero_ns
    merged: dict[tuple[str, str], list[Samples]] = {}
    for samples in found:
        inside = mine[samples.rows]
        if inside.any():
            own = replace(samples, rows=samples.rows[inside], value=samples.value[inside])
            merged.setdefault((samples.signal, samples.ecu), []).append(own)
    if not merged:
        return None
    traces = tuple(_trace(parts, t_ns) for _, parts in sorted(merged.items()))
    facts = _facts(mapping, times, zero_ns, traces, source)
    owner = rows_of.owners[rows_of.groups[rows[0]]]
    facts.vehicle = owner.vehicle
    if owner.trip:
        facts.extra["import"]["trip"] = owner.trip
    if why := why_no_car(traces):
        facts.extra["import"]["no_car"], facts.link.simulated = why, True
    _note_readings(traces, facts)
    return Drive(traces, facts)


def _note_readings(traces: tuple[Trace, ...], facts: Facts) -> None:
    """How often each signal was really read, and how far from the engine speed in time."""
    found = renewals(traces)
    read = [renewal.of(trace).in_order() for renewal, trace in zip(found, traces, strict=True)]
    rpm = next((trace for trace in read if trace.signal == "RPM" and len(trace)), None)
    for trace, renewal in zip(read, found, strict=True):
        if trace.signal in facts.signals and renewal.held > 1.0:
            told = facts.signals[trace.signal]
            told.held_rows = round(renewal.held, 3)
            if rpm is not None and trace is not rpm and not renewal.inferred:
                told.apart_s = round(apart_s(trace, rpm), 3)


def _trace(parts: list[Samples], t_ns: npt.NDArray[np.int64]) -> Trace:
    rows = np.concatenate([part.rows for part in parts])
    value = np.concatenate([part.value for part in parts])
    order = np.lexsort((rows, t_ns[rows]))
    first = parts[0]
    return Trace(first.signal, first.ecu, first.unit, t_ns[rows][order], value[order])


def _facts(
    mapping: Mapping, times: RowTimes, zero_ns: int, traces: tuple[Trace, ...], source: str
) -> Facts:
    extra: dict[str, Any] = {"file": source, "fingerprint": mapping.fingerprint}
    started = None
    if times.zero is not None:
        started = times.zero + np.timedelta64(zero_ns // 1000, "us").astype(object)
    return imported_facts(traces, started, extra)
