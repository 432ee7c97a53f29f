"""`logbench forget`: a customer's data, said and deleted."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from logbench.cli.show import run_shown, say, warn
from logbench.errors import LogbenchError, UsageError


def forget(
    who: Annotated[
        str,
        typer.Argument(
            help="The folder of a job; or a VIN, a plate, the name of a car or customer."
        ),
    ],
    places: Annotated[
        list[str] | None,
        typer.Option(
            "--in", help="Look here, too: a folder or an archive (s3://…); may be repeated."
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Delete without asking, for scripts.")] = False,
) -> int:
    """Delete what is kept of a customer: jobs, recordings, the car, what archives know of it.

    Says first what goes. Looked into are the usual folders of recordings, those of jobs and
    archives used before, and what --in names.
    """
    from logbench.cases.forgetting import BEYOND, Forget, find_traces, usual_places
    from logbench.cases.settings import Settings

    if not who.strip():
        raise UsageError("Name a job's folder, a VIN, a plate, a car or a customer.")
    settings = Settings.load()
    looked = dict.fromkeys([*map(str, usual_places(settings)), *(places or [])])
    for place in looked:
        if "://" not in place and not Path(place).is_dir():
            raise UsageError(f"There is no folder {place}: name one that is there.")
    say(f"Looked into: {', '.join(looked) or 'no folder'}.", "dim")
    traces = run_shown(find_traces(who, tuple(looked)), "looking")
    for problem in traces.unread:
        warn(problem)
    if not traces.lines:
        say("Nothing was found. A name has to be whole; --in names further folders.")
        return LogbenchError.exit_code if traces.unread else 0
    say("This goes for good:", "bold")
    for line in traces.lines:
        say(f"  - {line}")
    if not yes:
        if not sys.stdin.isatty():
            raise UsageError("Add --yes to delete this without being asked.")
        if not typer.confirm("Delete it?", default=False):
            return LogbenchError.exit_code
    answer = run_shown(Forget(traces, settings), "deleting")
    for problem in answer.problems:
        warn(problem)
    say(f"{answer.gone} things are deleted. {BEYOND}")
    return LogbenchError.exit_code if answer.problems else 0
