"""How much memory this computer has for one piece of work."""

from __future__ import annotations

import functools
import re

from logbench.errors import UsageError
from logbench.system.platforms import whole_memory_bytes

_UNKNOWN_BYTES = 8_000_000_000
"""A small workshop computer's, where the system does not say."""
_LEAST_BYTES = 1_000_000_000
LEAST_ASKED_BYTES = 300_000_000
"""A question needs a third of it before it reads anything."""
_UNITS = {"MB": 1e6, "GB": 1e9, "MIB": 2**20, "GIB": 2**30}


@functools.cache
def memory_bytes() -> int:
    """All that this computer, or the container this runs in, has."""
    return whole_memory_bytes() or _UNKNOWN_BYTES


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
