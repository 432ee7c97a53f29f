"""Command lines as the program's own parser takes them, without running them."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from typing import Any

import typer.main

from logbench.cli.main import app


def commands_in(block: str) -> Iterator[str]:
    """The `logbench` command lines of a block of a page, without what is said behind `#`."""
    for line in block.splitlines():
        if line.startswith("logbench"):
            yield shlex.join(shlex.split(line, comments=True)[1:])


def parsed(command: str) -> dict[str, Any]:
    """The values of a command's parameters. Raises what the parser raises."""
    at: Any = typer.main.get_command(app)
    context = at.make_context("logbench", shlex.split(command))
    while hasattr(at, "resolve_command"):
        rest = [*context._protected_args, *context.args]
        if not rest:
            break
        name, at, rest = at.resolve_command(context, rest)
        context = at.make_context(name, rest, parent=context)
    return dict(context.params)
