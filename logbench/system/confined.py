"""What a process of ours may no longer do, laid down before it touches what strangers wrote.

Linux: Landlock (kernel documentation, userspace-api/landlock; numbers of linux/landlock.h), beside
the limits of resources in `platforms`. Windows: the job object there. Elsewhere the limits only.
`confine` says what is not held, so that it can be logged and told.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Callable, Iterable

from logbench.system import platforms

_CREATE, _ADD, _RESTRICT = 444, 445, 446
"""System calls of Landlock, the same on every architecture that we run on."""
_NO_NEW_PRIVILEGES = 38
_READ_FILE, _READ_DIR = 1 << 2, 1 << 3
_WRITE_FILE, _REMOVE_FILE, _MAKE_FILE, _TRUNCATE = 1 << 1, 1 << 5, 1 << 8, 1 << 14
_OWN_FOLDER = _READ_FILE | _READ_DIR | _WRITE_FILE | _REMOVE_FILE | _MAKE_FILE | _TRUNCATE
_FILE_RIGHTS = {1: 13, 2: 14, 3: 15, 5: 16}
"""Rights about files that a version of the kernel's interface knows, from the lowest on; older ones
leave moving between folders (1), shortening (2) and device controls (4) as they are."""
_TCP_FROM, _SIGNALS_FROM = 4, 6


class _Rules(ctypes.Structure):
    _fields_ = [("files", ctypes.c_uint64), ("tcp", ctypes.c_uint64), ("scope", ctypes.c_uint64)]


class _Below(ctypes.Structure):
    _pack_ = 1
    _layout_ = "ms"  # what packing means; Python 3.14 on asks for the word
    _fields_ = [("allowed", ctypes.c_uint64), ("fd", ctypes.c_int32)]


def confine(readable: Iterable[str], own_folder: str) -> str:
    """From here on this process reads these files and folders and its own folder, writes into its
    own folder, and nothing else: no other file, program, TCP connection, or signal to a process.

    Other threads that are there already go on as they are. Returns what is not held, in words for
    the log; an empty text where all of it is. Raises `OSError` where the rules cannot be laid down
    though the kernel has them.
    """
    if platforms.SYSTEM != "linux":
        return f"no confinement on {platforms.SYSTEM}"
    call = ctypes.CDLL(None, use_errno=True).syscall
    call.restype = ctypes.c_long
    version = call(_CREATE, None, ctypes.c_size_t(0), ctypes.c_uint32(1))
    if version < 1:
        return f"no Landlock in this kernel ({os.strerror(ctypes.get_errno())})"
    lacking = "" if version >= _TCP_FROM else f"Landlock {version} does not hold the network"
    if len(os.listdir("/proc/self/task")) > 1:
        lacking = "threads of libraries had begun before"
    files = (1 << max(n for since, n in _FILE_RIGHTS.items() if since <= version)) - 1
    rules = _Rules(files, 0b11 * (version >= _TCP_FROM), 0b11 * (version >= _SIGNALS_FROM))
    size = 8 + 8 * (version >= _TCP_FROM) + 8 * (version >= _SIGNALS_FROM)
    ruleset = _done(call(_CREATE, ctypes.byref(rules), ctypes.c_size_t(size), ctypes.c_uint32(0)))
    try:
        for path in readable:
            _allow(call, ruleset, path, _READ_FILE | (_READ_DIR if os.path.isdir(path) else 0))
        _allow(call, ruleset, own_folder, _OWN_FOLDER & files)
        _done(ctypes.CDLL(None, use_errno=True).prctl(_NO_NEW_PRIVILEGES, 1, 0, 0, 0))
        _done(call(_RESTRICT, ctypes.c_int(ruleset), ctypes.c_uint32(0)))
    finally:
        os.close(ruleset)
    return lacking


def _allow(call: Callable[..., int], ruleset: int, path: str, rights: int) -> None:
    """A path that is gone or a link by now is left out: it cannot be reached then."""
    try:
        fd = os.open(path, os.O_PATH | os.O_CLOEXEC | os.O_NOFOLLOW)
    except OSError:
        return
    try:
        below = _Below(rights, fd)
        kind = ctypes.c_int(1)
        _done(call(_ADD, ctypes.c_int(ruleset), kind, ctypes.byref(below), ctypes.c_uint32(0)))
    finally:
        os.close(fd)


def _done(result: int) -> int:
    if result < 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
    return result
