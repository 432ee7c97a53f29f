"""How a job and the car's records in it look in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from logbench.cli.show import say
from logbench.job.account import account
from logbench.job.model import RESTRAINT_CAUTION
from logbench.job.times import local_text
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
    parts = (car.label, car.name, car.registration, car.vin, car.engine, odometer)
    say(title, "bold")
    for name, fact in (
        ("Concern", shown.concern),
        ("Customer", shown.customer.name),
        ("Car", ", ".join(part for part in parts if part)),
        ("The car itself gives", ", ".join(str(read) for read in car.read_instead.values())),
        ("Agreed", shown.agreement),
        ("Conclusion", shown.conclusion),
    ):
        if fact:
            say(f"{name}: {fact}")
    if shown.restraint_work:
        say(RESTRAINT_CAUTION, "yellow")
    say("")
    for moment in moments:
        when = local_text(moment.when) if moment.when else "time not known  "
        words = " ".join(part for part in (moment.text, moment.file) if part)
        say(f"{when}  {moment.kind}: {words}".rstrip(": "))
        for name, text in moment.facts:
            say(f"                  {name}: {text}")


def reading(shown: CarReading) -> None:
    """Identity, codes, readiness, monitor results, problems and remarks."""
    who = shown.identity
    say(f"VIN: {who.vin or 'not told'}  {who.protocol}".rstrip(), "bold")
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
            say(f"Failed: {result.ecu} {result.monitor}, {result.test}", "red")
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
            say(f"{state.title()}: {code.code} ({code.ecu}) {code.text}".rstrip())


def change(shown: CarChange) -> None:
    """What was agreed, sent and answered."""
    for name, text in account(shown):
        say(f"{name}: {text}")


def diff(shown: ReadingDiff) -> None:
    """What changed between two readings."""
    for warning in shown.warnings:
        say(warning, "yellow")
    say(shown.sentence, "bold")
    for outcome, changes in shown.outcomes:
        for change in changes:
            say(f"{outcome.capitalize()}: {_change_text(change)}")
    for title, names in (("Run since", shown.monitors_run), ("Reset", shown.monitors_reset)):
        for name in names:
            say(f"{title}: {name}")


def _change_text(change: CodeChange) -> str:
    """A code with where it was and is."""
    before, after = (" and ".join(states) or "none" for states in (change.before, change.after))
    named = f"{change.code} ({change.ecu}) {change.text}".rstrip()
    return f"{named}: {before}, then {after}"
