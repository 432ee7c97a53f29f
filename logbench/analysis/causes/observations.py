"""What was observed: numbers of findings, what checks say by those out of their bands, codes,
results of the car's own monitors, symptoms. What was not judged, or not recorded, is no
observation."""

from __future__ import annotations

import math
from collections.abc import Sequence, Set
from dataclasses import dataclass, field, replace

from logbench.analysis.causes.catalogue import NAMED, SYMPTOMS
from logbench.analysis.causes.model import Observation
from logbench.analysis.model import Coverage, Finding
from logbench.analysis.statement import said
from logbench.foreign import joined, raw
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
class Said:
    """Something that is there or not: `named`, the causes that it speaks for. `measured`: numbers
    of the same check are observed, too."""

    observation: Observation
    named: frozenset[str] = frozenset()
    text: str = ""
    """A code, a symptom's key, a monitor's name."""
    measured: bool = False


@dataclass(frozen=True, slots=True)
class Observed:
    """All of it. `codes` is None where no reading of the car is there, and so are `monitors`:
    nobody knows whether there are any."""

    numbers: tuple[Number, ...] = ()
    said: tuple[Said, ...] = ()
    codes: tuple[Said, ...] | None = None
    monitors: tuple[tuple[Said, bool], ...] = ()
    """With whether it failed."""
    symptoms: tuple[Said, ...] = field(default=())


def observe(
    findings: Sequence[Finding],
    reading: CarReading | None = None,
    symptoms: Sequence[str] = (),
) -> Observed:
    """The observations of one recording's findings, of a reading of the car, and of what the
    customer says (keys of `SYMPTOMS`)."""
    numbers: list[Number] = []
    alarms: dict[str, list[tuple[Finding, int]]] = {}
    for place, finding in enumerate(findings):
        if finding.check in SILENT:
            continue
        if finding.coverage in (Coverage.JUDGED, Coverage.UNCERTAIN) and _is_number(finding):
            numbers.append(_number(finding, place))
        if finding.verdict.severity > 0:
            alone = finding.subject if finding.check == "sensors" else ""
            alarms.setdefault(f"{finding.check}|{alone}", []).append((finding, place))
    measured = {number.name.split("|")[0] for number in numbers}
    spoken = [_said(found, measured) for found in alarms.values()]
    return Observed(
        tuple(numbers),
        tuple(spoken),
        None if reading is None else _codes(reading),
        () if reading is None else _monitors(reading),
        tuple(
            Said(Observation(f"symptom|{key}", SYMPTOMS[key]), text=key)
            for key in dict.fromkeys(symptoms)
            if key in SYMPTOMS
        ),
    )


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


def _said(found: Sequence[tuple[Finding, int]], measured: Set[str]) -> Said:
    """What a check says by its findings out of their bands: once, however many there are; the
    causes that the most severe of them name."""
    worst = max(finding.verdict.severity for finding, _ in found)
    severe = [(finding, place) for finding, place in found if finding.verdict.severity == worst]
    texts = {text for finding, _ in severe for text in finding.causes}
    named = frozenset(n.key for n in NAMED.values() if n.text in texts)
    return Said(_seen(*severe[0]), named, measured=severe[0][0].check in measured)


def _seen(finding: Finding, place: int) -> Observation:
    words = said("{about}: {reason}", about=finding.heading, reason=finding.reason)
    return Observation(key_of(finding), words, finding.evidence, place)


def _codes(reading: CarReading) -> tuple[Said, ...]:
    """Each code once, whatever its state and however many ECUs have it."""
    found = {code.code: code for code in reading.codes}
    return tuple(
        Said(Observation(joined("|", "code", name), joined(" ", name, code.text)), text=raw(name))
        for name, code in found.items()
    )


def _monitors(reading: CarReading) -> tuple[tuple[Said, bool], ...]:
    """Those whose tests ran: failed where one of its tests did."""
    failed: dict[str, bool] = {}
    for result in reading.monitor_results:
        if result.passed is not None and result.monitor:
            failed[result.monitor] = failed.get(result.monitor, False) or not result.passed
    return tuple(
        (
            Said(Observation(joined("|", "monitor", name), _result(name, fails)), text=raw(name)),
            fails,
        )
        for name, fails in failed.items()
    )


def _result(name: str, fails: bool) -> str:
    return joined(": ", name, "failed" if fails else "passed")
