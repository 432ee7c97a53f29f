"""Comparing two one-hour drives of 20 signals at 10 Hz, checks included: processor and wall time.

Run it by hand: `python tests/benchmarks/bench_compare.py`. The goal is 2 s. As a yardstick of the
machine it prints the ratio to the pass of pandas that `bench_checks.py` takes.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from bench_checks import an_hour, best

from logbench.analysis.comparison.compare import compare

RUNS = 7


def main() -> None:
    before, after = an_hour(0.8, seed=3), an_hour(0.0, seed=4)
    samples = sum(len(r.trace(*key)) for r in (before, after) for key in r.keys)
    print(f"{len(before.keys)} signals, {samples} samples in both drives")
    cpu_s, wall_s = [], []
    for _ in range(RUNS):
        start, used = time.perf_counter(), time.process_time()
        result = compare([before], [after])
        wall_s.append(time.perf_counter() - start)
        cpu_s.append(time.process_time() - used)
    print(result.summary)
    print(f"wall: {min(wall_s):.2f} to {max(wall_s):.2f} s of {RUNS} runs")
    print(f"processor: {min(cpu_s):.2f} to {max(cpu_s):.2f} s")
    print(f"{min(wall_s) / best(before.frame, 3):.1f} passes of pandas over one drive")
    if hasattr(os, "getloadavg"):
        print(f"load: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
