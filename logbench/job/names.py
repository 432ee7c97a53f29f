"""Names that are safe on every file system, and places that stay inside the job's folder."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Container
from pathlib import Path, PurePosixPath

from logbench.errors import JobDamagedError
from logbench.recording.storage import numbered
from logbench.system.platforms import is_device

MOST_BYTES = 120
"""Of a name in UTF-8; every file system in use takes 255, and folders above add to the path."""
_FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f-\x9f]')


def safe_name(text: str, fallback: str = "file") -> str:
    """`text` as a file name: NFC, no separators, control or reserved characters, no device name,
    no dot or blank at either end, at most `MOST_BYTES` bytes with its extension kept."""
    text = unicodedata.normalize("NFC", text)
    kept = (char for char in text if unicodedata.category(char) not in ("Cc", "Cf", "Cs", "Co"))
    name = _FORBIDDEN.sub("-", "".join(kept))
    name = re.sub(r"\s+", " ", name).strip(" .-") or fallback
    stem, dot, extension = name.rpartition(".")
    if not dot or len(extension) > 10:
        stem, dot, extension = name, "", ""
    room = MOST_BYTES - len((dot + extension).encode())
    stem = stem.strip(" .").encode()[:room].decode("utf-8", "ignore").rstrip(" .") or fallback
    if is_device(stem):
        stem = f"_{stem}"
    return stem + dot + extension


def free_name(wanted: str, taken: Container[str]) -> str:
    """`wanted`, or with a number before its extension; `taken` are case-folded names in use."""
    names = (path.name for path in numbered(Path(wanted)))
    return next(name for name in names if name.casefold() not in taken)


def check_inside(text: str) -> str:
    """A path of the job file, checked by itself: relative, with `/`, without `..`.

    Raises ValueError with the reason.
    """
    path = PurePosixPath(text)
    if not text or not path.parts:
        raise ValueError("is empty")
    if path.is_absolute() or "\\" in text or re.match(r"[A-Za-z]:", text):
        raise ValueError("is not a place inside the job's folder")
    if any(part in ("..", ".") for part in text.split("/")):
        raise ValueError("leads out of the job's folder")
    if any(unicodedata.category(char) in ("Cc", "Cs") for char in text):
        raise ValueError("holds control characters")
    return text


def place_inside(folder: Path, text: str) -> Path:
    """The file that `text` names in `folder`; links that lead out are refused.

    Raises JobDamagedError.
    """
    try:
        path = (folder / check_inside(text)).resolve()
    except (ValueError, OSError, RuntimeError) as error:
        raise JobDamagedError(
            f"The job names the file {text[:80]!r}, which {error}: take it out of job.toml."
        ) from error
    # from Python 3.13 on `resolve` leaves a link to itself as it is
    if path.is_symlink() or not path.is_relative_to(folder.resolve()):
        raise JobDamagedError(
            f"The job's file {text[:80]!r} is a link that leads out of its folder, or to itself: "
            "copy the file itself into the job."
        )
    return path
