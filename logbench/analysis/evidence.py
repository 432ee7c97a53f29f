"""Whether a drive under way has enough evidence for each check, and what is still missing.

For the live view: call `evidence_so_far` on what there is, every few seconds, off the window's
thread. It runs every check as it is run afterwards, so that nothing is promised that a finished
recording does not keep; an hour of 20 signals takes about a tenth of a second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logbench.analysis.bands import Bands
from logbench.analysis.grid import RecordingLike
from logbench.analysis.model import Finding, Verdict
from logbench.analysis.run import all_checks, run_checks

MOST_STEPS = 2
"""A sentence for a glance: not more than so many things to do at once."""


@dataclass(frozen=True, slots=True)
class CheckEvidence:
    """Where one check stands."""

    check: str
    """Key of the check: `fuel_trim`."""
    title: str
    """Title of the check: `Fuel trim totals`."""
    enough: bool
    """Whether everything that the check can judge is judged."""
    missing: str
    """What is still to be recorded, one or two sentences; empty where `enough`."""
    judged: int
    """How many of its subjects (`bank 1, warm idle`) are judged so far."""
    asked: int
    """How many subjects it can judge in this recording; `judged` where `enough`."""


def evidence_so_far(recording: RecordingLike, bands: Bands | None = None) -> list[CheckEvidence]:
    """One entry for each check, in the checks' order; `bands` as in `run_checks`."""
    findings: dict[str, list[Finding]] = {}
    for finding in run_checks(recording, bands):
        findings.setdefault(finding.check, []).append(finding)
    return [
        _evidence(module.KEY, module.TITLE, findings[module.KEY])
        for module in all_checks()
        if module.KEY in findings
    ]


def missing_evidence(findings: Sequence[Finding]) -> dict[str, tuple[str, ...]]:
    """What is still to be recorded, by check; a check with enough evidence has an empty tuple.

    Findings that are never judged (a figure without a band) ask for nothing here.
    """
    wanted: dict[str, list[str]] = {}
    for finding in findings:
        steps = wanted.setdefault(finding.check, [])
        if _lacks(finding):
            steps += [step for step in finding.next_steps if step not in steps]
    return {check: tuple(steps) for check, steps in wanted.items()}


def _lacks(finding: Finding) -> bool:
    """Whether it is not judged for want of evidence, not because it is a figure without a band."""
    figure = finding.band is None and bool(finding.numbers)
    return finding.verdict is Verdict.NOT_JUDGED and not figure


def _evidence(key: str, title: str, findings: Sequence[Finding]) -> CheckEvidence:
    judged = sum(f.verdict is not Verdict.NOT_JUDGED for f in findings)
    lacking = [f for f in findings if _lacks(f)]
    steps = missing_evidence(findings)[key]
    return CheckEvidence(
        check=key,
        title=title,
        enough=not lacking,
        missing=" ".join(steps[:MOST_STEPS]),
        judged=judged,
        asked=judged + len(lacking),
    )
