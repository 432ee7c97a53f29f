"""One aligned table of all drives beside hand-written DuckDB on the plain files, and the ten
queries of docs/archive.md.

    python tests/benchmarks/make_archive.py FOLDER --count 3000
    python tests/benchmarks/bench_fleet.py FOLDER [--rounds 3] [--queries]

Both tables are read to their last row, each in a process of its own, in turns; the best time counts
and the largest memory. Exit code 1 when a limit is missed.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import resource
import subprocess
import sys
import time
from pathlib import Path

import duckdb

import logbench

SIGNALS = ("RPM", "ECT", "SHRTFT1", "MAF")
MAX_AGE_S = 3
"""Of a sample in both tables: older ones are not known, and a row that knows none is left out."""
TIMES, RESIDENT_GB = 1.5, 2.0
DOCUMENT = Path(__file__).parents[2] / "docs/archive.md"


def by_hand(folder: Path) -> duckdb.DuckDBPyRelation:
    """As an analyst writes it: a time base of a second, and an ASOF join for each signal. The rows
    are those of `ours`."""
    files = f"read_parquet('{folder}/**/*.parquet', filename = true)"
    names = ", ".join(f"'{name}'" for name in SIGNALS)
    joins = " ".join(
        f"ASOF LEFT JOIN (SELECT * FROM samples WHERE signal = '{name}') s{n} "
        f"ON b.filename = s{n}.filename AND b.at_ns >= s{n}.t"
        for n, name in enumerate(SIGNALS)
    )
    columns = ", ".join(
        f"CASE WHEN b.at_ns - s{n}.t <= {MAX_AGE_S * 10**9} THEN s{n}.value END AS {name}, "
        f"(b.at_ns - s{n}.t) / 1e9 AS {name}_age_s"
        for n, name in enumerate(SIGNALS)
    )
    return duckdb.sql(
        f"""WITH samples AS (SELECT * FROM {files} WHERE signal IN ({names})),
        base AS (SELECT filename, unnest(range(0, max(t) + 1000000000, 1000000000)) AS at_ns
                 FROM samples GROUP BY filename)
        SELECT b.filename, b.at_ns / 1e9 AS t_s, {columns} FROM base b {joins}
        WHERE coalesce({", ".join(SIGNALS)}) IS NOT NULL"""
    )


def ours(folder: Path, cache: Path) -> object:
    """The same by the program."""
    return logbench.archive(folder, cache=cache).table(SIGNALS, max_age=MAX_AGE_S)


def measured(which: str, folder: Path, cache: Path) -> dict[str, float]:
    """Rows, wall and processor time and resident memory of reading one table, in this process."""
    wall, cpu = time.perf_counter(), time.process_time()
    made = by_hand(folder) if which == "hand" else ours(folder, cache)
    stream = made.to_arrow_reader(100_000) if which == "hand" else made.arrow()  # type: ignore[attr-defined]
    rows = sum(batch.num_rows for batch in stream)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    return {"rows": rows, "wall_s": time.perf_counter() - wall,
            "cpu_s": time.process_time() - cpu, "gb": peak / 1e9}  # fmt: skip


def _in_a_process(which: str, folder: Path, cache: Path) -> dict[str, float]:
    command = [sys.executable, __file__, str(folder), "--cache", str(cache), "--one", which]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout)
    return found


def bench_table(folder: Path, cache: Path, rounds: int) -> bool:
    """Whether the limits hold."""
    found: dict[str, list[dict[str, float]]] = {"hand": [], "ours": []}
    logbench.archive(folder, cache=cache)
    for _ in range(rounds):
        for which, runs in found.items():
            runs.append(_in_a_process(which, folder, cache))
    best = {}
    for which, runs in found.items():
        wall, cpu = (min(run[name] for run in runs) for name in ("wall_s", "cpu_s"))
        memory = max(run["gb"] for run in runs)
        best[which] = wall
        print(f"{which}: {runs[0]['rows']:,.0f} rows, {wall:.1f} s (processor {cpu:.1f} s), "
              f"{memory:.2f} GB resident", flush=True)  # fmt: skip
    ratio, memory = best["ours"] / best["hand"], max(run["gb"] for run in found["ours"])
    print(f"ours over hand-written: {ratio:.2f} times (at most {TIMES}), {memory:.2f} GB "
          f"(at most {RESIDENT_GB:g})")  # fmt: skip
    return ratio <= TIMES and memory <= RESIDENT_GB


def bench_queries(folder: Path, cache: Path) -> None:
    """The queries of the page; raises where one is refused."""
    fleet = logbench.archive(folder, cache=cache)
    for sql in re.findall(r"```sql\n(.*?)```", DOCUMENT.read_text("utf-8"), re.DOTALL):
        begun = time.perf_counter()
        rows, first = fleet.query(sql).num_rows, sql.splitlines()[0][:70]
        print(f"{time.perf_counter() - begun:8.2f} s  {rows:>8,} rows  {first}", flush=True)


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--queries", action="store_true", help="The queries only.")
    parser.add_argument("--one", choices=("hand", "ours"), help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.one:
        print(json.dumps(measured(chosen.one, chosen.folder, chosen.cache)))
        return 0
    print(f"load {os.getloadavg()[0]:.1f}")
    if chosen.queries:
        bench_queries(chosen.folder, chosen.cache)
        return 0
    return 0 if bench_table(chosen.folder, chosen.cache, chosen.rounds) else 1


if __name__ == "__main__":
    sys.exit(main())
