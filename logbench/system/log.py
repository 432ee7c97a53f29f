"""The program's log file: small, rotating, without personal data."""

from __future__ import annotations

import functools
import getpass
import logging
import os
import re
import sys
import threading
from io import TextIOWrapper
from logging.handlers import RotatingFileHandler
from pathlib import Path
from types import TracebackType
from typing import Literal, TextIO

from logbench.foreign import in_terminal
from logbench.system.platforms import log_home, try_lock
from logbench.system.private import FILE_MODE, make_folder, owner_only
from logbench.system.version import SOFTWARE

log = logging.getLogger(__name__)

Kind = Literal["window", "command", "capture", "screen"]
"""Of process; each has files of its own, since a file that two processes write cannot rotate."""

MOST_BYTES, BACKUPS = 1_000_000, 2
"""Of one file, and old ones kept: `window.log`, `window.log.1`, `window.log.2`."""
_MOST_RECORD = 20_000
"""Characters of one record: a traceback of 100 frames has some 10,000."""
_TOGETHER = 4
"""Processes of one kind that log at the same time; further ones do without a file."""

_MAC = re.compile(r"\b[0-9A-Fa-f]{2}(?:[:-][0-9A-Fa-f]{2}){5}\b")
_UUID = re.compile(r"\b[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}\b")
_VIN = re.compile(r"\b(?=[A-Z]*\d)(?=\d*[A-Z])[A-HJ-NPR-Z0-9]{17}\b", re.IGNORECASE)
"""ISO 3779: 17 letters and digits without I, O and Q."""
_HOME = re.compile(r"((?:/home/|/Users/|[A-Za-z]:[\\/]+Users[\\/]+))[^/\\:'\"\r\n]+")
_FORMAT = "%(asctime)s %(levelname)s %(process)d %(threadName)s %(name)s: %(message)s"


def without_personal_data(text: str) -> str:
    """The text without vehicle identification numbers, addresses of Bluetooth devices and network
    cards, the user's name and home folder."""
    text = _MAC.sub("<address>", _UUID.sub("<address>", text))
    text = _VIN.sub("<VIN>", text)
    home, name = _user()
    if home:
        text = text.replace(home, "~").replace(home.replace("\\", "\\\\"), "~")
    text = _HOME.sub(r"\1<user>", text)
    return re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", "<user>", text) if name else text


@functools.cache
def _user() -> tuple[str, str]:
    """Home folder and name; `` where they are not known or say nothing."""
    try:
        home, name = str(Path.home()), getpass.getuser()
    except (RuntimeError, OSError, KeyError, ImportError):
        return "", ""
    return home if len(home) > 3 else "", name if len(name) > 1 else ""


class _Formatter(logging.Formatter):
    """One record begins in one line without indent, so that no text that is logged looks like
    another record."""

    def format(self, record: logging.LogRecord) -> str:
        whole = in_terminal(super().format(record), lines=True, most=_MOST_RECORD)
        return without_personal_data(whole.replace("\n", "\n    "))


class _File(RotatingFileHandler):
    """A full disk does not disturb what is being logged. `lock`: a descriptor, closed with it."""

    def __init__(self, path: Path, lock: int) -> None:
        self._lock_fd = lock
        super().__init__(path, maxBytes=MOST_BYTES, backupCount=BACKUPS, encoding="utf-8")
        self.setFormatter(_Formatter(_FORMAT))
        self.addFilter(_worth_keeping)

    def _open(self) -> TextIOWrapper:
        return open(self.baseFilename, "a", encoding="utf-8", opener=owner_only)

    def handleError(self, record: logging.LogRecord) -> None:
        """Nothing can be done, and nobody reads stderr."""

    def close(self) -> None:
        """Let go of the file and its name."""
        super().close()
        if self._lock_fd >= 0:
            os.close(self._lock_fd)
            self._lock_fd = -1


class _Terminal(logging.StreamHandler[TextIO]):
    """Where stderr is when something is logged, not where it was at the start."""

    def emit(self, record: logging.LogRecord) -> None:
        self.stream = sys.stderr
        super().emit(record)


def _worth_keeping(record: logging.LogRecord) -> bool:
    """What happens here from INFO on; of libraries, what goes wrong."""
    ours = record.name.split(".")[0] == "logbench"
    return record.levelno >= (logging.INFO if ours else logging.WARNING)


def log_file() -> Path | None:
    """The file of this process, for the user to find and pass on; None where there is none."""
    found = [h.baseFilename for h in logging.getLogger().handlers if isinstance(h, _File)]
    return Path(found[0]) if found else None


def start_logging(
    kind: Kind, *, terminal_level: int = logging.ERROR, folder: Path | None = None
) -> Path | None:
    """Log to the terminal and to this process's file, exceptions that nobody caught included.

    Returns `log_file()`: None where there can be none (a folder that is read-only, too many
    processes). Does it once for a process. folder: None for the user's folder of logs.
    """
    root = logging.getLogger()
    if any(isinstance(handler, _Terminal) for handler in root.handlers):
        return log_file()
    terminal = _Terminal(sys.stderr)
    terminal.setLevel(terminal_level)
    terminal.setFormatter(_Formatter())
    root.addHandler(terminal)
    root.setLevel(min(terminal_level, logging.INFO))
    sys.excepthook, threading.excepthook = _uncaught, _uncaught_in_thread
    try:
        place = folder or log_home()
        make_folder(place)
        _open_file(root, place, kind)
    except OSError as error:
        log.debug("no log file: %s", error)
    log.info("%s, %s, Python %s, %s", SOFTWARE, kind, sys.version.split()[0], sys.platform)
    return log_file()


def _open_file(root: logging.Logger, folder: Path, kind: Kind) -> None:
    """The first of `window.log`, `window-2.log`, … that no other process writes, locked."""
    for number in range(1, _TOGETHER + 1):
        name = kind if number == 1 else f"{kind}-{number}"
        fd = os.open(folder / f"{name}.lock", os.O_RDWR | os.O_CREAT, FILE_MODE)
        if try_lock(fd):
            root.addHandler(_File(folder / f"{name}.log", fd))
            return
        os.close(fd)


def _uncaught(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    if issubclass(kind, KeyboardInterrupt):
        sys.__excepthook__(kind, error, trace)
        return
    logging.getLogger("logbench").critical("uncaught", exc_info=(kind, error, trace))


def _uncaught_in_thread(args: threading.ExceptHookArgs) -> None:
    if args.exc_value is not None:
        _uncaught(args.exc_type, args.exc_value, args.exc_traceback)
