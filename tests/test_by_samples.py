"""Memory and time go by the samples of a recording, never by the time that they span."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from logbench.recording.even import MOST_T_NS
from tests.by_samples import DAY_NS, make, sparse

MOST_MB = 500
SLOWEST_S = 25.0
"""Of the processor, on any machine: 1 to 6 s here; by the time spanned it would be far more."""
EMPTY_CLOCK_NS = 9_831 * DAY_NS
"""From 2000-01-01, where a clock begins whose battery is empty, to a day in 2026."""

FILES = {
    "empty clock": lambda path: make(path, 0, EMPTY_CLOCK_NS),
    "ends of time": lambda path: make(path, -MOST_T_NS, 0, MOST_T_NS - DAY_NS),
    "before zero": lambda path: make(path, -5 * DAY_NS),
    "one sample": lambda path: make(path, 0, most=1),
    "none": lambda path: make(path, 0, most=0),
    "thin": lambda path: sparse(path, 500 * 10**9, 20_000),
    "thinner": lambda path: sparse(path, 9 * 10**9, 20_000),
}


@pytest.mark.skipif(sys.platform != "linux", reason="limits of memory as Linux has them")
@pytest.mark.parametrize("name", FILES)
def test_all_that_can_be_done_with_it(tmp_path: Path, name: str) -> None:
    file = FILES[name](tmp_path / "drive.parquet")
    command = [sys.executable, "-m", "tests.by_samples", file, tmp_path, str(MOST_MB)]
    ended = subprocess.run(
        command,
        env=os.environ | {"MALLOC_ARENA_MAX": "2", "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        timeout=200,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr[-3000:]
    took = json.loads(ended.stdout.splitlines()[-1])
    assert set(took) >= {"check", "laid", "export", "archive", "report", "plot"}
    assert max(took.values()) < SLOWEST_S, took
