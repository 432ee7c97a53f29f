"""What a person enters in a job, in the window or on the command line: by the same rules."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel, ValidationError

from logbench.car.identity import stated_vin
from logbench.car.model import Car
from logbench.errors import JobError, UsageError
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
