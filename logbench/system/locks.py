"""A lock on an open file, which dies with its process."""

from __future__ import annotations

import errno
import os
import sys

_LOCK_AT = 0x7FFF_FFF0
"""Byte that is locked on Windows, where locks are mandatory: far behind any journal's end."""


def try_lock(fd: int) -> bool:
    """Lock the open file for this process; False when another holds it.

    The lock dies with the process (or with the last close of `fd`), so a crash leaves none behind.
    """
    try:
        if sys.platform == "win32":
            import msvcrt

            position = os.lseek(fd, 0, os.SEEK_CUR)
            os.lseek(fd, _LOCK_AT, os.SEEK_SET)
            try:
                msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
            finally:
                os.lseek(fd, position, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in {errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES, errno.EDEADLK}:
            return False
        raise
    return True
