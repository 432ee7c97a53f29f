"""What every writer needs: whole files, free names, sentences for the disk's moods."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import logging
import os
import re
import shutil
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path, PurePath
from typing import TypeVar

from logbench.errors import StorageError
from logbench.system.platforms import claim, is_too_long, replace, sync_folder
from logbench.system.private import owner_only
from logbench.system.reading import read_plain

log = logging.getLogger(__name__)

T = TypeVar("T")
PathT = TypeVar("PathT", bound=PurePath)

PART = ".part"
"""Ends the name of a file that is still being written."""
_PIECE = 1 << 20
_UNFINISHED = re.compile(r"\.logbench-[0-9a-f]{32}\.(part|new)")
_OLD_S = 3600.0
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_FORBIDDEN = frozenset({errno.EACCES, errno.EPERM})
_PASSING = frozenset(
    {
        errno.EINTR, errno.EAGAIN, errno.EBUSY, errno.EIO, errno.ENOBUFS, errno.ENOMEM,
        errno.ENOSPC, errno.EDQUOT, errno.ESTALE, errno.ETIMEDOUT,
    }
)  # fmt: skip


def storage_error(error: OSError, path: Path, *, kept: str = "") -> StorageError:
    """One sentence for an operating-system error met while writing `path`.

    `kept` says what is safe, as an end of the sentence ('what was recorded so far stays in …').
    """
    tail = f"; {kept}" if kept else ""
    if error.errno in _FULL:
        return StorageError(
            f"The disk is full: {path} could not be written. Free some space and try again{tail}."
        )
    if is_too_long(error, path):
        return StorageError(
            f"The name {path} is too long for this system ({len(str(path))} characters): choose a "
            f"shorter one, or a folder with a shorter path{tail}."
        )
    if error.errno == errno.EROFS:
        return StorageError(
            f"{path} cannot be written, the disk is read-only: choose another folder{tail}."
        )
    if error.errno in _FORBIDDEN:
        return StorageError(
            f"{path} cannot be written, you have no permission to write there: "
            f"choose another folder{tail}."
        )
    if error.errno in {errno.ENOENT, errno.ENOTDIR}:
        return StorageError(f"{_what_lacks(path)}: choose another folder{tail}.")
    reason = error.strerror or str(error)
    return StorageError(
        f"{path} could not be written ({reason}): check the disk or choose another folder{tail}."
    )


def _what_lacks(path: Path) -> str:
    """Why something at `path` is not there, where the system says no more."""
    if path.is_dir():
        return f"The folder {path} takes no new files"
    if path.parent.is_dir():
        return f"{path} is gone, or its folder takes no new files"
    return f"The folder {path.parent} does not exist or is gone"


def may_pass(error: StorageError) -> bool:
    """Whether the disk may take the same a moment later: a busy server, a disk that fills and is
    emptied, a cable that was touched."""
    return error.__cause__ is not None and is_passing(error.__cause__)


def is_full(error: StorageError) -> bool:
    """Whether it is for want of room."""
    return isinstance(error.__cause__, OSError) and error.__cause__.errno in _FULL


def is_passing(error: BaseException) -> bool:
    """The same, of what the system said itself; memory comes back, too."""
    if isinstance(error, OSError):
        return error.errno in _PASSING
    return isinstance(error, MemoryError)


@contextlib.contextmanager
def storage_trouble(path: Path, *, kept: str = "") -> Iterator[None]:
    """Turn an `OSError` of the block into a `StorageError` about `path`."""
    try:
        yield
    except OSError as error:
        raise storage_error(error, path, kept=kept) from error


def file_sha256(path: Path) -> str:
    """SHA-256 of a file in hex. Raises StorageError."""
    with storage_trouble(path), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def unfinished(beside: Path, ending: str = PART, of: bytes | None = None) -> Path:
    """A name in the same folder for a file that is still being written: nobody else's, and known
    as ours whoever finds it.

    `of`: what it is made of; its name is always the same then, for one who alone may write it and
    writes it again after a crash.
    """
    unlike = uuid.uuid4().hex if of is None else hashlib.blake2b(of, digest_size=16).hexdigest()
    return beside.with_name(f".logbench-{unlike}{ending}")


def sweep(folder: Path) -> None:
    """Remove unfinished files of ours that a crash left behind more than an hour ago."""
    for entry in os.scandir(folder):
        if _UNFINISHED.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
            with contextlib.suppress(OSError):  # another program was quicker, or it must stay
                if time.time() - entry.stat().st_mtime > _OLD_S:
                    os.unlink(entry.path)


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A name beside `path` to write under; what is there takes its place when the block ends, and
    nothing is left of it where the block fails. `OSError` goes to the caller."""
    part = unfinished(path)
    try:
        yield part
        replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file whole or not at all; what was there stays until then. Raises StorageError."""
    with storage_trouble(path):
        with replacing(path) as part, open(part, "xb", opener=owner_only) as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        sync_folder(path.parent)


def read_own(path: Path, most_bytes: int, understood: Callable[[bytes], T]) -> T | None:
    """What `understood` makes of a file of the program's own; None where there is none. One that is
    longer, or refused with a `ValueError`, is set aside where the folder can be written, never
    overwritten."""
    try:
        return understood(read_plain(path, most_bytes))
    except OSError:
        return None
    except (ValueError, RecursionError) as error:  # pydantic's are ValueErrors
        log.warning("%s cannot be used: %s", path, " ".join(str(error).split())[:300])
    with contextlib.suppress(OSError):
        path.replace(path.with_suffix(f".unreadable-{os.getpid()}.json"))
    return None


def write_all(fd: int, data: bytes) -> None:
    """Write every byte at the file's current position (`os.write` may stop early)."""
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(fd, rest) :]


def numbered(path: PathT) -> Iterator[PathT]:
    """`drive.parquet`, `drive-2.parquet`, `drive-3.parquet`, …"""
    yield path
    for number in range(2, 10_000):
        yield path.with_name(f"{path.stem}-{number}{path.suffix}")
    raise StorageError(f"There are too many files named like {path.name}: choose another name.")


def write_new(wanted: Path, write: Callable[[Path], object], temporary: Path | None = None) -> Path:
    """Let `write` make a file beside `wanted`, and give it that name, or the next free numbered
    one, atomically and never over another file.

    `temporary`: its name until then, of `unfinished`. Nothing is left of it after a failure.
    Returns the name; `OSError` from the disk goes to the caller.
    """
    temporary = temporary or unfinished(wanted)
    try:
        write(temporary)
        name = next(name for name in numbered(wanted) if claim(temporary, name))
        sync_folder(name.parent)
        return name
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise


def copy_new(source: Path, wanted: Path) -> Path:
    """Copy a file whole and durable, under a name as `write_new` takes it; returns the name."""

    def copy(part: Path) -> None:
        with source.open("rb") as old, open(part, "xb", opener=owner_only) as new:
            shutil.copyfileobj(old, new, _PIECE)
            new.flush()
            os.fsync(new.fileno())

    return write_new(wanted, copy)
