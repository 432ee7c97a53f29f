"""What the checks and the comparison make of the drives of one healthy, untouched diesel.

    python -m tests.analysis.real_diesels --data FOLDER [--pairs 400] [--out docs/real-cars.md]
    python -m tests.analysis.real_diesels --invented 39
    python -m tests.analysis.real_diesels --invented 0 --simulated 12 --cars 7

`FOLDER` holds the drives, recordings or files of other programs, at any depth (`.parquet`, `.csv`,
`.csv.gz`). Without one, invented drives are taken (`tests/analysis/diesel_roads.py`), or drives of
one simulated car, each on a day of its own, polled as slowly. With `--out` the tables replace those
between the marks of the page.
"""

from __future__ import annotations

import argparse
import itertools
import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from logbench.analysis.alignment import edges
from logbench.analysis.comparison.daily import learn
from logbench.analysis.comparison.results import Comparison
from logbench.analysis.model import Coverage, Finding, Verdict
from logbench.analysis.repeats import OF_CARS, Repeats
from logbench.recording.model import Trace
from logbench.recording.reader import Recording
from logbench.simulator.day import draw_day
from logbench.simulator.drawn import draw_car
from logbench.simulator.driver import Phase, Schedule, wltc_trace_kmh
from tests.analysis.comparison.real_pairs import (
    Drive,
    Tally,
    claims_table,
    compared,
    coverage_table,
    drives_below,
    put_between,
    shares_cells,
)
from tests.analysis.diesel_roads import OFTEN, road_drive
from tests.analysis.simulated import drive_of

SLOW_HZ = 11.0
BEGIN, END = "<!-- diesels: begin -->", "<!-- diesels: end -->"


def invented(count: int) -> list[Drive]:
    """Drives of the invented car."""
    return [Drive.of(f"drive {seed}", road_drive(seed)) for seed in range(count)]


def simulated(car: int, count: int) -> list[Drive]:
    """Drives of the simulated diesel of that seed."""
    return [Drive.of(f"drive {day}", slow_drive(car, day)) for day in range(count)]


def slow_drive(car: int, day: int) -> Recording:
    """One of them, of trips of the WLTC in any order, with eleven samples a second in all."""
    rng = np.random.default_rng((car, day))
    drive = drive_of(
        draw_car(car, "diesel"),
        1000 * car + day,
        {},
        _trips(rng),
        tuple(OFTEN.split()),
        dict.fromkeys(OFTEN.split(), 5.0),
        stated=False,
        ambient_degc=float(rng.normal(11.0, 7.0)),
        altitude_m=float(rng.uniform(50.0, 250.0)),
        cooled=bool(rng.random() < 0.4),
        day=draw_day(1000 * car + day),
    )
    names = [name for name in OFTEN.split() if name in drive.signals]
    return Recording.of(
        [_thinned(drive.trace(name), k, len(names)) for k, name in enumerate(names)], drive.facts
    )


def _trips(rng: np.random.Generator) -> Schedule:
    kmh = np.array(wltc_trace_kmh())
    moving = [range(a, b + 1) for a, b in edges(kmh > 0.0)]
    chosen = rng.permutation(len(moving))[: int(rng.integers(4, len(moving) + 1))]
    phases = [Phase("key on", "key on", 5.0), Phase("cranking", "crank", 6.0)]
    phases.append(Phase("idle", "idle", float(rng.uniform(10.0, 60.0))))
    for k in chosen:
        trace = tuple(kmh[moving[k]].tolist())
        phases.append(Phase("trip", "trace", float(len(trace)), trace_kmh=trace))
        phases.append(Phase("stop", "stop", 20.0))
        phases.append(Phase("idle", "idle", float(rng.exponential(25.0) + 3.0)))
    return Schedule("trips", tuple(phases), warm=bool(rng.random() < 0.3))


def _thinned(trace: Trace, place: int, of: int) -> Trace:
    """One sample for each of `of` turns at `SLOW_HZ`."""
    t_ns = np.arange(int(trace.t_ns[0]), int(trace.t_ns[-1]), int(1e9 / SLOW_HZ))[place::of]
    at = np.searchsorted(trace.t_ns, t_ns, side="right") - 1
    return replace(trace, t_ns=t_ns[at >= 0], value=trace.value[at[at >= 0]])


def judged_share(findings: Sequence[Finding]) -> float:
    """Of the parts that apply to the car and that have a limit, those that are judged."""
    apply = [f for f in findings if f.coverage not in (Coverage.NOT_APPLICABLE, Coverage.NO_LIMIT)]
    judged = sum(f.coverage is Coverage.JUDGED for f in apply)
    return judged / len(apply) if apply else 0.0


def pairs_compared(
    drives: Sequence[Drive], pairs: Sequence[tuple[int, int]], learned: bool
) -> tuple[Tally, Counter[str]]:
    """What is claimed of pairs in which nothing has changed; how often each signal is listed."""
    tally, listed = Tally(), Counter[str]()
    for i, j in pairs:
        repeats = _but(drives, (i, j)) if learned else OF_CARS
        found = compared([drives[i]], [drives[j]], repeats)
        if shares_cells(found):
            tally.add(found)
            listed.update(_listed(found))
    return tally, listed


def _but(drives: Sequence[Drive], out: Sequence[int]) -> Repeats:
    return learn([d.numbers for k, d in enumerate(drives) if k not in out])


def _listed(found: Comparison) -> list[str]:
    return [s.key for s in found.signals if s.changed]


def report(title: str, drives: Sequence[Drive], most: int) -> str:
    """All tables of some drives, of a random sample of at most so many pairs."""
    findings = [f for drive in drives for f in drive.findings]
    severe = [(d.name, f) for d in drives for f in d.findings if f.verdict.severity]
    acts = len({name for name, f in severe if f.verdict is Verdict.ACT})
    watches = len({name for name, _ in severe}) - acts
    pairs = list(itertools.combinations(range(len(drives)), 2))
    random.Random(19).shuffle(pairs)
    chosen = pairs[:most]
    known = {"of other cars": False, "of its own other drives": True}
    found = {name: pairs_compared(drives, chosen, own) for name, own in known.items()}
    tallies = {name: tally for name, (tally, _) in found.items()}
    shared = tallies["of other cars"].pairs
    listed = "; ".join(f"{name}: {_counted(listed)}" for name, (_, listed) in found.items())
    return "\n\n".join(
        (
            f"### {title}",
            f"{len(drives)} drives. `act` in {acts}, only `watch` in {watches}. Of the parts of"
            f" checks that apply {judged_share(findings):.0%} are judged.",
            "\n".join(f"- {name}, `{f.verdict}`, {f.heading}: {f.reason}" for name, f in severe)
            or "Nothing was called `watch` or `act`.",
            parts_table(findings),
            f"{len(chosen)} of {len(pairs)} pairs, {shared} of them"
            f" ({shared / max(1, len(chosen)):.0%}) with shared operating points. Signals listed"
            f" as changed: {listed}.",
            claims_table(tallies),
            coverage_table(tallies),
        )
    )


def _counted(listed: Counter[str]) -> str:
    return ", ".join(f"{name} {n}" for name, n in listed.most_common()) or "none"


def parts_table(findings: Sequence[Finding]) -> str:
    """Each part of the checks that applies to some drive: of how many it is judged, and why not of
    the others."""
    rows: dict[str, list[Finding]] = {}
    for finding in findings:
        rows.setdefault(finding.heading, []).append(finding)
    lines = ["| part | drives | judged | else |", "| --- | ---: | ---: | --- |"]
    for heading, found in rows.items():
        if all(f.coverage is Coverage.NOT_APPLICABLE for f in found):
            continue
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
    parser.add_argument("--simulated", type=int, default=8)
    parser.add_argument("--cars", type=int, nargs="*", default=[])
    parser.add_argument("--pairs", type=int, default=100_000)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    if given.data:
        text = report("Drives of one car", list(drives_below(given.data)), given.pairs)
    else:
        sets = {"Drives invented by the figures of a real car": invented(given.invented)}
        for car in given.cars:
            name = f"Drives of a simulated diesel, drawn by the seed {car}"
            sets[name] = simulated(car, given.simulated)
        text = "\n\n".join(report(name, of, given.pairs) for name, of in sets.items() if of)
    if given.out is None:
        print(text)
        return
    put_between(given.out, BEGIN, END, text)


if __name__ == "__main__":
    main()
