"""What a process of ours may no longer do, laid down before it touches what strangers wrote.

Linux: Landlock (kernel documentation, userspace-api/landlock; numbers of linux/landlock.h) and
limits of resources. Windows: a job object. Elsewhere the limits only. `confine` says what is not
held, so that it can be logged and told.
"""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from collections.abc import Callable, Iterable

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
    if sys.platform != "linux":
        return f"no confinement on {sys.platform}"
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


def limit_self(more_memory_bytes: int, file_bytes: int) -> None:
    """This process takes at most so much more address space than it has, writes no larger file, and
    leaves no image of its memory behind. Nothing where the system has no such limits."""
    if sys.platform == "win32":
        return
    import resource

    limits = {resource.RLIMIT_FSIZE: file_bytes, resource.RLIMIT_CORE: 0}
    if sys.platform == "linux":
        with open("/proc/self/statm", encoding="ascii") as file:
            has = int(file.read().split()[0]) * os.sysconf("SC_PAGESIZE")
        limits[resource.RLIMIT_AS] = has + more_memory_bytes
    for kind, most in limits.items():
        _, hard = resource.getrlimit(kind)
        least = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(kind, (least, least))


def resident_bytes(pid: int) -> int | None:
    """Memory that a process has in use; None where it has ended or the system does not say."""
    try:
        with open(f"/proc/{pid}/statm", encoding="ascii") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGESIZE")
    except (OSError, ValueError, IndexError):
        return None


class _JobLimits(ctypes.Structure):
    """JOBOBJECT_EXTENDED_LIMIT_INFORMATION of winnt.h."""

    _fields_ = [
        ("process_time", ctypes.c_int64), ("job_time", ctypes.c_int64),
        ("flags", ctypes.c_uint32), ("least_set", ctypes.c_size_t), ("most_set", ctypes.c_size_t),
        ("processes", ctypes.c_uint32), ("affinity", ctypes.c_size_t),
        ("priority", ctypes.c_uint32), ("scheduling", ctypes.c_uint32),
        ("io", ctypes.c_uint64 * 6),
        ("process_memory", ctypes.c_size_t), ("job_memory", ctypes.c_size_t),
        ("peak_process", ctypes.c_size_t), ("peak_job", ctypes.c_size_t),
    ]  # fmt: skip


_JOB_LIMITS = 9
_ONE_PROCESS, _PROCESS_MEMORY, _END_WITH_US = 0x8, 0x100, 0x2000


def keep_in_job(process: subprocess.Popen[bytes], memory_bytes: int) -> None:
    """On Windows: a child that takes no more memory, starts no process and ends with this one.
    Elsewhere nothing. Has not been tried on Windows. Raises `OSError`."""
    if sys.platform == "win32":
        kernel = ctypes.WinDLL("kernel32", use_last_error=True)
        kernel.CreateJobObjectW.restype = ctypes.c_void_p
        job = ctypes.c_void_p(kernel.CreateJobObjectW(None, None))  # held until this process ends
        flags = _ONE_PROCESS | _PROCESS_MEMORY | _END_WITH_US
        limits = _JobLimits(flags=flags, processes=1, process_memory=memory_bytes)
        handle = ctypes.c_void_p(int(process._handle))
        if not (
            kernel.SetInformationJobObject(
                job, _JOB_LIMITS, ctypes.byref(limits), ctypes.sizeof(limits)
            )
            and kernel.AssignProcessToJobObject(job, handle)
        ):
            raise ctypes.WinError(ctypes.get_last_error())
