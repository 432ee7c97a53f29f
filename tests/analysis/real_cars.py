"""What the checks make of real, healthy drives, and of faults put into them; writes
docs/real-cars.md.

    python -m tests.analysis.real_cars --data ../shared/data [--out docs/real-cars.md]

`--data` holds `road-1hz/*.csv` and `road-repeats/*.csv.gz`; any folder of drives with such names
of one's own car will do. `docs/fleet.md` has the same of simulated cars, where the truth is known.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from logbench.analysis.model import Coverage, Finding, Verdict
from logbench.analysis.run import run_checks
from logbench.analysis.view import View
from tests.analysis.injected import FAULTS, Outcome, Rows, drives, look, table

_HEAD = """# The checks on real cars

Made by `python -m tests.analysis.real_cars --data ../shared/data`; do not edit by hand.

{n} drives of one healthy gasoline car of the open road data (1.496 l, air metered by manifold
pressure), {hours:.1f} hours, as another program logged them. Nobody repaired or broke it. The
figures hold for this car and this logger; other cars and drives are judged elsewhere, and no limit
of the checks is set to these. [fleet.md](fleet.md) has the same of simulated cars, where the truth
is known.

## What the files hold
Rows came every {row_s:.1f} s (median), but each value stands in {held:.1f} of them: a signal was
read once in {read_s:.1f} s. Only readings count as samples (`recording/renewal.py`). {before}

## The engine, worked out
{engine}

## Verdicts on the drives as they are
- `act` in {act} of {n} drives; only `watch` in {watch} (wanted: none, and one in ten at most).
- {judged:.0%} of all findings are judged (wanted: 53 %, or the reason why not).

{reasons}

## Why the rest is not judged
| check | part | drives | reason (of the first drive) |
| --- | --- | ---: | --- |
{lacking}

## Faults put into the drives
Each into the rows as the logger would have written it (`tests/analysis/injected.py`). *Shows*: what
the healthy rows must hold for anybody to see the fault; *found*: a finding is more severe than it
was; *named*: with the odd signal. Wanted: 90 %.

{faults}
"""
DIESELS = "## Diesels"
"""From here on the page is made by `real_diesels.py`, and kept."""
_BEFORE = """With every row
taken for one, the checks of the version before said `act` in 9 of these drives and only `watch` in
19 more, judging 49 % of all findings; their reasons do not hold in the readings."""


@dataclass
class Tally:
    """All that is counted over the drives."""

    seconds: float = 0.0
    row_s: list[float] = field(default_factory=list)
    held: list[float] = field(default_factory=list)
    verdicts: Counter[Verdict] = field(default_factory=Counter)
    severe: dict[str, list[Finding]] = field(default_factory=dict)
    lacking: dict[tuple[str, str, str], list[Finding]] = field(default_factory=dict)
    facts: Counter[str] = field(default_factory=Counter)
    outcomes: dict[str, list[Outcome]] = field(default_factory=dict)
    drives: int = 0

    def add(self, rows: Rows) -> None:
        """One drive, healthy and with each fault."""
        recording = rows.replaced()
        view = View(recording)
        findings = run_checks(view)
        self.drives += 1
        self.seconds += float(rows.t_s[-1] - rows.t_s[0])
        self.row_s.append(float(np.median(np.diff(rows.t_s))))
        self.held += [s.held_rows for s in rows.facts.signals.values() if s.held_rows]
        self.verdicts.update(finding.verdict for finding in findings)
        self.severe[rows.name] = [f for f in findings if f.verdict.severity]
        for finding in findings:
            if finding.verdict is Verdict.NOT_JUDGED:
                key = (finding.check, finding.subject, finding.coverage.value)
                self.lacking.setdefault(key, []).append(finding)
        self.facts.update(known.words for known in view.engine.told if known.holds is not None)
        for fault in FAULTS:
            outcome = look(rows, fault, findings)
            if outcome is not None:
                self.outcomes.setdefault(fault.name, []).append(outcome)


def report(tally: Tally) -> str:
    """The page."""
    worst = [max((f.verdict.severity for f in of), default=0) for of in tally.severe.values()]
    held = float(np.median(tally.held)) if tally.held else 1.0
    row_s = float(np.median(tally.row_s))
    all_of = sum(tally.verdicts.values())
    reasons = [
        f"- {drive}, `{f.verdict}`, {f.heading}: {f.reason}"
        for drive, of in tally.severe.items()
        for f in of
    ]
    lacking = [
        f"| {check} | {part} ({coverage}) | {len(of)} | {of[0].reason} |"
        for (check, part, coverage), of in sorted(tally.lacking.items(), key=lambda kv: kv[0])
        if coverage != Coverage.NO_LIMIT
    ]
    engine = [f"- {words}: in {n} of {tally.drives} drives" for words, n in _most(tally.facts)]
    return _HEAD.format(
        n=tally.drives,
        hours=tally.seconds / 3600.0,
        row_s=row_s,
        held=held,
        read_s=row_s * held,
        before=_BEFORE,
        engine="\n".join(engine),
        act=worst.count(Verdict.ACT.severity),
        watch=worst.count(Verdict.WATCH.severity),
        judged=1.0 - tally.verdicts[Verdict.NOT_JUDGED] / all_of,
        reasons="\n".join(reasons),
        lacking="\n".join(lacking),
        faults=table(tally.outcomes),
    )


def _most(counted: Counter[str]) -> list[tuple[str, int]]:
    return sorted(counted.items(), key=lambda kv: (-kv[1], kv[0]))


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--out", type=Path, default=None)
    given = parser.parse_args()
    tally = Tally()
    for rows in drives(given.data):
        tally.add(rows)
    page = report(tally)
    if given.out is None:
        print(page)
        return
    before = given.out.read_text("utf-8") if given.out.exists() else ""
    kept = DIESELS + before.partition(DIESELS)[2] if DIESELS in before else ""
    given.out.write_text(f"{page.rstrip()}\n\n{kept}" if kept else page, encoding="utf-8")


if __name__ == "__main__":
    main()
