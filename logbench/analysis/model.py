"""The words of the analysis: spans, driving conditions, bands, findings."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from logbench.words import shown


class Condition(StrEnum):
    """What the car was doing."""

    KEY_ON = "key-on engine-off"
    GLOW = "glow phase"
    CRANKING = "cranking"
    COLD_IDLE = "cold idle"
    WARM_IDLE = "warm idle"
    FAST_IDLE = "fast idle hold"
    CRUISE = "steady cruise"
    ACCELERATION = "acceleration"
    FULL_THROTTLE = "wide-open throttle"
    FUEL_CUT = "deceleration fuel cut"
    REGENERATION = "filter regeneration"
    ELECTRIC = "electric driving"
    HALT = "engine stopped at a halt"
    ENGINE_OFF = "engine off"
    OTHER = "other driving"


ENGINE_STANDS = frozenset(
    {
        *(Condition.KEY_ON, Condition.GLOW, Condition.CRANKING),
        *(Condition.ENGINE_OFF, Condition.ELECTRIC, Condition.HALT),
    }
)
"""What a car does while its engine does not run."""


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of the recording's clock, start included, end not; nanoseconds."""

    start_ns: int
    end_ns: int

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return (self.end_ns - self.start_ns) / 1e9


@dataclass(frozen=True, slots=True)
class ConditionSpan(Span):
    """A span with its driving condition."""

    condition: Condition


class Coverage(StrEnum):
    """What became of one part of a check."""

    JUDGED = "judged"
    NOT_RECORDED = "not recorded"
    """Signals, facts or driving conditions are missing: more recording helps."""
    UNCERTAIN = "too uncertain"
    NOT_APPLICABLE = "not applicable to this car"
    NO_LIMIT = "no limit known"
    """A figure that nothing judges."""


class Verdict(StrEnum):
    """What a check says; ordered by `severity`."""

    NOT_JUDGED = "not judged"
    WITHIN = "within"
    WATCH = "watch"
    ACT = "act"

    @property
    def severity(self) -> int:
        """0 for not judged and within, 1 for watch, 2 for act: the exit code of `check`."""
        return {"watch": 1, "act": 2}.get(self.value, 0)


Range = tuple[float | None, float | None]
"""Lowest and highest value; None is an open end."""


@dataclass(frozen=True, slots=True)
class Band:
    """A rule-of-thumb range with its basis; None is an open end.

    Inside `within`: within. Inside `watch`, which contains `within`: watch. Outside: act.
    """

    key: str
    title: str
    unit: str
    within: Range
    watch: Range
    basis: str
    """Citation, or 'common practice, no source', or 'from memory: where to verify'."""
    plain: str = ""
    """In the owner's words, where it is about something else than its check; else empty."""
    drawn_on: str = ""
    """Signals (a regular expression) for whose single samples it holds. Empty: it judges a rate, a
    spread or a ratio of several signals, and has no place on a strip."""
    watch_at_most: str = ""
    """Why it can carry no more than `watch`; empty where it can."""


def heading(check: str, subject: str = "") -> str:
    """How a check, or one of its findings, is called in lists, tables and charts: `fuel trim`,
    `fuel trim: bank 1, warm idle`."""
    name = check.replace("_", " ")
    return f"{name}: {subject}" if subject else name


def headed(check: str, subject: str = "") -> str:
    """The same in the user's language."""
    name = shown(heading(check))
    return f"{name}: {shown(subject)}" if subject else name


@dataclass(frozen=True, slots=True)
class Cap:
    """What kept a verdict from being more severe: the verdict at most, and why, as a clause."""

    at_most: Verdict
    reason: str


@dataclass(frozen=True, slots=True)
class Finding:
    """A check's derived judgment of one subject, a part of the check. Texts that hold quantities
    are each a `statement.Text`."""

    check: str
    """Key of the check's module: `fuel_trim`, `airflow`, `warm_up`."""
    subject: str
    """What was judged, in a few words: `bank 1, warm idle`."""
    verdict: Verdict
    reason: str
    """One sentence, written from the rest: the number, how it compares, how sure."""
    value: float | None = None
    uncertainty: float | None = None
    """Half width of a 95 % interval of `value`, same unit; None when not estimated. Of this drive:
    another one of the same car may give another number."""
    unit: str = ""
    band: Band | None = None
    evidence: tuple[Span, ...] = ()
    causes: tuple[str, ...] = ()
    """What it may mean, ordered by likelihood, in the trade's words; never a parts order."""
    next_steps: tuple[str, ...] = ()
    """What would tell the causes apart; for 'not judged', what to record next time."""
    numbers: dict[str, float] = field(default_factory=dict)
    """Further figures by name, for machines and the report."""
    what: str = ""
    """What the number is: `Total fuel trim`; empty where there is none."""
    remarks: tuple[str, ...] = ()
    """What the number rests on and what weakens it: clauses without a full stop."""
    cap: Cap | None = None
    """What lowered the verdict; None where nothing did."""
    of_car: float | None = None
    """Half width of the 95 % interval of what the car is like: what it does from one drive to the
    next is in it. None without a number that a band judges."""
    lacks: Coverage = Coverage.NOT_RECORDED
    """Why it is not judged, where it is not."""

    @property
    def coverage(self) -> Coverage:
        """Whether this part of the check was judged, and if not, why."""
        return self.lacks if self.verdict is Verdict.NOT_JUDGED else Coverage.JUDGED

    @property
    def outcome(self) -> tuple[str, ...]:
        """The verdict; of what was not judged, why, too: `not judged`, `not recorded`."""
        judged = self.coverage is Coverage.JUDGED
        return (self.verdict.value,) if judged else (self.verdict.value, self.coverage.value)

    @property
    def heading(self) -> str:
        """`fuel trim: bank 1, warm idle`."""
        return heading(self.check, self.subject)
