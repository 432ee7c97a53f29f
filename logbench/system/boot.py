"""The clock that counts since the computer was switched on; nobody sets it."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Boot:
    """How long the computer has been on, sleep included. `run`: names this run of it, empty where
    that is not known; then `ns` means nothing."""

    run: str
    ns: int


def boot_clock() -> Boot:
    """Of this computer: Linux tells both; elsewhere nothing is known."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    try:
        run = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        return Boot("", 0) if clock is None else Boot(run, time.clock_gettime_ns(clock))
    except (OSError, ValueError):
        return Boot("", 0)
