"""Plain sentences for the owner, made from findings; each has a key and can be rewritten.

A rewritten sentence is kept in the job under its key and printed as it stands.
"""

from __future__ import annotations

from collections.abc import Sequence

from logbench.analysis.comparison.results import FindingVerdict
from logbench.analysis.model import Finding, Verdict
from logbench.analysis.run import plain_words
from logbench.analysis.statement import in_units
from logbench.report.gather import Material, out_of_range
from logbench.signals.units import Units
from logbench.vehicle.records.model import CarReading, Code

TOTAL_TRIM = "fuel_trim_total"
"""The band of what the engine computer adds or takes away; other trim bands are differences."""


def sentences(material: Material) -> dict[str, str]:
    """Key to the sentence as it will be printed: the rewritten one where there is one."""
    made = default_sentences(material)
    return {key: material.job.sentences.get(key) or text for key, text in made.items()}


def default_sentences(material: Material) -> dict[str, str]:
    """Key to the sentence made from the findings, the codes and the comparison."""
    made: dict[str, str] = {}
    named: set[str] = set()
    before = [f for drive in material.drives_of("before") for f in drive.findings]
    for finding in out_of_range(before):
        key = f"found: {finding.check}: {finding.subject}"
        made.setdefault(key, _found(finding, material.units, named))
    made["found: within"] = _within(before)
    if material.before is not None:
        made["found: codes"] = codes_sentence(material.before, "before the work")
    if material.comparison is not None:
        made["after: comparison"] = material.comparison.summary
        resolved = [f for f in material.comparison.findings if f.verdict is FindingVerdict.WORSE]
        if resolved:
            names = ", ".join(f"{plain_words(f.check)} ({f.subject})" for f in resolved)
            made["after: worse"] = f"Worse than before: {names}."
    if material.after is not None:
        made["after: codes"] = codes_sentence(material.after, "after the work")
    if material.diff is not None:
        made["after: readings"] = material.diff.sentence
    return {key: in_units(text, material.units) for key, text in made.items() if text}


def codes_sentence(reading: CarReading, when: str) -> str:
    """What the car had stored; never 'none' where nobody answered."""
    stored, pending = reading.codes_in("stored"), reading.codes_in("pending")
    if not reading.codes_known("stored"):
        return f"The car's stored codes could not be read {when}."
    text = f"The car had stored {_count(stored, 'code')} {when}"
    text += f": {_names(stored)}." if stored else "."
    only = [c for c in pending if c.code not in {s.code for s in stored}]
    if only:
        were = "was" if len(only) == 1 else "were"
        text += f" {_count(only, 'more code')} {were} pending: {_names(only)}."
    permanent = [c for c in reading.codes_in("permanent") if c.code not in text]
    if permanent:
        text += f" Permanent, until its own monitor has passed: {_names(permanent)}."
    lamps = [entry.lamp_on for entry in reading.readiness if entry.lamp_on is not None]
    if lamps:
        text += f" The engine warning lamp was {'on' if any(lamps) else 'off'}."
    return text


def _found(finding: Finding, units: Units, named: set[str]) -> str:
    """`named`: causes that were named already; grows."""
    how = "clearly outside" if finding.verdict is Verdict.ACT else "a little outside"
    where = f" ({finding.subject})" if finding.subject else ""
    about = (finding.band and finding.band.plain) or plain_words(finding.check)
    text = f"{about}{where} is {how} the usual range"
    if finding.value is not None:
        signed = finding.band is not None and (finding.band.within[0] or 0) < 0
        shown = units.figure(finding.value, finding.unit, signed=signed)
        text += f": {shown}"
    text += "."
    if finding.value is None:
        text = f"{finding.reason.rstrip('.')}."
    total = finding.band is not None and finding.band.key == TOTAL_TRIM
    if total and finding.value is not None:
        much = f"{abs(finding.value):.0f} %"
        does = "adds" if finding.value > 0 else "takes away"
        text += f" The engine computer {does} {much} of the fuel to keep the mixture right."
    if finding.causes and finding.causes[0] not in named:
        named.add(finding.causes[0])
        text += f" Most likely: {finding.causes[0]}; to be confirmed by inspection."
    return text


def _within(findings: Sequence[Finding]) -> str:
    """Which checks found nothing out of the ordinary."""
    checks = dict.fromkeys(f.check for f in findings)
    good = [
        plain_words(check)
        for check in checks
        if any(f.verdict is Verdict.WITHIN for f in findings if f.check == check)
        and not any(f.verdict.severity for f in findings if f.check == check)
        and check != "recording"
    ]
    if not good:
        return ""
    names = "; ".join(name[0].lower() + name[1:] for name in good)
    return f"Looked at and within their usual ranges: {names}."


def _names(codes: Sequence[Code]) -> str:
    return ", ".join(dict.fromkeys(code.code for code in codes))


def _count(items: Sequence[object], word: str) -> str:
    count = len(items)
    return f"{count or 'no'} {word}{'' if count == 1 else 's'}"
