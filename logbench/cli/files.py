"""Files in and out: `logbench import`, `export`, `verify` and `recover`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cases.work import run_here
from logbench.cli.options import (
    INTERRUPTED,
    AsJson,
    Private,
    SameCar,
    Start,
    listed,
    moment_of,
    vehicle_of,
)
from logbench.cli.show import console, run_shown, say, table, text
from logbench.errors import ImportFileError, LogbenchError, UsageError
from logbench.foreign import in_terminal
from logbench.signals.numbers import started_text, time_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from logbench.cases.archive import Line
    from logbench.importing.model import Mapping, Stated
    from logbench.importing.outcome import DriveOutcome
    from logbench.importing.run import Outcome, Preview

_DRIVES = 5
"""Of a file; the others are counted."""
_HELP = "Enter imports like this; 'COLUMN = SIGNAL [unit]' corrects, 'COLUMN =' leaves out, q stops"


def import_files(
    paths: Annotated[
        list[Path],
        typer.Argument(help="CSV, XLSX, Parquet, CAN logs, adapter sessions, or folders."),
    ],
    into: Annotated[Path, typer.Option(help="Folder of the recordings made.")] = Path(),
    map_file: Annotated[
        Path | None, typer.Option("--map", help="A mapping of columns to signals (TOML).")
    ] = None,
    save_map: Annotated[Path | None, typer.Option(help="Keep the mapping here.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Take the guessed mapping.")] = False,
    show_only: Annotated[
        bool, typer.Option("--show-only", help="Show what would come out; write nothing.")
    ] = False,
    car: Annotated[str, typer.Option(help="The name of the car that they are of.")] = "",
    displacement: Annotated[
        float | None, typer.Option(help="Engine displacement in liters.")
    ] = None,
    start: Start = "",
    drive: Annotated[
        int | None, typer.Option(min=1, help="Which of several drives in a file; all if left out.")
    ] = None,
    same_car: SameCar = False,
    as_json: AsJson = False,
) -> int:
    """Import other programs' logs as recordings; shows what each column is taken for, and what
    comes out of it."""
    from logbench.importing.model import Mapping, Stated

    vehicle = vehicle_of(car, displacement) if car or displacement is not None else None
    stated = Stated(vehicle, moment_of(start), drive)
    given = Mapping.load(map_file) if map_file is not None else None
    if as_json and not (yes or given or show_only):
        raise UsageError("--json asks nothing: add --yes, --map FILE or --show-only.")
    before: Sequence[Line] = ()
    if yes or given is not None or show_only:
        files = _all_in(paths)
    else:
        files, before = _confirmed(paths, stated)
    if save_map is not None:
        _save_map(save_map, given, files)
    mappings = {} if given is None else dict.fromkeys(files, given)
    from logbench.cases.importing import ImportFiles, foresee

    if show_only:
        found = run_shown(foresee(tuple(files), mappings, stated), "looking into the files")
        return _show_all(found, "", before, as_json=as_json)
    case = ImportFiles(into, files, mappings, stated, before, same_car=same_car)
    account = run_shown(case, "importing")
    shown = _show_all(account.imported, account.sentence, before, as_json=as_json)
    return INTERRUPTED if account.untouched else shown


def _all_in(paths: Sequence[Path]) -> list[Path]:
    from logbench.importing.run import files_in

    files = files_in(paths)
    if not files:
        raise ImportFileError(
            "No file that can be imported is there: name CSV, XLSX, Parquet or logs."
        )
    return files


def _save_map(place: Path, given: Mapping | None, files: Sequence[Path]) -> None:
    from logbench.importing.run import preview

    mapping = given or (preview(files[-1]).mapping if files else None)
    if mapping is None:
        raise UsageError("There is no mapping to save: CAN logs need none.")
    mapping.save(place)


def _show_all(
    found: Sequence[Outcome], sentence: str, before: Sequence[Line], *, as_json: bool
) -> int:
    """What became, or would become, of every file; the exit code."""
    if as_json:
        import json

        typer.echo(json.dumps([one.document for one in found], indent=2))
    else:
        for outcome in found:
            _show_outcome(outcome)
        for line in before:
            say(f"{line.name}: {line.text}", "yellow")
        if sentence:
            say(sentence)
    lacking = any(one.problem or (one.report and one.report.cut_short) for one in found)
    return LogbenchError.exit_code if before or lacking else 0


def _confirmed(paths: Sequence[Path], stated: Stated) -> tuple[list[Path], Sequence[Line]]:
    """Show each new kind of file once and ask; the files wanted, and those that cannot be read."""
    from logbench.cases.importing import survey_files

    survey = run_shown(survey_files(tuple(paths)), "looking into the files")
    wanted = survey.plain
    for kind in survey.kinds:
        seen = kind.preview
        if seen.mapping is not None and not seen.remembered:
            _show_preview(kind.files[0], seen)
            _show_expected(kind.files[0], seen.mapping, stated)
            if not _confirm(kind.files[0], seen.mapping, stated):
                continue
        wanted += kind.files
    return wanted, survey.lines


def _confirm(path: Path, mapping: Mapping, stated: Stated) -> bool:
    from rich.prompt import Prompt

    from logbench.importing.model import remember

    if not sys.stdin.isatty():
        raise UsageError("Add --yes to import like this, or --map FILE with a corrected mapping.")
    while True:
        answer = Prompt.ask(_HELP, console=console(), default="").strip()
        if not answer:
            remember(mapping)
            return True
        if answer.lower() == "q":
            return False
        try:
            correct(mapping, answer)
        except (ImportFileError, UsageError) as error:
            say(str(error))
            continue
        console().print(_mapping_table(mapping))
        _show_expected(path, mapping, stated)


def _show_expected(path: Path, mapping: Mapping, stated: Stated) -> None:
    """What would come out of a file that is read so."""
    from logbench.cases.importing import foresee

    (outcome,) = run_shown(foresee((path,), {path: mapping}, stated), "looking into the file")
    if outcome.problem:
        say(outcome.problem, "yellow")
    _show_drives(outcome.drives)


def correct(mapping: Mapping, answer: str) -> None:
    """Apply `COLUMN = SIGNAL [unit]`. Raises `UsageError`, `ImportFileError`."""
    name, equals, rest = answer.rpartition("=")
    if not equals:
        raise UsageError(f"'{answer}' is not understood: write COLUMN = SIGNAL [unit].")
    signal, _, unit = rest.strip().partition(" ")
    mapping.assign(name.strip(), signal.upper(), unit.strip() or None)


def _show_preview(path: Path, seen: Preview) -> None:
    """The first rows and the mapping with its confidence."""
    say(str(path), "bold")
    rows = table()
    for name in seen.names[:8]:
        rows.add_column(text(name), overflow="ellipsis", no_wrap=True, max_width=22)
    for row in seen.rows[:5]:
        rows.add_row(*(text(cell) for cell in row[:8]))
    console().print(rows)
    if len(seen.names) > 8:
        say(f"… and {len(seen.names) - 8} more columns", "dim")
    if seen.mapping is not None:
        console().print(_mapping_table(seen.mapping))


def _mapping_table(mapping: Mapping) -> Table:
    """Columns, signals, units and how sure."""
    out = table("column", "signal", "unit", "sure", "why")
    time = mapping.time
    rows: list[tuple[str, str, str, float, str]] = [
        ("(time)", time.format, time.unit, time.confidence, time.why)
    ]
    for column in mapping.columns:
        supposed = " (supposed)" if column.unit_from == "assumed" and column.unit else ""
        signal, unit = (column.signal, column.unit + supposed) if column.used else ("left out", "")
        rows.append((column.column, signal, unit, column.confidence, column.why))
    for name, signal, unit, sure, why in rows:
        out.add_row(text(name), text(signal), text(unit), f"{100.0 * sure:.0f} %", text(why))
    return out


def _show_outcome(outcome: Outcome) -> None:
    report = outcome.report
    if report is None:
        say(f"{outcome.source}: {outcome.problem}", "yellow")
        return
    names = ", ".join(path.name for path in outcome.made)
    say(
        f"{outcome.source.name}: {report.rows:,} rows, {report.samples:,} samples, "
        f"{report.left_out:,} cells left out, {report.empty:,} empty"
        + (f" -> {names}" if names else "")
    )
    for path in outcome.here:
        say(f"  is here already: {path.name}", "yellow")
    _show_drives(outcome.drives)
    for remark in report.remarks:
        say(f"  {remark}", "dim")
    for (column, reason), count in sorted(report.counts.items()):
        say(f"  {count:,} x {column or 'row'}: {reason}", "yellow")
    for cell in report.unread[:5]:
        say(f"    line {cell.line}: {cell.text!r} {cell.reason}", "dim")


def _show_drives(drives: Sequence[DriveOutcome]) -> None:
    """Each drive with its signals; of many drives the first."""
    for number, drive in enumerate(drives[:_DRIVES], start=1):
        car = in_terminal(drive.car) or "car not named"
        when, length = started_text(drive.started, 19), time_text(drive.length_s)
        say(f"  drive {number}: {when}, {length} long, {drive.samples:,} samples, {car}", "bold")
        signals = table("signal", "read", "range")
        for one in drive.signals:
            signals.add_row(text(one.signal), text(one.rate), text(one.range))
        console().print(signals)
        for doubt in drive.doubts:
            say(f"  {doubt}", "yellow")
    if len(drives) > _DRIVES:
        say(f"  and {len(drives) - _DRIVES} more drives", "dim")


def export(
    file: Annotated[Path, typer.Argument(help="A recording (.parquet).")],
    out: Annotated[Path, typer.Option("--out", "-o", help="A .csv or .parquet file.")],
    signals: Annotated[
        str, typer.Option(help="Acronyms with commas between; all if left out.")
    ] = "",
    start: Annotated[float | None, typer.Option(help="From this second on.")] = None,
    end: Annotated[float | None, typer.Option(help="Up to this second.")] = None,
    long: Annotated[bool, typer.Option("--long", help="CSV: one row a sample.")] = False,
    step: Annotated[
        float | None, typer.Option(min=0.001, help="CSV: one row every so many seconds.")
    ] = None,
    private: Private = False,
    plain: Annotated[
        bool, typer.Option("--plain", help="Parquet: in encodings that every reader knows.")
    ] = False,
) -> None:
    """Export a recording, or a part of it, as CSV or Parquet."""
    from logbench.cases.recording import ExportRecording
    from logbench.recording.export import Layout, Selection

    if long and step is not None:
        raise UsageError("--step goes with the wide layout: leave --long out.")
    part = Selection(listed(signals.upper()) or None, start, end)
    if plain and out.suffix.lower() != ".parquet":
        raise UsageError("--plain goes with Parquet: let the file's name end in .parquet.")
    layout: Layout = "long" if long else "wide"
    case = ExportRecording(file, out, part, layout, step, private, plain)
    say(f"Exported {run_shown(case, 'exporting')}")


def recover(
    folder: Annotated[Path, typer.Argument(help="Folder with journals left by a crash.")] = Path(),
    second: Annotated[
        Path | None, typer.Option(help="The second place that recordings were mirrored to.")
    ] = None,
) -> int:
    """Turn the journals that a crash left behind into recordings; exit code 3 if one is left."""
    from logbench.cases.live import RecoverJournals

    for place in filter(None, (folder, second)):
        if not place.is_dir():
            raise UsageError(f"There is no folder {place}: name the one that was recorded into.")
    found = run_here(RecoverJournals(folder, second), lambda said, _: say(said))
    for one in found:
        if not one.matters:
            say(one.sentence)
    if not found:
        say(f"No journal is waiting in {folder.resolve()}.")
    return LogbenchError.exit_code if any(one.kind == "left" for one in found) else 0
