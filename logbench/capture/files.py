"""Where a recording goes."""

from __future__ import annotations

import time
from pathlib import Path

from logbench.errors import StorageError
from logbench.words import tr


def new_file(folder: Path) -> Path:
    """A name of this minute in `folder`, which is made; `StorageError` where it cannot be."""
    _make(folder)
    return folder / time.strftime("drive-%Y%m%d-%H%M%S.parquet")


def days_file(folder: Path) -> Path:
    """The name that an unattended run puts the time behind; raises as `new_file`."""
    _make(folder)
    return folder / "drive.parquet"


def _make(folder: Path) -> None:
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
