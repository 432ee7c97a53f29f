"""Where a recording goes."""

from __future__ import annotations

import time
from pathlib import Path

from logbench.errors import StorageError
from logbench.words import tr


def new_file(folder: Path, *, unattended: bool) -> Path:
    """A name of this minute in `folder`, which is made; one without the time for an unattended run,
    which puts that behind it. `StorageError` where the folder cannot be made."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(
            tr(
                "The folder {folder} for recordings cannot be used ({reason}); make room "
                "or choose another folder.",
                folder=folder,
                reason=error.strerror,
            )
        ) from error
    name = "drive.parquet" if unattended else time.strftime("drive-%Y%m%d-%H%M%S.parquet")
    return folder / name
