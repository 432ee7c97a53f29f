"""Plain sentences for the owner, made from findings; each has a key and can be rewritten.

A rewritten sentence is kept in the job under its key and printed as it stands.
"""

from __future__ import annotations

from collections.abc import Sequence

from logbench.analysis.causes.hand_tests import after_tests
from logbench.analysis.causes.sentence import owners_paragraph
from logbench.analysis.comparison.results import FOR_THE_WORSE
from logbench.analysis.findings import owners_sentence
from logbench.analysis.model import Coverage, Finding
from logbench.analysis.run import parts_of, plain_words
from logbench.analysis.statement import Quantity, in_units, joined, said
from logbench.report.gather import Material, out_of_range
from logbench.vehicle.records.model import CarReading, Code
from logbench.words import inside

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
        made.setdefault(key, _found(finding, named))
    made["found: not judged"], made["found: within"] = _coverage(before)
    if material.before is not None:
        made["found: codes"] = codes_sentence(material.before, "before the work")
    if material.causes is not None:
        done = [test.done for test in material.job.tests]
        made["causes: summary"] = owners_paragraph(after_tests(material.causes, done), done)
    if material.comparison is not None:
        made["after: comparison"] = material.comparison.summary
        worse = [f for f in material.comparison.findings if f.verdict in FOR_THE_WORSE]
        if worse:
            names = ", ".join(f"{plain_words(f.check)} ({f.subject})" for f in worse)
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


def _found(finding: Finding, named: set[str]) -> str:
    """`named`: causes that were named already; grows."""
    about = (finding.band and finding.band.plain) or plain_words(finding.check)
    parts: list[str] = [owners_sentence(finding, about)]
    total = finding.band is not None and finding.band.key == TOTAL_TRIM
    if total and finding.value is not None:
        much = Quantity(abs(finding.value), "%", decimals=0)
        does = "adds" if finding.value > 0 else "takes away"
        text = "The engine computer {does} {much} of the fuel to keep the mixture right."
        parts.append(said(text, does=does, much=much))
    if finding.causes and finding.causes[0] not in named:
        named.add(finding.causes[0])
        cause = finding.causes[0]
        parts.append(said("Most likely: {cause}; to be confirmed by inspection.", cause=cause))
    return joined(parts, " ")


def _coverage(findings: Sequence[Finding]) -> tuple[str, str]:
    """What could not be judged, and what was judged and found within its usual range, check by
    check: what was not judged is vouched for nowhere."""
    out = {f.check for f in findings if f.verdict.severity}
    judged: dict[str, bool] = {}
    lacking: dict[str, list[str]] = {}
    for part in parts_of(f for f in findings if f.check != "recording"):
        good = part.coverage is Coverage.JUDGED
        judged[part.check] = judged.get(part.check, False) or good
        if not good and part.coverage is not Coverage.NO_LIMIT:
            lacking.setdefault(part.check, []).append(part.subject)
    words = {check: inside(plain_words(check)) for check in judged}
    missing = [
        f"{words[check]} ({'; '.join(subjects)})" if judged[check] else words[check]
        for check, subjects in lacking.items()
    ]
    within = [
        f"{words[check]} (without {'; '.join(lacking[check])})"
        if check in lacking
        else words[check]
        for check, good in judged.items()
        if good and check not in out
    ]
    return (
        f"Could not be judged: {', '.join(missing)}." if missing else "",
        f"Looked at and within their usual ranges: {', '.join(within)}." if within else "",
    )


def _names(codes: Sequence[Code]) -> str:
    return ", ".join(dict.fromkeys(code.code for code in codes))


def _count(items: Sequence[object], word: str) -> str:
    count = len(items)
    return f"{count or 'no'} {word}{'' if count == 1 else 's'}"
