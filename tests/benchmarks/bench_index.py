"""What an index of a million drives costs: python tests/benchmarks/bench_index.py [DRIVES] [FOLDER]

The rows are made up (`tests/archive/generated.py`); printed are seconds, and bytes read of files as
Linux counts them. In an archive cut by year the newest lie together; by car they lie everywhere.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from logbench.archive import kept
from logbench.archive.archive import Archive
from logbench.archive.find import Filter
from logbench.archive.index import known_index
from logbench.archive.kept import index_folder
from tests.archive.generated import generated

CUTS = 32
FINDS = {
    "newest 40": Filter(),
    "newest 40 of a folder": Filter(folders=("cut=07",)),
    "newest 40 before 2005": Filter(until="2004"),
    "40 of a car": Filter(car="car 77"),
    "40 that hold a signal": Filter(signals=("ECT",)),
}


def read_bytes() -> int:
    """What this process has read so far."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("rchar")).split()[1])


def measured(what: str, work: Callable[[], object], whole: int) -> None:
    """Print what it takes, the better of two runs."""
    best = None
    for _ in range(2):
        before, begun = read_bytes(), time.perf_counter()
        work()
        took = time.perf_counter() - begun, read_bytes() - before
        best = took if best is None else min(best, took)
    assert best is not None
    seconds, read = best
    print(f"  {what:28} {seconds:7.2f} s  {read / 1e6:8.1f} MB  {100 * read / whole:5.1f} %")


def main() -> None:
    """All of it, for both layouts."""
    drives = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    base = Path(sys.argv[2] if len(sys.argv) > 2 else tempfile.mkdtemp(prefix="logbench-bench-"))
    for layout in ("year", "car"):
        root = base / layout
        root.mkdir(parents=True, exist_ok=True)
        archive = Archive(root, base / "cache")
        folders = {f"cut={n:02d}": drives // CUTS for n in range(CUTS)}
        begun = time.perf_counter()
        if known_index(archive.cache) is None:
            generated(archive.cache, folders, by_time=layout == "year")
        files = [p for p in index_folder(archive.cache).rglob("*") if p.is_file()]
        whole = sum(p.stat().st_size for p in files)
        index = archive.as_known()
        print(
            f"{len(index):,} drives cut by {layout}: {len(index.kept.parts)} parts, "
            f"{whole / 1e6:.0f} MB, made in {time.perf_counter() - begun:.0f} s"
        )
        for what, chosen in FINDS.items():
            measured(what, partial(_found, root, base, chosen), whole)
        measured("opening one by its name", partial(_resolved, root, base), whole)
        measured("writing one part anew", partial(_renewed, base, index.kept.parts[0]), whole)


def _found(root: Path, base: Path, chosen: Filter) -> None:
    archive = Archive(root, base / "cache")
    archive.as_known()
    assert archive.find(chosen, 40).num_rows == 40


def _renewed(base: Path, part: kept.Part) -> None:
    kept.written(base / "anew", part.tables())


def _resolved(root: Path, base: Path) -> None:
    archive = Archive(root, base / "cache")
    name = archive.as_known().kept.parts[-1].first
    assert archive.resolve(name) == name


if __name__ == "__main__":
    main()
