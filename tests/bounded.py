"""Hostile files are opened in a process of its own, whose time and memory are measured and held."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

_BEFORE = """
import json, resource, sys, time
from pathlib import Path
from logbench.errors import LogbenchError
path = Path(sys.argv[1])
answer = ""
{setup}
hard = resource.getrlimit(resource.RLIMIT_AS)[1]
resource.setrlimit(resource.RLIMIT_AS, (8_000_000_000, hard))
def peak_kb():  # getrusage counts what the parent had, before this program was loaded
    lines = open("/proc/self/status").read().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM"))
held_kb = peak_kb()
begun_s = time.process_time()
try:
    answer = (lambda: {what})()
except LogbenchError as error:
    answer = f"{{type(error).__name__}}: {{error}}"
took_s = time.process_time() - begun_s
more_kb = peak_kb() - held_kb
print(json.dumps([str(answer), took_s, more_kb / 1000]))
"""


@dataclass(frozen=True)
class Cost:
    """What an expression gave, or the error of the world it raised; the processor's time and the
    memory it took."""

    answer: str
    seconds: float
    megabytes: float


def cost_of(what: str, path: Path, setup: str = "", *, seconds: float, megabytes: float) -> Cost:
    """Evaluate an expression about `path` in a fresh process that has run `setup`; fails where it
    raises anything but an error of the world, waits, or costs more than that."""
    if sys.platform != "linux":
        pytest.skip("memory is measured by Linux's means")
    code = _BEFORE.format(setup=setup, what=what)
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True, text=True, check=False, timeout=30 + 5 * seconds,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    cost = Cost(*json.loads(done.stdout.splitlines()[-1]))
    assert cost.seconds < seconds, cost
    assert cost.megabytes < megabytes, cost
    return cost
