"""What a crash left: journals turned into recordings off the window's thread."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from logbench.app.background import Jobs
from logbench.cases.work import Work as Task


def recover_journals(
    jobs: Jobs, folder: Path, done: Callable[[list[Path]], None], failed: Callable[[str], None]
) -> None:
    """Tell `done` the recordings made; nothing happens where there is no journal."""
    if not (folder.is_dir() and any(folder.glob("*.journal"))):
        return

    def work(_: Task) -> list[Path]:
        from logbench.recording.finish import recover

        return recover(folder)

    jobs.start(work, done, failed)
