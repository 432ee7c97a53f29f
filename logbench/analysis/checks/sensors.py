"""The sensors: readings that no car has, signals that stand still, drop out or are contradicted.

Inputs: every trace. Enabled: always. Method: values at the end of what bytes can hold or beyond
what there is; readings that leap away and back faster than the quantity can; stretches of one value
through windows in which the signal moved elsewhere in the drive, or must by physics, as the others
move; a standing car whose engine pulls, a standing engine that runs. What is odd is left out
of every other check, reading by reading, and each of them says so; plots and file keep it.
Evidence: the readings left out. In a file of another program nothing here is more than `watch`: its
logger may have written what the car never said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from logbench.analysis import alignment
from logbench.analysis.bands import Bands
from logbench.analysis.findings import EXPLANATIONS, Measured, Subject, capped
from logbench.analysis.model import Cap, Finding, Verdict
from logbench.analysis.rationality.frozen import movers
from logbench.analysis.rationality.model import Kind, Oddity
from logbench.analysis.statement import joined, said
from logbench.analysis.view import View

KEY = "sensors"
TITLE = "Sensors and their readings"
PLAIN = "The readings of the sensors"
ORDER = 14
INPUTS: tuple[str, ...] = ()

WHY = EXPLANATIONS[KEY]
_BY_KIND = {
    Kind.FROZEN: WHY["frozen"],
    Kind.DROPS_OUT: WHY["dropouts"],
    Kind.OPEN: WHY["open"],
    Kind.SHORTED: WHY["shorted"],
    Kind.STANDS: WHY["standing"],
}
MADE_BY_LOGGER = "the program that wrote the file may have put it there"


def check(view: View, bands: Bands) -> list[Finding]:
    """One finding for each odd signal, and one for the others."""
    del bands  # what is odd is told by the other signals and by physics, not by rules of thumb
    by_signal: dict[str, list[Oddity]] = {}
    for oddity in view.oddities:
        by_signal.setdefault(oddity.signal, []).append(oddity)
    odd = {a: found for a, found in by_signal.items() if any(map(_is_fault, found))}
    rest = [o for a, found in by_signal.items() if a not in odd for o in found]
    return [*(_odd(view, a, found) for a, found in odd.items()), _others(view, odd, rest)]


def _is_fault(oddity: Oddity) -> bool:
    return oddity.verdict.severity > 0


def _odd(view: View, signal: str, found: Sequence[Oddity]) -> Finding:
    worst = max(found, key=lambda oddity: oddity.verdict.severity)
    verdict, cap = worst.verdict, None
    if view.facts.is_imported and verdict is Verdict.ACT:
        verdict, cap = Verdict.WATCH, Cap(Verdict.WATCH, MADE_BY_LOGGER)
    left_out = sum(int(oddity.left_out.sum()) for oddity in found)
    clauses = [oddity.clause for oddity in found]
    if worst.kind is Kind.FROZEN:
        seconds = alignment.total_s(worst.evidence)
        clauses.append(said("within these {s:.0f s} it should have moved", s=seconds))
    if left_out:
        clauses.append(said("{n} readings are left out of the other checks", n=left_out))
    if cap is not None:
        clauses.append(capped(cap))
    reason = said("{signal}: {clauses}", signal=signal, clauses=joined(clauses, end="."))
    spans = [span for oddity in found for span in oddity.evidence]
    measured = Measured(float(left_out), evidence=spans)
    finding = Subject(KEY, signal).finding(verdict, reason, measured, _BY_KIND[worst.kind])
    return replace(finding, cap=cap)


def _others(view: View, odd: dict[str, list[Oddity]], rest: Sequence[Oddity]) -> Finding:
    """The signals that nothing speaks against, and what was never read."""
    subject = Subject(KEY, "other signals" if odd else "all signals")
    good = [a for a in view.traces.signals if a not in odd and view.trace(a) is not None]
    remarks = [said("{signal}: {clause}", signal=o.signal, clause=o.clause) for o in rest]
    tested = movers(good)
    if not tested:
        text = "No signal was recorded that must move, or that the others could contradict."
        return subject.not_judged(joined([text.removesuffix("."), *remarks], end="."), "record")
    head = said(
        "Nothing speaks against the readings of {n} signals, of which {tested} must move",
        n=len(good),
        tested=joined(tested, " and ") if len(tested) < 3 else f"{len(tested)}",
    )
    numbers = {"signals": float(len(good)), "tested": float(len(tested))}
    spans = [span for oddity in rest for span in oddity.evidence]
    measured = Measured(alignment.total_s(spans), evidence=spans, numbers=numbers)
    return subject.finding(Verdict.WITHIN, joined([head, *remarks], end="."), measured)
