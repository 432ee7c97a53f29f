"""Options that several commands have, and what is made of them. Light: every command imports it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.errors import UsageError
from logbench.foreign import fill

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from pydantic import BaseModel

    from logbench.car.model import Car
    from logbench.recording.model import Surroundings

CHANGED = 5
"""Exit code where a recording, or a piece of a job, is not what was recorded or entered."""

INTERRUPTED = 130
"""Exit code of what was ended by Ctrl-C."""

SoakHours = Annotated[
    float | None, typer.Option(help="How long the car had stood, hours: for the sensors' soak.")
]
Altitude = Annotated[
    float | None,
    typer.Option("--altitude-m", help="Altitude, meters: for the barometer."),
]
Humidity = Annotated[
    float | None, typer.Option(help="Relative humidity outside, %: for the air's density.")
]
Regulating = Annotated[
    float | None, typer.Option(help="Thermostat's regulating temperature, degrees C.")
]
Fuel = Annotated[
    str, typer.Option(help="gasoline, diesel …: goes before what the recording looks like.")
]
AsJson = Annotated[bool, typer.Option("--json", help="For machines.")]
AsCsv = Annotated[bool, typer.Option("--csv", help="As CSV.")]
SameCar = Annotated[
    bool, typer.Option("--same-car", help="It is one car, although the files differ.")
]
ArchivePlace = Annotated[
    str | None,
    typer.Option(
        "--archive",
        help="Where the car's other drives are: how far it moves from drive to drive is learned "
        "from them. Left out: the archive folder that was opened last in the window; '' for none.",
    ),
]
Start = Annotated[
    str,
    typer.Option(
        help="When the drive began: 2026-03-01T10:00, local time with its zone not known, or with "
        "the zone behind it, like +01:00 or Z."
    ),
]
Private = Annotated[
    bool,
    typer.Option(
        "--private",
        help="Without what says whose car it is, where and when: VIN, plate, names, make and "
        "model, odometer, dates, places, file names, and everything that was typed.",
    ),
]

_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*(s|sec|min|m|h)?")


def make_group(name: str, title: str) -> typer.Typer:
    """An empty group of commands."""
    return typer.Typer(
        name=name,
        help=title,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )


def duration_s(text: str) -> float:
    """Seconds from `90`, `90s`, `10min` or `1.5h`; raises UsageError with the legal forms."""
    match = _DURATION.fullmatch(text.strip())
    seconds = 0.0
    if match:
        factor = {"min": 60, "m": 60, "h": 3600}.get(match[2] or "s", 1)
        seconds = float(match[1]) * factor
    if seconds <= 0:
        raise UsageError(f"'{text}' is not a duration; write it like 90s, 10min or 1.5h.")
    return seconds


def moment_of(text: str) -> datetime | None:
    """`2026-03-01T10:00`, with or without a zone; None for an empty text. Raises UsageError."""
    from datetime import datetime

    try:
        return datetime.fromisoformat(text.strip()) if text.strip() else None
    except ValueError:
        raise UsageError(
            f"'{text}' is not a date and time; write it like 2026-03-01T10:00 or 2026-03-01T10:00Z."
        ) from None


def listed(text: str) -> tuple[str, ...]:
    """The parts of `rpm, MAF`."""
    return tuple(part.strip() for part in text.split(",") if part.strip())


@contextmanager
def refused(model: type[BaseModel], sentence: str) -> Iterator[None]:
    """Turn what a model refuses into a UsageError: `sentence` with {name}, {option}, {problem}."""
    from pydantic import ValidationError

    from logbench.system.refusal import refusal_of

    try:
        yield
    except ValidationError as error:
        refusal = refusal_of(error, model)
        option = "--" + refusal.field.removesuffix("_pct").replace("_", "-")
        raise UsageError(
            fill(sentence, name=refusal.name, option=option, problem=refusal.why)
        ) from None


def vehicle_of(
    label: str = "",
    displacement_l: float | None = None,
    cylinders: int | None = None,
    regulating_degc: float | None = None,
    fuel: str = "",
) -> Car:
    """Facts of the car; UsageError names the one that is not legal and its interval."""
    from logbench.car.model import Car

    with refused(Car, "The vehicle's {name} is not taken: {problem}."):
        return Car(
            label=label,
            displacement_l=displacement_l,
            cylinders=cylinders,
            regulating_temp_degc=regulating_degc,
            fuel=fuel,
        )


def archive_of(place: str | None, job: Path | None = None) -> str:
    """The archive that is named, else the one at hand, else what a job's own recordings are."""
    if place is not None:
        return place
    from logbench.cases.settings import Settings

    at_hand = Settings.load().archive_at_hand
    if at_hand or job is None:
        return at_hand
    from logbench.cases.archive import job_as_archive
    from logbench.cases.work import run_here

    return run_here(job_as_archive(job))


def surroundings_of(
    soak_hours: float | None, altitude_m: float | None, humidity_pct: float | None
) -> Surroundings:
    """What a person states of the surroundings; UsageError names the option and its interval."""
    from logbench.recording.model import Surroundings

    with refused(Surroundings, "{option} is not taken: {problem}."):
        return Surroundings(soak_hours=soak_hours, altitude_m=altitude_m, humidity_pct=humidity_pct)
