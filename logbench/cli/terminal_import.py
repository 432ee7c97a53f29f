"""What `import` and `export` show and ask in the terminal; no window, no Qt."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from rich.box import SIMPLE_HEAD
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
from rich.prompt import Prompt
from rich.table import Table
from rich.text import Text

from logbench.errors import ImportFileError, UsageError
from logbench.importing import run
from logbench.importing.memory import remember
from logbench.importing.model import ColumnMap, Mapping
from logbench.importing.run import Outcome, Preview, files_in, preview
from logbench.recording.export import (
    CsvStyle,
    Layout,
    Selection,
    export_csv,
    export_parquet,
)
from logbench.recording.reader import open_recording

if TYPE_CHECKING:
    from rich.console import Console

_HELP = "Enter imports like this; 'COLUMN = SIGNAL [unit]' corrects, 'COLUMN =' leaves out, q stops"


def import_files(
    paths: Sequence[Path],
    console: Console,
    *,
    into: Path = Path(),
    map_file: Path | None = None,
    save_map: Path | None = None,
    yes: bool = False,
    memory: Path | None = None,
) -> int:
    """Import files and folders as recordings into the folder `into`.

    New kinds of files are shown with the guessed mapping and can be corrected; with `yes` the guess
    is taken. `map_file` is used for every file; `save_map` writes the (last) mapping. Returns 0, or
    3 when a file could not be imported. Raises `ImportFileError`, `StorageError`, `UsageError`.
    """
    files = files_in(paths)
    if not files:
        raise ImportFileError("No file that can be imported is there: name CSV, Parquet or logs.")
    given = Mapping.load(map_file) if map_file is not None else None
    if not yes and given is None:
        for path in _ask_first(files, console, memory):
            files.remove(path)
    if save_map is not None:
        _save(files, given, save_map, memory)
    into.mkdir(parents=True, exist_ok=True)
    outcomes = _with_bar(files, into, given, memory, console)
    for outcome in outcomes:
        _tell(outcome, console)
    bad = sum(bool(outcome.problem) for outcome in outcomes)
    made = sum(len(outcome.made) for outcome in outcomes)
    console.print(f"{made} recordings from {len(outcomes) - bad} files; {bad} not imported.")
    return 3 if bad else 0


def _with_bar(
    files: Sequence[Path], into: Path, given: Mapping | None, memory: Path | None, console: Console
) -> list[Outcome]:
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    mappings = {} if given is None else dict.fromkeys(files, given)
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("importing", total=len(files))

        def show(done: int, _of: int, path: Path) -> None:
            bar.update(task, completed=done, description=path.name[:40])

        return list(run.import_files(files, into, mappings, memory=memory, progress=show))


def _save(files: Sequence[Path], given: Mapping | None, to: Path, memory: Path | None) -> None:
    mapping = given or (preview(files[-1], memory).mapping if files else None)
    if mapping is None:
        raise UsageError("There is no mapping to save: CAN logs need none.")
    mapping.save(to)


def _ask_first(files: Sequence[Path], console: Console, memory: Path | None) -> list[Path]:
    """Show each new kind of file once and ask; returns the files that are not wanted."""
    refused: list[Path] = []
    answered: dict[str, bool] = {}
    for path in files:
        try:
            seen = preview(path, memory)
        except ImportFileError:
            continue  # told when its turn comes
        if seen.mapping is None or seen.remembered:
            continue
        kind = seen.mapping.fingerprint
        if kind not in answered:
            show_preview(path, seen, console)
            answered[kind] = _confirm(seen.mapping, console, memory)
        if not answered[kind]:
            refused.append(path)
    return refused


def _confirm(mapping: Mapping, console: Console, memory: Path | None) -> bool:
    if not sys.stdin.isatty():
        raise UsageError("Add --yes to import like this, or --map FILE with a corrected mapping.")
    while True:
        answer = Prompt.ask(_HELP, console=console, default="").strip()
        if not answer:
            remember(mapping, memory)
            return True
        if answer.lower() == "q":
            return False
        try:
            correct(mapping, answer)
        except (ImportFileError, UsageError) as error:
            console.print(str(error))
            continue
        console.print(mapping_table(mapping))


def correct(mapping: Mapping, answer: str) -> None:
    """Apply `COLUMN = SIGNAL [unit]`. Raises `UsageError`, `ImportFileError`."""
    name, equals, rest = answer.rpartition("=")
    if not equals:
        raise UsageError(f"'{answer}' is not understood: write COLUMN = SIGNAL [unit].")
    signal, _, unit = rest.strip().partition(" ")
    mapping.assign(name.strip(), signal.upper(), unit.strip() or None)


def show_preview(path: Path, seen: Preview, console: Console) -> None:
    """The first rows and the mapping with its confidence."""
    console.print(Text(str(path), style="bold"))
    rows = Table(box=SIMPLE_HEAD, pad_edge=False)
    for name in seen.names[:8]:
        rows.add_column(Text(name), overflow="ellipsis", no_wrap=True, max_width=22)
    for row in seen.rows[:5]:
        rows.add_row(*(Text(cell) for cell in row[:8]))
    console.print(rows)
    if len(seen.names) > 8:
        console.print(f"… and {len(seen.names) - 8} more columns", style="dim")
    if seen.mapping is not None:
        console.print(mapping_table(seen.mapping))


def mapping_table(mapping: Mapping) -> Table:
    """Columns, signals, units and how sure."""
    out = Table(box=SIMPLE_HEAD, pad_edge=False)
    for heading in ("column", "signal", "unit", "sure", "why"):
        out.add_column(heading)
    time = mapping.time
    out.add_row("(time)", time.format, time.unit, f"{time.confidence:.0%}", Text(time.why))
    for column in mapping.columns:
        out.add_row(*_cells(column))
    return out


def _cells(column: ColumnMap) -> tuple[Text, Text, Text, Text, Text]:
    supposed = " (supposed)" if column.unit_from == "assumed" and column.unit else ""
    return (
        Text(column.column),
        Text(column.signal if column.used else "left out"),
        Text(column.unit + supposed if column.used else ""),
        Text(f"{column.confidence:.0%}"),
        Text(column.why),
    )


def _tell(outcome: Outcome, console: Console) -> None:
    if outcome.problem:
        console.print(Text(f"{outcome.source}: {outcome.problem}", style="yellow"))
        return
    names = ", ".join(path.name for path in outcome.made)
    report = outcome.report
    assert report is not None
    console.print(
        Text(
            f"{outcome.source.name}: {report.rows:,} rows, {report.samples:,} samples, "
            f"{report.left_out:,} cells left out, {report.empty:,} empty -> {names}"
        )
    )
    for remark in report.remarks:
        console.print(Text(f"  {remark}", style="dim"))
    for (column, reason), count in sorted(report.counts.items()):
        console.print(Text(f"  {count:,} x {column or 'row'}: {reason}", style="yellow"))
    for cell in report.unread[:5]:
        console.print(Text(f"    line {cell.line}: {cell.text!r} {cell.reason}", style="dim"))


def export_file(
    file: Path,
    console: Console,
    *,
    out: Path | None = None,
    kind: Literal["csv", "parquet"] = "csv",
    layout: Layout = "wide",
    signals: Sequence[str] = (),
    start_s: float | None = None,
    end_s: float | None = None,
    step_s: float | None = None,
    delimiter: str = ",",
    decimal: Literal[".", ","] = ".",
    excel_safe: bool = True,
) -> Path:
    """Export one recording; `out` None: beside the present folder's files, named like it.

    Returns the file written (never an existing one). Raises the errors of opening, `UsageError`,
    `SignalUnsupportedError`, `StorageError`.
    """
    recording = open_recording(file)
    wanted = tuple(signal.strip().upper() for signal in signals if signal.strip())
    selection = Selection(wanted or None, start_s, end_s)
    target = out if out is not None else Path(f"{file.stem}-export.{kind}")
    if kind == "parquet":
        made = export_parquet(recording, target, selection)
    else:
        style = CsvStyle(delimiter, decimal, step_s, excel_safe=excel_safe)
        made = export_csv(recording, target, selection, layout, style)
    console.print(f"Exported {made}")
    return made
