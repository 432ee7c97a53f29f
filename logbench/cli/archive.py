"""`logbench archive …`: the commands over everything ever recorded."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cases.work import run_here
from logbench.cli.options import AsJson, Private, listed, make_group
from logbench.cli.show import bar, run_shown, say, warn
from logbench.errors import LogbenchError, QueryError, UsageError, first_line

if TYPE_CHECKING:
    from collections.abc import Callable

    from logbench.archive.archive import Archive
    from logbench.archive.find import Filter

archive_app = make_group("archive", "Everything ever recorded: list, find, query, look after.")

Place = Annotated[str, typer.Argument(help="The archive: a folder or an object-store URL.")]
Name = Annotated[str, typer.Argument(help="A recording's id or file in the archive.")]
Car = Annotated[str, typer.Option(help="Part of the car's name or VIN.")]
Since = Annotated[str, typer.Option(help="Recorded on or after this date: 2026-03-01.")]
Until = Annotated[str, typer.Option(help="Recorded before this date.")]
Most = Annotated[int, typer.Option(min=1, help="At most so many.")]


@archive_app.command("list")
def list_command(place: Place, limit: Most = 40, as_json: AsJson = False) -> None:
    """List the recordings, newest first."""
    _list(place, None, limit, as_json)


@archive_app.command("find")
def find_command(
    place: Place,
    car: Car = "",
    since: Since = "",
    until: Until = "",
    signal: Annotated[
        list[str] | None, typer.Option(help="Holds this signal; may be repeated.")
    ] = None,
    finding: Annotated[
        str, typer.Option(help="Has this finding: act, fuel_trim or fuel_trim:act.")
    ] = "",
    text: Annotated[str, typer.Option(help="Text in its notes.")] = "",
    litres: Annotated[str, typer.Option(help="Displacement: 1.8 or 1.6-2.0.")] = "",
    when: Annotated[
        str, typer.Option(help="A condition, like 'ECT below 70 after 10 minutes'.")
    ] = "",
    limit: Most = 40,
    as_json: AsJson = False,
) -> None:
    """Find recordings by car, date, signal, finding, note or condition."""
    from logbench.analysis.expression.checked import condition
    from logbench.archive.find import Filter

    chosen = Filter(
        car=car,
        since=since,
        until=until,
        signals=listed(",".join(signal or ()).upper()),
        finding=finding,
        text=text,
        displacement_l=_displacements(litres) if litres else None,
        condition=condition(when) if when else None,
    )
    _list(place, chosen, limit, as_json)


def _displacements(litres: str) -> tuple[float, float]:
    low, _, high = litres.partition("-")
    try:
        return float(low) - 0.01, float(high or low) + 0.01
    except ValueError:
        raise UsageError(f"'{litres}' is no displacement: write 1.8 or 1.6-2.0.") from None


def _list(place: str, chosen: Filter | None, limit: int, as_json: bool) -> None:
    from logbench.archive.overview import judged_recordings
    from logbench.cli import show_archive

    archive = _opened(place)
    found = archive.find(chosen)
    if as_json:
        print(json.dumps(found.to_pylist(), indent=2))
        return
    show_archive.recordings(found.slice(0, limit).to_pylist(), judged_recordings(archive))
    more = f", {limit} shown" if found.num_rows > limit else ""
    say(f"{found.num_rows:,} of {archive.index.recordings.num_rows:,} recordings{more}.")
    if chosen is not None and chosen.finding:  # can only be found where the checks have run
        unknown = len(archive.entries()) - len(set(archive.findings["recording"].to_pylist()))
        if unknown:
            say(
                f"{unknown:,} recordings have not been checked: run 'logbench archive sweep "
                f"{place}' first.",
                "yellow",
            )
    kinds = Counter(problem.kind for problem in archive.index.problems)
    if kinds:
        counts = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
        say(f"Left out: {counts}; 'archive check' says why.", "yellow")


@archive_app.command("show")
def show_command(place: Place, recording: Name) -> None:
    """Show one recording's facts, signals and findings."""
    from logbench.cli import show_archive

    archive = _opened(place)
    from logbench.cases.archive import show_recording

    show_archive.recording(run_here(show_recording(archive, archive.resolve(recording))))


@archive_app.command("query")
def query_command(
    place: Place,
    sql: Annotated[str, typer.Argument(help="One SELECT over the views; see docs/archive.md.")],
    car: Car = "",
    since: Since = "",
    until: Until = "",
    limit: Annotated[int, typer.Option(min=1, help="At most so many rows.")] = 200,
    as_csv: Annotated[bool, typer.Option("--csv", help="As CSV.")] = False,
) -> int:
    """Ask in SQL: one SELECT over recordings, signals, samples, findings and jobs. It is answered
    by a process that is kept from everything but the recordings, with at most 2 GB of memory and 10
    minutes. Exit code 3 also where the answer is cut off (5,000,000 rows, 256 MB)."""
    from logbench.archive.find import Filter
    from logbench.cases.archive import ask_archive
    from logbench.cli import show_archive

    chosen = Filter(car=car, since=since, until=until)
    answer = run_shown(ask_archive(_opened(place), sql, chosen), "searching")
    try:
        if as_csv:
            show_archive.csv(answer.table)
        else:
            show_archive.rows(answer.table, limit)
    except (OverflowError, ValueError) as error:  # a time that is infinite, or of no calendar
        raise QueryError(
            f"A value of the answer cannot be shown ({first_line(error)}): cast it to VARCHAR."
        ) from error
    warn(answer.cut)
    return LogbenchError.exit_code if answer.cut else 0


@archive_app.command("export")
def export_command(
    place: Place,
    out: Annotated[Path, typer.Option("--out", "-o", help="The folder to copy into.")],
    private: Private = False,
    car: Car = "",
    since: Since = "",
    until: Until = "",
) -> None:
    """Copy recordings into a folder, itself an archive: list it, ask it, hand it on."""
    from logbench.archive.find import Filter
    from logbench.cases.archive import ExportArchive

    chosen = Filter(car=car, since=since, until=until)
    made = run_shown(ExportArchive(_opened(place), out, chosen, private), "exporting")
    say(f"{len(made)} recordings are in {out}.")


@archive_app.command("add")
def add_command(
    place: Place, files: Annotated[list[Path], typer.Argument(help="Recordings (.parquet).")]
) -> int:
    """Copy recordings into the archive."""
    from logbench.recording.storage import storage_trouble
    from logbench.system.private import make_folder

    if "://" not in place:
        with storage_trouble(Path(place)):
            make_folder(Path(place))
    archive = _opened(place)
    code = 0
    for file in files:
        try:
            path, new = archive.add(file)
        except LogbenchError as error:  # the next file may be fine
            say(str(error), "yellow")
            code = LogbenchError.exit_code
        else:
            say(f"{file} -> {path}" if new else f"{file} is there as {path}")
    return code


@archive_app.command("check")
def check_command(
    place: Place,
    quarantine: Annotated[
        bool, typer.Option("--quarantine", help="Set damaged files aside; never deleted.")
    ] = False,
) -> int:
    """Verify every recording; exit code 3 when one is damaged."""
    archive = _opened(place)
    for problem in archive.index.problems:
        if problem.kind not in {"damaged", "enormous"} or problem.path.endswith("job.toml"):
            say(problem.sentence, "yellow")
    from logbench.cases.archive import VerifyArchive

    account = run_shown(VerifyArchive(archive, quarantine), "verifying")
    for line in account.lines:
        say(line.text, "bold red")
    say(account.sentence)
    return LogbenchError.exit_code if account.bad else 0


@archive_app.command("sweep")
def sweep_command(
    place: Place,
    checks: Annotated[
        str, typer.Option(help="Keys of checks with commas between; left out: all of them.")
    ] = "",
    function: Annotated[
        str,
        typer.Option(help="MODULE:FUNCTION, or a signal, instead of checks."),
    ] = "",
    out: Annotated[Path | None, typer.Option(help="Where the results go (Parquet).")] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(help="tcp://HOST:PORT or tls://HOST:PORT of your own cluster: docs/scale.md."),
    ] = None,
    processes: Annotated[int, typer.Option(min=0, help="Local processes; 0: as many as pay.")] = 0,
    car: Car = "",
    since: Since = "",
) -> int:
    """Run the checks, or a function of yours, over all recordings; goes on where it stopped."""
    from logbench.archive.find import Filter
    from logbench.archive.sweep import sweep_checks, sweep_function

    if function and listed(checks):
        raise UsageError("A sweep runs checks or a function: leave one of the two out.")
    archive = _opened(place)
    chosen, recordings = Filter(car=car, since=since), None
    if chosen:
        recordings = [str(path) for path in archive.find(chosen)["recording"].to_pylist()]
    with bar("sweeping") as reported:
        progress = _counted(reported, "sweeping")
        sweep = partial(sweep_checks, archive, only=listed(checks) or None)
        if function:
            if out is None:
                raise UsageError("Name a folder for the function's results with --out.")
            sweep = partial(sweep_function, archive, function, out)
        done = sweep(scheduler=scheduler, processes=processes, recordings=recordings,
                     progress=progress)  # fmt: skip
    say(
        f"{done.done:,} recordings in {done.seconds:.1f} s ({done.per_s:.1f}/s), "
        f"{done.known:,} known before, {done.problems:,} with a problem."
    )
    return LogbenchError.exit_code if done.problems else 0


@archive_app.command("trend")
def trend_command(
    place: Place,
    number: Annotated[str, typer.Argument(help="CHECK:SUBJECT of a finding, or a number's name.")],
    car: Annotated[str, typer.Argument(help="Part of the car's name or VIN.")],
) -> None:
    """Show a number over a car's life: where it changed, the band in which the car moves untouched,
    and its place among cars of the same displacement."""
    from logbench.cases.archive import follow_number
    from logbench.cli import show_archive

    found = run_here(follow_number(_opened(place), number, car, exact=False))
    show_archive.trend(found)


@archive_app.command("repeatability")
def repeatability_command(
    place: Place,
    car: Annotated[str, typer.Argument(help="Part of the car's name or VIN; left out: all.")] = "",
    as_json: AsJson = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="As CSV.")] = False,
) -> None:
    """Show how far each number moves from one drive to the next of a car that nobody touched, as
    its own drives tell it, of those that 'archive sweep' has checked."""
    from logbench.cases.archive import list_habits
    from logbench.cli import show_archive

    found = run_here(list_habits(_opened(place), car))
    if as_json:
        print(json.dumps([asdict(one) for one in found], indent=2))
    elif as_csv:
        show_archive.habits_csv(found)
    else:
        show_archive.habits(found)


@archive_app.command("like")
def like_command(
    place: Place,
    recording: Name,
    count: Annotated[int, typer.Option(min=1, help="How many.")] = 10,
) -> None:
    """Find the drives that are most like one."""
    from logbench.cases.archive import find_similar
    from logbench.cli import show_archive

    found = run_shown(find_similar(_opened(place), recording, count), "comparing")
    show_archive.similar(found)


def _opened(place: str) -> Archive:
    """An archive as it is now."""
    from logbench.archive.archive import Archive
    from logbench.cases.cars import CarsFile

    archive = Archive(place, cars=CarsFile().load())
    doing = "looking through the archive"
    with bar(doing) as reported:
        archive.refresh(_counted(reported, doing))
    return archive


def _counted(reported: Callable[[str, float], None], doing: str) -> Callable[[int, int], None]:
    return lambda done, of: reported(doing, done / max(1, of))
