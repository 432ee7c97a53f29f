"""The command line: a thin skin over the packages below it.

Everything heavy is imported inside the command that needs it, so that `--help` stays quick.
Exit codes: 0 done; `check` also 1 (watch) and 2 (act); 3 an error, told in one sentence;
130 stopped by Ctrl-C before anything was worth keeping.
"""

from __future__ import annotations

import logging
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from typer.exceptions import TyperException

from logbench.cli.archive import archive_app
from logbench.cli.job import job_app
from logbench.errors import LogbenchError, UsageError
from logbench.system.log import start_logging
from logbench.system.version import SOFTWARE
from logbench.vehicle.links.schemes import forms

if TYPE_CHECKING:
    from rich.console import Console

app = typer.Typer(
    name="logbench",
    add_completion=False,
    no_args_is_help=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

app.add_typer(archive_app, name="archive")
app.add_typer(job_app, name="job")
_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*(s|sec|min|m|h)?")

SoakHours = Annotated[
    float | None, typer.Option(help="How long the car had stood, hours: for the sensors' soak.")
]
Altitude = Annotated[
    float | None,
    typer.Option("--altitude-m", help="Height above sea level, metres: for the barometer."),
]
Humidity = Annotated[
    float | None, typer.Option(help="Relative humidity outside, %: for the air's density.")
]


def parse_duration_s(text: str) -> float:
    """Seconds from `90`, `90s`, `10min` or `1.5h`; raises UsageError with the legal forms."""
    match = _DURATION.fullmatch(text.strip())
    seconds = 0.0
    if match:
        factor = {"min": 60, "m": 60, "h": 3600}.get(match[2] or "s", 1)
        seconds = float(match[1]) * factor
    if seconds <= 0:
        raise UsageError(f"'{text}' is no duration; write it like 90s, 10min or 1.5h.")
    return seconds


def _listed(text: str) -> tuple[str, ...]:
    """Acronyms from `rpm,MAF`."""
    return tuple(part.strip().upper() for part in text.split(",") if part.strip())


def _console(stderr: bool = False) -> Console:
    from rich.console import Console

    return Console(stderr=stderr, highlight=False)


@app.callback(invoke_without_command=True)
def _root(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log to the terminal.")] = False,
) -> None:
    """Record, plot and check a test drive. Without a command: opens the window."""
    if version:
        typer.echo(SOFTWARE)
        raise typer.Exit(0)
    start_logging(
        "command" if context.invoked_subcommand else "window",
        terminal_level=logging.DEBUG if verbose else logging.ERROR,
    )
    if context.invoked_subcommand is None:
        _open_window([])


def _open_window(files: list[Path]) -> None:
    """Open the window and leave with its exit code; WindowError where it cannot open."""
    from logbench.app.main import run as run_window

    raise typer.Exit(run_window(files))


@app.command("open")
def open_command(
    files: Annotated[list[Path] | None, typer.Argument(help="Recordings to open.")] = None,
) -> None:
    """Open the window, with recordings to review."""
    from logbench.recording.reader import open_recording

    for file in files or []:
        open_recording(file)  # says what is wrong before a window comes up
    _open_window(files or [])


@app.command()
def record(
    link: Annotated[str, typer.Option(help=f"The way to the car: {forms(replay=True)}.")],
    signals: Annotated[
        str, typer.Option(help="Acronyms with commas between; left out: a useful dozen.")
    ] = "",
    limit: Annotated[str, typer.Option("--for", help="How long: 90s, 10min, 1h.")] = "",
    out: Annotated[Path | None, typer.Option(help="The file to write (.parquet).")] = None,
    car: Annotated[str, typer.Option(help="A name for the car, kept in the file.")] = "",
    displacement: Annotated[
        float | None, typer.Option(help="Engine displacement in litres, for the airflow check.")
    ] = None,
    cylinders: Annotated[int | None, typer.Option(help="Number of cylinders.")] = None,
    regulating: Annotated[
        float | None, typer.Option(help="Thermostat's regulating temperature, degrees C.")
    ] = None,
    soak_hours: SoakHours = None,
    altitude_m: Altitude = None,
    humidity: Humidity = None,
    note: Annotated[str, typer.Option(help="A note, kept in the file.")] = "",
    unattended: Annotated[
        bool,
        typer.Option(
            "--unattended", help="For days: one file a key cycle, into the folder --into."
        ),
    ] = False,
    into: Annotated[Path | None, typer.Option(help="Folder of unattended recordings.")] = None,
    budget: Annotated[
        float, typer.Option(min=0.001, help="Disk budget of unattended recordings, GB.")
    ] = 10.0,
    stop_below: Annotated[
        float, typer.Option(min=6.0, max=30.0, help="Unattended: end below this voltage, V.")
    ] = 11.9,
    volt_every: Annotated[
        float,
        typer.Option(
            min=1.0, max=3600.0, help="Unattended: wake the adapter so often for its voltmeter, s."
        ),
    ] = 10.0,
) -> None:
    """Record a drive to a Parquet file; Ctrl-C finishes it properly."""
    from logbench.capture.messages import CaptureRequest
    from logbench.cli.terminal import (
        default_out,
        plan_unattended,
        record_with_progress,
        surroundings_from,
        vehicle_from,
    )

    request = CaptureRequest(
        link_url=link,
        signals=_listed(signals),
        out=out if out is not None else default_out(),
        vehicle=vehicle_from(car, displacement, cylinders, regulating),
        surroundings=surroundings_from(soak_hours, altitude_m, humidity),
        note=note,
        limit_s=parse_duration_s(limit) if limit else None,
    )
    if unattended:
        if into is None or out is not None:
            raise UsageError("--unattended needs a folder: --into FOLDER (and no --out).")
        request = plan_unattended(request, into, round(budget * 1e9), stop_below, volt_every)
    elif into is not None:
        raise UsageError("--into goes with --unattended; name one file with --out.")
    record_with_progress(request, _console())


@app.command()
def check(
    file: Annotated[Path, typer.Argument(help="A recording (.parquet).")],
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
    bands: Annotated[Path | None, typer.Option(help="Your own bands (TOML).")] = None,
    displacement: Annotated[
        float | None, typer.Option(help="Engine displacement in litres, where the file has none.")
    ] = None,
    regulating: Annotated[
        float | None, typer.Option(help="Thermostat's regulating temperature, degrees C.")
    ] = None,
    soak_hours: SoakHours = None,
    altitude_m: Altitude = None,
    humidity: Humidity = None,
    png: Annotated[Path | None, typer.Option(help="Draw the recording to this PNG.")] = None,
) -> None:
    """Hold a recording against the bands; exit code 0, 1 (watch) or 2 (act)."""
    from logbench.cli.terminal import check_file, surroundings_from

    raise typer.Exit(
        check_file(
            file,
            _console(),
            as_json=as_json,
            bands_file=bands,
            displacement_l=displacement,
            regulating_degc=regulating,
            surroundings=surroundings_from(soak_hours, altitude_m, humidity),
            png=png,
        )
    )


@app.command()
def compare(
    files: Annotated[list[Path], typer.Argument(help="BEFORE AFTER, or all of the before side.")],
    after: Annotated[
        list[Path] | None, typer.Option("--after", help="A recording after; may be repeated.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="For machines.")] = False,
    png: Annotated[Path | None, typer.Option(help="Folder for plots.")] = None,
    same_car: Annotated[
        bool, typer.Option("--same-car", help="It is one car, although the files differ.")
    ] = False,
) -> None:
    """Compare before with after at equal operating points.

    Exit code 0 (nothing that matters, or better), 1 (changed), 2 (worse), 3 (no comparison).
    """
    from logbench.cli.terminal_compare import compare_files

    before = list(files)
    later = list(after or [])
    if not later:
        if len(before) != 2:
            raise UsageError(
                "Name one recording before and one after; for more, put --after FILE before each"
                " recording of the after side."
            )
        later = [before.pop()]
    code = compare_files(before, later, _console(), as_json=as_json, png_dir=png, same_car=same_car)
    raise typer.Exit(code)


@app.command("import")
def import_command(
    paths: Annotated[list[Path], typer.Argument(help="CSV, Parquet, CAN logs, or folders.")],
    into: Annotated[Path, typer.Option(help="Folder of the recordings made.")] = Path(),
    map_file: Annotated[
        Path | None, typer.Option("--map", help="A mapping of columns to signals (TOML).")
    ] = None,
    save_map: Annotated[Path | None, typer.Option(help="Keep the mapping here.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Take the guessed mapping.")] = False,
) -> None:
    """Import other programs' logs as recordings; shows what each column is taken for."""
    from logbench.cli.terminal_import import import_files
    from logbench.importing.memory import default_folder

    memory = default_folder()
    code = import_files(
        paths, _console(), into=into, map_file=map_file, save_map=save_map, yes=yes, memory=memory
    )
    raise typer.Exit(code)


@app.command()
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
) -> None:
    """Export a recording, or a part of it, as CSV or Parquet."""
    from logbench.cli.terminal_import import export_file

    kinds: dict[str, Literal["csv", "parquet"]] = {".csv": "csv", ".parquet": "parquet"}
    kind = kinds.get(out.suffix.lower())
    if kind is None:
        raise UsageError(f"'{out}' must end in .csv or .parquet.")
    if long and step is not None:
        raise UsageError("--step goes with the wide layout: leave --long out.")
    export_file(
        file,
        _console(),
        out=out,
        kind=kind,
        layout="long" if long else "wide",
        signals=_listed(signals),
        start_s=start,
        end_s=end,
        step_s=step,
    )


@app.command()
def report(
    job: Annotated[Path, typer.Argument(help="The job's folder.")],
    out: Annotated[Path | None, typer.Option("--out", "-o", help="A .pdf or .html file.")] = None,
    letter: Annotated[bool, typer.Option("--letter", help="US letter instead of A4.")] = False,
    us: Annotated[bool, typer.Option("--us", help="US units instead of metric.")] = False,
    sections: Annotated[str, typer.Option(help="Section names with commas; all if left out.")] = "",
    short: Annotated[bool, typer.Option("--short", help="One page.")] = False,
    shop: Annotated[str, typer.Option(help="Shop's name and lines, with | between.")] = "",
    logo: Annotated[Path | None, typer.Option(help="The shop's logo (PNG or JPEG).")] = None,
    private: Annotated[bool, typer.Option("--private", help="Shorten VIN and names.")] = False,
) -> None:
    """Write the report of a job, for the customer to keep."""
    from logbench.cli.terminal_report import report_job

    code = report_job(
        job,
        out,
        _console(),
        paper="letter" if letter else "A4",
        units="us" if us else "metric",
        sections=sections,
        short=short,
        shop=shop,
        logo=logo,
        private=private,
    )
    raise typer.Exit(code)


@app.command()
def verify(
    files: Annotated[list[Path], typer.Argument(help="Recordings (.parquet).")],
) -> None:
    """Show whether recordings still are what was recorded; exit code 0, or 3 if one is not."""
    from logbench.cli.terminal import verify_files

    raise typer.Exit(verify_files(files, _console()))


@app.command()
def signals(
    words: Annotated[
        list[str] | None, typer.Argument(help="Acronym, PID or part of a name.")
    ] = None,
) -> None:
    """List the signals that can be recorded."""
    from logbench.cli.terminal import print_signals

    print_signals(words or [], _console())


@app.command()
def simulate(
    options: Annotated[
        str, typer.Argument(help="Like the part behind 'sim:?': seed=7&fault=unmetered_air:1")
    ] = "",
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="TCP port; 0 picks a free one.")
    ] = 35000,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    pty: Annotated[bool, typer.Option("--pty", help="A pseudo-terminal instead of TCP.")] = False,
    trouble: Annotated[
        list[str] | None,
        typer.Option(help="NAME@TIME[:DURATION] in seconds of the drive; may be repeated."),
    ] = None,
) -> None:
    """Serve a simulated car behind a simulated adapter, for this or any other client."""
    from logbench.cli.terminal import serve_simulated

    parts = [options, *(f"trouble={text}" for text in trouble or [])]
    serve_simulated("&".join(part for part in parts if part), host, port, pty, _console())


@app.command()
def recover(
    folder: Annotated[Path, typer.Argument(help="Folder with journals left by a crash.")] = Path(),
) -> None:
    """Turn the journals that a crash left behind into recordings."""
    from logbench.recording.finish import recover as recover_folder

    made = recover_folder(folder)
    for path in made:
        typer.echo(f"Recovered {path}")
    if not made:
        typer.echo(f"No journal is waiting in {folder.resolve()}.")


@app.command()
def demo(
    headless: Annotated[
        bool, typer.Option("--headless", help="In the terminal, even where a window could open.")
    ] = False,
    out: Annotated[Path | None, typer.Option(help="Folder for the files.")] = None,
) -> None:
    """See the whole job on the simulated car, live and recorded, before and after a repair."""
    from logbench.app.preflight import window_obstacle
    from logbench.cli.demo import demo_in_terminal, demo_in_window

    console = _console()
    obstacle = None if headless else window_obstacle()
    if not headless and obstacle is None:
        raise typer.Exit(demo_in_window())
    if obstacle:
        console.print(f"No window here: {obstacle} The demo runs in the terminal instead.\n")
    demo_in_terminal(out, console)


def main(argv: list[str] | None = None) -> int:
    """Run the command line; returns the exit code. Errors of the world become one sentence."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    if arguments and arguments[0].endswith(".parquet"):
        arguments.insert(0, "open")  # `logbench FILE.parquet`
    try:
        result = app(args=arguments, standalone_mode=False)
        return int(result or 0)
    except LogbenchError as error:
        print(f"logbench: {error}", file=sys.stderr)
        return error.exit_code
    except typer.Exit as leave:
        return leave.exit_code
    except (typer.Abort, KeyboardInterrupt):
        return 130
    except TyperException as error:
        print(f"logbench: {error.format_message()}", file=sys.stderr)
        print("logbench: 'logbench --help' lists the commands.", file=sys.stderr)
        return UsageError.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return 0


def run() -> None:
    """Entry point of the installed command."""
    sys.exit(main())


if __name__ == "__main__":
    run()
