"""What the checks and the comparison make of the drives of one healthy, untouched diesel.

    python -m tests.analysis.real_diesels --data FOLDER [--pairs 400] [--out docs/real-cars.md]
    python -m tests.analysis.real_diesels --invented 39

`FOLDER` holds the drives, recordings or files of other programs, at any depth (`.parquet`, `.csv`,
`.csv.gz`). Without one, invented drives are taken (`tests/analysis/diesel_roads.py`). With `--out`
the tables replace those between the marks of the page.
"""

from __future__ import annotations

import argparse
import itertools
import random
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from logbench.analysis.comparison.daily import learn
from logbench.analysis.comparison.results import Comparison
from logbench.analysis.model import Coverage, Finding, Verdict
from logbench.analysis.repeats import OF_CARS, Repeats
from tests.analysis.comparison.real_pairs import (
    Drive,
    Tally,
    claims_table,
    compared,
    coverage_table,
    drives_below,
    shares_cells,
)
from tests.analysis.diesel_roads import road_drive

BEGIN, END = "<!-- diesels: begin -->", "<!-- diesels: end -->"


def invented(count: int) -> list[Drive]:
    """Drives of the invented car."""
    return [Drive.of(f"drive {seed}", road_drive(seed)) for seed in range(count)]


def judged_share(findings: Sequence[Finding]) -> float:
    """Of the parts that apply to the car and that have a limit, those that are judged."""
    apply = [f for f in findings if f.coverage not in (Coverage.NOT_APPLICABLE, Coverage.NO_LIMIT)]
    judged = sum(f.coverage is Coverage.JUDGED for f in apply)
    return judged / len(apply) if apply else 0.0


def pairs_compared(
    drives: Sequence[Drive], pairs: Sequence[tuple[int, int]], learnt: bool
) -> tuple[Tally, Counter[str]]:
    """What is claimed of pairs in which nothing has changed; how often each signal is listed."""
    tally, listed = Tally(), Counter[str]()
    for i, j in pairs:
        repeats = _but(drives, (i, j)) if learnt else OF_CARS
        found = compared([drives[i]], [drives[j]], repeats)
        if shares_cells(found):
            tally.add(found)
            listed.update(_listed(found))
    return tally, listed


def _but(drives: Sequence[Drive], out: Sequence[int]) -> Repeats:
    return learn([d.numbers for k, d in enumerate(drives) if k not in out])


def _listed(found: Comparison) -> list[str]:
    return [s.key for s in found.signals if s.changed]


def report(drives: Sequence[Drive], most: int) -> str:
    """All tables, of a random sample of at most so many pairs."""
    findings = [f for drive in drives for f in drive.findings]
    severe = [(d.name, f) for d in drives for f in d.findings if f.verdict.severity]
    acts = len({name for name, f in severe if f.verdict is Verdict.ACT})
    watches = len({name for name, _ in severe}) - acts
    pairs = list(itertools.combinations(range(len(drives)), 2))
    random.Random(19).shuffle(pairs)
    chosen = pairs[:most]
    tallies, listed = {}, Counter[str]()
    for name, own in {"of other cars": False, "of its own other drives": True}.items():
        tallies[name], counted = pairs_compared(drives, chosen, own)
        listed = listed or counted
    shared = tallies["of other cars"].pairs
    return "\n\n".join(
        (
            f"{len(drives)} drives. `act` in {acts}, only `watch` in {watches}. Of the parts of"
            f" checks that apply {judged_share(findings):.0%} are judged.",
            "\n".join(f"- {name}, `{f.verdict}`, {f.heading}: {f.reason}" for name, f in severe),
            parts_table(findings),
            f"{len(chosen)} of {len(pairs)} pairs, {shared} of them"
            f" ({shared / max(1, len(chosen)):.0%}) with shared operating points. Signals listed"
            f" as changed: {_counted(listed)}.",
            claims_table(tallies),
            coverage_table(tallies),
        )
    )


def _counted(listed: Counter[str]) -> str:
    return ", ".join(f"{name} {n}" for name, n in listed.most_common()) or "none"


def parts_table(findings: Sequence[Finding]) -> str:
    """Each part of the checks: of how many drives it is judged, and why not of the others."""
    rows: dict[str, list[Finding]] = {}
    for finding in findings:
        rows.setdefault(finding.heading, []).append(finding)
    lines = ["| part | drives | judged | else |", "| --- | ---: | ---: | --- |"]
    for heading, found in rows.items():
        lacking = [f for f in found if f.coverage is not Coverage.JUDGED]
        why = Counter(f.coverage.value for f in lacking)
        said = ", ".join(f"{name} {n}" for name, n in why.most_common())
        first = f": {lacking[0].reason}" if lacking else ""
        lines.append(f"| {heading} | {len(found)} | {len(found) - len(lacking)} | {said}{first} |")
    return "\n".join(lines)


def main() -> None:
    """Measure, and print or write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n\n")[0])
    parser.add_argument("--data", type=Path)
    parser.add_argument("--invented", type=int, default=39)
    parser.add_argument("--pairs", type=int, default=100_000)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    drives = list(drives_below(given.data)) if given.data else invented(given.invented)
    text = report(drives, given.pairs)
    if given.out is None:
        print(text)
        return
    page = given.out.read_text("utf-8")
    before, _, rest = page.partition(BEGIN)
    given.out.write_text(f"{before}{BEGIN}\n{text}\n\n{END}{rest.partition(END)[2]}", "utf-8")


if __name__ == "__main__":
    main()
