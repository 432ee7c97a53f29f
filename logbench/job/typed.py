"""What a person enters in a job, in the window or on the command line: by the same rules."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, ValidationError

from logbench.car.identity import stated_vin
from logbench.car.model import Car
from logbench.errors import JobError, UsageError
from logbench.foreign import in_label, raw
from logbench.job.model import Job, Option
from logbench.system.limits import JOB_ENTRIES
from logbench.system.refusal import field_name, refusal_of
from logbench.words import tr

EntryList = Literal["notes", "work", "parts", "options"]
"""Lists of the job whose entries are typed."""


def set_value(part: BaseModel, field: str, value: Any) -> None:
    """Change a field of a job or of a part of it. Raises `UsageError` for what it cannot be, with
    nothing changed."""
    try:
        if isinstance(part, Car):
            part.state(field, value)
        else:
            setattr(part, field, value)
    except ValidationError as error:
        why = refusal_of(error, type(part)).why
        name = field_name(field)
        raise UsageError(tr("The {field} is not taken: {why}.", field=name, why=why)) from error


def set_values(job: Job, values: Mapping[str, Any]) -> None:
    """The same of fields by their path: `conclusion`, `customer.name`, `vehicle.vin`; a VIN must
    be one that can be."""
    for to in (job.model_copy(deep=True), job):  # what is refused changes nothing
        _set_all(to, values)


def _set_all(job: Job, values: Mapping[str, Any]) -> None:
    for path, value in values.items():
        *parts, field = path.split(".")
        part: Any = job
        for name in parts:
            part = getattr(part, name)
        set_value(part, field, stated_vin(value) if field == "vin" else value)


def append(job: Job, name: str, entry: BaseModel) -> None:
    """Put an entry behind those of a list. Raises `JobError` where the list is full."""
    entries = getattr(job, name)
    if len(entries) >= JOB_ENTRIES:
        raise JobError(tr("A list of the job holds {most} entries at most.", most=JOB_ENTRIES))
    entries.append(entry)


TypedKind = Literal["note", "work", "part", "option"]
_WORDS: dict[TypedKind, tuple[EntryList, str]] = {
    "note": ("notes", "text"),
    "work": ("work", "text"),
    "part": ("parts", "name"),
    "option": ("options", "what"),
}
"""Of what is typed, by its kind: the list it is in, and the field with its words."""


def correct(job: Job, kind: TypedKind, number: int, text: str) -> str:
    """Put other words in place of those of an entry, which is counted from 1; what they were.
    Raises `UsageError`."""
    entry, field = _entry_at(job, kind, number), _WORDS[kind][1]
    if not text.strip():
        raise UsageError(tr("An empty correction changes nothing: withdraw the entry instead."))
    old = raw(getattr(entry, field))
    set_value(entry, field, text)
    return old


def withdraw(job: Job, kind: TypedKind, number: int) -> str:
    """Take an entry out, which is counted from 1; its words. Raises `UsageError`."""
    entry, (name, field) = _entry_at(job, kind, number), _WORDS[kind]
    getattr(job, name).pop(number - 1)
    return raw(getattr(entry, field))


def _entry_at(job: Job, kind: TypedKind, number: int) -> BaseModel:
    name, field = _WORDS[kind]
    entries: list[BaseModel] = getattr(job, name)
    if not 1 <= number <= len(entries):
        shown = [f"{n}: {in_label(getattr(one, field))[:80]}" for n, one in enumerate(entries, 1)]
        raise UsageError(
            tr("Give the number of one that is there. {entries}", entries="; ".join(shown[-20:]))
            if shown
            else tr("The job has no entry of that kind.")
        )
    return entries[number - 1]


def put_option(job: Job, what: str, said: Mapping[str, Any]) -> None:
    """A way forward as it is put to the owner: the job's own of that name with what is said of it
    now, or a new one. Raises `UsageError`, `JobError`."""
    option = Option(what="")
    set_value(option, "what", what)
    place = next((n for n, one in enumerate(job.options) if one.what == option.what), None)
    if place is not None:
        option = job.options[place].model_copy()
    for field, value in said.items():
        set_value(option, field, value)
    if place is None:
        append(job, "options", option)
    else:
        job.options[place] = option
