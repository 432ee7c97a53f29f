"""The command line: its groups of commands, and what a failure looks like.

Everything heavy is imported inside the command that needs it, so that `--help` stays quick.
Exit codes: 0 done; `check` also 1 (watch) and 2 (act); 3 an error, told in one sentence; 5 a file
or a piece of a job is not what was recorded or entered (options.CHANGED); 130 stopped by Ctrl-C
before anything was worth keeping.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer
from typer.exceptions import TyperException

from logbench.cli import files, job_entries
from logbench.cli.archive import archive_app
from logbench.cli.causes import causes
from logbench.cli.check import check
from logbench.cli.compare import compare
from logbench.cli.correct import correct
from logbench.cli.decode import decode
from logbench.cli.demo import demo
from logbench.cli.desktop import desktop
from logbench.cli.evidence import key_app, verify
from logbench.cli.exercise import exercise
from logbench.cli.forget import forget
from logbench.cli.job import job_app
from logbench.cli.options import INTERRUPTED
from logbench.cli.record import record
from logbench.cli.report import report
from logbench.cli.show import console, say, warn
from logbench.cli.show import table as make_table
from logbench.errors import NO_MEMORY, AnotherCarError, LogbenchError, UsageError
from logbench.system.platforms import print_plainly
from logbench.system.version import SOFTWARE

app = typer.Typer(
    name="logbench",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback(invoke_without_command=True)
def _root(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log to the terminal.")] = False,
) -> int | None:
    """Record, plot and check a test drive. Without a command: opens the window."""
    if version:
        typer.echo(SOFTWARE)
        raise typer.Exit(0)
    import logging

    from logbench.system.log import start_logging

    start_logging(
        "window" if context.invoked_subcommand in (None, "open") else "command",
        terminal_level=logging.DEBUG if verbose else logging.ERROR,
    )
    return None if context.invoked_subcommand else _open_window([])


def _open_window(recordings: list[Path]) -> int:
    """Open the window; its exit code. Raises WindowError where it cannot open."""
    from logbench.app.main import run as run_window

    return run_window(recordings)


@app.command("open")
def open_command(
    files: Annotated[list[Path] | None, typer.Argument(help="Recordings to open.")] = None,
) -> int:
    """Open the window, with recordings to review."""
    from logbench.recording.reader import open_recording

    for file in files or []:
        open_recording(file)  # says what is wrong before a window comes up
    return _open_window(files or [])


app.command()(record)
app.command()(check)
app.command()(causes)
app.command()(compare)
app.command("import")(files.import_files)
app.command()(correct)
app.command()(files.export)
app.command()(report)
app.command()(verify)
app.command()(decode)


@app.command()
def signals(
    words: Annotated[
        list[str] | None, typer.Argument(help="Acronym, PID or part of a name.")
    ] = None,
) -> None:
    """List the signals that can be recorded, and those that are computed of them."""
    from logbench.signals.catalog import catalog
    from logbench.signals.table import table

    out = make_table("acronym", "PID", "name", "unit", "range")
    for entry in catalog():
        pid = entry.origin if entry.formula else f"{table().by_acronym(entry.acronym).pid:02X}"
        found = f"{entry.acronym} {entry.title} 0x{pid} {pid}".lower()
        if all(word.lower() in found for word in words or []):
            limits = entry.formula or f"{entry.minimum:g} to {entry.maximum:g}"
            out.add_row(entry.acronym, pid, entry.title, entry.unit, limits)
    if not out.row_count:
        raise LogbenchError(
            f"No signal holds '{' '.join(words or [])}'; 'logbench signals' lists all of them."
        )
    console().print(out)


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
    from logbench.simulator.serve import main_serve

    parts = [options, *(f"trouble={text}" for text in trouble or [])]
    wanted = "&".join(part for part in parts if part)
    main_serve(wanted, say, host=host, port=port, wire="pty" if pty else "tcp")


app.command()(files.recover)
app.command()(demo)
app.command()(exercise)
app.command()(forget)
app.command()(desktop)
app.add_typer(archive_app)
app.add_typer(job_app)
app.add_typer(key_app)
job_app.command()(job_entries.note)
job_app.command()(job_entries.work)
job_app.command()(job_entries.part)
job_app.command()(job_entries.option)
job_app.command()(job_entries.correct)
job_app.command()(job_entries.withdraw)
job_app.command("set")(job_entries.set_fields)


def main(argv: list[str] | None = None) -> int:
    """Run the command line; returns the exit code. Errors of the world become one sentence."""
    print_plainly(sys.stdout, sys.stderr)
    arguments = list(sys.argv[1:] if argv is None else argv)
    if arguments and _is_file(arguments[0]):
        arguments.insert(0, "open")  # `logbench FILE`
    try:
        return app(args=arguments, standalone_mode=False) or 0
    except LogbenchError as error:
        warn(str(error))
        if isinstance(error, AnotherCarError):
            warn("If it is the same car, say so with --same-car.")
        return error.exit_code
    except MemoryError:
        warn(NO_MEMORY)
        return LogbenchError.exit_code
    except (typer.Abort, KeyboardInterrupt):
        return INTERRUPTED
    except TyperException as error:
        warn(error.format_message())
        warn("'logbench --help' lists the commands.")
        return UsageError.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return 0


def _is_file(word: str) -> bool:
    """Whether a first word is a file, or meant to be one: no command has a dot in it."""
    return word.endswith(".parquet") or ("." in word and Path(word).is_file())


def run() -> None:
    """Entry point of the installed command."""
    sys.exit(main())
