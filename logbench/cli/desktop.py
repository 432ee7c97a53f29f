"""`logbench desktop`: the window in the desktop's menu, and recordings that open in it."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Annotated

import typer

from logbench.cli.show import say
from logbench.errors import WindowError
from logbench.system.extras import lacks


def desktop(
    remove: Annotated[bool, typer.Option("--remove", help="Take it away again.")] = False,
) -> None:
    """Put logbench into the desktop's menu and let it open recordings (Linux)."""
    from logbench.cases.desktop import install
    from logbench.cases.desktop import remove as take_away

    if not remove and find_spec("PySide6") is None:
        raise WindowError(lacks("The window", "Qt (PySide6, pyqtgraph)", "window"))
    files = take_away() if remove else install()
    for file in files:
        say(f"{'Removed' if remove else 'Written'}: {file}")
    if not files:
        say("There is no entry to remove.")
