"""One reading held against a later one: codes gone, back, new; monitors run."""

from __future__ import annotations

from collections.abc import Iterable

from pydantic import BaseModel, Field

from logbench.car.identity import Match
from logbench.car.known import KnownCars
from logbench.foreign import in_label, joined
from logbench.vehicle.records.model import STATES, CarReading, Code, CodeState
from logbench.words import begun, tr, tr_n, word


class CodeChange(BaseModel):
    """One code of one ECU over two readings; `states` are where it was and is."""

    code: str
    ecu: str
    text: str = ""
    before: list[CodeState] = Field(default_factory=list)
    after: list[CodeState] = Field(default_factory=list)

    @property
    def only_permanent(self) -> bool:
        """Stored or pending before, and only permanent now."""
        return self.after == ["permanent"] and self.before != ["permanent"]


class ReadingDiff(BaseModel):
    """What has changed. A code counts as gone only where the later reading got an answer."""

    gone: list[CodeChange] = Field(default_factory=list)
    stayed: list[CodeChange] = Field(default_factory=list)
    """There in both; also where only its state changed."""
    back: list[CodeChange] = Field(default_factory=list)
    """There before and now, with a clearing in between."""
    new: list[CodeChange] = Field(default_factory=list)
    unknown: list[CodeChange] = Field(default_factory=list)
    """There before; the later reading got no answer that could tell."""
    monitors_run: list[str] = Field(default_factory=list)
    """`7E8 Catalyst`: not complete before, complete now."""
    monitors_reset: list[str] = Field(default_factory=list)
    warnings: list[str] = Field(default_factory=list)

    @property
    def outcomes(self) -> tuple[tuple[str, list[CodeChange]], ...]:
        """The changes by what became of the code, each with its words."""
        return (
            ("gone", self.gone),
            ("back", self.back),
            ("still there", self.stayed),
            ("new", self.new),
            ("not known", self.unknown),
        )

    @property
    def sentence(self) -> str:
        """The change in one sentence. A code that is only permanent any more is named as that."""
        only = [change for change in self.stayed if change.only_permanent]
        outcomes = [
            (what, [change for change in found if change not in only])
            for what, found in self.outcomes
        ]
        permanent = "no longer stored, but permanent until its own monitor has passed"
        outcomes.insert(3, (permanent, only))
        parts = [
            tr_n("{n} code {what}", "{n} codes {what}", len(found), what=word(what))
            for what, found in outcomes
            if found
        ]
        codes = ", ".join(parts) if parts else tr("no codes in either reading")
        monitors = [
            tr_n("{n} monitor {what}", "{n} monitors {what}", len(names), what=word(what))
            for what, names in (
                ("run since", self.monitors_run),
                ("reset and not run again yet", self.monitors_reset),
            )
            if names
        ]
        changed = ", ".join(monitors) or tr("no monitor changed")
        return begun(tr("{codes}; {monitors}.", codes=codes, monitors=changed))


def diff_readings(
    before: CarReading,
    after: CarReading,
    cleared: bool | None = None,
    known: KnownCars | None = None,
) -> ReadingDiff:
    """What the later reading shows against the earlier.

    `cleared`: whether codes were cleared in between, so that what is there again came back; None
    takes it from the car's own counters. Two cars, as judged with those `known`, are a warning,
    not an error.
    """
    if cleared is None:
        cleared = was_cleared(before, after)
    diff = ReadingDiff(warnings=list(_warnings(before, after, known or KnownCars())))
    old, new = _by_code(before.codes), _by_code(after.codes)
    for key in dict.fromkeys((*old, *new)):
        change = _change(key, old.get(key, []), new.get(key, []))
        if not change.before:
            diff.new.append(change)
        elif change.after:
            only_permanent = set(change.after) == {"permanent"}
            (diff.back if cleared and not only_permanent else diff.stayed).append(change)
        elif all(change.ecu in after.answered.get(f"{s} codes", ()) for s in change.before):
            diff.gone.append(change)
        else:
            diff.unknown.append(change)
    _monitors(diff, before, after)
    return diff


def was_cleared(before: CarReading, after: CarReading) -> bool:
    """Whether the car's counters say that codes were cleared between the readings."""
    earlier = {entry.ecu: entry for entry in before.readiness}
    for entry in after.readiness:
        old = earlier.get(entry.ecu)
        if old is None:
            continue
        for now, then in (
            (entry.warm_ups, old.warm_ups),
            (entry.cleared_distance_km, old.cleared_distance_km),
            (entry.cleared_minutes, old.cleared_minutes),
        ):
            if now is not None and then is not None and now < then:
                return True
    return False


def _by_code(codes: Iterable[Code]) -> dict[tuple[str, str], list[Code]]:
    found: dict[tuple[str, str], list[Code]] = {}
    for code in codes:
        found.setdefault((code.ecu, code.code), []).append(code)
    return found


def _change(key: tuple[str, str], old: list[Code], new: list[Code]) -> CodeChange:
    ecu, code = key
    return CodeChange(
        code=code,
        ecu=ecu,
        text=(old or new)[0].text,
        before=[state for state in STATES if any(c.state == state for c in old)],
        after=[state for state in STATES if any(c.state == state for c in new)],
    )


def _monitors(diff: ReadingDiff, before: CarReading, after: CarReading) -> None:
    earlier = {(e.ecu, m.key): m.complete for e in before.readiness for m in e.monitors}
    for entry in after.readiness:
        for monitor in entry.monitors:
            was = earlier.get((entry.ecu, monitor.key))
            if was is False and monitor.complete:
                diff.monitors_run.append(joined(" ", entry.ecu, word(in_label(monitor.name))))
            elif was is True and not monitor.complete:
                diff.monitors_reset.append(joined(" ", entry.ecu, word(in_label(monitor.name))))


def _warnings(before: CarReading, after: CarReading, known: KnownCars) -> Iterable[str]:
    meeting = known.judge(before.car.identity, after.car.identity)
    if meeting.match is not Match.SAME or meeting.answered:
        yield tr("Before and after: {sentence}", sentence=meeting.sentence)
    if not before.complete:
        yield tr("The earlier reading is incomplete: what is missing there proves nothing.")
    if not after.complete:
        yield tr("The later reading is incomplete: what is missing there proves nothing.")
