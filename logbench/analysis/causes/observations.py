"""What was observed: numbers of findings, of the car's own monitors and of its freeze frame; what
checks, codes and customers say. What was not judged, or not recorded, is not an observation."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass, replace
from functools import cache

from logbench.analysis.causes.catalog import CAUSES, KEYS, SYMPTOMS
from logbench.analysis.causes.model import Observation
from logbench.analysis.model import Coverage, Finding, heading
from logbench.analysis.statement import Quantity, said
from logbench.foreign import in_label, joined, raw
from logbench.vehicle.records.model import CarReading

SILENT = ("recording", "readiness", "own")
"""Checks whose findings say nothing of what is wrong with the car."""


@dataclass(frozen=True, slots=True)
class Number:
    """A number of a finding; `half`: half width of its 95 % interval, NaN where it is not known.
    `name`: `check|subject|unit`, since a part of a check may measure in two ways."""

    name: str
    observation: Observation
    value: float
    half: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What was asked of the car, and what came: `check|charging` and the cause that the check names
    first, `code|P0171` and that it is there, `symptom|rough_idle`, `monitor|catalyst, bank 1`.
    `named`: the causes it speaks for by the table of causes. `measured`: numbers of the same check
    are observed, too."""

    question: str
    answer: str
    observation: Observation
    named: frozenset[str] = frozenset()
    measured: bool = False


NOTHING, OTHER, THERE, FAILED = "", "other", "there", "failed"
"""Answers: nothing wrong by it; a check that names no cause; a code or a complaint that is there; a
monitor that failed."""


@dataclass(frozen=True, slots=True)
class Observed:
    """All of it. `codes_known`: a reading of the car tells its codes, so one that is not among the
    answers is not there."""

    numbers: tuple[Number, ...] = ()
    answers: tuple[Answer, ...] = ()
    codes_known: bool = False


def observe(
    findings: Sequence[Finding],
    reading: CarReading | None = None,
    symptoms: Sequence[str] = (),
) -> Observed:
    """The observations of one recording's findings, of a reading of the car, and of what the
    customer says (keys of `SYMPTOMS`)."""
    numbers: list[Number] = []
    judged: dict[str, list[tuple[Finding, int]]] = {}
    for place, finding in enumerate(findings):
        if finding.check in SILENT:
            continue
        if finding.coverage in (Coverage.JUDGED, Coverage.UNCERTAIN) and _is_number(finding):
            numbers.append(_number(finding, place))
        if finding.coverage is Coverage.JUDGED:
            alone = finding.check == "sensors" and finding.verdict.severity > 0
            name = f"{finding.check}|{finding.subject}" if alone else finding.check
            judged.setdefault(name, []).append((finding, place))
    measured = {number.name.split("|")[0] for number in numbers}
    answers = [_of_check(found, measured) for found in judged.values()]
    if reading is not None:
        numbers += [*_of_monitors(reading), *_of_frames(reading)]
        answers += [*_codes(reading), *_monitors(reading)]
    answers += [_of_symptom(key) for key in dict.fromkeys(symptoms) if key in SYMPTOMS]
    return Observed(tuple(numbers), tuple(answers), reading is not None and _codes_known(reading))


def of_one_car(drives: Sequence[Sequence[Finding]]) -> list[Finding]:
    """The findings of several drives of one car as if of one: a number that several have is their
    mean, weighted by how sure each is; else the drive counts that judged it, and of several the one
    that found more wrong."""
    found: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in (finding for drive in drives for finding in drive):
        found.setdefault((finding.check, finding.subject, finding.unit), []).append(finding)
    return [_one_of(same) for same in found.values()]


def _one_of(same: Sequence[Finding]) -> Finding:
    worst = max(same, key=lambda f: (f.verdict.severity, f.coverage is Coverage.JUDGED))
    sure = [f for f in same if _is_number(f) and f.uncertainty and f.coverage is Coverage.JUDGED]
    if len(sure) < 2:
        return worst
    weights = [1.0 / (f.uncertainty or 1.0) ** 2 for f in sure]
    mean = sum(w * (f.value or 0.0) for w, f in zip(weights, sure, strict=True)) / sum(weights)
    return replace(worst, value=mean, uncertainty=math.sqrt(1.0 / sum(weights)))


def key_of(finding: Finding) -> str:
    """`check|subject`."""
    return f"{finding.check}|{finding.subject}"


def _is_number(finding: Finding) -> bool:
    """Whether a band judges it: counts of readings left out and the like are none."""
    value = finding.value
    return value is not None and math.isfinite(value) and finding.check != "sensors"


def _number(finding: Finding, place: int) -> Number:
    half = math.nan if finding.uncertainty is None else finding.uncertainty
    return Number(
        f"{key_of(finding)}|{finding.unit}", _seen(finding, place), finding.value or 0.0, half
    )


def _of_check(found: Sequence[tuple[Finding, int]], measured: Set[str]) -> Answer:
    """What a check says by its findings out of their bands, once however many there are: the first
    cause that the most severe of them names."""
    check = found[0][0].check
    worst = max(finding.verdict.severity for finding, _ in found)
    severe = [(finding, place) for finding, place in found if finding.verdict.severity == worst]
    if not worst:
        return Answer(f"check|{check}", NOTHING, Observation(f"{check}|", ""))
    texts = [text for finding, _ in severe for text in finding.causes]
    named = [key for text in texts for key in sorted(KEYS.get(text, ()))]
    answer = next(iter(named), OTHER)
    seen = _seen(*severe[0])
    return Answer(f"check|{check}", answer, seen, frozenset(named), check in measured)


def _about(finding: Finding) -> str:
    return said("{check}: {subject}", check=heading(finding.check), subject=finding.subject)


def _seen(finding: Finding, place: int) -> Observation:
    words = said("{about}: {reason}", about=_about(finding), reason=finding.reason)
    return Observation(key_of(finding), words, finding.evidence, place)


def _of_symptom(key: str) -> Answer:
    named = frozenset(cause.key for cause in CAUSES.values() if key in cause.symptoms)
    return Answer(f"symptom|{key}", THERE, Observation(f"symptom|{key}", SYMPTOMS[key]), named)


# --- of a reading of the car ---


def _codes_known(reading: CarReading) -> bool:
    return any(reading.codes_known(state) for state in ("stored", "pending"))


def _codes(reading: CarReading) -> list[Answer]:
    """Each family of codes once, whatever their state and however many ECUs have them."""
    found = {f"code|{family(raw(code.code))}": code for code in reading.codes}
    return [
        Answer(
            question,
            THERE,
            Observation(joined("|", "code", code.code), joined(" ", code.code, code.text)),
            causes_of_code(raw(code.code)),
        )
        for question, code in found.items()
    ]


def family(code: str) -> str:
    """Codes that say the same of another bank or cylinder are one: `P0174` is `P0171`."""
    return _FAMILY.get(code, "P0300" if _MISFIRE.fullmatch(code) else code)


_MISFIRE = re.compile(r"P03(0\d|1[0-2])")
_FAMILY = {
    "P0174": "P0171", "P0175": "P0172", "P2189": "P2187", "P2190": "P2188", "P0153": "P0133",
    "P0430": "P0420", "P0021": "P0011",
}  # fmt: skip
"""SAE J2012: the second bank's to the first bank's."""


@cache
def causes_of_code(code: str) -> frozenset[str]:
    """Causes in whose list a code stands."""
    return frozenset(c.key for c in CAUSES.values() if c.codes and c.codes.fullmatch(code))


def _of_monitors(reading: CarReading) -> Iterator[Number]:
    """Results that have limits: 0 in the middle between them (or as far as can be from the only one
    that says anything), 1 on one."""
    for result in reading.monitor_results:
        if result.margin is None or result.passed is None or not result.monitor:
            continue
        name = joined("|", "monitor", joined(" ", result.monitor, f"{result.test_id:02X}"), "")
        words = _result(result.monitor, not result.passed)
        seen = Observation(joined("|", "monitor", result.monitor), words)
        low, high, value = result.minimum, result.maximum, result.value
        below = (
            low is not None and high is not None and value is not None and 2.0 * value < low + high
        )
        sign = -1.0 if below else 1.0
        yield Number(raw(name), seen, sign * (1.0 - result.margin), math.nan)


def _monitors(reading: CarReading) -> list[Answer]:
    """Those whose tests ran: failed where one of its tests did."""
    failed: dict[str, bool] = {}
    for result in reading.monitor_results:
        if result.passed is not None and result.monitor:
            failed[result.monitor] = failed.get(result.monitor, False) or not result.passed
    return [
        Answer(
            raw(joined("|", "monitor", name)),
            FAILED if fails else NOTHING,
            Observation(joined("|", "monitor", name), _result(name, fails)),
            frozenset(
                cause.key
                for cause in CAUSES.values()
                if cause.monitors and cause.monitors.search(raw(name))
            ),
        )
        for name, fails in failed.items()
    ]


def _result(name: str, fails: bool) -> str:
    return said("{name}: failed" if fails else "{name}: passed", name=in_label(name))


_FRAME = (
    ("total trim, bank 1", ("SHRTFT1", "LONGFT1"), "%"),
    ("total trim, bank 2", ("SHRTFT2", "LONGFT2"), "%"),
    ("coolant", ("ECT",), "degC"),
    ("engine speed", ("RPM",), "rpm"),
    ("load", ("LOAD_PCT",), "%"),
)
"""What a freeze frame tells of the condition in which a code came: sums of its values."""


def _of_frames(reading: CarReading) -> Iterator[Number]:
    """Of the first one; what is not in it is not there."""
    if not reading.freeze_frames:
        return
    values = {raw(v.signal): v.value for v in reading.freeze_frames[0].values}
    for subject, signals, unit in _FRAME:
        found = [value for name in signals if (value := values.get(name)) is not None]
        if len(found) == len(signals):
            words = said(
                "kept when the code came: {subject} {value}",
                subject=subject,
                value=Quantity(sum(found), unit),
            )
            seen = Observation(f"frame|{subject}", words)
            yield Number(f"frame|{subject}|{unit}", seen, sum(found), math.nan)
