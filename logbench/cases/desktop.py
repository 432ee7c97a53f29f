"""The window in the desktop's menu, with its icon, and recordings that open by a double click: for
this user, on Linux and other systems with a desktop of freedesktop.org.

By its Desktop Entry, Icon Theme and Shared MIME-info specifications. The type of a Parquet file is
the one that IANA has registered.
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from logbench.errors import UsageError
from logbench.recording.storage import storage_trouble, write_whole
from logbench.system import platforms
from logbench.system.private import make_folder
from logbench.words import tr

ICON = Path(__file__).with_name("icon.svg")
"""The program's own, also the window's."""
_ENTRY, _TYPES = ICON.with_name("menu.desktop"), ICON.with_name("menu_types.xml")
_RENEW_S = 30.0


def own_command() -> tuple[str, ...]:
    """How this installation is started: its command, or the interpreter that runs it."""
    if getattr(sys, "frozen", False):
        return (sys.executable,)
    command = Path(sys.executable).with_name("logbench")
    return (str(command),) if command.is_file() else (sys.executable, "-m", "logbench")


def install(data: Path | None = None, command: Sequence[str] = ()) -> tuple[Path, ...]:
    """Write entry, icon and file type below the user's data folder; what was written.

    `data`, `command`: other ones than the user's own. Raises `UsageError` on Windows and macOS,
    `StorageError`.
    """
    files = _files(data)
    line = " ".join(map(quoted, command or own_command()))
    entry = _ENTRY.read_text("utf-8").replace("{command}", line).encode()
    contents = (entry, ICON.read_bytes(), _TYPES.read_bytes())
    for path, content in zip(files, contents, strict=True):
        with storage_trouble(path):
            make_folder(path.parent)
        write_whole(path, content)
    _renew(files)
    return files


def remove(data: Path | None = None) -> tuple[Path, ...]:
    """Take away what `install` wrote; what was there. Raises as it does."""
    files = _files(data)
    there = tuple(path for path in files if path.is_file())
    for path in there:
        with storage_trouble(path):
            path.unlink()
    _renew(files)
    return there


def quoted(argument: str) -> str:
    """An argument for the key `Exec`: quotes by its own rules, `%` doubled, and backslashes doubled
    once more as in every string of an entry."""
    for sign in '\\"`$':
        argument = argument.replace(sign, f"\\{sign}")
    return '"' + argument.replace("\\", "\\\\").replace("%", "%%") + '"'


def _files(data: Path | None) -> tuple[Path, Path, Path]:
    if platforms.SYSTEM in ("windows", "macos"):
        command = platforms.as_typed(list(own_command()))
        raise UsageError(
            tr("Only desktops of Linux have such an entry: make a shortcut to {command}."),
            command=command,
        )
    home = data or platforms.data_home().parent
    return (
        home / "applications" / "logbench.desktop",
        home / "icons" / "hicolor" / "scalable" / "apps" / "logbench.svg",
        home / "mime" / "packages" / "logbench.xml",
    )


def _renew(files: tuple[Path, Path, Path]) -> None:
    """Have the desktop look again; one without these programs looks by itself."""
    entry, _, kind = files
    for program, folder in (
        ("update-mime-database", kind.parents[1]),
        ("update-desktop-database", entry.parent),
    ):
        command = shutil.which(program)
        if command is not None and folder.is_dir():
            with contextlib.suppress(OSError, subprocess.SubprocessError):
                subprocess.run(
                    [command, str(folder)], capture_output=True, timeout=_RENEW_S, check=False
                )
