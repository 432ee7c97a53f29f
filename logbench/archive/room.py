"""What a question may take: memory by the computer, and a folder for what does not fit into it."""

from __future__ import annotations

import contextlib
import os
import shutil
import uuid
from dataclasses import dataclass, field
from pathlib import Path

from logbench.errors import QueryError, first_line
from logbench.system.limits import QUERY_FOLDER_BYTES
from logbench.system.memory import work_bytes
from logbench.system.platforms import try_lock
from logbench.system.private import FILE_MODE, FOLDER_MODE, make_folder

_FOLDER = "query-"


@dataclass(frozen=True, slots=True)
class Room:
    """What DuckDB may take: memory, and a folder to put aside what does not fit ('': none)."""

    memory_bytes: int = field(default_factory=work_bytes)
    folder: str = ""
    folder_bytes: int = 0


class OwnFolder:
    """A folder that only one who answers writes into, removed after it.

    What a power cut has left of earlier ones goes as well: a lock beside each tells whether anybody
    still needs it. On the disk of the archive's cache, since a system's folder for temporary files
    may be in memory.
    """

    def __init__(self, beside: Path) -> None:
        """Raises `QueryError`."""
        try:
            make_folder(beside)
            for lock in beside.glob(f"{_FOLDER}*.lock"):
                _remove_left(lock)
            self.path = beside / f"{_FOLDER}{uuid.uuid4().hex}"
            self._lock = self.path.with_suffix(".lock")
            self._fd = os.open(self._lock, os.O_RDWR | os.O_CREAT | os.O_EXCL, FILE_MODE)
            try_lock(self._fd)
            self.path.mkdir(FOLDER_MODE)
            free = shutil.disk_usage(beside).free
        except OSError as error:
            raise QueryError(
                f"A query needs a folder in {beside}, which cannot be made: {first_line(error)}."
            ) from error
        self.most_bytes = min(QUERY_FOLDER_BYTES, free // 2)

    def remove(self) -> None:
        """With all that is in it."""
        shutil.rmtree(self.path, ignore_errors=True)
        os.close(self._fd)
        with contextlib.suppress(OSError):
            self._lock.unlink(missing_ok=True)


def _remove_left(lock: Path) -> None:
    with contextlib.suppress(OSError):
        fd = os.open(lock, os.O_RDWR)
        try:
            free = try_lock(fd)
        finally:
            os.close(fd)
        if free:
            shutil.rmtree(lock.with_suffix(""), ignore_errors=True)
            lock.unlink()
