"""Everything that differs between Linux, Windows and macOS, in one place.

Functions look at `SYSTEM` when they are called, so that a test puts another system in its place.
What is said here of Windows and macOS follows their documentation and Python's; only Linux has
been tried. What a process may no longer do (Linux only) is in `confined`.
"""

from __future__ import annotations

import codecs
import contextlib
import ctypes
import errno
import importlib
import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal, TextIO

from platformdirs import (
    user_cache_path,
    user_config_path,
    user_data_path,
    user_documents_path,
    user_log_path,
)

SYSTEM: Literal["linux", "windows", "macos", "other"] = {
    "linux": "linux", "win32": "windows", "darwin": "macos",
}.get(sys.platform, "other")  # type: ignore[assignment]  # fmt: skip

# --- where each system keeps what a program writes for its user ---------------------------------
# Linux: the XDG base directories; Windows: %LOCALAPPDATA%\logbench; macOS: ~/Library.


def config_home() -> Path:
    """Settings, own signals and limits, mappings."""
    return user_config_path("logbench", appauthor=False)


def data_home() -> Path:
    """Known cars, the key, rescued drives: what cannot be made again."""
    return user_data_path("logbench", appauthor=False)


def cache_home() -> Path:
    """What can be made again."""
    return user_cache_path("logbench", appauthor=False)


def log_home() -> Path:
    """Log files."""
    return user_log_path("logbench", appauthor=False)


def documents_home() -> Path:
    """What the user makes, and other programs open, too."""
    return user_documents_path()


# --- names of files ------------------------------------------------------------------------------

WINDOWS_PATH_CHARS: Final = 259
"""MAX_PATH without its final zero (learn.microsoft.com, "Maximum Path Length Limitation"); longer
paths work where the system's LongPathsEnabled is set, which Python asks for."""
_DEVICES = frozenset(
    {"con", "prn", "aux", "nul"}
    | {f"{device}{number}" for device in ("com", "lpt") for number in "0123456789¹²³"}
)


def is_device(stem: str) -> bool:
    """Whether Windows takes a file's name for a device's, with or without an extension. Asked on
    every system: files are carried from one to another."""
    return stem.partition(".")[0].strip().lower() in _DEVICES


def is_too_long(error: OSError, path: Path) -> bool:
    """Whether a path was refused for its length. Windows says that it does not exist."""
    if SYSTEM == "windows":
        gone = error.errno in {errno.ENOENT, errno.EINVAL}
        return gone and len(os.path.abspath(path)) > WINDOWS_PATH_CHARS
    return error.errno == errno.ENAMETOOLONG


# --- files ---------------------------------------------------------------------------------------

BINARY: Final[int] = getattr(os, "O_BINARY", 0)
"""For `os.open`: no line ends are changed (Windows)."""
NOT_WAITING: Final[int] = getattr(os, "O_NONBLOCK", 0)
"""For `os.open`: a pipe that nobody writes is not waited for."""
_LOCK_AT = 0x7FFF_FFF0
"""Byte that is locked on Windows, where locks are mandatory: far behind any journal's end."""
_TAKEN = {errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES, errno.EDEADLK}
_NO_LINKS = {errno.EPERM, errno.ENOTSUP, errno.EMLINK, errno.ENOSYS}
_HELD = {errno.EACCES, errno.EPERM}
_WAITS_S = (0.01, 0.03, 0.1, 0.3, 1.0)


def try_lock(fd: int) -> bool:
    """Lock the open file for this process; False when another holds it. The lock dies with the
    process (or with the last close of `fd`), so a crash leaves none behind."""
    try:
        if SYSTEM == "windows":
            msvcrt = importlib.import_module("msvcrt")
            position = os.lseek(fd, 0, os.SEEK_CUR)
            os.lseek(fd, _LOCK_AT, os.SEEK_SET)
            try:
                msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
            finally:
                os.lseek(fd, position, os.SEEK_SET)
        else:
            fcntl = importlib.import_module("fcntl")
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _TAKEN:
            return False
        raise
    return True


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` durable. Windows does so with the file, and opens no folders."""
    if SYSTEM == "windows":
        return
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(fd)
    except OSError as error:
        if error.errno not in {errno.EINVAL, errno.ENOTSUP, errno.EBADF}:
            raise
    finally:
        os.close(fd)


def forget_cached(path: Path) -> None:
    """Have the disk asked, not the memory, when a file that is on it is read next; where the system
    can do that. `OSError` goes to the caller."""
    if SYSTEM == "linux":
        fd = os.open(path, os.O_RDONLY)
        try:
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        finally:
            os.close(fd)


def replace(part: Path, path: Path) -> None:
    """Give a file the name of another, which is gone then. `OSError` goes to the caller."""
    _patiently(lambda: part.replace(path))


def claim(temporary: Path, name: Path) -> bool:
    """Rename without replacing; False when the name is taken. `OSError` otherwise."""
    try:
        if SYSTEM == "windows":
            _patiently(lambda: os.rename(temporary, name))  # there, it refuses to replace
            return True
        os.link(temporary, name)
    except FileExistsError:
        return False
    except OSError as error:
        if SYSTEM == "windows" or error.errno not in _NO_LINKS:
            raise
        if name.exists():  # a file system without hard links (FAT on a memory stick)
            return False
        os.rename(temporary, name)
        return True
    os.unlink(temporary)
    return True


def _patiently(act: Callable[[], object], sleep: Callable[[float], object] | None = None) -> None:
    """On Windows a file that another program looks at (search, virus scanner) cannot be renamed
    or replaced for a moment."""
    for wait_s in _WAITS_S if SYSTEM == "windows" else ():
        try:
            act()
            return
        except FileExistsError:
            raise
        except OSError as error:
            if error.errno not in _HELD:
                raise
        (sleep or time.sleep)(wait_s)
    act()


def open_files_can_go() -> bool:
    """Whether an open file can be removed and renamed, and its folder moved away."""
    return SYSTEM != "windows"


def read_at(fd: int, length: int, at: int) -> bytes | None:
    """A part of an open file, its position left alone; None where the system cannot."""
    return os.pread(fd, length, at) if hasattr(os, "pread") else None


def reserve(fd: int, at: int, length: int) -> None:
    """Room on the disk behind `at`, read as zeros; nothing where that cannot be had. `OSError`."""
    if SYSTEM == "windows":  # its file systems give a longer file its room
        os.ftruncate(fd, at + length)
    elif hasattr(os, "posix_fallocate"):
        os.posix_fallocate(fd, at, length)


def next_data(fd: int, at: int) -> int:
    """Where, from `at` on, the next bytes stand that take room on the disk: the file's size where
    none do, `at` where the file system does not know."""
    if not hasattr(os, "SEEK_DATA"):
        return at
    try:
        return os.lseek(fd, at, os.SEEK_DATA)
    except OSError as error:
        return os.fstat(fd).st_size if error.errno == errno.ENXIO else at


# --- time ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Boot:
    """How long the computer has been on, sleep included. `run`: names this run of it, empty where
    that is not known; then `ns` means nothing."""

    run: str
    ns: int


def boot_clock() -> Boot:
    """The clock that counts since this computer was switched on, which nobody sets: Linux tells
    both; elsewhere nothing is known."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    try:
        run = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        return Boot("", 0) if clock is None else Boot(run, time.clock_gettime_ns(clock))
    except (OSError, ValueError):
        return Boot("", 0)


def timer_step_s() -> float:
    """How late the shortest wait may end."""
    return 0.02 if SYSTEM == "windows" else 0.0


# --- processes and signals -----------------------------------------------------------------------


def ending_signals() -> tuple[int, ...]:
    """What asks a process to end, but Ctrl-C: of the system, a terminal that is closed, and on
    Windows Ctrl-Break."""
    names = ("SIGTERM", "SIGHUP", "SIGBREAK")
    return tuple(int(getattr(signal, name)) for name in names if hasattr(signal, name))


@contextlib.contextmanager
def no_interrupt() -> Iterator[None]:
    """A process that starts meanwhile never gets the terminal's Ctrl-C: whoever asked ends it."""
    if SYSTEM == "windows":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def without_console() -> int:
    """`creationflags` of a process that opens no window of its own."""
    return getattr(subprocess, "CREATE_NO_WINDOW", 0) if SYSTEM == "windows" else 0


def as_typed(command: list[str]) -> str:
    """A command as a person types it in this system's terminal."""
    return subprocess.list2cmdline(command) if SYSTEM == "windows" else shlex.join(command)


def has_terminals() -> bool:
    """Whether there are pseudo-terminals."""
    return SYSTEM != "windows"


def play_wave(data: bytes) -> None:
    """Play a WAV file's content with Windows' own means; it waits for the end."""
    winsound = importlib.import_module("winsound")
    winsound.PlaySound(data, winsound.SND_MEMORY | winsound.SND_NODEFAULT)


# --- memory --------------------------------------------------------------------------------------

_CGROUP = Path("/sys/fs/cgroup/memory.max")
"""What a container may have (kernel documentation, cgroup v2); `max` where nothing is said."""


class _Status(ctypes.Structure):
    """MEMORYSTATUSEX of sysinfoapi.h."""

    _names = ("total", "free", "page", "page_free", "virtual", "virtual_free", "extended")
    _fields_ = [("length", ctypes.c_uint32), ("load", ctypes.c_uint32),
                *((name, ctypes.c_uint64) for name in _names)]  # fmt: skip


def whole_memory_bytes() -> int:
    """All that this computer, or the container this runs in, has; 0 where it does not say."""
    try:
        if SYSTEM == "windows":
            status = _Status(length=ctypes.sizeof(_Status))
            _windows_library("kernel32").GlobalMemoryStatusEx(ctypes.byref(status))
            return int(status.total)
        whole = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGESIZE")
    except (OSError, ValueError):
        return 0
    with contextlib.suppress(OSError, ValueError):
        whole = min(whole, int(_CGROUP.read_text("ascii")))
    return max(0, whole)


def resident_bytes(pid: int) -> int | None:
    """Memory that a process has in use; None where it has ended or the system does not say."""
    try:
        with open(f"/proc/{pid}/statm", encoding="ascii") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGESIZE")
    except (OSError, ValueError, IndexError):
        return None


def limit_self(more_memory_bytes: int, file_bytes: int) -> None:
    """This process takes at most so much more address space than it has, writes no larger file, and
    leaves no image of its memory behind. Nothing where the system has no such limits."""
    if SYSTEM == "windows":
        return
    import resource

    limits = {resource.RLIMIT_FSIZE: file_bytes, resource.RLIMIT_CORE: 0}
    if SYSTEM == "linux":
        with open("/proc/self/statm", encoding="ascii") as file:
            has = int(file.read().split()[0]) * os.sysconf("SC_PAGESIZE")
        limits[resource.RLIMIT_AS] = has + more_memory_bytes
    for kind, most in limits.items():
        _, hard = resource.getrlimit(kind)
        least = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(kind, (least, least))


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
    Elsewhere nothing. Raises `OSError`."""
    if SYSTEM != "windows":
        return
    kernel = _windows_library("kernel32")
    kernel.CreateJobObjectW.restype = ctypes.c_void_p
    job = ctypes.c_void_p(kernel.CreateJobObjectW(None, None))  # held until this process ends
    flags = _ONE_PROCESS | _PROCESS_MEMORY | _END_WITH_US
    limits = _JobLimits(flags=flags, processes=1, process_memory=memory_bytes)
    handle = ctypes.c_void_p(int(process._handle))  # type: ignore[attr-defined]
    held = kernel.SetInformationJobObject(
        job, _JOB_LIMITS, ctypes.byref(limits), ctypes.sizeof(limits)
    ) and kernel.AssignProcessToJobObject(job, handle)
    if not held:
        number = ctypes.get_last_error()  # type: ignore[attr-defined]
        raise OSError(errno.EACCES, f"the process is held by no job object (error {number})")


def _windows_library(name: str) -> Any:
    return ctypes.WinDLL(name, use_last_error=True)  # type: ignore[attr-defined]


# --- what is printed -----------------------------------------------------------------------------

_PLAINER = {
    "−": "-", "–": "-", "—": "-", "‑": "-", "…": "...", "≤": "<=", "≥": ">=", "≈": "~", "≠": "!=",
    "±": "+-", "×": "x", "·": "*", "°": "deg ", "→": "->", "←": "<-", "↑": "up", "↓": "down",
    "λ": "lambda", "Δ": "d", "µ": "u", "Ω": "ohm", "²": "2", "³": "3", "½": "1/2", "’": "'",
    "‘": "'", "“": '"', "”": '"', "✓": "ok", "✗": "x", "€": "EUR", "\u202f": " ", "\u00a0": " ",
}  # fmt: skip
"""A minus that became a question mark would be another number."""


def _plainer(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lost = error.object[error.start : error.end]
    return "".join(_PLAINER.get(char, "?") for char in lost), error.end


codecs.register_error("logbench.plainer", _plainer)


def print_plainly(*streams: TextIO) -> None:
    """What a stream's encoding has no sign for is written in plainer ones from now on: a pipe or a
    file on Windows takes a few hundred signs only, and a program's end is none of them."""
    for stream in streams:
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="logbench.plainer")
