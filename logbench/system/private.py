"""The one home of the rule who may read what the program writes: its owner, and nobody else.

Every file is made with mode 0600 and every folder with 0700, from its first moment, also temporary
ones and exports under a name of the user's. A umask may take rights away; a wider one gives none. A
folder that is there already keeps its rights, and so does whatever else was not made here. A file
that is written anew (the job's) is a new file: it is its owner's again. Where the system knows no
such modes (Windows, a memory stick) the folder's own rights decide.
"""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

FILE_MODE = 0o600
FOLDER_MODE = 0o700


def owner_only(path: str, flags: int) -> int:
    """The `opener` that every `open(…)` for writing is given."""
    return os.open(path, flags, FILE_MODE)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it that are missing; nothing where it is there. `OSError` goes
    to the caller, `FileExistsError` where something else bears the name."""
    if folder.is_dir():
        return
    if folder.parent != folder:
        make_folder(folder.parent)
    with contextlib.suppress(FileExistsError):  # another process was quicker
        folder.mkdir(FOLDER_MODE)
    if not folder.is_dir():
        raise FileExistsError(errno.EEXIST, "something else bears this name", str(folder))
