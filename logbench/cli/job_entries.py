"""`logbench job note`, `work`, `part`, `option`, `set`: what a person enters in a job by hand."""

from __future__ import annotations

import sys
from datetime import UTC
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from logbench.cases.work import run_here
from logbench.cli.job import Folder
from logbench.cli.options import moment_of, refused
from logbench.cli.show import say, warn
from logbench.errors import UsageError
from logbench.foreign import MOST_TEXT

Words = Annotated[str, typer.Argument(help="The text; - reads it from standard input.")]
At = Annotated[str, typer.Option(help="When it was: 2026-03-01T10:00; left out: now.")]


def note(folder: Folder, text: Words, at: At = "") -> None:
    """Note what was seen, said or tried."""
    _note(folder, "notes", text, at)
    say("Noted.")


def work(folder: Folder, text: Words, at: At = "") -> None:
    """Enter work that was done."""
    _note(folder, "work", text, at)
    say("Work entered.")


def part(
    folder: Folder,
    name: Annotated[str, typer.Argument(help="The part.")],
    number: Annotated[str, typer.Option(help="Its number.")] = "",
    quantity: Annotated[float, typer.Option(help="How many, or how much.")] = 1.0,
    remark: Annotated[str, typer.Option(help="Anything about it.")] = "",
) -> None:
    """Enter a part that was fitted."""
    from logbench.cases.job_entries import EnterInJob
    from logbench.job.model import Part
    from logbench.job.store import JobStore

    with refused(Part, "The part's {name} is not taken: {problem}."):
        part = Part(name=name, number=number, quantity=quantity, remark=remark)
    run_here(EnterInJob(JobStore(), _home(folder), "parts", part))
    say("Part entered.")


def option(
    folder: Folder,
    what: Annotated[str, typer.Argument(help="The way forward; one that is there is changed.")],
    cost: Annotated[str | None, typer.Option(help="What it costs, in words.")] = None,
    consequence: Annotated[str | None, typer.Option(help="What follows of it.")] = None,
    safety: Annotated[str | None, typer.Option(help="A remark on safety.")] = None,
    agreed: Annotated[
        bool | None, typer.Option("--agreed/--declined", help="How the owner decided.")
    ] = None,
) -> None:
    """Enter a way forward as it was put to the owner, or how the owner decided."""
    from logbench.cases.job_entries import PutOption
    from logbench.job.store import JobStore

    said = {"cost": cost, "consequence": consequence, "safety": safety, "agreed": agreed}
    given = {name: value for name, value in said.items() if value is not None}
    run_here(PutOption(JobStore(), _home(folder), what, given))
    say("Option entered.")


class Kind(StrEnum):
    """What a person enters."""

    NOTE = "note"
    WORK = "work"
    PART = "part"
    OPTION = "option"


WhichKind = Annotated[Kind, typer.Argument(help="What kind of entry it is.")]
Number = Annotated[
    int, typer.Argument(help="Which of them, counted from 1; 0 lists them with their numbers.")
]


def correct(folder: Folder, kind: WhichKind, number: Number, text: Words) -> None:
    """Put right what an entry says; the ledger keeps that it was another, and when."""
    old = _change(folder, kind, number, _read(text))
    say(f"Corrected: {old}")


def withdraw(folder: Folder, kind: WhichKind, number: Number) -> None:
    """Take an entry out of the job; the ledger keeps that there was one, and when."""
    say(f"Withdrawn: {_change(folder, kind, number, None)}")


def _change(folder: Path, kind: Kind, number: int, text: str | None) -> str:
    from logbench.cases.job_entries import ChangeEntry
    from logbench.job.store import JobStore

    return run_here(ChangeEntry(JobStore(), _home(folder), kind.value, number, text))


def set_fields(
    folder: Folder,
    fields: Annotated[
        list[str],
        typer.Argument(
            help="FIELD=TEXT, one or more: title, concern, agreement, conclusion, technician, "
            "customer, contact, or a fact of the car: vin, label, registration, make, model, year, "
            "displacement_l, odometer_km … Nothing behind = clears it, - reads standard input."
        ),
    ],
) -> None:
    """Say what was agreed and what it was, who and which car it is: conclusion="A split hose"."""
    from logbench.car.identity import check_vin
    from logbench.cases.job_entries import SetJobFields
    from logbench.job.store import JobStore

    values = dict(map(_field_of, fields))
    run_here(SetJobFields(JobStore(), _home(folder), values))
    warn(check_vin(values["vehicle.vin"]).notice if values.get("vehicle.vin") else "")
    say("The job is changed.")


def _field_of(text: str) -> tuple[str, Any]:
    """`conclusion=The hose was split` as path and value. Raises `UsageError`."""
    from logbench.car.model import FACTS, Car

    name, mark, value = (part.strip() for part in text.partition("="))
    paths = {name: name for name in ("title", "concern", "agreement", "conclusion", "technician")}
    paths |= {"customer": "customer.name", "contact": "customer.contact"}
    paths |= {fact: f"vehicle.{fact}" for fact in FACTS}
    if not mark or name not in paths:
        raise UsageError(
            "Write {name}=… with one of: {names}.", name=name or "FIELD", names=", ".join(paths)
        )
    if value:
        return paths[name], _read(value)
    return paths[name], Car.model_fields[name].default if name in FACTS else ""


def _note(folder: Path, name: Literal["notes", "work"], text: str, at: str) -> None:
    from logbench.cases.job_entries import EnterInJob
    from logbench.job.model import Note
    from logbench.job.store import JobStore

    moment = moment_of(at)
    when = {} if moment is None else {"at_utc": moment.astimezone(UTC).isoformat()}
    with refused(Note, "The {name} is not taken: {problem}."):
        note = Note(text=_read(text), **when)
    run_here(EnterInJob(JobStore(), _home(folder), name, note))


def _home(folder: Path) -> Path:
    """The job's folder, of which its file may be named, too. Raises JobError."""
    from logbench.job.folder import open_job

    return open_job(folder)[0].path


def _read(text: str) -> str:
    """`-` is what stands on standard input; one character more than a field takes is enough."""
    return sys.stdin.read(MOST_TEXT + 1).strip() if text == "-" else text
