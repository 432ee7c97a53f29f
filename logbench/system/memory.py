"""How much memory this computer has for one piece of work."""

from __future__ import annotations

import contextlib
import ctypes
import functools
import os
import re
import sys
from pathlib import Path

from logbench.errors import UsageError

_CGROUP = Path("/sys/fs/cgroup/memory.max")
"""What a container may have (kernel documentation, cgroup v2); `max` where nothing is said."""
_UNKNOWN_BYTES = 8_000_000_000
"""A small workshop computer's, where the system does not say."""
_LEAST_BYTES = 1_000_000_000
LEAST_ASKED_BYTES = 300_000_000
"""A question needs a third of it before it reads anything."""
_UNITS = {"MB": 1e6, "GB": 1e9, "MIB": 2**20, "GIB": 2**30}


class _Status(ctypes.Structure):
    """MEMORYSTATUSEX of sysinfoapi.h."""

    _names = ("total", "free", "page", "page_free", "virtual", "virtual_free", "extended")
    _fields_ = [("length", ctypes.c_uint32), ("load", ctypes.c_uint32),
                *((name, ctypes.c_uint64) for name in _names)]  # fmt: skip


@functools.cache
def memory_bytes() -> int:
    """All that this computer, or the container this runs in, has."""
    try:
        if sys.platform == "win32":  # has not been tried
            status = _Status(length=ctypes.sizeof(_Status))
            ctypes.windll.kernel32.GlobalMemoryStatusEx(ctypes.byref(status))
            return int(status.total) or _UNKNOWN_BYTES
        whole = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGESIZE")
    except (OSError, ValueError):
        return _UNKNOWN_BYTES
    with contextlib.suppress(OSError, ValueError):
        whole = min(whole, int(_CGROUP.read_text()))
    return whole if whole > 0 else _UNKNOWN_BYTES


def work_bytes() -> int:
    """What a question to an archive may take unless somebody says otherwise: a quarter of it."""
    return max(_LEAST_BYTES, memory_bytes() // 4)


def bytes_of(text: str) -> int:
    """`4 GB`, `800MB`, `2 GiB` as bytes; 0 for an empty text. Raises `UsageError` for what is no
    size, or one that nothing can be done with."""
    found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*([MG]i?B)", text.strip(), re.IGNORECASE)
    size = int(float(found[1]) * _UNITS[found[2].upper()]) if found else 0
    if text.strip() and size < LEAST_ASKED_BYTES:
        raise UsageError(f"'{text}' is not an amount of memory: write it like 4GB, at least 300MB.")
    return size
