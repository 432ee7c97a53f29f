"""The statements of a report in plain words, made from findings, codes and comparison; each has a
key and can be rewritten.

A rewritten one is kept in the job under its key, printed as it stands, and marked as the
technician's own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from logbench.analysis.causes.hand_tests import after_tests
from logbench.analysis.causes.sentence import owners_paragraph
from logbench.analysis.findings import owners_sentence
from logbench.analysis.model import Coverage, Finding, Verdict
from logbench.analysis.run import parts_of, plain_words
from logbench.analysis.statement import in_units, joined, said, said_n
from logbench.foreign import fill, in_label
from logbench.report.gather import Drive, Material
from logbench.report.plainly import about, fuel_added, pattern
from logbench.report.steps import next_steps
from logbench.vehicle.records.model import CarReading, Code
from logbench.words import inside, shown, tr, word

SAFETY = frozenset({"charging", "rail", "warm_up"})
"""Checks whose findings come before others of the same result: an engine that overheats, a supply
or a fuel pressure that fails can leave a car standing in traffic. Common practice, no source."""
NOT_LOOKED_AT = ("found: not judged", "found: not of this car")
"""Keys of what was not found because it was not looked at."""
LOOKED_AT = "found: within"
OWN = "(the technician's own words)"
LACKING = (Coverage.NOT_RECORDED, Coverage.UNCERTAIN)
_MOST_TEXTS, _MOST_CODES = 3, 8
"""Codes whose meaning is told beside them, and that are named."""
Found = list[tuple[Drive, Finding]]


def sentences(material: Material) -> dict[str, str]:
    """Key to the sentence as a person edits it: the rewritten one where there is one."""
    made = default_sentences(material)
    return {key: material.job.sentences.get(key) or text for key, text in made.items()}


def printed(material: Material, *kinds: str) -> dict[str, str]:
    """Those whose keys begin with one of `kinds`, as they are printed: a rewritten one is marked as
    the technician's own."""
    rewritten = material.job.sentences
    return {
        key: fill("{text} {own}", text=in_label(own, lines=True), own=shown(OWN))
        if (own := rewritten.get(key))
        else text
        for key, text in default_sentences(material).items()
        if key.partition(":")[0] in kinds
    }


def default_sentences(material: Material) -> dict[str, str]:
    """Key to the sentence made from the findings, the codes and the comparison, the weightiest
    first."""
    made: dict[str, str] = {}
    drives = looked_at(material)
    if material.before is not None:
        made["found: codes"] = codes_sentence(material.before, "before the work")
    made |= _found_in(material, drives)
    if material.causes is not None:
        done = [test.done for test in material.job.tests]
        made["causes: summary"] = owners_paragraph(after_tests(material.causes, done), done)
    made |= _coverage(coverage_of(drives))
    made |= _after(material)
    made |= next_steps(material)
    return {key: in_units(text, material.units) for key, text in made.items() if text}


def looked_at(material: Material) -> list[Drive]:
    """The drives that show what was wrong: those before the work, else those of no side."""
    return material.drives_of("before") or material.drives_of("other")


def name_of(drive: Drive) -> str:
    """A drive as sentences and tables name it."""
    return in_label(drive.entry.label or PurePosixPath(drive.entry.file).stem)


def lacking_parts(material: Material) -> list[Finding]:
    """The parts of the checks that none of the drives looked at could judge, though this car has
    them."""
    parts = parts_of(f for drive in looked_at(material) for f in drive.findings)
    return [f for f in parts if f.coverage in LACKING and f.check != "recording"]


def codes_sentence(reading: CarReading, when: str) -> str:
    """What the car had stored; never 'none' where nobody answered."""
    stored, pending = reading.codes_in("stored"), reading.codes_in("pending")
    if not reading.codes_known("stored"):
        return said("The car's stored codes could not be read {when}.", when=when)
    named = said(": {names}", names=_names(stored)) if stored else ""
    count = said_n("{n} code", "{n} codes", len(stored)) if stored else "no codes"
    parts = [said("The car had stored {count} {when}{named}.", count=count, when=when, named=named)]
    only = [c for c in pending if c.code not in {s.code for s in stored}]
    if only:
        parts.append(
            said_n(
                "{n} more code was pending: {names}.",
                "{n} more codes were pending: {names}.",
                len(only),
                names=_names(only),
            )
        )
    told = {c.code for c in (*stored, *only)}
    permanent = [c for c in reading.codes_in("permanent") if c.code not in told]
    if permanent:
        text = "Permanent, until its own monitor has passed: {names}."
        parts.append(said(text, names=_names(permanent)))
    lamps = [entry.lamp_on for entry in reading.readiness if entry.lamp_on is not None]
    if lamps:
        on, off = "The engine warning lamp was on.", "The engine warning lamp was off."
        parts.append(on if any(lamps) else off)
    return joined(parts, " ")


# --- findings ---


def _found_in(material: Material, drives: Sequence[Drive]) -> dict[str, str]:
    """A sentence for each part of a check that is out of its range in any of the drives."""
    parts: dict[tuple[str, str], Found] = {}
    for drive in drives:
        for finding in drive.findings:
            parts.setdefault((finding.check, finding.subject), []).append((drive, finding))
    out = [found for found in parts.values() if _worst(found).verdict.severity]
    weights = _relevance(material)

    def rank(found: Found) -> tuple[int, bool, float]:
        worst = _worst(found)
        weight = weights.get((worst.check, worst.subject), 0.0)
        return -worst.verdict.severity, worst.check not in SAFETY, -weight

    made = {}
    for found in sorted(out, key=rank):
        worst = _worst(found)
        parts_said = [_found(worst), *_where(found, drives)]
        made[f"found: {worst.check}: {worst.subject}"] = joined(parts_said, " ")
    if not drives:
        made["found: no drive"] = "No test drive was recorded: nothing was judged by measuring."
    return made


def _worst(found: Found) -> Finding:
    return max((finding for _, finding in found), key=lambda f: f.verdict.severity)


def _relevance(material: Material) -> dict[tuple[str, str], float]:
    """How much each finding speaks for the likeliest cause, by check and subject."""
    if material.causes is None:
        return {}
    keys = ((w.observation.key.split("|"), w.log_odds) for w in material.causes.ranked[0].pro)
    return {(key[0], key[1]): weight for key, weight in keys if len(key) == 2}


def _where(found: Found, drives: Sequence[Drive]) -> Iterator[str]:
    """Of several drives: which of them show it, and what the others say."""
    if len(drives) < 2:
        return
    judged = {id(drive): finding.verdict for drive, finding in found}
    by_word: dict[str, list[str]] = {}
    for drive in drives:
        verdict = judged.get(id(drive), Verdict.NOT_JUDGED)
        word = "seen" if verdict.severity else verdict.value
        by_word.setdefault(word, []).append(name_of(drive))
    clauses = [
        said(words, names=", ".join(by_word[word]))
        for word, words in (
            ("seen", "Seen in {names}"),
            ("within", "within its usual range in {names}"),
            ("not judged", "not judged in {names}"),
        )
        if word in by_word
    ]
    yield joined(clauses, end=".")


def _found(finding: Finding) -> str:
    """What the finding says to an owner; what may be behind it is told of all findings at once."""
    told = pattern(finding) or owners_sentence(finding, about(finding))
    return joined(filter(None, (told, fuel_added(finding))), " ")


@dataclass(frozen=True, slots=True)
class CoverageWords:
    """What the checks could and could not judge, a few words each: what was not judged is vouched
    for nowhere."""

    lacking: tuple[str, ...]
    foreign: tuple[str, ...]
    """What this car does not have."""
    within: tuple[str, ...]
    """Judged, and within its usual range."""


def coverage_of(drives: Sequence[Drive]) -> CoverageWords:
    """Of all drives together, check by check."""
    findings = [f for drive in drives for f in drive.findings if f.check != "recording"]
    out = {f.check for f in findings if f.verdict.severity}
    judged: dict[str, bool] = {}
    lacking: dict[str, list[str]] = {}
    foreign: dict[str, list[str]] = {}
    for part in parts_of(findings):
        judged[part.check] = judged.get(part.check, False) or part.coverage is Coverage.JUDGED
        if part.coverage is Coverage.NOT_APPLICABLE:
            foreign.setdefault(part.check, []).append(part.subject)
        elif part.coverage in LACKING:
            lacking.setdefault(part.check, []).append(part.subject)
    words = {check: inside(shown(plain_words(check))) for check in judged}

    def listed(parts: dict[str, list[str]]) -> tuple[str, ...]:
        return tuple(
            f"{words[check]} ({'; '.join(map(shown, subjects))})" if judged[check] else words[check]
            for check, subjects in parts.items()
        )

    without = {check: [*lacking.get(check, ()), *foreign.get(check, ())] for check in judged}
    within = (
        tr(
            "{what} (without {parts})",
            what=words[check],
            parts="; ".join(map(shown, without[check])),
        )
        if without[check]
        else words[check]
        for check, good in judged.items()
        if good and check not in out
    )
    return CoverageWords(listed(lacking), listed(foreign), tuple(within))


def _coverage(words: CoverageWords) -> dict[str, str]:
    texts = (
        (NOT_LOOKED_AT[0], tr("Could not be judged:"), words.lacking),
        (NOT_LOOKED_AT[1], tr("Not of this car, as far as it tells:"), words.foreign),
        (LOOKED_AT, tr("Looked at and within their usual ranges:"), words.within),
    )
    return {key: f"{head} {', '.join(listed)}." for key, head, listed in texts if listed}


# --- after the work ---


def _after(material: Material) -> dict[str, str]:
    made: dict[str, str] = {}
    job, comparison = material.job, material.comparison
    if comparison is not None:
        made["after: comparison"] = comparison.summary
    elif job.work or job.parts:
        made["after: not shown"] = (
            "Before and after are not compared: whether the work helped is not shown."
            if material.drives_of("after")
            else "No drive was recorded after the work: whether it helped is not shown."
        )
    if material.after is not None:
        made["after: codes"] = codes_sentence(material.after, "after the work")
    if material.diff is not None:
        made["after: readings"] = material.diff.sentence
    return made


def _names(codes: Sequence[Code]) -> str:
    """Each code once, the first of them with their meaning by the standard."""
    texts = {code.code: "" if code.manufacturer else code.text for code in codes}
    told = list(texts.items())
    named = [
        f"{code} ({word(in_label(text))})" if text else code for code, text in told[:_MOST_TEXTS]
    ]
    named += [code for code, _ in told[_MOST_TEXTS:_MOST_CODES]]
    more = len(told) - _MOST_CODES
    return ", ".join([*named, tr("{n} more", n=more)] if more > 0 else named)
