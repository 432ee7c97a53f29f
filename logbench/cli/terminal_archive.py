"""What the `archive` commands show and ask in the terminal; no window, no Qt."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.box import SIMPLE_HEAD
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from logbench.archive.archive import Archive
from logbench.archive.columns import Cell, cells
from logbench.archive.find import Filter, parse_condition
from logbench.archive.overview import worst_findings
from logbench.archive.trend import spread_of
from logbench.archive.trend import trend_of as points_of
from logbench.errors import LogbenchError, UsageError
from logbench.recording.storage import storage_trouble
from logbench.signals.units import METRIC

if TYPE_CHECKING:
    from collections.abc import Callable

    import pyarrow as pa
    from rich.console import Console

DEFAULT_LIMIT = 40
_WIDE = 110
"""Columns of a terminal that has room for counts of samples and notes."""
_SHORT, _NARROW = 16, 12
"""Columns of text that is never cut, and of longer text where there is little room."""


def make_filter(
    *,
    car: str = "",
    since: str = "",
    until: str = "",
    signals: Sequence[str] = (),
    finding: str = "",
    text: str = "",
    litres: str = "",
    condition: str = "",
) -> Filter:
    """A filter from options; `litres` is `1.8` or `1.6-2.0`. Raises `UsageError`."""
    span = None
    if litres:
        low, _, high = litres.partition("-")
        try:
            span = (float(low) - 0.01, float(high or low) + 0.01)
        except ValueError:
            raise UsageError(f"'{litres}' is no displacement: write 1.8 or 1.6-2.0.") from None
    return Filter(
        car=car,
        since=since,
        until=until,
        signals=tuple(s.strip().upper() for s in signals if s.strip()),
        finding=finding,
        text=text,
        displacement_l=span,
        condition=parse_condition(condition) if condition else None,
    )


@contextmanager
def _bar(console: Console, what: str) -> Iterator[Callable[[int, int], None]]:
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(),
               TimeRemainingColumn())  # fmt: skip
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)


def _opened(place: str, console: Console, cache: Path | None) -> Archive:
    archive = Archive(place, cache)
    with _bar(console, "looking through the archive") as told:
        archive.refresh(told)
    return archive


def list_archive(
    place: str,
    console: Console,
    chosen: Filter | None = None,
    *,
    limit: int = DEFAULT_LIMIT,
    as_json: bool = False,
    cache: Path | None = None,
) -> int:
    """`archive list` and `archive find`: recordings that fit, newest first; returns how many."""
    archive = _opened(place, console, cache)
    answer = archive.find(chosen)
    if as_json:
        print(json.dumps(answer.to_pylist(), indent=2))
        return int(answer.num_rows)
    console.print(_listed(answer.slice(0, limit).to_pylist(), worst_findings(archive), console))
    more = f", {limit} shown" if answer.num_rows > limit else ""
    console.print(f"{answer.num_rows:,} of {archive.index.recordings.num_rows:,} recordings{more}.")
    if chosen is not None and chosen.finding:
        _tell_unchecked(archive, place, console)
    _tell_problems(archive, console)
    return int(answer.num_rows)


def _listed(
    rows: Sequence[dict[str, Any]], worst: dict[str, tuple[str, str]], console: Console
) -> Table:
    """Recordings with the columns that there is room for."""
    wide = console.width >= _WIDE
    shown: list[tuple[Cell, Callable[[dict[str, Any]], str]]] = [
        (cell, partial(column.text, cell, units=METRIC))
        for column, cell in cells("terminal")
        if wide or not cell.spacious
    ]
    verdict = Cell("terminal", 6, "worst", widest="within")
    shown.append((verdict, lambda row: worst.get(row["recording"], ("", ""))[0]))
    shown.sort(key=lambda pair: pair[0].order)
    out = Table(box=SIMPLE_HEAD, pad_edge=False)
    for cell, _ in shown:
        width = len(cell.widest)
        if not width:
            out.add_column(cell.title, overflow="fold", min_width=20)
        elif width <= _SHORT:
            out.add_column(cell.title, no_wrap=True, min_width=width)
        else:
            out.add_column(cell.title, no_wrap=True, max_width=width if wide else _NARROW)
    for row in rows:
        out.add_row(*(Text(text(row)) for _, text in shown))
    return out


def _tell_unchecked(archive: Archive, place: str, console: Console) -> None:
    """A finding can only be found where the checks have run."""
    unknown = len(archive.entries()) - len(set(archive.findings["recording"].to_pylist()))
    if unknown:
        console.print(
            f"{unknown:,} recordings have not been checked: run 'logbench archive sweep {place}' "
            "first.",
            style="yellow",
        )


def _tell_problems(archive: Archive, console: Console) -> None:
    kinds = Counter(problem.kind for problem in archive.index.problems)
    if kinds:
        told = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
        console.print(f"Left out: {told}; 'archive check' says why.", style="yellow")


def show_recording(place: str, name: str, console: Console, *, cache: Path | None = None) -> None:
    """`archive show`: the facts, signals and findings of one recording."""
    archive = _opened(place, console, cache)
    path = archive.resolve(name)
    (row,) = archive.query("SELECT * FROM recordings WHERE recording = ?", [path]).to_pylist()
    for key, value in row.items():
        if value not in (None, "", False):
            console.print(Text(f"{key:<16}{value}"))
    out = Table(box=SIMPLE_HEAD, pad_edge=False)
    for heading in ("signal", "ECU", "samples", "lowest", "highest", "unit"):
        out.add_column(heading)
    sql = "SELECT * FROM signals WHERE recording = ? ORDER BY signal, ecu"
    for signal in archive.query(sql, [path]).to_pylist():
        bounds = ["" if signal[k] is None else f"{signal[k]:g}" for k in ("minimum", "maximum")]
        out.add_row(signal["signal"], signal["ecu"], f"{signal['samples']:,}", *bounds,
                    signal["unit"])  # fmt: skip
    console.print(out)
    for finding in archive.findings_of(path):
        if finding["problem"]:
            console.print(Text(finding["problem"], style="yellow"))
        else:
            line = f"{finding['verdict']:<11}{finding['check']}: {finding['subject']}. "
            console.print(Text(line + str(finding["reason"])))


def query_archive(
    place: str,
    sql: str,
    console: Console,
    chosen: Filter | None = None,
    *,
    as_csv: bool = False,
    limit: int = 200,
    cache: Path | None = None,
) -> int:
    """`archive query`: the answer to one SELECT as a table or CSV; returns its number of rows."""
    archive = _opened(place, console, cache)
    answer = archive.query(sql, chosen=chosen)
    if as_csv:
        _print_csv(answer)
        return int(answer.num_rows)
    out = Table(box=SIMPLE_HEAD, pad_edge=False)
    for name in answer.column_names:
        out.add_column(Text(name))
    for row in answer.slice(0, limit).to_pylist():
        out.add_row(*(Text(_cell(value)) for value in row.values()))
    console.print(out)
    more = f", {limit} shown" if answer.num_rows > limit else ""
    console.print(f"{answer.num_rows:,} rows{more}")
    return int(answer.num_rows)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _print_csv(answer: pa.Table) -> None:
    import csv
    import sys

    from logbench.recording.export import safe_text

    writer = csv.writer(sys.stdout)
    writer.writerow([safe_text(name) for name in answer.column_names])
    for row in answer.to_pylist():
        writer.writerow([safe_text(v) if isinstance(v, str) else v for v in row.values()])


def add_to_archive(
    place: str, files: Sequence[Path], console: Console, *, cache: Path | None = None
) -> int:
    """`archive add`: copy recordings in; returns 0, or 3 when one could not be added.

    A folder that is not there is made.
    """
    if "://" not in place and not Path(place).exists():
        with storage_trouble(Path(place)):
            Path(place).mkdir(parents=True)
    archive = _opened(place, console, cache)
    bad = 0
    for file in files:
        try:
            path, new = archive.add(file)
        except LogbenchError as error:  # the next file may be fine
            console.print(Text(str(error), style="yellow"))
            bad += 1
        else:
            console.print(Text(f"{file} -> {path}" if new else f"{file} is there as {path}"))
    return 3 if bad else 0


def check_archive(
    place: str, console: Console, *, quarantine: bool = False, cache: Path | None = None
) -> int:
    """`archive check`: verify every recording; returns 0, or 3 when one is bad."""
    archive = _opened(place, console, cache)
    for problem in archive.index.problems:
        if problem.kind not in {"damaged", "enormous"} or problem.path.endswith("job.toml"):
            console.print(Text(problem.sentence, style="yellow"))
    total = len(archive.entries())
    counts: Counter[str] = Counter()
    with _bar(console, "verifying") as told:
        for found in archive.check(quarantine):
            counts[found.health] += 1
            told(counts.total(), max(total, counts.total()))
            if found.health in {"damaged", "unreadable"}:
                moved = f" Set aside as {found.moved_to}." if found.moved_to else ""
                console.print(Text(f"{found.sentence}{moved}", style="bold red"))
    console.print(", ".join(f"{n:,} {health}" for health, n in sorted(counts.items())) or "empty")
    return 3 if counts["damaged"] or counts["unreadable"] else 0


def sweep_archive(
    place: str,
    console: Console,
    *,
    checks: Sequence[str] = (),
    function: str = "",
    out: Path | None = None,
    scheduler: str | None = None,
    processes: int = 0,
    chosen: Filter | None = None,
    cache: Path | None = None,
) -> int:
    """`archive sweep`: all checks, some, or a user's `MODULE:FUNCTION`, over what is pending.

    Returns 0, or 3 when a recording could not be done. Ctrl-C keeps what is finished.
    """
    from logbench.archive.sweep import sweep_checks, sweep_function

    if function and checks:
        raise UsageError("A sweep runs checks or a function: leave one of the two out.")
    archive = _opened(place, console, cache)
    recordings = None
    if chosen:
        recordings = [str(path) for path in archive.find(chosen)["recording"].to_pylist()]
    with _bar(console, "sweeping") as told:
        if function:
            if out is None:
                raise UsageError("Name a folder for the function's results with --out.")
            done = sweep_function(archive, function, out, scheduler=scheduler, processes=processes,
                                  recordings=recordings, progress=told)  # fmt: skip
        else:
            done = sweep_checks(archive, scheduler=scheduler, processes=processes,
                                recordings=recordings, only=checks or None,
                                progress=told)  # fmt: skip
    console.print(
        f"{done.done:,} recordings in {done.seconds:.1f} s ({done.per_s:.1f}/s), "
        f"{done.known:,} known before, {done.problems:,} with a problem."
    )
    return 3 if done.problems else 0


def trend_of(
    place: str, number: str, car: str, console: Console, *, cache: Path | None = None
) -> int:
    """`archive trend`: a number over a car's life, and its place among cars of its displacement.

    `number`: CHECK:SUBJECT[:NUMBER]. Returns how many points there are.
    """
    archive = _opened(place, console, cache)
    points = points_of(archive, number, car)
    out = Table(box=SIMPLE_HEAD, pad_edge=False)
    for heading in ("started", "car", "value", "±", "verdict", "recording"):
        out.add_column(heading)
    for point in points:
        doubt = "" if point.uncertainty is None else f"{point.uncertainty:.3g}"
        out.add_row(point.started_utc[:16], Text(point.car), f"{point.value:.4g}", doubt,
                    point.verdict, Text(point.recording))  # fmt: skip
    console.print(out)
    if not points:
        console.print("No such number is known of that car: 'archive sweep' makes them.")
        return 0
    last = points[-1]
    (row,) = archive.query(
        "SELECT displacement_l FROM recordings WHERE recording = ?", [last.recording]
    ).to_pylist()
    if row["displacement_l"] is not None:
        _tell_spread(archive, number, row["displacement_l"], last.car, last.value, console)
    return len(points)


def _tell_spread(
    archive: Archive, number: str, litres: float, car: str, value: float, console: Console
) -> None:
    found = spread_of(archive, number, litres, without_car=car, value=value)
    if not found.cars:
        console.print(f"No other car of {litres:.1f} l is known to hold it against.")
        return
    told = ", ".join(f"{name} {x:.4g}" for name, x in found.quantiles.items())
    console.print(f"{found.cars} other cars of {litres:.1f} l: {told}.")
    console.print(f"The last value, {value:.4g}, is above {found.share_below or 0:.0%} of them.")


def like_recording(
    place: str, name: str, console: Console, *, count: int = 10, cache: Path | None = None
) -> int:
    """`archive like`: the recordings nearest to one; returns how many there are."""
    from logbench.archive.grids import similar_drives  # brings scipy

    archive = _opened(place, console, cache)
    with _bar(console, "comparing") as told:
        found = similar_drives(archive, name, count, told)
    out = Table(box=SIMPLE_HEAD, pad_edge=False)
    for heading in ("distance", "cells in common", "recording", "by quantity"):
        out.add_column(heading)
    for one in found:
        parts = ", ".join(f"{name} {x:.2f}" for name, x in one.parts.items())
        out.add_row(f"{one.distance:.2f}", str(one.common_cells), Text(one.recording), Text(parts))
    console.print(out)
    return len(found)
