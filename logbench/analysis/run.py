"""Runs every check on a recording, finished or under way."""

from __future__ import annotations

import difflib
import importlib
import pkgutil
from collections.abc import Collection, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from typing import Any, Protocol, cast

from logbench.analysis import checks
from logbench.analysis.applicability import for_engine, not_for
from logbench.analysis.bands import Bands, load_bands
from logbench.analysis.checks.recording_quality import find_quality
from logbench.analysis.engine import Trait
from logbench.analysis.findings import Subject, sentence
from logbench.analysis.grid import RecordingLike
from logbench.analysis.model import Coverage, Finding, Verdict
from logbench.analysis.repeats import OF_CARS, Repeats, of_car
from logbench.analysis.statement import Text, clause, joined, said
from logbench.analysis.view import View, why_left_out
from logbench.errors import UsageError

_WHAT_THE_CAR_DID = (("RPM",), ("VSS",), ("ECT",))
_SPEAKS_OF_SIGNALS = ("recording", "sensors", "readiness")
"""Checks that need not say that a signal is poor or left out: they do, or lean on none."""


class CheckModule(Protocol):
    """What a module of `analysis/checks/` provides."""

    KEY: str
    """Short name: `fuel_trim`."""
    TITLE: str
    """What it judges, in a few words."""
    ORDER: int
    """Place in the list of checks."""
    INPUTS: tuple[str, ...]
    """Acronyms it leans on most: a poor one is named in its findings."""

    # A module may also hold PLAIN, STRIPS and SHOWN (see `plain_words`, `strips_of`, `shown_of`),
    # and PARTS: modules beside it that do part of the work.

    def check(self, view: View, bands: Bands) -> Sequence[Finding | None]:
        """The findings of one recording; at least one, if only 'not judged'. None where there is
        nothing to say of something."""
        ...


@lru_cache(maxsize=1)
def all_checks() -> tuple[CheckModule, ...]:
    """Every module of `analysis/checks/`, in order."""
    names = [m.name for m in pkgutil.iter_modules(checks.__path__, f"{checks.__name__}.")]
    modules = [cast("CheckModule", importlib.import_module(name)) for name in names]
    return tuple(sorted(modules, key=lambda m: (m.ORDER, m.KEY)))


def check_of(key: str) -> CheckModule | None:
    """The check of that key; None where there is none, or none any more."""
    return next((module for module in all_checks() if key == module.KEY), None)


def require_checks(names: Iterable[str]) -> None:
    """Raises `UsageError` for one that there is not, naming those that are spelled like it."""
    known = [module.KEY for module in all_checks()]
    for name in sorted(set(names) - set(known)):
        near = difflib.get_close_matches(name, known, n=3, cutoff=0.5)
        hint = f"did you mean {', '.join(near)}?" if near else f"choose among {', '.join(known)}."
        raise UsageError(f"There is no check '{name}'; {hint}")


def plain_words(key: str) -> str:
    """What a check looks at in the owner's words, to begin a sentence of the report with: its
    `PLAIN`, else its title."""
    module = check_of(key)
    return key if module is None else getattr(module, "PLAIN", module.TITLE)


def strips_of(key: str) -> tuple[tuple[str, ...], ...]:
    """The signals to draw behind a check's findings, strip by strip: its `STRIPS`, else what the
    car did."""
    found: tuple[tuple[str, ...], ...] = getattr(check_of(key), "STRIPS", _WHAT_THE_CAR_DID)
    return found


def shown_of(key: str) -> str:
    """Regular expression of all signals to look at with a check's findings; empty where its inputs
    serve."""
    found: str = getattr(check_of(key), "SHOWN", "")
    return found


def run_checks(
    recording: RecordingLike | View,
    bands: Bands | None = None,
    only: Collection[str] | None = None,
    *,
    repeats: Repeats = OF_CARS,
) -> list[Finding]:
    """The findings of all checks, or of those whose keys are in `only`, in the checks' order.
    `repeats`: how far the car's numbers move from one drive to the next.

    A view that is there already is not made again.

    `UsageError` when `only` names a check that there is not.
    """
    chosen = all_checks()
    if only is not None:
        require_checks(only)
        chosen = tuple(module for module in chosen if module.KEY in only)
    used = bands if bands is not None else load_bands()
    view = recording if isinstance(recording, View) else View(recording)
    repeats = repeats.of_engine(bool(view.engine.holds(Trait.COMPRESSION)))
    if view.facts.no_car:
        return [_of_no_car(module, view.facts.no_car) for module in chosen]
    return [
        finding if module.KEY in _SPEAKS_OF_SIGNALS else _with_doubt(view, module, finding)
        for module in chosen
        for finding in _findings(view, module, used, repeats)
    ]


def _findings(view: View, module: CheckModule, bands: Bands, repeats: Repeats) -> list[Finding]:
    """Those of one check, as they hold for the engine of the recording, and for the car."""
    out = not_for(view.engine, module.KEY, module.TITLE.lower())
    if out is not None:
        return [out]
    found = [for_engine(view.engine, f) for f in module.check(view, bands) if f is not None]
    return of_car(found, repeats)


def _of_no_car(module: CheckModule, why: str) -> Finding:
    subject = Subject(module.KEY, module.TITLE)
    return subject.not_judged(why, lacks=Coverage.NOT_APPLICABLE)


def _with_doubt(view: View, module: CheckModule, finding: Finding) -> Finding:
    """The finding, saying so where it leans on a signal that was left out or came slowly."""
    doubts = _left_out(view, module, finding)
    judged = finding.verdict is not Verdict.NOT_JUDGED
    if judged:
        quality = view.once(find_quality)
        doubts += [
            said("{name} is poor: {problem}", name=name, problem=quality[name].problem)
            for name in module.INPUTS
            if name in quality and quality[name].problem
        ]
    if not doubts:
        return finding
    if finding.band is None or not judged:
        return replace(finding, reason=joined([clause(finding.reason), *doubts], end="."))
    finding = replace(finding, remarks=(*finding.remarks, *doubts))
    return replace(finding, reason=sentence(finding))


def _left_out(view: View, module: CheckModule, finding: Finding) -> list[str]:
    """Which of the signals that it leans on are left out."""
    return [
        said("{name} {why}", name=name, why=why)
        for name in module.INPUTS
        if (why := why_left_out(view, name)) and f"{name} was left out" not in finding.reason
    ]


def worst(findings: Sequence[Finding]) -> Verdict:
    """The most severe verdict; `within` if something was judged, else `not judged`."""
    verdicts = (finding.verdict for finding in findings)
    return max(verdicts, key=list(Verdict).index, default=Verdict.NOT_JUDGED)


def parts_of(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Every part of the checks once, of one recording or of several: what any of them judged is
    judged."""
    found: dict[tuple[str, str], Finding] = {}
    for finding in findings:
        part = (finding.check, finding.subject)
        if finding.coverage is Coverage.JUDGED or part not in found:
            found[part] = finding
    return tuple(found.values())


def coverage_text(parts: Sequence[Finding]) -> str:
    """`judged 3 of 5, not judged: charging: cranking (not recorded); …`."""
    lacking = [part for part in parts if part.coverage is not Coverage.JUDGED]
    text = f"judged {len(parts) - len(lacking)} of {len(parts)}"
    named = "; ".join(f"{part.heading} ({part.coverage})" for part in lacking)
    return f"{text}, not judged: {named}" if lacking else text


def coverage_to_dict(parts: Sequence[Finding]) -> dict[str, Any]:
    """The same as plain JSON types."""
    lacking = [part for part in parts if part.coverage is not Coverage.JUDGED]
    return {
        "judged": len(parts) - len(lacking),
        "of": len(parts),
        "not_judged": [
            {"check": f.check, "subject": f.subject, "coverage": f.coverage.value, "why": f.reason}
            for f in lacking
        ],
    }


def not_judged_of(parts: Sequence[Finding], required: Iterable[str]) -> tuple[Finding, ...]:
    """The parts that were `required` and not judged. A check (`charging`) is judged where some of
    its parts are, and none is lacking that this car and the limits known allow; a part is named
    behind its check (`charging:cranking`).

    `UsageError` for a check that there is not.
    """
    lacking: dict[str, Finding] = {}
    for name in required:
        check, _, subject = (word.strip() for word in name.partition(":"))
        require_checks([check])
        found = [p for p in parts if p.check == check and subject in ("", p.subject)]
        missing = [p for p in found if _lacks(p)]
        if not missing and all(p.coverage is not Coverage.JUDGED for p in found):
            missing = found or [Subject(check, subject).not_judged("It was not looked at.")]
        lacking |= {part.heading: part for part in missing}
    return tuple(lacking.values())


_BAND_FIELDS = ("key", "title", "unit", "within", "watch", "basis")


def finding_to_dict(finding: Finding) -> dict[str, Any]:
    """A finding as plain JSON types; every number is finite or None, times in ns.

    `said` is the reason with its quantities, as `Text.to_json` gives it; `coverage` whether this
    part of the check was judged.
    """
    band, cap, reason = finding.band, finding.cap, finding.reason
    row = asdict(finding) | {
        "verdict": finding.verdict.value,
        "band": None if band is None else {name: getattr(band, name) for name in _BAND_FIELDS},
        "evidence": [[span.start_ns, span.end_ns] for span in finding.evidence],
        "causes": list(finding.causes),
        "next_steps": list(finding.next_steps),
        "remarks": list(finding.remarks),
        "cap": None if cap is None else {"at_most": cap.at_most.value, "reason": cap.reason},
        "coverage": finding.coverage.value,
        "said": reason.to_json() if isinstance(reason, Text) else None,
    }
    del row["lacks"]
    return row


# --- a drive under way: has each check enough evidence, and what is still missing ---

MOST_STEPS = 2
"""A sentence for a glance: not more than so many things to do at once."""


@dataclass(frozen=True, slots=True)
class CheckEvidence:
    """Where one check stands."""

    check: str
    """Key of the check: `fuel_trim`."""
    title: str
    """Title of the check: `Total fuel trim`."""
    enough: bool
    """Whether everything that the check can judge is judged."""
    missing: str
    """What is still to be recorded, one or two sentences; empty where `enough`."""
    judged: int
    """How many of its subjects (`bank 1, warm idle`) are judged so far."""
    asked: int
    """How many subjects it can judge in this recording; `judged` where `enough`."""


def evidence_so_far(recording: RecordingLike, bands: Bands | None = None) -> list[CheckEvidence]:
    """One entry for each check, in the checks' order; `bands` as in `run_checks`.

    For a drive under way: call it every few seconds, off the window's thread. It runs every check
    as it is run afterwards, so that nothing is promised that a finished recording does not keep; an
    hour of 20 signals takes about a tenth of a second.
    """
    found = run_checks(recording, bands)
    by_check = {m: [f for f in found if f.check == m.KEY] for m in all_checks()}
    return [_evidence(m.KEY, m.TITLE, findings) for m, findings in by_check.items() if findings]


def missing_steps(findings: Sequence[Finding]) -> tuple[str, ...]:
    """What is still to be recorded for findings of one check; empty where there is enough evidence.

    Findings that are never judged (a figure without a band) ask for nothing here.
    """
    return tuple(dict.fromkeys(s for f in findings if _lacks(f) for s in f.next_steps))


def _lacks(finding: Finding) -> bool:
    """Whether it is not judged for want of evidence, which more recording gives."""
    return finding.coverage in (Coverage.NOT_RECORDED, Coverage.UNCERTAIN)


def _evidence(key: str, title: str, findings: Sequence[Finding]) -> CheckEvidence:
    judged = sum(f.verdict is not Verdict.NOT_JUDGED for f in findings)
    lacking = sum(_lacks(f) for f in findings)
    return CheckEvidence(
        check=key,
        title=title,
        enough=not lacking,
        missing=joined(missing_steps(findings)[:MOST_STEPS], " ") if lacking else "",
        judged=judged,
        asked=judged + lacking,
    )
