"""How a job and the car's records in it look in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from logbench.analysis.misfire_counts import misfire_sentence
from logbench.car.identity import check_vin
from logbench.cli.show import say
from logbench.foreign import joined
from logbench.job.account import account
from logbench.job.model import RESTRAINT_CAUTION
from logbench.job.times import local_text
from logbench.vehicle.records.in_use import use_text
from logbench.vehicle.records.model import STATES
from logbench.vehicle.records.monitors import missing_sentence

if TYPE_CHECKING:
    from logbench.job.model import Job
    from logbench.job.timeline import Moment
    from logbench.vehicle.records.diff import CodeChange, ReadingDiff
    from logbench.vehicle.records.model import CarChange, CarReading


def job(shown: Job, title: str, moments: Sequence[Moment]) -> None:
    """A job as a page: car, concern, what it holds, its timeline."""
    car = shown.vehicle
    odometer = f"{car.odometer_km:,.0f} km ({car.source('odometer_km')})" if car.odometer_km else ""
    parts = car.label, car.name, car.registration, car.vin, car.engine, odometer
    say(title, "bold")
    for name, fact in (
        ("Concern", shown.concern),
        ("Customer", shown.customer.name),
        ("Car", joined(", ", *parts)),
        (
            "The car itself gives",
            joined(", ", *(_word(read) for read in car.read_instead.values())),
        ),
        ("Agreed", shown.agreement),
        ("Conclusion", shown.conclusion),
    ):
        if fact:
            say(joined(": ", name, fact))
    checked = check_vin(car.vin)
    if car.vin and (checked.problem or checked.notice):
        say(joined(" ", "VIN:", checked.problem or checked.notice), "yellow")
    for option in shown.options:
        decision = {None: "not decided", True: "agreed", False: "declined"}[option.agreed]
        more = joined("; ", option.cost, option.consequence, option.safety, decision)
        say(joined(": ", "Option", option.what, more))
    for part in shown.parts:
        many = "" if part.quantity == 1 else f"{part.quantity:g} ×"
        what = joined(", ", part.name, part.number, part.remark)
        say(joined(": ", "Part", joined(" ", many, what)))
    if shown.restraint_work:
        say(RESTRAINT_CAUTION, "yellow")
    say("")
    for moment in moments:
        when = local_text(moment.when) if moment.when else "time not known  "
        words = joined(" ", moment.text, moment.file)
        say(joined("  ", when, joined(": ", moment.kind, words)))
        for name, text in moment.facts:
            say(joined(": ", f"                  {name}", text))


def reading(shown: CarReading) -> None:
    """Identity, codes, readiness, monitor results, problems and remarks."""
    who = shown.identity
    say(joined("  ", joined(" ", "VIN:", who.vin or "not told"), who.protocol), "bold")
    for trouble in (who.vin_problem, who.vin_notice):
        if trouble:
            say(trouble, "yellow")
    codes(shown)
    for frame in shown.freeze_frames:
        count = len(frame.values)
        say(f"Freeze frame {frame.number} of {frame.ecu}: {frame.code}, {count} values")
    if not shown.freeze_frames and shown.answered.get("freeze frames"):
        say("No freeze frame is stored.")
    for entry in shown.readiness:
        if entry.monitors:
            say(missing_sentence(entry))
    for result in shown.monitor_results:
        if result.passed is False:
            say(
                joined(" ", "Failed:", result.ecu, joined(", ", result.monitor, result.test)), "red"
            )
    if misfires := misfire_sentence(shown.monitor_results):
        say(f"Misfire counts: {misfires}")
    for used in shown.in_use:
        for use in used.counted:
            say(joined(" ", "Ran in use:", used.ecu, joined(": ", use.monitor, use_text(use))))
    for sentence in (*shown.problems, *shown.remarks):
        say(sentence, "yellow")


def codes(shown: CarReading) -> None:
    """Those of each state, or why there are none."""
    for state in STATES:
        found = shown.codes_in(state)
        if not shown.codes_known(state):
            say(f"{state.title()} codes: not known, no ECU answered.")
        elif not found:
            say(f"{state.title()} codes: none.")
        for code in found:
            say(joined(" ", f"{state.title()}: {code.code} ({code.ecu})", code.text))


def change(shown: CarChange) -> None:
    """What was agreed, sent and answered."""
    for name, text in account(shown):
        say(joined(": ", name, text))


def diff(shown: ReadingDiff) -> None:
    """What changed between two readings."""
    for warning in shown.warnings:
        say(warning, "yellow")
    say(shown.sentence, "bold")
    for outcome, changes in shown.outcomes:
        for change in changes:
            say(joined(": ", outcome.capitalize(), _change_text(change)))
    for title, names in (("Run since", shown.monitors_run), ("Reset", shown.monitors_reset)):
        for name in names:
            say(joined(": ", title, name))


def _change_text(change: CodeChange) -> str:
    """A code with where it was and is."""
    before, after = (" and ".join(states) or "none" for states in (change.before, change.after))
    named = joined(" ", f"{change.code} ({change.ecu})", change.text)
    return joined(": ", named, f"{before}, then {after}")


def _word(fact: str | float) -> str:
    return fact if isinstance(fact, str) else f"{fact:g}"
