"""Which checks, and which causes, hold for the engine that a recording shows.

What a check cannot judge on an engine is a row of `explanations.toml`, what engine a cause needs
one of `causes.toml`. Where it is not known which engine it is, a limit that hangs on it carries no
`act`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.engine import Engine, unknown_whether
from logbench.analysis.findings import UNLESS, Subject, Unless, capped, sentence
from logbench.analysis.model import Cap, Coverage, Finding, Verdict
from logbench.analysis.statement import clause, joined, said

WHOLE = "*"
_NEEDS = {cause.text: cause.needs for cause in NAMED.values()}


def not_for(engine: Engine, check: str, title: str) -> Finding | None:
    """The one finding of a check that does not apply to this engine at all; None where it does."""
    whole = next((row for row in UNLESS.get(check, ()) if row.subject == WHOLE), None)
    return None if whole is None else _kept_out(engine, Subject(check, title), whole)


def for_engine(engine: Engine, finding: Finding) -> Finding:
    """The finding as it holds for this engine: not applicable, at most `watch`, or as it is; of
    its causes those that this engine can have."""
    for row in UNLESS.get(finding.check, ()):
        if row.subject != WHOLE and not finding.subject.startswith(row.subject):
            continue
        out = _kept_out(engine, Subject(finding.check, finding.subject), row)
        finding = out or _capped(engine, finding, row)
    return replace(finding, causes=_possible(engine, finding.causes))


def _kept_out(engine: Engine, subject: Subject, row: Unless) -> Finding | None:
    for trait in row.traits:
        known = engine[trait]
        if known.holds is row.holds:
            text = said("This is {brief}: {why}.", brief=known.brief, why=row.why)
            return subject.not_judged(text, lacks=Coverage.NOT_APPLICABLE)
    return None


def _capped(engine: Engine, finding: Finding, row: Unless) -> Finding:
    """At most `watch` where it is not known whether a trait holds."""
    unsure = [trait for trait in row.traits if engine.holds(trait) is None]
    if not unsure or finding.verdict is not Verdict.ACT:
        return finding
    why = unknown_whether(unsure[0])
    cap = Cap(Verdict.WATCH, why)
    watched = replace(finding, verdict=Verdict.WATCH, cap=cap)
    if finding.band is not None:
        return replace(watched, reason=sentence(watched))
    return replace(watched, reason=joined([clause(finding.reason), capped(cap)], end="."))


def _possible(engine: Engine, causes: Sequence[str]) -> tuple[str, ...]:
    """Without those that need what this engine probably lacks."""
    return tuple(
        text
        for text in causes
        if all(engine[trait].probability >= 0.5 for trait in _NEEDS.get(text, ()))
    )
