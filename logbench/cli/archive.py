"""`logbench archive …`: the commands over everything ever recorded. A skin, like `cli`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console

if TYPE_CHECKING:
    from logbench.archive.find import Filter

archive_app = typer.Typer(
    help="Everything ever recorded: list, find, query, look after.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

Place = Annotated[str, typer.Argument(help="The archive: a folder or an object-store URL.")]
Name = Annotated[str, typer.Argument(help="A recording's id or file in the archive.")]
Car = Annotated[str, typer.Option(help="Part of the car's name or VIN.")]
Since = Annotated[str, typer.Option(help="Recorded on or after this date: 2026-03-01.")]
Until = Annotated[str, typer.Option(help="Recorded before this date.")]
Signal = Annotated[list[str] | None, typer.Option(help="Holds this signal; may be repeated.")]
Finding = Annotated[str, typer.Option(help="Has this finding: act, fuel_trim or fuel_trim:act.")]
Words = Annotated[str, typer.Option(help="Text in its notes.")]
Litres = Annotated[str, typer.Option(help="Displacement: 1.8 or 1.6-2.0.")]
When = Annotated[str, typer.Option(help="A condition, like 'ECT below 70 after 10 minutes'.")]


def _console() -> Console:
    return Console(highlight=False)


def _filter(
    car: str,
    since: str,
    until: str,
    signal: list[str] | None,
    finding: str,
    text: str,
    litres: str,
    when: str,
) -> Filter:
    from logbench.cli.terminal_archive import make_filter

    return make_filter(
        car=car,
        since=since,
        until=until,
        signals=signal or [],
        finding=finding,
        text=text,
        litres=litres,
        condition=when,
    )


@archive_app.command("list")
def list_command(
    place: Place,
    limit: Annotated[int, typer.Option(min=1, help="At most so many.")] = 40,
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """List the recordings, newest first."""
    from logbench.cli.terminal_archive import list_archive

    list_archive(place, _console(), limit=limit, as_json=as_json)


@archive_app.command("find")
def find_command(
    place: Place,
    car: Car = "",
    since: Since = "",
    until: Until = "",
    signal: Signal = None,
    finding: Finding = "",
    text: Words = "",
    litres: Litres = "",
    when: When = "",
    limit: Annotated[int, typer.Option(min=1, help="At most so many.")] = 40,
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
) -> None:
    """Find recordings by car, date, signal, finding, note or condition."""
    from logbench.cli.terminal_archive import list_archive

    chosen = _filter(car, since, until, signal, finding, text, litres, when)
    list_archive(place, _console(), chosen, limit=limit, as_json=as_json)


@archive_app.command("show")
def show_command(place: Place, recording: Name) -> None:
    """Show one recording's facts, signals and findings."""
    from logbench.cli.terminal_archive import show_recording

    show_recording(place, recording, _console())


@archive_app.command("query")
def query_command(
    place: Place,
    sql: Annotated[str, typer.Argument(help="One SELECT over the views; see docs/archive.md.")],
    car: Car = "",
    since: Since = "",
    until: Until = "",
    limit: Annotated[int, typer.Option(min=1, help="At most so many rows.")] = 200,
    as_csv: Annotated[bool, typer.Option("--csv", help="As CSV.")] = False,
) -> None:
    """Ask in SQL: read-only, over recordings, signals, samples, findings and jobs."""
    from logbench.cli.terminal_archive import query_archive

    chosen = _filter(car, since, until, None, "", "", "", "")
    query_archive(place, sql, _console(), chosen, as_csv=as_csv, limit=limit)


@archive_app.command("add")
def add_command(
    place: Place, files: Annotated[list[Path], typer.Argument(help="Recordings (.parquet).")]
) -> None:
    """Copy recordings into the archive."""
    from logbench.cli.terminal_archive import add_to_archive

    raise typer.Exit(add_to_archive(place, files, _console()))


@archive_app.command("check")
def check_command(
    place: Place,
    quarantine: Annotated[
        bool, typer.Option("--quarantine", help="Set damaged files aside; never deleted.")
    ] = False,
) -> None:
    """Verify every recording; exit code 3 when one is damaged."""
    from logbench.cli.terminal_archive import check_archive

    raise typer.Exit(check_archive(place, _console(), quarantine=quarantine))


@archive_app.command("sweep")
def sweep_command(
    place: Place,
    checks: Annotated[
        str, typer.Option(help="Keys of checks with commas between; left out: all of them.")
    ] = "",
    function: Annotated[
        str, typer.Option(help="MODULE:FUNCTION over each recording instead of checks.")
    ] = "",
    out: Annotated[Path | None, typer.Option(help="Where the results go (Parquet).")] = None,
    scheduler: Annotated[str | None, typer.Option(help="tcp://HOST:PORT of a cluster.")] = None,
    processes: Annotated[int, typer.Option(min=0, help="Local processes; 0: as many as pay.")] = 0,
    car: Car = "",
    since: Since = "",
) -> None:
    """Run the checks, or a function of yours, over all recordings; goes on where it stopped."""
    from logbench.cli.terminal_archive import sweep_archive

    code = sweep_archive(
        place,
        _console(),
        checks=[key.strip() for key in checks.split(",") if key.strip()],
        function=function,
        out=out,
        scheduler=scheduler,
        processes=processes,
        chosen=_filter(car, since, "", None, "", "", "", ""),
    )
    raise typer.Exit(code)


@archive_app.command("trend")
def trend_command(
    place: Place,
    number: Annotated[str, typer.Argument(help="CHECK:SUBJECT of a finding, or a number's name.")],
    car: Annotated[str, typer.Argument(help="Part of the car's name or VIN.")],
) -> None:
    """Show a number over a car's life, and its place among cars of the same displacement."""
    from logbench.cli.terminal_archive import trend_of

    trend_of(place, number, car, _console())


@archive_app.command("like")
def like_command(
    place: Place,
    recording: Name,
    count: Annotated[int, typer.Option(min=1, help="How many.")] = 10,
) -> None:
    """Find the drives that are most like one."""
    from logbench.cli.terminal_archive import like_recording

    like_recording(place, recording, _console(), count=count)
